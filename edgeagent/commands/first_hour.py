"""The first hour with an instrument: commands that propose a layout for an export and a recipe for a part."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import TYPE_CHECKING

import click

from edgeagent.errors import AgentError, UsageError

if TYPE_CHECKING:
    from edgeagent.codec.proposals.layout import LayoutProposal

_KINDS = ("spiral", "circle", "axial", "travel")
_FILE_MB_MAX = 256
_OUT = click.option(
    "--out", type=click.Path(path_type=Path, dir_okay=False), help="Write it here; an existing file is kept."
)


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@_OUT
@click.option("--kind", type=click.Choice(_KINDS), help="Kind of trace, where the file does not tell it.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also draw the trace as a picture (PNG, SVG).",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout, nothing else there.")
def layout(file: Path, out: Path | None, kind: str | None, picture: Path | None, as_json: bool) -> None:
    """Propose a layout for FILE, an unknown delimited export.

    Says what is sure and what is not and why, and draws the trace that it would read. What the file does not
    tell stands in the layout as "FILL IN"; the check command refuses it until that is done. Exit code 0 when
    a layout could be proposed, else 1.

    \b
    Example:
      edgeagent layout export/000412.asc --out config/layouts/gauge-1.toml
    """
    from edgeagent.codec.proposals.layout import propose_layout

    _not_there(out)
    proposal = propose_layout(file.name, _read(file), kind)
    if picture is not None:
        _draw_picture(proposal, picture)
    if out is not None:
        _write(out, proposal.toml)
    if as_json:
        click.echo(json.dumps(_as_json(proposal), ensure_ascii=False))
        return
    report = "\n".join(_report(file, proposal, out))
    if out is None:
        click.echo(report, err=True)
        click.echo(proposal.toml, nl=False)
    else:
        click.echo(report)


@click.command()
@click.option("--part", required=True, help="Part number.")
@click.option("--member", type=click.Choice(("shaft", "nut")), required=True)
@click.option("--hand", type=click.Choice(("right", "left")), required=True)
@click.option("--starts", type=int, default=1, show_default=True)
@click.option("--lead-mm", type=float, required=True, help="Travel in one turn.")
@click.option("--ball-mm", type=float, required=True, help="Ball diameter.")
@click.option("--ball-circle-mm", type=float, required=True, help="Ball pitch circle diameter.")
@click.option("--contact-angle-deg", type=float, default=45.0, show_default=True)
@click.option(
    "--conformity", type=float, default=0.535, show_default=True, help="Flank radius / ball diameter."
)
@click.option("--speed-rpm", type=float, help="Highest running speed; limits of waviness follow from it.")
@click.option(
    "--feature",
    "features",
    multiple=True,
    metavar="NAME:KIND",
    help="A trace of the part, such as left-flank:spiral; may be repeated.",
)
@_OUT
def recipe(
    part: str, member: str, hand: str, starts: int, lead_mm: float, ball_mm: float, ball_circle_mm: float,
    contact_angle_deg: float, conformity: float, speed_rpm: float | None, features: tuple[str, ...],
    out: Path | None,
) -> None:  # fmt: skip
    """Write a commented recipe from thread data.

    Its limits are starting values after rules of thumb, for a person to decide; the comments say which.

    \b
    Example:
      edgeagent recipe --part KX-2005-R --member shaft --hand right --lead-mm 5 --ball-mm 3.175
      --ball-circle-mm 20.75 --out config/recipes/KX-2005-R.toml
    """
    from edgeagent.codec.proposals.recipe import RecipeData, propose_recipe, remarks
    from edgeagent.judging.configuration import describe_kind
    from edgeagent.model import Thread

    _not_there(out)
    thread = Thread(
        member=member,
        hand=hand,
        starts=starts,
        lead_mm=lead_mm,
        ball_diameter_mm=ball_mm,
        ball_pitch_circle_mm=ball_circle_mm,
        contact_angle_deg=contact_angle_deg,
        track_conformity=conformity,
    )
    data = RecipeData(part=part, thread=thread, speed_rpm=speed_rpm)
    if features:
        data = RecipeData(
            part=part, thread=thread, speed_rpm=speed_rpm, features=tuple(_feature(f) for f in features)
        )
    text = propose_recipe(data, describe_kind)
    for remark in remarks(data):
        click.echo(f"edgeagent: look again: {remark}", err=True)
    if out is None:
        click.echo(text, nl=False)
        return
    _write(out, text)
    click.echo(f"Written to {out}. Its limits are starting values: decide each of them before use.")


def _feature(text: str) -> tuple[str, str]:
    name, mark, kind = text.rpartition(":")
    if not mark or not name or kind not in _KINDS:
        raise UsageError(f"--feature {text!r}: expected NAME:KIND with a kind of {', '.join(_KINDS)}")
    return name, kind


def _read(file: Path) -> bytes:
    try:
        if file.stat().st_size > _FILE_MB_MAX * 1_000_000:
            raise AgentError(f"{file}: larger than {_FILE_MB_MAX} MB")
        return file.read_bytes()
    except OSError as error:
        raise AgentError(f"{file}: cannot be read: {error.strerror}") from error


def _not_there(out: Path | None) -> None:
    if out is not None and out.exists():
        raise UsageError(f"{out} exists already; it is kept as it is")


def _write(out: Path, text: str) -> None:
    from edgeagent.store.files import write_synced

    try:
        write_synced(out, text.encode("utf-8"))
    except OSError as error:
        raise AgentError(f"{out}: cannot be written: {error.strerror}") from error


def _as_json(proposal: LayoutProposal) -> dict[str, object]:
    return {
        "schema": "edgeagent.layout-proposal/1",
        "layout": proposal.toml,
        "complete": proposal.complete,
        "fill_in": [{"key": key, "why": why} for key, why in proposal.fill_in],
        "findings": [
            {"what": f.what, "value": f.value, "sure": f.sure, "why": f.why} for f in proposal.findings
        ],
        "points": proposal.trace.points,
    }


def _report(file: Path, proposal: LayoutProposal, out: Path | None) -> list[str]:
    """What was found, sure things first, the trace, and what is to be done next."""
    from edgeagent.codec.configuration.toml_text import plain
    from edgeagent.commands.character_plot import plotted

    lines = [f"{plain(file.name)}: {proposal.trace.points} rows"]
    for sure, title in ((True, "Sure:"), (False, "Not sure:")):
        found = [f for f in proposal.findings if f.sure is sure]
        if found:
            lines += ["", title]
            lines += [f"  {f.what}: {f.value}  ({f.why})" for f in found]
    lines += ["", "The trace it would read:", *plotted(proposal.trace), ""]
    if proposal.fill_in:
        lines.append(f"To fill in before use ({len(proposal.fill_in)}):")
        lines += [f"  {key}" for key, _ in proposal.fill_in]
        lines.append("The check command refuses the layout until then.")
    else:
        lines.append("Nothing is left to fill in; read the layout once before use.")
    if out is not None:
        lines.append(f"Written to {os.fspath(out)}.")
    return lines


def _draw_picture(proposal: LayoutProposal, path: Path) -> None:
    try:
        from matplotlib.figure import Figure
    except ImportError as error:
        raise AgentError('--picture needs the extra "report": pip install "edgeagent[report]"') from error
    from edgeagent.commands.character_plot import axes_of

    across, up, names = axes_of(proposal.trace)
    figure = Figure(figsize=(9, 3.6), layout="constrained")
    axes = figure.add_subplot()
    try:
        axes.plot(across, up, ".", markersize=1.5, color="black")
        axes.set_xlabel(names[0])
        axes.set_ylabel(names[1])
        axes.grid(True, linewidth=0.3)
        figure.savefig(path, dpi=130)
    except (OSError, ValueError) as error:
        raise AgentError(f"{path}: no picture: {error}") from error

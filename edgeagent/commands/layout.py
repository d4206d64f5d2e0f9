"""Command ``layout``: a layout proposed for an unknown export."""

from __future__ import annotations

import os
from pathlib import Path

import click

from edgeagent.codec.configuration.toml_text import plain
from edgeagent.codec.proposals.layout import KINDS, LayoutProposal, propose_layout
from edgeagent.codec.proposals.side_file import propose_side_file, read_profile
from edgeagent.codec.traces.header import FILL_IN
from edgeagent.codec.traces.reader import SIDE_FILE_SUFFIX, needs_side_file
from edgeagent.commands.layout_plot import axes_of, plot_trace
from edgeagent.commands.shared_options import FORCE, OFFER_FORCE, ONE_OBJECT, OUT
from edgeagent.commands.shared_output import json_line, refuse_existing, write_new
from edgeagent.errors import AgentError

_FILE_MB_MAX = 256
"""As for `inspect`: a person names the file, and waits for it."""


@click.command()
@click.argument("file", type=click.Path(path_type=Path))
@OUT
@FORCE
@click.option("--kind", type=click.Choice(KINDS), help="Kind of trace, where the file does not say it.")
@click.option(
    "--picture",
    type=click.Path(path_type=Path, dir_okay=False),
    help="Also draw the trace as a picture (PNG, SVG).",
)
@ONE_OBJECT
def layout(
    file: Path, out: Path | None, force: bool, kind: str | None, picture: Path | None, as_json: bool
) -> None:
    """Propose a layout for FILE, an unknown delimited export.

    For an X3P or SMD profile it proposes the side file that the profile needs beside it. Says what is sure
    and what is not and why, and draws the trace that it would read. What the file does not say stands
    in the layout as "FILL IN"; the check command refuses it until that is done. Exit code 0 when a
    layout could be proposed, else 1.

    \b
    Example:
      edgeagent layout export/000412.asc --out config/layouts/gauge-1.toml
    """
    refuse_existing(out, force=force, offer=OFFER_FORCE)
    if needs_side_file(file.name):
        _propose_side_file(file, kind, out, as_json=as_json)
        return
    proposal = propose_layout(file.name, _read(file), kind)
    if picture is not None:
        _draw_picture(proposal, picture)
    if out is not None:
        write_new(out, proposal.toml)
    if as_json:
        click.echo(json_line(_as_object(proposal)))
        return
    report = "\n".join(_report(file, proposal, out))
    if out is None:
        # Stdout is the layout alone, to be redirected into its file.
        click.echo(report, err=True)
        click.echo(proposal.toml, nl=False)
    else:
        click.echo(report)


def _read(file: Path) -> bytes:
    try:
        if file.stat().st_size > _FILE_MB_MAX * 1_000_000:
            raise AgentError(f"{file}: larger than {_FILE_MB_MAX} MB")
        return file.read_bytes()
    except OSError as error:
        raise AgentError(f"{file}: cannot be read: {error.strerror}") from error


def _propose_side_file(file: Path, kind: str | None, out: Path | None, *, as_json: bool) -> None:
    """The side file that a profile of an open format needs beside it, with what is to be filled in."""
    text = propose_side_file(file.name, read_profile(file.name, _read(file)), kind, FILL_IN)
    wanted = f"{file.name}{SIDE_FILE_SUFFIX}"
    if out is not None:
        write_new(out, text)
    if as_json:
        click.echo(json_line({"schema": "edgeagent.side-file-proposal/1", "name": wanted, "side_file": text}))
        return
    said = f"An X3P or SMD profile needs no layout, but {plain(wanted)} beside it, which says what it shows."
    click.echo(said, err=out is None)
    click.echo(text if out is None else f"Written to {os.fspath(out)}.", nl=out is not None)


def _as_object(proposal: LayoutProposal) -> dict[str, object]:
    return {
        "schema": "edgeagent.layout-proposal/1",
        "layout": proposal.toml,
        "complete": proposal.complete,
        "fill_in": [{"key": key, "why": why} for key, why in proposal.fill_in],
        "findings": [
            {"what": f.what, "value": f.value, "sure": f.sure, "why": f.why} for f in proposal.findings
        ],
        "points": proposal.trace.points,
        "traces": [trace.header.feature for trace in proposal.traces],
    }


def _report(file: Path, proposal: LayoutProposal, out: Path | None) -> list[str]:
    """What was found, sure things first, the trace, and what is to be done next."""
    lines = [f"{plain(file.name)}: {sum(trace.points for trace in proposal.traces)} rows"]
    # What is not sure comes last, next to what is to be filled in: both need a person.
    for sure, title in ((True, "Sure:"), (False, "Not sure:")):
        found = [f for f in proposal.findings if f.sure is sure]
        if found:
            lines += ["", title]
            lines += [f"  {f.what}: {f.value}  ({f.why})" for f in found]
    what = "trace" if len(proposal.traces) == 1 else f"first of {len(proposal.traces)} traces"
    lines += ["", f"The {what} it would read:", *plot_trace(proposal.trace), ""]
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

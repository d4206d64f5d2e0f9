"""Command ``align``: by how much to shift and tilt the part, in one line."""

from __future__ import annotations

import math
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from edgeagent.errors import AgentError, InputError, UsageError

if TYPE_CHECKING:
    from edgeagent.analysis.around.alignment_advice import RunOut
    from edgeagent.judging.evaluate import Evaluation
    from edgeagent.model import Thread, Trace


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@click.option("--config", type=click.Path(path_type=Path), required=True, help="The station's agent.toml.")
@click.option(
    "--height-mm",
    "heights",
    multiple=True,
    type=float,
    help="Height of the trace's middle above the table's zero; once for each file, in their order. Without it "
    "heights count from the trace's middle.",
)
@click.option("--pivot-mm", type=float, help="Height about which the table tilts; the traces' mean by default.")
@click.option("--internal", is_flag=True, help="The circles are traced in a bore.")
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout, nothing else there.")
def align(
    files: tuple[Path, ...], config: Path, heights: tuple[float, ...], pivot_mm: float | None, internal: bool,
    as_json: bool,
) -> None:  # fmt: skip
    """Say by how much and in which direction to shift and tilt the part of FILES to align it.

    Spirals of two turns and more tell both from one file, circles need two at different heights for the tilt.
    Directions are angles of the trace. Heights grow with x, along the thread as axial_mm says or, without it,
    with the angle on a right-hand thread; what was taken for granted is said. Exit code 0 with an advice, 1
    without.

    \b
    Example:
      edgeagent align low.txt high.txt --height-mm 12 --height-mm 60 --config config/agent.toml
    """
    import numpy as np

    from edgeagent.analysis.around.alignment_advice import advice_sentence, advise
    from edgeagent.codec.records.result import encode
    from edgeagent.commands.pair import read_files, scale_uncertainty, unfit

    if heights and len(heights) != len(files):
        raise UsageError(
            f"{len(files)} files and {len(heights)} times --height-mm: one for each file is needed"
        )
    if len(files) > 1 and not heights:
        raise UsageError("several files need --height-mm, once for each")
    if not all(math.isfinite(value) for value in (*heights, pivot_mm or 0.0)):
        raise UsageError("--height-mm and --pivot-mm must be finite numbers")
    found, rules = read_files(files, config)
    if len({(f.trace.header.part, f.trace.header.serial, f.trace.header.artefact) for f in found}) > 1:
        raise UsageError("the files are not of one part")
    if len({f.result["source"]["sha256"] for f in found}) < len(found):
        raise UsageError("one file is given twice: it tells nothing more")
    measured = [run_out_of(f, h, internal=internal) for f, h in zip(found, heights or (0.0,), strict=True)]
    scale = max(float(scale_uncertainty(f, rules, np.ones(1, dtype=np.int64))[0]) for f in found)
    advice = advise(measured, pivot_mm=pivot_mm, scale_u=scale)
    granted = [*(f"({sentence}.)" for sentence in unfit(found)), *taken_for_granted(found)]
    sentence = " ".join(
        (advice_sentence(advice, None if heights else _from_middle(advice.height_mm)), *granted)
    )
    if as_json:
        sources = [f.result["source"] for f in found]
        whole: dict[str, Any] = {"schema": "edgeagent.align/1", "sources": sources, **asdict(advice)}
        click.echo(encode({**whole, "taken_for_granted": granted, "sentence": sentence}).decode())
        return
    click.echo(sentence)


def _from_middle(height_mm: float) -> str:
    """A height without a zero of its own."""
    if height_mm == 0:
        return "the trace's middle"
    return f"{abs(height_mm):g} mm {'above' if height_mm > 0 else 'below'} the trace's middle"


def taken_for_granted(found: list[Evaluation]) -> list[str]:
    """What directions rest on that no file tells; sentences, each once."""
    said: dict[str, None] = {}
    for f in found:
        header, thread = f.trace.header, f.recipe.recipe.thread if f.recipe is not None else None
        if header.kind != "spiral" or thread is None:
            continue
        if not _recorded_rise(f.trace, thread):
            grows = "grow" if thread.hand == "right" else "fall"
            said[f"(Heights taken to {grows} with the angle, as the {thread.hand} hand says.)"] = None
        if _flank_of(header.feature) is None:
            off = math.degrees(
                math.atan(math.tan(math.radians(thread.contact_angle_deg)) * math.sin(thread.lead_angle_rad))
            )
            said[f"({header.feature} names no left or right flank: directions off by up to {off:.1f} deg.)"] = (
                None
            )
    return list(said)


def _flank_of(feature: str) -> str | None:
    return next((side for side in ("left", "right") if side in feature), None)


def run_out_of(
    found: Evaluation, height_mm: float, *, internal: bool = False, flank: str | None = None
) -> RunOut:
    """The once-per-turn motion of one file. Raises AgentError where it has none.

    ``flank`` is that of a spiral; None looks for ``left`` or ``right`` in the feature's name.
    """
    from edgeagent.analysis.around.alignment_advice import run_out
    from edgeagent.analysis.around.track_normal import cylinder_normal, track_normal
    from edgeagent.analysis.kinds import spiral

    header, name = found.trace.header, found.result["source"]["name"]
    if header.kind not in ("spiral", "circle"):
        raise AgentError(
            f"{name}: kind {header.kind} tells nothing of the alignment; spiral or circle is needed"
        )
    recipe = found.recipe.recipe if found.recipe is not None else None
    plan = recipe.plan(header.feature) if recipe is not None else None
    options = plan.options if plan is not None and plan.kind == header.kind else spiral.Options()
    thread = recipe.thread if recipe is not None else None
    around = header.kind == "spiral"
    factor, direction = spiral.normal_factor(header, thread, options, around)
    if not direction.ok:
        raise AgentError(f"{name}: {direction.note}")
    samples = spiral.without_stuck(spiral.clean(found.trace))
    try:
        fit, _ = spiral.fit_trace(samples, options, spiral=around)
    except InputError as error:
        raise AgentError(f"{name}: {error}") from error
    if not around:
        return run_out(fit, factor, cylinder_normal(internal=internal), height_mm=height_mm)
    if thread is None:
        what = (
            f"artefact {header.artefact} has none" if header.artefact else f"no recipe for part {header.part}"
        )
        raise AgentError(f"{name}: a spiral needs a recipe with a [thread]: {what}")
    rise = rise_mm_per_turn(found.trace, thread)
    side = flank or _flank_of(header.feature)
    normal = track_normal(thread, side, rises=rise > 0, tip_radius_mm=header.tip_radius_mm or 0.0)
    return run_out(fit, factor, normal, height_mm=height_mm, rise_mm_per_turn=rise)


def rise_mm_per_turn(trace: Trace, thread: Thread) -> float:
    """How height grows in a turn of growing angle: as the trace recorded it, else as the thread's hand says."""
    nominal = thread.lead_mm if thread.hand == "right" else -thread.lead_mm
    return _recorded_rise(trace, thread) or nominal


def _recorded_rise(trace: Trace, thread: Thread) -> float:
    """Growth of the recorded axial position in a turn, 0 where there is none that fits the thread."""
    import numpy as np

    axial, angle = trace.columns.get("axial_mm"), trace.columns["angle_deg"]
    if axial is None:
        return 0.0
    finite = np.isfinite(axial) & np.isfinite(angle)
    if np.count_nonzero(finite) < 2 or np.ptp(angle[finite]) <= 0:
        return 0.0
    turns = (angle[finite] - np.mean(angle[finite])) / 360.0
    slope = float(np.einsum("i,i->", turns, axial[finite]) / np.einsum("i,i->", turns, turns))
    return slope if abs(slope) > 0.5 * thread.lead_mm else 0.0

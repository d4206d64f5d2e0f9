"""The once-per-turn motion of one file, and how height grows with the angle of its trace."""

from __future__ import annotations

import math
from collections.abc import Sequence

from edgeagent.analysis.around.fitting import clean, fit_trace, run_checks, without_stuck
from edgeagent.analysis.around.options import SpiralOptions
from edgeagent.analysis.track.alignment_advice import RunOut, run_out
from edgeagent.analysis.track.sensing import flank_of, normal_factor, recorded_rise, rise_mm_per_turn
from edgeagent.analysis.track.track_normal import cylinder_normal, track_normal
from edgeagent.errors import AgentError, InputError
from edgeagent.judging.evaluation.evaluate import Evaluation


def run_out_of(
    file: Evaluation, height_mm: float, *, internal: bool = False, flank: str | None = None
) -> RunOut:
    """The once-per-turn motion of one file. Raises AgentError where it has none.

    ``flank`` is that of a spiral; None looks for ``left`` or ``right`` in the feature's name. ``internal``:
    a circle is traced in a bore.
    """
    header, name = file.trace.header, file.result["source"]["name"]
    if header.kind not in ("spiral", "circle"):
        raise AgentError(
            f"{name}: kind {header.kind} says nothing about the alignment; spiral or circle is needed"
        )
    recipe = file.recipe.recipe if file.recipe is not None else None
    plan = recipe.plan(header.feature) if recipe is not None else None
    options = plan.options if plan is not None and plan.kind == header.kind else SpiralOptions()
    thread = recipe.thread if recipe is not None else None
    around = header.kind == "spiral"
    factor, direction = normal_factor(header, thread, options.surface_angle_deg, around)
    if not direction.ok:
        raise AgentError(f"{name}: {direction.note}")
    samples = clean(file.trace)
    # As in the analysis: a gauge that stood still would pull the first harmonic towards its place.
    samples = without_stuck(samples, run_checks(samples))
    try:
        fit = fit_trace(samples, options, spiral=around, contact=None).fit
    except InputError as error:
        raise AgentError(f"{name}: {error}") from error
    if not around:
        return run_out(fit, factor, cylinder_normal(internal=internal), height_mm=height_mm)
    if thread is None:
        what = (
            f"artefact {header.artefact} has none" if header.artefact else f"no recipe for part {header.part}"
        )
        raise AgentError(f"{name}: a spiral needs a recipe with a [thread]: {what}")
    rise = rise_mm_per_turn(file.trace, thread)
    # The command's word before the feature's name.
    side = flank or flank_of(header.feature)
    normal = track_normal(thread, side, rises=rise > 0, tip_radius_mm=header.tip_radius_mm or 0.0)
    return run_out(fit, factor, normal, height_mm=height_mm, rise_mm_per_turn=rise)


def assumption_sentences(files: Sequence[Evaluation]) -> list[str]:
    """What the directions rest on that no file states; each sentence once."""
    sentences: dict[str, None] = {}
    for file in files:
        header, thread = file.trace.header, file.recipe.recipe.thread if file.recipe is not None else None
        if header.kind != "spiral" or thread is None:
            continue
        if not recorded_rise(file.trace, thread):
            grows = "grow" if thread.hand == "right" else "fall"
            sentences[f"(Heights taken to {grows} with the angle, as the {thread.hand} hand says.)"] = None
        if flank_of(header.feature) is None:
            off_deg = math.degrees(
                math.atan(math.tan(math.radians(thread.contact_angle_deg)) * math.sin(thread.lead_angle_rad))
            )
            sentences[
                f"({header.feature} names no left or right flank: directions off by up to {off_deg:.1f} deg.)"
            ] = None
    return list(sentences)

"""Both flanks of one groove together: their shared angle, and radial and axial motion apart."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np

from edgeagent.analysis.track.alignment_advice import own_offset
from edgeagent.analysis.track.flank_pair import (
    FlankPair,
    GrooveMotion,
    combine_flanks,
    datum_check,
    datum_doubt_rad,
    explain_pair,
    greatest_orders,
    judge_motion,
    trusted_upr,
)
from edgeagent.analysis.track.sensing import rise_mm_per_turn, unwrapped_deg
from edgeagent.analysis.track.track_normal import normal_plane_shift_rad
from edgeagent.errors import AnalysisError, UsageError
from edgeagent.judging.evaluation.evaluate import Evaluation, Rulebook
from edgeagent.judging.studies.evaluated_file import (
    failed_check_sentences,
    scale_uncertainty,
    spectrum_of,
    thread_and_running,
)
from edgeagent.judging.studies.run_out import run_out_of
from edgeagent.model import QualityCheck, Running, Spectrum, Thread

_ORDERS = 12
"""Orders that a verdict is given for, the greatest ones: what a person looks at."""
_PITCH_AGREES = 0.1
"""Share of a pitch within which recorded axial positions are those of two flanks of one thread."""


@dataclass(frozen=True, slots=True)
class FlankMotion:
    """The motion of a groove from both flanks.

    ``plane`` is where the flanks were compared, ``axial`` or ``normal``; ``datum`` the check that both count
    their angle from one mark, proved up to ``trusted_upr``; ``failed`` a sentence for each file that failed
    checks.
    """

    combined: FlankPair
    verdicts: tuple[GrooveMotion, ...]
    sentences: tuple[str, ...]
    plane: str
    one_clamping: bool
    datum: QualityCheck
    trusted_upr: int
    failed: tuple[str, ...]


def flank_motion(
    left: Evaluation,
    right: Evaluation,
    rules: Rulebook,
    *,
    plane: str = "axial",
    contact_angle_u_deg: float = 0.0,
    one_clamping: bool = False,
) -> FlankMotion:
    """Radial and axial motion of a groove from the traces of its two flanks.

    ``plane`` ``axial`` compares the flanks in one plane through the axis, ``normal`` where one ball touches
    both. ``one_clamping``: a person vouches that both traces share clamping and angle. Raises AgentError for a
    file without thread or spectrum, UsageError where the files are no two flanks of one part.
    """
    both = (left, right)
    spectra, thread, running = _same_part(left, right)
    rises = rise_mm_per_turn(left.trace, thread) > 0
    tip_mm = max(file.trace.header.tip_radius_mm or 0.0 for file in both)
    combine = partial(
        combine_flanks,
        *spectra,
        contact_angle_deg=thread.contact_angle_deg,
        lead_angle_rad=thread.lead_angle_rad,
        contact_angle_u_deg=contact_angle_u_deg,
        # One gauge traced both flanks, so that its scale is common to them; for the longer spectrum, as the
        # shorter one is cut from it.
        scale_u=scale_uncertainty(left, rules, max(spectra, key=lambda s: len(s.upr)).upr),
    )
    shift_rad = normal_plane_shift_rad(thread, rises=rises, tip_radius_mm=tip_mm)
    # Both planes are computed: what differs between them is doubt that the verdicts must know of
    touched = combine(shift_rad=shift_rad)
    combined, elsewhere = (touched, None) if plane == "normal" else (combine(shift_rad=0.0), touched)
    greatest = greatest_orders(combined, _ORDERS)
    # The highest order needs the angle best: a doubt of one degree is nothing at 2 UPR, and half a wave at 180.
    datum, doubt_rad = _shared_angle(both, thread, 0 if one_clamping else max(greatest, default=0))
    if one_clamping and (datum.ok or datum.value is None):
        doubt_rad = 0.0
    verdicts = judge_motion(combined, greatest, doubt_rad=doubt_rad, elsewhere=elsewhere)
    return FlankMotion(
        combined=combined,
        verdicts=verdicts,
        sentences=tuple(explain_pair(combined, verdicts, running)),
        plane=plane,
        one_clamping=one_clamping,
        datum=datum,
        trusted_upr=trusted_upr(doubt_rad, len(combined.upr)),
        failed=tuple(failed_check_sentences(both)),
    )


def _same_part(left: Evaluation, right: Evaluation) -> tuple[tuple[Spectrum, Spectrum], Thread, Running | None]:
    """The spectra of two flanks of one part.

    Raises AgentError for an artefact, UsageError where the files contradict the command.
    """
    first, second = left.trace.header, right.trace.header
    for file in (left, right):
        if file.trace.header.artefact is not None:
            thread_and_running(file)  # refuses it by name
    for key in ("part", "serial", "kind"):
        if getattr(first, key) != getattr(second, key):
            raise UsageError(
                f"{key} {getattr(first, key)} and {getattr(second, key)}: not two flanks of one part"
            )
    if first.kind != "spiral":
        raise UsageError(f"kind {first.kind}: the flanks of a groove are traced as spirals")
    if first.feature == second.feature:
        raise UsageError(f"both traces are of feature {first.feature}: a left and a right flank are needed")
    # Exchanged, the axial motion would come out with the wrong sign.
    if "right" in first.feature and "left" in second.feature:
        raise UsageError(f"{first.feature} is given as LEFT, {second.feature} as RIGHT: turn them round")
    thread, running = thread_and_running(left)
    return (spectrum_of(left), spectrum_of(right)), thread, running


def _shared_angle(both: Sequence[Evaluation], thread: Thread, upr: int) -> tuple[QualityCheck, float]:
    """The check that both flanks count their angle from one mark, well enough for ``upr``, and the largest
    angle in rad by which they may differ."""
    try:
        offsets = _axis_offsets(both, thread)
    except AnalysisError as error:
        # Half a turn: nothing is known of the shared angle.
        return QualityCheck("angular_datum", False, None, None, "1", str(error)), math.pi
    return datum_check(*offsets, upr_needed=upr), datum_doubt_rad(*offsets)


def _axis_offsets(both: Sequence[Evaluation], thread: Thread) -> tuple[complex, complex, float]:
    """Where each flank sees the part's axis at one height, and the uncertainty of the difference."""
    heights = _heights_mm(both, thread)
    left = own_offset(run_out_of(both[0], heights[0], flank="left"), 0.0)
    right = own_offset(run_out_of(both[1], heights[1], flank="right"), 0.0)
    return left[0], right[0], float(np.hypot(left[1], right[1]))


def _heights_mm(both: Sequence[Evaluation], thread: Thread) -> tuple[float, float]:
    """Heights of the traces' middles, half of them either side of 0.

    From the recorded axial positions where they differ as two flanks of one thread can, else from the angles,
    taken as counted on from turn to turn along the thread.
    """
    across = np.sin(np.radians(thread.contact_angle_deg)) * np.cos(thread.lead_angle_rad)
    apart = float(thread.ball_diameter_mm * across)
    traces = [file.trace for file in both]
    angles = [unwrapped_deg(t.columns["angle_deg"]) for t in traces]
    # The middle of the range, not the mean: gaps must not shift it.
    middles = [(np.nanmin(angle) + np.nanmax(angle)) / 2 for angle in angles]
    apart += rise_mm_per_turn(traces[0], thread) * float(middles[1] - middles[0]) / 360.0
    if all("axial_mm" in t.columns for t in traces):
        left, right = (float(np.nanmean(t.columns["axial_mm"])) for t in traces)
        # The two flanks of one thread lie whole pitches apart, whichever turns were traced
        pitches = (right - left - apart) * thread.starts / thread.lead_mm
        if abs(pitches - round(pitches)) < _PITCH_AGREES:
            apart = right - left
    return -apart / 2, apart / 2

"""Is a trace over the angle fit to be judged? One function, one check, one sentence.

The allowed values are common practice of roundness measurement unless a standard is named; those that a
recipe may set come in as arguments.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from edgeagent.analysis.around.median import median
from edgeagent.model import FloatArray, QualityCheck

POINTS_PER_UNDULATION_MIN = 7.0
"""ISO 12181-2 asks for at least seven points per undulation at the cut-off (remembered, not seen)."""
TURN_SHARE_MAX = 0.2
"""Share of the profile's RMS that may differ from turn to turn: a choice of ours, see ``turn_agreement``."""
SPAN_MIN_UM = 0.02
"""Smallest span of readings in µm that is taken for a stylus in contact: a choice of ours."""


def whole_turns(turns: float, points_per_turn: float, turns_min: float) -> QualityCheck:
    """At least the wanted number of turns; half a step of slack for the closing sample."""
    slack = 0.5 / points_per_turn if points_per_turn > 0 else 0.0
    ok = turns >= turns_min - slack
    return QualityCheck(
        "whole_turns", ok, turns, turns_min, "turns",
        f"the trace covers {turns:.3f} turns" + ("" if ok else f", fewer than the {turns_min:g} needed"),
    )  # fmt: skip


def points_per_undulation(points_per_turn: float, upr: float) -> QualityCheck:
    """Seven points per undulation at the highest judged UPR (ISO 12181-2)."""
    value = points_per_turn / upr
    ok = value >= POINTS_PER_UNDULATION_MIN
    return QualityCheck(
        "points_per_undulation", ok, value, POINTS_PER_UNDULATION_MIN, "1",
        f"{points_per_turn:.0f} points a turn give {value:.1f} points per undulation at {upr:.0f} UPR",
    )  # fmt: skip


def regular_spacing(step_rad: FloatArray, upr: float) -> tuple[QualityCheck, QualityCheck]:
    """Spread of the steps, and the widest gap against the shortest judged undulation.

    Angles are used as recorded, so jitter up to a third of the step does no harm; a gap of more than 0.4 of
    an undulation leaves that undulation undetermined there (its two samples per period are lost).
    """
    size = np.abs(step_rad)
    middle = median(size)
    gap = float(np.max(size)) * upr / (2 * np.pi)
    spread = 1.0
    if middle > 0:
        size /= middle
        size -= 1
        spread = float(np.sqrt(np.mean(np.square(size, out=size))))
    # Steps that are nearly 0 with a few long ones have a spread of any size: nobody needs its digits.
    clipped = min(spread, 1e6)
    return (
        QualityCheck(
            "regular_spacing", clipped <= 0.35, clipped, 0.35, "1",
            f"steps scatter by {100 * clipped:.1f} % of the median step",
        ),
        QualityCheck(
            "widest_gap", gap <= 0.4, gap, 0.4, "undulations",
            f"the widest gap spans {gap:.3f} of an undulation at {upr:.0f} UPR",
        ),
    )  # fmt: skip


def monotonic_angle(step_rad: FloatArray) -> QualityCheck:
    """The angle grows from sample to sample over all turns."""
    back = step_rad <= 0
    backward = int(np.count_nonzero(back))
    where = f", first at sample {int(np.argmax(back)) + 2}" if backward else ""
    return QualityCheck(
        "monotonic_angle", backward == 0, float(backward), 0.0, "samples",
        f"{backward} steps do not go forward{where}",
    )  # fmt: skip


def missing_samples(missing: int, points: int, share_max: float = 0.001) -> QualityCheck:
    """Samples that are empty or not finite."""
    share = missing / points if points else 1.0
    return QualityCheck(
        "missing_samples", share <= share_max, share, share_max, "1",
        f"{missing} of {points} samples are missing or not finite",
    )  # fmt: skip


def run_lengths(value: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Values and lengths of the runs of identical consecutive samples, both of shape (runs,)."""
    changes = value[1:] != value[:-1]
    if np.all(changes):
        # Most traces have no run at all, so that nothing need be searched.
        return value, np.ones(len(value))
    start = np.concatenate(([0], np.flatnonzero(changes) + 1))
    length = np.diff(np.append(start, len(value))).astype(np.float64)
    return value[start], length


def _longest_run_at(values: FloatArray, lengths: FloatArray, levels: int) -> tuple[float, float]:
    """Longest run at the smallest value, and on the next ``levels`` values above it (0 where none).

    A run of two is no suspect beside any other level, so that nobody looks for levels then: `near` is 1.
    """
    lowest = float(values.min())
    at_extreme = float(lengths[values == lowest].max())
    near, level = 0.0, lowest
    if at_extreme <= 2.0 and float(values.max()) > lowest:
        return at_extreme, 1.0
    for _ in range(levels):
        above = values > level
        if not np.any(above):
            break
        level = float(values[above].min())
        near = max(near, float(lengths[values == level].max()))
    return at_extreme, near


def gauge_saturation(values: FloatArray, lengths: FloatArray) -> QualityCheck:
    """Runs of the extreme reading, as of a gauge at its stop; takes what ``run_lengths`` gives.

    A smooth wave read with finite resolution rests at its crest too; the top level then holds at most 4.9
    times the run of the level below it (from the parabola of the crest), so a run is suspect from 8 times
    the longest run on the three neighbouring levels, and from 5 samples on.
    """
    worst, allowed = 1.0, 4.0
    for signed in (values, -values):
        run, near = _longest_run_at(signed, lengths, 3)
        limit = max(4.0, 8.0 * near)
        if run / limit > worst / allowed:
            worst, allowed = run, limit
    ok = worst <= allowed
    ending = "" if ok else ": the gauge was at the end of its range"
    return QualityCheck(
        "gauge_saturation",
        ok,
        worst,
        allowed,
        "samples",
        f"the longest run of an extreme reading is {worst:.0f} sample{'' if worst == 1 else 's'}{ending}",
    )


def frozen_reading(lengths: FloatArray, points_per_turn: float) -> QualityCheck:
    """A run of one and the same reading, as of a gauge that sticks or a lost signal."""
    longest = float(lengths.max())
    # A fiftieth of a turn; 50 at least, since a fine surface read coarsely rests for some samples.
    allowed = float(max(50, round(0.02 * points_per_turn)))
    return QualityCheck(
        "frozen_reading",
        longest <= allowed,
        longest,
        allowed,
        "samples",
        f"the longest run of one reading is {longest:.0f} sample{'' if longest == 1 else 's'}",
    )


def stuck_samples(deviation_um: FloatArray, shortest: float) -> NDArray[np.bool_]:
    """Samples in runs of one reading that are longer than ``shortest``: they say nothing of the surface."""
    change = np.flatnonzero(np.diff(deviation_um)) + 1
    start = np.concatenate(([0], change))
    length = np.diff(np.concatenate((start, [len(deviation_um)])))
    return np.repeat(length > shortest, length)


def plausible_range(deviation_um: FloatArray) -> QualityCheck:
    """Peak to valley that a gauge on a part can have recorded: 0.02 µm to 2 mm, with eccentricity and slope.

    Above, millimetres were read as µm or it is no form trace. Below, the stylus hung free or µm were stored as
    millimetres; no set-up that we know of is that good. Both bounds are choices of ours.
    """
    span = float(np.ptp(deviation_um))
    ending, allowed = "", 2000.0
    if span > 2000.0:
        ending = ": wrong unit or not a form trace"
    elif span < SPAN_MIN_UM:
        ending, allowed = ": the stylus touched nothing, or wrong unit", SPAN_MIN_UM
    return QualityCheck(
        "plausible_range", not ending, span, allowed, "um", f"the readings span {span:.4g} um{ending}"
    )


def robust_scatter_um(residual_um: FloatArray) -> float:
    """Standard deviation from the median absolute deviation, not below 0.1 nm where a spike could matter."""
    return max(1.4826 * median(np.abs(residual_um)), 1e-4)


def spikes(residual_um: FloatArray, factor: float, scatter: float) -> QualityCheck:
    """Single samples far from the profile that was fitted without them, against ``scatter``.

    ``scatter`` is ``robust_scatter_um`` of the residual, in µm.
    """
    size = np.abs(residual_um)
    count = int(np.count_nonzero(size > factor * scatter))
    worst = int(np.argmax(size))
    where = f", the largest at sample {worst + 1} ({size[worst]:.3g} um)" if count else ""
    return QualityCheck(
        "spikes",
        count == 0,
        float(count),
        0.0,
        "samples",
        f"{count} {'sample lies' if count == 1 else 'samples lie'} more than {factor:g} × "
        f"{1000 * scatter:.3g} nm off the profile{where}",
    )


def turn_agreement(non_repeating_um: float | None, ron_q_um: float, allowed_um: float) -> QualityCheck:
    """RMS of what does not repeat from turn to turn within the judged band, above the noise of all orders.

    Noise that all orders share is in every uncertainty and left out; what this check is for is a wave that only
    one of T turns has. It enters the values at 1/T of its amplitude A and leaves an RMS of A / sqrt(2 T) here
    (derived here: the scatter between turns, as of a sample), so that the turn itself lies off the values by
    (T - 1) sqrt(2 / T) times that RMS: 1 for two turns, 1.6 for three. Allowed is 0.2 of the profile's own RMS,
    so that such a turn is off by a third of it (a choice of ours), or ``allowed_um`` where that is more.
    """
    allowed = max(TURN_SHARE_MAX * ron_q_um, allowed_um)
    if non_repeating_um is None:
        return QualityCheck("turn_agreement", True, None, allowed, "um", "one turn only: nothing to compare")
    return QualityCheck(
        "turn_agreement", non_repeating_um <= allowed, non_repeating_um, allowed, "um",
        f"{1000 * non_repeating_um:.3g} nm RMS differ from turn to turn, beside noise that all orders share",
    )  # fmt: skip


def tip_reach(
    amplitude_um: FloatArray, upr: FloatArray, track_length_mm: float | None, tip_radius_mm: float | None
) -> QualityCheck:
    """Can the tip touch the valleys of each undulation at its measured amplitude?

    A sphere of radius r follows a wave of amplitude A and length λ down to the valley when r is below the
    valley's radius of curvature λ²/(4 π² A) (derived here). Arrays of shape (n,); lengths in mm.
    """
    if track_length_mm is None or tip_radius_mm is None or not len(upr):
        unknown = "tip radius" if tip_radius_mm is None else "track diameter"
        return QualityCheck("tip_reach", True, None, None, "mm", f"{unknown} is not stated: reach not checked")
    wavelength = track_length_mm / upr
    reach = wavelength**2 / (4 * np.pi**2 * np.maximum(amplitude_um * 1e-3, 1e-12))
    worst = int(np.argmin(reach))
    allowed = float(reach[worst])
    can = "can" if tip_radius_mm <= allowed else "cannot"
    return QualityCheck(
        "tip_reach", tip_radius_mm <= allowed, tip_radius_mm, allowed, "mm",
        f"the {tip_radius_mm:g} mm tip {can} follow the sharpest undulation ({upr[worst]:.0f} UPR)",
    )  # fmt: skip

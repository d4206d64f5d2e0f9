"""Each turn of a trace as a surface of its own: on a spiral every turn is another piece of the track.

The mean surface hides what one turn alone has. A turn's harmonics are those of the mean plus those of what this
turn leaves of it, waves between whole orders among them.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from edgeagent.analysis.around.fitting import Samples, TraceFit
from edgeagent.analysis.around.reference_circle import ReferenceCircle
from edgeagent.analysis.around.roundness import (
    Lifts,
    band_transmission,
    extreme_quantities,
    extremes,
    noise_lift,
)
from edgeagent.analysis.waves.least_squares import solve_toeplitz
from edgeagent.analysis.waves.trigonometric import (
    ComplexArray,
    TrigonometricSums,
    evaluate_on_circle,
    fast_length,
)
from edgeagent.errors import FitNotConvergedError
from edgeagent.model import FloatArray, Quantity

_ENDS, _ENDS_SAMPLES = 0.02, 8
"""Share of a turn, and samples at least, whose mean is its begin or its end."""
_ORDERS_TOGETHER = 6
"""Orders up to this one at least tell together how much less turns differ without their slopes."""
_SHARE_MIN = 0.1
"""A share below is not believed: few orders tell it."""
_JITTER = 0.02
"""Of a step: with less from sample to sample, weighted sums err by a thousandth of the form (at 500 UPR)."""
_STANDS_OUT = 8.0
"""Scatters of the largest sample of a turn's own form: noise alone hardly reaches it."""
_REMAINDER = 1e-8
"""Error of a turn's sums as a share of its residuals: they are small already."""


@dataclass(frozen=True, slots=True)
class TurnHarmonics:
    """Harmonics of each whole turn, and how much less its own slope leaves of what differs between them.

    ``each`` has c_0 … c_N over the part's own angle in µm, None for a turn that lacks half of its samples.
    ``share`` is the variance between the turns over what it were with their slopes, shape (N + 1,).
    """

    each: tuple[ComplexArray | None, ...]
    share: FloatArray


def turn_harmonics(samples: Samples, found: TraceFit, turns: int) -> TurnHarmonics:
    """Harmonics of each of the first ``turns`` whole turns.

    ``samples`` are those that were fitted. Samples that were left out as dust say nothing. What a turn does not
    close by is the gauge's drift or the lead, no roundness: each turn's own slope is taken out.
    """
    fit = found.fit
    upr_max = len(fit.centred) - 1
    angle = fit.touched_rad
    if len(angle) != len(samples.angle_rad):
        angle = fit.touch_of(samples.angle_rad).angle_rad
    rest, drift = found.residual_um, found.unexplained_um
    if np.any(found.left_out):
        rest, drift = (np.where(found.left_out, 0.0, each) for each in (rest, drift))
    for wave in fit.orders:
        rest = rest + 2 * np.real(wave.coefficient * np.exp(1j * wave.upr * angle))
    # The first sample lies a billionth within the first turn, so that rounding puts it nowhere else.
    begun = samples.angle_rad - (samples.angle_rad.min() - 1e-9)
    result: list[ComplexArray | None] = []
    slopes = np.zeros(turns)
    for turn, here in enumerate(_parts(begun, turns)):
        place = begun[here] - 2 * np.pi * turn
        if len(place) < 0.5 * len(angle) / fit.turns:
            result.append(None)  # half of it is missing: what it is like there nobody measured
            continue
        slopes[turn] = _slope(place, drift[here])
        # About the turn's middle, so that its level stays.
        own = rest[here] - slopes[turn] * (place - np.pi)
        result.append(fit.centred + _harmonics(angle[here], own, upr_max, found.scatter_um))
    return TurnHarmonics(tuple(result), _share_left(result, slopes, float(angle.flat[0])))


def _harmonics(angle_rad: FloatArray, own_um: FloatArray, upr_max: int, scatter_um: float) -> ComplexArray:
    """Harmonics c_0 … c_N of what a turn has for itself, (n,), at its samples' angles over one turn.

    Each sample counts with the angle half way to its neighbours: counted alike, samples that crowd would lend a
    turn's own form to other orders. Where steps jitter that is too coarse for high orders: what stands far out
    of ``scatter_um`` is fitted then, which takes ten times as long.
    """
    order = np.argsort(angle_rad, kind="stable")
    place = angle_rad[order]
    around = np.concatenate((place[-1:] - 2 * np.pi, place, place[:1] + 2 * np.pi))
    widths = (around[2:] - around[:-2]) / 2
    jitter = float(np.sqrt(np.mean(np.diff(widths) ** 2))) / float(np.mean(widths))
    if jitter > _JITTER and float(np.max(np.abs(own_um))) > _STANDS_OUT * scatter_um:
        sums = TrigonometricSums(place, 2 * upr_max)
        right = sums.sums(own_um[order], upr_max, remainder=_REMAINDER)
        try:
            fitted: ComplexArray = solve_toeplitz(sums.sums(None, 2 * upr_max), right[None, :])[0]
            return fitted
        except FitNotConvergedError:
            pass  # a gap that the weights bridge
    weighted: FloatArray = own_um[order] * (widths / (2 * np.pi))
    return TrigonometricSums(place, upr_max).sums(weighted, upr_max, remainder=_REMAINDER)


def _parts(begun_rad: FloatArray, turns: int) -> list[slice | NDArray[np.bool_]]:
    """The samples of each of the first whole turns; angles from 0 on, mostly in rising order."""
    edges = 2 * np.pi * np.arange(turns + 1)
    if np.all(begun_rad[1:] >= begun_rad[:-1]):
        return [slice(a, b) for a, b in pairwise(np.searchsorted(begun_rad, edges).tolist())]
    return [(begun_rad >= a) & (begun_rad < b) for a, b in pairwise(edges.tolist())]


def _share_left(each: list[ComplexArray | None], slopes: FloatArray, first_rad: float) -> FloatArray:
    """Variance between turns without their slopes over that with them, shape (N + 1,).

    The slope s of a turn has the harmonics i s/n. Both are means over the orders from half to twice each one.
    """
    closed = np.array([c for c in each if c is not None])
    if len(closed) < 2:
        return np.ones(1)
    order = np.arange(closed.shape[1])
    kept = np.array([c is not None for c in each])
    ramp = 1j / np.maximum(order, 1) * np.exp(-1j * order * first_rad)
    open_ = closed + slopes[kept][:, None] * ramp[None, :]
    low = np.maximum(order // 2, 2)
    # An octave to each side: single orders of few turns scatter too much for a ratio.
    high = np.minimum(np.maximum(2 * order, _ORDERS_TOGETHER) + 1, len(order))
    low = np.minimum(low, high - 1)
    mean = []
    for turns in (closed, open_):
        power = np.sum(np.abs(turns - np.mean(turns, axis=0)) ** 2, axis=0)
        running = np.concatenate(([0.0], np.cumsum(power)))
        mean.append(running[high] - running[low])
    found: FloatArray = mean[0] / np.maximum(mean[1], 1e-300)
    return np.clip(found, _SHARE_MIN, 1.0)


def _slope(angle_rad: FloatArray, residual_um: FloatArray) -> float:
    """A turn's own slope in µm per rad, from what its residual does not close by; angles from 0 to 2 π.

    The mean slope is out of the residual already, and so are local forms and waves that do not close.
    """
    if len(angle_rad) < 4 * _ENDS_SAMPLES:
        return 0.0
    width = 2 * np.pi * max(_ENDS, _ENDS_SAMPLES / len(angle_rad))
    first, last = angle_rad < width, angle_rad >= 2 * np.pi - width
    if not np.any(first) or not np.any(last):
        return 0.0
    way = float(np.mean(angle_rad[last]) - np.mean(angle_rad[first]))
    return float(np.mean(residual_um[last]) - np.mean(residual_um[first])) / way


def turn_roundness(
    samples: Samples,
    found: TraceFit,
    factor: float,
    *,
    upr_low: float,
    upr_high: float,
    reference: ReferenceCircle = "LSCI",
) -> tuple[Quantity, ...]:
    """RONt, RONp and RONv of each whole turn, instances ``turn[1]`` …; empty for fewer than two whole turns.

    What differs between turns has T - 1 times the variance of the mean's noise, less what the turns' own slopes
    take of it; what is not known of the contact is common to all. The lift of the extremes by that noise is
    estimated once, on the mean surface.
    """
    fit = found.fit
    turns = int(fit.turns + 1e-3)
    if turns < 2:
        return ()
    order = np.arange(len(fit.centred), dtype=np.float64)
    passed = band_transmission(order, upr_low, upr_high)
    found_turns = turn_harmonics(samples, found, turns)
    variance = fit.standard_uncertainty_um**2 + (turns - 1) * fit.noise_um**2 * found_turns.share
    spread: FloatArray = factor * passed * np.sqrt(variance)
    lifts: Lifts = noise_lift(fit.centred * (factor * passed), spread, reference)
    # As fine as in `roundness`; a fast length lies nearer to that than a power of two.
    points = fast_length(16 * len(order))
    measured = [(number, c) for number, c in enumerate(found_turns.each, 1) if c is not None]
    if not measured:
        return ()
    profiles = evaluate_on_circle(np.stack([c for _, c in measured]) * (factor * passed), points)
    values: list[Quantity] = []
    for (number, _), profile in zip(measured, profiles, strict=True):
        values += extreme_quantities(extremes(profile, spread, lifts, reference), f"turn[{number}]")
    return tuple(values)

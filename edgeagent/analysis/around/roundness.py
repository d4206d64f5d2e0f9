"""Roundness and band values of a closed profile, from its harmonics.

ISO 12181-1 names the parameters: RONt about any reference circle, RONp, RONv and RONq about the least-squares
circle alone (remembered). The Gaussian filter of ISO 12181-2 / ISO 16610-21 on a closed profile is a
multiplication of the harmonics, so nothing is lost at ends. Values come with the standard uncertainty that
follows from that of the amplitudes (derived here; harmonics are independent).

**Noise lifts these values.** A peak to valley takes the highest noise on the highest crest, an RMS takes the
noise's own square along, whatever its sign. The standards define the values of the profile as it is, so they
are not corrected; the estimated lift counts in full beside the scatter (JCGM 100, 3.2.3 and F.2.4.5: an effect
that is known and left in the value).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from edgeagent.analysis.around.reference_circle import ReferenceCircle, enclose
from edgeagent.analysis.texture.filters import gaussian_transmission
from edgeagent.analysis.waves.trigonometric import ComplexArray, evaluate_on_circle
from edgeagent.model import FloatArray, Quantity


@dataclass(frozen=True, slots=True)
class Lifts:
    """What noise is estimated to have added to RONt, RONp and RONv, in µm.

    ``scatter_um`` is that of RONt among the draws where its circle is not the least-squares one.
    """

    total_um: float = 0.0
    peak_um: float = 0.0
    valley_um: float = 0.0
    scatter_um: float = math.inf


@dataclass(frozen=True, slots=True)
class Extremes:
    """RONt about a reference circle, RONp and RONv about the least-squares circle, with standard
    uncertainties in µm, which contain the lifts."""

    ron_t_um: float
    ron_p_um: float
    ron_v_um: float
    u_ron_t_um: float
    u_ron_p_um: float
    u_ron_v_um: float


@dataclass(frozen=True, slots=True)
class Roundness(Extremes):
    """The extremes with RONq about the least-squares circle, in µm."""

    ron_q_um: float
    u_ron_q_um: float
    lift_ron_t_um: float = 0.0


LIFT_SHARE = 1.65
"""A lift is added to the scatter in full at so many standard uncertainties, the guard band of ISO 14253-1:
squares alone would let a part at its limit be rejected more often than stated where the two are alike."""
_POINTS_MIN = 4096
"""Fewest points of a profile whose extremes are sought."""
_DRAWN_SHARE = 1.3
"""A scatter of so many times that of 16 draws is no accident: they tell it to 18 %."""
_PAIRS = 8
"""Fewest pairs of opposite noise that RONt's lift is averaged over: what is odd in it cancels in a pair."""
_SHAKEN = 65_536
"""Points of shaken profiles at a time: half a megabyte, so that they stay in the processor's cache."""
_SEED = 20_261_125
"""The noise of `noise_lift` is one and the same for every trace: a replay must give the same digits, and numpy
keeps those of `RandomState` from version to version, unlike those of its newer generators."""


def band_transmission(order: FloatArray, upr_low: float, upr_high: float) -> FloatArray:
    """Transmission of the band upr_low … upr_high at each order, shape of ``order``.

    Long-wave pass with 50 % at ``upr_high``; short-wave pass with 50 % at ``upr_low`` when that is above 2.
    ``upr_low`` of 1 or 2 means everything that the least-squares centre leaves, so orders below 2 are 0.
    """
    passed = np.asarray(gaussian_transmission(order, upr_high), dtype=np.float64)
    if upr_low > 2:
        passed = passed * (1 - np.asarray(gaussian_transmission(order, upr_low)))
    return np.where(order < 2, 0.0, passed)


def filtered_profile(coefficient: ComplexArray, upr_low: float, upr_high: float, points: int) -> FloatArray:
    """The profile about its least-squares circle after the band filter, at equal angles, shape (points,)."""
    order = np.arange(len(coefficient), dtype=np.float64)
    return evaluate_on_circle(coefficient * band_transmission(order, upr_low, upr_high), points)


def roundness(
    coefficient: ComplexArray,
    standard_uncertainty_um: FloatArray,
    *,
    upr_low: float,
    upr_high: float,
    reference: ReferenceCircle = "LSCI",
) -> Roundness:
    """RONt, RONp, RONv and RONq (ISO 12181-1) of harmonics ``c_n``, n = 0 … N, in µm.

    Both arrays have shape (N + 1,). The profile is evaluated at 16 points of the shortest undulation at
    least. A crest that lies half way between two of them is missed by 1 - cos(pi / 16), 1.9 %, of that wave's
    amplitude at most, and by 0.2 % of a wave at the cut-off where N is three times the cut-off.
    """
    order = np.arange(len(coefficient), dtype=np.float64)
    passed = band_transmission(order, upr_low, upr_high)
    # A power of two is quickest to transform.
    points = 1 << int(np.ceil(np.log2(max(16 * len(coefficient), _POINTS_MIN))))
    spread = passed * standard_uncertainty_um
    ron_q, u_q = root_mean_square((2 * np.abs(coefficient) * passed)[2:], spread[2:])
    lifts = noise_lift(coefficient * passed, spread, reference)
    found = extremes(evaluate_on_circle(coefficient * passed, points), spread, lifts, reference)
    return Roundness(
        found.ron_t_um,
        found.ron_p_um,
        found.ron_v_um,
        found.u_ron_t_um,
        found.u_ron_p_um,
        found.u_ron_v_um,
        ron_q_um=ron_q,
        u_ron_q_um=u_q,
        lift_ron_t_um=lifts.total_um,
    )


def extremes(
    profile_um: FloatArray, spread_um: FloatArray, lifts: Lifts, reference: ReferenceCircle
) -> Extremes:
    """RONt, RONp and RONv of a profile about its least-squares circle, at equal angles, shape (points,).

    ``spread_um`` are the standard uncertainties of the filtered amplitudes, shape (N + 1,). Scatter follows
    to first order from the points that a value hangs on: harmonics are independent, so that a sum of weights w
    at angles θ has the variance Σ_n u_n² |Σ w exp(i n θ)|². A circle on two opposite points has a centre
    that hangs on slopes there, which noise moves by less than its derivative says: then the draws count.
    """
    found = enclose(profile_um[None, :], reference)
    index, order = found.index[0], np.arange(len(spread_um))
    if reference == "LSCI":
        peak, valley = float(profile_um[index[0]]), float(-profile_um[index[1]])
        apart = 2 * np.pi * (int(index[0]) - int(index[1])) / len(profile_um)
        # |1 - exp(i n apart)|² for weights of 1 and -1, without the exponentials.
        swing = 2 * (1 - np.cos(order * apart))
    else:
        peak, valley = float(profile_um.max()), float(-profile_um.min())
        turned = np.exp(2j * np.pi / len(profile_um) * np.outer(order, index))
        swing = np.abs(turned @ found.weight[0]) ** 2
    # From order 2 on: level and centre are the circle's own.
    between = float(np.sqrt(np.sum(swing[2:] * spread_um[2:] ** 2)))
    between = min(between, _DRAWN_SHARE * lifts.scatter_um)
    alone = float(np.sqrt(np.sum(spread_um[2:] ** 2)))
    return Extremes(
        ron_t_um=float(found.total_um[0]),
        ron_p_um=peak,
        ron_v_um=valley,
        u_ron_t_um=_with_lift(between, lifts.total_um),
        u_ron_p_um=_with_lift(alone, lifts.peak_um),
        u_ron_v_um=_with_lift(alone, lifts.valley_um),
    )


def extreme_quantities(found: Extremes, instance: str = "") -> tuple[Quantity, ...]:
    """RONt, RONp and RONv as characteristics."""
    return (
        Quantity("roundness_total", found.ron_t_um, "um", instance, found.u_ron_t_um),
        Quantity("roundness_peak", found.ron_p_um, "um", instance, found.u_ron_p_um),
        Quantity("roundness_valley", found.ron_v_um, "um", instance, found.u_ron_v_um),
    )


def _with_lift(scatter_um: float, lift_um: float) -> float:
    return max(float(np.hypot(scatter_um, lift_um)), scatter_um + lift_um / LIFT_SHARE)


def noise_lift(
    coefficient: ComplexArray, standard_uncertainty_um: FloatArray, reference: ReferenceCircle = "LSCI"
) -> Lifts:
    """What the noise of its harmonics adds to the extremes of a profile on average, in µm (derived here).

    Both arrays have shape (N + 1,) and are those after the filter. What stands above the noise, amplitudes of
    at least sqrt(2 ln N) u (which pure noise hardly ever reaches), is taken for the profile; noise of the
    stated size is laid over it anew, and its peak to valley grows by the lift. Waves below are noise already.
    For one dominant wave and for pure noise the lift is right within 10 % (15 % of some 30 harmonics, whose
    noise has few independent places); the stated u of RONt is 1.0 to 1.35 times its true error (tests).
    """
    u = standard_uncertainty_um
    if not np.any(u[2:]):
        return Lifts()
    # At least 3 orders: the logarithm of 1 is 0, and any noise would pass for profile.
    bound = np.sqrt(2 * np.log(max(len(u), 3))) * u
    # Coarser than for the value: the same places miss as much of the shaken profile as of its shape, which
    # cancels.
    points = 1 << int(np.ceil(np.log2(max(2.5 * len(u), _POINTS_MIN // 4))))
    # Few harmonics make noise of few independent places, whose extremes need more draws to be known.
    pairs = max(_PAIRS, 4 * _POINTS_MIN**2 // points**2)
    shape = evaluate_on_circle(np.where(2 * np.abs(coefficient) >= bound, coefficient, 0.0), points)
    draws = _draws(pairs, len(u))
    heights: list[FloatArray] = []
    peak, valley = 0.0, 0.0
    some = max(_SHAKEN // points, 1)
    waves = np.empty((min(some, pairs), len(u)), dtype=np.complex128)
    for begin in range(0, pairs, some):
        drawn = draws[begin : begin + some]
        np.multiply(drawn[:, 0], u / 2, out=waves.real[: len(drawn)])
        np.multiply(drawn[:, 1], u / 2, out=waves.imag[: len(drawn)])
        noise = evaluate_on_circle(waves[: len(drawn)], points)
        for shaken in (shape + noise, np.subtract(shape, noise, out=noise)):
            peak += float(shaken.max(axis=1).sum())
            valley -= float(shaken.min(axis=1).sum())
            if reference != "LSCI":
                heights.append(enclose(shaken, reference).total_um)
    # About the least-squares circle the height is peak plus valley, both summed already.
    height = float(np.concatenate(heights).sum()) if heights else peak + valley
    own = float(enclose(shape[None, :], reference).total_um[0])
    return Lifts(
        max(height / (2 * pairs) - own, 0.0),
        max(peak / (2 * pairs) - float(shape.max()), 0.0),
        max(valley / (2 * pairs) + float(shape.min()), 0.0),
        float(np.std(np.concatenate(heights))) if heights else math.inf,
    )


@lru_cache(maxsize=4)
def _draws(pairs: int, orders: int) -> FloatArray:
    """Standard normal numbers of shape (pairs, 2, orders), the same for every trace."""
    return np.random.RandomState(_SEED).standard_normal((pairs, 2, orders))


def root_mean_square(amplitude: FloatArray, standard_uncertainty: FloatArray) -> tuple[float, float]:
    """RMS of waves with these amplitudes (Parseval) and its standard uncertainty, in their unit.

    A wave of amplitude A known to u has the mean square A² + 2 u², so noise lifts the RMS, whose own square is
    lower by the square of its scatter (derived here); the lift counts beside the scatter. For waves that vanish
    the uncertainty is that of noise alone, not a division by zero.
    """
    square = float(np.sum(amplitude**2)) / 2
    noise = float(np.sum((amplitude * standard_uncertainty) ** 2)) / 4
    floor = float(np.sum(standard_uncertainty**4)) / 4
    lifted = float(np.sum(standard_uncertainty**2))
    value = float(np.sqrt(square))
    if square <= 0:
        return value, float(np.sqrt(lifted / 2))
    scatter = (noise + floor) / square
    lift = value - float(np.sqrt(max(square - lifted + scatter, 0.0)))
    return value, float(np.sqrt(scatter + lift**2))

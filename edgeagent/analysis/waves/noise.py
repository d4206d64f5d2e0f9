"""What does not repeat: noise of harmonics from the lines between them, and the closure of a single turn."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeagent.analysis.waves.least_squares import solve_toeplitz
from edgeagent.analysis.waves.trigonometric import ComplexArray, TrigonometricSums
from edgeagent.model import FloatArray, IntArray

CLOSURE_DRIFT = 4.0
"""A closure error above this many standard uncertainties is treated as drift; noise alone exceeds it once in
16,000 traces."""
_NOISE_REMAINDER = 1e-10
"""Error of a noise line as a share of the residuals' sum: a level needs no more digits."""
_NOISE_LINES = 24
"""Number of lines between harmonics that a noise estimate averages at least; 24 lines are 48 degrees of
freedom, so that k = 2 covers 95 % to within 0.3 %."""


def closure_of(
    sums: TrigonometricSums,
    density: ComplexArray,
    turn: FloatArray,
    residual_um: FloatArray,
    variance: FloatArray,
) -> tuple[tuple[float, float] | None, FloatArray, FloatArray]:
    """What a closed profile fails to close by, with its uncertainty; variance and residual with it.

    A drift by D within the turn is a ramp with a jump where the turn closes. The N harmonics cannot follow the
    jump, and samples beyond the turn show it outright; D is the ramp's least-squares size beside them. The ramp
    leaves D/(π n) in one component of harmonic n. A random walk of scatter s over the turn leaves s/(√2 π n) in
    both besides, so that D/(π n) is its mean square over phases, too (derived here). Counted from four times
    its uncertainty on; a smaller one may be noise alone. None where N leaves nothing of the ramp. The residual
    then lacks the jump, which is no speck of dust.
    """
    points, upr_max, t = len(turn), len(variance) - 1, turn
    ramp = solve_toeplitz(density, sums.sums(t, upr_max)[None, :])[0]
    left = t - sums.evaluate(ramp)
    own, freedom = float(np.sum(left**2)), points - 2 * upr_max - 2
    if own <= 1e-9 * float(np.sum(t**2)) or freedom < 1:
        return None, variance, residual_um
    jump = float(np.sum(left * residual_um)) / own
    white = max(float(np.sum(residual_um**2)) - jump**2 * own, 0.0) / freedom
    closure = (jump, float(np.sqrt(white / own)))
    if abs(jump) <= CLOSURE_DRIFT * closure[1]:
        return closure, variance, residual_um
    # Beyond the turn samples take some harmonics of the ramp away, but not those of the walk.
    share = np.maximum(2 * np.abs(ramp), 1 / (np.pi * np.maximum(np.arange(upr_max + 1), 1)))
    return closure, 2 * white / points + (share * jump) ** 2, residual_um - jump * left


@dataclass(frozen=True, slots=True)
class LinesBetween:
    """Sums of a residual over whole turns: ``line`` holds exp(-i k angle / ``whole``), k = 1 …, angles from 0
    on.

    ``points`` samples lie in the whole turns, ``inside`` says which, None for all.
    """

    line: ComplexArray
    whole: int
    points: int
    inside: NDArray[np.bool_] | None


def lines_between(
    angle_rad: FloatArray, residual_um: FloatArray, upr_max: int, turns: float
) -> LinesBetween | None:
    """The residual's lines at every 1/T UPR of its T whole turns; None for fewer than two whole turns."""
    whole = int(turns + 1e-3)
    if whole < 2:
        return None
    start = float(angle_rad.min())
    angle, inside = angle_rad - start, None
    within = angle < 2 * np.pi * whole - 1e-9
    if not np.all(within):
        angle, residual_um, inside = angle[within], residual_um[within], within
    count = upr_max * whole + whole - 1
    sums = TrigonometricSums(angle / whole, count + 1)
    line = sums.sums(residual_um, count, remainder=_NOISE_REMAINDER)[1:]
    return LinesBetween(line, whole, len(angle), inside)


def noise_between(found: LinesBetween, upr_max: int, points: int) -> tuple[FloatArray, FloatArray]:
    """Variance of an amplitude from the lines between harmonics, shape (upr_max + 1,), and beside 0 and 1 UPR.

    Lines at whole UPR are taken by the fit, the others hold what does not repeat from turn to turn. Averaged
    over a window that widens with UPR. The second array, shape (2,), holds the level at which noise moves slope
    and tilt: that of the window, or of the lines next to 0 and 1 UPR where it is much higher, as it is with a
    drift.
    ``points`` is the number of samples that were fitted.
    """
    whole = found.whole
    lines = np.arange(1, len(found.line) + 1)
    power = np.abs(found.line) ** 2
    noisy = lines % whole != 0
    running_power = np.concatenate(([0.0], np.cumsum(np.where(noisy, power, 0.0))))
    running_count = np.concatenate(([0], np.cumsum(noisy)))
    order = np.arange(upr_max + 1)
    reach = np.maximum(np.ceil(_NOISE_LINES * whole / (2.0 * (whole - 1))), 0.05 * order * whole).astype(int)
    low = np.clip(order * whole - reach - 1, 0, len(lines))
    high = np.clip(np.maximum(order * whole + reach, 2 * reach), 0, len(lines))
    low = np.minimum(low, np.maximum(len(lines) - 2 * reach, 0))
    mean = (running_power[high] - running_power[low]) / np.maximum(running_count[high] - running_count[low], 1)
    scale = 2 / (found.points * points)
    nearest = np.array([_level_beside(at, lines, power, whole) for at in (0, whole)])
    # The few lines that count scatter much: they speak where they say several times what the window says.
    return mean * scale, np.where(nearest > 3 * mean[:2], nearest, mean[:2]) * scale


def _level_beside(at: int, lines: IntArray, power: FloatArray, whole: int) -> float:
    """Mean power of the lines about line ``at`` as slope (0) or tilt (``whole``) meet them.

    The spectrum of t falls with the distance d from the line, so its square is the lines' weight. The fit has
    taken a part of each by its share of all weights: of slope, one of two phases; of tilt, both of two.
    """
    near = lines[: at + 16 * whole - 1]  # lines count from 1
    noisy = np.flatnonzero(near % whole)
    weight = 1.0 / (near[noisy] - at) ** 2
    share = weight / weight.sum()
    kept = 1.0 - (share if at else share / 2)
    return float(np.sum(weight * power[noisy]) / np.sum(weight * kept))

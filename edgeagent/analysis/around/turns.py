"""Each turn of a trace as a surface of its own: on a spiral every turn is another piece of the track.

The mean surface hides what one turn alone has. A turn's harmonics are those of the mean plus those of what this
turn leaves of it, waves between whole orders among them.
"""

from __future__ import annotations

import numpy as np

from edgeagent.analysis.around.fitting import Samples, TraceFit
from edgeagent.analysis.around.reference_circle import ReferenceCircle
from edgeagent.analysis.around.roundness import (
    Lifts,
    band_transmission,
    extreme_quantities,
    extremes,
    noise_lift,
)
from edgeagent.analysis.waves.trigonometric import (
    ComplexArray,
    TrigonometricSums,
    evaluate_on_circle,
    fast_length,
)
from edgeagent.model import FloatArray, Quantity

_REMAINDER = 1e-8
"""Error of a turn's sums as a share of its residuals: they are small already."""


def turn_harmonics(samples: Samples, found: TraceFit, turns: int) -> list[ComplexArray | None]:
    """Harmonics c_0 … c_N of each of the first ``turns`` whole turns, over the part's own angle, in µm.

    None for a turn of which half the samples are missing.

    ``samples`` are those that were fitted. Samples that were left out as dust say nothing.
    """
    fit = found.fit
    upr_max = len(fit.centred) - 1
    angle = fit.touched_rad
    if len(angle) != len(samples.angle_rad):
        angle = fit.touch_of(samples.angle_rad).angle_rad
    rest = np.where(found.left_out, 0.0, found.residual_um)
    for wave in fit.orders:
        rest = rest + 2 * np.real(wave.coefficient * np.exp(1j * wave.upr * angle))
    begun = samples.angle_rad - samples.angle_rad.min() + 1e-9
    result: list[ComplexArray | None] = []
    for turn in range(turns):
        here = (begun >= 2 * np.pi * turn) & (begun < 2 * np.pi * (turn + 1))
        if np.count_nonzero(here) < 0.5 * len(angle) / fit.turns:
            result.append(None)  # half of it is missing: what it is like there nobody measured
            continue
        sums = TrigonometricSums(angle[here], upr_max).sums(rest[here], upr_max, remainder=_REMAINDER)
        result.append(fit.centred + sums / np.count_nonzero(here))
    return result


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

    One turn's noise is that of the mean times the root of their number; what is not known of the contact is
    common to all. The lift of the extremes by that noise is estimated once, on the mean surface.
    """
    fit = found.fit
    turns = int(fit.turns + 1e-3)
    if turns < 2:
        return ()
    order = np.arange(len(fit.centred), dtype=np.float64)
    passed = band_transmission(order, upr_low, upr_high)
    variance = fit.standard_uncertainty_um**2 + (turns - 1) * fit.noise_um**2
    spread: FloatArray = factor * passed * np.sqrt(variance)
    lifts: Lifts = noise_lift(fit.centred * (factor * passed), spread, reference)
    points = fast_length(16 * len(order))
    values: list[Quantity] = []
    for number, coefficient in enumerate(turn_harmonics(samples, found, turns), 1):
        if coefficient is None:
            continue
        profile = evaluate_on_circle(coefficient * (factor * passed), points)
        values += extreme_quantities(extremes(profile, spread, lifts, reference), f"turn[{number}]")
    return tuple(values)

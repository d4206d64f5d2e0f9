"""Roundness and band values of a closed profile, from its harmonics.

ISO 12181-1 names the parameters; the Gaussian filter of ISO 12181-2 / ISO 16610-21 on a closed profile is a
multiplication of the harmonics, so nothing is lost at ends. Values come with the standard uncertainty that
follows from that of the amplitudes (first order, derived here; harmonics are independent).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeagent.analysis.filters import gaussian_transmission
from edgeagent.analysis.trigonometric import ComplexArray, evaluate_on_circle
from edgeagent.model import FloatArray


@dataclass(frozen=True, slots=True)
class Roundness:
    """RONt and RONq about the least-squares reference, with standard uncertainties, in µm."""

    ron_t_um: float
    ron_q_um: float
    u_ron_t_um: float
    u_ron_q_um: float


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
    coefficient: ComplexArray, standard_uncertainty_um: FloatArray, *, upr_low: float, upr_high: float
) -> Roundness:
    """RONt and RONq (ISO 12181-1) of harmonics ``c_n``, n = 0 … N, in µm.

    Both arrays have shape (N + 1,). The profile is evaluated at 16 points of the shortest undulation at
    least. A crest that lies half way between two of them is missed by 1 - cos(pi / 16), 1.9 %, of that wave's
    amplitude at most, and by 0.2 % of a wave at the cut-off where N is three times the cut-off.
    """
    order = np.arange(len(coefficient), dtype=np.float64)
    passed = band_transmission(order, upr_low, upr_high)
    points = 1 << int(np.ceil(np.log2(16 * len(coefficient))))
    profile = evaluate_on_circle(coefficient * passed, points)
    amplitude = 2 * np.abs(coefficient) * passed
    spread = passed * standard_uncertainty_um
    ron_q, u_q = root_mean_square(amplitude[2:], spread[2:])
    return Roundness(
        ron_t_um=float(np.ptp(profile)),
        ron_q_um=ron_q,
        u_ron_t_um=float(np.sqrt(2 * np.sum(spread[2:] ** 2))),
        u_ron_q_um=u_q,
    )


def root_mean_square(amplitude: FloatArray, standard_uncertainty: FloatArray) -> tuple[float, float]:
    """RMS of waves with these amplitudes (Parseval) and its standard uncertainty, in their unit.

    For waves that vanish the uncertainty is that of a sum of squares of noise, not a division by zero.
    """
    square = float(np.sum(amplitude**2)) / 2
    noise = float(np.sum((amplitude * standard_uncertainty) ** 2)) / 4
    floor = float(np.sum(standard_uncertainty**4)) / 4
    value = float(np.sqrt(square))
    return value, float(np.sqrt((noise + floor) / square)) if square > 0 else float(
        np.sqrt(np.sum(standard_uncertainty**2) / 2)
    )

"""What the gauge, the tip, the artefact and the temperature bring into each value: inputs and sensitivities.

Every length of an axial trace is taken at one common scale; scale and expansion change the groove but not the
nominal ball, so that with R the flank radius, r the ball's, s the arc centres' separation and
sin a = (s/2)/(R - r) (derived here)

    da/de = -tan a · r/(R - r)                  da/dR = -tan a/(R - r)
    dh/de = (R - (R - r) sin² a)/cos a          dh/dR = 1/cos a            h = (R - r) cos a

with e the relative scale and R bearing the whole error of the tip radius: arc centres do not move with it.
A departure from 20 °C or from the certified amplitude is not corrected: it counts in full as a standard
uncertainty beside that of the correction. Characteristics that are not named here have no contribution but
their noise and their repeatability.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence

import numpy as np

from edgeagent.model import (
    Contribution,
    FloatArray,
    InstrumentUncertainty,
    PartUncertainty,
    Quantity,
    Thread,
    TraceHeader,
)

REFERENCE_TEMPERATURE_C = 20.0
"""Standard reference temperature (ISO 1)."""
Values = Mapping[tuple[str, str], float]


def contributions(
    quantity: Quantity,
    values: Values,
    header: TraceHeader,
    thread: Thread | None,
    instrument: InstrumentUncertainty,
    part: PartUncertainty,
    band_upr: tuple[float, float] = (2.0, 500.0),
) -> tuple[Contribution, ...]:
    """The contributions to one quantity, its own noise or the study's repeatability first.

    ``values`` holds every value of the trace by name and instance; ``band_upr`` is the band in which the
    artefact's waves count for values that belong to no single UPR. A repeatability stands in for the noise of
    this trace where it is larger: it contains such noise. Empty for a quantity without a value.
    """
    if quantity.value is None:
        return ()
    found = [_noise(quantity, part)]
    if header.kind == "axial":
        tip, scale = _axial_sensitivities(quantity, values, thread)
        found.append(_scaled("length scale", instrument.length_scale, "1", scale, instrument.length_scale_dof))
        found.append(_scaled("tip radius", instrument.tip_radius_mm, "mm", tip, instrument.tip_radius_dof))
        found += _temperature(scale, header, instrument, part)
    elif quantity.unit in ("um", "nm", "um/turn"):
        scale = quantity.value
        found.append(_scaled("gauge scale", instrument.gauge_scale, "1", scale, instrument.gauge_scale_dof))
        if header.kind in ("spiral", "circle"):
            at = np.array([float(quantity.instance)]) if quantity.instance.isdigit() else None
            found += _artefact(scale, instrument.waves, at, band_upr)
    return tuple(c for c in found if c is not None)


def harmonic_uncertainty_nm(
    upr: FloatArray,
    amplitude_nm: FloatArray,
    noise_nm: FloatArray,
    instrument: InstrumentUncertainty,
    part: PartUncertainty,
) -> FloatArray:
    """Combined standard uncertainty of every harmonic's amplitude; all of shape (n,)."""
    own = np.maximum(noise_nm, part.repeatability.get("harmonic_amplitude", 0.0))
    u, deviation = interpolated(instrument.waves, upr)
    scale = instrument.gauge_scale or 0.0
    return np.sqrt(own**2 + amplitude_nm**2 * (scale**2 + u**2 + deviation**2))


def interpolated(waves: Sequence[tuple[float, float, float]], upr: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Relative standard uncertainty of the certificate and relative deviation found last, at each UPR.

    ``waves`` holds (upr, relative standard uncertainty, relative deviation) with rising upr. Straight lines
    over the logarithm of UPR; beyond the first and last wave their values hold. Deviations without their sign.
    """
    if not waves:
        return np.zeros(len(upr)), np.zeros(len(upr))
    knots, u, deviation = np.array(waves, dtype=np.float64).T
    at = np.log(np.maximum(upr, 1.0))
    return np.interp(at, np.log(knots), u), np.abs(np.interp(at, np.log(knots), deviation))


def _noise(quantity: Quantity, part: PartUncertainty) -> Contribution | None:
    noise = quantity.standard_uncertainty
    study = part.repeatability.get(quantity.name)
    if study is not None and (noise is None or study >= noise):
        dof = math.inf if part.repeatability_dof is None else part.repeatability_dof
        return Contribution("repeatability of the study", study, quantity.unit, 1.0, dof)
    if noise is None:
        return None
    return Contribution("noise of this trace", noise, quantity.unit, 1.0)


def _scaled(
    source: str, u: float | None, unit: str, sensitivity: float | None, dof: float | None
) -> Contribution | None:
    if u is None or sensitivity is None:
        return None
    return Contribution(source, u, unit, sensitivity, math.inf if dof is None else dof)


def _artefact(
    scale: float,
    waves: Sequence[tuple[float, float, float]],
    at: FloatArray | None,
    band_upr: tuple[float, float],
) -> list[Contribution]:
    """Certificate and deviation at one UPR, or the largest in the band."""
    if not waves:
        return []
    if at is None:
        inside = [w[0] for w in waves if band_upr[0] < w[0] < band_upr[1]]
        at = np.array([band_upr[0], *inside, band_upr[1]])
    u, deviation = interpolated(waves, at)
    found = [Contribution("artefact's certificate", float(u.max()), "1", scale)]
    if deviation.any():
        found.append(Contribution("artefact's last deviation", float(deviation.max()), "1", scale))
    return found


def _temperature(
    scale: float | None, header: TraceHeader, instrument: InstrumentUncertainty, part: PartUncertainty
) -> list[Contribution]:
    """Thermometer, expansion coefficient, and the departure from 20 °C that is not corrected."""
    if scale is None or part.expansion_per_k is None:
        return []
    found = []
    if instrument.temperature_k is not None:
        dof = math.inf if instrument.temperature_dof is None else instrument.temperature_dof
        found.append(
            Contribution("temperature", instrument.temperature_k, "K", scale * part.expansion_per_k, dof)
        )
    if header.temperature_c is not None:
        away = header.temperature_c - REFERENCE_TEMPERATURE_C
        if part.expansion_uncertainty_per_k is not None:
            found.append(
                Contribution("expansion coefficient", part.expansion_uncertainty_per_k, "1/K", scale * away)
            )
        found.append(Contribution("departure from 20 °C", abs(away), "K", scale * part.expansion_per_k))
    return found


def _axial_sensitivities(
    quantity: Quantity, values: Values, thread: Thread | None
) -> tuple[float | None, float | None]:
    """Change of the value per mm of tip radius, and per unit of relative scale; None where not known."""
    name, value, at = quantity.name, quantity.value, quantity.instance
    assert value is not None
    if name in ("pitch", "lead", "arc_centre_separation"):
        return 0.0, value
    if name == "pitch_deviation":
        return (0.0, 1000.0 * thread.pitch_mm) if thread is not None else (None, None)
    if name.startswith("flank_radius_"):
        return 1.0, value
    if thread is None:
        return None, None
    ball_mm = thread.ball_diameter_mm / 2.0
    if name.startswith("track_conformity_"):
        return 1.0 / thread.ball_diameter_mm, value
    if name == "ball_pitch_circle_diameter":
        return _across(value, values, thread)
    side = name.rpartition("_")[2]
    radius, angle = values.get((f"flank_radius_{side}", at)), values.get((f"contact_angle_{side}", at))
    if radius is None or angle is None or radius <= ball_mm or not 0.0 < angle < 90.0:
        return None, None
    alpha, reach = math.radians(angle), radius - ball_mm
    if name.startswith("contact_angle_"):
        tilt = math.degrees(math.tan(alpha) / reach)
        return -tilt, -tilt * ball_mm
    if name.startswith("arc_centre_height_"):
        return 1.0 / math.cos(alpha), _height_by_scale(radius, reach, alpha)
    return None, None


def _height_by_scale(radius: float, reach: float, alpha: float) -> float:
    return (radius - reach * math.sin(alpha) ** 2) / math.cos(alpha)


def _across(diameter: float, values: Values, thread: Thread) -> tuple[float | None, float | None]:
    """Ball pitch circle diameter: the arc centres keep their places, the ball sinks by the change of h."""
    ball_mm = thread.ball_diameter_mm / 2.0
    radii = [v for (n, _), v in values.items() if n.startswith("flank_radius_")]
    angles = [v for (n, _), v in values.items() if n.startswith("contact_angle_")]
    if not radii or not angles:
        return None, None
    radius, alpha = math.fsum(radii) / len(radii), math.radians(math.fsum(angles) / len(angles))
    reach = radius - ball_mm
    if reach <= 0.0 or not 0.0 < alpha < math.pi / 2:
        return None, None
    inward = -1.0 if thread.member == "shaft" else 1.0
    arcs = diameter / 2.0 - inward * reach * math.cos(alpha)
    scale = 2.0 * (arcs + inward * _height_by_scale(radius, reach, alpha))
    return 2.0 * inward / math.cos(alpha), scale

"""From what is known of instrument and part to the lines of an uncertainty budget (JCGM 100).

The trace's kind gives the sensitivity of each value to an error (its ``influences``); the configuration
states how large the error may be; here the two are multiplied. A departure from 20 °C or from the certified
amplitude that is not corrected counts in full as a standard uncertainty beside that of the correction, and so
does what a kind names as uncorrected. Degrees of freedom that are not stated are infinite.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from edgeagent.model import (
    Contribution,
    FloatArray,
    Influences,
    InstrumentUncertainty,
    PartUncertainty,
    Quantity,
    Spectrum,
    harmonic_band,
)

SETUP_KEYS = (
    "spindle", "hysteresis_um", "styli_x_mm", "styli_z_mm", "straightness_um", "squareness_deg", "pickup_nm",
    "drift_um",
)  # fmt: skip
"""Members of InstrumentUncertainty whose effect a kind finds by itself."""
REFERENCE_TEMPERATURE_C = 20.0
"""Standard reference temperature (ISO 1)."""


@dataclass(frozen=True, slots=True)
class Known:
    """All that a budget is made from.

    ``temperature_c`` is the part's while it was measured, None where the trace does not state it;
    ``band_upr`` the band in which an artefact's waves count for values that belong to no single UPR,
    ``spectrum`` the waves.
    """

    influences: Influences
    instrument: InstrumentUncertainty
    part: PartUncertainty
    temperature_c: float | None = None
    band_upr: tuple[float, float] = (2.0, 500.0)
    spectrum: Spectrum | None = None


def wanted_influences(instrument: InstrumentUncertainty, part: PartUncertainty) -> frozenset[str]:
    """Names of the members of Influences that some stated uncertainty meets: others need not be found."""
    asked = {
        "gauge_scale": instrument.gauge_scale is not None or bool(instrument.waves),
        "length_scale": instrument.length_scale is not None or part.expansion_per_k is not None,
        "tip_radius_mm": instrument.tip_radius_mm is not None,
        **{key: getattr(instrument, key) not in (None, ()) for key in SETUP_KEYS},
    }
    return frozenset(name for name, wanted in asked.items() if wanted)


def contributions(quantity: Quantity, known: Known) -> tuple[Contribution, ...]:
    """The contributions to one quantity, its own noise or the study's repeatability first.

    A repeatability stands in for the noise of this trace where it is larger: it contains such noise. Empty for
    a quantity without a value, and where nothing is known.
    """
    if quantity.value is None:
        return ()
    at = (quantity.name, quantity.instance)
    instrument, influences = known.instrument, known.influences
    scale, length = influences.gauge_scale.get(at), influences.length_scale.get(at)
    found = [
        _noise(quantity, known.part),
        _scale("gauge scale", instrument.gauge_scale, "1", scale, instrument.gauge_scale_dof),
        _scale("length scale", instrument.length_scale, "1", length, instrument.length_scale_dof),
        _scale(
            "tip radius",
            instrument.tip_radius_mm,
            "mm",
            influences.tip_radius_mm.get(at),
            instrument.tip_radius_dof,
        ),
        *_temperature(length, known),
        *influences.uncorrected.get(at, ()),
        *influences.stated.get(at, ()),
    ]
    if scale is not None:
        # The artefact is read by the same gauge: its errors act as those of the scale do.
        found += _artefact(quantity, scale, known)
    return tuple(c for c in found if c is not None)


def at_reference_temperature(quantities: Sequence[Quantity], known: Known) -> tuple[Quantity, ...]:
    """The values as they would be at 20 °C where the recipe asks for it and the trace states its temperature.

    A part that is warmer by ΔT is larger by α ΔT; each value changes by that times its sensitivity to the
    length scale (first order; α ΔT is some 1e-4 at most).
    """
    part = known.part
    if not part.correct_temperature or part.expansion_per_k is None or known.temperature_c is None:
        return tuple(quantities)
    strain = part.expansion_per_k * (known.temperature_c - REFERENCE_TEMPERATURE_C)
    per_unit = known.influences.length_scale
    return tuple(
        q
        if q.value is None or (q.name, q.instance) not in per_unit
        else replace(q, value=q.value - strain * per_unit[q.name, q.instance])
        for q in quantities
    )


def harmonic_uncertainty_nm(spectrum: Spectrum, known: Known) -> FloatArray:
    """Combined standard uncertainty of every harmonic's amplitude, shape (n,)."""
    instrument, influences = known.instrument, known.influences
    amplitude_nm = spectrum.amplitude_nm
    upr = spectrum.upr.astype(np.float64)
    # The larger, not both: a study's repeats contain the noise of a trace.
    own = np.maximum(spectrum.noise_nm, _harmonic_repeatability_nm(known.part, upr))
    u, deviation = interpolate(instrument.waves, upr)
    scale = instrument.gauge_scale or 0.0
    square = own**2 + amplitude_nm**2 * (scale**2 + u**2 + deviation**2)
    if influences.harmonics_uncorrected_nm is not None:
        square = square + influences.harmonics_uncorrected_nm**2
    if influences.harmonics_per_tip_mm is not None and instrument.tip_radius_mm is not None:
        square = square + (influences.harmonics_per_tip_mm * instrument.tip_radius_mm) ** 2
    for each in influences.harmonics_stated:
        square = square + (each.per_unit_nm * each.standard_uncertainty) ** 2
    return np.sqrt(square)


def order_uncertainty_nm(lines: Spectrum, known: Known) -> FloatArray:
    """Combined standard uncertainty of the waves between whole orders, shape (n,)."""
    instrument = known.instrument
    upr = lines.upr.astype(np.float64)
    own = np.maximum(lines.noise_nm, _harmonic_repeatability_nm(known.part, upr))
    u, deviation = interpolate(instrument.waves, upr)
    scale = instrument.gauge_scale or 0.0
    square = own**2 + lines.amplitude_nm**2 * (scale**2 + u**2 + deviation**2)
    if known.influences.orders_stated_nm is not None:
        square = square + known.influences.orders_stated_nm**2
    return np.sqrt(square)


def harmonic_contributions(spectrum: Spectrum, known: Known, upr: int) -> tuple[Contribution, ...]:
    """The lines of one harmonic's budget, whose sum is that of ``harmonic_uncertainty_nm``.

    ``upr`` is one of the spectrum's, from 1 on.
    """
    at = ("harmonic_amplitude", str(upr))
    amplitude_nm, noise_nm = (float(a[upr - 1]) for a in (spectrum.amplitude_nm, spectrum.noise_nm))
    per_tip, left = known.influences.harmonics_per_tip_mm, known.influences.harmonics_uncorrected_nm
    source = "tip on slopes, not corrected"
    stated = tuple(
        Contribution(each.source, each.standard_uncertainty, each.unit, float(each.per_unit_nm[upr - 1]))
        for each in known.influences.harmonics_stated
    )
    own = Influences(
        stated={at: stated},
        gauge_scale={at: amplitude_nm},
        tip_radius_mm={} if per_tip is None else {at: float(per_tip[upr - 1])},
        uncorrected={} if left is None else {at: (Contribution(source, float(left[upr - 1]), "nm", 1.0),)},
    )
    quantity = Quantity("harmonic_amplitude", amplitude_nm, "nm", str(upr), noise_nm)
    return contributions(quantity, replace(known, influences=own))


def interpolate(waves: Sequence[tuple[float, float, float]], upr: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Relative standard uncertainty of the certificate and relative deviation found last, at each UPR.

    ``waves`` holds (upr, relative standard uncertainty, relative deviation) with rising upr. Straight lines
    over the logarithm of UPR; beyond the first and last wave their values hold. Deviations without their sign.
    """
    if not waves:
        return np.zeros(len(upr)), np.zeros(len(upr))
    knots, u, deviation = np.array(waves, dtype=np.float64).T
    at = np.log(np.maximum(upr, 1.0))
    return np.interp(at, np.log(knots), u), np.abs(np.interp(at, np.log(knots), deviation))


def _harmonic_repeatability_nm(part: PartUncertainty, upr: FloatArray) -> FloatArray:
    """The study's standard deviation at each UPR, zero where it says nothing."""
    found = np.full(len(upr), part.repeatability.get("harmonic_amplitude", 0.0))
    for name, sd in part.repeatability.items():
        band = harmonic_band(name)
        if band is not None:
            found[(band[0] <= upr) & (upr <= band[1])] = sd
    return found


def _noise(quantity: Quantity, part: PartUncertainty) -> Contribution | None:
    noise = quantity.standard_uncertainty
    study = part.repeatability_of(quantity.name, quantity.instance)
    if quantity.name == "harmonic_amplitude" and quantity.instance.isdigit():
        study = float(_harmonic_repeatability_nm(part, np.array([float(quantity.instance)]))[0]) or None
    # A trace noisier than the study's counts by itself: the study did not see what disturbs it.
    if study is not None and (noise is None or study >= noise):
        dof = math.inf if part.repeatability_dof is None else part.repeatability_dof
        return Contribution("repeatability of the study", study, quantity.unit, 1.0, dof)
    if noise is None:
        return None
    return Contribution("noise of this trace", noise, quantity.unit, 1.0, quantity.degrees_of_freedom)


def _scale(
    source: str, u: float | None, unit: str, sensitivity: float | None, dof: float | None
) -> Contribution | None:
    if u is None or sensitivity is None:
        return None
    return Contribution(source, u, unit, sensitivity, math.inf if dof is None else dof)


def _artefact(quantity: Quantity, scale: float, known: Known) -> list[Contribution]:
    """Certificate and last deviation as they count for one value.

    A harmonic has those at its own UPR, an RMS those of its waves, each weighted with its square, which is its
    share in the value's change (derived here: errors of all waves taken to go together). For any other value
    the largest of its band stand, whichever wave makes it.
    """
    waves = known.instrument.waves
    if not waves:
        return []
    weight: FloatArray | None = None
    low, high = known.band_upr
    # An instance of digits alone is an order; others are bands, turns or grooves.
    if quantity.instance.isdigit():
        at = np.array([float(quantity.instance)])
    elif quantity.name in ("band_rms", "roundness_rms") and known.spectrum is not None:
        if quantity.name == "band_rms":
            low, high = (float(end) for end in quantity.instance.split("-"))
        upr = known.spectrum.upr.astype(np.float64)
        here = (upr >= low) & (upr <= high)
        at, weight = upr[here], known.spectrum.amplitude_nm[here] ** 2
    else:
        # Straight between the knots: the largest lies at one of them or at the band's ends.
        at = np.array([low, *(w[0] for w in waves if low < w[0] < high), high])
    u, deviation = (_weigh_mean(each, weight) for each in interpolate(waves, at))
    found = [Contribution("artefact's certificate", u, "1", scale)]
    if deviation:
        found.append(Contribution("artefact's last deviation", deviation, "1", scale))
    return found


def _weigh_mean(values: FloatArray, weight: FloatArray | None) -> float:
    """The mean by weight; the largest without one, or where all weights are zero."""
    total = 0.0 if weight is None else float(np.sum(weight))
    if weight is None or total <= 0:
        return float(values.max(initial=0.0))
    return float(np.sum(values * weight)) / total


def _temperature(length: float | None, known: Known) -> list[Contribution | None]:
    """Thermometer, expansion coefficient, and the departure from 20 °C where it is not corrected."""
    instrument, part = known.instrument, known.part
    if length is None or part.expansion_per_k is None:
        return []
    per_k = length * part.expansion_per_k
    found = [_scale("temperature", instrument.temperature_k, "K", per_k, instrument.temperature_dof)]
    if known.temperature_c is not None:
        away = known.temperature_c - REFERENCE_TEMPERATURE_C
        coefficient = part.expansion_uncertainty_per_k
        found.append(_scale("expansion coefficient", coefficient, "1/K", length * away, None))
        if not part.correct_temperature:
            # In full: an error whose amount is known and left in is no half-width to be divided by sqrt(3).
            found.append(Contribution("departure from 20 °C", abs(away), "K", per_k))
    return found

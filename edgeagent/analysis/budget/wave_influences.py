"""What scale and tip do to the values of a spiral or circle trace.

All values are proportional to the gauge's readings, so their sensitivity to its scale is the value itself.

**Tip.** A sphere of radius r that rides on waves y(s) of small slope has its centre, at the place s, at
y + r + (r/2) y'² (derived here: it touches at s + r y' to first order, where the surface is higher by r y'²,
and the centre stands r (1 - y'²/2) above that). So each wave brings something of twice its order, and pairs of
waves their sums and differences.

It is left in the values, since some instruments take it out themselves. What eccentricity does is taken out or
counted where the harmonics are fitted (`track.eccentric`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from edgeagent.analysis.around.at_speed import band_velocities, resonance_amplitudes
from edgeagent.analysis.around.reference_circle import ReferenceCircle
from edgeagent.analysis.around.roundness import extreme_quantities, root_mean_square, roundness
from edgeagent.analysis.budget.wave_setup import Reading, stated_waves
from edgeagent.analysis.kinds import Request
from edgeagent.analysis.track.sensing import track_length_mm
from edgeagent.analysis.waves.trigonometric import ComplexArray, evaluate_on_circle
from edgeagent.model import Analysis, Contribution, FloatArray, Influences, Spectrum, Thread, Trace

Values = Mapping[tuple[str, str], float]
Derived = Callable[[FloatArray], Values]
"""Values that follow from the amplitudes alone, in nm, shape (n,), 1 UPR first."""


def of_trace(
    trace: Trace, request: Request, analysis: Analysis, wanted: frozenset[str], *, spiral: bool
) -> Influences:
    """Influences on the values that ``kinds.spiral`` makes of a trace; see ``wave_influences``."""
    options, thread, running = request.options, request.thread, request.running

    def at_speed(amplitude_nm: FloatArray) -> Values:
        if thread is None or running is None or running.speed_rpm is None:
            return {}
        # Noise does not matter for a sensitivity: zero saves its spreads.
        none = np.zeros(len(amplitude_nm))
        found = band_velocities(amplitude_nm, none, options.velocity_bands_hz, thread, running)
        found += resonance_amplitudes(amplitude_nm, none, thread, running)
        return {(q.name, q.instance): q.value for q in found if q.value is not None}

    found = wave_influences(
        analysis,
        upr=options.upr,
        reference=options.reference_circle,
        bands=options.bands,
        at_speed=at_speed,
        tip_radius_mm=trace.header.tip_radius_mm,
        track_length_mm=track_length_mm(trace.header, thread),
        per_length_scale=_lead_by_scale(analysis, thread)
        if spiral and thread is not None and "length_scale" in wanted
        else {},
    )
    if analysis.spectrum is None or request.instrument is None or not wanted & SETUP_KEYS:
        return found

    def values(c: ComplexArray) -> Values:
        return _values(c, options.upr, options.reference_circle, options.bands, at_speed)

    reading = _reading(trace, request, analysis, spiral)
    waves = complex_amplitudes_um(analysis.spectrum)
    setup = stated_waves(waves, analysis.orders, request.instrument, reading, values)
    stated = dict(setup.values)
    for q in analysis.quantities:
        # Each turn was read by the same spindle: what counts for the mean surface counts for it.
        if q.instance.startswith("turn[") and (q.name, "") in setup.values:
            stated[q.name, q.instance] = setup.values[q.name, ""]
    angle_deg = request.instrument.squareness_deg
    if spiral and thread is not None and angle_deg is not None:
        # The drive that leans against the spindle's axis carries the stylus off by that in each turn's lead.
        per_deg = 1000 * thread.lead_mm * np.radians(1.0) * reading.across[0] / reading.factor
        line = Contribution("squareness of the drive", angle_deg, "deg", float(per_deg))
        stated["lead_mismatch", ""] = (line,)
    return replace(found, stated=stated, harmonics_stated=setup.harmonics, orders_stated_nm=setup.orders_nm)


SETUP_KEYS = frozenset({"spindle", "pickup_nm", "hysteresis_um", "squareness_deg"})
"""Members of InstrumentUncertainty that waves meet."""


def _reading(trace: Trace, request: Request, analysis: Analysis, spiral: bool) -> Reading:
    """How the waves of a trace were read."""
    thread, angle_deg = request.thread, request.options.surface_angle_deg
    lead_angle = thread.lead_angle_rad if thread is not None and spiral else 0.0
    if angle_deg is None and spiral and thread is not None:
        angle_deg = thread.contact_angle_deg
    across = (1.0, 1.0)
    if angle_deg is not None or not spiral:
        angle = np.radians(angle_deg or 0.0)
        across = (float(np.cos(angle)), float(np.sin(angle) * np.cos(lead_angle)))
    turns = analysis.turns or 1.0
    factor = float(analysis.details.get("factor", 1.0))
    return Reading(across, factor, turns, trace.points / turns, trace.header.spindle_rpm)


def _lead_by_scale(analysis: Analysis, thread: Thread) -> Values:
    """The lead grows with the part: a turn's error is seen as it lies across the flank (`kinds.spiral`)."""
    factor = float(analysis.details.get("factor", 1.0))
    across = np.sin(np.radians(thread.contact_angle_deg)) * np.cos(thread.lead_angle_rad)
    return {("lead_mismatch", ""): float(1000.0 * thread.lead_mm * across / factor)}


def wave_influences(
    analysis: Analysis,
    *,
    upr: tuple[int, int],
    reference: ReferenceCircle = "LSCI",
    bands: tuple[tuple[int, int], ...],
    at_speed: Derived,
    tip_radius_mm: float | None,
    track_length_mm: float | None,
    per_length_scale: Values,
) -> Influences:
    """Influences on every value of a spiral or circle.

    ``upr``, ``bands`` and ``at_speed`` say which values are made from the spectrum, ``per_length_scale`` what
    else depends on the length scale. The tip counts where ``track_length_mm`` (one turn along the track) is
    known.
    """
    shapes = tuple(f"flank_roughness_{name}" for name in ("rsk", "rku", "rsm", "rmr", "mr1", "mr2"))
    own = {
        (q.name, q.instance): q.value
        for q in analysis.quantities
        if q.value is not None and q.name not in shapes  # these do not grow with the readings
    }
    spectrum = analysis.spectrum
    if spectrum is None or track_length_mm is None:
        return Influences(gauge_scale=own, length_scale=per_length_scale)
    coefficient = complex_amplitudes_um(spectrum)

    def values(c: ComplexArray) -> dict[tuple[str, str], float]:
        return _values(c, upr, reference, bands, at_speed)

    if not tip_radius_mm:
        return Influences(gauge_scale=own, length_scale=per_length_scale)
    tip = tip_shape_um(coefficient, tip_radius_mm, track_length_mm)
    seen, without = values(coefficient), values(coefficient - tip)
    uncorrected: dict[tuple[str, str], tuple[Contribution, ...]] = {}
    per_tip: dict[tuple[str, str], float] = {}
    for at in seen.keys() & own.keys():
        # Values at speed may lack an order without the tip's part: no difference then.
        by_tip = seen[at] - without.get(at, seen[at])
        if by_tip:
            per_tip[at] = by_tip / tip_radius_mm
            found = Contribution("tip on slopes, not corrected", tip_radius_mm, "mm", per_tip[at])
            uncorrected[at] = (found,)
    # 2 |c| is the amplitude, in µm; in nm 2000 |c|.
    tip_nm = 2000 * (np.abs(coefficient) - np.abs(coefficient - tip))[1:]
    return Influences(
        gauge_scale=own,
        length_scale=per_length_scale,
        tip_radius_mm=per_tip,
        uncorrected=uncorrected,
        harmonics_per_tip_mm=tip_nm / tip_radius_mm,
        harmonics_uncorrected_nm=np.abs(tip_nm),
    )


def complex_amplitudes_um(spectrum: Spectrum) -> ComplexArray:
    """c_0 … c_n of a spectrum, c_0 = 0: harmonic k is 2 |c_k| cos(k angle + arg c_k)."""
    c = spectrum.amplitude_nm / 2000 * np.exp(1j * np.radians(spectrum.phase_deg))
    return np.concatenate((np.zeros(1, dtype=np.complex128), c))


def tip_shape_um(coefficient: ComplexArray, tip_radius_mm: float, track_length_mm: float) -> ComplexArray:
    """Coefficients of (r/2) y'², same shape and unit as ``coefficient`` (µm); orders above are dropped.

    Holds while the tip reaches every valley and slopes are small (y' below 0.1). The turn's own curvature
    changes it by the ratio of tip and turn radius, 0.05 mm on 9 mm: 0.5 %.
    """
    order = np.arange(len(coefficient))
    # µm over µm: the track's length comes in mm.
    slope = coefficient * (2j * np.pi * order / (1000 * track_length_mm))
    # A square has twice the orders; four times as many points keep them from aliasing into those looked at.
    size = 1 << int(np.ceil(np.log2(4 * len(coefficient))))
    square = evaluate_on_circle(slope, size) ** 2
    # r/2 in µm is 500 times r in mm.
    found: ComplexArray = np.fft.rfft(square)[: len(coefficient)] / size * (500 * tip_radius_mm)
    return found


def _values(
    coefficient: ComplexArray,
    upr: tuple[int, int],
    reference: ReferenceCircle,
    bands: tuple[tuple[int, int], ...],
    at_speed: Derived,
) -> dict[tuple[str, str], float]:
    none = np.zeros(len(coefficient))
    amplitude_nm = 2000 * np.abs(coefficient[1:])
    ron = roundness(coefficient, none, upr_low=upr[0], upr_high=upr[1], reference=reference)
    found = {(q.name, ""): q.value for q in extreme_quantities(ron) if q.value is not None}
    found["roundness_rms", ""] = ron.ron_q_um
    for low, high in bands:
        # A band that the model does not reach has no value to be changed.
        if high <= len(amplitude_nm):
            band = amplitude_nm[low - 1 : high]
            found["band_rms", f"{low}-{high}"] = root_mean_square(band, np.zeros(len(band)))[0]
    return {**found, **at_speed(amplitude_nm)}

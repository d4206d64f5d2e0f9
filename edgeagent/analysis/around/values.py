"""Named values of a spiral or circle trace, from its fitted harmonics."""

from __future__ import annotations

import numpy as np

from edgeagent.analysis.around.at_speed import band_name, band_velocities, hertz_per_upr, resonance_amplitudes
from edgeagent.analysis.around.fitting import Samples
from edgeagent.analysis.around.options import SpiralOptions
from edgeagent.analysis.around.roundness import extreme_quantities, root_mean_square, roundness
from edgeagent.analysis.texture.parameters import parameters, wanted_parameters
from edgeagent.analysis.waves.harmonics import HarmonicFit, amplitude_lift
from edgeagent.errors import AnalysisError, InputError
from edgeagent.model import FloatArray, QualityCheck, Quantity, Running, Spectrum, Thread


def amplitude_uncertainty_um(fit: HarmonicFit) -> FloatArray:
    """Standard uncertainty of the amplitudes of ``fit.coefficient``, order 0 first, shape (N + 1,)."""
    found = fit.standard_uncertainty_um.copy()
    # 1 UPR of the values is that at the first sample, which a tilt makes less certain than the middle.
    found[1] = fit.eccentricity_uncertainty_um
    return found


def spectrum_of(fit: HarmonicFit, factor: float, upr_high: int) -> Spectrum:
    """Harmonics 1 … ``upr_high`` normal to the surface; ``factor`` turns readings into that direction."""
    return Spectrum(
        upr=np.arange(1, upr_high + 1),
        amplitude_nm=fit.amplitude_um[:upr_high] * (1000 * factor),
        phase_deg=np.degrees(fit.phase_rad[:upr_high]),
        noise_nm=amplitude_uncertainty_um(fit)[1 : upr_high + 1] * (1000 * factor),
    )


def orders_of(fit: HarmonicFit, factor: float, upr_high: int) -> Spectrum | None:
    """The waves between whole orders up to ``upr_high``; None for fewer than two turns, which do not tell
    them."""
    if fit.noise_from == "residual":
        return None
    waves = [w for w in fit.orders if w.upr <= upr_high]
    return Spectrum(
        upr=np.array([w.upr for w in waves]),
        amplitude_nm=np.array([w.amplitude_um for w in waves]) * (1000 * factor),
        phase_deg=np.degrees(np.angle(np.array([w.coefficient for w in waves], dtype=np.complex128))),
        noise_nm=np.array([w.standard_uncertainty_um for w in waves]) * (1000 * factor),
    )


def surface_values(
    fit: HarmonicFit, factor: float, options: SpiralOptions, spiral: bool
) -> tuple[Quantity, ...]:
    """Roundness, eccentricity, for a spiral tilt and lead mismatch, and the bands that the recipe asks for."""
    noise = amplitude_uncertainty_um(fit)
    ron = roundness(
        fit.coefficient * factor,
        noise * factor,
        upr_low=options.upr[0],
        upr_high=options.upr[1],
        reference=options.reference_circle,
    )
    eccentricity = float(fit.amplitude_um[0])
    # Noise makes a small eccentricity larger on average; that counts, since the value is not corrected.
    lift = float(amplitude_lift(fit.amplitude_um[:1], noise[1:2])[0])
    values = [
        *extreme_quantities(ron),
        Quantity("roundness_rms", ron.ron_q_um, "um", "", ron.u_ron_q_um),
        Quantity("eccentricity", eccentricity, "um", "", float(np.hypot(noise[1], lift))),
    ]
    if spiral:
        tilt = fit.tilt_um_per_turn if fit.has_tilt else None
        slope, spread = fit.slope_um_per_turn, fit.slope_uncertainty_um_per_turn
        values += [
            Quantity("tilt", tilt, "um/turn", "", fit.tilt_uncertainty_um_per_turn),
            Quantity("lead_mismatch", slope, "um/turn", "", spread),
        ]
    amplitude_nm, noise_nm = 1000 * factor * fit.amplitude_um, 1000 * factor * noise[1:]
    for low, high in options.bands:
        inside = slice(low - 1, high)
        lines = [w for w in fit.orders if low <= w.upr <= high]
        rms, u_rms = root_mean_square(
            np.append(amplitude_nm[inside], [1000 * factor * w.amplitude_um for w in lines]),
            np.append(noise_nm[inside], [1000 * factor * w.standard_uncertainty_um for w in lines]),
        )
        # Harmonics that were not fitted cannot be left out of a band as if they were 0.
        if high > len(amplitude_nm):
            values.append(Quantity("band_rms", None, "nm", f"{low}-{high}"))
        else:
            values.append(Quantity("band_rms", rms, "nm", f"{low}-{high}", u_rms))
    return tuple(values)


def null_values(options: SpiralOptions) -> tuple[Quantity, ...]:
    """The values of a trace whose harmonics cannot be fitted: all None."""
    names = ("roundness_total", "roundness_peak", "roundness_valley", "roundness_rms", "eccentricity")
    bands = tuple(Quantity("band_rms", None, "nm", f"{low}-{high}") for low, high in options.bands)
    return tuple(Quantity(name, None, "um") for name in names) + bands


def values_at_speed(
    fit: HarmonicFit, factor: float, options: SpiralOptions, thread: Thread | None, running: Running | None
) -> tuple[tuple[Quantity, ...], list[QualityCheck]]:
    """Band velocities and amplitudes on resonances, where the recipe asks for them."""
    if not options.velocity_bands_hz and (running is None or not running.resonances_hz):
        return (), []
    if running is None or running.speed_rpm is None or thread is None:
        note = "values at speed need the recipe's thread and running speed"
        return tuple(
            Quantity("band_velocity", None, "um/s", band_name(*b)) for b in options.velocity_bands_hz
        ), [QualityCheck("at_speed", False, None, None, "", note)]
    amplitude = 1000 * factor * fit.amplitude_um
    noise = 1000 * factor * amplitude_uncertainty_um(fit)[1:]
    between = orders_of(fit, factor, len(amplitude))
    found = band_velocities(amplitude, noise, options.velocity_bands_hz, thread, running, between)
    found += resonance_amplitudes(amplitude, noise, thread, running, between)
    beyond = [f"{q.name} {q.instance}" for q in found if q.value is None]
    reach = hertz_per_upr(thread, running.speed_rpm[0]) * len(amplitude)
    note = f"harmonics to {len(amplitude)} UPR reach {reach:.5g} Hz at {running.speed_rpm[0]:g} rpm"
    if beyond:
        note += f"; not enough for {', '.join(beyond)}"
    return found, [QualityCheck("at_speed", True, reach, None, "Hz", note)]


def track_roughness(
    samples: Samples,
    fit: HarmonicFit,
    factor: float,
    options: SpiralOptions,
    length_mm: float | None,
) -> tuple[tuple[Quantity, ...], list[QualityCheck]]:
    """Roughness along the track after the alignment is taken out, on an even grid of the same density.

    ``length_mm`` is that of one turn of the track, None where it is unknown.
    """
    wanted = options.roughness
    if wanted is None:
        return (), []
    units = wanted_parameters(wanted)

    def without(note: str) -> tuple[tuple[Quantity, ...], list[QualityCheck]]:
        none = tuple(Quantity(f"flank_roughness_{name}", None, unit) for name, unit in units.items())
        return none, [QualityCheck("flank_roughness", False, None, None, "", note)]

    if length_mm is None:
        return without("roughness needs the track diameter, which neither trace nor recipe gives")
    # The interpolation needs rising angles; a spiral's may fall.
    order = np.argsort(samples.angle_rad, kind="stable")
    angle = samples.angle_rad[order]
    surface = (samples.deviation_um - fit.alignment_at(samples.angle_rad))[order] * factor
    # As dense as the samples: nothing shorter than a step is invented.
    even = np.linspace(angle[0], angle[-1], len(angle))
    spacing_mm = float(even[1] - even[0]) / (2 * np.pi) * length_mm
    try:
        found, profile = parameters(np.interp(even, angle, surface), spacing_mm, wanted)
    except (InputError, AnalysisError) as error:
        return without(str(error))
    note = f"{profile.section_count} sections of {wanted.lambda_c_mm:g} mm along the track"
    check = QualityCheck("flank_roughness", True, float(profile.section_count), 1.0, "sections", note)
    return tuple(
        Quantity(
            f"flank_roughness_{name}",
            found[name].value,
            unit,
            "",
            found[name].standard_uncertainty,
            found[name].degrees_of_freedom,
        )
        for name, unit in units.items()
    ), [check]

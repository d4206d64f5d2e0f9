"""Spiral trace: follows the thread at the ball's contact point over one or more turns.

The order of the steps, and nothing else: clean, qualify, fit harmonics and alignment jointly, turn the gauge's
direction into the surface normal, filter, sum up. ``circle`` takes the same steps without the spiral's
alignment terms.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated

import msgspec
import numpy as np

from edgeagent.analysis.around import quality
from edgeagent.analysis.around.harmonics import (
    CLOSURE_TOLD,
    HarmonicFit,
    amplitude_lift,
    fit_harmonics,
    turns_of,
)
from edgeagent.analysis.around.roundness import root_mean_square, roundness
from edgeagent.analysis.kinds import Request
from edgeagent.analysis.texture.options import RoughnessOptions
from edgeagent.errors import AnalysisError, FitNotConvergedError, InputError, TraceShapeError
from edgeagent.model import (
    Analysis,
    FloatArray,
    Influences,
    QualityCheck,
    Quantity,
    Spectrum,
    Thread,
    Trace,
    TraceHeader,
)

COLUMNS = ("angle_deg", "deviation_um")
OPTIONAL_COLUMNS = ("axial_mm",)
CHARACTERISTICS: Mapping[str, str] = {
    "harmonic_amplitude": "nm",
    "roundness_total": "um",
    "roundness_rms": "um",
    "band_rms": "nm",
    "band_velocity": "um/s",
    "resonance_amplitude": "nm",
    "eccentricity": "um",
    "tilt": "um/turn",
    "lead_mismatch": "um/turn",
    "flank_roughness_ra": "um",
    "flank_roughness_rq": "um",
    "flank_roughness_rz": "um",
}

NEEDS = {
    "band_rms": "bands",
    "band_velocity": "velocity_bands_hz",
    "resonance_amplitude": "running.resonances_hz",
    "flank_roughness_": "roughness",
}

_SPIKE_ROUNDS = 8
Upr = Annotated[int, msgspec.Meta(ge=1, le=100_000)]
Positive = Annotated[float, msgspec.Meta(gt=0)]


class Options(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Recipe keys of a spiral or circle measurement."""

    upr: tuple[Upr, Upr] = (2, 500)
    bands: tuple[tuple[Upr, Upr], ...] = ()
    roughness: RoughnessOptions | None = None
    turns_min: Annotated[float, msgspec.Meta(ge=1)] = 1.0
    turn_agreement_um: Positive = 0.05
    spike_factor: Annotated[float, msgspec.Meta(ge=4)] = 8.0
    surface_angle_deg: Annotated[float, msgspec.Meta(ge=0, le=90)] | None = None
    velocity_bands_hz: tuple[tuple[Positive, Positive], ...] = ()

    def __post_init__(self) -> None:
        asked: list[tuple[str, tuple[float, float]]] = [("upr", self.upr), *(("bands", b) for b in self.bands)]
        for name, pair in [*asked, *(("velocity_bands_hz", b) for b in self.velocity_bands_hz)]:
            if pair[0] >= pair[1]:
                raise ValueError(f"{name} {list(pair)} must rise from low to high")


@dataclass(frozen=True, slots=True)
class Samples:
    """Finite samples of a trace in radians and µm, with what was dropped."""

    angle_rad: FloatArray
    deviation_um: FloatArray
    dropped: int
    points: int

    @property
    def points_per_turn(self) -> float:
        """Samples per turn; 0 for fewer than two samples."""
        turns = turns_of(self.angle_rad)
        return len(self.angle_rad) / turns if turns > 0 else 0.0


def analyse(trace: Trace, request: Request) -> Analysis:
    """Harmonics, roundness, bands, alignment and roughness of a spiral trace.

    ``trace.columns`` holds ``angle_deg`` and ``deviation_um``, optionally ``axial_mm``; ``request.options``
    is Options. Values that cannot be computed are None, with a failed check that says why. Raises nothing
    for a bad part or a bad trace of the right shape.
    """
    return analyse_around(trace, request, spiral=True)


def influences(trace: Trace, request: Request, analysis: Analysis, wanted: frozenset[str]) -> Influences:
    """What scales, tip and eccentricity do to the values; see ``analysis.wave_influences``."""
    from edgeagent.analysis.budget.wave_influences import of_trace  # only where a budget is asked for

    return of_trace(trace, request, analysis, wanted, spiral=True)


def analyse_around(trace: Trace, request: Request, *, spiral: bool) -> Analysis:
    """The steps that spiral and circle share; see ``analyse``."""
    options: Options = request.options
    samples = clean(trace)
    usable = without_stuck(samples)
    judged = float(min(request.judged_upr or options.upr[1], options.upr[1]))
    checks = _checks_before_fit(samples, options, judged)
    checks += _contradictions(trace, request.thread)
    factor, direction = normal_factor(trace.header, request.thread, options, spiral)
    checks.append(direction)
    try:
        fit, residual_um = fit_trace(usable, options, spiral=spiral)
    except (InputError, AnalysisError) as error:
        checks.append(QualityCheck("harmonic_fit", False, None, None, "", str(error)))
        return Analysis(
            tuple(checks), _no_values(options), turns=turns_of(samples.angle_rad), details={"factor": factor}
        )
    upr_high = min(options.upr[1], len(fit.coefficient) - 1)
    spectrum = _spectrum(fit, factor, upr_high)
    quantities = _quantities(fit, factor, options, spiral)
    if spiral and not fit.tilt_told:
        note = (
            "hardly more than one turn: only the slope is taken out; what a tilt adds to it and to the lowest "
            "harmonics cannot be told and is in no uncertainty"
        )
        checks.append(QualityCheck("alignment", True, fit.turns, None, "turns", note))
    checks += _drift_in_one_turn(fit, factor)
    checks.append(quality.spikes(residual_um, options.spike_factor))
    checks += _checks_after_fit(fit, factor, options, spectrum, trace, request, quantities[1].value or 0.0)
    speed, speed_checks = _at_speed(fit, factor, options, request)
    checks += speed_checks
    rough, rough_checks = _roughness(usable, fit, factor, options, trace.header, request.thread)
    return Analysis(
        quality=tuple(checks + rough_checks),
        quantities=quantities + speed + rough,
        spectrum=spectrum,
        turns=fit.turns,
        details={"factor": factor, "noise_from": fit.noise_from, "model_upr": len(fit.coefficient) - 1},
    )


def clean(trace: Trace) -> Samples:
    """Angles in rad and deviations in µm without the samples that are missing."""
    angle, deviation = trace.columns["angle_deg"], trace.columns["deviation_um"]
    finite = np.isfinite(angle) & np.isfinite(deviation)
    kept = int(np.count_nonzero(finite))
    if kept < len(angle):
        angle, deviation = angle[finite], deviation[finite]
    return Samples(np.radians(angle), deviation, trace.points - kept, trace.points)


def without_stuck(samples: Samples) -> Samples:
    """The samples without long runs of one reading: a gauge at its stop says nothing of the surface."""
    if len(samples.deviation_um) < 16:
        return samples
    values, lengths = quality.run_lengths(samples.deviation_um)
    saturation = quality.gauge_saturation(values, lengths)
    frozen = quality.frozen_reading(lengths, samples.points_per_turn)
    bounds = [c.allowed for c in (saturation, frozen) if not c.ok and c.allowed is not None]
    if not bounds:
        return samples
    kept = ~quality.stuck_samples(samples.deviation_um, min(bounds))
    return Samples(samples.angle_rad[kept], samples.deviation_um[kept], samples.dropped, samples.points)


def fit_trace(samples: Samples, options: Options, *, spiral: bool) -> tuple[HarmonicFit, FloatArray]:
    """Fit harmonics far enough above the recipe's band that the Gaussian filter's skirt is in the model.

    At three times the cut-off the filter passes 0.2 %; the model ends there or where the sampling ends.
    Samples far off a first fit are left out of a second one, so that a speck of dust moves no harmonic; the
    residual that comes with the fit has all samples.
    Raises TraceShapeError (less than one turn, too few points) or FitNotConvergedError.
    """
    per_turn = samples.points_per_turn
    carried = int((per_turn - 1) / 2)
    comfortable = max(int(0.4 * per_turn), 1)
    needed = max(min(options.upr[1], carried), 1)
    wanted = max(min(3 * options.upr[1], comfortable), needed)
    try:
        return _fit_without_spikes(samples, wanted, options.spike_factor, spiral)
    except FitNotConvergedError:
        if wanted == needed:
            raise
        return _fit_without_spikes(samples, needed, options.spike_factor, spiral)


def _fit_without_spikes(
    samples: Samples, upr_max: int, factor: float, spiral: bool
) -> tuple[HarmonicFit, FloatArray]:
    """Fit, leave out what lies far off, fit again, until nothing more does.

    A spike rings in the residual around its place and in the other turns, so that only samples of at least
    0.4 of the largest residual go at a time. More than 2 % of far samples are no spikes, and a fit without
    them that the gap makes uncertain is not taken.
    """
    angle, deviation = samples.angle_rad, samples.deviation_um
    fit = fit_harmonics(angle, deviation, upr_max=upr_max, alignment=spiral)
    residual = fit.residual_um
    kept = np.ones(len(angle), dtype=bool)
    for _ in range(_SPIKE_ROUNDS):
        size = np.abs(residual)
        bound = max(factor * quality.robust_scatter_um(residual), 0.4 * float(size[kept].max()))
        far = kept & (size > bound)
        if not np.any(far) or np.count_nonzero(~kept | far) > 0.02 * len(kept):
            break
        kept &= ~far
        try:
            fit = fit_harmonics(angle[kept], deviation[kept], upr_max=upr_max, alignment=spiral)
        except (FitNotConvergedError, TraceShapeError):
            break  # they leave a gap, or less than a turn where its first or last sample is one of them
        residual = fit.residual_at(angle, deviation)
    return fit, residual


def normal_factor(
    header: TraceHeader, thread: Thread | None, options: Options, spiral: bool
) -> tuple[float, QualityCheck]:
    """Factor from the gauge's reading to the displacement normal to the surface, and the check of it.

    A point of the surface that moves by d along its normal is seen by a radial gauge as d / cos α and by an
    axial one as d / (sin α cos ψ), α the contact angle from the radial direction, ψ the lead angle (derived
    here: the normal is cos α along the radius and sin α along the binormal of the helix). On a circle α is
    the recipe's ``surface_angle_deg``, 0 by default (a cylinder).
    """
    if header.sensing == "normal":
        return 1.0, QualityCheck("sensing", True, None, None, "", "read normal to the surface")
    lead_angle = thread.lead_angle_rad if thread is not None and spiral else 0.0
    angle_deg = options.surface_angle_deg
    if angle_deg is None:
        angle_deg = 0.0 if not spiral else thread.contact_angle_deg if thread is not None else None
    if angle_deg is None:
        note = f"read {header.sensing}, but the contact angle is not known: values are as the gauge read them"
        return 1.0, QualityCheck("sensing", False, None, None, "", note)
    angle = np.radians(angle_deg)
    factor = float(np.cos(angle) if header.sensing == "radial" else np.sin(angle) * np.cos(lead_angle))
    if factor < 0.05:
        note = f"a surface at {angle_deg:g} deg cannot be measured by {header.sensing} reading"
        return 1.0, QualityCheck("sensing", False, factor, 0.05, "1", note)
    note = f"read {header.sensing}, times {factor:.6f} for the surface at {angle_deg:g} deg"
    return factor, QualityCheck("sensing", True, factor, 0.05, "1", note)


def track_length_mm(header: TraceHeader, thread: Thread | None) -> float | None:
    """Length of the track over one turn: the helix at the stylus' diameter; None when unknown."""
    diameter = header.track_diameter_mm or (thread.contact_diameter_mm if thread is not None else None)
    if diameter is None:
        return None
    lead = thread.lead_mm if thread is not None and header.kind == "spiral" else 0.0
    return float(np.hypot(np.pi * diameter, lead))


def _checks_before_fit(samples: Samples, options: Options, judged_upr: float) -> list[QualityCheck]:
    checks = [quality.missing_samples(samples.dropped, samples.points)]
    if len(samples.angle_rad) < 16:
        return checks
    step = np.diff(samples.angle_rad)
    per_turn = samples.points_per_turn
    values, lengths = quality.run_lengths(samples.deviation_um)
    return [
        *checks,
        quality.monotonic_angle(step),
        quality.whole_turns(turns_of(samples.angle_rad), per_turn, options.turns_min),
        quality.points_per_undulation(per_turn, judged_upr),
        *quality.regular_spacing(step, judged_upr),
        quality.plausible_range(samples.deviation_um),
        quality.gauge_saturation(values, lengths),
        quality.frozen_reading(lengths, per_turn),
    ]


def _contradictions(trace: Trace, thread: Thread | None) -> list[QualityCheck]:
    """Does the trace fit the thread that the recipe describes?"""
    if thread is None:
        return []
    checks = []
    header = trace.header
    if header.track_diameter_mm is not None and header.kind == "spiral":
        inward = -1.0 if thread.member == "shaft" else 1.0
        off = inward * (header.track_diameter_mm - thread.ball_pitch_circle_mm)
        ok = -0.05 * thread.ball_diameter_mm <= off <= thread.ball_diameter_mm
        note = f"the stylus runs at {header.track_diameter_mm:g} mm; the recipe's ball circle is "
        note += f"{thread.ball_pitch_circle_mm:g} mm and its track lies {'below' if inward < 0 else 'above'} it"
        checks.append(QualityCheck("track_diameter", ok, off, thread.ball_diameter_mm, "mm", note))
    lead = _measured_lead_mm(trace) if header.lead_mm is None else header.lead_mm
    if lead is not None and header.kind == "spiral":
        off = abs(abs(lead) - thread.lead_mm)
        allowed = 0.01 * thread.lead_mm
        note = f"the trace has a lead of {abs(lead):.4f} mm, the recipe {thread.lead_mm:g} mm"
        checks.append(QualityCheck("lead_agreement", off <= allowed, off, allowed, "mm", note))
    return checks


def _measured_lead_mm(trace: Trace) -> float | None:
    """Lead from the axial position over the angle, where the trace records it."""
    if "axial_mm" not in trace.columns:
        return None
    angle, axial = trace.columns["angle_deg"], trace.columns["axial_mm"]
    finite = np.isfinite(angle) & np.isfinite(axial)
    if np.count_nonzero(finite) < 2 or np.ptp(angle[finite]) <= 0:
        return None
    slope = np.polynomial.Polynomial.fit(angle[finite], axial[finite], 1).convert().coef
    return float(slope[1] * 360.0) if len(slope) > 1 else 0.0


def amplitude_uncertainty_um(fit: HarmonicFit) -> FloatArray:
    """Standard uncertainty of the amplitudes of ``fit.coefficient``, order 0 first, shape (N + 1,)."""
    found = fit.standard_uncertainty_um.copy()
    found[1] = fit.eccentricity_uncertainty_um
    return found


def _spectrum(fit: HarmonicFit, factor: float, upr_high: int) -> Spectrum:
    return Spectrum(
        upr=np.arange(1, upr_high + 1),
        amplitude_nm=fit.amplitude_um[:upr_high] * (1000 * factor),
        phase_deg=np.degrees(fit.phase_rad[:upr_high]),
        noise_nm=amplitude_uncertainty_um(fit)[1 : upr_high + 1] * (1000 * factor),
    )


def _quantities(fit: HarmonicFit, factor: float, options: Options, spiral: bool) -> tuple[Quantity, ...]:
    noise = amplitude_uncertainty_um(fit)
    ron = roundness(fit.coefficient * factor, noise * factor, upr_low=options.upr[0], upr_high=options.upr[1])
    eccentricity = float(fit.amplitude_um[0])
    lift = float(amplitude_lift(fit.amplitude_um[:1], noise[1:2])[0])
    values = [
        Quantity("roundness_total", ron.ron_t_um, "um", "", ron.u_ron_t_um),
        Quantity("roundness_rms", ron.ron_q_um, "um", "", ron.u_ron_q_um),
        Quantity("eccentricity", eccentricity, "um", "", float(np.hypot(noise[1], lift))),
    ]
    if spiral:
        tilt = fit.tilt_um_per_turn if fit.tilt_told else None
        slope, spread = fit.slope_um_per_turn, fit.slope_uncertainty_um_per_turn
        values += [
            Quantity("tilt", tilt, "um/turn", "", fit.tilt_uncertainty_um_per_turn),
            Quantity("lead_mismatch", slope, "um/turn", "", spread),
        ]
    amplitude_nm, noise_nm = 1000 * factor * fit.amplitude_um, 1000 * factor * noise[1:]
    for low, high in options.bands:
        inside = slice(low - 1, high)
        rms, u_rms = root_mean_square(amplitude_nm[inside], noise_nm[inside])
        if high > len(amplitude_nm):
            values.append(Quantity("band_rms", None, "nm", f"{low}-{high}"))
        else:
            values.append(Quantity("band_rms", rms, "nm", f"{low}-{high}", u_rms))
    return tuple(values)


def _drift_in_one_turn(fit: HarmonicFit, factor: float) -> list[QualityCheck]:
    """What a single turn tells of a drift while it was measured; nothing for traces that compare turns.

    Never fails: it says what the stated uncertainties contain. Within a spiral's turn a drift cannot be told
    from the lead; a closed profile tells what it does not close by, and no drift that comes back by its end.
    """
    if fit.noise_from != "residual":
        return []
    note = "one turn: a drift while it was measured cannot be told from the profile and is in no uncertainty"
    if fit.closure_um is None or fit.closure_uncertainty_um is None:
        return [QualityCheck("drift_in_one_turn", True, None, None, "um", note)]
    jump, u = factor * abs(fit.closure_um), factor * fit.closure_uncertainty_um
    if jump > CLOSURE_TOLD * u:
        note = (
            f"one turn: it does not close by {1000 * jump:.3g} nm, which counts in the uncertainties as drift"
        )
    else:
        note = (
            f"one turn: it closes within {1000 * CLOSURE_TOLD * u:.3g} nm; smaller drift is in no uncertainty"
        )
    return [QualityCheck("drift_in_one_turn", True, jump, None, "um", note)]


def _at_speed(
    fit: HarmonicFit, factor: float, options: Options, request: Request
) -> tuple[tuple[Quantity, ...], list[QualityCheck]]:
    """Band velocities and amplitudes on resonances, where the recipe asks for them."""
    running, thread = request.running, request.thread
    if not options.velocity_bands_hz and (running is None or not running.resonances_hz):
        return (), []
    from edgeagent.analysis.around import at_speed  # only where a recipe asks for it

    if running is None or running.speed_rpm is None or thread is None:
        note = "values at speed need the recipe's thread and running speed"
        return tuple(
            Quantity("band_velocity", None, "um/s", at_speed.band_name(*b)) for b in options.velocity_bands_hz
        ), [QualityCheck("at_speed", False, None, None, "", note)]
    amplitude = 1000 * factor * fit.amplitude_um
    noise = 1000 * factor * amplitude_uncertainty_um(fit)[1:]
    found = at_speed.band_velocities(amplitude, noise, options.velocity_bands_hz, thread, running)
    found += at_speed.resonance_amplitudes(amplitude, noise, thread, running)
    beyond = [f"{q.name} {q.instance}" for q in found if q.value is None]
    reach = at_speed.hertz_per_upr(thread, running.speed_rpm[0]) * len(amplitude)
    note = f"harmonics to {len(amplitude)} UPR reach {reach:.5g} Hz at {running.speed_rpm[0]:g} rpm"
    if beyond:
        note += f"; not enough for {', '.join(beyond)}"
    return found, [QualityCheck("at_speed", True, reach, None, "Hz", note)]


def _no_values(options: Options) -> tuple[Quantity, ...]:
    names = ("roundness_total", "roundness_rms", "eccentricity")
    bands = tuple(Quantity("band_rms", None, "nm", f"{low}-{high}") for low, high in options.bands)
    return tuple(Quantity(name, None, CHARACTERISTICS[name]) for name in names) + bands


def _checks_after_fit(
    fit: HarmonicFit,
    factor: float,
    options: Options,
    spectrum: Spectrum,
    trace: Trace,
    request: Request,
    ron_q_um: float,
) -> list[QualityCheck]:
    repeats = fit.noise_from == "between harmonics"
    variance = fit.standard_uncertainty_um[2:] ** 2
    band = variance[: options.upr[1] - 1]
    # What lies at the level of most orders is noise that is in all of them alike.
    uneven = max(float(np.sum(band) - len(band) * np.median(variance)), 0.0) if len(band) else 0.0
    differing = factor * float(np.sqrt(fit.turns * uneven)) if repeats else None
    judged = (spectrum.upr >= 2) & (spectrum.upr <= (request.judged_upr or options.upr[1]))
    return [
        quality.turn_agreement(differing, ron_q_um, options.turn_agreement_um),
        quality.tip_reach(
            spectrum.amplitude_nm[judged] / 1000,
            spectrum.upr[judged].astype(np.float64),
            track_length_mm(trace.header, request.thread),
            trace.header.tip_radius_mm,
        ),
    ]


def _roughness(
    samples: Samples,
    fit: HarmonicFit,
    factor: float,
    options: Options,
    header: TraceHeader,
    thread: Thread | None,
) -> tuple[tuple[Quantity, ...], list[QualityCheck]]:
    """Ra, Rq, Rz along the track after the alignment is taken out, on an even grid of the same density."""
    if options.roughness is None:
        return (), []
    from edgeagent.analysis.texture.roughness import roughness  # brings scipy: only where a recipe asks for it

    names = ("flank_roughness_ra", "flank_roughness_rq", "flank_roughness_rz")
    length = track_length_mm(header, thread)
    if length is None:
        note = "roughness needs the track diameter, which neither trace nor recipe gives"
        return tuple(Quantity(n, None, "um") for n in names), [
            QualityCheck("flank_roughness", False, None, None, "", note)
        ]
    order = np.argsort(samples.angle_rad, kind="stable")
    angle = samples.angle_rad[order]
    surface = (samples.deviation_um - fit.alignment_at(samples.angle_rad))[order] * factor
    even = np.linspace(angle[0], angle[-1], len(angle))
    spacing_mm = float(even[1] - even[0]) / (2 * np.pi) * length
    wanted = options.roughness
    try:
        found = roughness(
            np.interp(even, angle, surface),
            spacing_mm,
            lambda_c_mm=wanted.lambda_c_mm,
            lambda_s_mm=wanted.lambda_s_mm,
            section_count=wanted.section_count,
        )
    except (InputError, AnalysisError) as error:
        return tuple(Quantity(n, None, "um") for n in names), [
            QualityCheck("flank_roughness", False, None, None, "", str(error))
        ]
    values = (found.ra_um, found.rq_um, found.rz_um)
    spreads = (found.u_ra_um, found.u_rq_um, found.u_rz_um)
    dof = float(max(found.section_count - 1, 1))
    note = f"{found.section_count} sections of {wanted.lambda_c_mm:g} mm along the track"
    check = QualityCheck("flank_roughness", True, float(found.section_count), 1.0, "sections", note)
    return tuple(
        Quantity(n, v, "um", "", u, math.inf if u is None else dof)
        for n, v, u in zip(names, values, spreads, strict=True)
    ), [check]

"""Spiral trace: follows the thread at the ball's contact point over one or more turns.

The order of the steps, and nothing else: clean, qualify, fit harmonics and alignment jointly, turn the gauge's
direction into the surface normal, filter, sum up. ``circle`` takes the same steps without the spiral's
alignment terms.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from math import inf

from edgeagent.analysis.around import quality
from edgeagent.analysis.around.fitting import clean, fit_trace, run_checks, without_stuck
from edgeagent.analysis.around.options import SpiralOptions
from edgeagent.analysis.around.trace_checks import (
    checks_after_fit,
    checks_before_fit,
    contact_point,
    drift_in_one_turn,
    reference_of,
)
from edgeagent.analysis.around.turns import turn_roundness
from edgeagent.analysis.around.values import (
    null_values,
    orders_of,
    spectrum_of,
    surface_values,
    track_roughness,
    values_at_speed,
)
from edgeagent.analysis.budget.wave_influences import of_trace
from edgeagent.analysis.kinds import Request
from edgeagent.analysis.texture.parameters import PARAMETER_RANGES, PARAMETERS
from edgeagent.analysis.track.contact import contact_of
from edgeagent.analysis.track.sensing import contradictions, normal_factor, track_length_mm
from edgeagent.analysis.waves.harmonics import turns_of
from edgeagent.errors import AnalysisError, InputError
from edgeagent.model import Analysis, Influences, QualityCheck, Quantity, Trace

COLUMNS = ("angle_deg", "deviation_um")
OPTIONAL_COLUMNS = ("axial_mm",)
CHARACTERISTICS: Mapping[str, str] = {
    "harmonic_amplitude": "nm",
    "roundness_total": "um",
    "roundness_peak": "um",
    "roundness_valley": "um",
    "roundness_rms": "um",
    "band_rms": "nm",
    "band_velocity": "um/s",
    "resonance_amplitude": "nm",
    "eccentricity": "um",
    "tilt": "um/turn",
    "lead_mismatch": "um/turn",
    **{f"flank_roughness_{name}": unit for name, unit in PARAMETERS.items()},
}

Options = SpiralOptions
WITHOUT_TURNS = (
    "roundness_total",
    "roundness_peak",
    "roundness_valley",
    "eccentricity",
    "tilt",
    "lead_mismatch",
)
RANGES = {
    **dict.fromkeys(("harmonic_amplitude", "roundness_", "band_", "resonance_", "eccentricity"), (0.0, inf)),
    **{f"flank_roughness_{name}": bounds for name, bounds in PARAMETER_RANGES.items()},
}
NEEDS = {
    "band_rms": "bands",
    "band_velocity": "velocity_bands_hz",
    "resonance_amplitude": "running.resonances_hz",
    "flank_roughness_rmr": "roughness.rmr_c_um",
    "flank_roughness_": "roughness",
}


def analyse(trace: Trace, request: Request) -> Analysis:
    """Harmonics, roundness, bands, alignment and roughness of a spiral trace.

    ``trace.columns`` holds ``angle_deg`` and ``deviation_um``, optionally ``axial_mm``; ``request.options``
    is SpiralOptions. Values that cannot be computed are None, with a failed check that says why. Raises nothing
    for a bad part or a bad trace of the right shape.
    """
    return analyse_around(trace, request, spiral=True)


def influences(trace: Trace, request: Request, analysis: Analysis, wanted: frozenset[str]) -> Influences:
    """What scales, tip and eccentricity do to the values; see ``budget.wave_influences``."""
    return of_trace(trace, request, analysis, wanted, spiral=True)


def analyse_around(trace: Trace, request: Request, *, spiral: bool) -> Analysis:
    """The steps that spiral and circle share; see ``analyse``."""
    options: SpiralOptions = request.options
    samples = clean(trace)
    runs = run_checks(samples)
    usable = without_stuck(samples, runs)
    # No farther than the band: what nobody judges need not be sampled.
    judged = float(min(request.judged_upr or options.upr[1], options.upr[1]))
    checks = checks_before_fit(samples, options, judged, runs)
    checks += contradictions(trace, request.thread)
    factor, direction = normal_factor(trace.header, request.thread, options.surface_angle_deg, spiral)
    checks.append(direction)
    length_mm = track_length_mm(trace.header, request.thread)
    contact = contact_of(
        trace,
        request.thread,
        factor,
        flank=options.flank,
        surface_angle_deg=options.surface_angle_deg,
        spiral=spiral,
        surface=request.surface,
    )
    try:
        found = fit_trace(usable, options, spiral=spiral, contact=contact)
    except (InputError, AnalysisError) as error:
        checks.append(QualityCheck("harmonic_fit", False, None, None, "", str(error)))
        return Analysis(
            tuple(checks), null_values(options), turns=turns_of(samples.angle_rad), details={"factor": factor}
        )
    fit = found.fit
    # The model reaches beyond the band for the filter's sake; those orders are no result.
    upr_high = min(options.upr[1], len(fit.coefficient) - 1)
    spectrum = spectrum_of(fit, factor, upr_high)
    quantities = surface_values(fit, factor, options, spiral)
    if spiral and not fit.has_tilt:
        note = (
            "trace too short to separate tilt from lead error: only the mean slope was removed; the effect of "
            "tilt is not in the uncertainty"
        )
        checks.append(QualityCheck("alignment", True, fit.turns, None, "turns", note))
    checks += contact_point(fit)
    checks += drift_in_one_turn(fit, factor)
    checks += reference_of(options)
    # A dent of one turn is judged as that turn's form, if turns are; else it counts as dust and holds.
    far = found.unexplained_um if request.turns_judged else found.residual_um
    checks.append(quality.spikes(far, options.spike_factor, found.scatter_um))
    checks += checks_after_fit(
        found, factor, options, spectrum, request, length_mm, trace.header.tip_radius_mm,
        next(q.value or 0.0 for q in quantities if q.name == "roundness_rms"),
    )  # fmt: skip
    each: tuple[Quantity, ...] = ()
    if options.turns == "each":
        each = turn_roundness(
            usable,
            found,
            factor,
            upr_low=options.upr[0],
            upr_high=options.upr[1],
            reference=options.reference_circle,
        )
    speed, speed_checks = values_at_speed(fit, factor, options, request.thread, request.running)
    checks += speed_checks
    rough, rough_checks = track_roughness(usable, fit, factor, options, length_mm)
    return Analysis(
        quality=tuple(checks + rough_checks),
        quantities=quantities + each + speed + rough,
        spectrum=spectrum,
        orders=orders_of(fit, factor, upr_high),
        turns=fit.turns,
        details={
            "factor": factor,
            "noise_from": fit.noise_from,
            "model_upr": len(fit.coefficient) - 1,
            **({"surface": asdict(request.surface)} if request.surface is not None else {}),
        },
    )

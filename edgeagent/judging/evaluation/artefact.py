"""A reference artefact's trace against its certificate: what ``evaluate`` does where a header names one.

No state, no disk, no clock.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from edgeagent.analysis.around.artefact import compare_waves, residual_noise, trace_uncertainty
from edgeagent.analysis.kinds import Kind, Request
from edgeagent.codec.configuration.settings import Acceptance, Certificate, Wave
from edgeagent.errors import AnalysisError, TraceShapeError
from edgeagent.model import (
    Analysis,
    Disposition,
    Judgement,
    MeasurementPlan,
    QualityCheck,
    RoundSurface,
    ScalarLimit,
    Spectrum,
    Trace,
)
from edgeagent.model.reasons import Code, Parameter, Reason, reason
from edgeagent.rules.decision import judge
from edgeagent.rules.noise import undecided_by_noise

_MISSING_BELOW = 0.1
"""Share of its certified amplitude below which a wave counts as missing: no gauge loses that much of one."""


@dataclass(frozen=True, slots=True)
class ArtefactEvaluation:
    """A reference artefact's trace against its certificate: accept means that the verification passed.

    ``missing_upr`` are certified waves that the trace does not show; ``incomplete`` says that nothing else
    holds it. ``partial``: some missing waves are not assigned to another feature by the certificate, so they
    may be lost, and the gate closes until files that show them come. ``too_noisy``: nothing but noise keeps the
    waves that it must show from a verdict, so that it neither opens the gate nor closes it.
    """

    analysis: Analysis
    judgement: Judgement
    missing_upr: tuple[int, ...] = ()
    incomplete: bool = False
    partial: bool = False
    too_noisy: bool = False


def evaluate_artefact(
    trace: Trace, kind: Kind, certificate: Certificate | None, rule: str
) -> ArtefactEvaluation:
    """Judge a reference artefact's trace.

    Raises TraceShapeError for a trace that shows no waves; what cannot be analysed is held.
    """
    header = trace.header
    if header.kind not in ("spiral", "circle"):
        raise TraceShapeError(f"artefact traces are spiral or circle, not {header.kind}")
    if certificate is None:
        analysis = _analyse(trace, kind, Request(None, kind.Options()))
        holds = [reason(Code.NO_CERTIFICATE, artefact=header.artefact)]
        return ArtefactEvaluation(analysis, judge(analysis, None, rule, holds=holds))
    reach = _reach_upr(trace)
    # A wave without a feature may be in any file.
    own = [w.upr for w in certificate.wave if w.feature in (None, header.feature)]
    highest = max((upr for upr in own if upr <= reach), default=max(w.upr for w in certificate.wave))
    # At least the usual band: spurious waves are looked for beside the certified ones, too.
    upr_max = max(500, highest)
    analysis = _as_it_lies(trace, kind, certificate, _request(kind, certificate, upr_max, float(highest)))
    holds = []
    if header.measured_at.date() > certificate.valid_until:
        ended = str(certificate.valid_until)
        holds.append(reason(Code.CERTIFICATE_ENDED, certificate=certificate.certificate, valid_until=ended))
    # No recipe's limits: an artefact is judged by its certificate alone.
    plan = MeasurementPlan(header.feature, header.kind, None)
    spectrum = analysis.spectrum
    limits = _limits(certificate.accept)
    if spectrum is None:
        return ArtefactEvaluation(analysis, judge(analysis, plan, rule, extra_limits=limits, holds=holds))
    shown, elsewhere, unnamed = _waves_shown(certificate, header.feature, spectrum, reach)
    absent = elsewhere | unnamed
    analysis = _compare_with(analysis, spectrum, certificate.accept, shown, tuple(absent), upr_max)
    if not shown:
        judgement = judge(analysis, plan, rule, holds=[*holds, *absent.values()])
        return ArtefactEvaluation(analysis, judgement, tuple(absent))
    # A limit on a value that the trace cannot have, such as side bands of no wave, would hold it for ever.
    there = {q.name for q in analysis.quantities}
    limits = [x for x in limits if x.characteristic in there]
    judgement = judge(analysis, plan, rule, extra_limits=limits, holds=holds)
    # Waves that the certificate assigns to another file are not missed here; those that may be lost are.
    noisy = not holds and not unnamed and undecided_by_noise(analysis, judgement)
    if not absent:
        return ArtefactEvaluation(analysis, judgement, too_noisy=noisy)
    # Asked before the missing waves hold it: incomplete means that nothing else does.
    incomplete = judgement.disposition == Disposition.ACCEPT
    judgement = judge(analysis, plan, rule, extra_limits=limits, holds=[*absent.values(), *holds])
    return ArtefactEvaluation(analysis, judgement, tuple(absent), incomplete, bool(unnamed), noisy)


def _request(kind: Kind, certificate: Certificate, upr_max: int, judged_upr: float) -> Request:
    """What the certificate says of the artefact's surface."""
    geometry, thread = certificate.geometry, certificate.thread
    angle = geometry.surface_angle_deg if geometry is not None else None
    return Request(
        None if thread is None else thread.thread,
        kind.Options(upr=(2, upr_max), surface_angle_deg=angle),
        judged_upr=judged_upr,
        surface=None if geometry is None else geometry.round_surface,
    )


def _as_it_lies(trace: Trace, kind: Kind, certificate: Certificate, request: Request) -> Analysis:
    """The analysis over the surface that the certificate states.

    Without a statement the contact turns as on the outside of a cylinder; or not at all where the certified
    waves then have smaller side bands, since some instruments take that out themselves.
    """
    found = _analyse(trace, kind, request)
    if certificate.geometry is not None or certificate.thread is not None or found.spectrum is None:
        return found
    # Without a diameter the contact is not turned in either reading: both are the same.
    if trace.header.track_diameter_mm is None:
        return found
    plain = _analyse(trace, kind, replace(request, surface=RoundSurface(turned=False)))
    turned = _side_bands(found.spectrum, certificate)
    # Reading it the wrong way round moves part of each wave to the orders beside it.
    if plain.spectrum is None or _side_bands(plain.spectrum, certificate) >= turned:
        return found
    note = "read as it stands: over the outside of a cylinder the certified waves would have larger side bands"
    return replace(plain, quality=(*plain.quality, QualityCheck("contact_point", True, None, None, "um", note)))


def _side_bands(spectrum: Spectrum, certificate: Certificate) -> float:
    """Sum of the squares of the waves beside the certified ones."""
    certified = {w.upr for w in certificate.wave}
    beside = {w.upr + d for w in certificate.wave for d in (-1, 1)} - certified
    return float(sum(spectrum.amplitude_nm[n - 1] ** 2 for n in beside if 2 <= n <= len(spectrum.upr)))


def _analyse(trace: Trace, kind: Kind, request: Request) -> Analysis:
    try:
        return kind.analyse(trace, request)
    except AnalysisError as error:
        return Analysis((QualityCheck(trace.header.kind, False, None, None, "", str(error)),), ())


def _limits(accept: Acceptance) -> list[ScalarLimit]:
    """What ``[accept]`` asks of the values; without a limit of their own side bands are spurious waves."""
    side_band_nm = accept.side_band_nm if accept.side_band_nm is not None else accept.spurious_nm
    upper = {
        "spurious_amplitude": accept.spurious_nm,
        "side_band_amplitude": side_band_nm,
        "residual_noise": accept.residual_noise_nm,
    }
    limits = [ScalarLimit(characteristic="en_number", lower=-accept.en_max, upper=accept.en_max)]
    limits += [ScalarLimit(characteristic=name, upper=nm) for name, nm in upper.items() if nm is not None]
    return limits


def _compare_with(
    analysis: Analysis,
    spectrum: Spectrum,
    accept: Acceptance,
    shown: list[Wave],
    absent_upr: tuple[int, ...],
    upr_max: int,
) -> Analysis:
    """The analysis with everything that the certificate asks for."""
    waves = [(w.upr, w.amplitude_nm, w.expanded_uncertainty_nm) for w in shown]
    found = compare_waves(
        spectrum,
        waves,
        upr_max,
        others_upr=absent_upr,
        side_band_upr=accept.side_band_upr,
        orders=analysis.orders,
    )
    if len(spectrum.upr) > 1:  # a trace of a few points has no wave but its eccentricity
        found = (*found, residual_noise(spectrum, min(upr_max, len(spectrum.upr))))
    checks = analysis.quality
    if waves:
        checks = (*checks, trace_uncertainty(spectrum, waves, accept.uncertainty_ratio_max))
    return replace(analysis, quality=checks, quantities=analysis.quantities + found)


def _reach_upr(trace: Trace) -> int:
    """The highest UPR that a model of the trace reaches: 0.4 of its points per turn, below Nyquist."""
    step_deg = np.abs(np.diff(trace.columns["angle_deg"]))
    # Lost samples and an angle that stands still are no spacing.
    step_deg = step_deg[np.isfinite(step_deg) & (step_deg > 0)]
    return int(0.4 * 360.0 / np.median(step_deg)) if len(step_deg) else 0


def _waves_shown(
    certificate: Certificate, feature: str, spectrum: Spectrum, reach_upr: int
) -> tuple[list[Wave], dict[int, Reason], dict[int, Reason]]:
    """The certified waves that a trace shows; those in other features; and those that are not there, with why.

    ``reach_upr`` is as far as the trace's points go. A wave below a tenth of its certified amplitude counts as
    missing if others are found, unless the certificate assigns it to this feature: then E_n judges it.
    """
    shown: list[Wave] = []
    elsewhere: dict[int, Reason] = {}
    unnamed: dict[int, Reason] = {}
    spectrum_upr = len(spectrum.upr)
    end_upr = min(spectrum_upr, reach_upr)
    inside = [w for w in certificate.wave if w.feature in (None, feature) and w.upr <= end_upr]
    amplitude_nm = {w.upr: float(spectrum.amplitude_nm[w.upr - 1]) for w in inside}
    faint = [w for w in inside if amplitude_nm[w.upr] < _MISSING_BELOW * w.amplitude_nm]
    for number, w in enumerate(certificate.wave):
        named: dict[str, Parameter] = {"certificate": certificate.certificate, "wave": number, "upr": w.upr}
        if w.feature is not None and w.feature != feature:
            elsewhere[w.upr] = reason(Code.WAVE_ELSEWHERE, **named, elsewhere=w.feature)
        elif w.upr > end_upr:
            range_upr = reach_upr if w.upr > reach_upr else spectrum_upr
            unnamed[w.upr] = reason(Code.WAVE_BEYOND_RANGE, **named, range_upr=range_upr)
        # All of them faint is a gauge that is wrong, not a file of other waves: then E_n judges them.
        elif w in faint and w.feature is None and len(faint) < len(inside):
            found_nm = amplitude_nm[w.upr]
            unnamed[w.upr] = reason(
                Code.WAVE_FAINT, **named, amplitude_nm=found_nm, certified_nm=w.amplitude_nm
            )
        else:
            shown.append(w)
    return shown, elsewhere, unnamed

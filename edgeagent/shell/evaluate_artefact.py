"""A reference artefact's trace against its certificate: what ``evaluate`` does where a header names one.

No state, no disk, no clock.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from edgeagent.analysis.artefact import compare_waves, residual_noise, trace_uncertainty
from edgeagent.analysis.kinds import Kind, Request
from edgeagent.codec.settings import Acceptance, Certificate, Wave
from edgeagent.errors import AnalysisError, TraceShapeError
from edgeagent.model import (
    Analysis,
    Disposition,
    Judgement,
    MeasurementPlan,
    QualityCheck,
    ScalarLimit,
    Spectrum,
    Trace,
)
from edgeagent.rules.decision import judge

_HARDLY_THERE = 0.1


def evaluate_artefact(
    trace: Trace, kind: Kind, certificate: Certificate | None, rule: str
) -> tuple[Analysis, Judgement, tuple[int, ...], bool]:
    """A reference artefact against its certificate: accept means that the verification passed.

    Also the certified waves that are not in this file, and whether it is held for nothing but those of other
    features. A wave that the trace is too coarse for belongs to no other file: it fails the verification.
    Raises TraceShapeError for a trace that shows no waves; what cannot be analysed is held.
    """
    header = trace.header
    if header.kind not in ("spiral", "circle"):
        raise TraceShapeError(f"artefact traces are spiral or circle, not {header.kind}")
    if certificate is None:
        analysis = _analysed(trace, kind, Request(None, kind.Options()))
        holds = [f"no certificate for artefact {header.artefact}"]
        return analysis, judge(analysis, None, rule, holds=holds), (), False
    reach = _reach_upr(trace)
    own = [w.upr for w in certificate.wave if w.feature in (None, header.feature)]
    highest = max((upr for upr in own if upr <= reach), default=max(w.upr for w in certificate.wave))
    upr_max = max(500, highest)
    options = kind.Options(upr=(2, upr_max))
    analysis = _analysed(trace, kind, Request(None, options, judged_upr=float(highest)))
    holds = []
    if header.measured_at.date() > certificate.valid_until:
        holds.append(f"certificate {certificate.certificate} was valid until {certificate.valid_until}")
    plan = MeasurementPlan(header.feature, header.kind, None)
    spectrum = analysis.spectrum
    if spectrum is None:
        limits = _limits(certificate.accept)
        return analysis, judge(analysis, plan, rule, extra_limits=limits, holds=holds), (), False
    shown, elsewhere, beyond = _waves_shown(certificate, header.feature, len(spectrum.upr), reach)
    absent = elsewhere | beyond
    analysis = _compared(analysis, spectrum, certificate.accept, shown, tuple(absent), upr_max)
    holds += _missing(certificate, spectrum, shown)
    if not shown:
        return analysis, judge(analysis, plan, rule, holds=[*holds, *absent.values()]), tuple(absent), False
    there = {q.name for q in analysis.quantities}
    limits = [x for x in _limits(certificate.accept) if x.characteristic in there]
    judgement = judge(analysis, plan, rule, extra_limits=limits, holds=holds)
    if not absent:
        return analysis, judgement, (), False
    incomplete = judgement.disposition == Disposition.ACCEPT and not beyond
    judgement = judge(analysis, plan, rule, extra_limits=limits, holds=[*absent.values(), *holds])
    return analysis, judgement, tuple(absent), incomplete


def _analysed(trace: Trace, kind: Kind, request: Request) -> Analysis:
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


def _compared(
    analysis: Analysis,
    spectrum: Spectrum,
    accept: Acceptance,
    shown: list[Wave],
    absent_upr: tuple[int, ...],
    upr_max: int,
) -> Analysis:
    """The analysis with everything that the certificate asks for."""
    waves = [(w.upr, w.amplitude_nm, w.expanded_uncertainty_nm) for w in shown]
    found = compare_waves(spectrum, waves, upr_max, others_upr=absent_upr, side_band_upr=accept.side_band_upr)
    if len(spectrum.upr) > 1:  # a trace of a few points has no wave but its eccentricity
        found = (*found, residual_noise(spectrum, min(upr_max, len(spectrum.upr))))
    checks = analysis.quality
    if waves:
        checks = (*checks, trace_uncertainty(spectrum, waves, accept.uncertainty_ratio_max))
    return replace(analysis, quality=checks, quantities=analysis.quantities + found)


def _reach_upr(trace: Trace) -> int:
    """The highest UPR that a model of the trace reaches: 0.4 of its points per turn, below Nyquist."""
    step_deg = np.abs(np.diff(trace.columns["angle_deg"]))
    step_deg = step_deg[np.isfinite(step_deg) & (step_deg > 0)]
    return int(0.4 * 360.0 / np.median(step_deg)) if len(step_deg) else 0


def _waves_shown(
    certificate: Certificate, feature: str, spectrum_upr: int, reach_upr: int
) -> tuple[list[Wave], dict[int, str], dict[int, str]]:
    """The certified waves that a trace shows; where the others are: in other features, or above its range.

    ``spectrum_upr`` ends the spectrum, ``reach_upr`` is as far as the trace's points go.
    """
    shown, elsewhere, beyond = [], {}, {}
    for number, w in enumerate(certificate.wave):
        named = f"certificate {certificate.certificate}: wave[{number}].upr: {w.upr} UPR"
        if w.feature is not None and w.feature != feature:
            elsewhere[w.upr] = f"{named} is not in this file but in feature {w.feature}"
        elif w.upr > min(spectrum_upr, reach_upr):
            range_upr = reach_upr if w.upr > reach_upr else spectrum_upr
            beyond[w.upr] = f"{named} lies above the trace's range of {range_upr} UPR"
        else:
            shown.append(w)
    return shown, elsewhere, beyond


def _missing(certificate: Certificate, spectrum: Spectrum, shown: list[Wave]) -> list[str]:
    """In words, the certified waves of which a trace shows next to nothing; E_n alone does not say it."""
    found = []
    for number, w in enumerate(certificate.wave):
        measured_nm = float(spectrum.amplitude_nm[w.upr - 1]) if w in shown else w.amplitude_nm
        if measured_nm < _HARDLY_THERE * w.amplitude_nm:
            told = f"{w.upr} UPR is hardly there, {measured_nm:.3g} of {w.amplitude_nm:.4g} nm"
            why = "where each file shows some of the waves, the certificate says by `feature` which"
            found.append(f"certificate {certificate.certificate}: wave[{number}].upr: {told}; {why}")
    return found

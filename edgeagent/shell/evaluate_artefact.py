"""A reference artefact's trace against its certificate: what ``evaluate`` does where a header names one.

No state, no disk, no clock.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from edgeagent.analysis.artefact import compare_waves, residual_noise
from edgeagent.analysis.kinds import Kind, Request
from edgeagent.codec.settings import Certificate, Wave
from edgeagent.errors import TraceShapeError
from edgeagent.model import Analysis, Disposition, Judgement, MeasurementPlan, ScalarLimit, Trace
from edgeagent.rules.decision import judge


def evaluate_artefact(
    trace: Trace, kind: Kind, certificate: Certificate | None, rule: str
) -> tuple[Analysis, Judgement, tuple[int, ...], bool]:
    """A reference artefact against its certificate: accept means that the verification passed.

    Also the certified waves that are not in this file, and whether nothing else holds it.
    """
    header = trace.header
    if header.kind not in ("spiral", "circle"):
        raise TraceShapeError(f"artefact traces are spiral or circle, not {header.kind}")
    if certificate is None:
        options = kind.Options()
        analysis = kind.analyse(trace, Request(None, options))
        holds = [f"no certificate for artefact {header.artefact}"]
        return analysis, judge(analysis, None, rule, holds=holds), (), False
    reach = _reach_upr(trace)
    own = [w.upr for w in certificate.wave if w.feature in (None, header.feature)]
    highest = max((upr for upr in own if upr <= reach), default=max(w.upr for w in certificate.wave))
    upr_max = max(500, highest)
    analysis = kind.analyse(trace, Request(None, kind.Options(upr=(2, upr_max)), judged_upr=float(highest)))
    holds = []
    if header.measured_at.date() > certificate.valid_until:
        holds.append(f"certificate {certificate.certificate} was valid until {certificate.valid_until}")
    accept = certificate.accept
    limits = [ScalarLimit(characteristic="en_number", lower=-accept.en_max, upper=accept.en_max)]
    if accept.spurious_nm is not None:
        limits.append(ScalarLimit(characteristic="spurious_amplitude", upper=accept.spurious_nm))
    if accept.side_band_nm is not None:
        limits.append(ScalarLimit(characteristic="side_band_amplitude", upper=accept.side_band_nm))
    if accept.residual_noise_nm is not None:
        limits.append(ScalarLimit(characteristic="residual_noise", upper=accept.residual_noise_nm))
    plan = MeasurementPlan(header.feature, header.kind, None)
    spectrum = analysis.spectrum
    if spectrum is None:
        return analysis, judge(analysis, plan, rule, extra_limits=limits, holds=holds), (), False
    shown, absent = _waves_shown(certificate, header.feature, min(len(spectrum.upr), reach))
    near = accept.side_band_upr if accept.side_band_nm is not None else 0
    waves = [(w.upr, w.amplitude_nm, w.expanded_uncertainty_nm) for w in shown]
    found = compare_waves(spectrum, waves, upr_max, others_upr=tuple(absent), side_band_upr=near)
    found = (*found, residual_noise(spectrum, min(upr_max, len(spectrum.upr))))
    analysis = replace(analysis, quantities=analysis.quantities + found)
    if not waves:
        return analysis, judge(analysis, plan, rule, holds=[*holds, *absent.values()]), tuple(absent), False
    if near and not any(q.name == "side_band_amplitude" for q in found):
        limits = [x for x in limits if x.characteristic != "side_band_amplitude"]
    judgement = judge(analysis, plan, rule, extra_limits=limits, holds=holds)
    if not absent:
        return analysis, judgement, (), False
    incomplete = judgement.disposition == Disposition.ACCEPT
    judgement = judge(analysis, plan, rule, extra_limits=limits, holds=[*absent.values(), *holds])
    return analysis, judgement, tuple(absent), incomplete


def _reach_upr(trace: Trace) -> int:
    """The highest UPR that a model of the trace reaches: 0.4 of its points per turn, below Nyquist."""
    step_deg = np.abs(np.diff(trace.columns["angle_deg"]))
    step_deg = step_deg[np.isfinite(step_deg) & (step_deg > 0)]
    return int(0.4 * 360.0 / np.median(step_deg)) if len(step_deg) else 0


def _waves_shown(certificate: Certificate, feature: str, upr_highest: int) -> tuple[list[Wave], dict[int, str]]:
    """The certified waves that a trace shows, and why it does not show the others."""
    shown, absent = [], {}
    for w in certificate.wave:
        if w.feature is not None and w.feature != feature:
            absent[w.upr] = f"the certified wave of {w.upr} UPR is not in this file but in feature {w.feature}"
        elif w.upr > upr_highest:
            absent[w.upr] = (
                f"the certified wave of {w.upr} UPR lies above the trace's range of {upr_highest} UPR"
            )
        else:
            shown.append(w)
    return shown, absent

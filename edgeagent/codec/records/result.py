"""A judged file as the ``edgeagent.result/1`` object, and the short forms that journal and MQTT carry."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any

import msgspec
import numpy as np

from edgeagent.model import (
    Analysis,
    Characteristic,
    FloatArray,
    JudgedSpectrum,
    Judgement,
    QualityCheck,
    Trace,
    Verdict,
)

SCHEMA = "edgeagent.result/1"
"""Version of the result's form: members may be added under it, not renamed or given another meaning."""
VALUES_VERSION = 5
"""Version of what the values mean: raised when a better analysis gives other numbers for the same trace, so
that a replay can distinguish a better program from a store that was changed. README lists what each changed."""
_ORDER = {
    Verdict.NONCONFORMING: 0,
    Verdict.INCONCLUSIVE: 1,
    Verdict.CAUTION: 2,
    Verdict.CONFORMING: 3,
    Verdict.UNJUDGED: 4,
}


def result_object(
    *,
    source: Mapping[str, Any],
    trace: Trace,
    recipe: Mapping[str, Any] | None,
    version: str,
    analysis: Analysis,
    judgement: Judgement,
    sentences: Sequence[str],
    judged_from: Mapping[str, Any] | None = None,
) -> dict[str, Any]:
    """The full result as JSON values; arrays become lists, numbers that are not finite become null.

    ``sentences`` are the judgement's reasons in words, ``judged_from`` what else a part was judged from.
    """
    spectrum = judgement.spectrum
    found = {
        "schema": SCHEMA,
        "source": dict(source),
        "trace": trace_object(trace, analysis),
        "recipe": None if recipe is None else dict(recipe),
        "software": {"version": version, "values": VALUES_VERSION},
        "quality": [quality_object(c) for c in analysis.quality],
        "characteristics": [characteristic_object(c) for c in judgement.characteristics],
        "spectrum": None if spectrum is None else _spectrum_object(spectrum),
        "orders": None if judgement.orders is None else _orders_object(judgement.orders),
        "disposition": judgement.disposition.value,
        "reasons": list(sentences),
        "reason_codes": msgspec.to_builtins(judgement.reasons),
        "details": dict(analysis.details),
    }
    return found if judged_from is None else {**found, "judged_from": dict(judged_from)}


def trace_object(trace: Trace, analysis: Analysis) -> dict[str, Any]:
    """What the trace is, for results, journal and messages; optional keys only where they are stated."""
    header = trace.header
    found: dict[str, Any] = {"kind": header.kind}
    if header.artefact is not None:
        found["artefact"] = header.artefact
    else:
        found |= {"part": header.part, "serial": header.serial}
    # With the instrument's own offset, as its export says it: UTC alone would hide a wrong clock.
    found |= {"feature": header.feature, "measured_at": header.measured_at.isoformat().replace("+00:00", "Z")}
    found |= {"points": trace.points, "turns": analysis.turns}
    for key in ("instrument", "operator", "order", "remark"):
        value = getattr(header, key)
        if value is not None:
            found[key] = value
    if header.extra:
        found["extra"] = dict(header.extra)
    return found


def quality_object(check: QualityCheck) -> dict[str, Any]:
    """One quality check as JSON values."""
    return {
        "check": check.check,
        # numpy's own truth value is no JSON.
        "ok": bool(check.ok),
        "value": check.value,
        "allowed": check.allowed,
        "unit": check.unit,
        "note": check.note,
    }


def characteristic_object(c: Characteristic) -> dict[str, Any]:
    """One characteristic as JSON values.

    ``caution_lower`` only where two cautions bound the value; ``conformance_probability`` only where it is
    judged, null where its uncertainty is not known or is the noise of the trace alone (``noise_only``).
    """
    found = {
        "name": c.name,
        "instance": c.instance,
        "value": c.value,
        "unit": c.unit,
        "expanded_uncertainty": c.expanded_uncertainty,
        "lower": c.lower,
        "upper": c.upper,
        "caution": c.caution,
        "verdict": c.verdict.value,
    }
    if c.caution_lower is not None:
        found["caution_lower"] = c.caution_lower
    if c.verdict != Verdict.UNJUDGED:
        found["conformance_probability"] = c.conformance_probability
    if c.noise_only:
        found["noise_only"] = True
    return found


def key_characteristics(characteristics: Sequence[Characteristic], count: int) -> list[dict[str, Any]]:
    """The ``count`` characteristics that matter most: worst verdict first, in the order of the result."""
    # Stable, so that characteristics of the same verdict keep the order of the result.
    ranked = sorted(characteristics, key=lambda c: _ORDER[c.verdict])
    return [characteristic_object(c) for c in ranked[:count]]


def encode(value: Any) -> bytes:
    """JSON bytes; the same value gives the same bytes on every machine (shortest decimal form)."""
    return msgspec.json.encode(value)


def _orders_object(judged: JudgedSpectrum) -> dict[str, list[float | None]]:
    """The waves between whole orders, strongest first."""
    lines = judged.spectrum
    own = lines.noise_nm if judged.uncertainty_nm is None else judged.uncertainty_nm
    found = {"upr": lines.upr, "amplitude_nm": lines.amplitude_nm, "noise_nm": own, "upper_nm": judged.upper_nm}
    return {k: [v if math.isfinite(v) else None for v in values.tolist()] for k, values in found.items()}


def _spectrum_object(judged: JudgedSpectrum) -> dict[str, list[Any]]:
    spectrum = judged.spectrum

    def plain(values: FloatArray) -> list[float | None]:
        numbers: list[float] = values.tolist()
        # Most spectra have no gap, and asking each of 1,500 orders in Python costs more than encoding them.
        if np.all(np.isfinite(values)):
            return [*numbers]
        return [v if math.isfinite(v) else None for v in numbers]

    found = {
        "upr": spectrum.upr.tolist(),
        "amplitude_nm": plain(spectrum.amplitude_nm),
        "phase_deg": plain(spectrum.phase_deg),
        "noise_nm": plain(spectrum.noise_nm),
        "upper_nm": plain(judged.upper_nm),
        "caution_nm": plain(judged.caution_nm),
    }
    if judged.uncertainty_nm is not None:
        found["uncertainty_nm"] = plain(judged.uncertainty_nm)
    return found

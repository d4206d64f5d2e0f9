"""Bodies of journal records, small enough for their line whatever a trace contains."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from dataclasses import asdict
from typing import Any

import numpy as np

from edgeagent import __version__
from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.record import LINE_BYTES_MAX
from edgeagent.codec.records.result import encode, key_characteristics, trace_object
from edgeagent.errors import InputError, TraceFormatError
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.evaluate import Evaluation
from edgeagent.judging.found_file import FoundFile
from edgeagent.rules.part_set import PartDecision, PartSet

_BODY_BYTES_MAX = LINE_BYTES_MAX - 400


def fitted(body: dict[str, Any]) -> dict[str, Any]:
    """The body cut down until its line fits; what is cut stands in full in the archived result."""
    cuts = (("characteristics", 6), ("reasons", 6), ("quality_failed", 4), ("characteristics", 2))
    for key, count in (*cuts, ("reasons", 3), ("sources", 8), ("sources", 3)):
        if len(encode(body)) <= _BODY_BYTES_MAX:
            return body
        if key in body:
            body = {**body, key: list(body[key])[:count]}
    for length in (120, 40):
        if len(encode(body)) > _BODY_BYTES_MAX:
            body = {k: v if k == "source" else _shortened(v, length) for k, v in body.items()}
    return body


def _shortened(value: Any, length: int) -> Any:
    """Texts that a file brought along, cut; names, digests and short words stay whole."""
    if isinstance(value, str):
        return value if len(value) <= 128 else value[:length] + "…"
    if isinstance(value, Mapping):
        return {k: _shortened(v, length) for k, v in value.items() if k != "extra"}
    if isinstance(value, list | tuple):
        return [_shortened(v, length) for v in value]
    return value


def source_of(file: FoundFile) -> dict[str, Any]:
    """Where a file was, what it was and how it looked."""
    readable = file.data or file.problem is None
    source: dict[str, Any] = {
        "name": file.name,
        "folder": file.folder,
        "sha256": (file.sha256 or digest_of(file.data)) if readable else None,
        "bytes": file.look.size,
        "look": [file.look.size, file.look.mtime_ns, file.look.ctime_ns, file.look.inode],
    }
    if file.side is not None:
        source["side_sha256"] = digest_of(file.side)
    if file.unclosed_s is not None:
        source["unclosed_s"] = file.unclosed_s
    return source


def measurement_body(
    settled_at: float,
    source: Mapping[str, Any],
    evaluation: Evaluation,
    configuration: Configuration,
    result_sha256: str,
    decided_at: float,
) -> dict[str, Any]:
    """A ``measurement`` record: enough to find everything it was decided from, and to fold the part's set."""
    header, uncertainty = evaluation.trace.header, evaluation.uncertainty
    layout = configuration.layouts.get(evaluation.layout or "")
    failed = [{"check": c.check, "note": c.note} for c in evaluation.analysis.quality if not c.ok]
    return fitted(
        {
            "source": dict(source),
            "trace": trace_object(evaluation.trace, evaluation.analysis),
            "recipe": dict(evaluation.recipe.identity) if evaluation.recipe else None,
            "layout": {"name": evaluation.layout, "sha256": layout[1].sha256} if layout else None,
            "certificate_sha256": evaluation.certificate,
            "rule": configuration.settings.decision.policy.text,
            "software": {"version": __version__, "numpy": np.__version__},
            "result_sha256": result_sha256,
            "instrument": header.instrument or configuration.settings.station.name,
            "required": list(evaluation.required),
            "quality_failed": failed[:12],
            "characteristics": key_characteristics(evaluation.judgement.characteristics, 12),
            "disposition": evaluation.judgement.disposition.value,
            "reasons": list(evaluation.judgement.reasons)[:12],
            "settled_at": settled_at,
            "decided_at": decided_at,
            **(_artefact_members(evaluation, configuration) if header.artefact is not None else {}),
            **({"uncertainty": asdict(uncertainty)} if uncertainty is not None else {}),
        }
    )


def _artefact_members(evaluation: Evaluation, configuration: Configuration) -> dict[str, Any]:
    """Errors of the certified waves, which of them are not in the file, and how long others may be ago."""
    found = evaluation.judgement.characteristics
    members: dict[str, Any] = {"errors_nm": {c.instance: c.value for c in found if c.name == "amplitude_error"}}
    if evaluation.missing_upr:
        accept = configuration.certificates[str(evaluation.trace.header.artefact)][0].accept
        members |= {
            "missing_upr": list(evaluation.missing_upr),
            "incomplete": evaluation.incomplete,
            "partial": evaluation.partial,
            "window_h": accept.window_h,
        }
    return members


def disposition_body(state: PartSet, decision: PartDecision, gate: str | None) -> dict[str, Any]:
    """A ``disposition`` record of one part."""
    results = list(state.results.values())
    key = [c for r in results for c in r.key]
    body: dict[str, Any] = {
        "part": state.part,
        "serial": state.serial,
        "disposition": decision.disposition.value,
        "reasons": list(decision.reasons),
        "characteristics": sorted(key, key=lambda c: _URGENCY[c["verdict"]])[:8],
        "sources": [dict(r.source) for r in results],
        "missing": list(state.missing),
        "settled_at": decision.settled_at,
    }
    if state.remeasured:
        body["remeasured"] = list(state.remeasured)
    if state.disposed_seq is not None:
        body["replaces"] = state.disposed_seq
    if gate is not None:
        body["gate"] = gate
    return fitted(body)


_URGENCY = {"nonconforming": 0, "inconclusive": 1, "caution": 2, "conforming": 3, "unjudged": 4}


def verification_body(
    body: Mapping[str, Any], valid_until: str | None, counted_from: str | None = None
) -> dict[str, Any]:
    """A ``verification`` record from the measurement record of the artefact's trace.

    ``counted_from`` is set where the file completes a set of files that passed together: the oldest one's time.
    """
    trace = body["trace"]
    together = counted_from is not None
    missing = body.get("missing_upr")
    members: dict[str, Any] = {}
    if missing:
        members = {
            "missing_upr": missing,
            "incomplete": bool(body["incomplete"]) and not together,
            "partial": bool(body.get("partial", False)),
        }
        if together:
            members["counted_from"] = counted_from
    return fitted(
        {
            "artefact": trace["artefact"],
            "certificate_sha256": body["certificate_sha256"],
            "instrument": body["instrument"],
            "passed": body["disposition"] == "accept" or together,
            "reasons": body["reasons"],
            "characteristics": body["characteristics"],
            **members,
            "measured_at": trace["measured_at"],
            "valid_until": valid_until,
            "errors_nm": body.get("errors_nm", {}),
            "source": {"name": body["source"]["name"], "sha256": body["source"]["sha256"]},
        }
    )


def quarantine_body(source: Mapping[str, Any], error: InputError, settled_at: float) -> dict[str, Any]:
    """A ``quarantine`` record: file, line, what was expected, in words for a technician."""
    body: dict[str, Any] = {
        "source": dict(source),
        "error": type(error).__name__,
        "reason": f"{source['name']}: {error}"[:1000],
        "settled_at": settled_at,
    }
    if isinstance(error, TraceFormatError):
        body |= {"line": error.line, "expected": error.expected[:300]}
    return fitted(body)


def start_body(boot: int) -> dict[str, Any]:
    """A ``start`` record: which software on which platform."""
    return {
        "boot": boot,
        "version": __version__,
        "python": platform.python_version(),
        "numpy": np.__version__,
        "machine": platform.machine(),
    }


def configuration_body(configuration: Configuration) -> tuple[bytes, dict[str, Any]]:
    """The manifest of all configuration files for the archive, and the ``configuration`` record naming it."""
    manifest = encode([{"name": d.name, "sha256": d.sha256} for d in configuration.documents()])
    return manifest, {
        "agent_sha256": configuration.document.sha256,
        "manifest_sha256": digest_of(manifest),
        "recipes": len(configuration.recipes),
        "layouts": len(configuration.layouts),
        "artefacts": len(configuration.certificates),
        "rule": configuration.settings.decision.policy.text,
    }

"""Journal records for tests: invented members over invented defaults, through the decoder that readers use."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from typing import Any

from edgeagent.codec.records.record import GENESIS, Record, decode_body, encode_record
from edgeagent.model.records import AnyBody, Unknown

TIME = "2026-03-02T10:00:00.000000Z"
SHA256 = "ab" * 32
CHARACTERISTIC = {
    "name": "roundness_total", "instance": "", "value": 1.0, "unit": "um", "expanded_uncertainty": 0.1,
    "lower": None, "upper": 1.2, "caution": None, "verdict": "conforming",
}  # fmt: skip
SOURCE = {"name": "a.txt", "folder": "inbox", "sha256": SHA256, "bytes": 10, "look": [1, 2, 3, 4]}
TRACE = {
    "kind": "spiral", "feature": "left-flank", "measured_at": "2026-03-02T09:41:07+00:00",
    "points": 10, "turns": 3.0,
}  # fmt: skip
DEFAULTS: dict[str, dict[str, Any]] = {
    "start": {"boot": 1, "version": "0", "python": "3", "numpy": "2", "machine": "x"},
    "stop": {"published": 0},
    "checkpoint": {"published": 0},
    "configuration": {
        "agent_sha256": SHA256, "manifest_sha256": SHA256, "recipes": 1, "layouts": 0, "artefacts": 0,
        "rule": "guarded",
    },
    "measurement": {
        "source": SOURCE, "trace": TRACE, "recipe": None, "layout": None, "certificate_sha256": None,
        "rule": "guarded", "software": {"version": "0"}, "result_sha256": SHA256, "instrument": "gauge-1",
        "required": [], "quality_failed": [], "characteristics": [], "disposition": "accept", "reasons": [],
        "settled_at": 1.0, "decided_at": 2.0,
    },
    "disposition": {
        "part": "P", "serial": "1", "disposition": "accept", "reasons": [], "characteristics": [],
        "sources": [], "missing": [], "settled_at": 1.0,
    },
    "verification": {
        "artefact": "MW-03", "certificate_sha256": SHA256, "instrument": "gauge-1", "passed": True,
        "reasons": [], "characteristics": [], "measured_at": "2026-03-02T09:41:07+00:00",
        "valid_until": None, "errors_nm": {},
        "source": {"name": "artefact.txt", "sha256": SHA256},
    },
    "quarantine": {"source": SOURCE, "error": "TraceFormatError", "reason": "a.txt: empty", "settled_at": 1.0},
    "acknowledgement": {"seq": 1, "who": "line", "matched": True},
    "recovery": {"what": "x", "reason": "y"},
    "identity": {"what": "x"},
    "sealing": {
        "first": 1, "last": 9, "contents": 3, "file": "records-1-9.sealed", "root": SHA256,
        "manifest_sha256": SHA256,
    },
}  # fmt: skip


def body_of(kind: str, members: Mapping[str, Any] | None = None) -> AnyBody:
    """A body of that kind; members of ``source``, ``trace`` and characteristics are filled up as well."""
    body = {**DEFAULTS[kind], **(members or {})}
    for name, whole in (("source", DEFAULTS[kind].get("source")), ("trace", TRACE)):
        if isinstance(body.get(name), Mapping) and whole is not None:
            body[name] = {**whole, **body[name]}
    if kind == "measurement" and "artefact" not in body["trace"]:
        body["trace"] = {"part": "P", "serial": "1", **body["trace"]}
    for name, whole in (
        ("characteristics", CHARACTERISTIC),
        ("quality_failed", {"check": "spikes", "note": ""}),
    ):
        if name in body:
            body[name] = [{**whole, **each} for each in body[name]]
    found = decode_body(kind, json.dumps(body).encode())
    assert not isinstance(found, Unknown), f"no {kind} record: {body}"
    return found


def record_of(kind: str, members: Mapping[str, Any] | None = None, *, seq: int = 1, time: str = TIME) -> Record:
    """A record that holds such a body."""
    return encode_record(seq, time, GENESIS, body_of(kind, members))[1]


def line_of(seq: int, time: str, kind: str, prev: str, body: Mapping[str, Any]) -> tuple[bytes, str]:
    """A line (with line feed) of any body and its hash, by the written definition alone."""
    members = {"seq": seq, "time": time, "kind": kind, "prev": prev, "body": body}
    head = json.dumps(members, separators=(",", ":"), ensure_ascii=False).encode()[:-1]
    digest = hashlib.sha256(head).hexdigest()
    return head + b',"hash":"' + digest.encode() + b'"}\n', digest

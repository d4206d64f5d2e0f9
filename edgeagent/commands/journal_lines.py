"""Journal records as lines for a reader."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import msgspec

from edgeagent.codec.plain_text import clean, verification_text
from edgeagent.codec.records.record import Record
from edgeagent.codec.records.result import encode
from edgeagent.store.journal import JournalReader
from edgeagent.store.verify import journal_folder


def record_lines(
    folder: Path,
    *,
    as_json: bool = False,
    part: object = None,
    serial: object = None,
    kind: object = None,
    since: object = None,
    until: object = None,
) -> Iterator[str]:
    """Records that fit all filters, one line each. Raises JournalCorruptError where the journal is damaged."""
    for record, _ in JournalReader(journal_folder(folder)).walk():
        body = record.members
        who = {**body, **body.get("trace", {})}
        if kind is not None and record.kind != kind:
            continue
        if (part is not None and who.get("part") != part) or (
            serial is not None and who.get("serial") != serial
        ):
            continue
        moment = datetime.fromisoformat(record.time)
        if isinstance(since, datetime) and moment < since.replace(tzinfo=since.tzinfo or UTC):
            continue
        if isinstance(until, datetime) and moment >= until.replace(tzinfo=until.tzinfo or UTC):
            continue
        yield _json_line(record) if as_json else _line(record)


def _json_line(record: Record) -> str:
    members = {name: getattr(record, name) for name in ("seq", "time", "kind", "prev")}
    members |= {"body": msgspec.Raw(record.raw), "hash": record.hash}
    return encode(members).decode()


def _line(record: Record) -> str:
    return (
        f"{record.seq:>7}  {record.time[:23]}Z  {record.kind:<15}  {clean(_words(record.kind, record.members))}"
    )


def _words(kind: str, body: Mapping[str, Any]) -> str:
    if kind == "measurement":
        trace = body["trace"]
        who = trace.get("artefact") or f"{trace.get('part')} {trace.get('serial')}"
        why = f": {body['reasons'][0]}" if body["reasons"] else ""
        return f"{who} {trace['feature']} from {body['source']['name']}: {body['disposition']}{why}"
    if kind == "disposition":
        why = f": {'; '.join(body['reasons'][:2])}" if body["reasons"] else ""
        return f"{body['part']} {body['serial']}: {body['disposition'].upper()}{why}"
    if kind == "verification":
        why = f": {body['reasons'][0]}" if body["reasons"] else ""
        return f"{body['instrument']} with {body['artefact']}: {verification_text(body)}{why}"
    if kind == "quarantine":
        return str(body["reason"])
    if kind == "acknowledgement":
        if body.get("what") == "release":
            return f"release of record {body['seq']} by {body['who']}: {body['why']}"
        if body.get("what") == "release-refused":
            asked = f" of {body['part']} {body['serial']}" if "part" in body else ""
            return f"release{asked} asked for by {body['who']}, refused: {body['reason']}"
        return f"record {body['seq']} by {body['who']}" + ("" if body["matched"] else " (nothing was latched)")
    if kind == "recovery":
        return f"{body['what']}: {body['reason']}"
    if kind == "start":
        return f"boot {body['boot']}, software {body['version']}"
    if kind == "configuration":
        counts = ", ".join(f"{body[k]} {k}" for k in ("recipes", "layouts", "artefacts"))
        return f"{counts}, rule {body['rule']}"
    return f"delivered up to {body.get('published')}"

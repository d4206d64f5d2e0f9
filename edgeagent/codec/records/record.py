"""Journal records to bytes and back: one step of the hash chain, and the only place that looks into a body.

A line is one JSON object ``{"seq":…,"time":…,"kind":…,"prev":…,"body":{…},"hash":"…"}`` and a line feed.
``hash`` is the SHA-256 of the line's bytes before ``,"hash":``, and ``prev`` the former line's hash, so that
the chain can be checked with any JSON reader and any SHA-256 (FIPS 180-4).

A decoded ``Record`` has its body as one of the structs of ``model.records``: ask
``isinstance(record.body, Measurement)`` and use its members. What fits none of them is ``Unknown``;
``Record.raw`` holds every body's bytes.
"""

from __future__ import annotations

import contextlib
import hashlib
import json
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import msgspec

from edgeagent.model.records import (
    Acknowledgement,
    Adoption,
    AnyBody,
    Checkpoint,
    ConfigurationRead,
    ConfigurationRejected,
    DriftSignal,
    Identity,
    Measurement,
    PartDisposition,
    PersonalAcknowledgement,
    Quarantine,
    Recovery,
    Release,
    ReleaseRefusal,
    Sealing,
    Start,
    Stop,
    TailCut,
    Unknown,
    Verification,
)

GENESIS = "0" * 64
"""``prev`` of the first record."""
# Whatever a damaged segment holds, a reader takes in no more than this for one line.
LINE_BYTES_MAX = 8192
_BODIES: dict[str, type[AnyBody]] = {
    b.KIND: b
    for b in (
        Start,
        Stop,
        Checkpoint,
        ConfigurationRead,
        Measurement,
        PartDisposition,
        Verification,
        Quarantine,
        Acknowledgement,
        Recovery,
        Identity,
        Sealing,
    )
}
KINDS = frozenset(_BODIES)
"""Kinds of records that this version writes."""
_BY_WHAT: dict[tuple[str, str], type[AnyBody]] = {
    ("acknowledgement", "acknowledge"): PersonalAcknowledgement,
    ("acknowledgement", "release"): Release,
    ("acknowledgement", "release-refused"): ReleaseRefusal,
    ("recovery", "configuration-rejected"): ConfigurationRejected,
    ("recovery", "journal-tail-cut"): TailCut,
    ("recovery", "drift"): DriftSignal,
    ("identity", "adopted"): Adoption,
}
"""Bodies that ``what`` distinguishes from others of their kind."""
_WITH_WHAT = frozenset(kind for kind, _ in _BY_WHAT)
_MARK = b',"hash":"'
_END = b'"}'
_MEMBERS = ("seq", "time", "kind", "prev", "body")


class _RecordLine(msgspec.Struct, frozen=True):
    """All of a line but its hash."""

    seq: int
    time: str
    kind: str
    prev: str
    body: msgspec.Raw


class _What(msgspec.Struct, frozen=True):
    what: str = ""


_LINE_DECODER = msgspec.json.Decoder(_RecordLine)
_WHAT_DECODER = msgspec.json.Decoder(_What)
_DECODERS: dict[type[AnyBody], msgspec.json.Decoder[AnyBody]] = {
    kind: msgspec.json.Decoder(kind) for kind in (*_BODIES.values(), *_BY_WHAT.values())
}
_UNREADABLE = (msgspec.MsgspecError, ValueError, OverflowError, RecursionError)
"""What a decoder raises for bytes that somebody else wrote: deep nesting and endless digits among them."""


@dataclass(frozen=True, slots=True)
class Record:
    """One journal record. ``raw`` holds the body's JSON as it stands on disk."""

    seq: int
    time: str
    kind: str
    prev: str
    body: AnyBody
    hash: str
    raw: bytes


@dataclass(frozen=True, slots=True)
class Place:
    """Where a record ends: segment name and byte offset behind its line feed."""

    segment: str
    offset: int


class RecordError(ValueError):
    """A line is not a record, or not the one that must follow; the text says why."""


def utc_text(moment: datetime) -> str:
    """RFC 3339 in UTC with microseconds, the way every record writes time."""
    return moment.astimezone(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def utc_text_of(posix_s: float) -> str:
    """The same of POSIX seconds."""
    return utc_text(datetime.fromtimestamp(posix_s, UTC))


def encode_body(body: AnyBody) -> bytes:
    """The JSON of a body as its record holds it."""
    return msgspec.json.encode(body)


def encode_record(seq: int, time: str, prev: str, body: AnyBody) -> tuple[bytes, Record]:
    """The line (with line feed) and the record.

    Raises RecordError for an ``Unknown`` body, which is never written, and when the line would exceed
    LINE_BYTES_MAX.
    """
    if isinstance(body, Unknown):
        raise RecordError(f"a {body.kind!r} record of another version cannot be written")
    raw = encode_body(body)
    # Without its closing brace, behind which the hash goes: the hash is over what stands before it in the line.
    head = msgspec.json.encode(_RecordLine(seq, time, body.KIND, prev, msgspec.Raw(raw)))[:-1]
    digest = hashlib.sha256(head).hexdigest()
    line = head + _MARK + digest.encode() + _END + b"\n"
    if len(line) > LINE_BYTES_MAX:
        raise RecordError(f"a {body.KIND} record of {len(line)} bytes; at most {LINE_BYTES_MAX} are allowed")
    return line, Record(seq, time, body.KIND, prev, body, digest, raw)


def decode_record(line: bytes) -> Record:
    """The record of one line without its line feed, its own hash checked. Raises RecordError."""
    if len(line) > LINE_BYTES_MAX:
        raise RecordError("the line is longer than a record may be")
    # From the end: a body may hold the text ,"hash":" too.
    cut = len(line) - len(_END) - 64 - len(_MARK)
    if cut < 2 or line[cut : cut + len(_MARK)] != _MARK or line[-len(_END) :] != _END:
        raise RecordError("the line does not end with a hash")
    stated = line[cut + len(_MARK) : -len(_END)]
    # Before anything is decoded, so that only what was written is interpreted.
    digest = hashlib.sha256(line[:cut]).hexdigest()
    if stated != digest.encode():
        raise RecordError("the hash does not fit the line")
    whole = line[:cut] + b"}"
    try:
        found = _LINE_DECODER.decode(whole)
        # Our own lines are as the encoder writes them; any other JSON must have the same members in order, each
        # once: of two, one reader takes the first and another the last.
        if msgspec.json.encode(found) != whole and tuple(_pairs(whole)) != _MEMBERS:
            raise RecordError("the members are not those of a record")
    except RecordError:
        raise
    except _UNREADABLE as error:
        raise RecordError(f"not a record: {error}") from error
    if not _is_moment(found.time):
        raise RecordError(f"the time is {found.time[:40]!r}")
    raw = bytes(found.body)
    if not raw.startswith(b"{"):
        raise RecordError("the body is no JSON object")
    return Record(found.seq, found.time, found.kind, found.prev, decode_body(found.kind, raw), digest, raw)


def _pairs(data: bytes) -> list[str]:
    """Names of the members of a JSON object, repeated ones too."""
    return [name for name, _ in json.loads(data, object_pairs_hook=list)]


def repeated_members(body: bytes) -> list[str]:
    """Names that an object in a body's JSON has twice, at whatever depth; the body has been decoded before."""
    if msgspec.json.encode(msgspec.json.decode(body)) == body:
        return []  # as the encoder writes it, which keeps one of each
    repeated: list[str] = []

    def look(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
        names = [name for name, _ in pairs]
        repeated.extend(sorted({name for name in names if names.count(name) > 1}))
        return dict(pairs)

    json.loads(body, object_pairs_hook=look)
    return repeated


def _is_moment(text: str) -> bool:
    try:
        return datetime.fromisoformat(text).tzinfo is not None
    except ValueError:
        return False


def decode_body(kind: str, raw: bytes) -> AnyBody:
    """The body of a record of a kind; ``Unknown`` where it fits nothing that this version knows."""
    wanted = [_BODIES[kind]] if kind in _BODIES else []
    if kind in _WITH_WHAT:
        with contextlib.suppress(*_UNREADABLE):
            what = _WHAT_DECODER.decode(raw).what
            # The special body first; of a later version's members the general one may still know its kind's.
            wanted = [_BY_WHAT[kind, what], *wanted] if (kind, what) in _BY_WHAT else wanted
    for body in wanted:  # what a later version says in other members is still of its kind
        with contextlib.suppress(*_UNREADABLE):
            return _DECODERS[body].decode(raw)
    return Unknown(kind=kind, body=msgspec.Raw(raw))


def check_follows(record: Record, seq_before: int, hash_before: str) -> None:
    """Check that a record continues the chain. Raises RecordError saying what is wrong."""
    if record.seq != seq_before + 1:
        raise RecordError(f"record {record.seq} stands where {seq_before + 1} must stand")
    if record.prev != hash_before:
        raise RecordError(f"record {record.seq} does not continue the record before it")

"""Journal records to bytes and back: one step of the hash chain.

A line is one JSON object ``{"seq":…,"time":…,"kind":…,"prev":…,"body":{…},"hash":"…"}`` and a line feed.
``hash`` is the SHA-256 of the line's bytes before ``,"hash":``, and ``prev`` the former line's hash, so that
the chain can be checked with any JSON reader and any SHA-256 (FIPS 180-4).
"""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any

import msgspec

GENESIS = "0" * 64
"""``prev`` of the first record."""
LINE_BYTES_MAX = 8192
KINDS = frozenset(
    {
        "start",
        "stop",
        "configuration",
        "measurement",
        "disposition",
        "verification",
        "quarantine",
        "acknowledgement",
        "recovery",
        "checkpoint",
    }
)
_MARK = b',"hash":"'
_END = b'"}'
_MEMBERS = ("seq", "time", "kind", "prev", "body")


@dataclass(frozen=True, slots=True)
class Record:
    """One journal record as it stands on disk; ``body`` holds JSON values only."""

    seq: int
    time: str
    kind: str
    prev: str
    body: Mapping[str, Any]
    hash: str


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


def encode_record(seq: int, time: str, kind: str, prev: str, body: Mapping[str, Any]) -> tuple[bytes, Record]:
    """The line (with line feed) and the record. Raises RecordError when it would exceed LINE_BYTES_MAX."""
    if kind not in KINDS:
        raise RecordError(f"unknown kind {kind!r}")
    head = msgspec.json.encode({"seq": seq, "time": time, "kind": kind, "prev": prev, "body": body})[:-1]
    digest = hashlib.sha256(head).hexdigest()
    line = head + _MARK + digest.encode() + _END + b"\n"
    if len(line) > LINE_BYTES_MAX:
        raise RecordError(f"a {kind} record of {len(line)} bytes; at most {LINE_BYTES_MAX} are allowed")
    return line, Record(seq, time, kind, prev, body, digest)


def decode_record(line: bytes) -> Record:
    """The record of one line without its line feed, its own hash checked. Raises RecordError."""
    if len(line) > LINE_BYTES_MAX:
        raise RecordError("the line is longer than a record may be")
    cut = len(line) - len(_END) - 64 - len(_MARK)
    if cut < 2 or line[cut : cut + len(_MARK)] != _MARK or line[-len(_END) :] != _END:
        raise RecordError("the line does not end with a hash")
    stated = line[cut + len(_MARK) : -len(_END)]
    digest = hashlib.sha256(line[:cut]).hexdigest()
    if stated != digest.encode():
        raise RecordError("the hash does not fit the line")
    try:
        found = msgspec.json.decode(line[:cut] + b"}")
    except (msgspec.DecodeError, UnicodeDecodeError) as error:
        raise RecordError(f"not JSON: {error}") from error
    if not isinstance(found, dict) or tuple(found) != _MEMBERS:
        raise RecordError("the members are not those of a record")
    seq, time, kind, prev, body = found.values()
    typed = isinstance(seq, int) and isinstance(time, str) and isinstance(prev, str) and isinstance(body, dict)
    if not typed or kind not in KINDS:
        raise RecordError("a member has the wrong type")
    return Record(seq, time, kind, prev, body, digest)


def check_follows(record: Record, seq_before: int, hash_before: str) -> None:
    """Check that a record continues the chain. Raises RecordError saying what is wrong."""
    if record.seq != seq_before + 1:
        raise RecordError(f"record {record.seq} stands where {seq_before + 1} must stand")
    if record.prev != hash_before:
        raise RecordError(f"record {record.seq} does not continue the record before it")

"""What the index keeps of one record."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass

from edgeagent.codec.records.record import Record
from edgeagent.judging.memory import file_key
from edgeagent.model.records import (
    Acknowledgement,
    AnyBody,
    Checkpoint,
    Measurement,
    PartDisposition,
    Quarantine,
    Source,
    Start,
    Stop,
    Unknown,
    Verification,
    given,
)
from edgeagent.model.subject import subject_of
from edgeagent.rules.files.settling import Look
from edgeagent.rules.part_set import content_of

MEASUREMENT, DISPOSITION, ROUTINE, RARE, VERIFICATION, UNKNOWN = range(1, 7)
"""Sorts of entries: the two that grow with the parts, those that no look-up needs, and others."""


@dataclass(frozen=True, slots=True)
class IndexEntry:
    """How a record can be found; None where there is nothing to find it by.

    ``serial_key`` and ``name_key`` are 63 bits of a SHA-256: who finds a record by them compares what it says.
    ``file_key`` is the identity of a file, all of its 16 bytes. ``about`` is the number of the record that an
    acknowledgement answers. ``content_key`` is of a part with what was decided of it, 63 bits as the others.
    """

    seq: int
    sort: int
    serial_key: int | None = None
    file_key: bytes | None = None
    name_key: int | None = None
    about: int | None = None
    content_key: int | None = None


def key_of_serial(serial: str) -> int:
    """The key of a part's serial."""
    return _short("serial", serial)


def key_of_name(folder: str, name: str) -> int:
    """The key of a file's place, whatever its content is."""
    return _short(folder, name)


def key_of_file(source: Source) -> bytes:
    """The identity of a file, the same as the fold's: known as done whichever of the two is asked."""
    side = given(source.side_sha256, None)
    return file_key(source.folder, source.name, source.sha256, side, Look(*source.look))


def key_of_content(part: str, serial: str, content: str) -> int:
    """The key of a content that was decided of a part."""
    return _short(part, serial, content)


def decided_content(body: Measurement) -> int | None:
    """The key of what a measurement decided; None for an artefact, and for a file that could not be read."""
    content = content_of(body.source.sha256, body.recipe.sha256 if body.recipe is not None else "")
    if not content or body.trace.of_artefact is not None:
        return None
    return key_of_content(*body.trace.of_part, content)


def entry_of(record: Record) -> IndexEntry:
    """How one record is to be found."""
    body = record.body
    serial = subject_of(body)[1]
    serial_key = None if serial is None else key_of_serial(serial)
    about = body.seq if isinstance(body, Acknowledgement) else None
    if isinstance(body, Measurement | Quarantine):
        source = body.source
        key = key_of_file(source)
        name_key = key_of_name(source.folder, source.name)
        content = decided_content(body) if isinstance(body, Measurement) else None
        return IndexEntry(record.seq, _sort_of(body), serial_key, key, name_key, content_key=content)
    return IndexEntry(record.seq, _sort_of(body), serial_key, about=about)


def _sort_of(body: AnyBody) -> int:
    match body:
        case Measurement():
            return MEASUREMENT
        case PartDisposition():
            return DISPOSITION
        case Start() | Stop() | Checkpoint():
            return ROUTINE
        case Verification():
            return VERIFICATION
        case Unknown():
            return UNKNOWN
    return RARE


def _short(*parts: str) -> int:
    # Zero bytes between, which no name and no serial holds: "ab" + "c" must not be "a" + "bc".
    digest = hashlib.sha256("\0".join(parts).encode("utf-8", "surrogatepass")).digest()
    # SQLite's integers have a sign, so 63 bits; whoever finds a record by them compares what it says.
    return int.from_bytes(digest[:8], "big") >> 1

"""What journal and archive say of a part, a file or a period. Opens files for reading only.

A journal that does not verify is read all the same, every line by its own hash, and the damage is carried
along. A record or a result that this version does not know ends the reading: half of a story is no report.
"""

from __future__ import annotations

import hashlib
from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import msgspec

from edgeagent.codec.plain_text import verification_text
from edgeagent.codec.records.record import KINDS, Record, RecordError, decode_record
from edgeagent.codec.records.result import SCHEMA
from edgeagent.errors import JournalCorruptError, UsageError
from edgeagent.model.records import Measurement
from edgeagent.report.words import printable
from edgeagent.store.archive import Archive
from edgeagent.store.journal import JournalReader
from edgeagent.store.verify import journal_folder, verify_journal

_MARK = b',"hash":"'
_NEEDED: Mapping[str, tuple[str, ...]] = {
    "measurement": (
        "source",
        "trace",
        "characteristics",
        "disposition",
        "reasons",
        "quality_failed",
        "result_sha256",
        "instrument",
        "required",
        "software",
        "rule",
    ),
    "disposition": ("part", "serial", "disposition", "reasons", "characteristics", "missing"),
    "verification": ("artefact", "instrument", "passed", "reasons", "characteristics", "measured_at"),
    "quarantine": ("source", "error", "reason"),
    "acknowledgement": ("seq", "who"),
}
_NOTHING: Mapping[str, Any] = {}


@dataclass(frozen=True, slots=True)
class Damage:
    """Where a journal stops being whole, and why."""

    segment: str
    line: int
    reason: str

    @property
    def words(self) -> str:
        """One sentence for the first line of a report."""
        line = f", line {self.line}" if self.line else ""
        return (
            f"The journal does not verify: {printable(self.segment)}{line}: {printable(self.reason)}. "
            "What follows is shown as it stands in the store, without the proof of an unbroken chain."
        )


@dataclass(frozen=True, slots=True)
class Measured:
    """A measurement record with its full result.

    ``problem`` says why the archived result cannot be used; ``result`` then holds what the journal itself
    says: the most important characteristics, no spectrum, no details.
    """

    record: Record
    result: Mapping[str, Any]
    problem: str | None

    @property
    def body(self) -> Mapping[str, Any]:
        """The record's body."""
        return self.record.members

    @property
    def measurement(self) -> Measurement:
        """The record's body as what it is."""
        assert isinstance(self.record.body, Measurement)
        return self.record.body

    @property
    def feature(self) -> str:
        """Which trace of the part."""
        return str(self.body["trace"]["feature"])


@dataclass(frozen=True, slots=True)
class PartStory:
    """All that a page on one part or one file needs; records in the order of the journal.

    ``measured`` holds the newest measurement of each feature, ``superseded`` the earlier ones.
    ``verified`` maps the number of a measurement record to the last verification of its instrument before it
    that counted.
    ``last`` is the last record of the journal that was read.
    """

    part: str
    serial: str
    damage: Damage | None
    measured: tuple[Measured, ...]
    superseded: tuple[Record, ...]
    dispositions: tuple[Record, ...]
    acknowledged: Mapping[int, Record]
    verified: Mapping[int, Record]
    quarantined: tuple[Record, ...]
    last: Record

    @property
    def disposition(self) -> Record | None:
        """The disposition that stands, None while there is none."""
        return self.dispositions[-1] if self.dispositions else None


class Store:
    """A store opened for a report: its journal checked once, its archive at hand.

    Raises UsageError when there is no journal, or one without a single record.
    """

    def __init__(self, folder: Path) -> None:
        self.journal = journal_folder(folder)
        self.archive = Archive(self.journal.parent / "archive")
        segments = list(self.journal.glob("*.jsonl")) if self.journal.is_dir() else []
        if not any(p.stat().st_size for p in segments):
            raise UsageError(f"{printable(folder)}: there is no journal here, so there is nothing to report")
        self.damage: Damage | None = None
        try:
            verify_journal(self.journal)
        except JournalCorruptError as error:
            self.damage = Damage(error.segment, error.line, error.reason)

    def records(self) -> Iterator[Record]:
        """Every record that can be read, in order.

        Raises JournalCorruptError for a record of another version: an unknown kind or member, or one that lacks
        what a report needs.
        """
        if self.damage is None:
            for record, _ in JournalReader(self.journal).walk():
                yield _known(record)
            return
        for path in sorted(self.journal.glob("*.jsonl")):
            with path.open("rb") as file:
                for number, line in enumerate(file, 1):
                    try:
                        yield _known(decode_record(line.rstrip(b"\n")))
                    except RecordError as error:
                        _refuse_newer(path.name, number, line.rstrip(b"\n"), error)

    def measured(self, record: Record) -> Measured:
        """A measurement record with its archived result.

        Raises JournalCorruptError for a result of a version that is not known here.
        """
        digest = str(record.members["result_sha256"])
        try:
            result = msgspec.json.decode(self.archive.get(digest))
        except (JournalCorruptError, msgspec.DecodeError) as error:
            return Measured(record, _from_journal(record), printable(error))
        schema = result.get("schema") if isinstance(result, dict) else None
        if schema != SCHEMA:
            raise JournalCorruptError(
                f"archive/{digest}",
                0,
                f"a result of schema {printable(schema)!r}, not {SCHEMA}: newer version?",
            )
        return Measured(record, result, None)


def _known(record: Record) -> Record:
    missing = [key for key in _NEEDED.get(record.kind, ()) if key not in record.members]
    if missing:
        raise JournalCorruptError(
            f"record {record.seq}",
            0,
            f"a {record.kind} without {', '.join(missing)}: written by another version",
        )
    return record


def _refuse_newer(segment: str, number: int, line: bytes, error: RecordError) -> None:
    """Raise for a line whose hash is right and whose content is not known: a newer version wrote it."""
    cut = line.rfind(_MARK)
    if cut < 0 or hashlib.sha256(line[:cut]).hexdigest().encode() != line[cut + len(_MARK) : -2]:
        return
    try:
        found = msgspec.json.decode(line[:cut] + b"}")
    except msgspec.DecodeError:
        return
    if not isinstance(found, dict):
        return
    kind = found.get("kind")
    what = f"unknown kind {printable(kind)!r}" if kind not in KINDS else str(error)
    raise JournalCorruptError(segment, number, f"{what}: written by a newer version of edgeagent?") from error


def _from_journal(record: Record) -> dict[str, Any]:
    """As much of a result as the journal's record holds itself."""
    body = record.members
    failed = [
        {"check": q["check"], "ok": False, "value": None, "allowed": None, "unit": "", "note": q["note"]}
        for q in body["quality_failed"]
    ]
    return {
        "schema": SCHEMA,
        "source": body["source"],
        "trace": body["trace"],
        "recipe": body.get("recipe"),
        "software": body["software"],
        "quality": failed,
        "characteristics": body["characteristics"],
        "spectrum": None,
        "disposition": body["disposition"],
        "reasons": body["reasons"],
        "details": {},
    }


def part_story(store: Store, serial: str, part: str | None = None) -> PartStory:
    """Everything about one part.

    Without ``part`` the serial must belong to one part number only. Raises UsageError for an unknown serial or
    an ambiguous one, JournalCorruptError for records of another version.
    """
    parts: dict[str, None] = {}
    kept: list[Record] = []
    last = None
    for record in store.records():
        last = record
        body = record.members
        who = body["trace"] if record.kind == "measurement" else body
        if record.kind in ("measurement", "disposition"):
            if who.get("serial") != serial or (part is not None and who.get("part") != part):
                continue
            parts.setdefault(str(who.get("part")))
        if record.kind in ("measurement", "disposition", "verification", "acknowledgement"):
            kept.append(record)
    if not parts or last is None:
        wanted = f" of part {printable(part)}" if part is not None else ""
        raise UsageError(f"serial {printable(serial)}{wanted} is not in the journal")
    if len(parts) > 1:
        names = ", ".join(printable(p) for p in parts)
        raise UsageError(
            f"serial {printable(serial)} belongs to several parts ({names}); say which with --part"
        )
    return _story(store, next(iter(parts)), serial, kept, last)


def part_stories(store: Store, keys: Collection[tuple[str, str]]) -> Iterator[PartStory]:
    """Everything about several parts (part, serial) in their order, from one walk through the journal.

    Raises as ``part_story``; every key must be in the journal.
    """
    own: dict[tuple[str, str], list[Record]] = {key: [] for key in keys}
    shared: list[Record] = []
    last = None
    for record in store.records():
        last = record
        if record.kind in ("verification", "acknowledgement"):
            shared.append(record)
        elif record.kind in ("measurement", "disposition"):
            who = record.members["trace"] if record.kind == "measurement" else record.members
            key = (str(who.get("part")), str(who.get("serial")))
            if key in own:
                own[key].append(record)
    if last is None or not all(own.values()):
        raise UsageError("a part is not in the journal")
    for key, records in own.items():
        yield _story(store, *key, sorted([*records, *shared], key=lambda r: r.seq), last)


def file_story(store: Store, name: str) -> PartStory:
    """Everything about one measured file, by the name that intake gave it; the newest where there are several.

    Raises UsageError for an unknown name, JournalCorruptError for records of another version.
    """
    own: list[Record] = []
    others: list[Record] = []
    last = None
    for record in store.records():
        last = record
        if record.kind in ("measurement", "quarantine") and record.members["source"].get("name") == name:
            own.append(record)
        elif record.kind in ("disposition", "verification", "acknowledgement"):
            others.append(record)
    if not own or last is None:
        raise UsageError(f"no file {printable(name)} is in the journal")
    newest = own[-1]
    trace = newest.members.get("trace", _NOTHING)
    part, serial = str(trace.get("part") or ""), str(trace.get("serial") or "")
    mine = [
        r
        for r in others
        if r.kind != "disposition" or (r.members["part"], r.members["serial"]) == (part, serial)
    ]
    measurements = [r for r in own if r.kind == "measurement"][-1:] if newest.kind == "measurement" else []
    kept = sorted([*measurements, *mine], key=lambda r: r.seq)
    story = _story(store, part, serial, kept, last)
    return PartStory(
        part=story.part,
        serial=story.serial,
        damage=story.damage,
        measured=story.measured,
        superseded=tuple(own[:-1]),
        dispositions=story.dispositions,
        acknowledged=story.acknowledged,
        verified=story.verified,
        quarantined=(newest,) if newest.kind == "quarantine" else (),
        last=last,
    )


def _story(store: Store, part: str, serial: str, kept: list[Record], last: Record) -> PartStory:
    newest: dict[str, Record] = {}
    superseded: list[Record] = []
    verified: dict[int, Record] = {}
    by_instrument: dict[str, Record] = {}
    dispositions: list[Record] = []
    acknowledged: dict[int, Record] = {}
    for record in kept:
        body = record.members
        if record.kind == "measurement":
            feature = str(body["trace"]["feature"])
            if feature in newest:
                superseded.append(newest[feature])
            newest[feature] = record
            if body["instrument"] in by_instrument:
                verified[record.seq] = by_instrument[body["instrument"]]
        elif record.kind == "verification":
            if verification_text(body) in ("passed", "failed"):
                by_instrument[str(body["instrument"])] = record
        elif record.kind == "disposition":
            dispositions.append(record)
        else:
            acknowledged[int(body["seq"])] = record
    mine = {d.seq for d in dispositions}
    return PartStory(
        part=part,
        serial=serial,
        damage=store.damage,
        measured=tuple(store.measured(r) for r in _in_recipe_order(newest)),
        superseded=tuple(superseded),
        dispositions=tuple(dispositions),
        acknowledged={seq: r for seq, r in acknowledged.items() if seq in mine},
        verified=verified,
        quarantined=(),
        last=last,
    )


def _in_recipe_order(newest: Mapping[str, Record]) -> list[Record]:
    required = next((list(r.members["required"]) for r in reversed(list(newest.values()))), [])
    rank = {feature: i for i, feature in enumerate(required)}
    return sorted(newest.values(), key=lambda r: (rank.get(r.members["trace"]["feature"], len(rank)), r.seq))

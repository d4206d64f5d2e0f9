"""Gathers a part's or a file's records and archived results. Opens files for reading only.

A journal that does not verify is read all the same, every line by its own hash, and the damage is carried
along. Records that this version does not know are carried along verbatim, for the page to show.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass, field, replace
from itertools import islice
from pathlib import Path

from edgeagent.codec.records.archived_result import ArchivedResult, decode_result, result_of_record
from edgeagent.codec.records.record import Record, RecordError, decode_record
from edgeagent.errors import JournalCorruptError, UsageError
from edgeagent.model.records import (
    Acknowledgement,
    ConfigurationRead,
    Measurement,
    Outcome,
    PartDisposition,
    Quarantine,
    Unknown,
    Verification,
)
from edgeagent.report.story.good_parts import GoodFiles, GoodParts, look_back
from edgeagent.report.story.typed_record import PartKey, TypedRecord, part_of, typed_record
from edgeagent.report.words import printable
from edgeagent.store.archive import Archive
from edgeagent.store.copies.sealed import SealedFiles
from edgeagent.store.index.lookup import Lookup
from edgeagent.store.journal import JournalReader, Position, record_total
from edgeagent.store.progress import Progress, no_progress
from edgeagent.store.values.lookup import ValueLookup
from edgeagent.store.verify import journal_folder, verify_journal

_OF_ALL_PARTS = (Verification, Acknowledgement, Unknown)
"""Bodies that every story has to look at."""
# A configuration comes with every start; farther back the report goes without its zone and headers.
_BACK_MAX = 4000
"""Records that are looked at for the last configuration."""
_COUNTING = (Outcome.PASSED, Outcome.FAILED, Outcome.LOST)
"""Outcomes of verifications that speak for or against an instrument."""


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
class MeasuredFile:
    """A measurement record with its full result.

    ``problem`` says why the archived result cannot be used; ``result`` then holds what the journal itself
    says: the most important characteristics, no spectrum, no details.
    """

    record: TypedRecord[Measurement]
    result: ArchivedResult
    problem: str | None

    @property
    def body(self) -> Measurement:
        """The record's body."""
        return self.record.body

    @property
    def feature(self) -> str:
        """Which trace of the part."""
        return self.body.trace.feature


@dataclass(frozen=True, slots=True)
class ComparedFile:
    """A measurement to compare with, of the same feature: ``label`` says which part's, or when."""

    label: str
    good: bool
    measured: MeasuredFile


@dataclass(frozen=True, slots=True)
class PartStory:
    """All that a page on one part or one file needs; records in the order of the journal.

    ``measured`` holds the newest measurement of each feature, ``superseded`` the earlier ones.
    ``verified`` maps the number of a measurement record to the last verification of its instrument before it
    that counted. ``compared`` has, by feature, the last good part's measurement before this one and the part's
    own earlier one, as far as there are any. ``unknown`` are all records of the journal that this version does
    not know. ``last`` is the last record of the journal that was read, ``checked`` says what was checked of it.
    """

    part: str
    serial: str
    damage: Damage | None
    measured: tuple[MeasuredFile, ...]
    superseded: tuple[TypedRecord[Measurement | Quarantine], ...]
    dispositions: tuple[TypedRecord[PartDisposition], ...]
    acknowledged: Mapping[int, TypedRecord[Acknowledgement]]
    verified: Mapping[int, TypedRecord[Verification]]
    quarantined: tuple[TypedRecord[Quarantine], ...]
    unknown: tuple[TypedRecord[Unknown], ...]
    last: Record
    checked: str
    compared: Mapping[str, tuple[ComparedFile, ...]] = field(default_factory=dict)

    @property
    def disposition(self) -> TypedRecord[PartDisposition] | None:
        """The disposition that stands, None while there is none."""
        return self.dispositions[-1] if self.dispositions else None


class Store:
    """A store opened for a report: its journal checked once, its archive at hand.

    A long journal with an index is not walked: each record that is shown is checked by its own hash, and
    ``lookup`` finds it; ``progress`` shows how far a walk is. Raises UsageError when there is no journal, or
    one without a single record.
    """

    def __init__(self, folder: Path, progress: Progress = no_progress) -> None:
        self._progress = progress
        self.journal = journal_folder(folder)
        self.archive = Archive(self.journal.parent / "archive", SealedFiles(self.journal.parent))
        # Before verifying: an empty folder is a wrong path, not a damaged journal.
        segments = list(self.journal.glob("*.jsonl")) if self.journal.is_dir() else []
        if not any(p.stat().st_size for p in segments):
            raise UsageError(f"{printable(folder)}: there is no journal here, so there is nothing to report")
        self.damage: Damage | None = None
        self._configuration: ConfigurationRead | None = None
        self.lookup = Lookup.open(self.journal)
        self.values: ValueLookup | None = None
        try:
            if self.lookup is None:
                verify_journal(self.journal, progress=progress)
            else:
                self.lookup.tail()
                self.values = ValueLookup.open(self.journal)
        except JournalCorruptError as error:
            self.damage = Damage(error.segment, error.line, error.reason)
            # The index speaks of a whole journal: what cannot be verified is shown as it stands, line by line.
            self.lookup = None
        # Records that the table has must be found by the index, which is kept first.
        if self.lookup is None or (self.values and self.values.position.seq > self.lookup.position.seq):
            self.values = None

    @property
    def checked(self) -> str:
        """What was checked of the journal; empty where it is damaged, which stands elsewhere."""
        if self.damage is not None:
            return ""
        if self.lookup is None:
            return "The chain of records was checked and is whole."
        return (
            f"Found by the index of records 1 to {self.lookup.position.seq}, which agrees with the journal. "
            "Each record shown was checked by its own hash; edgeagent journal verify checks the whole chain."
        )

    def configuration(self) -> ConfigurationRead | None:
        """The last configuration on record; None where there is none."""
        if self._configuration is None and self.lookup is not None:
            bodies = (record.body for record in islice(self.lookup.rare_backwards(), _BACK_MAX))
            self._configuration = next((b for b in bodies if isinstance(b, ConfigurationRead)), None)
        elif self._configuration is None:
            for _ in self.records():
                pass
        return self._configuration

    def records(self, behind: Position | None = None) -> Iterator[Record]:
        """Every record that can be read, in order, or those behind a position of an undamaged journal."""
        for record in self._walk(behind):
            if isinstance(record.body, ConfigurationRead):
                self._configuration = record.body
            yield record

    def _walk(self, behind: Position | None) -> Iterator[Record]:
        if self.damage is None:
            walk = (record for record, _ in JournalReader(self.journal).walk(behind))
            total = record_total(self.journal)
            left = None if total is None else total - (0 if behind is None else behind.seq)
            yield from self._progress(walk, "records", left)
            return
        # Past the damage, unlike the reader: what is behind it may be all that is left to see.
        for path in sorted(self.journal.glob("*.jsonl")):
            with path.open("rb") as file:
                for line in file:
                    try:
                        yield decode_record(line.rstrip(b"\n"))
                    except RecordError:
                        continue  # the damage that the first line of the page speaks of

    def measured_file(self, record: TypedRecord[Measurement]) -> MeasuredFile:
        """A measurement record with its archived result."""
        try:
            result = decode_result(self.archive.get(record.body.result_sha256))
        except (JournalCorruptError, ValueError) as error:
            return MeasuredFile(record, result_of_record(record.body), printable(error))
        return MeasuredFile(record, result, None)


def part_story(store: Store, serial: str, part: str | None = None) -> PartStory:
    """Everything about one part.

    Without ``part`` the serial must belong to one part number only. Raises UsageError for an unknown serial or
    an ambiguous one.
    """
    parts: dict[str, None] = {}
    kept: list[Record] = []
    last, walk, good = None, GoodParts(), tuple[GoodFiles, ...]()
    for record in store.records() if store.lookup is None else _records_about(store.lookup, serial):
        last = record
        key = part_of(record)
        if key is None:
            # Which of them are about this part is known only when all of its records are.
            kept += [record] if isinstance(record.body, _OF_ALL_PARTS) else []
        elif key[1] == serial and part in (None, key[0]):
            parts.setdefault(key[0])
            kept.append(record)
            # Taken anew with each of the part's records: what counts as before it ends with its last one.
            good = walk.before(key)
        walk.fold(record)
    if not parts or last is None:
        wanted = f" of part {printable(part)}" if part is not None else ""
        raise UsageError(f"serial {printable(serial)}{wanted} is not in the journal")
    if len(parts) > 1:
        names = ", ".join(printable(p) for p in parts)
        raise UsageError(
            f"serial {printable(serial)} belongs to several parts ({names}); say which with --part"
        )
    key = (next(iter(parts)), serial)
    if store.lookup is not None:
        first = max(
            r.seq for r in kept if part_of(r) == key and isinstance(r.body, Measurement | PartDisposition)
        )
        return _story(store, key, kept, last, look_back(store.lookup, key, first))
    return _story(store, key, kept, last, walk.last_good(key[0], good))


def _records_about(lookup: Lookup, serial: str) -> Iterator[Record]:
    """The records that a story of parts with this serial is made of, in order, and the journal's last."""
    # By number, since one record may be found in several ways.
    found = {record.seq: record for record in lookup.of_serial(serial)}
    own = [r for r in found.values() if (part_of(r) or ("", ""))[1] == serial]
    answers = lookup.acknowledgements_of([r.seq for r in own if isinstance(r.body, PartDisposition)])
    found.update((r.seq, r) for r in (*answers, *lookup.unknown(), lookup.last()))
    for record in own:
        if isinstance(record.body, Measurement):
            verified = _verification_before(lookup, record.seq, record.body.instrument)
            found.update({verified.seq: verified} if verified is not None else {})
    return iter(sorted(found.values(), key=lambda r: r.seq))


def _verification_before(lookup: Lookup, seq: int, instrument: str) -> Record | None:
    for record in lookup.verifications_before(seq):
        body = record.body
        if isinstance(body, Verification) and body.instrument == instrument and body.outcome in _COUNTING:
            return record
    return None


def part_stories(store: Store, keys: Collection[PartKey]) -> Iterator[PartStory]:
    """Everything about several parts (part, serial) in their order, by the index or from one walk.

    Raises as ``part_story``; every key must be in the journal.
    """
    if store.lookup is not None:
        yield from (part_story(store, serial, part) for part, serial in keys)
        return
    # One walk for all pages of a period: each by itself would read the journal once.
    own: dict[PartKey, list[Record]] = {key: [] for key in keys}
    good: dict[PartKey, tuple[GoodFiles, ...]] = {}
    shared: list[Record] = []
    last, walk = None, GoodParts()
    for record in store.records():
        last = record
        key = part_of(record)
        if key is None:
            shared += [record] if isinstance(record.body, _OF_ALL_PARTS) else []
        elif key in own:
            own[key].append(record)
            good[key] = walk.before(key)
        walk.fold(record)
    if last is None or not all(own.values()):
        raise UsageError("a part is not in the journal")
    for key, records in own.items():
        ordered = sorted([*records, *shared], key=lambda r: r.seq)
        yield _story(store, key, ordered, last, walk.last_good(key[0], good[key]))


def file_story(store: Store, name: str) -> PartStory:
    """Everything about one measured file, by the name that intake gave it; the newest where there are several.

    Raises UsageError for an unknown name.
    """
    own: list[Record] = []
    others: list[Record] = []
    last = None
    for record in store.records():
        last = record
        if isinstance(record.body, Measurement | Quarantine):
            own += [record] if record.body.source.name == name else []
        elif isinstance(record.body, (PartDisposition, *_OF_ALL_PARTS)):
            others.append(record)
    if not own or last is None:
        raise UsageError(f"no file {printable(name)} is in the journal")
    newest = own[-1]
    # An artefact is no part: no disposition belongs to its file
    measured = isinstance(newest.body, Measurement) and newest.body.trace.of_artefact is None
    key = (part_of(newest) or ("", "")) if measured else ("", "")
    kept = [r for r in others if part_of(r) in (None, key)] + [newest]
    story = _story(store, key, sorted(kept, key=lambda r: r.seq), last)
    return replace(
        story,
        superseded=tuple(
            typed_record(r, r.body) for r in own[:-1] if isinstance(r.body, Measurement | Quarantine)
        ),
        quarantined=(typed_record(newest, newest.body),) if isinstance(newest.body, Quarantine) else (),
    )


def _story(
    store: Store, key: PartKey, kept: list[Record], last: Record, good: GoodFiles | None = None
) -> PartStory:
    newest: dict[str, TypedRecord[Measurement]] = {}
    superseded: list[TypedRecord[Measurement | Quarantine]] = []
    verified: dict[int, TypedRecord[Verification]] = {}
    by_instrument: dict[str, TypedRecord[Verification]] = {}
    dispositions: list[TypedRecord[PartDisposition]] = []
    acknowledged: dict[int, TypedRecord[Acknowledgement]] = {}
    unknown: list[TypedRecord[Unknown]] = []
    for record in kept:
        match record.body:
            case Measurement() as body:
                if body.trace.feature in newest:
                    # The newest counts, as in the part's decision; the earlier one is drawn beside it.
                    superseded.append(newest[body.trace.feature])
                newest[body.trace.feature] = typed_record(record, body)
                if body.instrument in by_instrument:
                    verified[record.seq] = by_instrument[body.instrument]
            case Verification() as body if body.outcome in _COUNTING:
                by_instrument[body.instrument] = typed_record(record, body)
            case PartDisposition() as body:
                dispositions.append(typed_record(record, body))
            case Acknowledgement() as body:
                acknowledged[body.seq] = typed_record(record, body)
            case Unknown() as body:
                unknown.append(typed_record(record, body))
    # Acknowledgements name a record, not a part: those of other parts are known by their numbers alone
    mine = {d.seq for d in dispositions}
    return PartStory(
        part=key[0],
        serial=key[1],
        damage=store.damage,
        measured=tuple(store.measured_file(r) for r in _in_recipe_order(newest)),
        superseded=tuple(superseded),
        dispositions=tuple(dispositions),
        acknowledged={seq: r for seq, r in acknowledged.items() if seq in mine},
        verified=verified,
        quarantined=(),
        unknown=tuple(unknown),
        last=last,
        checked=store.checked,
        compared=_compared(store, newest, superseded, good or GoodFiles()),
    )


def _compared(
    store: Store,
    newest: Mapping[str, TypedRecord[Measurement]],
    superseded: list[TypedRecord[Measurement | Quarantine]],
    good: GoodFiles,
) -> dict[str, tuple[ComparedFile, ...]]:
    """What each feature is compared with: the last good part's trace, and the part's own earlier one."""
    found: dict[str, tuple[ComparedFile, ...]] = {}
    bodies = ((r.seq, r.time, r.hash, r.body) for r in superseded)
    own = {b.trace.feature: TypedRecord(n, t, h, b) for n, t, h, b in bodies if isinstance(b, Measurement)}
    others = {r.body.trace.feature: r for r in good.files}
    for feature, record in newest.items():
        pairs = (
            (others.get(feature), True, f"last good part, serial {printable(good.serial)}"),
            (own.get(feature), False, "this part, measured before"),
        )
        found[feature] = tuple(
            ComparedFile(label, is_good, store.measured_file(other))
            for other, is_good, label in pairs
            # A feature may have become another kind of trace with a new recipe.
            if other is not None and other.body.trace.kind == record.body.trace.kind
        )
    return found


def _in_recipe_order(newest: Mapping[str, TypedRecord[Measurement]]) -> list[TypedRecord[Measurement]]:
    required = next((r.body.required for r in reversed(list(newest.values()))), ())
    rank = {feature: i for i, feature in enumerate(required)}
    return sorted(newest.values(), key=lambda r: (rank.get(r.body.trace.feature, len(rank)), r.seq))

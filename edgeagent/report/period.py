"""What a period was like: parts and their dispositions, reasons by weight, values over time, verifications.

Of a long journal the table of values says what stands up to its position, and only records that are shown are
read; what is behind it, or all of a short journal, is walked.
"""

from __future__ import annotations

import sqlite3
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeAlias

from edgeagent.codec.records.record import Record, utc_text
from edgeagent.errors import JournalCorruptError, UsageError
from edgeagent.judging.studies.series_names import HARMONICS
from edgeagent.model import Disposition, Verdict
from edgeagent.model.records import (
    JudgedValue,
    Measurement,
    PartDisposition,
    Quarantine,
    Unknown,
    Verification,
    reasons_of,
)
from edgeagent.report.closeness import order_key
from edgeagent.report.period_series import PER_INSTANCE, PeriodSeries, ValueSeries
from edgeagent.report.story.gather import Damage, Store
from edgeagent.report.story.typed_record import PartKey, TypedRecord, part_of, typed_record
from edgeagent.report.waves import families
from edgeagent.report.words import feature_text, name_text, printable, stem_of
from edgeagent.rules.sentences import sentences
from edgeagent.store.index.lookup import Lookup
from edgeagent.store.values.lookup import ValueLookup
from edgeagent.store.values.rows import ValueRow, microseconds, moment_of, row_of
from edgeagent.store.values.table import read

LISTED_MAX = 1000
"""Held and waiting parts that are listed; of more the newest."""
# Rows become arrays together; one by one numpy's own cost would be most of it.
_ROWS_AT_ONCE = 512
PartFiles: TypeAlias = dict[str, TypedRecord[Measurement]]
"""The newest measurement of each feature of a part."""


@dataclass(frozen=True, slots=True)
class ReasonCount:
    """Why parts were not accepted: in words, with the parts that it concerns."""

    words: str
    parts: tuple[PartKey, ...]
    rejects: int


@dataclass(frozen=True, slots=True)
class StandingDecision:
    """The last disposition of a part in a period."""

    seq: int
    time: str
    disposition: Disposition


@dataclass(slots=True)
class Period:
    """All that a page on a period needs. ``first`` and ``final`` are the times of the records in it.

    ``standing`` has the last disposition in the period of each part; ``first_decisions`` counts the parts that
    were decided for the first time, ``accepted_at_first`` those of them that were accepted then. ``held`` and
    ``undecided`` are as of the end, whenever they began, the newest LISTED_MAX of them; ``held_more`` and
    ``undecided_more`` count the others. ``unknown`` are the records of the period that this version does not
    know. ``checked`` says what was checked of the journal, ``table_end`` up to which record the table of values
    was read, None where it was not.
    """

    since: datetime | None
    until: datetime | None
    as_of: datetime
    damage: Damage | None
    checked: str
    first: datetime | None = None
    final: datetime | None = None
    standing: dict[PartKey, StandingDecision] = field(default_factory=dict)
    first_decisions: int = 0
    accepted_at_first: int = 0
    held: dict[PartKey, TypedRecord[PartDisposition]] = field(default_factory=dict)
    undecided: dict[PartKey, PartFiles] = field(default_factory=dict)
    held_more: int = 0
    undecided_more: int = 0
    verifications: list[TypedRecord[Verification]] = field(default_factory=list)
    quarantined: list[TypedRecord[Quarantine]] = field(default_factory=list)
    unknown: list[TypedRecord[Unknown]] = field(default_factory=list)
    measurements: int = 0
    series: list[ValueSeries] = field(default_factory=list)
    reasons: list[ReasonCount] = field(default_factory=list)
    unread: int = 0
    last: Record | None = None
    table_end: int | None = None

    @property
    def counts(self) -> Counter[str]:
        """Parts by their last disposition in the period."""
        return Counter(r.disposition.value for r in self.standing.values())

    def holds(self, moment: datetime) -> bool:
        """Whether a moment lies in the period."""
        return (self.since is None or moment >= self.since) and (self.until is None or moment < self.until)


def gather_period(store: Store, since: datetime | None, until: datetime | None, as_of: datetime) -> Period:
    """Gather a period from journal and archive.

    Raises UsageError for a journal in which nothing was measured or decided yet, JournalCorruptError.
    """
    period = Period(since, until, as_of, store.damage, store.checked)
    fold, behind = _PeriodFold(store, period), None
    if store.values is not None and store.lookup is not None:
        try:
            fold.begin(store.values, store.lookup)
            # Only behind what the table holds is the journal walked.
            behind, period.table_end = store.values.position, store.values.position.seq
            period.last = store.lookup.last()
        except (sqlite3.Error, ValueError):  # a damaged cache: the journal has everything
            period = Period(since, until, as_of, store.damage, store.checked)
            fold = _PeriodFold(store, period)
    for record in store.records(behind):
        fold.visit(record)
    fold.finish()
    if not fold.work and not period.table_end:
        raise UsageError(f"{printable(store.journal)}: nothing was measured yet, so there is nothing to report")
    return period


class _PeriodFold:
    """Fills a period from the table of values and from records behind it.

    Of records that were walked ``_newest`` has the files of parts that are not accepted, ``_refused`` the
    dispositions that stand and accept nothing, ``_decided`` the parts that were decided.
    """

    def __init__(self, store: Store, period: Period) -> None:
        self._store, self._period = store, period
        self._values: ValueLookup | None = None
        self._series = PeriodSeries()
        self._rows: list[ValueRow] = []
        self._newest: dict[PartKey, PartFiles] = {}
        self._refused: dict[PartKey, TypedRecord[PartDisposition]] = {}
        self._decided: set[PartKey] = set()
        self.work = 0

    def begin(self, values: ValueLookup, lookup: Lookup) -> None:
        """What stands up to the table's position. Raises sqlite3.Error, ValueError, JournalCorruptError."""
        self._values, period, table = values, self._period, values.table
        since = None if period.since is None else microseconds(period.since)
        until = None if period.until is None else microseconds(period.until)
        for rows in table.recorded(since, until):
            period.measurements += len(rows)
            period.unread += sum(not read(row[8]) for row in rows)
            self._series.add_slice(table, rows)
        for one in table.decided(since, until):
            at = utc_text(moment_of(one.recorded_us))
            self._stand((one.part, one.serial), StandingDecision(one.seq, at, one.disposition), first=one.first)
        # As of the end, whenever they began: a part that has been held since before the period still blocks a
        # place.
        held, undecided = table.held_at(until), table.undecided_at(until)
        period.held_more = max(0, len(held) - LISTED_MAX)
        period.undecided_more = max(0, len(undecided) - LISTED_MAX)
        for record in lookup.read_seqs(held[-LISTED_MAX:]):
            if isinstance(record.body, PartDisposition):
                period.held[record.body.part, record.body.serial] = typed_record(record, record.body)
        for record in lookup.read_seqs(undecided[-LISTED_MAX:]):
            key = part_of(record)
            if key is not None:
                period.undecided[key] = self._files_of(lookup, key, values.position.seq)
        # The index gives whole blocks of records: those outside the period, and those behind the table, are
        # dropped here.
        for record in lookup.rare_within(period.since, period.until):
            if record.seq <= values.position.seq and period.holds(_moment(record)):
                self._visit_rare(record)
        self._note_ends(lookup)

    def _note_ends(self, lookup: Lookup) -> None:
        period = self._period
        ends = lookup.ends(period.since, period.until)
        if ends is not None:
            period.first, period.final = _moment(ends[0]), _moment(ends[1])

    def visit(self, record: Record) -> None:
        """One more record."""
        period, body = self._period, record.body
        period.last, moment = record, _moment(record)
        # Passed over, not the end: after a clock was set back later records may be of the period again.
        if period.until is not None and moment >= period.until:
            return
        inside = period.holds(moment)
        self.work += isinstance(body, Measurement | Quarantine)
        if inside:
            period.first = period.first or moment
            period.final = moment
        match body:
            case Measurement():
                self._visit_measurement(typed_record(record, body), record, inside=inside)
            case PartDisposition():
                self._visit_disposition(typed_record(record, body), inside=inside)
            case _ if inside:
                self._visit_rare(record)

    def _visit_rare(self, record: Record) -> None:
        match record.body:
            case Verification() as body:
                self._period.verifications.append(typed_record(record, body))
            case Quarantine() as body:
                self._period.quarantined.append(typed_record(record, body))
            case Unknown() as body:
                self._period.unknown.append(typed_record(record, body))

    def _visit_measurement(self, found: TypedRecord[Measurement], record: Record, *, inside: bool) -> None:
        body, period = found.body, self._period
        if body.trace.of_artefact is None:
            key = body.trace.of_part
            # Also from before the period: a part that is rejected in it may have been measured earlier.
            self._newest.setdefault(key, {})[body.trace.feature] = found
            if not self._is_decided(key):
                period.undecided.setdefault(key, {})[body.trace.feature] = found
        if not inside:
            return
        period.measurements += 1
        row = row_of(record, body, self._store.archive.get)
        period.unread += not row.read  # the journal's own, shorter list stands in
        self._rows.append(row)
        if len(self._rows) >= _ROWS_AT_ONCE:
            self._take_rows()

    def _take_rows(self) -> None:
        self._series.add_rows(self._rows)
        self._rows.clear()

    def _is_decided(self, key: PartKey) -> bool:
        """Whether a part was decided before, in the table or in records that were walked."""
        until = None if self._period.until is None else microseconds(self._period.until)
        return key in self._decided or (self._values is not None and self._values.table.is_decided(*key, until))

    def _visit_disposition(self, found: TypedRecord[PartDisposition], *, inside: bool) -> None:
        body, period = found.body, self._period
        key = (body.part, body.serial)
        if inside:
            stands = StandingDecision(found.seq, found.time, body.disposition)
            self._stand(key, stands, first=not self._is_decided(key))
            self._refused.pop(key, None)
            if body.disposition != Disposition.ACCEPT:
                self._refused[key] = found
        self._decided.add(key)
        period.undecided.pop(key, None)
        period.held.pop(key, None)
        if body.disposition == Disposition.HOLD:
            period.held[key] = found
        if body.disposition == Disposition.ACCEPT:
            self._newest.pop(key, None)  # only parts that are not accepted need their files again

    def _stand(self, key: PartKey, stands: StandingDecision, *, first: bool) -> None:
        period = self._period
        period.standing[key] = stands
        if first:
            period.first_decisions += 1
            period.accepted_at_first += stands.disposition == Disposition.ACCEPT

    def _files_of(self, lookup: Lookup, key: PartKey, last: int) -> PartFiles:
        """The newest files of a part up to a record and the period's end, since it was accepted if it was."""
        files: PartFiles = {}
        for record in lookup.of_serial(key[1]):
            over = self._period.until is not None and _moment(record) >= self._period.until
            if record.seq > last or over or part_of(record) != key:
                continue
            if isinstance(record.body, Measurement):
                files[record.body.trace.feature] = typed_record(record, record.body)
            elif isinstance(record.body, PartDisposition) and record.body.disposition == Disposition.ACCEPT:
                # What was measured before it was accepted did not bring about what refused it afterwards.
                files.clear()
        return files

    def finish(self) -> None:
        """Rank series and reasons."""
        self._take_rows()
        # The nearest to their limits first: only so many are drawn
        self._period.series = self._series.ranked()
        self._period.reasons = _rank_reasons(self._refusals())

    def _refusals(self) -> Iterator[tuple[PartKey, TypedRecord[PartDisposition], PartFiles]]:
        """The parts that stand and are not accepted, with their dispositions and files, one after the other."""
        lookup = self._store.lookup if self._values is not None else None
        for key, stands in self._period.standing.items():
            if stands.disposition == Disposition.ACCEPT:
                continue
            if lookup is None:
                yield key, self._refused[key], self._newest.get(key, {})
                continue
            record = self._refused.get(key)
            for read_again in lookup.read_seqs([stands.seq]) if record is None else ():
                if isinstance(read_again.body, PartDisposition):
                    record = typed_record(read_again, read_again.body)
            if record is not None:
                yield key, record, self._files_of(lookup, key, record.seq)


def _moment(record: Record) -> datetime:
    try:
        return datetime.fromisoformat(record.time)
    except ValueError as error:
        raise JournalCorruptError(f"record {record.seq}", 0, f"its time {record.time!r} is no time") from error


def _rank_reasons(
    refusals: Iterable[tuple[PartKey, TypedRecord[PartDisposition], PartFiles]],
) -> list[ReasonCount]:
    parts: dict[str, list[PartKey]] = {}
    rejects: Counter[str] = Counter()
    for key, record, files in refusals:
        for words in _reason_words(record, files):
            parts.setdefault(words, []).append(key)
            rejects[words] += record.body.disposition == Disposition.REJECT
    found = [ReasonCount(words, tuple(keys), rejects[words]) for words, keys in parts.items()]
    return sorted(found, key=lambda r: (-len(r.parts), r.words))


def _reason_words(disposition: TypedRecord[PartDisposition], files: PartFiles) -> list[str]:
    """The distinct reasons of one part, without its numbers, so that parts can be counted together."""
    body = disposition.body
    held = body.disposition == Disposition.HOLD
    found: dict[str, None] = {}
    for feature, record in files.items():
        if record.seq < disposition.seq:
            found |= dict.fromkeys(_file_reasons(feature_text(feature), record.body, held=held))
    if body.gate_reason is not None:
        # One sentence whatever the gate's own says: parts are counted by it.
        found.setdefault("instrument not verified in time")
    if held and body.missing:
        found.setdefault("traces missing: " + ", ".join(feature_text(m) for m in body.missing))
    if not found:
        recorded = sentences(reasons_of(body))
        found.setdefault(printable(recorded[0]) if recorded else "no reason on record")
    return list(found)


def _file_reasons(feature: str, file: Measurement, *, held: bool) -> Iterator[str]:
    wanted = Verdict.INCONCLUSIVE if held else Verdict.NONCONFORMING
    waves: list[JudgedValue] = []
    for c in file.characteristics:
        # A value that failed checks could not give is the checks' matter
        if c.verdict != wanted or (c.value is None and file.quality_failed):
            continue
        if c.name == HARMONICS:
            waves.append(c)
        else:
            yield f"{feature}: {name_text(stem_of(c.name), c.instance if c.name in PER_INSTANCE else '')}"
    # Those between whole orders stand after the others, however high they are
    waves.sort(key=order_key)
    for family in families([c.instance for c in waves]):
        yield f"{feature}: {name_text(HARMONICS, waves[family[0]].instance)}"
    for check in file.quality_failed if held else ():
        yield f"{feature}: check {printable(check.check).replace('_', ' ')}"


def parts_to_link(period: Period, count: int) -> list[PartKey]:
    """Parts that get a page of their own: those not accepted and those held, then the newest accepted."""
    urgent = [k for k, r in period.standing.items() if r.disposition != Disposition.ACCEPT]
    rest = [k for k, r in reversed(period.standing.items()) if r.disposition == Disposition.ACCEPT]
    # Newest first within each sort, and each part once: a held part may stand in both.
    return list(dict.fromkeys([*reversed(urgent), *period.held, *rest]))[:count]

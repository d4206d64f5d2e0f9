"""Series of values read from a store's journal and archive, for the commands that look back."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from datetime import datetime
from itertools import compress, groupby
from pathlib import Path

import numpy as np

from edgeagent.codec.records.record import Record
from edgeagent.commands.shared_progress import show_progress
from edgeagent.errors import UsageError
from edgeagent.judging.drift import SeriesKey, SeriesValue, archived_values, belongs, observations
from edgeagent.judging.studies.observed import ObservedTraces, ObservedValues
from edgeagent.judging.studies.series_names import HARMONICS, by_series, harmonic_of, label_of, split_label
from edgeagent.judging.studies.trend import Series
from edgeagent.model.records import Measurement
from edgeagent.store.archive import Archive
from edgeagent.store.copies.sealed import SealedFiles
from edgeagent.store.index.lookup import Lookup
from edgeagent.store.journal import JournalReader, record_total
from edgeagent.store.values.lookup import ValueLookup
from edgeagent.store.values.rows import columns_of, microseconds
from edgeagent.store.values.table import RowFields, ValueTable, read, sound
from edgeagent.store.verify import journal_folder


@dataclass(frozen=True, slots=True)
class SeriesFilter:
    """Which series are asked for; None takes all. ``since`` counts by the time of measuring, with offset.

    ``judged_harmonics`` takes every harmonic that has a limit, which without it must be asked for by its UPR.
    """

    characteristic: str | None = None
    instrument: str | None = None
    part: str | None = None
    since: datetime | None = None
    judged_harmonics: bool = False

    def takes(self, measurement: Measurement) -> bool:
        """Whether it is a sound measurement that fits, whatever its characteristics are."""
        trace = measurement.trace
        # A trace that failed a check says something of itself, and nothing of the process.
        if measurement.quality_failed:
            return False
        if not self.fits(trace.of_artefact or trace.of_part[0], measurement.instrument):
            return False
        return self.since is None or datetime.fromisoformat(trace.measured_at) >= self.since

    def fits(self, subject: str, instrument: str) -> bool:
        """Whether traces of this part or artefact by this instrument are asked for."""
        return self.instrument in (None, instrument) and self.part in (None, subject)

    def asks_for(self, value: SeriesValue) -> bool:
        """Whether this value of a trace that fits is asked for."""
        if self.characteristic is None:
            return True
        return belongs(value, *split_label(self.characteristic))

    def asks(self, name: str, instance: str) -> bool:
        """The same of a series of the table of values, which has no harmonics."""
        if name == HARMONICS:
            return False
        return self.asks_for(SeriesValue(name, instance, None, "", None, None))

    def by_series(self) -> bool:
        """Whether all that is asked for are whole series without harmonics."""
        if self.judged_harmonics:
            return False
        return self.characteristic is None or by_series(self.characteristic)

    def harmonics(self) -> frozenset[int] | None:
        """The UPR whose amplitudes are to be read from spectra; None for all that have a limit.

        Raises UsageError for harmonics without a UPR.
        """
        if self.judged_harmonics:
            return None
        if self.characteristic is None:
            return frozenset()
        upr = harmonic_of(self.characteristic)
        if upr is None and split_label(self.characteristic)[0] == HARMONICS:
            raise UsageError(
                f"--characteristic {self.characteristic}: say which one, such as {HARMONICS}[37] for 37 UPR"
            )
        return frozenset({upr} if upr is not None else ())


class _Collected:
    """The series so far; ``unread`` counts the results that the archive could not give."""

    def __init__(self, archive: Archive, wanted: SeriesFilter) -> None:
        self._archive = archive
        self._wanted = wanted
        # Once: spectra are read only for orders that are asked for, as they are most of a result.
        self._harmonics = wanted.harmonics()
        self._traces = ObservedTraces()
        self.by_key: dict[SeriesKey, ObservedValues] = {}
        self.unread = 0

    def add_record(self, record: Record) -> None:
        """Add the values of a measurement that fits, from the archive."""
        body = record.body
        if not isinstance(body, Measurement) or not self._wanted.takes(body):
            return
        found = archived_values(body, self._archive.get, self._harmonics)
        if found is None:
            self.unread += 1
            return
        # The trace is kept once for all of its values, and not at all where none of them is asked for.
        place = None
        for one in observations(record.seq, body.trace, body.instrument, filter(self._wanted.asks_for, found)):
            if place is None:
                place = self._traces.add(one.seq, one.measured_at, one.serial, one.operator)
            self._of(one.key).add((place,), (one.value,), (one.unit, one.lower, one.upper))

    def add_table(self, table: ValueTable, lookup: Lookup | None) -> None:
        """Add what the table of values holds; results that it could not read are asked of the archive again."""
        since = None if self._wanted.since is None else microseconds(self._wanted.since)
        for rows in table.measured(since):
            # The traces of a part follow one another: rows are taken together by trace, each in its order
            by_trace: dict[tuple[str, bool, str, str], list[RowFields]] = {}
            for row in rows:
                form = table.form(row[1])
                trace = form.subject, form.artefact, form.feature, form.instrument
                by_trace.setdefault(trace, []).append(row)
            for some in by_trace.values():
                for kind, group in groupby(some, key=lambda r: (r[1], r[2], r[8])):
                    self._add_rows(table, kind, list(group), lookup)

    def _add_rows(
        self, table: ValueTable, kind: tuple[int, int, int], rows: list[RowFields], lookup: Lookup | None
    ) -> None:
        form, flags = table.form(kind[0]), kind[2]
        if not sound(flags) or not self._wanted.fits(form.subject, form.instrument):
            return
        # The table notes results that the archive could not give when it was filled: it may have them by now.
        if not read(flags):
            for record in [] if lookup is None else lookup.read_seqs([row[0] for row in rows]):
                self.add_record(record)
            # With a look-up each record counts itself.
            self.unread += len(rows) if lookup is None else 0
            return
        asked = [i for i, (name, instance, _) in enumerate(form.values) if self._wanted.asks(name, instance)]
        if not asked:
            return
        columns = columns_of(form, table.limits(kind[1]), [row[9] for row in rows])
        places = [self._traces.add(row[0], row[5], row[6], row[7]) for row in rows]
        for i in asked:
            name, instance, unit = form.values[i]
            values, known = columns.value[:, i], np.isfinite(columns.value[:, i])
            if known.any():
                key = SeriesKey(
                    form.subject, form.artefact, form.feature, form.instrument, label_of(name, instance)
                )
                lower, upper = (float(b) if b == b else None for b in columns.bounds[i, :2])
                # Values that could not be computed are NaN in the table and no points of a series.
                kept = places if known.all() else list(compress(places, known))
                self._of(key).add(kept, values[known], (unit, lower, upper))

    def _of(self, key: SeriesKey) -> ObservedValues:
        if key not in self.by_key:
            self.by_key[key] = ObservedValues(key, self._traces)
        return self.by_key[key]


def collect_series(folder: Path, wanted: SeriesFilter) -> tuple[list[Series], int]:
    """All series of a store that fit, each oldest first, and how many archived results could not be read.

    From the table of values where a long journal has one, and where nothing is asked for that the archived
    result alone knows (harmonics, the place of a trace's worst). Raises JournalCorruptError where the journal
    is damaged, UsageError where there is none.
    """
    journal = journal_folder(folder)
    if not journal.is_dir():
        raise UsageError(f"{folder}: there is no journal here")
    archive = Archive(journal.parent / "archive", SealedFiles(journal.parent))
    found, behind = _Collected(archive, wanted), None
    kept = ValueLookup.open(journal) if wanted.by_series() else None
    if kept is not None:
        try:
            found.add_table(kept.table, Lookup.open(journal))
            behind = kept.position
        except (sqlite3.Error, ValueError):  # a damaged cache: the journal has everything
            found = _Collected(archive, wanted)
    # From where the table ends: what is newer stands in the journal alone.
    walk, total = JournalReader(journal).walk(behind), record_total(journal)
    left = None if total is None else total - (0 if behind is None else behind.seq)
    for record, _ in show_progress(walk, "records", left):
        found.add_record(record)
    return [Series(key, values) for key, values in found.by_key.items()], found.unread


def unread_note(count: int) -> str:
    """What to say on stderr of results that the archive could not give."""
    return f"edgeagent: {count} results could not be read from the archive; left out"

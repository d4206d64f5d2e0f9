"""Records of a long journal, found by serial or time without reading all of it.

What is found is read from the journal, each record checked by its own hash; the chain between them is not
walked. A short journal, or one without an index that agrees with it, is walked from its first record instead.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path

from edgeagent.codec.records.record import Record, RecordError, decode_record, utc_text
from edgeagent.errors import JournalCorruptError
from edgeagent.store.index.entries import RARE, UNKNOWN, VERIFICATION, key_of_serial
from edgeagent.store.index.index import BLOCK, Index, Where, path_of, records_at
from edgeagent.store.journal import JournalReader, Position

LONG = 10_000
"""Records from which on a journal is looked up rather than walked: a walk takes about half a second."""
# In memory at a time: whoever looks back from the end mostly finds it in the first few.
_AT_ONCE = 256


class Lookup:
    """An index that agrees with its journal. Raises JournalCorruptError for a damaged record, or index."""

    def __init__(self, journal: Path, index: Index, position: Position) -> None:
        self.journal = journal
        self.position = position
        self._index = index
        self._tail: list[Record] | None = None

    @classmethod
    def open(cls, journal: Path) -> Lookup | None:
        """That of a journal folder; None where the journal is short or has no index that agrees."""
        index = Index.open(path_of(journal.parent))
        if index is None:
            return None
        try:
            position = index.position
        except sqlite3.Error:
            position = None
        # The record at the index's end must be the journal's: an index beside a restored store would hide what
        # differs.
        if position is None or position.seq < LONG or not JournalReader(journal).holds(position):
            index.close()
            return None
        return cls(journal, index, position)

    def tail(self) -> list[Record]:
        """The records behind the index, their chain checked."""
        if self._tail is None:
            self._tail = [record for record, _ in JournalReader(self.journal).walk(self.position)]
        return self._tail

    def last(self) -> Record:
        """The last record of the journal."""
        if self.tail():
            return self.tail()[-1]
        with _index_errors():
            places = self._index.between(self.position.seq, self.position.seq)
        (record,) = self.read(places)
        return record

    def read(self, places: Sequence[Where]) -> Iterator[Record]:
        """The records at these places."""
        try:
            for place, line in zip(places, records_at(self.journal, places), strict=True):
                try:
                    record = decode_record(line)
                except RecordError as error:
                    raise JournalCorruptError(place.segment, 0, f"record {place.seq}: {error}") from error
                # A record's own hash is right wherever it stands: an index that was tampered with could point
                # at another one.
                if record.seq != place.seq:
                    raise JournalCorruptError(place.segment, 0, f"record {record.seq} where {place.seq} was")
                yield record
        except OSError as error:
            raise JournalCorruptError(str(self.journal), 0, f"cannot be read: {error.strerror}") from error

    def read_seqs(self, seqs: Iterable[int]) -> Iterator[Record]:
        """The records with these numbers, without those behind the index. Raises JournalCorruptError."""
        for seq in seqs:
            with _index_errors():
                place = self._index.of_seq(seq)
            if place is None:
                raise JournalCorruptError("state/index.sqlite", 0, f"the index has no record {seq}")
            yield from self.read([place])

    def of_serial(self, serial: str) -> Iterator[Record]:
        """What may be about parts with this serial, in order; the caller looks at what each record says."""
        with _index_errors():
            places = self._index.of_serial(key_of_serial(serial))
        yield from self.read(places)
        yield from self.tail()

    def acknowledgements_of(self, seqs: Sequence[int]) -> Iterator[Record]:
        """The acknowledgements of these records, in order, without those behind the index."""
        with _index_errors():
            places = sorted((p for seq in seqs for p in self._index.about(seq)), key=lambda p: p.seq)
        yield from self.read(places)

    def verifications_before(self, seq: int) -> Iterator[Record]:
        """The verifications before a record, newest first, without those behind the index."""
        # Over the loop: rows come from SQLite while records are read.
        with _index_errors():
            for place in self._index.of_sort_before(VERIFICATION, seq):
                yield from self.read([place])

    def rare_backwards(self) -> Iterator[Record]:
        """Starts aside, the records that do not come with parts (configurations among them), newest first."""
        yield from reversed(self.tail())
        with _index_errors():
            for place in self._index.of_sort_before(RARE, self.position.seq + 1):
                yield from self.read([place])

    def backwards(self, seq: int) -> Iterator[Record]:
        """All records before a number, newest first."""
        yield from (record for record in reversed(self.tail()) if record.seq < seq)
        last = min(seq - 1, self.position.seq)
        while last > 0:
            first = max(last - _AT_ONCE + 1, 1)
            with _index_errors():
                places = self._index.between(first, last)
            yield from reversed(list(self.read(places)))
            last = first - 1

    def unknown(self) -> Iterator[Record]:
        """The records that this version does not know, without those behind the index."""
        with _index_errors():
            places = self._index.of_sort(UNKNOWN)
        yield from self.read(places)

    def rare_within(self, since: datetime | None, until: datetime | None) -> Iterator[Record]:
        """The records of a period that do not grow with the parts, and some around it, in order.

        Verifications, files that could not be read, acknowledgements, without those behind the index.
        """
        places: list[Where] = []
        with _index_errors():
            for first, last in self._index.blocks(_text(since), _end_text(until)):
                for sort in (RARE, VERIFICATION, UNKNOWN):
                    places += self._index.of_sort_between(sort, first, last)
        yield from self.read(sorted(places, key=lambda p: p.seq))

    def ends(self, since: datetime | None, until: datetime | None) -> tuple[Record, Record] | None:
        """First and last record from one time on until before another, without those behind the index."""

        def inside(record: Record) -> bool:
            moment = datetime.fromisoformat(record.time)
            return (since is None or since <= moment) and (until is None or moment < until)

        with _index_errors():
            stretches = self._index.blocks(_text(since), _end_text(until))
        blocks = [n for first, last in stretches for n in range(first, last + 1, BLOCK)]
        found = []
        # From both ends, since the stretches also hold records outside the period.
        for order, some in ((1, blocks), (-1, blocks[::-1])):
            for first in some:
                with _index_errors():
                    places = self._index.between(first, min(first + BLOCK - 1, self.position.seq))
                record = next(filter(inside, list(self.read(places))[::order]), None)
                if record is not None:
                    found.append(record)
                    break
        return (found[0], found[1]) if len(found) == 2 else None

    def within(self, since: datetime | None, until: datetime | None) -> Iterator[Record]:
        """Every record between two times, in order, and some around them."""
        with _index_errors():
            stretches = self._index.blocks(_text(since), _text(until))
            for first, last in stretches:
                # A year may be one stretch: its places are not all in memory at once.
                for start in range(first, last + 1, 4096):
                    yield from self.read(self._index.between(start, min(start + 4095, last)))
        yield from self.tail()


@contextlib.contextmanager
def _index_errors() -> Iterator[None]:
    """What SQLite finds wrong with the index, as an error that says what to do."""
    try:
        yield
    except sqlite3.Error as error:
        reason = f"the index is damaged ({error}); remove it, the next start of the service makes a new one"
        raise JournalCorruptError("state/index.sqlite", 0, reason) from error


def _text(moment: datetime | None) -> str | None:
    """A time as records write it, a second earlier, since not every version wrote as many digits."""
    # Texts are compared: a time with fewer digits sorts behind the same one with more.
    return None if moment is None else utc_text(moment.astimezone(UTC) - timedelta(seconds=1))


def _end_text(until: datetime | None) -> str | None:
    """The same of an end, a second later."""
    return None if until is None else _text(until + timedelta(seconds=2))


def records_for(
    journal: Path, serial: str | None, since: datetime | None, until: datetime | None
) -> Iterator[Record]:
    """Every record that may be about this serial and period, in order; all of them where neither is given.

    Raises JournalCorruptError.
    """
    lookup = Lookup.open(journal) if serial is not None or since is not None else None
    if lookup is None:
        yield from (record for record, _ in JournalReader(journal).walk())
    elif serial is not None:
        yield from lookup.of_serial(serial)
    else:
        yield from lookup.within(since, until + timedelta(seconds=2) if until is not None else None)

"""What the service asks about long ago: its index answers, or the journal where the index is given up."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator, Sequence
from contextlib import suppress
from pathlib import Path

from edgeagent.codec.records.record import Record, RecordError, decode_record
from edgeagent.errors import JournalWriteError
from edgeagent.store.index.cache_file import discard, is_busy
from edgeagent.store.index.entries import key_of_content, key_of_serial
from edgeagent.store.index.index import Index, path_of, records_at
from edgeagent.store.index.past_parts import WalkedParts
from edgeagent.store.journal import Position

_NOTED_MAX = 4096
"""Records that are noted beside an index that has them."""


class Past:
    """Which files have their record, and what was measured of a part before a record.

    ``walked`` has what the journal holds behind the index, or all of it where there is none.

    An index that cannot be read is thrown away; the question that found it so and those that follow are
    answered by a walk through the journal, and ``lost`` says why until `Upkeep` has put it on record. The walk
    takes as long as a start without an index, and calls ``breathe`` many times a second. Raises
    JournalCorruptError where the journal is damaged.
    """

    def __init__(self, journal: Path, index: Index | None, walked: WalkedParts) -> None:
        self._journal, self._path = journal, path_of(journal.parent)
        self._index, self._walked, self._behind = index, walked, 0
        self.lost = ""
        self.breathe: Callable[[], None] = lambda: None

    def use(self, index: Index, position: Position | None) -> None:
        """The index answers up to a record from here on, the journal behind it."""
        self._index, self._behind = index, 0 if position is None else position.seq
        self._walked = WalkedParts(self._journal, with_files=True, behind=position)

    def leave_to_index(self, position: Position | None) -> None:
        """Drop what was noted of the records up to one that the index has by now, once they are many."""
        if self._index is None or position is None:
            return
        if position.seq - self._behind >= _NOTED_MAX:
            self.use(self._index, position)

    def lose(self, reason: Exception) -> None:
        """The index cannot be read: throw it away, and walk through the journal."""
        self.lost, self._index = f"{self._path.name}: {reason}", None
        # One that somebody else has locked may be whole; the next start finds out.
        if not (isinstance(reason, sqlite3.Error) and is_busy(reason)):
            # What cannot be removed is found damaged once more after the next start.
            with suppress(JournalWriteError):
                discard(self._path)
        self._walked = WalkedParts(self._journal, with_files=True)
        self._walked.follow(breathe=self.breathe)

    def follow(self) -> None:
        """Note what was written since."""
        self._walked.follow()

    def knows(self, file_key: bytes) -> bool:
        """Whether a file of this identity has its record."""
        if self._index is not None:
            try:
                if self._index.has_file(file_key):
                    return True
            except sqlite3.Error as error:
                self.lose(error)
        self._walked.follow()
        return self._walked.knows(file_key)

    def recall(self, part: str, serial: str, content: str, before: int) -> Sequence[Record]:
        """The measurements of a serial before a record, in order, if the content was decided of the part."""
        if self._index is not None:
            try:
                return list(self._of_both(self._index, part, serial, content, before))
            # Also a record that is not where the index says: the walk finds out whether the journal is damaged.
            except (sqlite3.Error, OSError, RecordError) as error:
                self.lose(error)
        return list(self._walked.recall(part, serial, content, before))

    def _of_both(self, index: Index, part: str, serial: str, content: str, before: int) -> Iterator[Record]:
        """By the index, and behind it by the walk. Raises sqlite3.Error, OSError and RecordError."""
        key, serial_key, last = key_of_content(part, serial, content), key_of_serial(serial), 0
        self._walked.follow(before - 1)
        # Decided by either: what the other one has of the serial counts as well.
        if not self._walked.has_decided(key) and not index.has_decided(serial_key, key, before):
            return
        places = index.measurements(serial_key, before)
        for place, line in zip(places, records_at(self._journal, places), strict=True):
            record, last = decode_record(line), place.seq
            # Right by its own hash wherever it stands: an index that is wrong could hide a reject behind it.
            if record.seq != place.seq:
                raise RecordError(f"record {record.seq} where {place.seq} should be")
            yield record
        # Behind the last one: both have the records that were added to the index meanwhile.
        yield from (record for record in self._walked.measurements(serial, before) if record.seq > last)

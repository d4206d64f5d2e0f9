"""Lets the table of values follow the journal, some milliseconds at a time."""

from __future__ import annotations

import sqlite3
import time
from collections import deque
from collections.abc import Callable
from pathlib import Path

from edgeagent.codec.records.record import Place, Record
from edgeagent.errors import JournalWriteError
from edgeagent.model.records import Measurement, PartDisposition
from edgeagent.store.index.cache_file import discard
from edgeagent.store.journal import JournalReader, Position
from edgeagent.store.values.rows import ValueRow, recorded_us, row_of
from edgeagent.store.values.table import NewDecision, NewPart, ValueWriter, path_of

COMMIT_RECORDS = 512
"""Records that wait for a commit at the most: one costs some syncs, however many they are."""
# Read at once: opening the segment for each record would cost more than the row.
_AHEAD = 64


class ValueKeeper:
    """Reads records and archived results, and keeps what reports on periods ask of them.

    ``fetch`` gives the archive's content of a digest. ``seq`` is the last record that was taken, ``waiting``
    counts those that are in no commit yet.
    """

    def __init__(self, table: ValueWriter, journal: Path, fetch: Callable[[str], bytes]) -> None:
        self._table = table
        self._reader = JournalReader(journal)
        self._fetch = fetch
        self._position = table.position
        # The table's position is that of its last commit.
        self._kept = self.seq
        self._ahead: deque[tuple[Record, Place]] = deque()
        self._read_to = self._position.place if self._position is not None else None
        self._entries: list[ValueRow | NewPart | NewDecision] = []

    @property
    def seq(self) -> int:
        """The last record that was taken."""
        return self._position.seq if self._position is not None else 0

    @property
    def waiting(self) -> int:
        """Records that were taken and are in no commit yet."""
        return self.seq - self._kept

    def follow(self, end: int, seconds: float) -> None:
        """Take records up to ``end``, for so long and so many as one commit holds at the most.

        Raises JournalCorruptError.
        """
        until = time.monotonic() + seconds
        while self.seq < end and self.waiting < COMMIT_RECORDS:
            if not self._ahead:
                self._ahead.extend(self._reader.read_from(self._read_to, min(_AHEAD, end - self.seq)))
                if not self._ahead:
                    return
                # Apart from the position: what was read ahead is taken later, when the loop has time again.
                self._read_to = self._ahead[-1][1]
            self._take(*self._ahead.popleft())
            if time.monotonic() >= until:
                return

    def _take(self, record: Record, place: Place) -> None:
        before = self._position
        start = before.place.offset if before is not None and before.place.segment == place.segment else 0
        match record.body:
            case Measurement() as body:
                # A result that the archive has lost gives a row from the record itself: one damaged object must
                # not stop the table.
                row = row_of(record, body, self._fetch)
                self._entries.append(row)
                if body.trace.of_artefact is None:
                    self._entries.append(NewPart(record.seq, *body.trace.of_part, row.recorded_us))
            case PartDisposition() as body:
                at = recorded_us(record)
                self._entries.append(NewDecision(record.seq, body.part, body.serial, body.disposition, at))
            case _:
                pass
        self._position = Position(record.seq, record.hash, place, start)

    def commit(self) -> bool:
        """Write what was taken; False while a reader holds the table. Raises JournalWriteError."""
        # No empty commits: each one costs syncs, and readers their look.
        if self._position is None or not self.waiting:
            return True
        if not self._table.add(self._entries, self._position):
            return False
        self._entries.clear()
        self._kept = self.seq
        return True

    def close(self) -> None:
        """Let go of the file."""
        self._table.close()


def begin_values(store: Path, fetch: Callable[[str], bytes]) -> ValueKeeper | None:
    """The store's table of values, begun anew where it belongs to another journal.

    None where it cannot be kept.
    """
    path, journal = path_of(store), store / "journal"
    try:
        table = ValueWriter.create(path)
        try:
            position = table.position
            agrees = position is None or JournalReader(journal).holds(position)
        except (ValueError, sqlite3.Error):
            agrees = False
        if not agrees:
            table.close()
            discard(path)
            table = ValueWriter.create(path)
        return ValueKeeper(table, journal, fetch)
    # Reports then walk the journal: slower, and the same. The disk has its alarm elsewhere.
    except JournalWriteError:
        return None

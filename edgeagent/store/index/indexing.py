"""Lets the index follow a start that reads records which it does not have."""

from __future__ import annotations

from pathlib import Path

from edgeagent.codec.records.record import Place, Record
from edgeagent.errors import JournalWriteError
from edgeagent.judging.memory import Memory
from edgeagent.store.index.index import IndexWriter
from edgeagent.store.index.past_parts import WalkedParts, recall_by

BULK_FROM = 20_000
"""Missing records from which on an index is made as a whole: one by one they go to places all over the file."""
_AT_ONCE = 1024


class Indexing:
    """Takes each record that a fold has, so that the fold need not keep every file.

    Until an index that is made as a whole is whole, the fold recalls parts by a walk. Where the disk refuses
    the index, the fold keeps what it has, and the `Upkeep` will say so.
    """

    def __init__(self, index: IndexWriter, journal: Path, memory: Memory, total: int | None) -> None:
        self._index, self._journal, self._memory = index, journal, memory
        self._position = index.position
        self._read: list[tuple[Record, Place]] = []
        self._refused = False
        self._walked: WalkedParts | None = None
        missing = (total or 0) - (self._position.seq if self._position is not None else 0)
        memory.recall = recall_by(index, journal)
        if missing >= BULK_FROM:
            try:
                index.begin_bulk()
            except JournalWriteError:
                self._refused = True
                return
            self._walked = WalkedParts(journal)
            memory.recall = self._walked.recall

    def note(self, record: Record, place: Place) -> None:
        """Note one more record that the fold has."""
        if self._walked is not None:
            self._walked.note(record)
            self._memory.forget_recorded(record.seq)
        if self._refused or (self._position is not None and record.seq <= self._position.seq):
            return
        self._read.append((record, place))
        if len(self._read) < _AT_ONCE:
            return
        before = self._position
        try:
            self._position = self._index.add(self._read, before)
        except JournalWriteError:
            self._refused = True
            self._read.clear()
        if self._position is not before:
            self._read.clear()
            self._memory.forget_files()
            self._memory.forget_recorded(record.seq)

    def finish(self) -> None:
        """The fold is at the journal's end. Raises JournalWriteError where the disk refuses."""
        if self._walked is not None and not self._refused:
            self._position = self._index.add(self._read, self._position)
            self._index.end_bulk()
            self._memory.recall = recall_by(self._index, self._journal)

"""Lets the index follow a start that reads records which it does not have."""

from __future__ import annotations

from pathlib import Path

from edgeagent.codec.records.record import Place, Record
from edgeagent.errors import JournalWriteError
from edgeagent.judging.memory import Memory
from edgeagent.store.index.index import IndexWriter
from edgeagent.store.index.past import Past
from edgeagent.store.index.past_parts import WalkedParts

BULK_FROM = 20_000
"""Missing records from which on an index is made as a whole: one by one they go to places all over the file."""
WITHOUT_INDEX = "the index of the journal is not kept until the next start"
_AT_ONCE = 1024


class Indexing:
    """Takes each record that a fold has, so that the fold need not keep every file.

    Until an index that is made as a whole is whole, and without an index, ``past`` answers by the journal
    alone. Where the disk refuses an index that is made as a whole, ``refused`` says so: the fold has left to it
    what it lacks now, so that the start begins again without. Where it refuses only to go on, the fold keeps
    what it has, and the `Upkeep` will say so.
    """

    def __init__(self, index: IndexWriter | None, journal: Path, memory: Memory, total: int | None) -> None:
        self._index, self._memory = index, memory
        self._position = None if index is None else index.position
        self._read: list[tuple[Record, Place]] = []
        self._paused = False
        self.refused = ""
        missing = (total or 0) - (self._position.seq if self._position is not None else 0)
        # While keys are not in their trees, the index can find nothing: the fold asks the walk itself then.
        self._as_whole = index is None or missing >= BULK_FROM
        # Of files not while an index is made: nobody asks for them then.
        behind = None if self._as_whole else self._position
        self._walked = WalkedParts(journal, with_files=index is None or not self._as_whole, behind=behind)
        if self._as_whole:
            self._begin_bulk()
        self.past = Past(journal, None if self._as_whole else index, self._walked)
        memory.ask(self.past.knows, self.past.recall)

    def _begin_bulk(self) -> None:
        try:
            if self._index is not None:
                self._index.begin_bulk()
        except JournalWriteError as error:
            self.refused = str(error)

    def note(self, record: Record, place: Place) -> None:
        """Note one more record that the fold has. Raises JournalWriteError once an index is ``refused``."""
        self._walked.note(record, place)
        # Raised here and not in the constructor: the start tells it apart from errors of the journal by
        # `refused`.
        if self.refused:
            raise JournalWriteError(self.refused)
        if self._index is None and record.seq % _AT_ONCE == 0:
            self._memory.forget_files()
        if self._index is None or self._paused:
            return
        # Behind a snapshot the walk begins before the index ends.
        if self._position is not None and record.seq <= self._position.seq:
            return
        self._read.append((record, place))
        if len(self._read) >= _AT_ONCE:
            self._add(self._index)

    def _add(self, index: IndexWriter) -> None:
        before = self._position
        try:
            self._position = index.add(self._read, before)
        except JournalWriteError as error:
            if self._as_whole:
                self.refused = str(error)
                raise
            self._paused = True
            self._read.clear()
        # Not added while somebody reads: the records stay, and the next ones try again with them.
        if self._position is not before:
            self._read.clear()
            # Only once a commit holds them: until then the fold alone knows which files are done.
            self._memory.forget_files()

    def finish(self) -> None:
        """The fold is at the journal's end. Raises JournalWriteError where an index is ``refused``."""
        if not self._as_whole or self._index is None:
            return
        if self._read:
            self._add(self._index)
        try:
            # After `_add` there should be none; a reader that held the file for longer than the patience left
            # some.
            if self._read:
                raise JournalWriteError("index: a reader keeps it locked")
            self._index.end_bulk()
        except JournalWriteError as error:
            self.refused = str(error)
            raise
        self.past.use(self._index, self._position)

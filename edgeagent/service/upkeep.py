"""What the loop does when nothing waits: let index and table of values follow, keep snapshots, check the chain.

A start that continued from a snapshot has not read what stands before it. That is read here, a few records at a
time, and damage ends the service as it would have ended the start.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING

from edgeagent.codec.configuration.settings import Drift
from edgeagent.errors import JournalCorruptError, JournalWriteError
from edgeagent.judging.memory import Memory
from edgeagent.judging.snapshot import encode_snapshot
from edgeagent.store.clock import Clock
from edgeagent.store.index.cache_file import is_damaged
from edgeagent.store.index.indexing import WITHOUT_INDEX
from edgeagent.store.index.past import Past
from edgeagent.store.index.resume import IndexKeeper
from edgeagent.store.journal import JournalReader, Position
from edgeagent.store.values.follow import COMMIT_RECORDS, ValueKeeper

if TYPE_CHECKING:
    from edgeagent.judging.drift import DriftWatch

SLICE = 128
"""Records that the index takes at a time: some milliseconds."""
FAR_BEHIND = 2048
"""Records by which the index may be behind while files wait."""
GIVE_UP_BEHIND = 20_480
"""Records by which a reader may keep the index behind; until it has them, memory keeps files and parts."""
FOLLOW_EVERY_S = 10.0
"""Fewer than a slice wait so long, as a commit syncs."""
SNAPSHOT_EVERY = 1000
"""Records between snapshots."""
_CHECK_SLICE_S = 0.004
_CHECK_EVERY_S = 0.02
"""A fifth of a core for the old part of the chain."""
_VALUES_SLICE_S = 0.004
_VALUES_EVERY_S = 0.02
"""A fifth of a core where the table of values is far behind: it reads an archived result for each file."""
_BUSY_S = 1.0
"""Pause before a table that somebody reads is tried again: each try waits for the reader."""
_LAST_VALUES_S = 0.2
_LAST_SLICES = 40
"""At the end the index takes no more slices than these; what is left follows after the next start."""


class Upkeep:
    """Used from the service loop only. Raises JournalCorruptError for damage in the old part of the chain."""

    def __init__(self, clock: Clock, watched: Drift | None, report: Callable[[str], None]) -> None:
        self._clock = clock
        self._watched = watched
        self._report = report
        self._index: IndexKeeper | None = None
        self._past: Past | None = None
        self._left_to_walk = 0
        self._values: ValueKeeper | None = None
        self._check: Iterator[None] | None = None
        self._next_follow = self._next_check = self._next_values = self._next_commit = 0.0
        self._values_behind = False

    def begin(
        self,
        index: IndexKeeper | None,
        past: Past,
        values: ValueKeeper | None,
        journal: Path,
        resumed: Position | None,
    ) -> None:
        """Take over what the start opened; ``resumed`` is the record before which the chain is unchecked."""
        self._index, self._past, self._values = index, past, values
        self._check = None if resumed is None else _walk_chain(JournalReader(journal), resumed)

    def is_far_behind(self, end: int) -> bool:
        """Whether this needs its turn although files wait: until it had it, memory keeps their parts."""
        reached = self._left_to_walk if self._index is None else self._index.seq
        return self._past is not None and (bool(self._past.lost) or end - reached >= FAR_BEHIND)

    def due(self) -> float:
        """When the next turn is worth a wake-up, on the monotonic clock."""
        check = self._next_check if self._check is not None else float("inf")
        return min(check, self._next_values if self._values_behind else float("inf"))

    def turn(self, end: int, delivered: int, memory: Memory, drift: DriftWatch | None) -> bool:
        """One slice of work; ``end`` is the journal's last record. Whether there is more to do at once."""
        now = self._clock.monotonic()
        if self._check is not None and now >= self._next_check:
            self._check_some(now)
            self._next_check = self._clock.monotonic() + _CHECK_EVERY_S
        if self._past is not None and self._past.lost:
            self._give_up(self._past.lost)
        if self._index is None:
            self._leave_to_walk(end, memory)
            return False
        try:
            # Index and table can be made again from the journal: they must not end what lights the lamp.
            more = self._follow(self._index, now, end, delivered, memory, drift)
        except (JournalWriteError, sqlite3.Error) as error:
            # Another index than a damaged one answers up to where it goes, the journal behind it.
            if self._past is not None and (is_damaged(error) or is_damaged(error.__cause__)):
                self._past.lose(error)
            self._give_up(str(error))
            return False
        # Behind the index, which memory waits for; values are for trends alone.
        if self._values is not None and not more:
            self._follow_values(self._values, self._index.seq)
        return more

    def _follow_values(self, values: ValueKeeper, end: int) -> None:
        """A slice for the table of values, and a commit where one is full or the last one is long ago."""
        now = self._clock.monotonic()
        try:
            if now >= self._next_values:
                values.follow(end, _VALUES_SLICE_S)
                # A commit syncs, and so is worth its price for many records, or for few after some seconds.
                full, busy = values.waiting >= COMMIT_RECORDS, False
                if full or (values.waiting and now >= self._next_commit):
                    # Before the commit: one that fails must not be tried again with every turn.
                    self._next_commit = now + FOLLOW_EVERY_S
                    busy = not values.commit()
                # From its end: a slice on a slow disk, or a reader, must not take the whole loop.
                self._next_values = self._clock.monotonic() + (_BUSY_S if busy else _VALUES_EVERY_S)
        except (JournalWriteError, sqlite3.Error) as error:
            self._give_up_values(error)
        self._values_behind = self._values is not None and values.seq < end

    def finish(self, end: int, delivered: int, memory: Memory, drift: DriftWatch | None) -> None:
        """Bring the index up to the journal's end, with a snapshot, so that the next start is quick."""
        if self._past is not None and self._past.lost:
            self._give_up(self._past.lost)
        if self._index is None:
            return
        values = self._values
        try:
            for _ in range(_LAST_SLICES):
                # Nothing followed: a reader has the index at the moment. The rest follows after the next start.
                if self._index.seq >= end or not self._index.follow(SLICE):
                    break
            self._keep(self._index, end, delivered, memory, drift)
            if values is not None:
                values.follow(self._index.seq, _LAST_VALUES_S)
                values.commit()
                values.close()
            self._index.close()
        # Also damage: the stop record is written, and the next start finds it where it looks for it.
        except (JournalWriteError, JournalCorruptError, sqlite3.Error) as error:
            self._report(f"{WITHOUT_INDEX}: {error}")
        self._index = self._values = None

    def _follow(
        self, index: IndexKeeper, now: float, end: int, delivered: int, memory: Memory, drift: DriftWatch | None
    ) -> bool:
        behind = end - index.seq
        if behind >= SLICE or (behind and now >= self._next_follow):
            self._next_follow = now + FOLLOW_EVERY_S
            if not index.follow(SLICE) and behind >= GIVE_UP_BEHIND:
                raise JournalWriteError("index: somebody keeps reading it")
            # What index and journal answer for need not be in memory any more.
            memory.forget_files()
            if self._past is not None:
                self._past.leave_to_index(index.position)
        # Only with nothing left to follow, since the snapshot must stand at the index's own end.
        elif not behind and end - index.snapshot_seq >= SNAPSHOT_EVERY:
            self._keep(index, end, delivered, memory, drift)
        return end - index.seq >= SLICE

    def _keep(
        self, index: IndexKeeper, end: int, delivered: int, memory: Memory, drift: DriftWatch | None
    ) -> None:
        # A snapshot of a fold that is ahead of the index would hide the records between them from look-ups.
        if index.seq != end:
            return
        memory.forget_files()
        # A start from a snapshot sends no message of what stands before it: all of that must be delivered.
        if delivered >= end:
            snapshot = encode_snapshot(memory, drift, self._watched)
            if snapshot is not None:
                index.keep(snapshot)

    def _check_some(self, now: float) -> None:
        assert self._check is not None
        while self._clock.monotonic() - now < _CHECK_SLICE_S:
            # The default is what no step yields: with it no exception for the end has to be caught.
            if next(self._check, self) is self:
                self._check = None
                return

    def _give_up(self, reason: str) -> None:
        """Do without an index until the next start: everything is in the journal."""
        self._index = self._values = None
        self._values_behind = False
        if self._past is not None:
            self._past.lost = ""
        self._report(f"{WITHOUT_INDEX}: {reason}")

    def _leave_to_walk(self, end: int, memory: Memory) -> None:
        """Without an index memory keeps no file longer than a slice: the walk finds each once it is written."""
        if self._past is not None and end - self._left_to_walk >= SLICE:
            self._past.follow()
            memory.forget_files()
            self._left_to_walk = end

    def _give_up_values(self, error: Exception) -> None:
        self._values, self._values_behind = None, False
        self._report(f"the table of values is not kept until the next start: {error}")


def _walk_chain(reader: JournalReader, until: Position) -> Iterator[None]:
    """Walk the chain up to a record, and see that it is the one that was continued from."""
    for record, place in reader.walk():
        if record.seq == until.seq:
            if record.hash != until.hash:
                reason = f"record {record.seq} is not the one that was continued from: hashes differ"
                raise JournalCorruptError(place.segment, 0, reason)
            return
        yield None
    raise JournalCorruptError("journal", 0, f"it ends before record {until.seq}")

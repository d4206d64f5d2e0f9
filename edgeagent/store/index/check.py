"""Checks the index against the journal, record by record: look-ups and starts rely on it.

The chain vouches for each record that is found by the index, not for those that it hides.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from pathlib import Path

import msgspec

from edgeagent.codec.records.record import Record
from edgeagent.judging.memory import Memory
from edgeagent.judging.replaying.contradiction import Contradiction
from edgeagent.judging.snapshot import unlike_memory
from edgeagent.store.index.entries import IndexEntry, entry_of
from edgeagent.store.index.index import Index, path_of
from edgeagent.store.index.resume import SNAPSHOT
from edgeagent.store.journal import JournalReader

_KIND = "index"
_REMEDY = "remove state/index.sqlite, the next start makes it anew"


class IndexCheck:
    """Give each record once, in order, with the fold after it. Says the first thing that is wrong, and no more.

    An index of another journal, or none, is no contradiction: nothing relies on it.
    """

    def __init__(self, store: Path) -> None:
        self._index = Index.open(path_of(store))
        self._entries: Iterator[IndexEntry] = iter(())
        self._until, self._snapshot = 0, (0, "", b"")
        if self._index is None:
            return
        try:
            position, note = self._index.position, self._index.note(SNAPSHOT)
            holds = position is not None and JournalReader(store / "journal").holds(position)
            self._until = position.seq if position is not None and holds else 0
            # In step with the walk, a slice in memory at a time.
            self._entries = self._index.entries()
            if note is not None:
                self._snapshot = msgspec.msgpack.decode(note, type=tuple[int, str, bytes])
        except (sqlite3.Error, msgspec.MsgspecError):
            self._until = 0  # damaged: whoever asks it hears so

    def apply(self, record: Record, memory: Memory) -> Iterator[Contradiction]:
        """Contradictions between the index and this record."""
        if record.seq <= self._until:
            try:
                entry = next(self._entries, None)
            except sqlite3.Error:
                entry = None
            if entry != entry_of(record):
                words = f"the index hides it, or finds it as something else: {_REMEDY}"
                yield Contradiction(record.seq, _KIND, record.kind, words)
                # Once: where one entry is missing, every later one would be out of step too.
                self._until = 0
        seq, head, data = self._snapshot
        # By number and hash: the snapshot of another history with as many records is no contradiction of this
        # one.
        if record.seq == seq and record.hash == head:
            for words in unlike_memory(data, memory):
                yield Contradiction(record.seq, _KIND, "snapshot", f"{words} not as by the journal: {_REMEDY}")

    def close(self) -> None:
        """Let go of the file."""
        if self._index is not None:
            self._index.close()

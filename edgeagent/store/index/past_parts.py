"""What was recorded of a part long ago: for the service by its index, for a replay by the journal itself."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from edgeagent.codec.records.record import Record, RecordError, decode_record
from edgeagent.errors import JournalCorruptError, JournalWriteError
from edgeagent.judging.memory import Recall, feature_result
from edgeagent.model.records import Measurement
from edgeagent.store.index.cache_file import discard
from edgeagent.store.index.entries import key_of_serial
from edgeagent.store.index.index import IndexWriter, path_of, records_at
from edgeagent.store.journal import JournalReader

_PENDING_MAX = 65_536


def recall_by(index: IndexWriter, journal: Path) -> Recall:
    """Finds records by the service's index. What it finds is read from the journal, each by its own hash.

    A damaged index is thrown away first, and JournalWriteError raised: the next start does without. Raises
    JournalCorruptError where the journal is damaged.
    """

    def recall(_part: str, serial: str, _content: str, before: int) -> Iterator[Record]:
        try:
            places = [p for p in index.of_serial(key_of_serial(serial)) if p.seq < before]
        except sqlite3.Error as error:
            path = path_of(journal.parent)
            discard(path)
            raise JournalWriteError(f"{path}: damaged, so it was removed: {error}") from error
        try:
            yield from map(decode_record, records_at(journal, places))
        except (OSError, RecordError) as error:
            raise JournalCorruptError(str(journal), 0, f"records of serial {serial}: {error}") from error

    return recall


class DecidedContents:
    """Which contents of which parts were decided, in 8 bytes each: rarely, one that was not seems to be."""

    def __init__(self) -> None:
        self._sorted = np.empty(0, dtype=np.uint64)
        self._pending: set[int] = set()

    def add(self, part: str, serial: str, content: str) -> None:
        """Note that a content was decided."""
        self._pending.add(_key(part, serial, content))
        if len(self._pending) >= _PENDING_MAX:
            fresh = np.fromiter(self._pending, dtype=np.uint64, count=len(self._pending))
            self._sorted = np.union1d(self._sorted, fresh)
            self._pending.clear()

    def holds(self, part: str, serial: str, content: str) -> bool:
        """Whether a content was decided."""
        key = _key(part, serial, content)
        at = int(np.searchsorted(self._sorted, np.uint64(key)))
        return key in self._pending or (at < len(self._sorted) and int(self._sorted[at]) == key)


def _key(part: str, serial: str, content: str) -> int:
    text = f"{part}\0{serial}\0{content}".encode("utf-8", "surrogatepass")
    return int.from_bytes(hashlib.sha256(text).digest()[:8], "big")


class WalkedParts:
    """What a walk through a journal has seen, for a replay: no index is asked, which may be changed too."""

    def __init__(self, journal: Path) -> None:
        self._journal = journal
        self._contents = DecidedContents()

    def note(self, record: Record) -> None:
        """Note one record that was walked."""
        body = record.body
        if isinstance(body, Measurement) and body.trace.of_artefact is None:
            self._contents.add(*body.trace.of_part, feature_result(record.seq, body).content)

    def recall(self, part: str, serial: str, content: str, before: int) -> Iterator[Record]:
        """The records before one, if any of them decided the content: then the journal is walked again."""
        if self._contents.holds(part, serial, content):
            for record, _ in JournalReader(self._journal).walk():
                if record.seq >= before:
                    return
                yield record

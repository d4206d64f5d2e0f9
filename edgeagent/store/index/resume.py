"""Where a start may continue instead of reading the whole journal: index and snapshot, checked against it."""

from __future__ import annotations

import sqlite3
from dataclasses import dataclass
from pathlib import Path

import msgspec

from edgeagent.codec.configuration.settings import Drift
from edgeagent.codec.records.record import Place, Record, RecordError, decode_record
from edgeagent.judging.memory import Memory
from edgeagent.judging.snapshot import MemorySnapshot, decode_snapshot
from edgeagent.model.records import Measurement, PartDisposition, Quarantine
from edgeagent.store.index.entries import DISPOSITION
from edgeagent.store.index.index import Index, IndexWriter, Where, records_at
from edgeagent.store.journal import JournalReader, Position

SNAPSHOT = "snapshot"
"""The note that holds a fold, with number and hash of its last record."""
_NOTE = msgspec.msgpack.Decoder(tuple[int, str, bytes])
_NOTE_ENCODER = msgspec.msgpack.Encoder()


@dataclass(frozen=True, slots=True)
class ResumePoint:
    """A record up to which the journal is known, with what the fold knew then."""

    position: Position
    snapshot: MemorySnapshot
    last_disposition: Record | None


def find_resume_point(
    index: Index, journal: Path, delivered: int | None, watched: Drift | None
) -> ResumePoint | None:
    """Where the fold can continue; None where the journal must be read from its first record.

    None if delivery is behind the snapshot or its position is unknown (``delivered`` None), if the journal does
    not hold the record, and if the snapshot is of another version or other drift charts.
    """
    try:
        position, note = index.position, index.note(SNAPSHOT)
        if position is None or note is None or delivered is None:
            return None
        seq, head, data = _NOTE.decode(note)
        where = index.of_seq(seq)
        # The publisher reads on from the snapshot's record: what was not delivered before it would never be
        # sent.
        if where is None or delivered < seq:
            return None
        at = Position(seq, head, Place(where.segment, where.start + where.size), where.start)
        reader = JournalReader(journal)
        # Both: a journal cut between the two would have lost what the index still claims.
        if not reader.holds(at) or not reader.holds(position):
            return None
        snapshot = decode_snapshot(data, watched)
        if snapshot is None:
            return None
        return ResumePoint(at, snapshot, _last_disposition(index, journal, seq))
    except (sqlite3.Error, OSError, RecordError, ValueError):
        return None


def recall_looks(index: Index, journal: Path, memory: Memory) -> None:
    """Tell a fold how the files that are still in the folders looked when they were read.

    Raises sqlite3.Error, OSError and RecordError where index or journal cannot be read.
    """
    for folder, names in memory.present.items():
        for name in names:
            place = index.of_name(folder, name)
            body = None if place is None else _record(journal, place).body
            # Keys are shortened digests: the record itself says whose it is.
            if isinstance(body, Measurement | Quarantine) and body.source.name == name:
                memory.note_look(body.source)


def _last_disposition(index: Index, journal: Path, until: int) -> Record | None:
    place = index.last_of(DISPOSITION, until)
    if place is None:
        return None
    record = _record(journal, place)
    return record if isinstance(record.body, PartDisposition) else None


def _record(journal: Path, place: Where) -> Record:
    (line,) = records_at(journal, [place])
    return decode_record(line)


class IndexKeeper:
    """Lets the index follow the journal, and keeps snapshots of the fold."""

    def __init__(self, index: IndexWriter, journal: Path) -> None:
        self._index = index
        self._reader = JournalReader(journal)
        self._position = index.position
        self.snapshot_seq = 0

    @property
    def position(self) -> Position | None:
        """Up to which record the index goes."""
        return self._position

    @property
    def seq(self) -> int:
        """The last record in the index."""
        return self._position.seq if self._position is not None else 0

    def follow(self, count: int) -> bool:
        """Add up to ``count`` records. Returns whether any were added: none while a reader holds the index.

        Raises JournalCorruptError and JournalWriteError.
        """
        before = self._position
        found = self._reader.read_from(before.place if before is not None else None, count)
        if found:
            self._position = self._index.add(found, before)
        return self._position is not before

    def keep(self, snapshot: bytes) -> None:
        """Keep a snapshot of the fold, taken when the index's last record was the journal's last."""
        assert self._position is not None
        # Not kept while somebody reads: the former snapshot stands, and the next one comes soon.
        if self._index.keep(SNAPSHOT, _NOTE_ENCODER.encode((self.seq, self._position.hash, snapshot))):
            self.snapshot_seq = self.seq

    def close(self) -> None:
        """Let go of the file."""
        self._index.close()

"""The index on disk: one SQLite file, written by the service alone, opened for reading by everybody else.

Rollback mode, so that a user who may only read the store can open it. Every commit covers whole records up to a
position in the journal; what stands behind the position is read from the journal.
"""

from __future__ import annotations

import contextlib
import os
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

from edgeagent.codec.records.record import Place, Record
from edgeagent.errors import JournalWriteError
from edgeagent.store.index.cache_file import (
    WRITER_WAITS_S,
    discard,
    is_busy,
    note,
    one_commit,
    open_for_reading,
    open_for_writing,
    set_patience,
    words_of,
)
from edgeagent.store.index.entries import MEASUREMENT, IndexEntry, entry_of, key_of_name
from edgeagent.store.journal import Position

FORMAT = 2
BLOCK = 512
"""Records that share one note of their earliest and latest time."""
# Segments by number: their names would repeat in every entry.
_SCHEMA = """
create table segments (id integer primary key, name text not null unique);
create table entries (
    seq integer primary key, sort integer not null, segment integer not null, start integer not null,
    size integer not null, serial_key integer, file_key blob, name_key integer, about integer,
    content_key integer
);
create table blocks (id integer primary key, earliest text not null, latest text not null);
"""
# Partial: a disposition has no file, a measurement answers no record, and their nulls would fill these trees.
_WAYS_IN = {
    "by_serial": "entries (serial_key) where serial_key is not null",
    "by_file": "entries (file_key) where file_key is not null",
    "by_name": "entries (name_key) where name_key is not null",
    "by_about": "entries (about) where about is not null",
    "by_sort": "entries (sort, seq) where sort >= 4",
}
# Bounds the memory, and between two slices the service can commit.
_SLICE = 4096
_BULK_WAITS_S = 5.0
"""How long a commit waits for a reader while the index is made as a whole: to give it up costs minutes."""
_BULK = "bulk"
"""The note of an index that is being made as a whole: who finds it begins anew."""


@dataclass(frozen=True, slots=True)
class Where:
    """A record's number, its segment, and from which byte on how many it takes."""

    seq: int
    segment: str
    start: int
    size: int


class Index:
    """Reads the index; ``IndexWriter`` also continues it.

    Raises sqlite3.Error where the file is damaged: whoever asks then does without.
    """

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection

    @classmethod
    def open(cls, path: Path) -> Index | None:
        """The index for reading only; None when there is none, or none that this version can read."""
        db = open_for_reading(path, FORMAT)
        if db is None:
            return None
        with contextlib.suppress(sqlite3.Error):
            # Without its ways in every look-up would read all of it, and after a power cut it may not be whole.
            if note(db, _BULK) is None:
                return cls(db)
        db.close()
        return None

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    def note(self, name: str) -> bytes | None:
        """Something kept by name."""
        return note(self._db, name)

    @property
    def position(self) -> Position | None:
        """Up to which record the journal is indexed; None for an empty index."""
        row = self._db.execute(
            "select seq, name, start, size from entries join segments on id = segment order by seq desc limit 1"
        ).fetchone()
        # Of the last record alone: hashes of all would double the file, and every record brings its own when it
        # is read.
        head = self.note("head")
        if row is None or head is None:
            return None
        seq, segment, start, size = row
        return Position(seq, head.decode(), Place(segment, start + size), start)

    def has_file(self, file_key: bytes) -> bool:
        """Whether a file of this identity has its record."""
        return self._db.execute("select 1 from entries where file_key = ?", (file_key,)).fetchone() is not None

    def of_name(self, folder: str, name: str) -> Where | None:
        """The newest record of whatever file stood under a name."""
        return self._first("name_key = ? order by seq desc limit 1", key_of_name(folder, name))

    def last_of(self, sort: int, until: int) -> Where | None:
        """The newest record of a sort up to a number."""
        return self._first("sort = ? and seq <= ? order by seq desc limit 1", sort, until)

    def of_seq(self, seq: int) -> Where | None:
        """The record of that number."""
        return self._first("seq = ?", seq)

    def of_serial(self, serial_key: int) -> list[Where]:
        """The records of parts with that key, in order."""
        return self._all("serial_key = ? order by seq", serial_key)

    def has_decided(self, serial_key: int, content_key: int, before: int) -> bool:
        """Whether a measurement with that serial's key before a record decided that content."""
        one = "select 1 from entries where serial_key = ? and seq < ? and content_key = ? limit 1"
        return self._db.execute(one, (serial_key, before, content_key)).fetchone() is not None

    def measurements(self, serial_key: int, before: int) -> list[Where]:
        """The measurements with that serial's key before a record, in order."""
        return self._all(
            f"serial_key = ? and seq < ? and sort = {MEASUREMENT} order by seq", serial_key, before
        )

    def about(self, seq: int) -> list[Where]:
        """The acknowledgements of a record, in order."""
        return self._all("about = ? order by seq", seq)

    def of_sort(self, sort: int) -> list[Where]:
        """All records of one of the sorts that do not grow with the parts, in order."""
        return self._all("sort = ? and sort >= 4 order by seq", sort)

    def of_sort_before(self, sort: int, seq: int) -> Iterator[Where]:
        """Those of one of these sorts before a record, newest first."""
        return self._each("sort = ? and sort >= 4 and seq < ? order by seq desc", sort, seq)

    def of_sort_between(self, sort: int, first: int, last: int) -> list[Where]:
        """Those of one of these sorts with these numbers and those between, in order."""
        return self._all("sort = ? and sort >= 4 and seq between ? and ? order by seq", sort, first, last)

    def between(self, first: int, last: int) -> list[Where]:
        """The records with these numbers and those between."""
        return self._all("seq between ? and ? order by seq", first, last)

    def entries(self) -> Iterator[IndexEntry]:
        """How each record can be found, in order; read in slices, so that the service can write in between."""
        columns = "seq, sort, serial_key, file_key, name_key, about, content_key"
        sql = f"select {columns} from entries where seq > ? order by seq limit ?"
        last = 0
        while rows := self._db.execute(sql, (last, _SLICE)).fetchall():
            yield from (IndexEntry(*row) for row in rows)
            last = rows[-1][0]

    def blocks(self, since: str | None, until: str | None) -> list[tuple[int, int]]:
        """First and last number of the stretches of records in which some lie between two times.

        Times as records write them; None is open. Stretches that touch are one.
        """
        # Both bounds, for a clock that was set back: the times of a stretch overlap those of others then.
        rows = self._db.execute(
            "select id from blocks where latest >= ? and earliest < ? order by id", (since or "", until or "~")
        )
        found: list[tuple[int, int]] = []
        for (number,) in rows:
            first, last = number * BLOCK + 1, (number + 1) * BLOCK
            if found and found[-1][1] == first - 1:
                found[-1] = found[-1][0], last
            else:
                found.append((first, last))
        return found

    def _first(self, where: str, *values: object) -> Where | None:
        found = self._all(where, *values)
        return found[0] if found else None

    def _all(self, where: str, *values: object) -> list[Where]:
        return list(self._each(where, *values))

    def _each(self, where: str, *values: object) -> Iterator[Where]:
        sql = f"select seq, name, start, size from entries join segments on id = segment where {where}"
        return (Where(*row) for row in self._db.execute(sql, values))


class IndexWriter(Index):
    """Continues the index behind the journal. Raises JournalWriteError where the disk refuses."""

    def __init__(self, connection: sqlite3.Connection, path: Path) -> None:
        super().__init__(connection)
        self._path = path

    @classmethod
    def create(cls, path: Path) -> IndexWriter:
        """Open or begin the index; what cannot be read is thrown away. Raises JournalWriteError."""
        db = open_for_writing(path, _SCHEMA, FORMAT)
        try:
            if note(db, _BULK) is not None:
                db.close()
                discard(path)
                db = open_for_writing(path, _SCHEMA, FORMAT)
            # Also where they are there: an index that was cut off while it was made lacks some.
            _make_ways_in(db)
        except sqlite3.Error as error:
            db.close()
            raise JournalWriteError(f"{path}: {error}") from error
        return cls(db, path)

    def begin_bulk(self) -> None:
        """From here on many records follow: nothing is found until ``end_bulk``, nothing is synced. Raises
        JournalWriteError.
        """
        try:
            with one_commit(self._db):
                # Durable before anything is unsynced: whoever finds the note after a power cut begins anew.
                self._db.execute("insert or replace into notes values (?, x'')", (_BULK,))
                for name in _WAYS_IN:
                    # Entries in order go to the end of one tree; the keys' trees are sorted once, at the end.
                    self._db.execute(f"drop index if exists {name}")
            # Syncs would be most of the time, for a file that the note declares void until it is whole.
            self._db.execute("pragma synchronous = off")
            set_patience(self._db, _BULK_WAITS_S)
        except sqlite3.Error as error:
            raise JournalWriteError(f"{self._path}: {error}") from error

    def end_bulk(self) -> None:
        """Make the index whole, and durable. Raises JournalWriteError."""
        try:
            # Sorting the keys of ten million records in memory would take hundreds of megabytes.
            self._db.execute("pragma temp_store = file")
            _make_ways_in(self._db)
            with self._path.open("rb") as file:
                # By hand, as SQLite was told not to, and before the note goes that forbids to trust the file.
                os.fsync(file.fileno())
            self._db.execute("pragma synchronous = normal")
            self._db.execute("delete from notes where name = ?", (_BULK,))
            set_patience(self._db, WRITER_WAITS_S)
        except (sqlite3.Error, OSError) as error:
            raise JournalWriteError(f"{self._path}: {error}") from error

    def keep(self, name: str, value: bytes) -> bool:
        """Keep a note by name; False while a reader holds the file. Raises JournalWriteError."""
        return self._write([], {}, {name: value})

    def add(self, records: Sequence[tuple[Record, Place]], behind: Position | None) -> Position | None:
        """Add the records that follow ``behind`` in one step; returns the new position.

        Returns ``behind``, and has added nothing, while a reader holds the file. Raises JournalWriteError.
        """
        position = behind
        rows = []
        times: dict[int, tuple[str, str]] = {}
        for record, place in records:
            same = position is not None and position.place.segment == place.segment
            start = position.place.offset if same and position is not None else 0
            position = Position(record.seq, record.hash, place, start)
            rows.append((entry_of(record), position))
            # Earliest and latest, not first and last: clocks are set back.
            block = (record.seq - 1) // BLOCK
            low, high = times.get(block, (record.time, record.time))
            times[block] = min(low, record.time), max(high, record.time)
        return position if self._write(rows, times, {}) else behind

    def _write(
        self,
        rows: list[tuple[IndexEntry, Position]],
        times: dict[int, tuple[str, str]],
        notes: dict[str, bytes],
    ) -> bool:
        """Write all of it in one step; False while a reader holds the file; nothing was written then."""
        try:
            with one_commit(self._db):
                self._insert(rows, times, notes)
        except sqlite3.Error as error:
            if is_busy(error):
                return False
            raise JournalWriteError(f"index: {words_of(error)}") from error
        return True

    def _insert(
        self,
        rows: list[tuple[IndexEntry, Position]],
        times: dict[int, tuple[str, str]],
        notes: dict[str, bytes],
    ) -> None:
        db = self._db
        names = {position.place.segment for _, position in rows}
        db.executemany("insert or ignore into segments (name) values (?)", [(n,) for n in sorted(names)])
        # Small: a segment holds tens of thousands of records.
        ids = dict(db.execute("select name, id from segments"))
        db.executemany(
            "insert into entries values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                (
                    *(e.seq, e.sort, ids[p.place.segment], p.start, p.place.offset - p.start),
                    *(e.serial_key, e.file_key, e.name_key, e.about, e.content_key),
                )
                for e, p in rows
            ),
        )
        db.executemany(
            "insert into blocks values (?, ?, ?) on conflict (id) do update set "
            "earliest = min(earliest, excluded.earliest), latest = max(latest, excluded.latest)",
            [(block, *both) for block, both in times.items()],
        )
        kept = {**notes, **({"head": rows[-1][1].hash.encode()} if rows else {})}
        db.executemany("insert or replace into notes values (?, ?)", list(kept.items()))


def _make_ways_in(db: sqlite3.Connection) -> None:
    for name, columns in _WAYS_IN.items():
        db.execute(f"create index if not exists {name} on {columns}")


def path_of(store: Path) -> Path:
    """Where a store's index lies."""
    return store / "state" / "index.sqlite"


def records_at(folder: Path, places: Sequence[Where]) -> Iterator[bytes]:
    """The lines at these places of a journal folder, without their line feeds. Raises OSError."""
    name, file = "", None
    try:
        for place in places:
            if file is None or place.segment != name:
                if file is not None:
                    file.close()
                name, file = place.segment, (folder / place.segment).open("rb")
            file.seek(place.start)
            # A place that is not right gives bytes whose own hash is wrong; the caller decodes and finds out.
            yield file.read(place.size).rstrip(b"\n")
    finally:
        if file is not None:
            file.close()

"""The table of values on disk: rows of measurements, decisions of parts, and up to which record they go.

Written by the service alone, in one commit for each stretch of records; opened for reading by everybody else.
What is asked for is read in short slices, so that no reader keeps the service from writing.
"""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeAlias

import msgspec

from edgeagent.codec.records.record import Place
from edgeagent.errors import JournalWriteError
from edgeagent.model import Disposition
from edgeagent.store.index.cache_file import (
    is_busy,
    note,
    one_commit,
    open_for_reading,
    open_for_writing,
    words_of,
)
from edgeagent.store.journal import Position
from edgeagent.store.values.rows import ValueForm, ValueRow, form_of

FORMAT = 2
STRETCH = 512
"""Records that share one note of their earliest and latest times."""
SLICE_STRETCHES = 4
"""Stretches that are read at once."""
DISPOSITIONS = (Disposition.ACCEPT, Disposition.HOLD, Disposition.REJECT)
"""A disposition's number in the table is its place here."""
_SOUND, _READ = 1, 2
# Bounds the memory; there are about as many as features of recipes and sets of limits.
_FORMS_MAX = 4096
# Forms, limits and part numbers repeat in thousands of rows: each is kept once, by number. The index `holds` is
# partial, since held parts are few and asked for at every report.
SCHEMA = """
create table packed (id integer primary key, digest blob not null unique, data blob not null);
create table rows (
    seq integer primary key, form integer not null, limits integer not null, recorded integer not null,
    measured integer not null, measured_at text not null, serial text not null, operator text not null,
    flags integer not null, data blob not null
);
create table stretches (
    id integer primary key, recorded_first integer not null, recorded_last integer not null,
    measured_last integer not null
);
create table numbers (id integer primary key, part text not null unique);
create table parts (key integer primary key, seq integer not null, measured integer not null, decided integer);
create table decisions (
    seq integer primary key, key integer not null, part integer not null, serial text not null,
    disposition integer not null, recorded integer not null, first integer not null
);
create index by_part on decisions (key, seq);
create index holds on decisions (seq) where disposition = 1;
"""
RowFields: TypeAlias = tuple[int, int, int, int, int, str, str, str, int, bytes]
"""seq, form, limits, recorded, measured (microseconds), measured_at, serial, operator, flags, data."""
_POSITION = msgspec.msgpack.Decoder(tuple[int, str, str, int, int])


@dataclass(frozen=True, slots=True)
class TableDecision:
    """A disposition of a part: when it was recorded (microseconds), and whether it was the part's first."""

    seq: int
    part: str
    serial: str
    disposition: Disposition
    recorded_us: int
    first: bool


class ValueTable:
    """Reads the table. Raises sqlite3.Error or ValueError where the file is damaged."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        self._db = connection
        self._forms: dict[int, ValueForm] = {}

    @classmethod
    def open(cls, path: Path) -> ValueTable | None:
        """The table for reading only; None when there is none, or none that this version can read."""
        db = open_for_reading(path, FORMAT)
        return None if db is None else cls(db)

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    @property
    def position(self) -> Position | None:
        """Up to which record the table goes; None for an empty one."""
        data = note(self._db, "position")
        if data is None:
            return None
        try:
            seq, head, segment, start, end = _POSITION.decode(data)
        except msgspec.MsgspecError as error:
            raise ValueError(f"no position: {error}") from error
        return Position(seq, head, Place(segment, end), start)

    def form(self, number: int) -> ValueForm:
        """What the rows with this form have in common."""
        if number not in self._forms:
            if len(self._forms) >= _FORMS_MAX:
                self._forms.clear()
            self._forms[number] = form_of(self.limits(number))
        return self._forms[number]

    def limits(self, number: int) -> bytes:
        """The limits that rows with this number share, packed."""
        row = self._db.execute("select data from packed where id = ?", (number,)).fetchone()
        if row is None:
            raise ValueError(f"the table has no {number}")
        return bytes(row[0])

    def recorded(self, since_us: int | None, until_us: int | None) -> Iterator[list[RowFields]]:
        """The rows of records of a period, in order and in slices. None is open."""
        low, high = _open(since_us, until_us)
        asked = "recorded_last >= ? and recorded_first < ?", (low, high)
        yield from self._slices(asked, "recorded >= ? and recorded < ?", (low, high))

    def measured(self, since_us: int | None) -> Iterator[list[RowFields]]:
        """The rows of traces measured from a time on, in the order of the journal and in slices."""
        low, _ = _open(since_us, None)
        yield from self._slices(("measured_last >= ?", (low,)), "measured >= ?", (low,))

    def _slices(
        self, stretches: tuple[str, tuple[int, ...]], where: str, values: tuple[int, ...]
    ) -> Iterator[list[RowFields]]:
        for first, last in self._stretches(*stretches):
            found = self._db.execute(
                f"select * from rows where seq between ? and ? and {where} order by seq", (first, last, *values)
            ).fetchall()
            if found:
                yield found

    def _stretches(self, where: str, values: tuple[int, ...]) -> Iterator[tuple[int, int]]:
        """First and last number of the records to look at, a slice at a time."""
        numbers = [
            n for (n,) in self._db.execute(f"select id from stretches where {where} order by id", values)
        ]
        at = 0
        while at < len(numbers):
            end = at + 1
            # Stretches that follow each other in one query: while it reads, the service cannot commit.
            while end < len(numbers) and end < at + SLICE_STRETCHES and numbers[end] == numbers[end - 1] + 1:
                end += 1
            yield numbers[at] * STRETCH + 1, (numbers[end - 1] + 1) * STRETCH
            at = end

    def decided(self, since_us: int | None, until_us: int | None) -> Iterator[TableDecision]:
        """The dispositions of a period, in the journal's order, also where the clock was set back."""
        low, high = _open(since_us, until_us)
        asked = "recorded_last >= ? and recorded_first < ?", (low, high)
        for first, last in self._stretches(*asked):
            # `first` is of the whole journal; after a clock was set back an earlier record may be later than
            # the period's end.
            rows = self._db.execute(
                "select seq, numbers.part, serial, disposition, recorded, first or not exists "
                "(select 1 from decisions e where e.key = d.key and e.seq < d.seq and e.recorded < ?) "
                "from decisions d join numbers on numbers.id = d.part "
                "where seq between ? and ? and recorded >= ? and recorded < ? order by seq",
                (high, first, last, low, high),
            ).fetchall()
            for seq, part, serial, disposition, recorded, at_first in rows:
                yield TableDecision(seq, part, serial, DISPOSITIONS[disposition], recorded, bool(at_first))

    def held_at(self, until_us: int | None) -> list[int]:
        """The dispositions by which parts were held at a moment, in order.

        Those that no later record of before that moment replaced: the clock may have been set back between.
        """
        _, high = _open(None, until_us)
        rows = self._db.execute(
            "select seq from decisions d where disposition = 1 and recorded < ? and not exists "
            "(select 1 from decisions l where l.key = d.key and l.seq > d.seq and l.recorded < ?) order by seq",
            (high, high),
        )
        return [seq for (seq,) in rows.fetchall()]

    def undecided_at(self, until_us: int | None) -> list[int]:
        """The first measurement of each part that was measured and not decided by a moment, in order."""
        _, high = _open(None, until_us)
        rows = self._db.execute(
            "select seq from parts where measured < ? and (decided is null or decided >= ?) order by seq",
            (high, high),
        )
        return [seq for (seq,) in rows.fetchall()]

    def is_decided(self, part: str, serial: str, until_us: int | None) -> bool:
        """Whether a part has a disposition of before a moment in the table."""
        asked = key_of_part(part, serial), _open(None, until_us)[1]
        found = self._db.execute("select 1 from decisions where key = ? and recorded < ?", asked)
        return found.fetchone() is not None


def sound(flags: int) -> bool:
    """Whether the trace of a row passed its quality checks."""
    return bool(flags & _SOUND)


def read(flags: int) -> bool:
    """Whether the row holds the archived result, not the record's few values."""
    return bool(flags & _READ)


def _open(since_us: int | None, until_us: int | None) -> tuple[int, int]:
    return (-(2**62) if since_us is None else since_us), (2**62 if until_us is None else until_us)


@dataclass(frozen=True, slots=True)
class NewDecision:
    """A disposition to be added."""

    seq: int
    part: str
    serial: str
    disposition: Disposition
    recorded_us: int


@dataclass(frozen=True, slots=True)
class NewPart:
    """A measurement of a part: where the part began, if it is its first in the journal."""

    seq: int
    part: str
    serial: str
    recorded_us: int


class ValueWriter(ValueTable):
    """Continues the table behind the journal. Raises JournalWriteError where the disk refuses."""

    def __init__(self, connection: sqlite3.Connection) -> None:
        super().__init__(connection)
        self._numbers: dict[bytes, int] = {}

    @classmethod
    def create(cls, path: Path) -> ValueWriter:
        """Open or begin the table; what cannot be read is thrown away. Raises JournalWriteError."""
        return cls(open_for_writing(path, SCHEMA, FORMAT))

    def add(self, entries: Sequence[ValueRow | NewPart | NewDecision], position: Position) -> bool:
        """Add what stands up to a position in one commit; False while a reader holds the file.

        Raises JournalWriteError.
        """
        try:
            with one_commit(self._db):
                self._insert_rows([e for e in entries if isinstance(e, ValueRow)])
                for entry in entries:
                    if isinstance(entry, NewPart):
                        self._insert_part(entry)
                    elif isinstance(entry, NewDecision):
                        self._insert_decision(entry)
                self._note_times(entries)
                place = position.place
                value = (position.seq, position.hash, place.segment, position.start, place.offset)
                packed = msgspec.msgpack.encode(value)
                self._db.execute("insert or replace into notes values ('position', ?)", (packed,))
        except sqlite3.Error as error:
            self._numbers.clear()  # what was numbered in a commit that did not happen has no number
            if is_busy(error):
                return False
            raise JournalWriteError(f"table of values: {words_of(error)}") from error
        return True

    def _insert_rows(self, rows: Sequence[ValueRow]) -> None:
        self._db.executemany(
            "insert into rows values (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            (
                (
                    r.seq,
                    self._number(r.form),
                    self._number(r.limits),
                    r.recorded_us,
                    r.measured_us,
                    r.measured_at,
                    r.serial,
                    r.operator,
                    _SOUND * r.sound | _READ * r.read,
                    r.data,
                )
                for r in rows
            ),
        )

    def _number(self, data: bytes) -> int:
        """The number of a form or of limits: few differ, and each is kept once."""
        digest = hashlib.sha256(data).digest()[:16]
        # By digest: 16 bytes stand for what may be long.
        found = self._numbers.get(digest)
        if found is None:
            if len(self._numbers) >= _FORMS_MAX:
                self._numbers.clear()
            # Kept already where the memory above was cleared, or at an earlier start.
            self._db.execute("insert or ignore into packed (digest, data) values (?, ?)", (digest, data))
            (found,) = self._db.execute("select id from packed where digest = ?", (digest,)).fetchone()
            self._numbers[digest] = int(found)
        return int(found)

    def _insert_part(self, new: NewPart) -> None:
        self._db.execute(
            "insert into parts (key, seq, measured) values (?, ?, ?) "
            "on conflict (key) do update set measured = min(measured, excluded.measured)",
            (key_of_part(new.part, new.serial), new.seq, new.recorded_us),
        )

    def _insert_decision(self, new: NewDecision) -> None:
        db, key = self._db, key_of_part(new.part, new.serial)
        # In the same commit as the insertion, so that two decisions of one part never both count as its first.
        before = db.execute("select 1 from decisions where key = ? limit 1", (key,)).fetchone()
        at = new.recorded_us
        db.execute("update parts set decided = min(coalesce(decided, ?), ?) where key = ?", (at, at, key))
        db.execute("insert or ignore into numbers (part) values (?)", (new.part,))
        db.execute(
            "insert into decisions values (?, ?, (select id from numbers where part = ?), ?, ?, ?, ?)",
            (
                new.seq,
                key,
                new.part,
                new.serial,
                DISPOSITIONS.index(new.disposition),
                new.recorded_us,
                before is None,
            ),
        )

    def _note_times(self, entries: Iterable[ValueRow | NewPart | NewDecision]) -> None:
        times: dict[int, tuple[int, int, int]] = {}
        for entry in entries:
            stretch, at = (entry.seq - 1) // STRETCH, entry.recorded_us
            # Only a row has a measuring time; what has none must not widen the stretch.
            measured = entry.measured_us if isinstance(entry, ValueRow) else -(2**62)
            low, high, last = times.get(stretch, (at, at, measured))
            times[stretch] = min(low, at), max(high, at), max(last, measured)
        self._db.executemany(
            "insert into stretches values (?, ?, ?, ?) on conflict (id) do update set "
            "recorded_first = min(recorded_first, excluded.recorded_first), "
            "recorded_last = max(recorded_last, excluded.recorded_last), "
            "measured_last = max(measured_last, excluded.measured_last)",
            [(stretch, *three) for stretch, three in times.items()],
        )


def key_of_part(part: str, serial: str) -> int:
    """63 bits of a SHA-256 of part number and serial."""
    digest = hashlib.sha256(f"{part}\0{serial}".encode("utf-8", "surrogatepass")).digest()
    return int.from_bytes(digest[:8], "big") >> 1


def path_of(store: Path) -> Path:
    """Where a store's table of values lies."""
    return store / "state" / "values.sqlite"

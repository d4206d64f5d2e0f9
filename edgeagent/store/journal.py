"""The journal on disk: a reader that never writes and a writer that never repairs while reading."""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

from edgeagent.codec.records.chain import ChainStep, quick_step
from edgeagent.codec.records.record import (
    GENESIS,
    LINE_BYTES_MAX,
    Place,
    Record,
    RecordError,
    check_follows,
    decode_record,
    encode_record,
    utc_text,
)
from edgeagent.errors import (
    JournalCorruptError,
    JournalLockedError,
    JournalTornTailError,
    JournalWriteError,
)
from edgeagent.model.records import AnyBody
from edgeagent.model.status import ProcessMark
from edgeagent.store.clock import Clock
from edgeagent.store.files import make_folder, sync_folder, write_all
from edgeagent.store.running.process import process_text, read_mark, write_mark

T = TypeVar("T")


@dataclass(frozen=True, slots=True)
class Tail:
    """An incomplete end of the last segment: everything from ``offset`` on."""

    segment: str
    line: int
    offset: int
    size: int
    reason: str


@dataclass(frozen=True, slots=True)
class Position:
    """A record of a journal: number, hash, where it ends, and the byte of its segment at which it starts."""

    seq: int
    hash: str
    place: Place
    start: int


class JournalReader:
    """Reads a journal folder record by record and checks the chain. Opens files for reading only.

    A journal that is being written can be read at the same time: the walk ends at the sizes that the
    segments have when it reaches them.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.tail: Tail | None = None

    def segments(self) -> list[Path]:
        """The segments in chain order. Raises JournalCorruptError when the folder cannot be read."""
        try:
            # Names are eight digits, so that their order as texts is the order of the chain.
            return sorted(p for p in self.folder.iterdir() if p.suffix == ".jsonl")
        except OSError as error:
            raise JournalCorruptError(str(self.folder), 0, f"cannot be read: {error.strerror}") from error

    def holds(self, position: Position) -> bool:
        """Whether the journal has this very record at this very place."""
        try:
            with (self.folder / position.place.segment).open("rb") as file:
                file.seek(position.start)
                line = file.read(position.place.offset - position.start)
            # The record's own hash is checked with it: a snapshot must not go on from bytes that were changed
            # in place.
            record = decode_record(line[:-1])
        except (OSError, RecordError):
            return False
        return line.endswith(b"\n") and (record.seq, record.hash) == (position.seq, position.hash)

    def walk(self, behind: Position | None = None) -> Iterator[tuple[Record, Place]]:
        """Every record with its end, the chain checked from the first one or from behind a position on.

        Raises JournalCorruptError with segment and line at the first damage (lines counted from the position
        in its segment). An incomplete last line, as after a power cut, ends the walk and stands in ``tail``
        afterwards.
        """
        for record, _, place, _ in self._walk(_decode, behind):
            yield record, place

    def steps(self) -> Iterator[tuple[ChainStep, bytes, str, int]]:
        """The same without the bodies, at the speed of the hash: step, line, segment and number of the line."""
        for step, line, place, number in self._walk(_step, None):
            yield step, line, place.segment, number

    def _walk(
        self, read: Callable[[bytes, int, str], tuple[T, str]], behind: Position | None
    ) -> Iterator[tuple[T, bytes, Place, int]]:
        """What ``read`` makes of each line, given the record before; it raises RecordError."""
        self.tail = None
        seq, head = (0, GENESIS) if behind is None else (behind.seq, behind.hash)
        segments = self.segments()
        for path in segments:
            if behind is not None and path.name < behind.place.segment:
                continue
            offset = behind.place.offset if behind is not None and path.name == behind.place.segment else 0
            try:
                with path.open("rb") as file:
                    file.seek(offset)
                    for number, line in enumerate(file, 1):
                        try:
                            if not line.endswith(b"\n"):
                                raise RecordError("the line is incomplete")
                            found, head = read(line, seq, head)
                        except RecordError as error:
                            # More than `_looks_torn` accepts, so that a longer damage shows; all of a segment
                            # would be 64 MB and more.
                            rest = line + file.read(4 * LINE_BYTES_MAX)
                            # A segment is begun only after the one before it was synced: a torn line can be in
                            # the last one alone.
                            if path != segments[-1] or not _looks_torn(rest):
                                raise JournalCorruptError(path.name, number, str(error)) from error
                            # The whole rest of the file: `recover` cuts all of it off, not only what was read
                            # of it.
                            size = path.stat().st_size - offset
                            self.tail = Tail(path.name, number, offset, size, str(error))
                            return
                        offset += len(line)
                        seq += 1
                        yield found, line, Place(path.name, offset), number
            except OSError as error:
                raise JournalCorruptError(path.name, 0, f"cannot be read: {error.strerror}") from error

    def read_from(self, place: Place | None, count: int) -> list[tuple[Record, Place]]:
        """Up to ``count`` records behind a place that an earlier walk or read gave; None for the start.

        Checks each record's own hash, not the chain before it. Raises JournalCorruptError.
        """
        found: list[tuple[Record, Place]] = []
        for path in self.segments():
            if place is not None and path.name < place.segment:
                continue
            offset = place.offset if place is not None and path.name == place.segment else 0
            try:
                if not _read_behind(path, offset, count, found):
                    break
            except OSError as error:
                raise JournalCorruptError(path.name, 0, f"cannot be read: {error.strerror}") from error
        return found


def _decode(line: bytes, seq: int, head: str) -> tuple[Record, str]:
    record = decode_record(line[:-1])
    check_follows(record, seq, head)
    return record, record.hash


def _step(line: bytes, seq: int, head: str) -> tuple[ChainStep, str]:
    step = quick_step(line, seq + 1, head.encode())
    if step is None:  # not as this program writes it: it may be a record all the same, or says what is wrong
        record, _ = _decode(line, seq, head)
        step = ChainStep(record.seq, record.time, record.kind, record.hash.encode())
    return step, step.hash.decode()


def next_step(line: bytes, seq: int, head: str) -> tuple[int, str]:
    """Number and hash of the record in a line with its line feed, behind record ``seq`` with hash ``head``.

    Raises RecordError.
    """
    step, _ = _step(line, seq, head)
    return step.seq, step.hash.decode()


def last_record(folder: Path) -> Record | None:
    """The journal's last whole record, by its own hash alone; None where there is none.

    Raises JournalCorruptError where it is damaged.
    """
    # Backwards over empty ones: a segment is made before its first record is.
    for path in reversed(JournalReader(folder).segments()):
        try:
            with path.open("rb") as file:
                # Two lines' length: behind the last whole line there may be as much of one that is being
                # written.
                file.seek(max(0, path.stat().st_size - 2 * LINE_BYTES_MAX))
                lines = file.read().split(b"\n")[:-1]
            if lines:
                return decode_record(lines[-1])
        except OSError as error:
            raise JournalCorruptError(path.name, 0, f"cannot be read: {error.strerror}") from error
        except RecordError as error:
            raise JournalCorruptError(path.name, 0, f"its last record: {error}") from error
    return None


def record_total(folder: Path) -> int | None:
    """How many records the journal in ``folder`` holds now, by its last one; None where that cannot be read."""
    try:
        last = last_record(folder)
    except JournalCorruptError:
        return None  # whoever walks it says where
    return last.seq if last is not None else None


def _read_behind(path: Path, offset: int, count: int, found: list[tuple[Record, Place]]) -> bool:
    """Add the records from ``offset`` on, up to ``count`` in all; whether the next segment may follow."""
    with path.open("rb") as file:
        file.seek(offset)
        for line in file:
            # A line without its end is being written, or will be cut at the next start: it is no record yet.
            if not line.endswith(b"\n") or len(found) >= count:
                return False
            try:
                record = decode_record(line[:-1])
            except RecordError as error:
                raise JournalCorruptError(path.name, 0, f"at byte {offset}: {error}") from error
            offset += len(line)
            found.append((record, Place(path.name, offset)))
    return True


def writer_of(folder: Path) -> ProcessMark | None:
    """The process that holds a journal's lock, or held it last; None if no process ever marked it."""
    return read_mark(folder / "lock")


def _looks_torn(rest: bytes) -> bool:
    """Whether the bytes from the first bad line on can be one unfinished append.

    That is: no line feed at all, or nothing but zero bytes behind some point of a last line. A whole line
    that is wrong was changed, not torn.
    """
    # Zeros are blocks that the file system had set aside for the append and never filled.
    body = rest.rstrip(b"\0\n")
    zeros = b"\0" in rest[len(body) :]
    return (
        # A measurement and its part's decision share one write: both may be lost in the middle.
        len(body) <= 2 * LINE_BYTES_MAX
        and b"\0" not in body
        and (b"\n" not in rest or (zeros and b"\n" not in body))
    )


def _forget_cached(path: Path) -> None:
    """Make the next read of a segment come from the disk. Raises JournalWriteError.

    After a sync that failed, the system keeps showing what was written as if it were there: its pages count
    as clean, a second sync succeeds, and only a read past the cache tells what the disk has.
    """
    try:
        fd = os.open(path, os.O_RDWR)
        try:
            os.fdatasync(fd)  # a killed predecessor's last write may be good and only not synced yet
            os.posix_fadvise(fd, 0, 0, os.POSIX_FADV_DONTNEED)
        finally:
            os.close(fd)
    except OSError as error:
        raise JournalWriteError(f"{path}: {error}") from error


class JournalWriter:
    """The one writer of a journal folder.

    Owns the folder's lock, the open segment and the running hash. Used from the service loop only.
    ``grown_bytes`` is how much it has written since it was made.

    Promise: when ``append`` returns, the records are synced and survive a power cut. Raises on opening
    JournalLockedError (another agent writes here; nothing was touched), JournalTornTailError (the last
    record is incomplete: ``recover`` keeps a copy, cuts, and the caller records that; the lock stays taken) and
    JournalCorruptError (never repaired). Raises on append JournalWriteError; the writer is then closed
    and stays closed, a restart reads the truth from disk.
    """

    def __init__(self, folder: Path, clock: Clock, segment_bytes: int) -> None:
        self.folder = folder
        self._clock = clock
        self._segment_bytes = segment_bytes
        self._lock = -1
        self._fd = -1
        self._path = folder
        self._offset = 0
        self.seq = 0
        self.head = GENESIS
        self.grown_bytes = 0

    def open(self, visit: Callable[[Record, Place], None], behind: Position | None = None) -> None:
        """Take the lock, check the chain and show every record to ``visit``, or those behind a position.

        The caller has made sure that the journal holds the position.
        """
        self.lock()
        reader = JournalReader(self.folder)
        # Only the last one was ever open when a sync failed: the others were whole before it was begun.
        for path in reader.segments()[-1:]:
            _forget_cached(path)
        if behind is not None:
            self.seq, self.head = behind.seq, behind.hash
        for record, place in reader.walk(behind):
            self.seq, self.head = record.seq, record.hash
            visit(record, place)
        if reader.tail is not None:
            # The lock is kept: another agent would cut the same end, and append where `recover` then cuts.
            tail = reader.tail
            raise JournalTornTailError(f"{tail.segment}: line {tail.line}: {tail.reason}")
        segments = reader.segments()
        self._open_segment(segments[-1] if segments else None)

    def lock(self) -> None:
        """Take the lock, if it is not held yet: from then on nobody else writes in the store."""
        if self._lock >= 0:
            return
        try:
            make_folder(self.folder)
            # A lock of the kernel, not a file that is there or not: it ends with the process, however that
            # ends.
            self._lock = os.open(self.folder / "lock", os.O_RDWR | os.O_CREAT, 0o644)
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            with contextlib.suppress(OSError):  # a full disk is met where a record is lost by it, not here
                write_mark(self._lock)
        except BlockingIOError as error:
            self.close()
            holder = writer_of(self.folder)
            who = "" if holder is None else f": {process_text(holder)}"
            raise JournalLockedError(f"{self.folder}: another agent writes this journal{who}") from error
        except OSError as error:
            # As where a share knows no locks: a descriptor without its lock must not count as one.
            self.close()
            raise JournalWriteError(f"{self.folder}: {error}") from error

    def recover(self, keep: Callable[[Place, bytes], None]) -> None:
        """Cut an incomplete last line off, its bytes given to ``keep`` with the place behind which they stood.

        After `open` raised JournalTornTailError, under the lock that it took. ``keep`` must be durable when it
        returns, and may raise OSError. Raises JournalCorruptError when the damage is no torn tail,
        JournalWriteError.
        """
        assert self._lock >= 0
        reader = JournalReader(self.folder)
        for _ in reader.walk():
            pass
        tail = reader.tail
        assert tail is not None
        path = self.folder / tail.segment
        try:
            # Before the cut: a power cut in between finds the torn end again.
            keep(Place(tail.segment, tail.offset), path.read_bytes()[tail.offset :])
            fd = os.open(path, os.O_RDWR)
            try:
                os.ftruncate(fd, tail.offset)
                # Before anything is appended: a power cut must not bring the torn bytes back before a record.
                os.fsync(fd)
            finally:
                os.close(fd)
        except OSError as error:
            raise JournalWriteError(f"{path}: {error}") from error

    def append(self, bodies: Sequence[AnyBody]) -> list[Record]:
        """Write one record a body, in order with one sync. Raises JournalWriteError."""
        if self._fd < 0:
            raise JournalWriteError(f"{self.folder}: the journal is closed")
        try:
            return self._append(bodies)
        except (OSError, RecordError) as error:
            self.close()
            raise JournalWriteError(f"{self._path}: {error}") from error

    def _append(self, bodies: Sequence[AnyBody]) -> list[Record]:
        # Rotated, restored or written by a tool: what is appended would lie in a file that nobody reads, or off
        # the chain.
        seen, own = os.stat(self._path), os.fstat(self._fd)
        if (seen.st_dev, seen.st_ino, seen.st_size) != (own.st_dev, own.st_ino, self._offset):
            raise OSError("the segment was exchanged, cut or written by somebody else")
        # One time for all of them: they become durable with one sync.
        time = utc_text(self._clock.now())
        lines, records = [], []
        seq, head = self.seq, self.head
        for body in bodies:
            line, record = encode_record(seq + 1, time, head, body)
            seq, head = record.seq, record.hash
            lines.append(line)
            records.append(record)
        data = b"".join(lines)
        # One write, so that a crash leaves at most one torn end; nothing of it counts before the sync below.
        write_all(self._fd, data)
        # It writes the new length too (fdatasync(2)), and spares the times of the file that nobody asks for.
        os.fdatasync(self._fd)
        self._offset += len(data)
        self.grown_bytes += len(data)
        self.seq, self.head = seq, head
        # After the append, never in the middle of one: records that share a sync stand in one segment.
        if self._offset >= self._segment_bytes:
            self._open_segment(None)
        return records

    def _open_segment(self, existing: Path | None) -> None:
        """Continue a segment, or begin the next one by number."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1
        path = existing
        try:
            if path is None:
                # Behind the greatest number that is there, not behind a count: a missing segment must not be
                # made anew.
                numbers = [int(p.stem) for p in self.folder.glob("*.jsonl") if p.stem.isdigit()]
                path = self.folder / f"{max(numbers, default=0) + 1:08d}.jsonl"
                # O_EXCL: a segment of this name is somebody else's records.
                self._fd = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL | os.O_APPEND, 0o644)
                os.fsync(self._fd)
                # Before the first record: its sync makes the content durable, not the name under which it is
                # found.
                sync_folder(self.folder)
            else:
                self._fd = os.open(path, os.O_WRONLY | os.O_APPEND)
            self._offset = os.fstat(self._fd).st_size
        except OSError as error:
            raise JournalWriteError(f"{path}: {error}") from error
        self._path = path

    def close(self) -> None:
        """Give up segment and lock; safe to call twice."""
        for fd in (self._fd, self._lock):
            if fd >= 0:
                # What was written is synced already, or was refused aloud: closing has nothing more to lose.
                with contextlib.suppress(OSError):
                    os.close(fd)
        self._fd = self._lock = -1

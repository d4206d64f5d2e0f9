"""What was recorded of a part long ago, by the journal itself: for replays, and a service without an index."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path

import numpy as np

from edgeagent.codec.records.record import Place, Record, RecordError, decode_record
from edgeagent.errors import JournalCorruptError
from edgeagent.model.records import Measurement, Quarantine
from edgeagent.store.index.entries import decided_content, key_of_content, key_of_file, key_of_serial
from edgeagent.store.index.index import Where, records_at
from edgeagent.store.journal import JournalReader, Position

# Taken in at so many at once, since each time all that is sorted is copied.
_PENDING_MAX = 65_536
_AT_ONCE = 256
# Segment and offset in one integer: 2^24 segments, each up to a terabyte.
_OFFSET_BITS = 40
# Half of the key: among a million serials one in four thousand has a neighbour, whose records the fold drops.
_SHORT = 0xFFFFFFFF


def records_of(journal: Path, serial: str, places: Sequence[Where]) -> Iterator[Record]:
    """The records of a serial at these places. Raises JournalCorruptError."""
    try:
        yield from map(decode_record, records_at(journal, places))
    except (OSError, RecordError) as error:
        raise JournalCorruptError(str(journal), 0, f"records of serial {serial}: {error}") from error


class NotedKeys:
    """Which keys were noted, in 8 bytes each: of contents that were decided, or of files."""

    def __init__(self) -> None:
        self._sorted = np.empty(0, dtype=np.uint64)
        self._pending: set[int] = set()

    def add(self, key: int) -> None:
        """Note a key."""
        self._pending.add(key)
        if len(self._pending) >= _PENDING_MAX:
            fresh = np.fromiter(self._pending, dtype=np.uint64, count=len(self._pending))
            # A sorted array: a set of Python integers would take many times the memory.
            self._sorted = np.union1d(self._sorted, fresh)
            self._pending.clear()

    def holds(self, key: int) -> bool:
        """Whether a key was noted."""
        at = int(np.searchsorted(self._sorted, np.uint64(key)))
        return key in self._pending or (at < len(self._sorted) and int(self._sorted[at]) == key)


class MeasurementPlaces:
    """Where a journal has the measurements of each serial, in 16 bytes each; rarely another's comes too."""

    def __init__(self) -> None:
        self._segments: list[str] = []
        self._keys, self._at, self._sizes = _no_places(0)
        self._new = _no_places(_PENDING_MAX)
        self._count = 0

    def add(self, serial: str, segment: str, start: int, size: int) -> None:
        """Note the measurement that follows the one before."""
        if self._count == _PENDING_MAX:
            self._take_in()
        if not self._segments or self._segments[-1] != segment:
            self._segments.append(segment)
        at = (len(self._segments) - 1) << _OFFSET_BITS | start
        for column, value in zip(self._new, (key_of_serial(serial) & _SHORT, at, size), strict=True):
            column[self._count] = value
        self._count += 1

    def _take_in(self) -> None:
        before = self._keys, self._at, self._sizes
        columns = [np.concatenate((a, b[: self._count])) for a, b in zip(before, self._new, strict=True)]
        # Stable: the measurements of a serial stay in the journal's order.
        order = np.argsort(columns[0], kind="stable")
        self._keys, self._at, self._sizes = (column[order] for column in columns)
        self._count = 0

    def of(self, serial: str) -> Iterator[Where]:
        """The places of a serial's measurements in the journal's order; their numbers are not known (0)."""
        key = np.uint32(key_of_serial(serial) & _SHORT)
        first, end = (int(np.searchsorted(self._keys, key, side)) for side in ("left", "right"))
        new = np.flatnonzero(self._new[0][: self._count] == key)
        at = np.concatenate((self._at[first:end], self._new[1][new]))
        sizes = np.concatenate((self._sizes[first:end], self._new[2][new]))
        for place, size in zip(at.tolist(), sizes.tolist(), strict=True):
            segment, start = divmod(place, 1 << _OFFSET_BITS)
            yield Where(0, self._segments[segment], start, size)


def _no_places(count: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    return np.zeros(count, np.uint32), np.zeros(count, np.uint64), np.zeros(count, np.uint32)


class WalkedParts:
    """What a walk through a journal has seen: for a replay, which asks no index, and a service that has none.

    The journal is walked once, then followed, from its first record or ``behind`` one; 24 bytes of each
    measurement are kept: of a million 25 MB, and 95 MB at the peak while they are sorted in. Files are noted,
    in 8 bytes more, where ``with_files`` says so.
    """

    def __init__(self, journal: Path, *, with_files: bool = False, behind: Position | None = None) -> None:
        self._reader = JournalReader(journal)
        self._contents, self._places = NotedKeys(), MeasurementPlaces()
        self._files = NotedKeys() if with_files else None
        self._seq, self._end = (0, Place("", 0)) if behind is None else (behind.seq, behind.place)

    def noted(self, walked: Iterable[tuple[Record, Place]]) -> Iterator[Record]:
        """The records of a walk, each noted before it is given on."""
        for record, place in walked:
            self.note(record, place)
            yield record

    def note(self, record: Record, place: Place) -> None:
        """Note the record that follows the one before, from the journal's first on."""
        # The walk and the follower may both bring it.
        if record.seq <= self._seq:
            return
        start = self._end.offset if self._end.segment == place.segment else 0
        self._seq, self._end = record.seq, place
        body = record.body
        if self._files is not None and isinstance(body, Measurement | Quarantine):
            self._files.add(_short(key_of_file(body.source)))
        if isinstance(body, Measurement) and body.trace.of_artefact is None:
            self._places.add(body.trace.of_part[1], place.segment, start, place.offset - start)
            content = decided_content(body)
            if content is not None:
                self._contents.add(content)

    def follow(self, until: int | None = None, breathe: Callable[[], None] | None = None) -> None:
        """Note what was written since, up to a record or the journal's end. Raises JournalCorruptError."""
        # Apart from the end of what was noted, which stays where records are passed over: never twice the same.
        at = self._end
        while (until is None or self._seq < until) and (found := self._reader.read_from(at, _AT_ONCE)):
            for record, at in found:
                self.note(record, at)
            if breathe is not None:
                breathe()

    def knows(self, file_key: bytes) -> bool:
        """Whether a file of this identity was noted. Only where files are."""
        assert self._files is not None
        return self._files.holds(_short(file_key))

    def has_decided(self, content_key: int) -> bool:
        """Whether a content was decided."""
        return self._contents.holds(content_key)

    def measurements(self, serial: str, before: int) -> Iterator[Record]:
        """The measurements of a serial before a record. Raises JournalCorruptError."""
        for record in records_of(self._reader.folder, serial, list(self._places.of(serial))):
            # The service has written on meanwhile, and a replay has walked further: what came later must
            # not decide.
            if record.seq >= before:
                return
            yield record

    def recall(self, part: str, serial: str, content: str, before: int) -> Iterator[Record]:
        """The measurements of a serial before a record, if the content was decided of the part.

        Follows the journal up to that record. Raises JournalCorruptError.
        """
        self.follow(before - 1)
        if self.has_decided(key_of_content(part, serial, content)):
            yield from self.measurements(serial, before)


def _short(file_key: bytes) -> int:
    # Half of it: of three million files a new one is taken for another with a probability of 2e-13.
    return int.from_bytes(file_key[:8], "big")

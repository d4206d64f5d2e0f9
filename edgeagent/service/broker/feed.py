"""Reads the journal ahead of delivery: records become entries for the machine, as many as it has room for."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

from edgeagent.codec.records.record import Place
from edgeagent.rules.line.delivery_state import Entry
from edgeagent.rules.line.outbox import Outgoing
from edgeagent.store.journal import JournalReader

_STEP = 256
"""Records read at once: some milliseconds."""


class Feed:
    """A reader's place in the journal, from which ``take`` goes on. Used from the service loop only.

    ``compose`` makes a record's messages; they depend on the time, so it is called when they are to be sent.
    """

    def __init__(self, reader: JournalReader, compose: Callable[[Any], tuple[Outgoing, ...]]) -> None:
        self._reader, self._compose = reader, compose
        self._after = 0
        self._cursor: Place | None = None
        self._read: deque[tuple[Any, Place]] = deque()

    def rewind(self, seq: int, place: object) -> None:
        """Go on with the first record after ``seq``; without its place the journal is read from its start."""
        assert place is None or isinstance(place, Place)
        self._after, self._cursor = seq, place
        # What was read ahead belongs to the old place.
        self._read.clear()

    def take(self, room: int, more_time: Callable[[], bool]) -> tuple[Entry, ...]:
        """The next records, until their messages fill ``room`` or the time is up; always one, if there is any.

        Records without messages take no room, and a run of them is one entry. Raises JournalCorruptError.
        """
        entries: list[Entry] = []
        left = room
        while left > 0 and (self._read or self._read_on()):
            record, place = self._read[0]
            outgoing = self._compose(record)
            # A record's messages go together; one larger than the whole room is taken, or it never would be.
            if len(outgoing) > left < room:
                break
            self._read.popleft()
            left -= len(outgoing)
            # The later one stands for both: it has the place from which a restart goes on.
            if entries and not outgoing and not entries[-1].outgoing:
                entries.pop()
            entries.append(Entry(record.seq, place, outgoing, record))
            if not more_time():
                break
        return tuple(entries)

    def _read_on(self) -> bool:
        while found := self._reader.read_from(self._cursor, _STEP):
            self._cursor = found[-1][1]
            # A place may be older than the position: what lies between them is delivered.
            self._read.extend(pair for pair in found if pair[0].seq > self._after)
            if self._read:
                return True
        return False

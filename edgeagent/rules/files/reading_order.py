"""Which file is read next: in the order of measurement while all keep up, in a burst the newest first."""

from __future__ import annotations

import heapq
import itertools
from dataclasses import dataclass

IN_ORDER_MAX = 32
"""Files that wait together and are still read in the order in which they were written.

That is the order of measurement: a verification before the parts that it covers. So many are read in a second
or two; behind more of them, the part in the station would wait too long.
"""


_Entry = tuple[float, int, str]
"""Of a heap: what it is ordered by (a time in s or ns), the ticket of its place, the file's name."""


@dataclass(frozen=True, slots=True)
class _Turn:
    due_s: float
    written_ns: int
    live: bool
    ticket: int


class ReadingOrder:
    """The waiting files of one folder, each in one place. Times are monotonic seconds, given by the caller.

    Of the files whose time has come: all in the order of writing while they are few; else live ones before
    those that lay there at the start, and of many live ones the newest first.
    """

    def __init__(self) -> None:
        self._places: dict[str, _Turn] = {}
        self._tickets = itertools.count()
        self._pending: list[_Entry] = []
        self._oldest: dict[bool, list[_Entry]] = {True: [], False: []}
        self._newest: list[_Entry] = []
        self._due: dict[bool, dict[str, float]] = {True: {}, False: {}}

    def __len__(self) -> int:
        return len(self._places)

    def put(self, name: str, due_s: float, written_ns: int, *, live: bool) -> None:
        """Give a file its place, instead of the one it had."""
        self.discard(name)
        # No entry can be taken out of a heap's middle: one counts while its ticket is that of its place.
        ticket = next(self._tickets)
        self._places[name] = _Turn(due_s, written_ns, live, ticket)
        # The ticket is also the order in which files of the same time were seen.
        heapq.heappush(self._pending, (due_s, ticket, name))

    def discard(self, name: str) -> None:
        """Forget a file."""
        place = self._places.pop(name, None)
        if place is not None:
            self._due[place.live].pop(name, None)

    def is_due(self, name: str) -> bool:
        """Whether a file waits for nothing but its turn."""
        return name in self._due[True] or name in self._due[False]

    def next_due_s(self) -> float | None:
        """When the next file can be read; in the past where one can be now. None when nothing waits."""
        if self._due[True] or self._due[False]:
            return 0.0
        while self._pending and not self._is_current(self._pending[0][2], self._pending[0][1]):
            heapq.heappop(self._pending)
        return self._pending[0][0] if self._pending else None

    def take(self, now_s: float) -> str | None:
        """The next file to read, which loses its place; None when no file's time has come."""
        self._come_due(now_s)
        live, before = self._due[True], self._due[False]
        # Read before anybody waits: a verification must come before the parts that it covers.
        if len(live) + len(before) <= IN_ORDER_MAX:
            candidates = [self._top(self._oldest[True]), self._top(self._oldest[False])]
        elif not live:
            candidates = [self._top(self._oldest[False])]
        else:
            # Files from before the start wait: none of their parts is at the station.
            candidates = [self._top(self._oldest[True] if len(live) <= IN_ORDER_MAX else self._newest)]
        found = min((c for c in candidates if c is not None), default=None)
        if found is None:
            return None
        self.discard(found[2])
        self._drop_stale()
        return found[2]

    def unread_since_s(self, now_s: float) -> float | None:
        """When the time of the live file came that waits longest; None when none waits."""
        self._come_due(now_s)
        return min(self._due[True].values(), default=None)

    def _come_due(self, now_s: float) -> None:
        while self._pending and self._pending[0][0] <= now_s:
            due_s, ticket, name = heapq.heappop(self._pending)
            if not self._is_current(name, ticket):
                continue
            place = self._places[name]
            self._due[place.live][name] = due_s
            heapq.heappush(self._oldest[place.live], (place.written_ns, ticket, name))
            if place.live:
                # A heap has its least on top: the newest by signs, of the same time the one that was seen last.
                heapq.heappush(self._newest, (-place.written_ns, -ticket, name))

    def _drop_stale(self) -> None:
        """Make heaps anew that hold mostly entries whose place is gone.

        Only what comes to a heap's top is dropped otherwise, and ``_newest`` is looked at in a burst alone: it
        would hold every file since the start.
        """
        # Twice what waits, and some: then each entry is moved once on average, however many wait.
        most = 2 * len(self._places) + 2 * IN_ORDER_MAX
        for heap in (*self._oldest.values(), self._newest, self._pending):
            if len(heap) > most:
                heap[:] = [entry for entry in heap if self._is_current(entry[2], entry[1])]
                heapq.heapify(heap)

    def _is_current(self, name: str, ticket: int) -> bool:
        place = self._places.get(name)
        return place is not None and place.ticket == abs(ticket)

    def _top(self, heap: list[_Entry]) -> _Entry | None:
        """The first of a heap whose place still holds; what does not is dropped on the way."""
        while heap and not self._is_current(heap[0][2], heap[0][1]):
            heapq.heappop(heap)
        return heap[0] if heap else None

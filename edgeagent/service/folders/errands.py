"""One thread that does one errand after another on a folder, and that the loop can leave behind.

A system call on a share that hangs cannot be interrupted, only abandoned: its thread goes on waiting, is
counted, and ends by itself if the share ever answers. What it brings then is not used.
"""

from __future__ import annotations

import threading
from collections.abc import Callable
from queue import Empty, SimpleQueue
from typing import Any

from edgeagent.store.clock import Clock

Alive = Callable[[], None]
"""Called by an errand between two system calls: it is slow, but it goes on."""
Errand = Callable[[Alive], Any]


class Errands:
    """Owns the thread. All methods are for the loop's thread.

    ``wake`` is called from the errands' thread when a result is there; ``last`` is called in it when it ends,
    abandoned or not. An errand must not raise anything but OSError, which is a result as well.
    """

    def __init__(self, name: str, clock: Clock, wake: Callable[[], None], last: Callable[[], None]) -> None:
        self._clock, self._wake, self._last = clock, wake, last
        self._todo: SimpleQueue[Errand | None] = SimpleQueue()
        self._results: SimpleQueue[Any] = SimpleQueue()
        self._alive_at = clock.monotonic()
        self._closing = False
        self.outstanding = 0
        # Daemonic: one that hangs in the kernel must not keep the process from ending.
        self._thread = threading.Thread(target=self._run, name=name, daemon=True)
        self._thread.start()

    def submit(self, errand: Errand) -> None:
        """Do this after what was asked before."""
        # An idle thread gave no sign of life since its last errand; its time begins now.
        if self.outstanding == 0:
            self._alive_at = self._clock.monotonic()
        self.outstanding += 1
        self._todo.put(errand)

    def results(self) -> list[Any]:
        """What was brought since the last call, in order; an OSError where an errand failed."""
        found = []
        while True:
            try:
                found.append(self._results.get_nowait())
            except Empty:
                self.outstanding -= len(found)
                return found

    def ask(self, errand: Errand, seconds: float) -> Any:
        """Do an errand and wait for its result; TimeoutError, as a value, when that takes too long.

        Only while nothing else is outstanding.
        """
        self.submit(errand)
        try:
            result = self._results.get(timeout=seconds)
        except Empty:
            return TimeoutError(f"no answer for {seconds:g} s")
        self.outstanding -= 1
        return result

    def stuck_s(self) -> float:
        """Seconds since the errand at hand last gave a sign of life; 0 when there is none."""
        return self._clock.monotonic() - self._alive_at if self.outstanding else 0.0

    @property
    def ended(self) -> bool:
        """Whether the thread is gone."""
        return not self._thread.is_alive()

    def abandon(self) -> None:
        """Let the thread end by itself, whenever that is."""
        # For what is queued; None wakes a thread that waits for an errand.
        self._closing = True
        self._todo.put(None)

    def close(self, seconds: float) -> None:
        """End the thread; one that hangs is left behind after so many seconds."""
        self.abandon()
        self._thread.join(seconds)

    def _alive(self) -> None:
        self._alive_at = self._clock.monotonic()

    def _run(self) -> None:
        while (errand := self._todo.get()) is not None and not self._closing:
            self._alive()
            try:
                result = errand(self._alive)
            except OSError as error:
                result = error
            self._alive()
            # Abandoned meanwhile: what it saw may be of a mount that is gone.
            if self._closing:
                break
            self._results.put(result)
            self._wake()
        self._last()

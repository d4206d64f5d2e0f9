"""What other threads post to the service loop: bounded hints, MQTT events, and one bell that wakes it."""

from __future__ import annotations

from collections import deque
from queue import Empty, SimpleQueue

from edgeagent.service.broker.client import MqttEvent
from edgeagent.service.folders.watch import Hint

_HINTS_MAX = 10_000
"""Hints kept at once: beyond it one scan of the folder is cheaper than looking at each name."""


class Mailbox:
    """Filled from any thread, emptied by the loop. Deques append and pop atomically.

    The bell is a SimpleQueue, whose ``put`` may interrupt its own ``get``: a signal's handler rings in the very
    thread that waits, and would stand for ever at the lock of an Event that this thread holds.
    Hints beyond the bound are dropped and replaced by one that asks for a scan of the folder: a hint is
    only a hint. MQTT events are bounded by the client's own window.
    """

    def __init__(self) -> None:
        self._bell: SimpleQueue[None] = SimpleQueue()
        self._hints: deque[Hint] = deque()
        self._mqtt: deque[MqttEvent] = deque()

    def hint(self, hint: Hint) -> None:
        """Post a hint of a folder watch."""
        if len(self._hints) < _HINTS_MAX:
            self._hints.append(hint)
        # Exactly at the bound: one request to scan is enough, and with it the deque is above the bound.
        elif len(self._hints) == _HINTS_MAX:
            self._hints.append(Hint(hint.folder, None))
        self.ring()

    def mqtt(self, event: MqttEvent) -> None:
        """Post an event of the MQTT client."""
        self._mqtt.append(event)
        self.ring()

    def ring(self) -> None:
        """Wake the loop without a message; safe in a signal's handler."""
        self._bell.put(None)

    def wait(self, seconds: float) -> None:
        """Sleep until something is posted, at most so long."""
        try:
            # A negative timeout raises ValueError; a deadline that has passed is ordinary.
            self._bell.get(timeout=max(seconds, 0.0))
            # All rings since the last sleep are one reason to wake: what they were for lies in the deques.
            while True:
                self._bell.get_nowait()
        except Empty:
            return

    def hints(self) -> list[Hint]:
        """All hints so far, oldest first."""
        # As many as there are at the start: a writer that goes on posting must not keep the loop here.
        return [self._hints.popleft() for _ in range(len(self._hints))]

    def mqtt_events(self) -> list[MqttEvent]:
        """All MQTT events so far, oldest first."""
        return [self._mqtt.popleft() for _ in range(len(self._mqtt))]

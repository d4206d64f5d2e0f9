"""The delivery machine's I/O: events go in, and what the machine asks for is done to a client and the journal.

What to do is decided in ``rules.line.delivery``, a pure table; nothing is decided here.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from edgeagent.codec.configuration.settings import Mqtt
from edgeagent.errors import ConfigError
from edgeagent.rules.line import delivery_state as ask
from edgeagent.rules.line.delivery import initial, step
from edgeagent.service.broker.client import MqttEvent
from edgeagent.service.broker.connection import Connection
from edgeagent.service.broker.feed import Feed
from edgeagent.store.clock import Clock


class Session:
    """Owns the machine's state. Used from the service loop only.

    ``feed`` is what it reads records from, once there is a journal. ``wanted`` is a wish to read that is left
    to whoever has the time for it. ``report`` must not raise.
    """

    def __init__(
        self,
        settings: Mqtt,
        prefix: str,
        base: Path,
        clock: Clock,
        *,
        latches: bool,
        post: Callable[[MqttEvent], None],
        report: Callable[[str, dict[str, Any]], None],
    ) -> None:
        self._url, self._clock, self._report = settings.url, clock, report
        self.connection = Connection(settings, prefix, base, clock, post)
        self.delivery = initial(latches=latches, keep_alive_s=settings.keep_alive_s)
        self.feed: Feed | None = None
        self.wanted: ask.Read | None = None
        self._events: deque[ask.Event] = deque()

    def take(self, event: ask.Event) -> None:
        """Give an event to the machine and do what it asks for; what that brings about waits for its turn."""
        self._events.append(event)
        if len(self._events) > 1:
            return
        try:
            while self._events:
                self.delivery, actions = step(self.delivery, self._events[0])
                for action in actions:
                    self._do(action)
                self._events.popleft()
        finally:
            self._events.clear()  # what failed here ends the service; its last words start from nothing

    def take_message(self, event: MqttEvent) -> str:
        """Give a client's event to the machine; the topic below the prefix if it is a live message, else ''."""
        said = self.connection.read(event)
        if said is None:
            return ""
        self.take(said[0])
        return said[1]

    def _do(self, action: ask.Action) -> None:
        match action:
            case ask.Publish():
                self.connection.publish(action)
            case ask.Read():
                self.wanted = action
            case ask.Rewind():
                self.wanted = None
                if self.feed is not None:
                    self.feed.rewind(action.seq, action.place)
            case ask.Report():
                self._say(action.event, action.details)
            case ask.Subscribe():
                self.connection.subscribe()
            case ask.Repeat() if self.feed is not None:
                again = self.feed.compose(action.source)[:1]
                self.take(ask.Aside(self._clock.monotonic(), again))
            case ask.Connect():
                self._connect()
            case ask.Drop():
                self.connection.drop(polite=True)

    def _say(self, event: str, details: Mapping[str, Any]) -> None:
        where = {"url": self._url} if event in ("mqtt-connected", "connection-failed") else {}
        self._report(event, {**where, **details})

    def _connect(self) -> None:
        """A new client; certificates or a password that cannot be read now may be there at the next attempt.

        They are exchanged while the service runs, and a file that is missing for a moment must not end it.
        """
        try:
            self.connection.open(self.delivery.store, self.delivery.boot)
        except ConfigError as error:
            if isinstance(self._events[0], ask.Start):
                raise
            self.take(ask.Unreachable(self._clock.monotonic(), str(error)))

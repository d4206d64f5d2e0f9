"""The delivery machine's I/O: events go in, and what the machine asks for is done to a client and the journal.

What to do is decided in ``rules.delivery``, a pure table; nothing is decided here.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import msgspec

from edgeagent.codec.configuration.settings import Mqtt
from edgeagent.errors import ConfigError
from edgeagent.rules import delivery_state as ask
from edgeagent.rules.delivery import initial, step
from edgeagent.rules.delivery_follow import WINDOW
from edgeagent.service.client import MqttClient, MqttEvent
from edgeagent.service.feed import Feed
from edgeagent.store.clock import Clock

_SUBSCRIBED = ("lamp", "acknowledge")
_REFUSED_FROM = 0x80
"""MQTT 5 reason codes from here on are refusals; with MQTT 3.1.1 every code but 0 of a CONNACK is one."""


class Session:
    """Owns the machine's state and the client of the session at hand. Used from the service loop only.

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
        self._settings, self._prefix, self._base, self._clock = settings, prefix, base, clock
        self._post, self._report = post, report
        self.delivery = initial(latches=latches, keep_alive_s=settings.keep_alive_s)
        self.feed: Feed | None = None
        self.wanted: ask.Read | None = None
        self._events: deque[ask.Event] = deque()
        self._generation = 0
        self._client: MqttClient | None = None
        self._messages: dict[int, ask.Publish] = {}

    @property
    def exists(self) -> bool:
        """Whether there is a client, connected or not."""
        return self._client is not None

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
        if event.client != self._generation:
            return ""
        topic = event.topic.removeprefix(f"{self._prefix}/") if not event.retained else ""
        self.take(self._translated(event, topic, self._clock.monotonic()))
        return topic

    def _translated(self, event: MqttEvent, topic: str, now: float) -> ask.Event:
        if event.what == "connect":
            refused = event.reason >= _REFUSED_FROM or (self._settings.version != "5" and event.reason != 0)
            return ask.NotLetIn(now, event.words) if refused else ask.Connected(now)
        if event.what == "disconnect":
            return ask.Disconnected(now, event.words)
        if event.what == "unreachable":
            return ask.Unreachable(now, event.words)
        if event.what == "acked":
            message = self._messages.pop(event.mid, None)
            refused_topic = f"{self._prefix}/{message.topic}: {event.words}" if message else event.words
            refusal = refused_topic if event.reason >= _REFUSED_FROM else None
            return ask.Acked(now, message.ticket if message else 0, refusal)
        return ask.LampSeen(now, event.payload) if topic == "lamp" else ask.Heard(now)

    def _do(self, action: ask.Action) -> None:
        match action:
            case ask.Publish():
                self._publish(action)
            case ask.Read():
                self.wanted = action
            case ask.Rewind():
                self.wanted = None
                if self.feed is not None:
                    self.feed.rewind(action.seq, action.place)
            case ask.Report():
                self._say(action.event, action.details)
            case ask.Subscribe() if self._client is not None:
                self._client.subscribe([f"{self._prefix}/{topic}" for topic in _SUBSCRIBED])
            case ask.Connect():
                self._connect()
            case ask.Drop():
                self.drop(polite=True)

    def _say(self, event: str, details: Mapping[str, Any]) -> None:
        where = {"url": self._settings.url} if event in ("mqtt-connected", "connection-failed") else {}
        self._report(event, {**where, **details})

    def _publish(self, message: ask.Publish) -> None:
        if self._client is not None:
            payload = message.payload
            data = payload if isinstance(payload, bytes) else msgspec.json.encode(payload)
            mid = self._client.publish(
                f"{self._prefix}/{message.topic}", data, retain=message.retain, qos=message.qos
            )
            self._messages[mid] = message

    def _connect(self) -> None:
        """A new client; certificates or a password that cannot be read now may be there at the next attempt.

        They are exchanged while the service runs, and a file that is missing for a moment must not end it.
        """
        self.drop(polite=True)
        try:
            self._client = MqttClient(
                self._settings, self._prefix, self._base, self._generation, self._post, window=WINDOW + 4
            )
        except ConfigError as error:
            if isinstance(self._events[0], ask.Start):
                raise
            self.take(ask.Unreachable(self._clock.monotonic(), str(error)))

    def drop(self, *, polite: bool) -> None:
        """End the session with all that the client holds; not ``polite`` leaves the will to the broker."""
        client, self._client = self._client, None
        self._generation += 1
        self._messages.clear()
        if client is not None:
            client.close(polite=polite)

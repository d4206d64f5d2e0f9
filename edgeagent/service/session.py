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
from edgeagent.service.broker_events import translate
from edgeagent.service.client import Identity, MqttClient, MqttEvent
from edgeagent.service.feed import Feed
from edgeagent.store.clock import Clock

_SUBSCRIBED = (("lamp", 0), ("state", 0), ("state/request", 0), ("acknowledge", 1))
"""Topics and QoS. The broker keeps what comes at QoS 1 while we are away; old lamps would mislead."""


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
        self._known_before = False

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
        topic = event.topic.removeprefix(f"{self._prefix}/")
        sent = self._messages.pop(event.mid, None) if event.what == "acked" else None
        about = f"{self._prefix}/{sent.topic}" if sent else topic
        ticket, version5 = sent.ticket if sent else 0, self._settings.version == "5"
        self.take(translate(event, about, ticket, self._clock.monotonic(), version5=version5))
        return "" if event.retained else topic

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
                self._known_before = True
                self._client.subscribe([(f"{self._prefix}/{topic}", qos) for topic, qos in _SUBSCRIBED])
            case ask.Repeat() if self.feed is not None:
                again = self.feed.compose(action.source)[:1]
                self.take(ask.Aside(self._clock.monotonic(), again))
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
            topic, left_s = f"{self._prefix}/{message.topic}", None
            if message.expires_at is not None:
                left_s = message.expires_at - self._clock.now().timestamp()
            mid = self._client.publish(topic, data, retain=message.retain, qos=message.qos, expires_in_s=left_s)
            self._messages[mid] = message

    def _connect(self) -> None:
        """A new client; certificates or a password that cannot be read now may be there at the next attempt.

        They are exchanged while the service runs, and a file that is missing for a moment must not end it.
        """
        self.drop(polite=True)
        try:
            self._client = MqttClient(
                self._settings,
                self._prefix,
                self._base,
                self._generation,
                self._post,
                identity=self._identity(),
                window=WINDOW + 4,
            )
        except ConfigError as error:
            if isinstance(self._events[0], ask.Start):
                raise
            self.take(ask.Unreachable(self._clock.monotonic(), str(error)))

    def _identity(self) -> Identity:
        """The client id ends in the store's identity: a store that begins inherits nothing of another one."""
        name = self._settings.client_id or f"edgeagent-{self._prefix.replace('/', '-')}"
        store, boot = self.delivery.store, self.delivery.boot
        return Identity(f"{name}-{store[:12]}" if store else name, clean=boot <= 1 and not self._known_before)

    def confirm(self, receipt: tuple[int, int]) -> None:
        """What this message asked for is on record: the broker need not keep it for us any longer."""
        generation, mid = receipt
        if self._client is not None and generation == self._generation:
            self._client.confirm(mid)

    def drop(self, *, polite: bool) -> None:
        """End the session with all that the client holds; not ``polite`` leaves the will to the broker."""
        client, self._client = self._client, None
        self._generation += 1
        self._messages.clear()
        if client is not None:
            client.close(polite=polite)

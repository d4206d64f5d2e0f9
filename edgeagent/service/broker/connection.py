"""The connection to the broker: one client after the other, each for one session, and the messages it has."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import msgspec

from edgeagent.codec.configuration.settings import Mqtt
from edgeagent.rules.line import delivery_state as ask
from edgeagent.rules.line.delivery_follow import WINDOW
from edgeagent.service.broker.broker_events import translate
from edgeagent.service.broker.client import Identity, MqttClient, MqttEvent
from edgeagent.store.clock import Clock

_SUBSCRIBED = (
    *(("lamp", 0), ("state", 0), ("state/request", 0), ("acknowledge", 1)),
    *(("expect", 0), ("expect/text", 0)),
)
"""Topics and QoS. The broker keeps what comes at QoS 1 while we are away; old lamps would mislead."""


class Connection:
    """Owns the client of the session at hand. Used from the service loop only.

    ``post`` puts an MqttEvent into the loop's queue from any thread.
    """

    def __init__(
        self, settings: Mqtt, prefix: str, base: Path, clock: Clock, post: Callable[[MqttEvent], None]
    ) -> None:
        self._settings, self._prefix, self._base = settings, prefix, base
        self._clock, self._post = clock, post
        self._generation = 0
        self._client: MqttClient | None = None
        self._messages: dict[int, ask.Publish] = {}
        self._known_before = False

    @property
    def exists(self) -> bool:
        """Whether there is a client, connected or not."""
        return self._client is not None

    def open(self, store: str, boot: int) -> None:
        """A new client in place of the old one, if any. Raises ConfigError.

        The client id ends in the store's identity: a store that begins inherits nothing of another one.
        """
        self.drop(polite=True)
        name = self._settings.client_id or f"edgeagent-{self._prefix.replace('/', '-')}"
        clean = boot <= 1 and not self._known_before
        identity = Identity(f"{name}-{store[:12]}" if store else name, clean)
        self._client = MqttClient(
            self._settings,
            self._prefix,
            self._base,
            self._generation,
            self._post,
            identity=identity,
            window=WINDOW + 4,
        )

    def subscribe(self) -> None:
        """Ask for our own lamp and state, and for what the line sends."""
        if self._client is not None:
            self._known_before = True
            self._client.subscribe([(f"{self._prefix}/{topic}", qos) for topic, qos in _SUBSCRIBED])

    def publish(self, message: ask.Publish) -> None:
        """Hand one message to the client."""
        if self._client is None:
            return
        payload = message.payload
        data = payload if isinstance(payload, bytes) else msgspec.json.encode(payload)
        topic, left_s = f"{self._prefix}/{message.topic}", None
        if message.expires_at is not None:
            left_s = message.expires_at - self._clock.now().timestamp()
        mid = self._client.publish(topic, data, retain=message.retain, qos=message.qos, expires_in_s=left_s)
        self._messages[mid] = message

    def read(self, event: MqttEvent) -> tuple[ask.Event, str] | None:
        """A client's event in the machine's words, and the topic below the prefix if it is a live message.

        None for what a client says that was dropped.
        """
        if event.client != self._generation:
            return None
        topic = event.topic.removeprefix(f"{self._prefix}/")
        sent = self._messages.pop(event.mid, None) if event.what == "acked" else None
        about = f"{self._prefix}/{sent.topic}" if sent else topic
        ticket, version5 = sent.ticket if sent else 0, self._settings.version == "5"
        said = translate(event, about, ticket, self._clock.monotonic(), version5=version5)
        return said, "" if event.retained else topic

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

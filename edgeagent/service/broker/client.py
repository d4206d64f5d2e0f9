"""One MQTT connection. The only module that imports paho.

paho's thread runs callbacks that only post an event; an exception in a callback would end that thread while
``is_connected()`` stays true, so none can get out. A client is used for one session and then thrown away:
paho's own reconnection would repeat what it still holds, old lamp values among it.
"""

from __future__ import annotations

import contextlib
import math
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlsplit

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

from edgeagent.codec.configuration.settings import Mqtt
from edgeagent.rules.line.delivery_follow import WINDOW
from edgeagent.rules.line.delivery_state import Publish
from edgeagent.service.broker.credentials import read_password, tls_context
from edgeagent.service.broker.ending import end_loop

_PAUSE_MAX_S = 10
"""paho's own pauses between attempts; the delivery machine ends a client long before they matter."""
_WINDOW_MORE = 8
"""In flight beside records and lamp: answers and state."""
SESSION_S = 7 * 24 * 3600
"""For so long the broker keeps what the line acknowledges while the agent is away."""
KEPT = ("state", "checkpoint")
"""Topics on which the broker keeps what it last heard of this store."""
COSIGNED = "checkpoint/cosigned/"
"""Below it each witness publishes what it cosigned."""
_PAYLOAD_MAX = 16_384
"""Bytes kept of a message: nothing that is meant for the agent is longer, and anyone may send more."""
_SUBSCRIBED = (
    *(("lamp", 0), ("state", 0), ("state/request", 0), ("acknowledge", 1)),
    *(("expect", 0), ("expect/text", 0)),
    *(("checkpoint", 0), ("checkpoint/cosigned/+", 0)),
)
"""Topics and QoS. The broker keeps what comes at QoS 1 while we are away; old lamps would mislead."""


@dataclass(frozen=True, slots=True)
class MqttEvent:
    """What paho's thread posts to the loop: ``what`` is one of connect, unreachable, disconnect, acked,
    message. ``topic`` is below the prefix."""

    what: str
    client: int
    mid: int = 0
    reason: int = 0
    words: str = ""
    topic: str = ""
    payload: bytes = b""
    retained: bool = False
    who: str = ""
    qos: int = 0


class Sent(NamedTuple):
    """A message that was handed to the client: its topic in full, and the ticket under which it is awaited."""

    topic: str
    ticket: int


class MqttClient:
    """A client that connects in the background; where it cannot, it posts that, and is to be closed.

    Raises ConfigError when certificates or the password cannot be read. ``post`` is called from paho's
    thread with an MqttEvent that carries ``generation``. The client id ends in the store's identity: a store
    that begins inherits nothing of another one; ``clean`` leaves behind what the broker kept for this id.
    """

    def __init__(
        self,
        settings: Mqtt,
        prefix: str,
        base: Path,
        post: Callable[[MqttEvent], None],
        generation: int,
        store: str,
        clean: bool,
    ) -> None:
        name = settings.client_id or f"edgeagent-{prefix.replace('/', '-')}"
        # Without a store there was no journal to read: a client of its own then, which takes over no session.
        client_id = f"{name}-{store[:12]}" if store else name
        self._client = _new_client(settings, prefix, base, generation, post, client_id, clean)
        self._prefix = prefix
        self._sent: dict[int, Sent] = {}
        self.version5 = settings.version == "5"
        # The registered ports of MQTT without and with TLS.
        parts = urlsplit(settings.url)
        port = parts.port or (8883 if parts.scheme == "mqtts" else 1883)
        session: dict[str, Any] = {}
        if settings.version == "5":
            kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            # MQTT 5 ends a session with its connection unless told how long to keep it; 3.1.1 keeps it.
            kept.SessionExpiryInterval = SESSION_S
            session = {"clean_start": clean, "properties": kept}
        self._client.connect_async(str(parts.hostname), port, settings.keep_alive_s, **session)
        self._client.loop_start()

    def subscribe(self) -> None:
        """Ask for our own lamp and state, and for what the line sends.

        A failure shows as a self-test that does not come back.
        """
        with contextlib.suppress(OSError, ValueError):
            self._client.subscribe([(f"{self._prefix}/{topic}", qos) for topic, qos in _SUBSCRIBED])

    def confirm(self, mid: int) -> None:
        """Acknowledge a message that came at QoS 1: until then the broker keeps it for us."""
        with contextlib.suppress(OSError, ValueError):
            self._client.ack(mid, 1)

    def publish(self, message: Publish, now: float) -> None:
        """Hand over one message; under MQTT 5 the broker forgets it, retained or queued, when it expires.

        paho's return code is not looked at: a message that is kept counts as open until its PUBACK, and
        what stays open is sent again by a new client.
        """
        topic, payload, properties = f"{self._prefix}/{message.topic}", message.payload, None
        data = payload if isinstance(payload, bytes) else msgspec.json.encode(payload)
        if message.expires_at is not None and self.version5:
            properties = Properties(PacketTypes.PUBLISH)  # type: ignore[no-untyped-call]
            # Whole seconds of at least one: 0 would be gone before the broker hands it on (MQTT 5, 3.3.2.3.3).
            properties.MessageExpiryInterval = max(1, math.ceil(message.expires_at - now))
        # A PUBACK cannot overtake the next line: the thread only posts it, and this loop reads it later.
        mid = self._client.publish(topic, data, message.qos, message.retain, properties).mid
        self._sent[mid] = Sent(topic, message.ticket)

    def take_sent(self, mid: int) -> Sent | None:
        """The message with this packet identifier, which is free again with that."""
        return self._sent.pop(mid, None)

    def close(self, *, polite: bool) -> None:
        """End the session; not ``polite`` leaves the will to the broker."""
        if polite:
            with contextlib.suppress(OSError, ValueError):
                self._client.disconnect()
        end_loop(self._client, "mqtt-ending", 0.2)


def _new_client(
    settings: Mqtt,
    prefix: str,
    base: Path,
    generation: int,
    post: Callable[[MqttEvent], None],
    client_id: str,
    clean: bool,
) -> mqtt.Client:
    version5 = settings.version == "5"
    client = mqtt.Client(
        CallbackAPIVersion.VERSION2,
        client_id=client_id,
        protocol=mqtt.MQTTv5 if version5 else mqtt.MQTTv311,
        clean_session=None if version5 else clean,
        # paho would acknowledge on arrival; a kill before the record is synced would lose what it asks for.
        manual_ack=True,
    )
    # Beyond the window paho would queue silently, and a lamp value would wait in there.
    client.max_inflight_messages_set(WINDOW + _WINDOW_MORE)
    client.reconnect_delay_set(1, _PAUSE_MAX_S)
    # The broker lights the fault itself if we vanish: nobody else could.
    client.will_set(f"{prefix}/lamp", b"3", qos=1, retain=True)
    if settings.user is not None:
        client.username_pw_set(settings.user, read_password(settings, base))
    if urlsplit(settings.url).scheme == "mqtts":
        client.tls_set_context(tls_context(settings, base))

    def send(event: MqttEvent) -> None:
        # An exception in a callback would end paho's thread while is_connected() stays true.
        with contextlib.suppress(Exception):
            post(event)

    def on_connect(_c: Any, _u: Any, _f: Any, reason: Any, _p: Any) -> None:
        send(MqttEvent("connect", generation, reason=int(reason.value), words=str(reason)))

    def on_connect_fail(_c: Any, _u: Any) -> None:
        # paho calls this while it handles the error and does not pass it on.
        error = sys.exc_info()[1]
        send(MqttEvent("unreachable", generation, words=str(error) if error else "no connection"))

    def on_disconnect(_c: Any, _u: Any, _f: Any, reason: Any, _p: Any) -> None:
        send(MqttEvent("disconnect", generation, reason=int(reason.value), words=str(reason)))

    def on_publish(_c: Any, _u: Any, mid: int, reason: Any, _p: Any) -> None:
        send(MqttEvent("acked", generation, mid=mid, reason=int(reason.value), words=str(reason)))

    def on_message(_c: Any, _u: Any, message: Any) -> None:
        send(
            MqttEvent(
                "message",
                generation,
                topic=str(message.topic).removeprefix(f"{prefix}/"),
                # Copied: the thread's object must not be shared with the loop.
                payload=bytes(message.payload[:_PAYLOAD_MAX]),
                retained=bool(message.retain),
                who=_who(message),
                mid=int(message.mid),
                qos=int(message.qos),
            )
        )

    client.on_connect = on_connect
    client.on_connect_fail = on_connect_fail
    client.on_disconnect = on_disconnect
    client.on_publish = on_publish
    client.on_message = on_message
    return client


def _who(message: Any) -> str:
    """Who sent a message, where it says so: the user property ``who`` of MQTT 5."""
    pairs = getattr(getattr(message, "properties", None), "UserProperty", ())
    return next((str(value)[:128] for name, value in pairs if name == "who"), "")

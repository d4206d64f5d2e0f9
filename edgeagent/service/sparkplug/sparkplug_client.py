"""One MQTT session of the edge node. paho's thread only posts events; a client is used for one session."""

from __future__ import annotations

import contextlib
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from paho.mqtt.reasoncodes import ReasonCode

from edgeagent.codec.configuration.settings import Mqtt
from edgeagent.service.broker.credentials import read_password, tls_context
from edgeagent.service.broker.ending import end_loop

_REFUSED_FROM = 0x80
"""Reason codes of a SUBACK from here on are refusals, in both versions of MQTT."""
_WITH_WILL = 0x04
"""MQTT 5 reason code: the broker publishes the will although the client leaves in order."""
_BYTES_MAX = 8192
"""More of a message is not kept: nothing that is meant for an edge node is longer."""


@dataclass(frozen=True, slots=True)
class SessionEvent:
    """What paho's thread posts: ``what`` is one of letin, unreached, ended, subscribed, message."""

    what: str
    session: int
    words: str = ""
    ticket: int = 0
    refused: tuple[str, ...] = ()
    topic: str = ""
    payload: bytes = b""
    retained: bool = False


@dataclass(frozen=True, slots=True)
class Will:
    """The NDEATH that the broker publishes when the session ends without a word."""

    topic: str
    payload: bytes


class SparkplugClient:
    """Connects in the background, with a clean session that ends with the connection.

    Raises ConfigError when certificates or the password cannot be read. ``post`` is called from paho's thread.
    """

    def __init__(
        self,
        settings: Mqtt,
        base: Path,
        client_id: str,
        will: Will,
        session: int,
        post: Callable[[SessionEvent], None],
    ) -> None:
        self._version5 = settings.version == "5"
        self._session, self._post = session, post
        self._tickets: dict[int, tuple[int, tuple[str, ...]]] = {}
        # The SUBACK may come before `subscribe` has noted its number: both sides take the lock.
        self._lock = threading.Lock()
        client = mqtt.Client(
            CallbackAPIVersion.VERSION2,
            client_id=client_id,
            protocol=mqtt.MQTTv5 if self._version5 else mqtt.MQTTv311,
            clean_session=None if self._version5 else True,
        )
        # Sparkplug 3.0: NDEATH at QoS 1, not retained, with the bdSeq of the NBIRTH to come.
        client.will_set(will.topic, will.payload, qos=1, retain=False)
        if settings.user is not None:
            client.username_pw_set(settings.user, read_password(settings, base))
        parts = urlsplit(settings.url)
        if parts.scheme == "mqtts":
            client.tls_set_context(tls_context(settings, base))
        client.on_connect, client.on_connect_fail = self._on_connect, self._on_connect_fail
        client.on_disconnect, client.on_subscribe = self._on_disconnect, self._on_subscribe
        client.on_message = self._on_message
        more: dict[str, Any] = {}
        if self._version5:
            kept = Properties(PacketTypes.CONNECT)  # type: ignore[no-untyped-call]
            # Sparkplug 3.0 demands a clean session: a birth replaces whatever was missed.
            kept.SessionExpiryInterval = 0
            more = {"clean_start": True, "properties": kept}
        port = parts.port or (8883 if parts.scheme == "mqtts" else 1883)
        client.connect_async(str(parts.hostname), port, settings.keep_alive_s, **more)
        self._client = client
        client.loop_start()

    def subscribe(self, topics: Sequence[str], ticket: int) -> None:
        """Subscribe at QoS 1; the answer is posted with ``ticket``."""
        with contextlib.suppress(OSError, ValueError), self._lock:
            _, mid = self._client.subscribe([(topic, 1) for topic in topics])
            if mid is not None:
                self._tickets[mid] = (ticket, tuple(topics))

    def publish(self, topic: str, payload: bytes, qos: int) -> None:
        """Hand one message to the client; never retained."""
        with contextlib.suppress(OSError, ValueError):
            self._client.publish(topic, payload, qos=qos, retain=False)

    def close(self, *, polite: bool) -> None:
        """End the session; not ``polite`` leaves the will to the broker. Under MQTT 5 it is sent either way."""
        if polite:
            with contextlib.suppress(OSError, ValueError):
                if self._version5:
                    leave = ReasonCode(PacketTypes.DISCONNECT, identifier=_WITH_WILL)
                    self._client.disconnect(reasoncode=leave)
                else:
                    self._client.disconnect()
        end_loop(self._client, "sparkplug-ending", 0.2)

    def _send(self, what: str, **more: Any) -> None:
        # An exception in a callback would end paho's thread while it seems connected.
        with contextlib.suppress(Exception):
            self._post(SessionEvent(what, self._session, **more))

    def _on_connect(self, _c: Any, _u: Any, _f: Any, reason: Any, _p: Any) -> None:
        if reason.is_failure:
            self._send("ended", words=f"the broker refuses: {reason}")
        else:
            self._send("letin")

    def _on_connect_fail(self, _c: Any, _u: Any) -> None:
        error = sys.exc_info()[1]  # paho calls this while it handles the error and does not pass it on
        self._send("unreached", words=str(error) if error else "no connection")

    def _on_disconnect(self, _c: Any, _u: Any, _f: Any, reason: Any, _p: Any) -> None:
        self._send("ended", words=f"the connection ended: {reason}")

    def _on_subscribe(self, _c: Any, _u: Any, mid: int, reasons: Any, _p: Any) -> None:
        with self._lock:
            ticket, topics = self._tickets.pop(mid, (0, ()))
        answered = zip(topics, reasons, strict=False)
        refused = tuple(topic for topic, reason in answered if int(reason.value) >= _REFUSED_FROM)
        self._send("subscribed", ticket=ticket, refused=refused)

    def _on_message(self, _c: Any, _u: Any, message: Any) -> None:
        payload = bytes(message.payload[:_BYTES_MAX])
        self._send("message", topic=str(message.topic), payload=payload, retained=bool(message.retain))

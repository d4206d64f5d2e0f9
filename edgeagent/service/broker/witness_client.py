"""A witness's connection to the broker: the log's retained checkpoint comes in, cosignatures go out."""

from __future__ import annotations

from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any
from urllib.parse import urlsplit

import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from edgeagent.codec.configuration.settings import Mqtt
from edgeagent.codec.evidence.witnessing import BYTES_MAX
from edgeagent.service.broker.client import COSIGNED
from edgeagent.service.broker.credentials import read_password, tls_context
from edgeagent.service.broker.ending import end_loop
from edgeagent.store.evidence.kept import file_name

_PAUSE_MAX_S = 30
"""A witness that is half a minute late has missed nothing: the checkpoint is retained."""


class WitnessClient:
    """Connects and reconnects by itself. Unlike the agent's client it has no will: it shows nothing.

    Raises ConfigError for a password or certificates that cannot be read.
    """

    def __init__(self, settings: Mqtt, prefix: str, base: Path, name: str) -> None:
        self._documents: SimpleQueue[bytes] = SimpleQueue()
        self._problems: SimpleQueue[str] = SimpleQueue()
        self._said = ""
        self._topic = f"{prefix}/{COSIGNED}{file_name(name)}"
        self._client = client = mqtt.Client(CallbackAPIVersion.VERSION2, protocol=mqtt.MQTTv5)
        client.reconnect_delay_set(1, _PAUSE_MAX_S)
        if settings.user is not None:
            client.username_pw_set(settings.user, read_password(settings, base))
        parts = urlsplit(settings.url)
        if parts.scheme == "mqtts":
            client.tls_set_context(tls_context(settings, base))

        def on_connect(_c: Any, _u: Any, _f: Any, reason: Any, _p: Any) -> None:
            if reason.is_failure:
                self._problems.put(f"the broker refuses: {reason}")
            else:
                self._problems.put("")
                # At every connection: the session is clean, and subscribing brings the retained checkpoint.
                client.subscribe(f"{prefix}/checkpoint", 1)

        def on_connect_fail(_c: Any, _u: Any) -> None:
            by_tls = ", or its certificate is by another authority" if parts.scheme == "mqtts" else ""
            self._problems.put(f"{settings.url} cannot be reached{by_tls}")

        def on_message(_c: Any, _u: Any, message: Any) -> None:
            # Not cut: half a document cannot be checked, and a long one is none of ours.
            if len(message.payload) <= BYTES_MAX:
                self._documents.put(bytes(message.payload))

        client.on_connect, client.on_message = on_connect, on_message
        client.on_connect_fail = on_connect_fail
        port = parts.port or (8883 if parts.scheme == "mqtts" else 1883)
        client.connect_async(str(parts.hostname), port, 30)
        client.loop_start()

    def problem(self) -> str | None:
        """What keeps it from the broker, '' once nothing does any more; None where there is no news."""
        news, said = None, self._said
        # Only the newest: a broker that went and came back is no news.
        while not self._problems.empty():
            news = self._problems.get()
        if news is None or news == said:
            return None
        self._said = news
        return news

    def next(self, seconds: float) -> bytes | None:
        """The next document, None when none came in time."""
        try:
            return self._documents.get(timeout=seconds)
        except Empty:
            return None

    def answer(self, document: bytes) -> None:
        """Publish what was cosigned, retained."""
        self._client.publish(self._topic, document, qos=1, retain=True)

    def close(self) -> None:
        """End the connection in order."""
        self._client.disconnect()
        end_loop(self._client, "witness-ending", 2.0)

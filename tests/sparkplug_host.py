"""A Sparkplug host for tests: it keeps what comes, read by a decoder of its own, and commands the edge node."""

from __future__ import annotations

import json
import threading
import time
import uuid
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, TypeVar

import paho.mqtt.client as mqtt
from field import DEADLINE_S, stop_loop
from paho.mqtt.enums import CallbackAPIVersion
from sparkplug_wire import WirePayload, read_payload, write_command

T = TypeVar("T")
GROUP, NODE, DEVICE = "plant-a", "cell-3.gauge-1", "gauge-1"
"""Of the example configuration."""


@dataclass(frozen=True)
class Heard:
    kind: str
    device: str | None
    payload: WirePayload
    retain: bool
    size: int

    def value(self, name: str) -> Any:
        return self.payload[name].value


class Host:
    """Subscribed to all of the group. ``name`` makes it a primary host, which says STATE on entering.

    Sequence numbers are checked as they come: `faults` names what a strict host would ask a rebirth for.
    """

    def __init__(self, port: int, name: str | None = None, **login: Any) -> None:
        self.name = name
        self.faults: list[str] = []
        self._heard: list[Heard] = []
        self._changed = threading.Condition()
        self.subscriptions = 0
        self._next: int | None = None
        self._named: dict[str | None, set[str | None]] = {}
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=f"host-{uuid.uuid4().hex[:12]}")
        if login:
            client.username_pw_set(login["user"], login["password"])
        client.on_connect = lambda c, *_: c.subscribe(f"spBv1.0/{GROUP}/#", 1)
        client.on_subscribe = self._on_subscribe
        client.on_message = self._on_message
        client.reconnect_delay_set(1, 1)
        client.connect_async("127.0.0.1", port, keepalive=5)
        self._client = client

    def _on_subscribe(self, *_: Any) -> None:
        with self._changed:
            self.subscriptions += 1
            self._changed.notify_all()

    def _on_message(self, _c: Any, _u: Any, message: mqtt.MQTTMessage) -> None:
        parts = message.topic.split("/")
        kind, device = parts[2], parts[4] if len(parts) > 4 else None
        if kind in ("NCMD", "DCMD"):
            return
        heard = Heard(kind, device, read_payload(message.payload), bool(message.retain), len(message.payload))
        with self._changed:
            self._check(heard)
            self._heard.append(heard)
            self._changed.notify_all()

    def _check(self, heard: Heard) -> None:
        if heard.kind == "NDEATH":
            self._next, self._named = None, {}
            return
        names = set(heard.payload.names)
        if heard.kind == "NBIRTH":
            self._next, self._named = 0, {}
        if heard.kind.endswith("BIRTH"):
            self._named[heard.device] = names
        if heard.payload.seq != self._next:
            self.faults.append(f"{heard.kind}: seq {heard.payload.seq}, expected {self._next}")
        if not names <= self._named.get(heard.device, set()):
            self.faults.append(f"{heard.kind}: {names - self._named.get(heard.device, set())} were never born")
        if heard.retain or heard.payload.timestamp is None:
            self.faults.append(f"{heard.kind}: retained or without its time")
        if heard.payload.seq is not None:
            self._next = (heard.payload.seq + 1) % 256

    def heard(self, kind: str | None = None) -> list[Heard]:
        with self._changed:
            return [h for h in self._heard if kind is None or h.kind == kind]

    def wait(self, found: Callable[[Host], T], what: str = "") -> T:
        until = time.monotonic() + DEADLINE_S
        while True:
            with self._changed:
                before = len(self._heard), self.subscriptions
            value = found(self)
            if value:
                return value
            if time.monotonic() > until:
                raise AssertionError(f"{what or found} not heard: {[h.kind for h in self.heard()][-20:]}")
            with self._changed:
                if (len(self._heard), self.subscriptions) == before:
                    self._changed.wait(0.5)

    def wait_kind(self, kind: str, count: int = 1) -> list[Heard]:
        return self.wait(lambda h: found if len(found := h.heard(kind)) >= count else None, kind)

    def parts(self) -> list[tuple[str, bool | None, int]]:
        """Serial, historical and time of each part's disposition in data messages, in order."""
        return [
            (m.value, m.is_historical, m.timestamp)
            for h in self.heard("DDATA")
            for m in h.payload.metrics
            if m.name == "Part/Serial"
        ]

    def command(self, kind: str, name: str, value: Any, *, datatype: int | None = None) -> None:
        topic = f"spBv1.0/{GROUP}/{kind}/{NODE}" + (f"/{DEVICE}" if kind == "DCMD" else "")
        self._client.publish(topic, write_command(name, value, datatype=datatype), qos=0)

    def say(self, *, online: bool) -> None:
        """The STATE message of 6.4.27."""
        payload = json.dumps({"online": online, "timestamp": int(time.time() * 1000)})
        self._client.publish(f"spBv1.0/STATE/{self.name}", payload, qos=1, retain=True).wait_for_publish(10)

    def __enter__(self) -> Host:
        self._client.loop_start()
        self.wait(lambda host: host.subscriptions, "the broker's answer")
        if self.name is not None:
            self.say(online=True)
        return self

    def __exit__(self, *_: object) -> None:
        self._client.disconnect()
        stop_loop(self._client)

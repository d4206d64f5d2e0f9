"""A lamp on the line that knows nothing but MQTT, and the operator who acknowledges what it shows."""

from __future__ import annotations

import contextlib
import threading
import time
from dataclasses import dataclass, field
from typing import Any

import msgspec
import paho.mqtt.client as mqtt
from paho.mqtt.enums import CallbackAPIVersion

from edgeagent.model import Disposition
from edgeagent.model.records import JudgedValue


class DispositionMessage(msgspec.Struct, frozen=True):
    """What the line needs of a part's disposition."""

    seq: int
    part: str
    serial: str
    disposition: Disposition
    reasons: tuple[str, ...]
    characteristics: tuple[JudgedValue, ...]


class VerificationMessage(msgspec.Struct, frozen=True):
    """What the line needs of a verification."""

    seq: int
    passed: bool


class AlarmMessage(msgspec.Struct, frozen=True):
    """Which alarm was raised, and by which record where it is one's."""

    alarm: str
    seq: int | None = None


_MESSAGES: dict[str, msgspec.json.Decoder[DispositionMessage | VerificationMessage | AlarmMessage]] = {
    "disposition": msgspec.json.Decoder(DispositionMessage),
    "verification": msgspec.json.Decoder(VerificationMessage),
    "alarm": msgspec.json.Decoder(AlarmMessage),
}


@dataclass(slots=True)
class LineView:
    """What reached the line: the lamp's digits in order, the newest disposition of each part, alarms."""

    lamp: list[str] = field(default_factory=list)
    dispositions: dict[tuple[str, str], list[DispositionMessage]] = field(default_factory=dict)
    alarms: list[AlarmMessage] = field(default_factory=list)
    verifications: list[VerificationMessage] = field(default_factory=list)
    lamp_after: dict[int, str] = field(default_factory=dict)


class LampClient:
    """Subscribes below a prefix; ignores repeated sequence numbers, as every consumer should.

    Holds and quarantined files are put aside and acknowledged as soon as they are known.
    """

    def __init__(self, port: int, prefix: str) -> None:
        self.seen = LineView()
        self._prefix = prefix
        self._changed = threading.Condition()
        self._heads: set[int] = set()
        self._client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="line-lamp", protocol=mqtt.MQTTv5)
        # On each connection, since a clean session has forgotten its subscriptions.
        self._client.on_connect = lambda client, *_: client.subscribe(f"{prefix}/#", 1)
        self._client.on_message = self._on_message
        self._client.connect("127.0.0.1", port, 10)
        self._client.loop_start()

    def close(self) -> None:
        """Leave the line."""
        self._client.disconnect()
        # paho looks whether it has a thread and then joins it: one that ends in between is None by then.
        with contextlib.suppress(AttributeError):
            self._client.loop_stop()

    def acknowledge(self, seq: int) -> None:
        """Press the button for one disposition."""
        self._client.publish(f"{self._prefix}/acknowledge", str(seq), qos=1)

    def wait(self, wanted: Any, seconds: float) -> bool:
        """Wait until ``wanted(seen)`` holds; False when the time runs out."""
        until = time.monotonic() + seconds
        with self._changed:
            while not wanted(self.seen):
                left = until - time.monotonic()
                if left <= 0:
                    return False
                self._changed.wait(left)
        return True

    def _on_message(self, _client: Any, _userdata: Any, message: mqtt.MQTTMessage) -> None:
        topic = message.topic.removeprefix(f"{self._prefix}/")
        with self._changed:
            if topic == "lamp":
                self.seen.lamp.append(message.payload.decode())
            elif topic in _MESSAGES:
                self._take(_MESSAGES[topic].decode(message.payload))
            self._changed.notify_all()

    def _take(self, message: DispositionMessage | VerificationMessage | AlarmMessage) -> None:
        if isinstance(message, AlarmMessage):
            self.seen.alarms.append(message)
            # Put aside at once: else the torn file of one part would hold the lamp for all that follow.
            if message.alarm == "quarantine" and message.seq is not None:
                self.acknowledge(message.seq)
            return
        # QoS 1 repeats messages, and a connection brings the retained ones again
        if message.seq in self._heads:
            return
        self._heads.add(message.seq)
        if isinstance(message, VerificationMessage):
            self.seen.verifications.append(message)
            return
        self.seen.dispositions.setdefault((message.part, message.serial), []).append(message)
        # The agent sends the lamp before the disposition, so that the newest digit is the one for it.
        self.seen.lamp_after[message.seq] = self.seen.lamp[-1] if self.seen.lamp else ""
        if message.disposition == Disposition.HOLD:
            self.acknowledge(message.seq)

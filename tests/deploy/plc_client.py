"""A controller on a real connection: the shipped function blocks in a cycle of their own, and an MQTT library.

Independent of the project's client: it knows topics and payloads as deploy/README.md describes them. Everything
that its outputs did is kept with the wall time, to be compared with the agent's journal afterwards.
"""

from __future__ import annotations

import contextlib
import json
import queue
import threading
import time
from dataclasses import dataclass, field
from typing import Any

import paho.mqtt.client as mqtt
from field import PREFIX, stop_loop
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties
from plc_model import Disposition, Inputs
from shipped_plc import ShippedPlc

CYCLE_S, RETRY_S = 0.02, 0.2
TOPICS = ("lamp", "state", "heartbeat", "disposition")


@dataclass
class Outputs:
    """What the outputs did: (wall time, output) at each change, and (wall time, serial) of each release."""

    shown: list[tuple[float, str]] = field(default_factory=list)
    released: list[tuple[float, str]] = field(default_factory=list)
    refused: list[tuple[float, str]] = field(default_factory=list)
    longest_cycle_s: float = 0.0


class PlcClient:
    """Runs from entering to leaving. ``kept`` gives it a session that outlives its connection, which it should
    not have: what a queue then brings must do no harm either.
    """

    def __init__(self, port: int, store: str, *, stale_s: float, kept: bool = False) -> None:
        self._port, self._store, self._stale_s, self._kept = port, store, stale_s, kept
        self.outputs = Outputs()
        self.waiting: list[int] = []
        self.plugged = True
        self._serial: str | None = None
        self._at_station = ""
        self._reboot = False
        self._ending = threading.Event()
        self._thread = threading.Thread(target=self._run, name="plc")
        self._messages: queue.SimpleQueue[Any] = queue.SimpleQueue()
        self._client: mqtt.Client | None = None
        self._session = 0
        self._connected = False
        self._endings: list[threading.Thread] = []

    def arrive(self, serial: str) -> None:
        """A part comes to the station."""
        self._serial = serial

    def reboot(self) -> None:
        """Power off and on: all variables begin anew."""
        self._reboot = True

    def acknowledge(self, seq: int) -> None:
        """The operator's button."""
        client = self._client
        if client is not None and self._connected:
            client.publish(f"{PREFIX}/acknowledge", str(seq), qos=1)

    def __enter__(self) -> PlcClient:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._ending.set()
        self._thread.join()
        for thread in self._endings:
            thread.join()

    # --- the cycle

    def _run(self) -> None:
        plc = self._new_blocks()
        retry_at, last = 0.0, time.monotonic()
        while not self._ending.is_set():
            now = time.monotonic()
            self.outputs.longest_cycle_s = max(self.outputs.longest_cycle_s, now - last)
            last = now
            if self._reboot:
                self._reboot = False
                self._hang_up()
                plc = self._new_blocks()
            if not self.plugged or (self._client is not None and not self._connected and now >= retry_at):
                self._hang_up()
            elif self._client is None and now >= retry_at:
                retry_at = now + RETRY_S
                self._connect()
            arrived, self._serial = self._serial, None
            if arrived is not None:
                self._at_station = arrived
            self._cycle(plc, Inputs(connected=self._connected, part_arrived=arrived))
            with contextlib.suppress(queue.Empty):
                while True:
                    session, message = self._messages.get_nowait()
                    if session == self._session and self._connected:
                        self._cycle(plc, self._inputs(message))
            time.sleep(CYCLE_S)
        self._hang_up()

    def _new_blocks(self) -> ShippedPlc:
        return ShippedPlc(self._store, stale_s=self._stale_s)

    def _cycle(self, plc: ShippedPlc, given: Inputs) -> None:
        before = plc.release.Released, plc.release.Refused
        plc.cycle(time.monotonic(), given)
        wall, shown = time.time(), plc.shown
        if not self.outputs.shown or self.outputs.shown[-1][1] != shown:
            self.outputs.shown.append((wall, shown))
        if plc.release.Released and not before[0]:
            self.outputs.released.append((wall, self._at_station))
        if plc.release.Refused and not before[1]:
            self.outputs.refused.append((wall, self._at_station))

    def _inputs(self, message: mqtt.MQTTMessage) -> Inputs:
        topic, retained = message.topic.removeprefix(f"{PREFIX}/"), bool(message.retain)
        text = message.payload.decode("utf-8", "replace")
        if topic == "lamp":
            return Inputs(lamp=int(text) if text in "0123" and len(text) == 1 else -1)
        if topic == "heartbeat":
            return Inputs(heartbeat=(retained, int(text)))
        said = json.loads(text)
        if topic == "state":
            if not retained and said["store"] == self._store:
                self.waiting = [one["seq"] for one in said["waiting"]]
            return Inputs(state=(retained, said["store"], said["lamp"]))
        late, accepted = said.get("late", False), said["disposition"] == "accept"
        until = said.get("expires_beat", 0)
        return Inputs(
            disposition=Disposition(retained, late, said["seq"], said["store"], until, said["serial"], accepted)
        )

    # --- the library

    def _connect(self) -> None:
        self._session += 1
        session = self._session
        name = "plc" if self._kept else f"plc-{session}-{time.monotonic_ns()}"
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id=name, protocol=mqtt.MQTTv5)

        def on_connect(_c: Any, _u: Any, _f: Any, reason: Any, _p: Any) -> None:
            if session == self._session and not reason.is_failure:
                client.subscribe([(f"{PREFIX}/{topic}", 1) for topic in TOPICS])
                client.publish(f"{PREFIX}/state/request", b"", qos=1)
                self._connected = True

        def on_disconnect(*_: Any) -> None:
            if session == self._session:
                self._connected = False

        client.on_connect, client.on_disconnect = on_connect, on_disconnect
        client.on_message = lambda _c, _u, message: self._messages.put((session, message))
        keep = Properties(PacketTypes.CONNECT)
        keep.SessionExpiryInterval = 3600 if self._kept else 0
        try:
            client.connect("127.0.0.1", self._port, keepalive=2, clean_start=not self._kept, properties=keep)
        except (OSError, ValueError):
            return
        client.loop_start()
        self._client = client

    def _hang_up(self) -> None:
        client, self._client = self._client, None
        self._connected = False
        self._session += 1
        if client is not None:
            self._endings.append(threading.Thread(target=_end, args=(client,), name="plc-ending"))
            self._endings[-1].start()


def _end(client: mqtt.Client) -> None:
    """Takes a second; a controller's cycle does not wait for its library."""
    with contextlib.suppress(OSError, ValueError):
        client.disconnect()
    stop_loop(client)

"""Two hundred agents on one broker: messages, what it keeps, and all of them coming back after its restart.

Run: python tests/bench/fleet.py [agents] [seconds]   Target: all back, no disposition lost.

Each agent is the real delivery machine with the real MQTT client and a journal in memory, on a real Mosquitto;
folders, workers and disks are left out. It beats each second, says its state every 5 s, decides a part every
20 s. A listener whose session lasts hears all of it. The broker is killed, is away for a while and comes back:
once with the pauses that each agent draws for itself, once with whole pauses that all of them share.
"""

from __future__ import annotations

import json
import os
import random
import statistics
import sys
import tempfile
import threading
import time
from collections import Counter, deque
from functools import partial
from pathlib import Path

import paho.mqtt.client as mqtt
from figures import print_table
from paho.mqtt.enums import CallbackAPIVersion
from paho.mqtt.packettypes import PacketTypes
from paho.mqtt.properties import Properties

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import Broker
from records import record_of

from edgeagent.codec.configuration.settings import Mqtt
from edgeagent.codec.records.record import Place
from edgeagent.judging.line_messages import state_message
from edgeagent.rules.line import delivery, delivery_state
from edgeagent.rules.line.lamp import Lamp
from edgeagent.service.broker.client import MqttClient
from edgeagent.service.broker.feed import Feed
from edgeagent.service.broker.publisher import Publisher
from edgeagent.store.clock import SystemClock

AGENTS = int(sys.argv[1]) if len(sys.argv) > 1 else 200
SECONDS = float(sys.argv[2]) if len(sys.argv) > 2 else 20.0
PART_S, STATE_S, BACK_S = 20.0, 5.0, 60.0
AWAY_S = (0.0, 6.0)
"""How long the broker is away: a restart at once, and one for which pauses have grown."""
TURN_S = 0.05
CLOCK = SystemClock()
SLICE_S = 0.1


class MemoryJournal:
    """What a reader of the journal gives, from a list."""

    def __init__(self) -> None:
        self.records: list = []

    def read_from(self, place: Place | None, count: int) -> list:
        begin = place.offset if place else 0
        found = self.records[begin : begin + count]
        return [(record, Place("memory", begin + n + 1)) for n, record in enumerate(found)]


class SimulatedAgent:
    """One agent's side of the broker."""

    def __init__(self, number: int, port: int) -> None:
        self.number, self.events, self.journal = number, deque(), MemoryJournal()
        self.parts: list[str] = []
        self.ready_at: list[float] = []
        self.connected_at: list[float] = []
        settings = Mqtt(url=f"mqtt://127.0.0.1:{port}", keep_alive_s=5)
        prefix = f"fleet/cell-{number // 10}/gauge-{number}"
        client = partial(MqttClient, settings, prefix, Path("."), self.events.append)
        begin = delivery.initial(latches=True, keep_alive_s=5)
        self.publisher = Publisher(client, CLOCK, begin, live_s=60.0, report=self._report)
        self.publisher.feed = Feed(self.journal, self.publisher.compose)
        store = f"{number:064x}"[::-1]
        start = (0, None, Lamp(), frozenset(), None, 1)
        self._append(record_of("start"))
        self.publisher.tell(delivery_state.StartDelivery, *start, store=store, run=f"{number:016x}")
        now = CLOCK.monotonic()
        self.beat_at = now + random.random()
        self.part_at = now + 2.0 + PART_S * random.random()
        self.state_at = 0.0

    def _report(self, event: str, _details: dict) -> None:
        moments = {"ready": self.ready_at, "mqtt-connected": self.connected_at}.get(event)
        if moments is not None:
            moments.append(time.monotonic())

    def _append(self, record) -> None:
        self.journal.records.append(record)
        self.publisher.appended([record], record.seq if record.kind == "disposition" else 0)

    def turn(self, now: float) -> None:
        while self.events:
            self.publisher.handle(self.events.popleft())
        if now >= self.beat_at:
            self.beat_at += 1.0
            self.publisher.tell(delivery_state.Beat)
        if now >= self.part_at:
            self.part_at += PART_S
            serial = f"{self.number}-{len(self.parts)}"
            self.parts.append(serial)
            members = {"serial": serial, "settled_at": time.time()}
            self._append(record_of("disposition", members, seq=len(self.journal.records) + 1))
        if now >= self.state_at and self.publisher.delivery.ready:
            self.state_at = now + STATE_S
            content = {"lamp": 0, "recipes": [{"part": "KX-2005-R", "revision": "B", "sha256": "0" * 64}] * 5}
            self.publisher.tell(delivery_state.Aside, state_message(self.publisher.delivery, content))
        self.publisher.pump()


class Ear:
    """Hears the whole fleet, with a session that outlives the broker's restart."""

    def __init__(self, port: int) -> None:
        self.counts: Counter[str] = Counter()
        self.bytes = 0
        self.serials: Counter[str] = Counter()
        self.system: dict[str, str] = {}
        client = mqtt.Client(CallbackAPIVersion.VERSION2, client_id="ear", protocol=mqtt.MQTTv5)
        session = Properties(PacketTypes.CONNECT)
        session.SessionExpiryInterval = 3600
        client.reconnect_delay_set(1, 1)
        client.on_connect = lambda c, *_: c.subscribe([("fleet/#", 1), ("$SYS/broker/#", 0)])
        client.on_message = self._on_message
        client.connect_async("127.0.0.1", port, keepalive=30, clean_start=False, properties=session)
        client.loop_start()
        self.client = client

    def _on_message(self, _c, _u, message) -> None:
        if message.topic.startswith("$SYS"):
            self.system[message.topic] = message.payload.decode()
            return
        name = message.topic.split("/", 3)[3]
        self.counts[name] += 1
        self.bytes += len(message.payload) + len(message.topic)
        if name == "decided":
            self.serials[json.loads(message.payload)["serial"]] += 1


class Fleet:
    """All agents, each driven by a thread of its own, as each service has a loop of its own."""

    def __init__(self, port: int) -> None:
        self.agents = [SimulatedAgent(n, port) for n in range(AGENTS)]
        self.going = True
        self.threads = [threading.Thread(target=self._run, args=(agent,)) for agent in self.agents]
        for thread in self.threads:
            thread.start()

    def _run(self, agent: SimulatedAgent) -> None:
        while self.going:
            agent.turn(CLOCK.monotonic())
            time.sleep(TURN_S)

    def ready(self) -> int:
        return sum(agent.publisher.delivery.ready for agent in self.agents)

    def wait_ready(self, seconds: float) -> float:
        """Seconds until all agents are ready; infinite where some are not in time."""
        began = time.monotonic()
        while self.ready() < AGENTS:
            if time.monotonic() - began > seconds:
                return float("inf")
            time.sleep(0.02)
        return time.monotonic() - began

    def end(self) -> None:
        self.going = False
        for thread in self.threads:
            thread.join()
        for agent in self.agents:
            agent.publisher.drop()


def cpu_s(pid: int) -> float:
    parts = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(parts[11]) + int(parts[12])) / os.sysconf("SC_CLK_TCK")


def peak_cpu(pid: int, until: float) -> float:
    """Largest share of one processor in any half second until then."""
    samples = [(time.monotonic(), cpu_s(pid))]
    while time.monotonic() < until:
        time.sleep(SLICE_S)
        samples.append((time.monotonic(), cpu_s(pid)))
    step = round(0.5 / SLICE_S)
    return max((b[1] - a[1]) / (b[0] - a[0]) for a, b in zip(samples, samples[step:], strict=False))


def restart(fleet: Fleet, broker: Broker, away_s: float) -> dict[str, float]:
    """Kill the broker, start it after a while, and see everybody come back."""
    before = {agent.number: len(agent.ready_at) for agent in fleet.agents}
    connected = {agent.number: len(agent.connected_at) for agent in fleet.agents}
    broker.kill()
    time.sleep(away_s)
    broker.start()
    back = time.monotonic()
    peak = peak_cpu(broker.pid, back + 12.0)
    rest = fleet.wait_ready(BACK_S)
    firsts = [a.ready_at[before[a.number]] - back for a in fleet.agents if len(a.ready_at) > before[a.number]]
    arrivals = [
        a.connected_at[connected[a.number]] - back
        for a in fleet.agents
        if len(a.connected_at) > connected[a.number]
    ]
    in_slices = Counter(int(at / SLICE_S) for at in arrivals)
    return {
        "back": len(firsts) if rest < float("inf") else fleet.ready(),
        "median_s": statistics.median(firsts),
        "last_s": max(firsts),
        "most_in_slice": max(in_slices.values()),
        "peak_cpu": peak,
    }


def run(title: str, folder: Path) -> list[list[object]]:
    lines = ("sys_interval 1", "max_queued_messages 100000", "max_inflight_messages 200", "max_connections -1")
    with Broker(folder, lines) as broker:
        ear = Ear(broker.port)
        fleet = Fleet(broker.port)
        try:
            first_s = fleet.wait_ready(BACK_S)
            time.sleep(2.0)
            begin, cpu, counts = time.monotonic(), cpu_s(broker.pid), ear.counts.total()
            size = ear.bytes
            time.sleep(SECONDS)
            seconds = time.monotonic() - begin
            rate, load = (ear.counts.total() - counts) / seconds, (cpu_s(broker.pid) - cpu) / seconds
            kb_s = (ear.bytes - size) / seconds / 1000
            kept = ear.system.get("$SYS/broker/retained messages/count", "?")
            found = {}
            for away_s in AWAY_S:
                found[away_s] = restart(fleet, broker, away_s)
                time.sleep(12.0)
            for agent in fleet.agents:
                agent.part_at = float("inf")
            until = time.monotonic() + 20.0
            expected = {serial for agent in fleet.agents for serial in agent.parts}
            while set(ear.serials) < expected and time.monotonic() < until:
                time.sleep(0.1)
        finally:
            fleet.end()
            ear.client.disconnect()
            ear.client.loop_stop()
    lost = len(expected - set(ear.serials))
    assert lost == 0, f"{lost} dispositions were lost"
    assert all(one["back"] == AGENTS for one in found.values()), found
    return [
        [
            title,
            f"{first_s:.1f}",
            f"{rate:.0f}",
            f"{kb_s:.0f}",
            kept,
            f"{100 * load:.1f}",
            f"{away_s:.0f}",
            f"{one['back']}/{AGENTS}",
            f"{one['median_s']:.2f} / {one['last_s']:.2f}",
            one["most_in_slice"],
            f"{100 * one['peak_cpu']:.0f}",
            f"{lost} of {len(expected)}",
        ]
        for away_s, one in found.items()
    ]


def main() -> None:
    heads = (
        *("pauses", "all ready s", "msg/s", "kB/s", "retained", "broker % CPU", "away s", "back"),
        *("median / last s", "connects in 0.1 s", "peak % CPU", "lost"),
    )
    rows = []
    with tempfile.TemporaryDirectory() as folder:
        rows += run("drawn", Path(folder) / "drawn")
        drawn = delivery.draw_pause_s
        delivery.draw_pause_s = lambda whole_s, _who, _now: whole_s
        rows += run("in step", Path(folder) / "in-step")
        delivery.draw_pause_s = drawn
    print_table(f"{AGENTS} agents on one broker", heads, rows)


if __name__ == "__main__":
    main()

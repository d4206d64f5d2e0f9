"""Random events on a real broker with real agents and a PLC that runs the shipped blocks, stale time 0.5 s.

Never "Released for P" without a valid accept of P by this agent and in time; never Clear over a latched reject,
nor any output but fault without a working agent, for longer than the stale time. What the outputs did is
compared with the journal that the agent wrote.

Run: python tests/faults/line_random.py [sequences [first seed]]   (50 by default: 20 minutes; needs Mosquitto)
"""

from __future__ import annotations

import random
import shutil
import sys
import tempfile
import time
from contextlib import ExitStack
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise
from pathlib import Path
from typing import Any

sys.path[:0] = [str(Path(__file__).parent.parent / "deploy"), str(Path(__file__).parent.parent)]
sys.path.append(str(Path(__file__).parent.parent.parent))
from field import Agent, Broker, Listener, spiral_text, wait_until
from mqtt_proxy import MqttProxy
from plc_client import PlcClient

STALE_S, LIVE_S, BEAT_S, EVENTS = 0.5, 4.0, 0.2, 14
SLACK_S = 2 * BEAT_S + 0.3
"""Expiry is told in heartbeats: the count may lag behind the clock by so much."""
SETTINGS: dict[str, Any] = {
    "intake.settle_s": 0.05,
    "intake.scan_s": 0.5,
    "intake.live_s": LIVE_S,
    "line.heartbeat_s": BEAT_S,
    "mqtt.keep_alive_s": 1,
    "verification": None,
}


def part_text(serial: str, amplitude_nm: float) -> str:
    """A nut's roundness plane; 4000 nm at 3 UPR are a reject."""
    waves = {2: 150.0, 3: amplitude_nm}
    given: dict[str, Any] = {"kind": "circle", "part": "HN-1610-R", "feature": "outside", "turns": 2}
    return spiral_text(serial=serial, waves_nm=waves, points_per_turn=1800, **given)


Span = tuple[float, float]


@dataclass
class Cell:
    """One sequence's world."""

    folder: Path
    chance: random.Random
    broker: Broker
    ours: Agent
    other: Agent
    plc: PlcClient
    observer: Listener
    links: tuple[MqttProxy, MqttProxy]
    serial: int = 0
    story: list[str] = field(default_factory=list)
    away: list[Span] = field(default_factory=list)
    """When our agent was killed, frozen or stopped, as wall times."""
    gone_at: float | None = None

    def leave(self) -> None:
        if self.gone_at is None:
            self.gone_at = time.time()

    def back(self) -> None:
        if self.gone_at is not None:
            self.away.append((self.gone_at, time.time()))
            self.gone_at = None

    def measure(self, agent: Agent, serial: str, amplitude_nm: float) -> None:
        agent.drop(f"{serial}-{len(self.story)}.txt", part_text(serial, amplitude_nm))

    # --- events

    def good(self) -> None:
        self._part(20.0)

    def bad(self) -> None:
        self._part(4000.0)

    def _part(self, amplitude_nm: float) -> None:
        self.serial += 1
        self.plc.arrive(str(self.serial))
        time.sleep(0.1)
        self.measure(self.ours, str(self.serial), amplitude_nm)

    def measured_again(self) -> None:
        """A part of before comes back and is measured, mostly well."""
        serial = str(self.chance.randint(1, max(1, self.serial)))
        self.plc.arrive(serial)
        time.sleep(0.1)
        self.measure(self.ours, serial, self.chance.choice((20.0, 20.0, 4000.0)))

    def unmeasured(self) -> None:
        """A part of before comes back and nobody measures it."""
        self.plc.arrive(str(self.chance.randint(1, max(1, self.serial))))

    def kill(self) -> None:
        if self.ours.alive:
            self.leave()
            self.ours.kill()

    def start(self) -> None:
        if not self.ours.alive:
            self.ours.start(wait=False)
            wait_until(lambda: self.ours.events("started") or not self.ours.alive, what="a start")
            self.back()

    def stop(self) -> None:
        if self.ours.alive:
            self.leave()
            self.ours.terminate()

    def freeze(self) -> None:
        if self.ours.alive:
            self.leave()
            self.ours.freeze()
            time.sleep(self.chance.choice((0.3, 1.0, 2.5)))
            self.back()
            self.ours.thaw()

    def broker_dies(self) -> None:
        if self.broker.alive:
            self.broker.kill() if self.chance.random() < 0.5 else self.broker.stop()

    def broker_starts(self) -> None:
        if not self.broker.alive:
            self.broker.start()

    def keep_database(self) -> None:
        if self.broker.database.exists():
            shutil.copy(self.broker.database, self.folder / "older.db")

    def old_database(self) -> None:
        if (self.folder / "older.db").exists():
            if self.broker.alive:
                self.broker.kill()
            shutil.copy(self.folder / "older.db", self.broker.database)
            self.broker.start()

    def agent_link_stalls(self) -> None:
        self._stall(self.links[0])

    def plc_link_stalls(self) -> None:
        self._stall(self.links[1])

    def _stall(self, link: MqttProxy) -> None:
        link.delay_s = self.chance.choice((0.4, 1.2))
        time.sleep(0.5)
        link.delay_s = 0.0

    def plc_unplugged(self) -> None:
        self.plc.plugged = False
        time.sleep(self.chance.choice((0.1, 1.0)))
        self.plc.plugged = True

    def plc_reboots(self) -> None:
        self.plc.reboot()

    def acknowledge(self) -> None:
        self.plc.acknowledge(self.chance.choice([*self.plc.waiting, self.chance.randint(1, 60)]))

    def another_agent(self) -> None:
        """A second agent with our prefix comes, decides the part at the station, and goes."""
        self.other.start(wait=False)
        wait_until(lambda: self.other.events("started"), what="the other's start")
        self.serial += 1
        self.plc.arrive(str(self.serial))
        self.measure(self.other, str(self.serial), 20.0)
        time.sleep(self.chance.choice((0.5, 2.0)))
        self.other.terminate() if self.chance.random() < 0.5 else self.other.kill()


WEIGHTS = {
    Cell.good: 8, Cell.bad: 4, Cell.measured_again: 3, Cell.unmeasured: 3, Cell.kill: 2, Cell.start: 5,
    Cell.stop: 1, Cell.freeze: 3, Cell.broker_dies: 1, Cell.broker_starts: 5, Cell.keep_database: 2,
    Cell.old_database: 2, Cell.agent_link_stalls: 2, Cell.plc_link_stalls: 2, Cell.plc_unplugged: 2,
    Cell.plc_reboots: 1, Cell.acknowledge: 5, Cell.another_agent: 1,
}  # fmt: skip


def through_sequence(folder: Path, seed: int, events: int = EVENTS) -> dict[str, Any]:
    """One sequence; what it showed, checked. AssertionError tells its story."""
    chance = random.Random(seed)
    folder.mkdir(parents=True)
    with ExitStack() as begun:
        broker = begun.enter_context(Broker(folder / "broker"))
        links = tuple(begun.enter_context(MqttProxy(broker.port)) for _ in range(2))
        ours = begun.enter_context(Agent(folder / "ours", links[0].port, changes=SETTINGS))
        other = Agent(folder / "other", broker.port, changes=SETTINGS, wait=False)
        begun.callback(other._clean_up)
        observer = begun.enter_context(Listener(broker.port, topics=["disposition", "decided"]))
        store = ours.records()[0]["hash"]
        kept = chance.random() < 0.3
        plc = begun.enter_context(PlcClient(links[1].port, store, stale_s=STALE_S, kept=kept))
        cell = Cell(folder, chance, broker, ours, other, plc, observer, links)
        wait_until(lambda: plc.outputs.shown and plc.outputs.shown[-1][1] == "Clear", what="a clear lamp")
        cell.keep_database()
        for _ in range(events):
            (event,) = chance.choices(list(WEIGHTS), list(WEIGHTS.values()))
            cell.story.append(event.__name__)
            event(cell)
            time.sleep(chance.choice((0.05, 0.2, 0.5, 0.8, 1.5)))
        time.sleep(0.5)
        cell.leave()
        cell.back()
        ended = time.time()
    try:
        return {"seed": seed, **_judged(cell, ended), "kept": kept}
    except AssertionError as error:
        raise AssertionError(f"sequence {seed}: {error}; {cell.story}") from error


def _judged(cell: Cell, ended: float) -> dict[str, Any]:
    outputs, records = cell.plc.outputs, cell.ours.records()
    for at, serial in outputs.released:
        valid = [
            r["body"]
            for r in records
            if r["kind"] == "disposition"
            and (r["body"]["serial"], r["body"]["disposition"]) == (serial, "accept")
            and _posix(r["time"]) <= at <= r["body"]["settled_at"] + LIVE_S + SLACK_S
        ]
        assert valid, f"{serial} released without a valid accept of its own"
    shown = [(a[0], b[0], a[1]) for a, b in pairwise([*outputs.shown, (ended, "")])]
    clear = [(a, b) for a, b, what in shown if what == "Clear"]
    watched = _joined([(a, b) for a, b, what in shown if what != "Fault"])
    over = _longest(clear, latched(records, cell.observer, ended))
    alone = _longest(watched, cell.away[:-1])  # the last is the end
    jitter = outputs.longest_cycle_s
    allowed = STALE_S + jitter + 0.1
    assert over <= allowed, f"clear for {over:.2f} s over a latched reject"
    assert alone <= allowed, f"no fault for {alone:.2f} s without a working agent"
    decided = sum(r["kind"] == "disposition" for r in records)
    return {
        "decided": decided,
        "released": len(outputs.released),
        "refused": len(outputs.refused),
        "clear over a reject": over,
        "no fault without agent": alone,
        "longest PLC cycle": jitter,
    }


def latched(records: list[dict[str, Any]], observer: Listener, ended: float) -> list[Span]:
    """From when to when each reject latches: until acknowledged, or its part accepted, or told too late."""
    told = {m.json["seq"] for m in observer.messages() if not m.json.get("late", False)}
    spans = []
    for record in records:
        body = record["body"]
        if record["kind"] != "disposition" or body["disposition"] != "reject":
            continue
        ends = [ended]
        for later in records:
            if later["seq"] <= record["seq"]:
                continue
            what = later["body"]
            if later["kind"] == "acknowledgement" and what["matched"]:
                ends += [_posix(later["time"])] if _about(records, what["seq"]) == body["serial"] else []
            if later["kind"] == "disposition" and what["serial"] == body["serial"]:
                ends += [_posix(later["time"])] if what["disposition"] == "accept" else []
        if record["seq"] not in told:
            ends.append(body["settled_at"] + LIVE_S)
        spans.append((_posix(record["time"]), min(ends)))
    return _joined(spans)


def _about(records: list[dict[str, Any]], seq: int) -> str:
    return next((str(r["body"].get("serial", "")) for r in records if r["seq"] == seq), "")


def _joined(spans: list[Span]) -> list[Span]:
    joined: list[Span] = []
    for begin, end in sorted(spans):
        if joined and begin <= joined[-1][1]:
            joined[-1] = (joined[-1][0], max(end, joined[-1][1]))
        elif end > begin:
            joined.append((begin, end))
    return joined


def _longest(one: list[Span], another: list[Span]) -> float:
    """The longest stretch that lies in a span of both."""
    return max((min(b, d) - max(a, c) for a, b in one for c, d in another if c < b and a < d), default=0.0)


def _posix(text: str) -> float:
    return datetime.fromisoformat(text).timestamp()


def _print(row: dict[str, Any]) -> None:
    cells = (f"{value:.2f}" if isinstance(value, float) else str(value) for value in row.values())
    print("  " + "  ".join(cell.rjust(len(name)) for name, cell in zip(row, cells, strict=True)), flush=True)


if __name__ == "__main__":
    count, first = ([int(a) for a in sys.argv[1:]] + [50, 1][len(sys.argv) - 1 :])[:2]
    base = Path(tempfile.mkdtemp(prefix="line-"))
    rows: list[dict[str, Any]] = []
    for seed in range(first, first + count):
        row = through_sequence(base / str(seed), seed)
        if not rows:
            print("  " + "  ".join(row))
        rows.append(row)
        _print(row)
        shutil.rmtree(base / str(seed))
    total = {k: sum(r[k] for r in rows) for k in ("decided", "released", "refused")}
    worst = {k: max(r[k] for r in rows) for k in ("clear over a reject", "no fault without agent")}
    print(f"  {count} sequences of {EVENTS} events, stale time {STALE_S} s: {total}, longest {worst}")
    assert total["released"] > 0, "nothing was ever released: this shows nothing"

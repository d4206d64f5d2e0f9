"""Room on the store's disk: alarms before it is full, and how fast the store grows, over restarts."""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime, timedelta
from types import SimpleNamespace

import pytest
from field import spiral_text, wait_until

from edgeagent.codec.configuration.settings import StoreSettings
from edgeagent.rules.disk import Grown, Room
from edgeagent.service.disk_watch import DiskWatch, room_of

BEGAN = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
MB = 10**6


class Machine:
    """A disk, a store that grows, and two clocks, all set by the test."""

    def __init__(self, folder, monkeypatch, **settings) -> None:
        (folder / "state").mkdir(exist_ok=True)
        self.folder, self.settings = folder, StoreSettings(**settings)
        self.wall, self.monotonic_s = BEGAN, 1000.0
        self.grown, self.free, self.found = Grown(), 50, None
        monkeypatch.setattr(os, "statvfs", lambda _path: self.found or disk(self.free))
        self.watch = self.started()

    def now(self) -> datetime:
        return self.wall

    def monotonic(self) -> float:
        return self.monotonic_s

    def started(self) -> DiskWatch:
        """A new process: it counts from nothing."""
        self.grown = Grown()
        self.watch = DiskWatch(self.folder, self.settings, self, lambda: self.grown)
        return self.watch

    def later(self, minutes: float, grown_mb: int = 0) -> list[str]:
        """What a look says so much later."""
        self.wall += timedelta(minutes=minutes)
        self.monotonic_s += 60 * minutes
        self.grown += Grown(grown_mb * MB, grown_mb)
        return [r.what for r in self.watch.look()]


def disk(free: int, files_free: int = 90, files: int = 100) -> SimpleNamespace:
    return SimpleNamespace(f_frsize=MB, f_blocks=100, f_bavail=free, f_files=files, f_favail=files_free)


@pytest.fixture
def machine(tmp_path, monkeypatch):
    return Machine(tmp_path, monkeypatch)


def test_disk_that_fills_is_an_alarm_once_before_it_is_full_and_once_when_there_is_room(machine):
    said = []
    for machine.free in (50, 11, 9, 5, 9, 11, 12, 50, 9):
        said.append(machine.later(1))
        assert machine.watch.look() == [], "not asked again at once"
    assert said == [[], [], ["disk-filling"], [], [], [], ["disk-has-room"], [], ["disk-filling"]]


def test_file_entries_that_run_out_count_like_space(machine):
    machine.found = disk(80, files_free=4)
    machine.later(0)
    assert (machine.watch.now.free_share, machine.watch.now.level) == (0.04, "alarm")
    machine.found = disk(80, files_free=0, files=0)
    assert room_of(machine.folder) == Room(80 * MB, 0.8)


def test_store_that_will_fill_the_disk_within_days_is_a_warning_then_an_alarm(machine):
    machine.free = 90
    assert machine.later(0) == []
    assert machine.watch.now.days_left is None
    said = [one for _ in range(24) for one in machine.later(60, grown_mb=1)]
    assert said == ["disk-warning"], "90 MB left, 24 MB a day"
    assert machine.watch.now.grown_per_day_mb == pytest.approx(24.0, rel=0.1)
    assert machine.watch.now.days_left == pytest.approx(90 / 24, rel=0.1)
    machine.free = 40
    assert machine.later(60, grown_mb=1) == ["disk-filling"]
    machine.free = 99
    assert machine.later(60) == ["disk-warning"]
    assert machine.later(60 * 24 * 8) == ["disk-has-room"], "a week in which nothing grew"


def test_alarm_says_how_long_the_room_lasts(machine):
    machine.free = 95
    machine.later(0)
    for _ in range(23):
        machine.later(60, grown_mb=1)
    machine.free = 15
    machine.wall += timedelta(hours=1)
    machine.monotonic_s += 3600
    (record,) = machine.watch.look()
    assert record.what == "disk-filling"
    assert record.reason == (
        "15 % of the space of the store's disk are free; at the store's present rate that is enough "
        "for 16 hours: when it is full, the agent stops"
    )


def test_rate_outlives_a_restart_and_a_damaged_note_costs_only_the_rate(machine):
    machine.later(0)
    for _ in range(10):
        machine.later(60, grown_mb=2)
    known = machine.watch.now.grown_per_day_mb
    machine.started()
    machine.later(1)
    assert machine.watch.now.grown_per_day_mb == pytest.approx(known, rel=0.1)
    (machine.folder / "state" / "growth.json").write_bytes(b"\0\0\0")
    machine.started()
    machine.later(1)
    assert machine.watch.now.grown_per_day_mb is None
    assert json.loads((machine.folder / "state" / "growth.json").read_bytes())["hours"]


@pytest.mark.needs_mosquitto
def test_disk_that_is_nearly_full_raises_an_alarm_and_parts_are_decided_on(cell):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent({"store.free_min": 0.9999})
    line.wait(lambda x: any(m.json["alarm"] == "disk-filling" for m in x.messages("alarm")))
    for feature in ("left-flank", "right-flank"):
        agent.drop(f"{feature}.txt", spiral_text(feature=feature))
    line.wait_topic("disposition")
    assert [r["body"]["what"] for r in agent.records("recovery")] == ["disk-filling"]
    wait_until(lambda: line.lamp == "0")


def test_what_an_agent_writes_counts_as_growth(cell):
    agent = cell.begin_alone()

    def grown() -> int:
        path = agent.store / "state" / "growth.json"
        return sum(hour[1] for hour in json.loads(path.read_bytes())["hours"]) if path.exists() else 0

    # Files alone: the folders of the archive are made once, at the first start.
    rooms = [agent.store / room for room in ("journal", "archive")]
    stored = [p.stat() for room in rooms for p in room.rglob("*") if p.is_file()]
    taken = sum(found.st_blocks * 512 for found in stored)
    assert 0.5 * taken <= wait_until(grown) <= 2 * taken

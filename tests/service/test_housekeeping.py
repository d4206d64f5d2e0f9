"""Incomplete sets under a wall clock that jumps, and what kills left in the store."""

from __future__ import annotations

import shutil
from datetime import UTC, datetime, timedelta

import pytest
from field import ROOT

from edgeagent.judging.memory import Memory
from edgeagent.model import Disposition
from edgeagent.model.records import PartSource
from edgeagent.rules.part_set import FeatureResult, PartSet
from edgeagent.service.housekeeping import Housekeeping
from edgeagent.store.configuration import load_configuration
from edgeagent.store.files import sweep_temporaries

BEGAN = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)


class SetClock:
    """Two clocks that a test sets one by one."""

    def __init__(self) -> None:
        self.wall, self.monotonic_s = BEGAN, 1000.0

    def now(self) -> datetime:
        return self.wall

    def monotonic(self) -> float:
        return self.monotonic_s


@pytest.fixture
def station(tmp_path):
    shutil.copytree(ROOT / "config", tmp_path / "config")
    return load_configuration(tmp_path / "config" / "agent.toml")


def waiting_part() -> Memory:
    """The memory of a part of which one of two traces came when the clock said BEGAN."""
    source = PartSource(feature="left-flank", name="a.txt", sha256="0" * 64, instrument="gauge-1", seq=3)
    one = FeatureResult("left-flank", 3, Disposition.ACCEPT, (), source, (), BEGAN.timestamp())
    state = PartSet("KX", "1", ("left-flank", "right-flank"), {"left-flank": one}, since=BEGAN.timestamp())
    memory = Memory({}, None, live_s=60, latches=True)
    memory.sets["KX", "1"] = state
    memory.waiting_sets.add(("KX", "1"))
    return memory


def dispositions(house: Housekeeping, memory: Memory, station) -> list[str]:
    return [e.disposition.value for entries in house.overdue_sets(memory, station) for e in entries]


@pytest.mark.parametrize("step", [timedelta(days=1), timedelta(days=-1)])
def test_incomplete_set_is_held_when_its_time_is_up_whatever_the_wall_clock_says(station, step):
    clock, memory = SetClock(), waiting_part()
    house = Housekeeping(clock)
    assert dispositions(house, memory, station) == []
    clock.wall += step
    clock.monotonic_s += 899.0
    assert dispositions(house, memory, station) == []
    clock.monotonic_s += 1.0
    assert dispositions(house, memory, station) == ["hold"]


def test_sweeping_takes_the_leftovers_of_kills_and_nothing_else(tmp_path):
    (tmp_path / ".abc123.tmp").write_bytes(b"half")
    (tmp_path / "whole").write_bytes(b"whole")
    (tmp_path / "named.tmp").write_bytes(b"somebody's")
    (tmp_path / ".folder.tmp").mkdir()
    (tmp_path / ".link.tmp").symlink_to(tmp_path / "whole")
    assert sweep_temporaries(tmp_path) == 1
    assert sorted(p.name for p in tmp_path.iterdir()) == [".folder.tmp", ".link.tmp", "named.tmp", "whole"]


def test_start_sweeps_the_store_and_leaves_requests_alone(cell, circle_text):
    agent = cell.begin_alone()
    agent.drop("a.txt", circle_text("1"))
    agent.wait_event("measured")
    agent.kill()
    left = [agent.store / folder / ".x1.tmp" for folder in ("archive", "state", "requests")]
    for path in left:
        path.write_bytes(b"half")
    agent.start(wait=False)
    agent.wait_event("started")
    assert [path.exists() for path in left] == [False, False, True]

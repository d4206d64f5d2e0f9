"""Small versions of the fault studies in tests/faults, with the same checks."""

from __future__ import annotations

import importlib
import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent.parent / "faults"))
pytestmark = pytest.mark.needs_mosquitto


def study(name: str):
    return importlib.import_module(name)


def test_killed_agent_loses_nothing_and_decides_nothing_twice(tmp_path):
    found = study("kill_anywhere").killed_often(tmp_path, 3)
    assert found["files"] > 3
    assert found["kills"] == 3


def test_outage_of_the_broker_delays_and_loses_nothing(tmp_path):
    assert study("broker_outage").through_outage(tmp_path, 10)["messages"] >= 10


def test_random_events_on_a_real_broker_release_nothing_without_its_accept_and_hide_no_reject(tmp_path):
    found = [study("line_random").through_sequence(tmp_path / str(seed), seed, 4) for seed in (101, 102, 103)]
    assert sum(one["decided"] for one in found) > 0


@pytest.mark.needs_strace
@pytest.mark.parametrize(("call", "when"), [("fdatasync", 3), ("fsync", 1), ("fsync", 12)])
def test_failed_sync_is_never_told_and_ends_the_agent_on_fault(tmp_path, call, when):
    assert study("failed_sync").with_failing_sync(tmp_path, when, call)["exit code"] == 23


@pytest.mark.needs_mount
@pytest.mark.parametrize(("where", "kib"), [(".", 256), ("journal", 16), ("state", 4)])
def test_full_disk_ends_the_agent_on_fault_and_room_alone_heals_it(tmp_path, where, kib):
    found = study("disk_full").until_full(tmp_path, where, kib)
    assert found["exit code"] == 23
    assert "No space left" in found["it said"]


@pytest.mark.needs_ext4
@pytest.mark.needs_mount
def test_start_believes_what_the_disk_has_and_not_what_the_cache_shows(tmp_path):
    try:
        found = study("disk_full").after_lost_write(tmp_path, 40)
    except PermissionError as error:  # a container may mount memory and still have no loop device
        pytest.skip(f"no disk can be mounted here: {error}")
    assert found["seen by a start"] == found["on disk"] < found["shown by the cache"]

"""Small versions of the fault studies in tests/faults, with the same checks."""

from __future__ import annotations

import importlib
import shutil
import sys
from pathlib import Path

import pytest

sys.path.append(str(Path(__file__).parent.parent / "faults"))
pytestmark = pytest.mark.needs_mosquitto


def study(name: str):
    return importlib.import_module(name)


def test_killed_agent_loses_nothing_and_decides_nothing_twice(tmp_path):
    assert study("kill_anywhere").killed_often(tmp_path, 4)["files"] > 4


def test_outage_of_the_broker_delays_and_loses_nothing(tmp_path):
    assert study("broker_outage").through_outage(tmp_path, 8)["messages"] >= 8


def test_failed_sync_is_never_told_and_ends_the_agent_on_fault(tmp_path):
    if shutil.which("strace") is None:
        pytest.skip("strace is not installed")
    assert study("failed_sync").with_failing_sync(tmp_path, 3)["exit code"] == 23

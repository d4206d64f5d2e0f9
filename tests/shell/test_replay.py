"""Replay computes all again from the archive: identical, or it says what differs and where."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from field import Agent, Broker, spiral_text

from edgeagent.cli import main

pytestmark = pytest.mark.needs_mosquitto


@pytest.fixture(scope="module")
def played(tmp_path_factory) -> Path:
    """A store with an accepted and a rejected part, two traces each."""
    base = tmp_path_factory.mktemp("played")
    with Broker(base / "broker") as broker:
        changes = {"intake.settle_s": 0.05, "verification": None}
        with Agent(base / "agent", broker.port, changes=changes) as agent:
            for serial, waves in (("1", None), ("2", {2: 150.0, 37: 80.0})):
                for feature in ("left-flank", "right-flank"):
                    text = spiral_text(serial=serial, feature=feature, waves_nm=waves, seed=int(serial))
                    agent.drop(f"{serial}-{feature}.txt", text)
            agent.wait_event("measured", 4)
    return base / "agent"


@pytest.fixture
def station(played, tmp_path) -> Path:
    shutil.copytree(played, tmp_path / "station")
    return tmp_path / "station"


def replay(station: Path, *more: str):
    return CliRunner().invoke(main, ["replay", "--config", str(station / "agent.toml"), *more])


def test_replay_is_identical_to_the_last_digit(station):
    told = replay(station)
    assert told.exit_code == 0, told.output
    assert told.stdout == ("4 files computed again: 4 identical, 2 dispositions decided again, 0 differences\n")


def test_changed_source_in_the_archive_is_named(station):
    blob = max((station / "store" / "archive").iterdir(), key=lambda p: p.stat().st_size)
    blob.chmod(0o644)
    data = bytearray(blob.read_bytes())
    data[-10] ^= 1
    blob.write_bytes(data)
    told = replay(station)
    assert told.exit_code == 1
    assert blob.name in told.stdout
    assert "it was changed" in told.stdout


def test_missing_file_of_the_archive_is_named(station):
    blob = max((station / "store" / "archive").iterdir(), key=lambda p: p.stat().st_size)
    blob.unlink()
    told = replay(station)
    assert told.exit_code == 1
    assert f"archive/{blob.name}" in told.stdout


def test_damaged_journal_is_one_line(station):
    segment = next((station / "store" / "journal").glob("*.jsonl"))
    segment.write_bytes(segment.read_bytes().replace(b"measurement", b"measurementx", 1))
    told = replay(station)
    assert told.exit_code == 22
    assert told.stderr.count("\n") == 1


def test_other_recipes_list_the_parts_that_flip(station, tmp_path):
    other = tmp_path / "stricter"
    shutil.copytree(station / "recipes", other)
    recipe = other / "KX-2005-R.toml"
    recipe.write_text(recipe.read_text().replace("upper = 1.2", "upper = 0.1"))
    told = replay(station, "--recipes", str(other))
    assert told.exit_code == 0
    assert "KX-2005-R 1: accept would be reject (left-flank: roundness_total" in told.stdout
    assert "4 files asked again: 1 parts flip" in told.stdout

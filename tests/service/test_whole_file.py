"""Slow and interrupted writers: a file is decided once, when whole; what was said too early is taken back."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import BinaryIO

import pytest
from field import spiral_text, wait_until

from edgeagent.store.replay import replay_store
from edgeagent.store.verify import verify_journal

pytestmark = pytest.mark.needs_mosquitto
NATIVE = {"intake.observer": "native", "intake.settle_s": 0.1, "intake.scan_s": 0.2}
POLLING = {"intake.observer": "polling", "intake.settle_s": 0.1, "intake.scan_s": 0.1}
ONE_FEATURE = """part = "TS-1"
revision = "A"
[thread]
member = "shaft"
hand = "right"
starts = 1
lead_mm = 5.0
ball_diameter_mm = 3.175
ball_pitch_circle_mm = 20.75
contact_angle_deg = 45.0
track_conformity = 0.535
[[measurement]]
feature = "left-flank"
kind = "spiral"
turns_min = {turns_min}
upr = [2, 50]
  [[measurement.limit]]
  characteristic = "harmonic_amplitude"
  points = [[2, 300.0], [20, 300.0], [50, 300.0]]
"""


def station(cell, changes, turns_min=3):
    """A running agent and its listener; parts TS-1 have one trace, of so many turns at least."""
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.agent(changes)
    recipe = ONE_FEATURE.format(turns_min=turns_min)
    (agent.folder / "recipes" / "TS-1.toml").write_text(recipe, encoding="utf-8")
    return agent.start(), line


def trace(turns: int, serial: str = "1", wave_nm: float = 20.0) -> str:
    return spiral_text(part="TS-1", serial=serial, turns=turns, points_per_turn=720, waves_nm={7: wave_nm})


def in_pieces(good_turns: int, bad_turns: int, serial: str = "1") -> tuple[bytes, bytes]:
    """A file of two pieces: turns that would be accepted, and those by which the whole is a reject."""
    good, bad = trace(good_turns, serial), trace(good_turns + bad_turns, serial, wave_nm=3000.0)
    rows = bad.splitlines(keepends=True)
    beginning = good.splitlines(keepends=True)
    return good.encode(), "".join(rows[len(beginning) :]).encode()


@contextmanager
def writing(path: Path) -> Iterator[BinaryIO]:
    with path.open("wb", buffering=0) as file:
        yield file


def measured_meanwhile(agent, serial: str) -> None:
    """Another part comes and is decided: whatever could have been decided before it has been."""
    before = len(agent.records("disposition"))
    agent.drop(f"{serial}.txt", trace(3, serial))
    wait_until(lambda: len(agent.records("disposition")) > before)
    agent.drop(f"{serial}-2.txt", trace(3, f"{serial}-2"))
    wait_until(lambda: f"{serial}-2" in [r["body"]["serial"] for r in agent.records("disposition")])


def of_part(agent, serial: str) -> list[str]:
    return [r["body"]["disposition"] for r in agent.records("disposition") if r["body"]["serial"] == serial]


def alarms(line) -> list[str]:
    return [m.json["alarm"] for m in line.messages("alarm")]


def ends_well(agent) -> None:
    assert agent.terminate() == 0
    verify_journal(agent.store)
    assert replay_store(agent.store).differences == []


def test_writer_that_pauses_with_the_file_open_is_waited_for(cell):
    agent, line = station(cell, NATIVE, turns_min=1)
    good, rest = in_pieces(2, 1)
    with writing(agent.inbox / "a.txt") as file:
        file.write(good)
        measured_meanwhile(agent, "x")
        measured_meanwhile(agent, "y")
        assert of_part(agent, "1") == []
        file.write(rest)
    line.wait_lamp("1")
    assert of_part(agent, "1") == ["reject"]
    assert alarms(line) == []
    ends_well(agent)


def test_file_that_is_closed_is_read_at_once_though_others_are_still_written(cell):
    agent, _ = station(cell, {**NATIVE, "intake.unclosed_s": 600.0})
    with writing(agent.inbox / "a.txt") as file:
        file.write(trace(2).encode())
        with writing(agent.inbox / "b.txt") as other:
            other.write(trace(3, "2").encode())
        wait_until(lambda: of_part(agent, "2") == ["accept"])
        assert of_part(agent, "1") == []
    ends_well(agent)


def test_writer_that_never_closes_is_held_and_the_whole_file_decides_in_the_end(cell):
    agent, line = station(cell, {**NATIVE, "intake.unclosed_s": 0.5}, turns_min=1)
    good, rest = in_pieces(2, 1)
    with writing(agent.inbox / "a.txt") as file:
        file.write(good)
        wait_until(lambda: of_part(agent, "1") == ["hold"])
        (held,) = [r for r in agent.records("disposition") if r["body"]["serial"] == "1"]
        assert "writer never closed a.txt" in held["body"]["reasons"][0]
        file.write(rest)
    line.wait_lamp("1")
    assert of_part(agent, "1") == ["hold", "reject"]
    ends_well(agent)


def test_good_file_whose_writer_closes_late_is_accepted_after_its_hold(cell):
    agent, line = station(cell, {**NATIVE, "intake.unclosed_s": 0.5}, turns_min=1)
    with writing(agent.inbox / "a.txt") as file:
        file.write(trace(2).encode())
        wait_until(lambda: of_part(agent, "1") == ["hold"])
        file.write(b"".join(trace(3).encode().splitlines(keepends=True)[-720:]))
    wait_until(lambda: of_part(agent, "1") == ["hold", "accept"])
    line.wait_lamp("0")
    ends_well(agent)


@pytest.mark.parametrize("changes", [NATIVE, POLLING], ids=["native", "polling"])
def test_slow_writer_gives_one_disposition_and_no_alarm(cell, changes):
    agent, line = station(cell, changes)
    text = trace(3).encode()
    cuts = [100, 333, len(text) // 3 + 5, len(text) // 2, len(text) - 700]
    with writing(agent.inbox / "a.txt") as file:
        for number, (start, end) in enumerate(zip([0, *cuts], [*cuts, len(text)], strict=True)):
            file.write(text[start:end])
            measured_meanwhile(agent, f"m{number}")
    wait_until(lambda: of_part(agent, "1"))
    assert of_part(agent, "1") == ["accept"]
    assert alarms(line) == []
    assert agent.records("quarantine") == []
    ends_well(agent)


def test_piece_that_stays_one_is_decided_in_the_end(cell):
    agent, line = station(cell, {**POLLING, "intake.unclosed_s": 0.6})
    (agent.inbox / "turns.txt").write_text(trace(2))
    (agent.inbox / "cut.txt").write_text(trace(3)[:-3])
    (alarm,) = line.wait_topic("alarm")
    assert alarm.json["alarm"] == "quarantine"
    wait_until(lambda: of_part(agent, "1") == ["hold"])
    line.wait_lamp("2")
    assert alarm.json["holds"] is True
    assert len(agent.records("quarantine")) == 1
    ends_well(agent)


@pytest.mark.parametrize("changes", [NATIVE, POLLING], ids=["native", "polling"])
def test_file_that_grows_after_it_was_accepted_is_held_at_once_and_decided_whole(cell, changes):
    agent, line = station(cell, changes, turns_min=1)
    good, rest = in_pieces(2, 1)
    (agent.inbox / "a.txt").write_bytes(good)
    wait_until(lambda: of_part(agent, "1") == ["accept"])
    with (agent.inbox / "a.txt").open("ab", buffering=0) as file:
        file.write(rest[:100])
        wait_until(lambda: of_part(agent, "1") == ["accept", "hold"])
        line.wait_lamp("2")
        file.write(rest[100:])
    line.wait_lamp("1")
    assert of_part(agent, "1") == ["accept", "hold", "reject"]
    held = [r["body"] for r in agent.records("disposition")][1]
    assert "a.txt grew after it was accepted" in held["reasons"][0]
    assert held["replaces"] == agent.records("disposition")[0]["seq"]
    ends_well(agent)


def test_file_that_grew_while_the_agent_was_away_is_held_at_its_return(cell):
    agent, line = station(cell, {**NATIVE, "intake.unclosed_s": 600.0}, turns_min=1)
    good, rest = in_pieces(2, 1)
    (agent.inbox / "a.txt").write_bytes(good)
    wait_until(lambda: of_part(agent, "1") == ["accept"])
    agent.terminate()
    with (agent.inbox / "a.txt").open("ab", buffering=0) as file:
        file.write(rest[:100])
        agent.start()
        wait_until(lambda: of_part(agent, "1") == ["accept", "hold"])
        file.write(rest[100:])
    line.wait_lamp("1")
    assert of_part(agent, "1") == ["accept", "hold", "reject"]
    ends_well(agent)


@pytest.mark.parametrize("changes", [NATIVE, POLLING], ids=["native", "polling"])
def test_another_part_under_the_same_name_revokes_nothing(cell, changes):
    agent, _ = station(cell, changes, turns_min=1)
    (agent.inbox / "export.txt").write_text(trace(2, "1"))
    wait_until(lambda: of_part(agent, "1") == ["accept"])
    (agent.inbox / "export.txt").write_text(trace(3, "2"))
    wait_until(lambda: of_part(agent, "2") == ["accept"])
    assert os.stat(agent.inbox / "export.txt").st_size > len(trace(2, "1"))
    assert of_part(agent, "1") == ["accept"]
    ends_well(agent)

"""The shipped PLC example, executed: what its outputs are at power-up, on silence, and for the wrong part."""

from __future__ import annotations

import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from field import ROOT, Agent, Broker, Listener, wait_until
from structured_text import FunctionBlock

SOURCE = ROOT / "deploy" / "plc" / "lamp.st"
CYCLE_S = 0.05


class Lamp:
    """FB_CellLamp in a PLC whose cycles the test runs."""

    def __init__(self) -> None:
        self.block = FunctionBlock(SOURCE, "FB_CellLamp")
        self.now = 0.0
        self._count = 0

    def cycle(self, **inputs: Any) -> str:
        self.now += CYCLE_S
        self.block.cycle(
            self.now, **{"LampNew": False, "HeartbeatNew": False, "HeartbeatRetained": False, **inputs}
        )
        return self.shown

    def beat(self, **inputs: Any) -> str:
        self._count += 1
        return self.cycle(HeartbeatNew=True, HeartbeatCount=self._count, **inputs)

    def quiet(self, seconds: float) -> str:
        for _ in range(round(seconds / CYCLE_S)):
            self.cycle()
        return self.shown

    @property
    def shown(self) -> str:
        (name,) = (n for n in ("Clear", "Reject", "Hold", "Fault") if getattr(self.block, n))
        return name


def test_power_up_shows_fault_until_lamp_and_heartbeat_came() -> None:
    lamp = Lamp()
    assert lamp.cycle() == "Fault"
    assert lamp.cycle(LampNew=True, LampDigit=0) == "Fault", "a retained lamp alone proves nothing"
    assert lamp.beat() == "Clear"


def test_heartbeat_without_a_lamp_message_shows_fault() -> None:
    assert Lamp().beat() == "Fault"


@pytest.mark.parametrize(
    ("digit", "shown"), [(0, "Clear"), (1, "Reject"), (2, "Hold"), (3, "Fault"), (4, "Fault"), (-1, "Fault")]
)
def test_digit_selects_one_output(digit: int, shown: str) -> None:
    lamp = Lamp()
    lamp.beat()
    assert lamp.cycle(LampNew=True, LampDigit=digit) == shown


def test_silence_of_three_seconds_is_a_fault_and_the_next_beat_ends_it() -> None:
    lamp = Lamp()
    lamp.beat(LampNew=True, LampDigit=0)
    assert lamp.quiet(2.9) == "Clear"
    assert lamp.quiet(0.3) == "Fault"
    assert lamp.quiet(60) == "Fault"
    assert lamp.beat() == "Clear"


def test_beats_in_time_keep_the_lamp() -> None:
    lamp = Lamp()
    lamp.beat(LampNew=True, LampDigit=2)
    for _ in range(20):
        assert lamp.quiet(2.5) == "Hold"
        lamp.beat()


def test_repeated_or_retained_count_is_no_sign_of_life() -> None:
    lamp = Lamp()
    lamp.beat(LampNew=True, LampDigit=0)
    for _ in range(4):
        lamp.quiet(1.0)
        lamp.cycle(HeartbeatNew=True, HeartbeatCount=1)
        lamp.cycle(HeartbeatNew=True, HeartbeatRetained=True, HeartbeatCount=99)
    assert lamp.shown == "Fault"


class Release:
    """FB_PartRelease with part 412 at the station."""

    def __init__(self) -> None:
        self.block = FunctionBlock(SOURCE, "FB_PartRelease")
        self.now = 0.0
        self.cycle(PartArrived=True, SerialAtStation="412")

    def cycle(self, **inputs: Any) -> tuple[bool, bool, bool]:
        self.now += CYCLE_S
        quiet = {"Alive": True, "PartArrived": False, "New": False, "Retained": False, "Late": False}
        self.block.cycle(self.now, **{**quiet, **inputs})
        return self.block.Released, self.block.Refused, self.block.TimedOut

    def told(self, **inputs: Any) -> tuple[bool, bool, bool]:
        return self.cycle(**{"New": True, "Seq": 7, "Serial": "412", "Accepted": True, **inputs})


NOTHING, RELEASED, REFUSED, TIMED_OUT = (
    (False, False, False),
    (True, False, False),
    (False, True, False),
    (False, False, True),
)


def test_part_is_released_by_its_own_live_accept() -> None:
    assert Release().told() == RELEASED


def test_reject_refuses_and_keeps_the_number_to_acknowledge() -> None:
    release = Release()
    assert release.told(Accepted=False) == REFUSED
    assert release.block.RefusedSeq == 7


@pytest.mark.parametrize(
    "doubt", [{"Retained": True}, {"Late": True}, {"Serial": "411"}, {"Alive": False}, {"Seq": 0}]
)
def test_any_doubt_releases_nothing(doubt: dict[str, Any]) -> None:
    assert Release().told(**doubt) == NOTHING


def test_used_number_does_not_release_the_next_part() -> None:
    release = Release()
    release.told()
    release.cycle(PartArrived=True, SerialAtStation="413")
    assert release.told(Serial="413") == NOTHING
    assert release.told(Serial="413", Seq=9) == RELEASED


def test_silence_times_the_part_out_and_a_later_accept_does_not_release_it() -> None:
    release = Release()
    for _ in range(round(61 / CYCLE_S)):
        release.cycle()
    assert release.cycle() == TIMED_OUT
    assert release.told() == TIMED_OUT


def test_release_is_taken_back_when_the_heartbeat_stops() -> None:
    release = Release()
    release.told()
    assert release.cycle(Alive=False) == NOTHING


class Cell:
    """FB_CellLamp fed by a real listener, cycle by cycle in real time."""

    def __init__(self, listener: Listener) -> None:
        self.block = FunctionBlock(SOURCE, "FB_CellLamp")
        self._listener, self._taken = listener, 0

    def cycle(self) -> None:
        inputs: dict[str, Any] = {"LampNew": False, "HeartbeatNew": False}
        messages = self._listener.messages()
        if self._taken < len(messages):
            message = messages[self._taken]
            self._taken += 1
            if message.topic == "lamp":
                inputs |= {"LampNew": True, "LampDigit": int(message.payload)}
            elif message.topic == "heartbeat":
                count = int(message.payload)
                inputs |= {"HeartbeatNew": True, "HeartbeatRetained": message.retain, "HeartbeatCount": count}
        self.block.cycle(time.monotonic(), **inputs)

    def wait(self, output: str) -> None:
        def reached() -> bool:
            self.cycle()
            return bool(getattr(self.block, output))

        wait_until(reached, what=output)


@pytest.mark.needs_mosquitto
def test_frozen_and_thawed_agent_is_fault_and_clear_on_the_plc(tmp_path: Path) -> None:
    with ExitStack() as started:
        broker = started.enter_context(Broker(tmp_path))
        cell = Cell(started.enter_context(Listener(broker.port)))
        agent = started.enter_context(Agent(tmp_path / "agent", broker.port))
        cell.wait("Clear")
        agent.freeze()
        cell.wait("Fault")
        agent.thaw()
        cell.wait("Clear")


@pytest.mark.needs_mosquitto
def test_dead_broker_is_fault_on_the_plc_although_the_last_lamp_was_clear(tmp_path: Path) -> None:
    with ExitStack() as started:
        broker = started.enter_context(Broker(tmp_path))
        listener = started.enter_context(Listener(broker.port))
        cell = Cell(listener)
        started.enter_context(Agent(tmp_path / "agent", broker.port))
        cell.wait("Clear")
        broker.kill()
        cell.wait("Fault")
        assert listener.lamp == "0"

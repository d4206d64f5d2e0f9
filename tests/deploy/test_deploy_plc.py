"""The shipped PLC example, executed: what its outputs are at power-up, on silence, and for the wrong part."""

from __future__ import annotations

import json
import random
import time
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from field import Agent, Broker, Listener, wait_until
from plc_model import Disposition, Inputs, PlcModel
from shipped_plc import OURS, ShippedPlc

CYCLE_S = 0.05
OTHER = "cd" * 32


class Bench:
    """The shipped code on a fake clock."""

    def __init__(self) -> None:
        self.plc, self.now, self._count = ShippedPlc(), 0.0, 100_000_000

    def cycle(self, **given: Any) -> str:
        self.now += CYCLE_S
        self.plc.cycle(self.now, Inputs(**given))
        return self.plc.shown

    def beat(self, **given: Any) -> str:
        self._count += 1
        return self.cycle(heartbeat=(False, self._count), **given)

    def quiet(self, seconds: float) -> str:
        for _ in range(round(seconds / CYCLE_S)):
            self.cycle()
        return self.plc.shown

    def alive(self, digit: int = 0) -> Bench:
        self.beat(state=(False, OURS, digit))
        return self

    def say(self, **said: Any) -> tuple[bool, bool, bool]:
        given = {"retained": False, "late": False, "seq": 7, "store": OURS, "expires_beat": self._count + 60}
        given |= {"serial": "412", "accepted": True}
        self.cycle(disposition=Disposition(**{**given, **said}))
        return self.plc.part


def test_power_up_shows_fault_until_a_live_state_and_a_heartbeat_came() -> None:
    bench = Bench()
    assert bench.cycle() == "Fault"
    assert bench.cycle(lamp=0, state=(True, OURS, 0)) == "Fault", "what the broker kept proves nothing"
    assert bench.beat() == "Fault"
    assert bench.cycle(state=(False, OURS, 0)) == "Clear"


@pytest.mark.parametrize(
    ("digit", "shown"), [(0, "Clear"), (1, "Reject"), (2, "Hold"), (3, "Fault"), (4, "Fault"), (-1, "Fault")]
)
def test_digit_selects_one_output(digit: int, shown: str) -> None:
    assert Bench().alive().cycle(lamp=digit) == shown
    assert Bench().alive(digit).plc.shown == shown


def test_state_of_another_store_is_a_fault() -> None:
    bench = Bench().alive()
    assert bench.cycle(state=(False, OTHER, 0)) == "Fault"
    assert bench.cycle(state=(False, OURS, 0)) == "Clear"


def test_new_connection_needs_a_new_state_and_a_new_heartbeat() -> None:
    bench = Bench().alive()
    assert bench.cycle(connected=False) == "Fault"
    assert bench.cycle(lamp=0) == "Fault"
    assert bench.beat() == "Fault"
    assert bench.cycle(state=(False, OURS, 2)) == "Hold"


def test_silence_of_three_seconds_is_a_fault_and_the_next_beat_ends_it() -> None:
    bench = Bench().alive()
    assert bench.quiet(2.9) == "Clear"
    assert bench.quiet(0.3) == "Fault"
    assert bench.quiet(60) == "Fault"
    assert bench.beat() == "Clear"


def test_beats_in_time_keep_the_lamp() -> None:
    bench = Bench().alive(2)
    for _ in range(20):
        assert bench.quiet(2.5) == "Hold"
        bench.beat()


def test_repeated_smaller_or_retained_count_is_no_sign_of_life() -> None:
    bench = Bench().alive()
    for _ in range(4):
        bench.quiet(1.0)
        bench.cycle(heartbeat=(False, 100_000_001))
        bench.cycle(heartbeat=(False, 99))
        bench.cycle(heartbeat=(True, 900_000_000))
    assert bench.plc.shown == "Fault"


NOTHING, RELEASED, REFUSED, TIMED_OUT = (
    (False, False, False),
    (True, False, False),
    (False, True, False),
    (False, False, True),
)


def at_station(serial: str = "412") -> Bench:
    bench = Bench().alive()
    bench.cycle(part_arrived=serial)
    return bench


def test_part_is_released_by_its_own_live_accept() -> None:
    assert at_station().say() == RELEASED


def test_reject_refuses_and_keeps_the_number_to_acknowledge() -> None:
    bench = at_station()
    assert bench.say(accepted=False) == REFUSED
    assert bench.plc.release.RefusedSeq == 7


@pytest.mark.parametrize(
    "doubt",
    [
        *({"retained": True}, {"late": True}, {"serial": "411"}, {"seq": 0}, {"store": OTHER}),
        *({"expires_beat": 100_000_000}, {"expires_beat": 0}),
    ],
)
def test_any_doubt_releases_nothing(doubt: dict[str, Any]) -> None:
    assert at_station().say(**doubt) == NOTHING


def test_accept_that_waited_in_a_queue_until_it_expired_releases_nothing() -> None:
    bench = at_station()
    ends = bench._count + 2
    for _ in range(3):
        bench.beat()
    assert bench.say(expires_beat=ends) == NOTHING


def test_used_number_does_not_release_the_next_part() -> None:
    bench = at_station()
    bench.say()
    bench.cycle(part_arrived="413")
    assert bench.say(serial="413") == NOTHING
    assert bench.say(serial="413", seq=9) == RELEASED


def test_silence_times_the_part_out_and_a_later_accept_does_not_release_it() -> None:
    bench = at_station()
    for _ in range(61):
        bench.quiet(1.0)
        bench.beat()
    assert bench.plc.part == TIMED_OUT
    assert bench.say() == TIMED_OUT


def test_each_part_has_the_whole_time() -> None:
    bench = at_station()
    for _ in range(40):
        bench.quiet(1.0)
        bench.beat()
    bench.cycle(part_arrived="413")
    for _ in range(40):
        bench.quiet(1.0)
        bench.beat()
    assert bench.plc.part == NOTHING


def test_release_is_taken_back_when_the_heartbeat_stops() -> None:
    bench = at_station()
    bench.say()
    bench.quiet(3.2)
    assert bench.plc.part == NOTHING


def anything(chance: random.Random) -> Inputs:
    """One cycle's inputs: mostly quiet, else whatever a broken line can bring."""

    def maybe(share: float, value: Any) -> Any:
        return value if chance.random() < share else None

    store = chance.choice((OURS, OURS, OURS, OTHER))
    said = Disposition(
        *(chance.random() < 0.2, chance.random() < 0.2, chance.randrange(40), store),
        *(chance.randrange(60), chance.choice("123"), chance.random() < 0.6),
    )
    return Inputs(
        connected=chance.random() > 0.02,
        state=maybe(0.15, (chance.random() < 0.2, store, chance.choice((0, 0, 1, 2, 3, -1)))),
        lamp=maybe(0.1, chance.choice((0, 0, 0, 1, 2, 3, 7))),
        heartbeat=maybe(0.5, (chance.random() < 0.1, chance.randrange(60))),
        part_arrived=maybe(0.1, chance.choice("123")),
        disposition=maybe(0.3, said),
    )


@pytest.mark.parametrize("seed", range(40))
def test_model_and_shipped_code_agree_in_every_cycle_of_any_sequence(seed: int) -> None:
    chance, now = random.Random(seed), 0.0
    shipped, model = ShippedPlc(), PlcModel(OURS)
    for _ in range(300):
        now += chance.choice((0.05, 0.05, 0.5, 1.0, 2.0, 30.0))
        given = anything(chance)
        shipped.cycle(now, given)
        model.cycle(now, given)
        assert shipped.shown == model.shown
        assert shipped.part == (model.released, model.refused, model.timed_out)
        assert shipped.release.RefusedSeq == model.refused_seq


class LivePlc:
    """The shipped code fed by a real listener, cycle by cycle in real time."""

    def __init__(self, listener: Listener, store: str) -> None:
        self.plc = ShippedPlc(store)
        self._listener, self._taken = listener, 0

    def cycle(self) -> None:
        given: dict[str, Any] = {}
        messages = self._listener.messages()
        if self._taken < len(messages):
            message = messages[self._taken]
            self._taken += 1
            if message.topic == "lamp":
                given["lamp"] = int(message.payload)
            elif message.topic == "heartbeat":
                given["heartbeat"] = (message.retain, int(message.payload))
            elif message.topic == "state":
                said = json.loads(message.payload)
                given["state"] = (message.retain, said["store"], said["lamp"])
        self.plc.cycle(time.monotonic(), Inputs(**given))

    def wait(self, output: str) -> None:
        def reached() -> bool:
            self.cycle()
            return self.plc.shown == output

        wait_until(reached, what=output)


def commissioned(started: ExitStack, broker: Broker, folder: Path) -> tuple[Listener, Agent, LivePlc]:
    """An agent, and a PLC in which its store's identity was written down."""
    listener = started.enter_context(Listener(broker.port))
    agent = started.enter_context(Agent(folder / "agent", broker.port))
    return listener, agent, LivePlc(listener, agent.records()[0]["hash"])


@pytest.mark.needs_mosquitto
def test_frozen_and_thawed_agent_is_fault_and_clear_on_the_plc(tmp_path: Path) -> None:
    with ExitStack() as started:
        broker = started.enter_context(Broker(tmp_path))
        _listener, agent, plc = commissioned(started, broker, tmp_path)
        plc.wait("Clear")
        agent.freeze()
        plc.wait("Fault")
        agent.thaw()
        plc.wait("Clear")


@pytest.mark.needs_mosquitto
def test_dead_broker_is_fault_on_the_plc_although_the_last_lamp_was_clear(tmp_path: Path) -> None:
    with ExitStack() as started:
        broker = started.enter_context(Broker(tmp_path))
        listener, _agent, plc = commissioned(started, broker, tmp_path)
        plc.wait("Clear")
        broker.kill()
        plc.wait("Fault")
        assert listener.lamp == "0"

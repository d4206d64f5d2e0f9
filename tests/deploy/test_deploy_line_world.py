"""Whatever happens to agent, broker, links and PLC: no release without its accept, and no hidden reject."""

from __future__ import annotations

import pytest
from line_events import SEQUENCES, play
from line_world import World
from plc_mutants import MUTANTS, mutant

GROUPS = 5
"""Together 250 sequences of 30 events; `faults/line_mutants.py` plays 600 for each rule."""


@pytest.mark.parametrize("group", range(GROUPS))
def test_nothing_is_released_without_its_accept_and_no_reject_is_hidden(group: int) -> None:
    released = sum(play(1000 * group + number).released for number in range(SEQUENCES))
    assert released > 0, "a world in which nothing is ever released shows nothing"


def test_quiet_line_releases_a_good_part_and_refuses_a_bad_one() -> None:
    world = World()
    world.run(3.0)
    assert world.plc.model.shown == "Clear"
    for serial, what in (("1", "accept"), ("2", "reject")):
        world.plc.arrived = serial
        world.run(1.0)
        world.ours.decide(world.now, what, serial)
        world.run(1.0)
        assert (world.plc.model.released, world.plc.model.refused) == (what == "accept", what == "reject")
    assert world.plc.model.shown == "Reject"
    world.broker.publish(world.now, "acknowledge", world.plc.model.refused_seq, retain=False)
    world.run(1.0)
    assert world.plc.model.shown == "Clear"


def test_accept_from_a_queue_that_is_delivered_after_its_time_releases_nothing() -> None:
    world = World()
    world.run(3.0)
    world.ours.decide(world.now, "accept", "1")
    world.run(1.0)
    world.broker.retained["disposition"] = world.broker.retained["disposition"][0], None  # a broker of 3.1.1
    world.run(30.0)
    world.plc.arrived = "1"
    world.run(1.0)
    payload, _ = world.broker.retained["disposition"]
    world.broker.publish(world.now, "disposition", {**payload, "seq": 99}, retain=False)
    world.run(2.0)
    assert not world.plc.model.released


@pytest.mark.parametrize("rule", sorted(MUTANTS))
def test_plc_that_lacks_any_one_rule_is_caught(rule: str) -> None:
    model, story = mutant(rule), ""
    for number in range(4 * SEQUENCES):
        try:
            play(number, model)
        except AssertionError as error:
            story = str(error)
            break
    assert story, f"{4 * SEQUENCES} sequences show nothing of a PLC without: {rule}"

"""Whatever happens to agent, broker, links and PLC: no release without its accept, and no hidden reject."""

from __future__ import annotations

import random

import pytest
from line_world import World

SEQUENCES, EVENTS = 50, 30
GROUPS = 12
"""Together 600 sequences of 30 events."""


def happen(world: World, chance: random.Random) -> str:
    """One event that a plant may bring; returns its name for a failure's story."""
    ours, other, plc, broker, now = world.ours, world.other, world.plc, world.broker, world.now
    serial = str(chance.randrange(4))

    def decide() -> None:
        what = chance.choice(("accept", "accept", "reject", "hold"))
        (ours if chance.random() < 0.85 or other.machine is None else other).decide(now, what, serial)

    def measure() -> None:
        """The part arrives and is decided soon after, as on a good day."""
        plc.arrived = serial
        world.run(chance.choice((0.4, 1.0, 2.0)))
        ours.decide(world.now, chance.choice(("accept", "accept", "accept", "reject")), serial)

    def acknowledge() -> None:
        number = chance.choice([*plc.waiting, chance.randrange(1, 40)])
        if broker.up:
            broker.publish(now, "acknowledge", number, retain=False)

    def restart() -> None:
        ours.kill(now) if ours.machine is not None else ours.start(now)

    def freeze() -> None:
        if ours.frozen:
            ours.frozen = False
        else:
            ours.freeze(now)

    events = {
        "decide": (8, decide),
        "part": (4, lambda: setattr(plc, "arrived", serial)),
        "part measured": (8, measure),
        "queue": (4, lambda: plc.drain_queue(now, chance.randrange(1, 40), chance.randrange(1, 120))),
        "acknowledge": (3, acknowledge),
        "agent": (2, restart),
        "freeze": (1, freeze),
        "long wait": (2, lambda: world.run(chance.choice((12.0, 25.0)))),
        "broker stops": (1, broker.stop),
        "broker starts": (3, lambda: world.restart_broker(old_database=False) if not broker.up else None),
        "old database": (1, lambda: world.restart_broker(old_database=True)),
        "database kept": (1, world.keep_database),
        "plc reboots": (1, lambda: plc.reboot(now)),
        "plc unplugged": (1, lambda: plc.unplug(now)),
        "plc plugged": (2, lambda: setattr(plc, "plugged", True)),
        "link": (2, lambda: setattr(plc, "delay_s", chance.choice((0.0, 0.0, 1.0, 8.0)))),
        "other": (1, lambda: other.kill(now) if other.machine is not None else other.start(now)),
    }
    (name,) = chance.choices(list(events), [weight for weight, _ in events.values()])
    events[name][1]()
    return name


@pytest.mark.parametrize("group", range(GROUPS))
def test_nothing_is_released_without_its_accept_and_no_reject_is_hidden(group: int) -> None:
    released = 0
    for number in range(SEQUENCES):
        chance = random.Random(1000 * group + number)
        world, story = World(offset_s=chance.choice((0.0, 0.0, -3600.0, 90.0))), []
        try:
            world.run(2.0)
            for _ in range(EVENTS):
                story.append(happen(world, chance))
                world.run(chance.choice((0.2, 0.4, 1.0, 1.0, 3.0, 6.0)))
        except AssertionError as error:
            raise AssertionError(f"sequence {1000 * group + number}: {error}; {story}") from error
        released += world.released
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

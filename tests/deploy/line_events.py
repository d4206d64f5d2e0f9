"""What a plant brings to the cell on a fake clock, drawn at random: one sequence of events from one seed."""

from __future__ import annotations

import random
from collections.abc import Callable
from typing import Any

from line_world import World
from plc_model import PlcModel

SEQUENCES, EVENTS = 50, 30

FLAWS: dict[str, Callable[[dict[str, Any], PlcModel], tuple[dict[str, Any], bool]]] = {
    "retained": lambda said, _: (said, True),
    "late": lambda said, _: ({**said, "late": True}, False),
    "store": lambda said, _: ({**said, "store": "ef" * 32}, False),
    "used": lambda said, plc: ({**said, "seq": plc.last_seq}, False),
    "expired": lambda said, plc: ({**said, "expires_beat": plc.greatest - 1}, False),
    "other part": lambda said, _: ({**said, "serial": "somewhere else"}, False),
    "held": lambda said, _: ({**said, "disposition": "hold"}, False),
}
"""Single flaws of an otherwise perfect accept: as from a bridge, a recording, or another version's agent."""


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

    def forge() -> None:
        """A part arrives that nobody measures, and a message comes that is perfect but for one thing."""
        serial = f"forged-{now:.1f}"
        plc.arrived = serial
        world.run(0.4)
        flaw = chance.choice(list(FLAWS))
        message, retained = FLAWS[flaw](plc.perfect_accept(serial), plc.model)
        plc.receive(world.now, "disposition", message, retained=retained)

    def beat_again() -> None:
        """Somebody has heartbeats retained, or sends them again, while the agent may be dead."""
        for _ in range(chance.choice((1, 6, 25))):
            retained = chance.random() < 0.7
            plc.receive(world.now, "heartbeat", plc.model.greatest + (1 if retained else 0), retained=retained)
            world.run(1.0)

    def swap() -> None:
        """Another PC takes the place of ours, with a store of its own."""
        ours.kill(now)
        if other.machine is None:
            other.start(now)
        world.run(chance.choice((2.0, 14.0)))
        plc.arrived = serial
        world.run(0.4)
        other.decide(world.now, "accept", serial)

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
        "forged": (4, forge),
        "heartbeats again": (1, beat_again),
        "another store": (1, swap),
        "other": (1, lambda: other.kill(now) if other.machine is not None else other.start(now)),
    }
    (name,) = chance.choices(list(events), [weight for weight, _ in events.values()])
    events[name][1]()
    return name


def play(seed: int, model: type[PlcModel] = PlcModel) -> World:
    """One whole sequence; AssertionError tells its story."""
    chance = random.Random(seed)
    world, story = World(offset_s=chance.choice((0.0, 0.0, -3600.0, 90.0)), model=model), []
    try:
        world.run(2.0)
        for _ in range(EVENTS):
            story.append(happen(world, chance))
            world.run(chance.choice((0.2, 0.4, 1.0, 1.0, 3.0, 6.0)))
    except AssertionError as error:
        raise AssertionError(f"sequence {seed}: {error}; {story}") from error
    return world

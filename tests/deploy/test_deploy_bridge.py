"""The bridge of deploy/README.md between two real brokers: out alone, nothing lost while one is away."""

from __future__ import annotations

import re
from contextlib import ExitStack
from pathlib import Path

import pytest
from field import PREFIX, ROOT, Agent, Broker, Listener, spiral_text

pytestmark = pytest.mark.needs_mosquitto


def bridge_lines(port: int) -> list[str]:
    """The README's lines, with the plant's broker on this machine."""
    text = (ROOT / "deploy" / "README.md").read_text(encoding="utf-8")
    block = text[text.index("connection plant\n") :].partition("```")[0]
    return re.sub(r"^address .*$", f"address 127.0.0.1:{port}", block, flags=re.M).splitlines()


def test_plant_hears_the_cell_after_an_outage_too_and_says_nothing_to_it(
    tmp_path: Path, started: ExitStack
) -> None:
    plant = started.enter_context(Broker(tmp_path / "plant"))
    lines = [*bridge_lines(plant.port), "max_queued_messages 10000"]
    cell = started.enter_context(Broker(tmp_path / "cell", lines))
    database = started.enter_context(Listener(plant.port))
    line = started.enter_context(Listener(cell.port))
    changes = {"verification": None, "intake.settle_s": 0.05}
    agent = started.enter_context(Agent(tmp_path / "agent", cell.port, changes=changes))

    def drop(serial: str) -> None:
        text = spiral_text(kind="circle", part="HN-1610-R", serial=serial, feature="outside")
        agent.drop(f"{serial}.txt", text)
        line.wait(lambda of: serial in {m.json["serial"] for m in of.messages("decided")})

    drop("1")
    database.wait(lambda of: {m.json["serial"] for m in of.messages("decided")} == {"1"})
    database.wait_topic("state")
    plant.stop()
    drop("2")
    plant.start()
    database.wait(lambda of: {m.json["serial"] for m in of.messages("decided")} == {"1", "2"})
    assert database.publish("acknowledge", "5") == "", "the plant's broker takes it"
    drop("3")
    database.wait(lambda of: "3" in {m.json["serial"] for m in of.messages("decided")})
    assert line.messages("acknowledge") == [], f"and nothing below {PREFIX} came into the cell"
    assert agent.records("acknowledgement") == []

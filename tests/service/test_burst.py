"""Many files at once: the newest part does not wait behind them, and the lamp does not speak meanwhile."""

from __future__ import annotations

import pytest
from field import wait_until

from edgeagent.store.verify import verify_journal

pytestmark = pytest.mark.needs_mosquitto
FILES = 200
MEANWHILE = 60
"""Files that may be decided before the newest: those in order, those read already, those at a worker."""


def test_reject_behind_a_burst_is_decided_first_and_the_lamp_shows_fault_till_all_are_read(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent({"intake.unread_s": 0.05})
    agent.drop("first.txt", circle_text("first"))
    agent.wait_event("measured")
    text = circle_text("SERIAL", points_per_turn=720)
    agent.freeze()  # else the burst would have to be faster than the agent
    for number in range(FILES):
        agent.drop(f"{number:05}.txt", text.replace("SERIAL", f"{number:05}"))
    agent.drop("reject.txt", circle_text("reject", amplitude_nm=3000.0))
    agent.thaw()
    agent.wait_event("intake-behind")
    line.wait(lambda x: any(m.payload == b"3" for m in x.messages("lamp")))
    wait_until(lambda: len(agent.records("measurement")) == FILES + 2)
    serials = [r["body"]["trace"]["serial"] for r in agent.records("measurement")]
    assert serials.index("reject") <= MEANWHILE
    assert len(set(serials)) == FILES + 2
    agent.wait_event("intake-caught-up")
    line.wait_lamp("1")
    assert agent.terminate() == 0
    verify_journal(agent.store)


def stages(event) -> list[float]:
    """Milliseconds that a file was on its way to the worker and back."""
    return [event["stages_ms"][name] for name in ("to the worker", "evaluate", "from the worker")]


def test_few_files_are_decided_in_the_order_of_measurement(cell, circle_text):
    agent = cell.begin_alone()
    agent.drop("first.txt", circle_text("first"))
    agent.wait_event("measured")
    agent.freeze()
    names = [f"{number:02}" for number in range(12)]
    for name in names:
        agent.drop(f"{name}.txt", circle_text(name))
    agent.thaw()
    wait_until(lambda: len(agent.records("measurement")) == 13)
    # Whose analysis keeps the others waiting for a second, as on a machine that is busy, loses its place.
    slow = {e["name"].removesuffix(".txt") for e in agent.events("measured") if sum(stages(e)) > 900.0}
    order = [r["body"]["trace"]["serial"] for r in agent.records("measurement")][1:]
    assert sorted(order) == names
    assert [name for name in order if name not in slow] == [name for name in names if name not in slow]
    assert agent.events("intake-behind") == []

"""Whatever is published below checkpoint: the agent goes on, and says once that it was no checkpoint."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.needs_mosquitto


def test_flood_of_anything_on_the_topics_of_evidence_stops_nothing(cell, circle_text):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = cell.begin_agent({"intake.settle_s": 0.05})
    for number in range(300):
        listener.publish("checkpoint/cosigned/x", ("x" * (number * 37 % 900)).encode(), retain=number % 2 == 0)
    listener.publish("checkpoint", b'{"checkpoint":"' + b"[" * 9000, retain=True)
    agent.drop("1.txt", circle_text("1", 4000.0))
    listener.wait_lamp("1")
    assert len(agent.wait_event("no-checkpoint")) == 1
    assert agent.terminate() == 0

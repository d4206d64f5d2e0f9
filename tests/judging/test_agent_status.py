"""What the status says of lamp and readiness: a broker that is away is a fault to the line, whatever shows."""

from __future__ import annotations

from dataclasses import replace

from judged_station import configured

from edgeagent.judging.memory import Memory
from edgeagent.judging.status.agent_status import (
    WAITING_MAX,
    Moment,
    Writer,
    agent_status,
    lamp_now,
    reasons_against,
)
from edgeagent.model.status import GateNow, ProcessMark, QueueNow
from edgeagent.rules.line.delivery import initial
from edgeagent.rules.line.delivery_state import Phase
from edgeagent.rules.line.lamp import Lamp, Waiting

CLEAR = Lamp()
OPEN, CLOSED = GateNow(closed=False, until=None), GateNow(closed=True, until=None)


def delivery(phase, lamp=CLEAR):
    return replace(initial(latches=True, keep_alive_s=5), phase=phase, lamp=lamp)


def test_line_sees_a_fault_while_the_broker_is_away_and_the_lamp_s_own_digit_otherwise():
    reject = Lamp((Waiting(7, "reject", "P", "1"),))
    shown = lamp_now(delivery(Phase.DELIVERING, reject))
    assert (shown.digit, shown.waiting_count) == (1, 1)
    away = lamp_now(delivery(Phase.PAUSING, reject))
    assert (away.digit, away.waiting_count) == (3, 1)
    assert away.why[1:] == shown.why
    assert lamp_now(delivery(Phase.DELIVERING)).why == ()


def test_status_names_the_broker_that_the_station_has():
    for more, url in (("", ""), ('[mqtt]\nurl = "mqtt://line.example:1883"\n', "mqtt://line.example:1883")):
        status = agent_status(
            Memory({}, None, live_s=60.0, latches=True), configured(more=more), delivery(Phase.DELIVERING),
            writer=Writer(ProcessMark(1, 2), 0.0), moment=Moment(0.0, 0.0), seq=1,
            queue=QueueNow(files=0, analysing=0, open_parts=0), disk=None, counts={},
        )  # fmt: skip
        assert (status.broker.url, status.broker.connected, status.broker.ready) == (url, True, True)


def test_what_waits_is_named_up_to_fifty_the_newest_of_them():
    many = Lamp(tuple(Waiting(seq, "reject") for seq in range(1, WAITING_MAX + 11)))
    shown = lamp_now(delivery(Phase.DELIVERING, many))
    assert shown.waiting_count == 60
    assert [w.seq for w in shown.waiting] == list(range(11, 61))


def test_good_part_is_accepted_with_broker_and_gate_and_without_fault_alone():
    assert reasons_against(delivery(Phase.DELIVERING), OPEN) == ()
    reject = Lamp((Waiting(7, "reject"),))
    assert reasons_against(delivery(Phase.DELIVERING, reject), OPEN) == ()
    assert len(reasons_against(delivery(Phase.DELIVERING), CLOSED)) == 1
    away = reasons_against(delivery(Phase.PAUSING), OPEN)
    proving = reasons_against(delivery(Phase.PROVING), OPEN)
    assert len(away) == len(proving) == 1
    assert away != proving
    full = Lamp(faults=frozenset({"disk"}))
    assert len(reasons_against(delivery(Phase.DELIVERING, full), OPEN)) == 1

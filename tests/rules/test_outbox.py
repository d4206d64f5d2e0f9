"""From journal records to messages: what is told, to whom it is retained, and when it is late."""

from __future__ import annotations

import pytest
from records import body_of

from edgeagent.model import Disposition
from edgeagent.rules.line.outbox import messages

STAMP = {"boot": 3, "seq": 17, "head": "ab" * 32, "time": "2026-03-02T09:41:08.000000Z"}
BODY = {
    "part": "P", "serial": "1", "disposition": "reject", "reasons": ["left-flank: too round"],
    "characteristics": [], "sources": [], "settled_at": 1000.0, "private": "not told",
}  # fmt: skip


def told(kind, body, now=1001.0, live_s=60.0):
    return messages(body_of(kind, body), STAMP, now=now, live_s=live_s)


@pytest.mark.parametrize("disposition", ["accept", "reject", "hold"])
def test_live_disposition_is_retained_and_shown(disposition):
    (message,) = told("disposition", {**BODY, "disposition": disposition})
    assert (message.topic, message.retain, message.shows) == ("disposition", True, Disposition(disposition))
    assert message.payload["part"] == "P"
    assert "late" not in message.payload
    assert "private" not in message.payload
    assert STAMP.items() <= message.payload.items()


@pytest.mark.parametrize("disposition", ["reject", "hold"])
def test_late_reject_or_hold_leaves_the_lamp_alone_and_raises_an_alarm(disposition):
    message, alarm = told("disposition", {**BODY, "disposition": disposition}, now=1061.0)
    assert message.shows is None
    assert message.payload["late"] is True
    assert message.payload["age_s"] == 61.0
    assert message.retain
    assert (alarm.topic, alarm.retain, alarm.payload["alarm"]) == ("alarm", False, f"late-{disposition}")
    assert "P 1 was decided" in alarm.payload["reason"]


@pytest.mark.parametrize(("now", "before"), [(1001.0, ["disposition"]), (1061.0, ["disposition", "alarm"])])
def test_part_that_the_gate_holds_raises_an_alarm_that_says_why(now, before):
    gate = "gate: the last verification of gauge-1 failed (record 7)"
    code = {"code": "gate-failed", "values": {"instrument": "gauge-1", "seq": 7}}
    held = {"disposition": "hold", "gate": gate, "gate_code": code}
    held = {"disposition": "hold", "gate": gate, "gate_code": code}
    *others, alarm = told("disposition", {**BODY, **held}, now=now)
    assert [m.topic for m in others] == before
    assert (alarm.topic, alarm.retain, alarm.payload["alarm"]) == ("alarm", False, "gate-closed")
    assert alarm.payload["reason"] == "the last verification of gauge-1 failed (record 7)"
    assert (alarm.payload["part"], alarm.payload["serial"]) == ("P", "1")


def test_late_accept_is_told_without_alarm_and_without_the_lamp():
    (message,) = told("disposition", {**BODY, "disposition": "accept"}, now=5000.0)
    assert message.payload["late"] is True
    assert message.shows is None


def test_a_disposition_is_live_up_to_its_last_moment():
    assert len(told("disposition", BODY, now=1060.0)) == 1
    assert told("disposition", BODY, now=1060.0)[0].shows == Disposition.REJECT


def test_measurement_is_told_without_arrays_and_not_retained():
    body = {"source": {"name": "a"}, "trace": {}, "characteristics": [], "disposition": "hold", "result": "x"}
    (message,) = told("measurement", body)
    assert (message.topic, message.retain, message.shows) == ("measurement", False, None)
    assert "result" not in message.payload
    assert message.payload["disposition"] == "hold"


def test_failed_verification_raises_an_alarm_as_well():
    body = {"artefact": "MW-03", "passed": False, "reasons": ["en_number 36 is outside"], "instrument": "g"}
    message, alarm = told("verification", body)
    assert (message.topic, message.retain) == ("verification", True)
    assert alarm.payload["alarm"] == "verification-failed"
    assert alarm.payload["reason"] == "en_number 36 is outside"
    assert len(told("verification", {**body, "passed": True})) == 1


@pytest.mark.parametrize(
    ("more", "alarm"),
    [
        ({"counts": False}, "verification-disregarded"),
        ({"incomplete": True}, "verification-incomplete"),
        ({"outcome": "inconclusive"}, "verification-inconclusive"),
    ],
)
def test_what_neither_opens_nor_closes_the_gate_does_not_replace_what_does(more, alarm):
    body = {"artefact": "MW-03", "passed": False, "reasons": ["a copy"], "instrument": "g", **more}
    message, raised = told("verification", body)
    assert (message.topic, message.retain) == ("verification", False)
    assert raised.payload["alarm"] == alarm


def test_file_that_lacks_waves_which_no_other_file_is_said_to_show_closes_the_gate_for_whoever_asks_later():
    body = {"artefact": "MW-03", "passed": False, "reasons": ["lacks"], "incomplete": True, "partial": True}
    message, raised = told("verification", body)
    assert (message.retain, raised.payload["alarm"]) == (True, "verification-incomplete")


def test_quarantine_and_recovery_are_alarms():
    (alarm,) = told("quarantine", {"source": {"name": "bad.csv"}, "reason": "line 7: 3 fields"})
    assert (alarm.topic, alarm.payload["alarm"], alarm.payload["reason"]) == (
        "alarm", "quarantine", "line 7: 3 fields",
    )  # fmt: skip
    assert alarm.payload["source"]["name"] == "bad.csv"
    (alarm,) = told("recovery", {"what": "torn-tail", "reason": "last line cut"})
    assert alarm.payload["alarm"] == "torn-tail"


@pytest.mark.parametrize("kind", ["start", "stop", "configuration", "acknowledgement", "checkpoint"])
def test_records_of_the_agent_itself_are_not_told(kind):
    assert told(kind, {"anything": 1}) == ()


PROGRAM = ["reason", "part", "feature", "instrument", "characteristic", "chart", "side", "value", "unit"]


def test_alarm_of_a_drift_names_characteristic_chart_and_side_for_a_program():
    body = {"what": "drift", "reason": "roundness_total is rising", "part": "P", "feature": "left-flank",
            "instrument": "gauge-1", "characteristic": "roundness_total", "chart": "cusum", "side": "rising",
            "value": 0.9, "unit": "um", "sigma": 0.01, "watched_side": "both",
            "statistic": 5.1, "limit": 5.0, "centre": 0.8, "values": 30, "measurement": 16}  # fmt: skip
    (alarm,) = told("recovery", body)
    named = {k: v for k, v in body.items() if k in set(PROGRAM)}
    assert alarm.payload == {**STAMP, "alarm": "drift", **named}


QUARANTINE = {"source": {"name": "bad.csv"}, "reason": "line 7: 3 fields", "settled_at": 1000.0}


@pytest.mark.parametrize(
    ("more", "now", "holds"),
    [
        ({}, 1060.0, True),
        ({}, 1060.1, False),
        ({"holds": False}, 1001.0, False),
        ({"holds": True}, 1001.0, True),
    ],
    ids=["live to its last moment", "late", "superseded", "said"],
)
def test_only_a_live_quarantine_holds_the_lamp(more, now, holds):
    (alarm,) = told("quarantine", {**QUARANTINE, **more}, now=now)
    assert alarm.payload["holds"] is holds
    assert alarm.shows is (Disposition.HOLD if holds else None)

"""What a database on the line kept is what the records say, message by message; nothing else passes."""

from __future__ import annotations

import json
from io import BytesIO

import pytest
from judged_station import JudgedStation, posix

from edgeagent.judging.line_messages import record_messages
from edgeagent.judging.replaying.heard_messages import HeardMessages
from edgeagent.rules.line.delivery_state import Delivery

LIVE_S = 60.0
PREFIX = "edgeagent/plant-a/cell-3/gauge-1"


@pytest.fixture(scope="module")
def station() -> JudgedStation:
    station = JudgedStation()
    station.verify(1.0)
    station.part("1", 1.1)
    station.part("2", 1.2, disposition="reject")
    station.verify(2.0, "reject")
    station.part("3", 2.1)
    return station


def heard_on_the_line(station: JudgedStation, *, late_h: float = 0.0) -> list[dict]:
    """All messages as a subscriber writes them down, sent at once or so many hours late."""
    delivery = Delivery(latches=True, acknowledged_within_s=60.0, boot=1, store="a" * 64)
    found = []
    for record in station.records:
        at = getattr(record.body, "settled_at", posix(0)) + 3600 * late_h
        for message in record_messages(record, delivery, now=at, live_s=LIVE_S):
            payload = json.loads(json.dumps(message.payload, default=str))
            found.append({"topic": f"{PREFIX}/{message.topic}", "payload": payload})
    return found


def contradictions(station: JudgedStation, messages: list[dict | str]) -> tuple[list[str], HeardMessages]:
    lines = (one if isinstance(one, str) else json.dumps(one) for one in messages)
    heard = HeardMessages(BytesIO("\n".join(lines).encode()))
    found = [one for record in station.records for one in heard.apply(record, LIVE_S, PREFIX)]
    return [one.what for one in (*found, *heard.contradictions_at_end())], heard


@pytest.mark.parametrize("late_h", [0.0, 5.0])
def test_messages_sent_at_once_or_late_are_those_of_the_records(station, late_h):
    messages = heard_on_the_line(station, late_h=late_h)
    digits = [
        {"topic": f"{PREFIX}/lamp", "payload": 1},
        {"topic": f"{PREFIX}/heartbeat", "payload": 7},
    ]
    text = [{**one, "payload": json.dumps(one["payload"])} for one in messages]  # a database that keeps text
    for recorded in ([*messages, *digits], text):
        found, heard = contradictions(station, recorded)
        assert found == []
        assert heard.compared == len(messages) > 10


@pytest.mark.parametrize(
    ("topic", "change", "words"),
    [
        (
            "disposition",
            {"disposition": "accept"},
            "disposition: 'accept', the record says 'reject'",
        ),
        ("decided", {"serial": "9"}, "heard with serial: '9'"),
        ("measurement", {"head": "0" * 64}, "heard with head: "),
        ("measurement", {"seq": 999}, "the journal has no such record"),
        ("verification", {"passed": True}, "heard with passed: True, the record says False"),
    ],
)
def test_message_that_no_record_gives_is_named(station, topic, change, words):
    messages = heard_on_the_line(station)
    of = [m for m in messages if m["topic"].endswith(f"/{topic}")]
    chosen = next((m for m in of if m["payload"].get("disposition") == "reject"), of[-1])
    chosen["payload"] |= change
    found, _ = contradictions(station, messages)
    assert len(found) == 1
    assert words in found[0]


def test_record_that_the_journal_does_not_have_is_named_once_for_all_of_its_messages(station):
    own = heard_on_the_line(station)
    (one,) = (m for m in own if m["topic"].endswith("/disposition") and m["payload"]["disposition"] == "reject")
    beyond = [{**one, "payload": {**one["payload"], "seq": seq}} for seq in (998, 999, 999, 998, 0)]
    _, heard = contradictions(station, [*own, *beyond])
    assert [(c.seq, c.subject) for c in heard.contradictions_at_end()] == [
        (seq, "disposition") for seq in (0, 998, 999)
    ]


def test_messages_of_another_station_are_passed_over(station):
    own = heard_on_the_line(station)
    others = [{**m, "topic": m["topic"].replace("gauge-1", "gauge-2")} for m in own]
    for n, message in enumerate(others):
        message["payload"] = {**message["payload"], "head": f"{n:064x}", "serial": "77"}
    beyond = {**others[0], "payload": {**others[0]["payload"], "seq": 999}}
    found, heard = contradictions(station, [*others, *own, beyond])
    assert found == []
    assert (heard.compared, heard.passed_over) == (len(own), len(others) + 1)


def test_message_that_a_bridge_or_an_earlier_name_of_the_station_put_elsewhere_is_compared(station):
    own = heard_on_the_line(station)
    bridged = [{**m, "topic": f"works/{m['topic']}"} for m in own]
    renamed = [{**m, "topic": m["topic"].replace("gauge-1", "gauge-0")} for m in own]
    changed = {**bridged[0], "payload": {**bridged[0]["payload"], "head": "0" * 64}}
    found, heard = contradictions(station, [*bridged, *renamed, changed])
    assert len(found) == 1
    assert heard.compared == 2 * len(own) + 1


def test_lines_that_no_reader_can_take_are_passed_over(station):
    own = heard_on_the_line(station)
    deep = "[" * 100_000
    lines = [
        f'{{"topic": "{PREFIX}/decided", "payload": {{"seq": 3, "head": "", "deep": {deep}'
        + "]" * 100_000
        + "}}",
        f'{{"topic": "{PREFIX}/decided", "payload": {deep}',
        f'{{"topic": "{PREFIX}/decided", "payload": {{"seq": {10**30}, "head": ""}}}}',
        f'{{"topic": "{PREFIX}/decided", "payload": {{"seq": -1, "head": ""}}}}',
        "x" * 3_000_000,
    ]
    found, heard = contradictions(station, [*lines, *own])
    assert found == []
    assert heard.compared == len(own)

"""What is published: every message says of which start, record and store it is, and until when it acts."""

from __future__ import annotations

from dataclasses import replace

import pytest
from judged_station import JudgedStation, posix

from edgeagent.judging.line_messages import answer_to_line, record_messages, state_message, station_messages
from edgeagent.model.records import PartDisposition
from edgeagent.rules.line.delivery import initial

STORE = "ab" * 32
DELIVERY = replace(
    initial(latches=True, keep_alive_s=5), boot=3, beat=100, store=STORE, run="feed", connected_at=0.0
)
NOBODY = {
    "nonce": "n-1",
    "part": "P",
    "serial": "7",
    "waiting_for": ["left"],
    "disposition": None,
    "record": None,
}


@pytest.fixture
def records():
    """A part's measurement and its disposition, one hour after the beginning."""
    station = JudgedStation()
    station.verify(0.5)
    station.part("1", 1.0)
    return station.records[-2:]


def test_every_message_of_a_record_names_start_record_and_head(records):
    for record in records:
        found = record_messages(record, DELIVERY, now=posix(1.0), live_s=60.0)
        assert found
        for message in found:
            stamp = {key: message.payload[key] for key in ("boot", "seq", "head", "time")}
            assert stamp == {"boot": 3, "seq": record.seq, "head": record.hash, "time": record.time}


def test_only_a_disposition_says_until_when_it_acts(records):
    measured, decided = (record_messages(r, DELIVERY, now=posix(1.0) + 10.0, live_s=60.0) for r in records)
    assert isinstance(records[1].body, PartDisposition)
    assert [m.expires_at for m in measured] == [None]
    assert [m.topic for m in decided] == ["disposition", "decided"]
    assert decided[0].expires_at == posix(1.0) + 60.0
    assert (decided[0].payload["store"], decided[0].payload["expires_beat"]) == (STORE, 300_000_150)


def test_answer_rests_on_its_record(records):
    (answer,) = answer_to_line("acknowledge/result", records[0], DELIVERY, {"result": "acknowledged"})
    assert (answer.topic, answer.retain, answer.payload["result"]) == (
        "acknowledge/result",
        False,
        "acknowledged",
    )
    assert (answer.payload["seq"], answer.payload["head"]) == (records[0].seq, records[0].hash)


def test_state_begins_with_whose_it_is():
    (state,) = state_message(DELIVERY, {"lamp": 0})
    assert list(state.payload.items()) == [("store", STORE), ("run", "feed"), ("boot", 3), ("lamp", 0)]
    assert (state.topic, state.retain, state.expires_at) == ("state", True, None)


def test_undecided_part_at_the_station_has_no_end_and_a_decided_one_ends_in_both_forms():
    first, text = station_messages(DELIVERY, NOBODY, problem=False, expires_at=None, now=1000.0)
    assert (first.topic, text.topic, first.retain, text.retain) == ("station", "station/text", True, True)
    assert first.payload == {"store": STORE, "boot": 3, **NOBODY}
    assert (text.payload[:3], text.payload[80:].strip()) == (b"n-1", b"-")
    decided = {**NOBODY, "waiting_for": [], "disposition": "accept", "record": 8}
    first, text = station_messages(DELIVERY, decided, problem=False, expires_at=1040.0, now=1000.0)
    assert first.expires_at == text.expires_at == 1040.0
    assert first.payload["expires_beat"] == 300_000_140
    assert first.payload["expires_at"] == "1970-01-01T00:17:20.000000Z"
    assert text.payload[80:].strip() == b"0300000140"

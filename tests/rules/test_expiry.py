"""Until when a disposition acts: for receivers with a clock, a forgetful broker, or a heartbeat only."""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgeagent.rules.line.delivery import initial
from edgeagent.rules.line.expiry import with_expiry
from edgeagent.rules.line.outbox import Outgoing

LIVE = Outgoing("disposition", {"seq": 7, "disposition": "accept"}, retain=True)
LATE = Outgoing("disposition", {"seq": 7, "disposition": "accept", "late": True}, retain=True)
ALARM = Outgoing("alarm", {"seq": 7}, retain=False)
SETTLED, LIVE_S = 1_772_444_467.25, 60.0


def dated(message, now, beat=300_000_012, beat_s=1.0):
    delivery = replace(initial(latches=True, keep_alive_s=5, beat_s=beat_s), beat=beat)
    last_beat = delivery.count_after(SETTLED + LIVE_S - now)
    return with_expiry((message, ALARM), SETTLED + LIVE_S, last_beat=last_beat, store="ab" * 32)


def test_live_disposition_says_in_each_way_when_it_ceases_to_act():
    message, decided, alarm = dated(LIVE, SETTLED + 2.0)
    assert message.payload["expires_at"] == "2026-03-02T09:42:07.250000Z"
    assert message.payload["expires_beat"] == 300_000_012 + 58
    assert message.expires_at == SETTLED + 60.0
    assert alarm == ALARM
    assert (decided.topic, decided.payload, decided.retain) == ("decided", message.payload, False)
    assert decided.expires_at is None


@pytest.mark.parametrize(("beat_s", "beats"), [(0.2, 290), (0.5, 116), (3.0, 19)])
def test_expiry_in_heartbeats_follows_how_often_the_heart_beats(beat_s, beats):
    message, *_ = dated(LIVE, SETTLED + 2.0, beat=0, beat_s=beat_s)
    assert message.payload["expires_beat"] == beats


def test_message_sent_again_keeps_its_time():
    first, again = (dated(LIVE, SETTLED + s, beat=100 + int(s))[0] for s in (1.0, 41.0))
    assert first.payload == again.payload
    assert first.expires_at == again.expires_at


@pytest.mark.parametrize("now", [SETTLED + 60.1, SETTLED + 90_000])
def test_late_disposition_names_the_time_and_never_expires(now):
    message, decided, _ = dated(LATE, now)
    assert message.payload["expires_at"] == "2026-03-02T09:42:07.250000Z"
    assert "expires_beat" not in message.payload
    assert (message.expires_at, decided.expires_at) == (None, None)


def test_other_messages_stay_as_they_are_wherever_they_stand_among_them():
    found = with_expiry((ALARM, LIVE, ALARM), SETTLED, last_beat=7, store="ab" * 32)
    assert [message.topic for message in found] == ["alarm", "disposition", "decided", "alarm"]
    assert found[0] == found[3] == ALARM

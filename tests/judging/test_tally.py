"""Counts of what a start has put on record: each kind of record under its own name, from zero on."""

from __future__ import annotations

import pytest
from judged_station import posix, text_of
from records import body_of

from edgeagent.codec.records.record import GENESIS, encode_record
from edgeagent.judging.status.tally import COUNTED, Tally
from edgeagent.model.records import Outcome


def counted(kind, members=None, at_h=1.0):
    tally = Tally()
    time = text_of(at_h).replace("+00:00", ".000000Z")
    tally.apply(encode_record(1, time, GENESIS, body_of(kind, members))[1])
    return {name: count for name, count in tally.counts().items() if count}


def test_everything_is_counted_from_zero():
    assert Tally().counts() == dict.fromkeys(COUNTED, 0)


def test_each_record_counts_once_under_its_name():
    assert counted("quarantine") == {"quarantined": 1}
    assert counted("recovery") == {"recoveries": 1}
    assert counted("configuration") == {}
    for disposition in ("accept", "reject", "hold"):
        assert counted("disposition", {"disposition": disposition}) == {disposition: 1}
    assert counted("acknowledgement", {"matched": True}) == {"acknowledged": 1}
    assert counted("acknowledgement", {"matched": False}) == {"acknowledgements_unmatched": 1}


@pytest.mark.parametrize("outcome", Outcome)
def test_verification_counts_as_failed_only_where_it_closes_the_gate(outcome):
    closes = outcome in (Outcome.FAILED, Outcome.LOST)
    found = {"passed": outcome == Outcome.PASSED, "outcome": outcome}
    assert counted("verification", found) == {f"verifications_{'failed' if closes else outcome.value}": 1}


def test_measurement_adds_the_time_from_the_settled_file_to_its_record_and_never_a_negative_one():
    assert counted("measurement", {"settled_at": posix(1.0) - 2.5}) == {"measured": 1, "recorded_s": 2.5}
    assert counted("measurement", {"settled_at": posix(1.0) + 9.0}) == {"measured": 1}, "a clock that was set"

"""May anything be accepted now? The last verification of the instrument decides."""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgeagent.model.reasons import Code
from edgeagent.model.reasons import reason as said_reason
from edgeagent.model.records import Outcome
from edgeagent.rules.gate import (
    CLOCK_TOLERANCE_S,
    Sighting,
    Verified,
    clock_doubt,
    closed_reason,
    counted_from,
    later_sighting,
    since_failure,
    uncovered_reason,
    with_verification,
)
from edgeagent.rules.sentences import sentence

AT = 1_770_000_000.0
LAST = Verified("MW-03", Outcome.PASSED, AT, 12, certificate_sha256="c")


def reason(last=LAST, *, age_h=1.0, max_age_h=24.0, artefact="MW-03", certificate="c"):
    found = closed_reason(last, artefact, max_age_h, "gauge-1", AT + 3600 * age_h, certificate)
    return None if found is None else sentence(found)


def test_fresh_and_passed_verification_opens_the_gate():
    assert reason() is None
    assert reason(age_h=24.0) is None


def test_without_an_age_there_is_no_gate():
    assert reason(None, max_age_h=None) is None
    assert reason(replace(LAST, outcome=Outcome.FAILED), max_age_h=None) is None


@pytest.mark.parametrize(
    ("last", "options", "words"),
    [
        (None, {}, "has never been verified with artefact MW-03"),
        (replace(LAST, outcome=Outcome.FAILED), {}, "failed (record 12)"),
        (LAST, {"age_h": 24.01}, "24.0 h old, allowed are 24 h"),
        (LAST, {"age_h": -1.0}, "1.0 h in the future"),
        (LAST, {"artefact": "MW-04"}, "with artefact MW-03, wanted is MW-04"),
        (LAST, {"certificate": "d"}, "artefact MW-03 was changed since gauge-1 was verified by it"),
    ],
)  # fmt: skip
def test_closed_gate_says_why_and_for_which_instrument(last, options, words):
    found = reason(last, **options)
    assert found is not None
    assert words in found
    assert "gauge-1" in found


def test_without_a_certificate_in_force_the_gate_is_closed():
    assert reason(certificate=None) == "gate: there is no certificate for artefact MW-03"
    assert reason(certificate=None, max_age_h=None) is None


def test_clocks_that_differ_by_minutes_are_forgiven():
    assert reason(age_h=-0.05) is None


def verified(seq, hours, passed=True, *, doubt=None, complete_h=None):
    complete = None if complete_h is None else AT + 3600 * complete_h
    outcome = Outcome.PASSED if passed else Outcome.FAILED
    return Verified("MW-03", outcome, AT + 3600 * hours, seq, doubt, complete, "c")


def history(*verifications):
    found = None
    for each in verifications:
        found = with_verification(found, each, each.at + 10.0)
    return found


def covered(past, hours, *, now_h=20.0, max_age_h=24.0, seq=1000):
    at = AT + 3600 * hours
    found = uncovered_reason(past, "profile", at, seq, "MW-03", max_age_h, "gauge-1", AT + 3600 * now_h)
    return None if found is None else sentence(found)


def test_order_of_record_decides_between_equal_times_and_the_time_of_measurement_otherwise():
    good, bad, late = verified(1, 8.0), verified(2, 9.0, passed=False), verified(3, 8.98)
    found = history(good, bad, late)
    assert found.current is bad, "an earlier measurement that comes later does not open the gate"
    assert [v.seq for v in found.past] == [1, 3, 2]
    assert history(verified(1, 8.0), verified(2, 8.0, passed=False)).current.seq == 2
    assert history(verified(1, 8.0, passed=False), verified(2, 8.0)).current.seq == 2


def test_doubtful_verification_counts_until_another_comes_and_stays_unproven_in_the_past():
    doubtful = verified(2, 30.0, doubt=said_reason(Code.CLOCK_AHEAD, clock_h=2.0))
    found = with_verification(history(verified(1, 8.0)), doubtful, AT + 3600 * 9.0)
    assert found.current is doubtful
    assert [(v.seq, v.passed, v.at) for v in found.past][1] == (2, False, AT + 3600 * 9.0)
    found = with_verification(found, verified(3, 9.5), AT + 3600 * 9.5)
    assert found.current.seq == 3
    assert covered(found.past, 8.5) is not None
    assert covered(found.past, 9.6) is None


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (7.9, None),
        (8.0, None),
        (9.0, None),
        (9.5, "before a failed verification of gauge-1 (record 3): nobody knows since when it was wrong"),
        (10.0, "profile was measured after a failed verification of gauge-1 (record 3)"),
        (10.9, "profile was measured after a failed verification of gauge-1 (record 3)"),
        (11.0, None),
        (19.0, None),
        (20.2, "clocks disagree: profile was measured 12 min after it was decided"),
    ],
)  # fmt: skip
def test_trace_is_covered_by_what_was_verified_before_and_after_it(hours, words):
    past = history(verified(1, 8.0), verified(2, 9.1), verified(3, 10.0, passed=False), verified(4, 11.0)).past
    found = covered(past, hours)
    assert found is None if words is None else found is not None and words in found, found


def test_clock_that_tells_only_the_day_leaves_the_order_to_the_records():
    past = history(verified(10, 0.0), verified(20, 0.0, passed=False), verified(30, 0.0)).past
    assert covered(past, 0.0, seq=5) is None
    assert "before a failed verification" in covered(past, 0.0, seq=15)
    assert "after a failed verification" in covered(past, 0.0, seq=25)
    assert covered(past, 0.0, seq=35) is None


def test_age_counts_from_the_oldest_file_of_a_set_and_cover_from_the_newest():
    past = history(verified(1, 8.0, complete_h=9.5)).past
    assert covered(past, 9.0) is None, "measured between two files of a set that passed"
    assert covered(past, 9.5) is None
    assert covered(past, 32.0, now_h=32.0) is None
    assert "24.1 h old when profile was measured, allowed are 24 h" in covered(past, 32.1, now_h=32.1)


def test_times_within_a_minute_leave_the_order_to_the_records():
    past = history(verified(10, 8.0), verified(20, 9.0, passed=False)).past
    for seconds, seq, words in (
        (-61, 30, "before a failed verification"),
        (-59, 30, "after a failed verification"),
        (59, 15, "before a failed verification"),
        (61, 15, "after a failed verification"),
    ):
        assert words in covered(past, 9.0 + seconds / 3600, seq=seq), seconds


def test_trace_from_before_all_records_is_covered_by_the_first_verification_if_that_passed():
    passed, failed = history(verified(1, 40.0)).past, history(verified(1, 40.0, passed=False)).past
    assert covered(passed, 0.0, now_h=41.0) is None
    assert "before a failed verification" in covered(failed, 20.0, now_h=41.0)
    assert covered(failed, 10.0, now_h=41.0) is None, "a failure 30 h later says nothing of it"


def test_pass_after_a_trace_covers_it_however_old_the_one_before_was():
    past = history(verified(1, 0.0), verified(2, 40.0)).past
    assert covered(past, 30.0, now_h=41.0) is None
    assert "30.0 h old when profile was measured" in covered(past[:1], 30.0, now_h=30.0)


def test_trace_from_the_near_future_is_forgiven_and_no_gate_asks_for_no_cover():
    past = history(verified(1, 8.0)).past
    ahead_h = CLOCK_TOLERANCE_S / 3600
    assert covered(past, 20.0 + 0.99 * ahead_h) is None
    assert covered(past, 20.0 + 1.01 * ahead_h) is not None
    assert covered((), 1.0, max_age_h=None) is None


def test_past_stays_short_and_in_order():
    found = history(*(verified(n, n / 60) for n in range(700)))
    assert len(found.past) == 500
    assert [v.seq for v in found.past] == list(range(200, 700))


def test_files_of_a_set_count_only_after_the_last_failed_one():
    seen = {
        36: Sighting(AT + 3600 * 8.0, "c", passed=True, seq=1),
        90: Sighting(AT + 3600 * 9.0, "c", passed=True, seq=3),
        180: Sighting(AT + 3600 * 9.0, "c", passed=True, seq=1),
    }
    assert since_failure(seen, None) == seen
    assert since_failure(seen, history(verified(2, 9.5))) == seen
    past = history(verified(2, 9.0, passed=False), verified(4, 9.5))
    assert set(since_failure(seen, past)) == {90}, "between equal times the record decides"


def test_later_measurement_of_a_wave_counts_whatever_is_recorded_later():
    failed, earlier = Sighting(AT, "c", passed=False), Sighting(AT - 60, "c", passed=True)
    assert later_sighting(None, failed) is failed
    assert later_sighting(failed, earlier) is failed
    assert later_sighting(earlier, failed) is failed


@pytest.mark.parametrize("certificate", ["a", "b", "d", "e"])
def test_every_other_certificate_than_the_one_that_judged_closes_the_gate(certificate):
    assert "was changed since" in reason(certificate=certificate)


def test_clock_is_doubted_beyond_its_tolerance_and_not_at_it():
    assert clock_doubt(AT + CLOCK_TOLERANCE_S, AT, None) is None
    assert clock_doubt(AT + CLOCK_TOLERANCE_S + 36.0, AT, None) == said_reason(
        Code.CLOCK_AHEAD, clock_h=(CLOCK_TOLERANCE_S + 36.0) / 3600
    )
    assert clock_doubt(AT - CLOCK_TOLERANCE_S, AT, AT) is None
    assert clock_doubt(AT - CLOCK_TOLERANCE_S - 36.0, AT, AT) == said_reason(
        Code.CLOCK_BACK, clock_h=(CLOCK_TOLERANCE_S + 36.0) / 3600
    )
    assert clock_doubt(AT - 1e6, AT, None) is None, "an old file is no doubtful one"
    assert reason(age_h=-CLOCK_TOLERANCE_S / 3600) is None


def counted(missing, seen, *, at_h=2.0, window_h=2.0, partial=False, certificate="c"):
    found = counted_from(missing, seen, certificate, AT + 3600 * at_h, 3600 * window_h, partial=partial)
    return None if found is None else (found - AT) / 3600


def sighting(hours, *, passed=True, partial=False, certificate="c"):
    return Sighting(AT + 3600 * hours, certificate, passed, 1, partial)


@pytest.mark.parametrize(
    ("seen", "options", "from_h"),
    [
        ({36: sighting(1.0)}, {}, 1.0),
        ({36: sighting(3.0)}, {}, 2.0),
        ({36: sighting(0.0)}, {}, 0.0),
        ({36: sighting(4.0)}, {}, 2.0),
        ({36: sighting(-0.1)}, {}, None),
        ({36: sighting(4.1)}, {}, None),
        ({}, {}, None),
        ({90: sighting(1.0)}, {}, None),
        ({36: sighting(1.0, passed=False)}, {}, None),
        ({36: sighting(1.0, certificate="d")}, {}, None),
        ({36: sighting(1.0, partial=True)}, {"partial": True}, 1.0),
        ({36: sighting(1.0)}, {"partial": True}, None),
        ({36: sighting(-0.1, partial=True)}, {"partial": True}, None),
        ({36: sighting(1.0, partial=True)}, {}, 1.0),
    ],
)
def test_missing_wave_counts_where_another_file_showed_it_well_in_time_and_by_the_same_certificate(
    seen, options, from_h
):
    assert counted([36], seen, **options) == (None if from_h is None else pytest.approx(from_h))


def test_set_counts_from_its_oldest_file_and_only_with_all_of_its_waves():
    assert counted([], {}) == pytest.approx(2.0)
    assert counted([36, 90], {36: sighting(1.0), 90: sighting(0.5)}) == pytest.approx(0.5)
    assert counted([36, 90], {36: sighting(1.0)}) is None

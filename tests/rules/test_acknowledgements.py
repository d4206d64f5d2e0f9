"""Acknowledgements: those that match always go on record, a flood of others does not."""

from __future__ import annotations

import pytest

from edgeagent.rules.line.acknowledgements import (
    PERIOD_S,
    UNMATCHED_MAX,
    Asked,
    Unmatched,
    acknowledged_seq,
    result_of,
    sort_out,
    take_count,
)


def test_acknowledgement_of_something_that_waits_is_never_refused_for_its_rate():
    asked = [Asked(seq, "line") for seq in range(1, 10_001)]
    after, recorded = sort_out(Unmatched(), asked, frozenset(range(1, 10_001)), 0.0)
    assert [(a.seq, matched) for a, matched in recorded] == [(seq, True) for seq in range(1, 10_001)]
    assert after.counted == 0


def test_match_behind_a_flood_goes_on_record():
    asked = [*(Asked(0, "line") for _ in range(5000)), Asked(7, "shift 2")]
    after, recorded = sort_out(Unmatched(), asked, {7}, 0.0)
    assert recorded[-1] == (Asked(7, "shift 2"), True)
    assert len(recorded) == UNMATCHED_MAX + 1
    assert after.counted == 5000 - UNMATCHED_MAX


def test_second_acknowledgement_of_the_same_record_matches_nothing():
    _, recorded = sort_out(Unmatched(), [Asked(7, "a"), Asked(7, "b")], {7}, 0.0)
    assert [matched for _, matched in recorded] == [True, False]


def test_count_is_given_once_when_its_period_is_over():
    after, _ = sort_out(Unmatched(100.0), [Asked(0, "x")] * (UNMATCHED_MAX + 3), (), 110.0)
    assert take_count(after, 100.0 + PERIOD_S) == (after, 0)
    fresh, count = take_count(after, 100.1 + PERIOD_S)
    assert count == 3
    assert take_count(fresh, 1000.0) == (fresh, 0)
    assert len(sort_out(fresh, [Asked(0, "x")], (), 161.0)[1]) == 1


def test_new_period_takes_a_few_again_and_an_uncollected_count_is_kept():
    full, _ = sort_out(Unmatched(0.0), [Asked(0, "x")] * UNMATCHED_MAX, (), 1.0)
    assert sort_out(full, [Asked(0, "x")], (), PERIOD_S)[1] == ()
    assert len(sort_out(full, [Asked(0, "x")], (), PERIOD_S + 1)[1]) == 1
    over, _ = sort_out(full, [Asked(0, "x")], (), 2.0)
    later, recorded = sort_out(over, [Asked(0, "x")], (), 10 * PERIOD_S)
    assert (recorded, later.counted) == ((), 2)


@pytest.mark.parametrize(
    ("payload", "seq"),
    [
        (b"7", 7),
        (b" 412\n", 412),
        (b"0", 0),
        (b"9" * 15, 10**15 - 1),
        (b"9" * 16, 0),
        (b"", 0),
        (b"-7", 0),
        (b"7.0", 0),
        (b"0x7", 0),
        (b"7 8", 0),
        (b"\xff7", 0),
        ("\u0667".encode(), 0),
        ("\u00b2".encode(), 0),
        (b"7" + b" " * 63, 7),
        (b" " * 63 + b"7", 7),
        (b" " * 64 + b"7", 0),
        (b'{"seq": 7}', 0),
    ],
)
def test_line_acknowledges_by_plain_digits_and_by_nothing_else(payload, seq):
    assert acknowledged_seq(payload) == seq


def test_first_period_begins_at_the_zero_of_the_clock():
    assert sort_out(Unmatched(), [], (), PERIOD_S)[0] == Unmatched(0.0)
    assert sort_out(Unmatched(), [], (), PERIOD_S + 0.5)[0] == Unmatched(PERIOD_S + 0.5)


def test_period_begins_with_its_first_acknowledgement_and_lasts_to_its_end():
    begun, _ = sort_out(Unmatched(0.0), [Asked(0, "x")], (), 100.0)
    assert (begun.since, begun.recorded, begun.counted) == (100.0, 1, 0)
    same, _ = sort_out(begun, [Asked(0, "x")], (), 100.0 + PERIOD_S)
    assert (same.since, same.recorded) == (100.0, 2)
    assert sort_out(same, [], (), 100.5 + PERIOD_S)[0] == Unmatched(100.5 + PERIOD_S)
    assert take_count(Unmatched(0.0, UNMATCHED_MAX, 4), PERIOD_S + 1) == (Unmatched(PERIOD_S + 1), 4)


def test_line_is_answered_with_what_became_of_it():
    assert result_of(Asked(7, "line"), True) == "acknowledged"
    assert result_of(Asked(7, "line"), False) == "nothing-waits"
    assert result_of(Asked(0, "line"), False) == "malformed"

"""Acknowledgements: those that match always go on record, a flood of others does not."""

from __future__ import annotations

from edgeagent.rules.acknowledgements import PERIOD_S, UNMATCHED_MAX, Asked, Unmatched, sort_out, take_count


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

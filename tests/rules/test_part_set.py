"""Which traces a part needs, and what follows from those that are there."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace as replace_struct

from edgeagent.model import Disposition
from edgeagent.model.reasons import recorded_reason
from edgeagent.model.records import PartSource
from edgeagent.rules.part_set import (
    FeatureResult,
    PartSet,
    decide,
    expires_at,
    standing,
    with_disposition,
    with_measurement,
)
from edgeagent.rules.sentences import sentence, sentences

ACCEPT, REJECT, HOLD = Disposition.ACCEPT, Disposition.REJECT, Disposition.HOLD
BOTH = ("left-flank", "right-flank")
WAIT_S = 900.0


def result(
    feature: str, disposition: Disposition, seq: int = 1, at: float = 100.0, measured_at: float | None = None
) -> FeatureResult:
    reasons = () if disposition == ACCEPT else (recorded_reason(f"{feature} {disposition.value}s"),)
    source = PartSource(feature=feature, name="a.txt", sha256=f"{seq}", instrument="gauge-1", seq=seq)
    return FeatureResult(feature, seq, disposition, reasons, source, (), at, measured_at)


def after(*results: FeatureResult, required=BOTH, now: float = 100.0) -> PartSet:
    state = PartSet("KX-2005-R", "1")
    for each in results:
        state = with_measurement(state, each, required, now)
    return state


def test_only_a_part_that_lacks_a_trace_and_is_not_decided_runs_out_of_time():
    half = after(result("left-flank", ACCEPT))
    assert expires_at(half, WAIT_S) == 100.0 + WAIT_S
    whole = after(result("left-flank", ACCEPT), result("right-flank", ACCEPT))
    for state in (PartSet("P", "1", BOTH), whole, with_disposition(half, HOLD, 5)):
        assert expires_at(state, WAIT_S) is None


def test_part_waits_for_its_second_trace():
    state = after(result("left-flank", ACCEPT))
    assert decide(state, 200.0, WAIT_S) is None
    assert expires_at(state, WAIT_S) == 1000.0


def test_part_is_accepted_when_all_its_traces_accept():
    decision = decide(after(result("left-flank", ACCEPT), result("right-flank", ACCEPT)), 101.0, WAIT_S)
    assert decision.disposition == ACCEPT


def test_part_is_rejected_with_its_first_rejecting_trace():
    decision = decide(after(result("right-flank", REJECT)), 101.0, WAIT_S)
    assert (decision.disposition, sentences(decision.reasons)) == (
        REJECT,
        ("right-flank: right-flank rejects",),
    )


def test_whole_part_with_a_held_trace_is_held():
    decision = decide(after(result("left-flank", HOLD), result("right-flank", ACCEPT)), 101.0, WAIT_S)
    assert (decision.disposition, sentences(decision.reasons)) == (HOLD, ("left-flank: left-flank holds",))


def test_incomplete_part_is_held_after_its_time_and_says_what_is_missing():
    state = after(result("left-flank", ACCEPT))
    decision = decide(state, 1000.0, WAIT_S)
    assert decision.disposition == HOLD
    assert "missing right-flank" in sentence(decision.reasons[0])
    assert decision.settled_at == 1000.0


def test_nothing_is_said_twice():
    state = with_disposition(after(result("left-flank", REJECT)), REJECT, 5)
    assert decide(state, 200.0, WAIT_S) is None
    state = with_measurement(state, result("right-flank", REJECT), BOTH, 201.0)
    assert decide(state, 202.0, WAIT_S) is None


def test_remeasured_feature_replaces_the_earlier_one_and_says_so():
    state = after(result("left-flank", REJECT), result("right-flank", ACCEPT))
    state = with_disposition(state, REJECT, 5)
    state = with_measurement(state, result("left-flank", ACCEPT, 9), BOTH, 300.0)
    decision = decide(state, 301.0, WAIT_S)
    assert decision.disposition == ACCEPT
    assert sentence(decision.reasons[-1]) == "re-measured: left-flank"


def test_withdrawn_reject_of_an_incomplete_part_is_a_hold():
    state = with_disposition(after(result("left-flank", REJECT)), REJECT, 5)
    state = with_measurement(state, result("left-flank", ACCEPT, 9), BOTH, 300.0)
    decision = decide(state, 301.0, WAIT_S)
    assert decision.disposition == HOLD
    assert "still missing right-flank" in sentence(decision.reasons[0])


def test_part_without_recipe_is_held_at_once():
    decision = decide(after(result("left-flank", HOLD), required=()), 101.0, WAIT_S)
    assert decision.disposition == HOLD


def test_feature_that_the_recipe_does_not_know_holds_until_the_set_is_whole():
    state = after(result("profile", HOLD))
    assert decide(state, 101.0, WAIT_S).disposition == HOLD
    state = with_disposition(state, HOLD, 4)
    for feature in BOTH:
        state = with_measurement(state, result(feature, ACCEPT), BOTH, 110.0)
    assert decide(state, 111.0, WAIT_S).disposition == ACCEPT


@given(st.permutations([("a", ACCEPT), ("b", HOLD), ("c", ACCEPT), ("d", REJECT)]), st.integers(1, 4))
def test_order_of_arrival_does_not_change_the_standing(order, count):
    kept = sorted(order)[:count]
    shuffled = [x for x in order if x in kept]
    required = tuple(f for f, _ in kept)
    decisions = [
        decide(after(*(result(f, d) for f, d in each), required=required), 101.0, WAIT_S)
        for each in (kept, shuffled)
    ]
    assert len({d.disposition for d in decisions}) == 1


@given(st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from(list(Disposition))), max_size=8))
def test_no_part_is_accepted_while_a_feature_is_missing_or_not_accepting(arrivals):
    state, required = PartSet("p", "s"), ("a", "b", "c")
    for seq, (feature, disposition) in enumerate(arrivals, 1):
        state = with_measurement(state, result(feature, disposition, seq), required, 100.0)
        decision = decide(state, 101.0, WAIT_S)
        if decision is not None:
            newest = {f: r.disposition for f, r in state.results.items()}
            accepting = all(newest.get(f) == ACCEPT for f in required)
            assert (decision.disposition == ACCEPT) == accepting
            state = with_disposition(state, decision.disposition, seq)


def test_lateness_counts_from_the_newest_file():
    times = [100.0, 250.0]
    state = after(*(result(f, ACCEPT, at=t) for f, t in zip(BOTH, times, strict=True)))
    assert decide(state, 260.0, WAIT_S).settled_at == max(times)
    assert all(a < b for a, b in pairwise(times))


@given(st.sampled_from([ACCEPT, REJECT, HOLD]), st.sampled_from([ACCEPT, REJECT, HOLD]))
def test_a_file_that_comes_late_but_was_measured_earlier_makes_nothing_better(earlier, later):
    right = result("right-flank", ACCEPT, 3)
    late = after(
        right,
        result("left-flank", later, 4, measured_at=50.0),
        result("left-flank", earlier, 5, measured_at=20.0),
    )
    decision = decide(late, 200.0, WAIT_S)
    if later == REJECT:
        assert decision.disposition == REJECT
    elif earlier == later:
        assert decision.disposition == later
    else:
        assert decision.disposition == HOLD
    if later == ACCEPT and earlier == REJECT:
        assert "record 5 came after record 4 but was measured before it, and is reject, not accept" in str(
            sentences(decision.reasons)
        )
    in_order = after(
        right,
        result("left-flank", earlier, 4, measured_at=20.0),
        result("left-flank", later, 5, measured_at=50.0),
    )
    assert decide(in_order, 200.0, WAIT_S).disposition == later


def test_doubt_about_the_order_ends_with_a_measurement_that_is_newest_by_both():
    state = after(
        result("right-flank", ACCEPT, 3),
        result("left-flank", ACCEPT, 4, measured_at=50.0),
        result("left-flank", REJECT, 5, measured_at=20.0),
        result("left-flank", ACCEPT, 6, measured_at=90.0),
    )
    assert decide(state, 200.0, WAIT_S).disposition == ACCEPT


def test_time_of_a_set_begins_with_its_first_trace_and_anew_when_a_decided_part_is_measured_again():
    state = with_measurement(PartSet("P", "1"), result("left-flank", ACCEPT), BOTH, 100.0)
    assert state.since == 100.0
    state = with_measurement(state, result("left-flank", ACCEPT, 2, 200.0), BOTH, 200.0)
    assert state.since == 100.0, "a trace that is measured again gives no more time"
    state = with_disposition(state, HOLD, 3)
    assert with_measurement(state, result("right-flank", ACCEPT, 4, 900.0), BOTH, 900.0).since == 900.0


@pytest.mark.parametrize(
    ("before", "after", "stands"),
    [
        (None, 50.0, 2),
        (50.0, None, 2),
        (None, None, 2),
        (50.0, 50.0, 2),
        (50.0, 60.0, 2),
        (60.0, 50.0, 1),
    ],
)
def test_later_measurement_stands_and_where_a_clock_says_nothing_the_later_file(before, after, stands):
    state = after_two(
        result("left-flank", ACCEPT, 1, 100.0, before), result("left-flank", ACCEPT, 2, 110.0, after)
    )
    assert state.results["left-flank"].seq == stands


def after_two(first, second):
    return with_measurement(
        with_measurement(PartSet("P", "1"), first, ("left-flank",), 100.0), second, ("left-flank",), 110.0
    )


def test_complete_set_stands_for_itself_whatever_was_announced_and_an_incomplete_one_for_nothing():
    assert standing(after(result("left-flank", ACCEPT))) is None
    whole = after(result("left-flank", ACCEPT), result("right-flank", HOLD))
    disposition, reasons = standing(whole)
    assert (disposition, len(reasons)) == (HOLD, 1)
    assert standing(with_disposition(whole, ACCEPT, 9)) == (disposition, reasons)
    assert standing(after(result("left-flank", REJECT)))[0] == REJECT
    assert standing(after(result("left-flank", ACCEPT), result("right-flank", ACCEPT))) == (ACCEPT, ())


def of_file(disposition, seq, content, measured_at, recipe="r1"):
    """A measurement of one content, at a time that its header says."""
    one = result("left-flank", disposition, seq, measured_at=measured_at)
    source = replace_struct(one.source, name=f"{content}.txt", sha256=content)
    return replace(one, source=source, recipe_sha256=recipe)


def test_copy_of_a_decided_content_never_improves_a_part():
    rejected = after(
        of_file(ACCEPT, 1, "good", 10.0), of_file(REJECT, 2, "bad", 10.0), required=("left-flank",)
    )
    copied = with_measurement(rejected, of_file(ACCEPT, 3, "good", 10.0), ("left-flank",), 300.0)
    assert copied.results["left-flank"].disposition == REJECT
    renamed = with_measurement(rejected, of_file(ACCEPT, 3, "good", 99.0), ("left-flank",), 300.0)
    assert renamed.results["left-flank"].disposition == REJECT, "whatever its name and time"
    again = with_measurement(rejected, of_file(ACCEPT, 3, "new", 20.0), ("left-flank",), 300.0)
    assert again.results["left-flank"].disposition == ACCEPT, "a new measurement does"


def test_file_that_was_written_on_counts_as_it_is_now():
    half = of_file(HOLD, 1, "half", 10.0)
    whole = of_file(ACCEPT, 2, "whole", 10.0)
    other = replace(whole, source=replace_struct(whole.source, name="other.txt"))
    whole = replace(whole, source=replace_struct(whole.source, name=half.source.name))
    state = after(half, required=("left-flank",))
    assert with_measurement(state, whole, ("left-flank",), 300.0).results["left-flank"].disposition == ACCEPT
    assert with_measurement(state, other, ("left-flank",), 300.0).results["left-flank"].disposition == HOLD


def test_content_that_another_recipe_decides_anew_is_no_copy():
    held = after(of_file(HOLD, 1, "a", 10.0, ""), required=("left-flank",))
    judged = with_measurement(held, of_file(ACCEPT, 2, "a", 10.5, "r1"), ("left-flank",), 300.0)
    assert judged.results["left-flank"].disposition == ACCEPT


@pytest.mark.parametrize(
    ("first", "second", "stands"),
    [
        (ACCEPT, REJECT, REJECT), (REJECT, ACCEPT, REJECT), (HOLD, ACCEPT, HOLD), (ACCEPT, HOLD, HOLD),
        (HOLD, REJECT, REJECT), (REJECT, HOLD, REJECT), (ACCEPT, ACCEPT, ACCEPT),
    ],
)  # fmt: skip
def test_equal_times_do_not_order_measurements_and_the_worse_one_stands(first, second, stands):
    state = after(of_file(first, 1, "a", 10.0), of_file(second, 2, "b", 10.0), required=("left-flank",))
    decision = decide(state, 300.0, WAIT_S)
    assert decision.disposition == stands
    told = [r.code for r in decision.reasons]
    assert ("measured-at-once" in told) == (first != second and stands == first)

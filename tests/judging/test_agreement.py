"""A result that was computed again against the recorded one: from identical to a verdict that flips."""

from __future__ import annotations

import copy

import pytest

from edgeagent.judging.agreement import ABSOLUTE_BOUND, Agreement, beyond_rounding, compare_results

RESULT = {
    "schema": "edgeagent.result/1",
    "software": {"version": "1", "values": 2},
    "quality": [{"check": "spikes", "ok": True, "value": 0.5, "note": "none"}],
    "characteristics": [
        {"name": "roundness_total", "value": 1.25, "unit": "um", "verdict": "conforming"},
        {"name": "eccentricity", "value": None, "unit": "um", "verdict": "unjudged"},
    ],
    "spectrum": {
        "upr": [1, 2],
        "amplitude_nm": [100.0, 0.0],
        "phase_deg": [10.0, 20.0],
        "noise_nm": [1.0, None],
    },
    "disposition": "accept",
    "reasons": ["near"],
}


def compared(*changes):
    """The result against itself with members changed, each given as (path, value)."""
    now = copy.deepcopy(RESULT)
    for path, value in changes:
        at = now
        for step in path[:-1]:
            at = at[step]
        at[path[-1]] = value
    return compare_results(RESULT, now)


VALUE = ("characteristics", 0, "value")


def test_same_result_is_identical():
    found = compared()
    assert (found.agreement, found.mismatches) == (Agreement.IDENTICAL, ())


def test_wording_never_counts():
    changed = compared((("reasons",), ["close to"]), (("quality", 0, "note"), "not one"))
    assert changed.agreement == Agreement.IDENTICAL


@pytest.mark.parametrize(
    ("value", "wanted"),
    [
        (1.25 * (1 + 0.9e-9), Agreement.WITHIN_ROUNDING),
        (1.25 * (1 - 0.9e-9), Agreement.WITHIN_ROUNDING),
        (1.25 * (1 + 1.2e-9), Agreement.DIFFERENT),
        (1.26, Agreement.DIFFERENT),
        (None, Agreement.DIFFERENT),
        ("1.25", Agreement.DIFFERENT),
        (True, Agreement.DIFFERENT),
    ],
)
def test_number_agrees_within_a_billionth_of_itself_and_nothing_else_does(value, wanted):
    found = compared((VALUE, value))
    assert found.agreement == wanted
    assert [m.where for m in found.mismatches] == (
        [] if wanted == Agreement.WITHIN_ROUNDING else ["characteristics[0].value"]
    )


def test_number_near_zero_agrees_within_the_bound_in_its_own_unit():
    zero = copy.deepcopy(RESULT)
    zero["quality"][0]["value"] = 0.0
    for value, wanted in (
        (0.9 * ABSOLUTE_BOUND, Agreement.WITHIN_ROUNDING),
        (1.1 * ABSOLUTE_BOUND, Agreement.DIFFERENT),
    ):
        now = copy.deepcopy(zero)
        now["quality"][0]["value"] = value
        assert compare_results(zero, now).agreement == wanted


@pytest.mark.parametrize(("factor", "wanted"), [(1 + 1e-8, "WITHIN_ROUNDING"), (1 + 2e-6, "DIFFERENT")])
def test_uncertainty_by_finite_differences_agrees_to_six_digits(factor, wanted):
    before = {"characteristics": [{"expanded_uncertainty": 5.1}]}
    now = {"characteristics": [{"expanded_uncertainty": 5.1 * factor}]}
    assert compare_results(before, now).agreement == Agreement[wanted]


@pytest.mark.parametrize(
    ("member", "now", "wanted"),
    [
        ({"u": [1.5, 3.7]}, {"u": [1.5, 3.7 * (1 + 1e-8)]}, "WITHIN_ROUNDING"),
        ({"u": [1.5, 3.7]}, {"u": [1.5, 3.7 * (1 + 1e-5)]}, "DIFFERENT"),
        ({"influences": {"tip": [[1, 8e-5]]}}, {"influences": {"tip": [[1, 8.001e-5]]}}, "WITHIN_ROUNDING"),
        ({"influences": {"tip": [[1, 8e-5]]}}, {"influences": {"tip": [[1, 9e-5]]}}, "DIFFERENT"),
        ({"value": [3.7]}, {"value": [3.7 * (1 + 1e-8)]}, "DIFFERENT"),
    ],
)
def test_what_a_value_is_judged_from_agrees_as_what_it_is(member, now, wanted):
    assert compare_results({"judged_from": member}, {"judged_from": now}).agreement == Agreement[wanted]


def test_truth_value_is_no_number_that_could_be_rounded():
    now = copy.deepcopy(RESULT)
    now["quality"][0]["ok"] = 1.0 + 1e-12
    assert compare_results(RESULT, now).agreement == Agreement.DIFFERENT
    assert compare_results(now, RESULT).agreement == Agreement.DIFFERENT


@pytest.mark.parametrize("path", [("characteristics", 0, "verdict"), ("disposition",)])
def test_verdict_that_flips_comes_before_everything_else(path):
    found = compared((path, "reject"), (VALUE, 2.0), (("software", "version"), "2"))
    assert found.agreement == Agreement.FLIPPED
    flipped = [m for m in found.mismatches if m.verdict]
    assert [(m.now, m.rounding) for m in flipped] == [("'reject'", False)]
    assert len(found.mismatches) == 2


def test_other_program_may_find_other_values_and_has_members_of_its_own():
    other = ("software", "version"), "2"
    assert compared(other).agreement == Agreement.IDENTICAL
    assert compared(other, (VALUE, 2.0)).agreement == Agreement.OTHER_PROGRAM
    assert compared(other, (VALUE, 1.25 + 1e-12)).agreement == Agreement.WITHIN_ROUNDING
    assert compared(other, (("characteristics", 0, "new"), 1)).agreement == Agreement.IDENTICAL
    assert compared((("characteristics", 0, "new"), 1)).agreement == Agreement.DIFFERENT
    without = {k: v for k, v in RESULT.items() if k != "software"}
    assert compare_results(without, without).agreement == Agreement.IDENTICAL
    assert compare_results(without, {**RESULT, "disposition": "hold"}).agreement == Agreement.FLIPPED


def test_missing_or_added_entry_is_a_difference():
    for characteristics in (RESULT["characteristics"][:1], [*RESULT["characteristics"], {}], {}):
        assert compared((("characteristics",), characteristics)).agreement == Agreement.DIFFERENT


def phasor(amplitude_nm, phase_deg, at=0):
    return compared(
        (("spectrum", "amplitude_nm", at), amplitude_nm), (("spectrum", "phase_deg", at), phase_deg)
    )


@pytest.mark.parametrize(
    ("amplitude_nm", "phase_deg", "at", "wanted"),
    [
        (100.0, 10.0, 0, Agreement.IDENTICAL),
        (100.0, 370.0, 0, Agreement.WITHIN_ROUNDING),
        (-100.0, 190.0, 0, Agreement.WITHIN_ROUNDING),
        (100.0 + 0.9e-6, 10.0, 0, Agreement.WITHIN_ROUNDING),
        (100.0 + 1.1e-6, 10.0, 0, Agreement.DIFFERENT),
        (100.0, 10.001, 0, Agreement.DIFFERENT),
        (0.0, 123.0, 1, Agreement.WITHIN_ROUNDING),
        (0.9e-6, 200.0, 1, Agreement.WITHIN_ROUNDING),
        (1.1e-6, 20.0, 1, Agreement.DIFFERENT),
        (None, 20.0, 1, Agreement.DIFFERENT),
        (0.0, None, 1, Agreement.DIFFERENT),
    ],
)
def test_harmonics_agree_as_phasors(amplitude_nm, phase_deg, at, wanted):
    found = phasor(amplitude_nm, phase_deg, at)
    assert found.agreement == wanted
    if wanted == Agreement.DIFFERENT:
        assert [(m.where, m.verdict) for m in found.mismatches] == [(f"spectrum[{at}]", False)]


def test_large_harmonic_agrees_within_a_billionth_of_itself():
    large = copy.deepcopy(RESULT)
    large["spectrum"]["amplitude_nm"][0] = 1e6
    for factor, wanted in ((1 + 0.9e-9, Agreement.WITHIN_ROUNDING), (1 + 1.2e-9, Agreement.DIFFERENT)):
        now = copy.deepcopy(large)
        now["spectrum"]["amplitude_nm"][0] *= factor
        assert compare_results(large, now).agreement == wanted


def test_spectrum_of_another_length_or_none_at_all_is_a_difference():
    found = compared((("spectrum", "amplitude_nm"), [1.0]), (("spectrum", "phase_deg"), [1.0]))
    assert ("spectrum", "2 harmonics", "1") in [(m.where, m.recorded, m.now) for m in found.mismatches]
    assert compared((("spectrum",), None)).agreement == Agreement.DIFFERENT
    without = {**RESULT, "spectrum": None}
    assert compare_results(without, without).agreement == Agreement.IDENTICAL
    assert compared((("spectrum", "noise_nm"), [1.0, 2.0])).agreement == Agreement.DIFFERENT


def test_long_values_are_cut_for_the_list_of_differences():
    found = compared((("schema",), "x" * 78))
    assert found.mismatches[0].now == repr("x" * 78)
    (mismatch,) = compared((("schema",), "x" * 79)).mismatches
    assert mismatch.now == repr("x" * 79)[:77] + "..."
    assert (mismatch.where, mismatch.recorded) == ("schema", "'edgeagent.result/1'")


def test_two_records_differ_in_what_is_beyond_rounding_and_no_wording():
    before = {"value": 1.0, "note": "a", "listed": [1.0, 2.0], "unit": "um"}
    now = {"value": 1.0 + 1e-12, "note": "b", "listed": [1.0, 2.1], "more": 3}
    assert [m.where for m in beyond_rounding(before, now)] == ["listed[1]", "more", "unit"]
    assert [m.where for m in beyond_rounding(before, now, other_program=True)] == ["listed[1]"]


@pytest.mark.parametrize("kind", [list, tuple])
@pytest.mark.parametrize(
    ("now", "agreement"), [(3.5 * (1 + 1e-15), Agreement.WITHIN_ROUNDING), (3.6, Agreement.DIFFERENT)]
)
def test_reasons_are_compared_number_by_number_whatever_sequence_they_come_in(kind, now, agreement):
    def with_reasons(value, note):
        values = {"check": "turns", "value": value, "note": note}
        return {**RESULT, "reason_codes": kind([{"code": "check-failed", "values": values}])}

    assert compare_results(with_reasons(3.5, "a"), with_reasons(now, "b")).agreement == agreement


@pytest.mark.parametrize("now", [{"amplitude_nm": [100.0], "phase_deg": [10.0]}, None])
def test_spectrum_with_other_harmonics_or_none_is_different_and_no_verdict_that_flips(now):
    other = None if now is None else {**RESULT["spectrum"], **now}
    found = compared((("spectrum",), other))
    assert found.agreement == Agreement.DIFFERENT
    assert {m.where.partition(".")[0] for m in found.mismatches} == {"spectrum"}

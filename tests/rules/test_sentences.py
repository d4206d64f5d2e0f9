"""Reasons in words: each code has its sentence, whatever a record brings along it is shown and never fatal."""

from __future__ import annotations

import pytest

from edgeagent.model.reasons import Code, Reason, reason
from edgeagent.rules.sentences import LONGEST, hours, plain_sentence, sentence, sentences

VALUE = {
    "name": "roundness_total", "instance": "", "value": 0.95, "unit": "um", "expanded_uncertainty": 0.2,
    "lower": None, "upper": 1.0,
}  # fmt: skip
WAVE = {"certificate": "C-2291", "wave": 1, "upr": 180}
GAUGE = {"instrument": "gauge-1", "seq": 7}


@pytest.mark.parametrize(
    ("code", "values", "words"),
    [
        (Code.RECORDED, {"text": "as it stands"}, "as it stands"),
        (Code.MORE, {"count": 3}, "and 3 more"),
        (Code.OUTSIDE_LIMIT, VALUE, "roundness total = 0.95 ± 0.2 µm is outside its upper limit 1"),
        (
            Code.OUTSIDE_LIMIT,
            {**VALUE, "value": 1.5},
            "roundness total = 1.5 ± 0.2 µm is above its upper limit 1",
        ),
        (Code.UNDECIDABLE, VALUE, "roundness total = 0.95 ± 0.2 µm: too close to the upper limit 1 to decide"),
        (
            Code.NEAR_LIMIT,
            {**VALUE, "lower": 0.5, "upper": None, "expanded_uncertainty": None, "unit": "1"},
            "roundness total = 0.95 is near its lower limit 0.5",
        ),
        (
            Code.NEAR_LIMIT,
            {**VALUE, "name": "harmonic_amplitude", "instance": "37", "unit": "nm", "lower": 0.1},
            "harmonic amplitude at 37 UPR = 0.95 ± 0.2 nm is near its upper limit 1",
        ),
        (
            Code.UNDECIDABLE,
            {**VALUE, "lower": 0.5},
            "roundness total = 0.95 ± 0.2 µm: too close to the upper limit 1 to decide",
        ),
        (
            Code.UNDECIDABLE,
            {**VALUE, "lower": 0.8},
            "roundness total = 0.95 ± 0.2 µm: too close to the limits 0.8 and 1 to decide",
        ),
        (
            Code.UNDECIDABLE,
            {**VALUE, "lower": 0.5, "expanded_uncertainty": None},
            "roundness total = 0.95 µm: too close to the limits 0.5 and 1 to decide",
        ),
        (
            Code.OUTSIDE_LIMIT,
            {
                **VALUE,
                "name": "contact_angle_left",
                "instance": "top[2]",
                "unit": "deg",
                "lower": 1.2,
                "upper": 2.0,
            },
            "contact angle left top[2] = 0.95 ± 0.2° is below its lower limit 1.2",
        ),
        (
            Code.NO_VALUE,
            {**VALUE, "name": "harmonic_amplitude"},
            "harmonic amplitude: not known at every order that the recipe limits",
        ),
        (Code.CHECK_FAILED, {"check": "spikes", "note": "1 sample"}, "spikes: 1 sample"),
        (Code.CHECK_FAILED, {"check": "tip_reach", "note": "0.5 um too blunt"}, "tip reach: 0.5 µm too blunt"),
        (
            Code.UNKNOWN_FEATURE,
            {"asked": "bore", "part": "P", "known": []},
            "feature bore is not in the recipe of P, which has nothing",
        ),
        (
            Code.UNKNOWN_FEATURE,
            {"asked": "bore", "part": "P", "known": ["left", "right"]},
            "feature bore is not in the recipe of P, which has left, right",
        ),
        (
            Code.WAVE_ELSEWHERE,
            {**WAVE, "elsewhere": "fine"},
            "certificate C-2291: wave[1].upr: 180 UPR is not in this file but in feature fine",
        ),
        (
            Code.WAVE_BEYOND_RANGE,
            {**WAVE, "range_upr": 90, "file": "MW-03.toml"},
            "MW-03.toml: certificate C-2291: wave[1].upr: 180 UPR lies above the trace's range of 90 UPR",
        ),
        (
            Code.SET_INCOMPLETE,
            {"timeout_s": 900.0, "missing": ["inside"]},
            "incomplete after 900 s: missing inside",
        ),
        (
            Code.GATE_CLOCKS,
            {**GAUGE, "doubt": "clock-ahead", "clock_h": 1.5},
            "gate: clocks of the verifications of gauge-1 disagree: "
            "it was measured 1.5 h after it was recorded (record 7)",
        ),
        (Code.GATE_FAILED, GAUGE, "gate: the last verification of gauge-1 failed (record 7)"),
        (
            Code.GATE_TOO_OLD,
            {"instrument": "gauge-1", "age_h": 25.04, "allowed_h": 24.0},
            "gate: the verification of gauge-1 is 25.0 h old, allowed are 24 h",
        ),
        (
            Code.GATE_AFTER_FAILURE,
            {**GAUGE, "trace": "profile", "ground": "waves-missing"},
            "gate: profile was measured after a verification that lacks certified waves of gauge-1 (record 7)",
        ),
        (
            Code.GATE_BEFORE_FAILURE,
            {**GAUGE, "trace": "profile", "ground": "clock"},
            "gate: profile was measured before a verification of doubtful time of gauge-1 (record 7): "
            "nobody knows since when it was wrong",
        ),
        (
            Code.VERIFICATION_CLOCK,
            {"file": "a.txt", "doubt": "clock-back", "clock_h": 2.0},
            "a.txt: header measured_at: it was measured 2.0 h before the one that was recorded earlier",
        ),
        (
            Code.ACCEPTED_SINCE,
            {"since": 6, "parts": ["P 2", "P 1"], "more": 3},
            "accepted since the verification of record 6 passed, and to be looked at again: "
            "P 2, P 1, and 3 more",
        ),
        (
            Code.ACCEPTED_SINCE,
            {"since": 0, "parts": ["P 1"], "more": 0},
            "accepted since the beginning, and to be looked at again: P 1",
        ),
        (Code.HELD_FOR_MORE, {"others": ["a", "b"]}, "held for more than the gate: a; b"),
        (Code.NOT_A_REQUEST, {}, "not a request"),
        (Code.NOT_A_REQUEST, {"text": "no JSON"}, "not a request: no JSON"),
        (
            Code.REQUEST_TOO_OLD,
            {"part": "P", "serial": "1", "age_s": 600.2},
            "P 1: the request is 600 s old",
        ),
        (Code.REQUEST_TOO_OLD, {"record": 7, "age_s": 121.0}, "record 7: the request is 121 s old"),
        (
            Code.REQUEST_AHEAD,
            {"record": 7, "ahead_s": 90.4},
            "record 7: the request is dated 90 s ahead of the clock: ask again",
        ),
        (
            Code.REQUESTS_UNGUARDED,
            {},
            "everybody may write to the folder requests/: its rights must be 2770",
        ),
        (Code.NOTHING_WAITS, {"record": 7}, "record 7 does not wait for an acknowledgement"),
    ],
)
def test_reason_in_words(code, values, words):
    assert sentence(reason(code, **values)) == words


def test_reason_of_a_part_begins_with_its_trace_and_the_gate_s_says_so():
    failed = reason(Code.GATE_FAILED, **GAUGE)
    assert sentence(failed.about("profile")).startswith("profile: gate: the last verification")
    assert plain_sentence(failed.about("profile")) == "the last verification of gauge-1 failed (record 7)"
    assert sentence(reason(Code.MORE, count=1).about("profile")) == "profile: and 1 more"
    assert sentences([reason(Code.MORE, count=1), reason(Code.MORE, count=2)]) == ("and 1 more", "and 2 more")


def test_code_of_a_later_version_is_shown_with_its_parameters():
    assert sentence(Reason("made-of-cheese", {"kind": "blue", "age": 3})) == "made-of-cheese (kind blue, age 3)"
    assert sentence(Reason("made-of-cheese")) == "made-of-cheese"


@pytest.mark.parametrize("values", [{}, {"count": None}, {"timeout_s": "long", "missing": []}])
def test_known_code_with_other_parameters_is_shown_with_those_and_stops_nobody(values):
    told = sentence(Reason(Code.SET_INCOMPLETE.value, values))
    assert told.startswith("set-incomplete")
    assert all(f"{name} {value}" in told for name, value in values.items())


def test_every_code_has_a_sentence_of_its_own():
    everything = {
        **VALUE, **WAVE, **GAUGE, "text": "t", "count": 1, "check": "c", "note": "n", "part": "p",
        "serial": "s",
        "asked": "a", "known": ["k"], "kind": "k", "wanted": "w", "artefact": "MW-03", "valid_until": "d",
        "elsewhere": "e", "range_upr": 9, "amplitude_nm": 1.0, "certified_nm": 2.0, "before": 1,
        "disposition": "hold", "standing": "accept", "timeout_s": 1.0, "missing": ["m"], "features": ["f"],
        "clock_h": 1.0, "doubt": "clock-ahead", "age_h": 1.0, "allowed_h": 1.0, "ahead_h": 1.0, "trace": "t",
        "ground": "failed", "since": 1, "parts": ["p"], "more": 0, "file": "f", "seconds": 1.0, "who": "w",
        "why": "y", "others": ["o"], "live_s": 1.0, "age_s": 1.0, "ahead_s": 1.0, "record": 7, "checks": ["c"],
    }  # fmt: skip
    for code in Code:
        told = plain_sentence(Reason(code.value, everything))
        assert not told.startswith(f"{code.value} ("), f"{code} has no sentence, or other parameters"


def test_sentence_is_no_longer_than_a_line_can_bear():
    fits, cut = "x" * LONGEST, "x" * (LONGEST + 1)
    assert sentence(reason(Code.RECORDED, text=fits)) == fits
    assert sentence(reason(Code.RECORDED, text=cut)) == "x" * (LONGEST - 3) + "..."
    assert len(sentence(reason(Code.RECORDED, text=fits).about("profile"))) == LONGEST


@pytest.mark.parametrize(
    ("value", "words"), [(1.0, "1.0 h"), (25.04, "25.0 h"), (0.99, "59 min"), (0.0, "0 min")]
)
def test_span_of_time_is_said_in_hours_or_minutes(value, words):
    assert hours(value) == words


def test_what_a_file_brought_along_is_shown_and_never_obeyed():
    found = sentence(reason(Code.UNCLOSED, file="a\u202e\x1b[2J\n.txt", seconds=60.0))
    assert found == "writer never closed a??[2J?.txt: read after 60 s without a change"

"""From measurements to the records that decide: parts, the gate over them, what a verification amounts to."""

from __future__ import annotations

import pytest
from judged_station import JudgedStation, codes, configured, posix, text_of
from records import body_of

from edgeagent.judging.part_decisions import gate_reason, open_reason
from edgeagent.model import Disposition
from edgeagent.model.records import Outcome

REFUSED = {"what": "configuration-rejected", "reason": "artefacts/MW-03.toml: bad", "certificate": True}
ACCEPT, REJECT, HOLD = Disposition.ACCEPT, Disposition.REJECT, Disposition.HOLD


@pytest.fixture
def station():
    """Verified at hour 0."""
    made = JudgedStation()
    made.verify(0.0)
    return made


def only(bodies):
    (body,) = bodies
    return body


# --- parts -------------------------------------------------------------------------------------------------


def test_good_part_behind_an_open_gate_is_accepted(station):
    body = only(station.part("1", 1.0))
    assert (body.part, body.serial, body.disposition) == ("P", "1", ACCEPT)
    assert body.gate_reason is None
    assert body.settled_at == posix(1.0)


def test_part_waits_for_its_missing_feature_and_is_held_when_its_time_is_over(station):
    assert station.part("1", 1.0, required=["outside", "inside"]) == []
    assert station.time_out("1", 1.2) == []
    body = only(station.time_out("1", 1.25))
    assert (body.disposition, codes(body), body.missing) == (HOLD, ["set-incomplete"], ("inside",))
    assert body.gate_reason is None, "the gate has nothing to do with it"


def test_second_feature_completes_the_part(station):
    station.part("1", 1.0, required=["outside", "inside"])
    body = only(station.part("1", 1.1, feature="inside", required=["outside", "inside"]))
    assert body.disposition == ACCEPT
    assert [s.seq for s in body.sources] == [3, 4]


def test_closed_gate_holds_a_good_part_and_says_why_before_its_cautions():
    station = JudgedStation()
    body = only(station.part("1", 1.0, reasons=["near"]))
    assert body.disposition == HOLD
    assert codes(body) == ["gate-never-verified", "recorded"]
    assert body.gate_reason.code == "gate-never-verified"
    assert ("P", "1") in station.memory.gated


def test_gate_says_nothing_of_a_part_that_is_rejected_or_held_for_itself():
    station = JudgedStation()
    for serial, disposition in (("1", "reject"), ("2", "hold")):
        body = only(station.part(serial, 1.0, disposition=disposition, reasons=["bad"]))
        assert (body.disposition.value, codes(body), body.gate_reason) == (disposition, ["recorded"], None)


def test_without_a_gate_nothing_need_be_verified():
    assert only(JudgedStation(configured(verification="")).part("1", 1.0)).disposition == ACCEPT
    assert only(JudgedStation(configured(verification="# no age")).part("1", 1.0)).disposition == ACCEPT


def test_same_part_is_not_decided_again_by_the_same_values(station):
    station.part("1", 1.0)
    body = only(station.part("1", 1.1))
    assert (body.disposition, body.remeasured, body.replaces) == (ACCEPT, ("outside",), 4)
    assert station.time_out("1", 5.0) == []


@pytest.mark.parametrize(
    ("hours", "code"),
    [(23.9, None), (24.0, None), (24.1, "gate-too-old")],
)
def test_verification_holds_for_its_age(station, hours, code):
    body = only(station.part("1", hours))
    assert (body.gate_reason and body.gate_reason.code) == code


def test_every_instrument_of_a_part_must_be_verified(station):
    both = {"required": ["outside", "inside"]}
    station.part("1", 1.0, **both)
    body = only(station.part("1", 1.1, feature="inside", instrument="gauge-2", **both))
    assert body.gate_reason.code == "gate-never-verified"
    assert body.gate_reason.values["instrument"] == "gauge-2"
    station.verify(1.2, instrument="gauge-2")
    assert only(station.part("2", 1.3, instrument="gauge-2")).disposition == ACCEPT


def test_refused_certificate_closes_the_gate_until_a_configuration_is_read(station):
    refused = body_of(
        "recovery",
        {"what": "configuration-rejected", "reason": "artefacts/MW-03.toml: bad", "certificate": True},
    )
    station.append([refused], 0.5)
    body = only(station.part("1", 1.0))
    assert body.gate_reason.code == "gate-certificate-refused"
    station.append([body_of("configuration")], 1.5)
    assert only(station.part("2", 2.0)).disposition == ACCEPT


def test_refused_certificate_closes_no_gate_that_is_not_asked_for():
    station = JudgedStation(configured(verification="# no age"))
    refused = body_of(
        "recovery",
        {"what": "configuration-rejected", "reason": "artefacts/MW-03.toml: bad", "certificate": True},
    )
    station.append([refused], 0.5)
    assert only(station.part("1", 1.0)).disposition == ACCEPT


def test_certificate_that_is_gone_or_changed_closes_the_gate(station):
    gone = JudgedStation(configured(certificate=""))
    gone.memory = station.memory
    assert only(gone.part("1", 1.0)).gate_reason.code == "gate-no-certificate"
    verified = station.memory
    changed = JudgedStation(configured(certificate=CHANGED))
    changed.memory = verified
    assert only(changed.part("2", 1.0)).gate_reason.code == "gate-certificate-changed"


CHANGED = configured().certificates["MW-03"][1].data.decode().replace("812.0", "813.0")


def test_open_gate_has_no_reason_and_a_closed_one_the_first_of_its_instruments(station):
    station.part("1", 1.0)
    state = station.memory.part_set("P", "1")
    assert open_reason(state, station.memory, station.configuration, posix(2.0)) is None
    assert gate_reason(state, station.memory, station.configuration, posix(2.0)) is None
    assert open_reason(state, station.memory, station.configuration, posix(30.0)).code == "gate-too-old"
    assert open_reason(state, station.memory, configured(verification=""), posix(30.0)) is None


def test_copy_of_what_the_gate_held_is_not_accepted_and_a_new_measurement_is():
    station = JudgedStation()
    station.part("1", 1.0, sha256="a")
    station.verify(2.0)
    copy = only(station.part("1", 2.5, sha256="a"))
    assert (copy.disposition, copy.gate_reason.code) == (HOLD, "gate-copy")
    assert only(station.part("1", 2.6, sha256="b")).disposition == ACCEPT


def test_trace_measured_before_a_verification_that_failed_is_not_covered(station):
    station.verify(2.0, "reject")
    station.verify(3.0)
    before = only(station.part("1", 1.5, at_h=3.5))
    assert before.gate_reason.code == "gate-before-failure"
    after = only(station.part("2", 2.5, at_h=3.6))
    assert after.gate_reason.code == "gate-after-failure"
    assert only(station.part("3", 3.7)).disposition == ACCEPT


# --- verifications -----------------------------------------------------------------------------------------


def test_good_verification_passes_and_says_until_when(station):
    body = only(station.verify(5.0))
    assert (body.outcome, body.passed, body.reason_codes) == (Outcome.PASSED, True, ())
    assert body.valid_until == "2026-03-03T05:00:00Z"
    assert (body.certificate, body.counts) == ("C-2291", body.partial)
    assert body.errors_nm == {"36": 1.0, "180": -2.0}


def test_bad_verification_fails_with_its_own_reasons_and_holds_for_no_time(station):
    body = only(station.verify(5.0, "reject", reasons=["spurious"]))
    assert (body.outcome, body.passed, body.valid_until) == (Outcome.FAILED, False, None)
    assert codes(body) == ["recorded"]
    assert only(station.verify(6.0, "hold")).outcome == Outcome.FAILED


def test_without_an_age_no_verification_ends():
    assert only(JudgedStation(configured(verification="")).verify(1.0)).valid_until is None
    assert only(JudgedStation(configured(verification="# no age")).verify(1.0)).valid_until is None


def test_copy_of_a_verification_proves_nothing_new(station):
    station.verify(2.0, sha256="x")
    body = only(station.verify(3.0, sha256="x"))
    assert (body.outcome, codes(body), body.errors_nm) == (Outcome.DISREGARDED, ["copy-of-verification"], {})
    assert body.reason_codes[0].values["seq"] == 4
    assert body.counts is False
    assert body.valid_until is None


def test_same_file_judged_by_another_certificate_is_no_copy(station):
    station.verify(2.0, sha256="x")
    assert only(station.verify(3.0, sha256="x", certificate_sha256="other")).outcome == Outcome.PASSED


def test_other_artefact_opens_nothing_and_closes_the_gate_only_when_it_fails(station):
    good = only(station.verify(2.0, artefact="XX-1"))
    assert (good.outcome, codes(good)) == (Outcome.DISREGARDED, ["artefact-not-asked-for"])
    assert good.errors_nm == {"36": 1.0, "180": -2.0}, "what it says of the instrument counts for the budget"
    assert good.certificate is good.partial, "no certificate of that artefact is here"
    assert only(station.verify(3.0, "hold", artefact="XX-1")).outcome == Outcome.DISREGARDED
    assert only(station.verify(4.0, "reject", artefact="XX-1")).outcome == Outcome.FAILED
    assert only(station.part("1", 4.1)).gate_reason.code == "gate-failed"


def test_every_artefact_will_do_where_none_is_asked_for():
    assert (
        only(JudgedStation(configured(verification="")).verify(1.0, artefact="XX-1")).outcome == Outcome.PASSED
    )


def test_verification_whose_clock_cannot_be_right_fails(station):
    body = only(station.verify(9.0, at_h=8.0))
    assert (body.outcome, codes(body)) == (Outcome.FAILED, ["verification-clock"])
    assert body.reason_codes[0].values["doubt"] == "clock-ahead"
    assert body.errors_nm == {"36": 1.0, "180": -2.0}, "the instrument deviates whatever its clock says"
    assert only(station.part("1", 9.1)).gate_reason.code == "gate-clocks"


def test_verification_measured_before_a_failed_one_opens_nothing(station):
    station.verify(3.0, "reject")
    late = only(station.verify(2.95, at_h=3.2))
    assert (late.outcome, codes(late)) == (Outcome.DISREGARDED, ["before-failed-verification"])
    assert (late.reason_codes[0].values["seq"], late.errors_nm) == (4, {})
    bad = only(station.verify(2.96, "reject", at_h=3.3))
    assert (bad.outcome, bad.reason_codes) == (Outcome.FAILED, ()), "one more that failed is no contradiction"
    assert only(station.verify(3.4)).outcome == Outcome.PASSED


def test_file_that_its_writer_had_open_passes_nothing_but_may_fail(station):
    unclosed = {"unclosed_s": 61.0}
    body = only(station.verify(2.0, source=unclosed))
    assert (body.outcome, codes(body), body.errors_nm) == (Outcome.DISREGARDED, ["unclosed"], {})
    assert only(station.verify(3.0, "reject", source=unclosed)).outcome == Outcome.FAILED


# --- too noisy to tell ---------------------------------------------------------------------------------------

NOISY = {"disposition": "hold", "too_noisy": True}


def noisy(station, hours, **members):
    """An artefact's trace that cannot tell; nothing else may follow from it."""
    return only(station.verify(hours, **{**NOISY, **members}))


def test_trace_too_noisy_to_tell_leaves_the_gate_and_the_accepted_parts_as_they_were(station):
    station.part("before", 4.0)
    body = noisy(station, 5.0, reasons=["too noisy"])
    assert (body.outcome, body.passed, body.valid_until) == (Outcome.INCONCLUSIVE, False, None)
    assert codes(body) == ["recorded"], "its own reason alone: no accepted part is doubted"
    assert body.errors_nm == {}, "what noise made of the waves counts in no budget"
    assert only(station.part("after", 5.1)).disposition == ACCEPT
    assert only(station.part("late", 4.5, at_h=5.2)).disposition == ACCEPT


def test_trace_too_noisy_to_tell_never_makes_the_verification_before_it_younger(station):
    station.verify(2.0)
    for hours in (8.0, 16.0, 24.0, 25.9):
        noisy(station, hours)
    assert only(station.part("1", 25.95)).disposition == ACCEPT
    closed = only(station.part("2", 26.1))
    assert (closed.disposition, closed.gate_reason.code) == (HOLD, "gate-too-old")
    noisy(station, 26.2)
    assert only(station.part("3", 26.3)).gate_reason.code == "gate-too-old"


def test_trace_too_noisy_to_tell_opens_no_gate_that_was_closed_or_never_open(station):
    unproven = JudgedStation()
    noisy(unproven, 1.0)
    assert only(unproven.part("1", 1.1)).gate_reason.code == "gate-never-verified"
    station.verify(3.0, "reject")
    noisy(station, 3.5)
    assert only(station.part("1", 3.6)).gate_reason.code == "gate-failed"


def test_failure_after_a_noisy_trace_doubts_what_was_accepted_since_the_last_one_that_passed(station):
    station.verify(2.0)
    station.part("1", 2.5)
    noisy(station, 3.0)
    failed = only(station.verify(4.0, "reject"))
    assert (failed.outcome, codes(failed)) == (Outcome.FAILED, ["accepted-since"])
    assert "P 1" in failed.reason_codes[0].values["parts"]


def test_noise_excuses_neither_a_reject_nor_a_clock_that_cannot_be_right(station):
    assert noisy(station, 3.0, disposition="reject").outcome == Outcome.FAILED
    late = noisy(station, 9.0, at_h=8.0)
    assert (late.outcome, codes(late)) == (Outcome.FAILED, ["verification-clock"])


def test_noisy_file_of_a_set_counts_for_none_of_its_waves(station):
    wave(station, 4.0, [180])
    noisy(station, 4.5, missing_upr=[36], incomplete=False, partial=False, errors_nm={"180": 1.0})
    assert wave(station, 4.6, [180]).outcome == Outcome.INCOMPLETE, "180 UPR was not seen well"
    assert wave(station, 5.0, [36], shown="180").outcome == Outcome.PASSED, "nor does it undo the set"


# --- sets of files ------------------------------------------------------------------------------------------

SOME = {"disposition": "hold", "incomplete": True, "window_h": 2.0}


def wave(station, hours, missing, *, partial=False, shown="36", **members):
    # A record that does not say that a wave may be lost lost none.
    lost = {"partial": True} if partial else {}
    return only(
        station.verify(hours, **{**SOME, "missing_upr": missing, "errors_nm": {shown: 1.0}, **lost, **members})
    )


def test_file_with_some_waves_changes_nothing_until_another_shows_the_rest(station):
    first = wave(station, 4.0, [180])
    assert (first.outcome, first.incomplete, first.valid_until) == (Outcome.INCOMPLETE, True, None)
    assert only(station.part("1", 4.1)).disposition == ACCEPT
    second = wave(station, 5.0, [36], shown="180")
    assert (second.outcome, second.incomplete) == (Outcome.PASSED, False)
    assert second.counted_from == text_of(4.0), "the set counts from its oldest file"
    assert second.valid_until == "2026-03-03T04:00:00Z"


def test_set_may_reach_just_over_its_window(station):
    wave(station, 4.0, [180])
    assert wave(station, 6.0, [36], shown="180").outcome == Outcome.PASSED


def test_set_whose_files_lie_further_apart_than_the_window_is_none(station):
    wave(station, 4.0, [180])
    assert wave(station, 6.1, [36], shown="180").outcome == Outcome.INCOMPLETE


def test_file_that_lost_waves_closes_the_gate_until_others_that_lost_some_show_them(station):
    lost = wave(station, 4.0, [180], partial=True)
    assert (lost.outcome, lost.partial) == (Outcome.LOST, True)
    assert only(station.part("1", 4.1)).gate_reason.code == "gate-waves-missing"
    assert wave(station, 5.0, [36], partial=True, shown="180").outcome == Outcome.PASSED
    assert only(station.part("2", 5.1)).disposition == ACCEPT


def test_failed_verification_in_between_makes_the_set_begin_anew(station):
    wave(station, 4.0, [180])
    station.verify(4.5, "reject")
    assert wave(station, 5.0, [36], shown="180").outcome == Outcome.INCOMPLETE


def test_waves_seen_by_another_instrument_do_not_count(station):
    wave(station, 4.0, [180])
    assert wave(station, 5.0, [36], shown="180", instrument="gauge-2").outcome == Outcome.INCOMPLETE


# --- what a failed verification takes back -------------------------------------------------------------------


def test_part_accepted_before_the_failed_verification_was_read_is_held_again(station):
    station.part("before", 1.0)
    station.part("after", 2.5)
    verification, *held = station.verify(2.0, "reject", at_h=3.0)
    assert verification.outcome == Outcome.FAILED
    body = only(held)
    assert (body.serial, body.disposition) == ("after", HOLD)
    assert codes(body) == ["gate-after-failure", "accepted-before-failure-was-read"]
    assert body.gate_reason.values["seq"] == 8, "the verification's own record"
    assert body.gate_reason.values["trace"] == "outside"
    assert body.settled_at == posix(2.5)
    assert station.records[7].body.outcome == Outcome.FAILED


@pytest.mark.parametrize(
    ("hours", "disposition", "members"),
    [
        (2.0, "accept", {}),
        (2.0, "reject", {"instrument": "gauge-2"}),
        (2.0, "hold", {"artefact": "XX-1"}),
        (2.0, "hold", {"incomplete": True, "missing_upr": [36], "window_h": 1.0}),
        (2.8, "reject", {}),
        (9.0, "reject", {}),
    ],
)
def test_nothing_is_taken_back_where_the_part_was_measured_before_or_by_another(
    station, hours, disposition, members
):
    station.part("1", 2.5)
    assert len(station.verify(hours, disposition, at_h=3.0, **members)) == 1


def test_only_accepted_parts_are_taken_back(station):
    station.part("1", 2.5, disposition="reject")
    station.part("2", 2.6, required=["outside", "inside"])
    assert len(station.verify(2.0, "reject", at_h=3.0)) == 1


def test_without_a_gate_nothing_is_taken_back():
    for verification in ("", "# no age"):
        station = JudgedStation(configured(verification=verification))
        station.part("1", 2.5)
        assert len(station.verify(2.0, "reject", at_h=3.0)) == 1


# --- parts to be looked at again -----------------------------------------------------------------------------


def test_failed_verification_names_what_was_accepted_since_the_last_that_passed(station):
    station.part("early", 0.5)
    station.verify(1.0)
    for number in range(7):
        station.part(f"{number}", 2.0 + number / 10)
    station.part("other", 2.8, instrument="gauge-2")
    station.part("bad", 2.9, disposition="reject")
    body = station.verify(3.0, "reject")[0]
    (doubt,) = [r for r in body.reason_codes if r.code == "accepted-since"]
    assert list(doubt.values["parts"]) == ["P 6", "P 5", "P 4", "P 3", "P 2"], "the newest first"
    assert (doubt.values["more"], doubt.values["since"]) == (2, 6)


def test_five_doubted_parts_are_all_named_and_none_are_not_mentioned(station):
    assert only(station.verify(1.0, "reject")).reason_codes == ()
    station.verify(1.5)
    for number in range(5):
        station.part(f"{number}", 2.0 + number / 10)
    (doubt,) = station.verify(3.0, "reject")[0].reason_codes
    assert (len(doubt.values["parts"]), doubt.values["more"]) == (5, 0)


def test_part_recorded_after_the_last_pass_is_doubted_whatever_its_clock_says(station):
    station.verify(5.0)
    station.part("1", 1.0, at_h=5.5)
    (doubt,) = station.verify(6.0, "reject")[0].reason_codes
    assert list(doubt.values["parts"]) == ["P 1"]


def test_where_none_ever_passed_every_accepted_part_is_doubted():
    station = JudgedStation(configured(verification="# no age"))
    station.part("1", 1.0)
    (doubt,) = station.verify(2.0, "reject")[0].reason_codes
    assert (list(doubt.values["parts"]), doubt.values["since"]) == (["P 1"], 0)

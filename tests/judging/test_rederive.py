"""Records that follow from one another, derived again: a true journal has nothing to say, a forged one does."""

from __future__ import annotations

import msgspec
import pytest
from judged_station import JudgedStation
from records import body_of, record_of

from edgeagent.codec.records.record import GENESIS, encode_record
from edgeagent.judging.replaying.rederive import Rederivation
from edgeagent.model.records import Outcome


def played() -> JudgedStation:
    """Verified, accepted, rejected, failed, held for the gate, opened again, out of time."""
    station = JudgedStation()
    station.verify(1.0)
    station.part("1", 1.1)
    station.part("2", 1.2, disposition="reject")
    station.verify(2.0, "reject")
    station.part("3", 2.1)
    station.verify(3.0)
    station.verify(3.05, "hold", too_noisy=True)
    station.part("4", 3.1)
    station.part("5", 3.2, required=["outside", "inside"])
    station.time_out("5", 4.0)
    return station


def rederived(station: JudgedStation, records) -> list[tuple[str, str]]:
    fold = Rederivation()
    fold.use(station.configuration)
    rule = station.configuration.settings.decision.policy.text
    records = [with_body(r, rule=rule) if r.kind == "measurement" else r for r in records]
    found = [one for record in records for one in fold.apply(record, None)]
    return [(one.kind, one.subject) for one in (*found, *fold.contradictions_at_end())]


def with_body(record, **members):
    body = msgspec.structs.replace(record.body, **members)
    return encode_record(record.seq, record.time, GENESIS, body)[1]


def kinds(found) -> set[str]:
    return {kind for kind, _ in found}


def test_true_journal_contradicts_itself_nowhere():
    station = played()
    assert rederived(station, station.records) == []
    assert {r.kind for r in station.records} == {"measurement", "disposition", "verification"}


@pytest.mark.parametrize("serial", ["1", "2", "4", "5"])
def test_decision_that_was_turned_is_found(serial):
    station = played()
    other = {"accept": "reject", "reject": "accept", "hold": "accept"}
    records = [
        with_body(r, disposition=type(r.body.disposition)(other[r.body.disposition.value]))
        if r.kind == "disposition" and r.body.serial == serial
        else r
        for r in station.records
    ]
    assert ("decision", f"P {serial}") in rederived(station, records)


def test_hold_for_the_gate_that_was_lifted_is_found():
    station = played()
    records = [
        with_body(
            r, gate=msgspec.UNSET, gate_code=msgspec.UNSET, disposition=type(r.body.disposition)("accept")
        )
        if r.kind == "disposition" and r.body.serial == "3"
        else r
        for r in station.records
    ]
    assert kinds(rederived(station, records)) == {"gate", "decision"}


def test_failed_verification_said_to_have_passed_is_found():
    station = played()
    records = [
        with_body(r, recorded_outcome=Outcome.PASSED, passed=True)
        if r.kind == "verification" and not r.body.passed
        else r
        for r in station.records
    ]
    assert "verification" in kinds(rederived(station, records))


@pytest.mark.parametrize("kind", ["measurement", "disposition", "verification"])
def test_record_of_a_pair_that_was_struck_out_is_found(kind):
    station = played()
    at = next(i for i, r in enumerate(station.records) if r.kind == kind)
    records = [r for i, r in enumerate(station.records) if i != at]
    expected = {"measurement": {"verification"}, "disposition": {"undecided"}, "verification": {"gate"}}
    assert expected[kind] & kinds(rederived(station, records))


def test_measured_part_that_nothing_was_decided_of_is_found():
    station = JudgedStation()
    station.verify(1.0)
    station.append([station.measurement(1.5, None, required=["outside"], trace={
        "part": "P", "serial": "9", "feature": "outside"})], 1.5)  # fmt: skip
    station.part("1", 1.6)
    assert ("undecided", "P 9") in rederived(station, station.records)


def test_time_that_runs_backwards_needs_a_record_that_says_why():
    early, late = "2026-03-02T10:00:00.000000Z", "2026-03-02T12:00:00.000000Z"
    first, second = record_of("stop", seq=1, time=late), record_of("stop", seq=2, time=early)
    said = record_of("recovery", {"what": "clock-set-back"}, seq=3, time=early)
    station = JudgedStation()
    assert rederived(station, [first, second]) == [("time", "clock")]
    assert rederived(station, [first, second, said]) == []
    slewed = record_of("stop", seq=2, time="2026-03-02T11:59:59.500000Z")
    assert rederived(station, [first, slewed]) == []


def test_release_that_the_gate_did_not_allow_is_found():
    station = played()
    held = next(r for r in station.records if r.kind == "disposition" and r.body.serial == "3")
    at = station.records.index(held) + 1
    release = {"what": "release", "part": "P", "serial": "3", "who": "A. N.", "why": "fine", "matched": False}
    forged = body_of("acknowledgement", {"seq": held.seq, **release})
    accepted = msgspec.structs.replace(
        held.body,
        gate=msgspec.UNSET,
        gate_code=msgspec.UNSET,
        disposition=type(held.body.disposition)("accept"),
    )
    extra = [encode_record(held.seq, held.time, GENESIS, body)[1] for body in (forged, accepted)]
    records = [*station.records[:at], *extra]
    assert ("release", "P 3") in rederived(station, records)


def test_judged_by_what_was_not_in_force_is_found():
    station = JudgedStation()
    recipe = {"part": "P", "revision": "A", "sha256": "cd" * 32}
    body = station.measurement(1.0, None, recipe=recipe, trace={"part": "P", "serial": "1"})
    station.append([body], 1.0)
    assert "configuration" in kinds(rederived(station, station.records))

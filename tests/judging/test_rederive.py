"""Records that follow from one another, derived again: a true journal has nothing to say, a forged one does."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime, timedelta

import msgspec
import pytest
from field import ROOT
from judged_station import BEGIN, JudgedStation, configured
from records import TIME, body_of, record_of

from edgeagent import __version__
from edgeagent.codec.records.record import GENESIS, encode_record
from edgeagent.judging.bodies import configuration_body
from edgeagent.judging.configuration import Document
from edgeagent.judging.replaying.rederive import Rederivation
from edgeagent.model.records import Outcome, Unknown
from edgeagent.store.configuration import load_configuration
from edgeagent.store.machine import this_machine


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


def withdrawn() -> JudgedStation:
    """A part that was accepted before a failed verification, measured earlier, was read: it is taken back."""
    station = JudgedStation()
    station.verify(1.0)
    station.part("1", 1.9)
    station.verify(1.5, "reject", at_h=2.0)
    station.part("2", 2.1)
    return station


def test_acceptance_that_a_failed_verification_takes_back_is_missed_where_it_stands():
    station = withdrawn()
    assert rederived(station, station.records) == []
    holds = [r for r in station.records if r.kind == "disposition" and r.body.serial == "1"]
    assert [r.body.disposition.value for r in holds] == ["accept", "hold"]
    records = [r for r in station.records if r is not holds[1]]
    assert ("gate", "P 1") in rederived(station, records)


def test_hold_that_takes_an_acceptance_back_is_known_in_records_that_do_not_say_so():
    station = withdrawn()
    records = [with_body(r, withdrawn=msgspec.UNSET) if r.kind == "disposition" else r for r in station.records]
    assert rederived(station, records) == []


@pytest.mark.parametrize(("late_s", "named"), [(-1.1, True), (-0.9, False), (60.0, False), (60.5, True)])
def test_measurement_is_written_within_a_minute_of_its_decision(late_s, named):
    at = datetime.fromisoformat(TIME).timestamp()
    record = record_of("measurement", {"decided_at": at - late_s})
    said = [found for found in rederived(JudgedStation(), [record]) if found[0] == "time"]
    assert said == ([("time", "a.txt")] if named else [])


def test_part_is_decided_by_the_gate_as_it_was_when_its_file_was_judged_and_not_when_it_was_written():
    station = JudgedStation()
    station.verify(1.0)
    station.part("1", 25.0 - 2 / 3600)  # the verification runs out at 25.0
    later = (BEGIN + timedelta(hours=25, seconds=3)).isoformat(timespec="microseconds").replace("+00:00", "Z")
    records = [r if r.seq <= 2 else encode_record(r.seq, later, GENESIS, r.body)[1] for r in station.records]
    assert [r.body.disposition.value for r in records if r.kind == "disposition"] == ["accept"]
    assert rederived(station, records) == []


@pytest.mark.parametrize(("version", "named"), [(__version__, True), ("0.0.1", False)])
def test_record_that_this_version_cannot_have_written_is_found_where_it_says_that_it_did(version, named):
    station = JudgedStation()
    start = record_of("start", {"version": version}, seq=1)
    unknown = replace(record_of("stop", seq=2), kind="new", body=Unknown(kind="new", body=b"{}"))
    twice = record_of("stop", seq=3)
    twice = replace(twice, raw=b'{"published":0,"published":1}')
    assert rederived(station, [start, unknown, twice]) == ([("form", "new"), ("form", "stop")] if named else [])


def in_force(fold: Rederivation, seq: int, configuration, former=None, **forged):
    """What is said of a configuration that comes into force, its record changed."""
    old = former.documents() if former is not None else ()
    before = {d.sha256 for d in old}
    _, body = configuration_body(configuration, this_machine(), before, {d.name: d.data for d in old})
    fold.use(configuration)
    record = encode_record(seq, TIME, GENESIS, msgspec.structs.replace(body, **forged))[1]
    return [(c.kind, c.subject) for c in fold.apply(record, None)]


FORGED = [("configuration", "record of the configuration")]


def test_record_of_a_configuration_says_what_its_files_say_and_what_changed():
    first, second = configured(), configured(more="[intake]\nlive_s = 120\n")
    fold = Rederivation()
    assert in_force(fold, 1, first) == []
    assert in_force(fold, 2, second, first) == []
    assert in_force(fold, 3, first, second, artefacts=7) == FORGED
    assert in_force(Rederivation(), 1, first, artefacts=7) == FORGED
    # Files that could not be read again are said by themselves
    assert in_force(Rederivation(), 1, first, agent_sha256="ef" * 32, artefacts=7) == []


def test_change_is_not_asked_for_where_the_configuration_before_could_not_be_read():
    first, second = configured(), configured(more="[intake]\nlive_s = 120\n")
    fold = Rederivation()
    lost = record_of("configuration", {"manifest_sha256": "12" * 32}, seq=1)
    assert [*fold.apply(lost, None)] == []
    assert in_force(fold, 2, second, first, artefacts=7) == []
    assert in_force(fold, 3, first, second, artefacts=7) == FORGED


def test_recipe_that_nobody_approved_is_named_where_the_station_asks_for_approvals():
    station = load_configuration(ROOT / "config" / "agent.toml")
    evidence = msgspec.structs.replace(station.settings.evidence, approvers=("a.key",))
    asking = msgspec.structs.replace(station.settings, evidence=evidence)
    one, *others = station.recipes
    recipes = {part: replace(r, signed_by="" if part == one else "a") for part, r in station.recipes.items()}
    note = Document("recipes/x.toml.approval", b"")
    for settings, approvals, named in (
        (asking, (note,), [station.recipes[one].document.name]),
        (asking, (), []),
        (station.settings, (note,), []),
    ):
        asked = replace(station, settings=settings, recipes=recipes, approvals=approvals)
        said = in_force(Rederivation(), 1, asked)
        assert [subject for _, subject in said if subject != FORGED[0][1]] == named

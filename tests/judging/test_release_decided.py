"""Which parts a person may release, and what goes on record of a request; measured and folded in memory."""

from __future__ import annotations

import msgspec
import pytest
from judged_station import JudgedStation, codes, posix

from edgeagent.judging.part_decisions import open_reason
from edgeagent.judging.release import held_parts, release_entries, take_up
from edgeagent.judging.requests import (
    AcknowledgeRequest,
    Asker,
    Handed,
    ReleaseRequest,
    RequestRefusedError,
)
from edgeagent.model import Disposition
from edgeagent.model.reasons import Code, reason

LIVE_S = 60.0


@pytest.fixture
def station():
    """Part 1 was measured at hour 1 before anything was verified; the artefact passed at hour 2."""
    made = JudgedStation()
    made.part("1", 1.0, reasons=["near"])
    made.verify(2.0)
    return made


def gate_of(station, at_h):
    return lambda state: open_reason(state, station.memory, station.configuration, posix(at_h))


def request(serial="1", part="P"):
    asked = ReleaseRequest(part=part, serial=serial, who="A. Smith", why="seen by hand")
    return Handed(asked, Asker(1007, "asmith"))


def release(station, serial="1", at_h=3.0, part="P"):
    return release_entries(
        request(serial, part), station.memory, gate_of(station, at_h), now=posix(at_h), live_s=LIVE_S
    )


def refusal(station, serial="1", at_h=3.0, part="P"):
    with pytest.raises(RequestRefusedError) as caught:
        release(station, serial, at_h, part)
    return caught.value


def held(station, at_h=3.0):
    found = held_parts(station.memory, gate_of(station, at_h), now=posix(at_h), live_s=LIVE_S)
    return {p.serial: (p.refusal and p.refusal.code) for p in found}


def test_part_that_only_the_gate_held_is_released_on_record_with_who_and_why(station):
    answered, body = release(station)
    assert (answered.seq, answered.part, answered.serial) == (2, "P", "1")
    assert (answered.who, answered.why, answered.matched) == ("A. Smith", "seen by hand", False)
    assert (answered.user, answered.uid) == ("asmith", 1007)
    assert (body.disposition, body.gate_reason, body.replaces) == (Disposition.ACCEPT, None, 2)
    assert codes(body) == ["released-by", "recorded"], "what was near its limit stays said"
    assert body.reason_codes[0].values == {"who": "A. Smith", "why": "seen by hand"}
    assert body.settled_at == posix(1.0)


def test_released_part_is_held_no_longer(station):
    assert held(station) == {"1": None}
    station.append(release(station), 3.0)
    assert held(station) == {}
    assert refusal(station).reason.code == "not-held-for-gate"


def test_parts_that_the_gate_does_not_hold_are_refused(station):
    station.part("good", 2.5)
    station.part("bad", 2.6, disposition="reject")
    for serial in ("good", "bad", "unknown"):
        assert refusal(station, serial).reason.code == "not-held-for-gate"
    assert refusal(station, part="Q").reason.values == {"part": "Q", "serial": "1"}


def test_part_that_something_else_holds_too_is_neither_listed_nor_released(station):
    station.memory.gated["P", "1"] = station.memory.part_set("P", "1")
    station.part("1", 2.5, disposition="hold", reasons=["dust"])
    station.memory.gated["P", "1"] = station.memory.part_set("P", "1")
    assert held(station) == {}
    found = refusal(station)
    assert found.reason.code == "held-for-more"
    assert "dust" in "".join(found.reason.values["others"])


def test_part_that_is_decided_otherwise_meanwhile_is_not_on_hold(station):
    gated = station.memory.part_set("P", "1")
    station.part("1", 2.5, sha256="new")
    station.memory.gated["P", "1"] = gated
    assert refusal(station).reason.code == "not-on-hold"
    assert held(station) == {}


def test_gate_that_is_closed_now_refuses_with_its_reason(station):
    assert refusal(station, at_h=26.1).reason.code == "gate-too-old"
    assert held(station, at_h=26.1) == {"1": "gate-too-old"}


def test_part_whose_instrument_was_not_verified_since_is_refused():
    station = JudgedStation()
    station.part("1", 1.0)
    gate_open = lambda _state: None  # noqa: E731
    with pytest.raises(RequestRefusedError) as caught:
        release_entries(request(), station.memory, gate_open, now=posix(3.0), live_s=LIVE_S)
    assert caught.value.reason == reason(Code.NOT_VERIFIED_SINCE, instrument="gauge-1")
    station.verify(2.0, "reject")
    with pytest.raises(RequestRefusedError) as caught:
        release_entries(request(), station.memory, gate_open, now=posix(3.0), live_s=LIVE_S)
    assert caught.value.reason.code == "not-verified-since"


def test_verification_recorded_before_the_hold_counts_where_it_was_measured_after_the_part():
    station = JudgedStation()
    station.verify(2.0)
    station.part("1", 2.0, at_h=30.0)
    gate_open = lambda _state: None  # noqa: E731
    assert len(release_entries(request(), station.memory, gate_open, now=posix(31.0), live_s=LIVE_S)) == 2
    station.part("2", 2.1, at_h=30.0)
    with pytest.raises(RequestRefusedError, match="P 2"):
        release_entries(request("2"), station.memory, gate_open, now=posix(31.0), live_s=LIVE_S)


def test_verification_of_each_instrument_is_compared_with_what_that_instrument_measured():
    station = JudgedStation()
    station.verify(5.0, instrument="gauge-2")
    station.verify(11.0, instrument="gauge-1")
    both = {"required": ["inside", "outside"], "at_h": 40.0}
    station.part("1", 2.0, feature="outside", instrument="gauge-2", **both)
    station.part("1", 10.0, feature="inside", instrument="gauge-1", **both)
    gate_open = lambda _state: None  # noqa: E731
    assert len(release_entries(request(), station.memory, gate_open, now=posix(41.0), live_s=LIVE_S)) == 2


def test_part_that_may_still_be_at_the_line_is_measured_again_rather_than_released():
    station = JudgedStation()
    station.verify(2.0)
    station.part("1", 2.0, at_h=30.0)
    gate_open = lambda _state: None  # noqa: E731
    at = posix(30.0)
    with pytest.raises(RequestRefusedError) as caught:
        release_entries(request(), station.memory, gate_open, now=at + LIVE_S, live_s=LIVE_S)
    assert caught.value.reason == reason(Code.AT_THE_LINE, live_s=LIVE_S)
    assert len(release_entries(request(), station.memory, gate_open, now=at + LIVE_S + 0.1, live_s=LIVE_S)) == 2


def taken_up(station, read, name="a.json"):
    gate, waiting = gate_of(station, 3.0), {2, 5}
    times = {"now": posix(3.0), "live_s": LIVE_S}
    return take_up(name, read, station.memory, gate, waits=waiting.__contains__, **times)


def test_request_that_is_granted_is_answered_with_the_part_s_new_record(station):
    found = taken_up(station, request)
    assert (found.event, found.refusal) == ("released", None)
    assert found.details == {"part": "P", "serial": "1", "who": "A. Smith", "uid": 1007, "user": "asmith"}
    answer = found.answer(12)
    assert (answer.granted, answer.reason, answer.seq) == (True, "", 12)


def test_refused_request_is_on_record_with_who_wanted_what_and_acknowledges_nothing(station):
    found = taken_up(station, lambda: request("9"))
    (record,) = found.entries
    assert (record.seq, record.matched) == (0, False)
    assert (record.part, record.serial, record.who, record.why) == ("P", "9", "A. Smith", "seen by hand")
    assert (record.user, record.uid) == ("asmith", 1007)
    assert record.reason_code.code == "not-held-for-gate"
    assert record.request is msgspec.UNSET
    assert (found.event, found.details) == ("release-refused", {"reason": record.reason})
    answer = found.answer(12)
    assert (answer.granted, answer.reason, answer.seq) == (False, record.reason, 0)


def test_what_is_no_request_is_on_record_by_the_name_of_its_file(station):
    def read():
        raise RequestRefusedError(reason(Code.NOT_A_REQUEST, text="no JSON"), "x")

    name = "b\udcff" + "n" * 200
    (record,) = taken_up(station, read, name).entries
    assert (record.who, record.part) == ("unknown", msgspec.UNSET)
    assert record.request == ("b?" + "n" * 200)[:100]
    assert record.reason.startswith("x: ")


def acknowledging(seq):
    return Handed(AcknowledgeRequest(seq=seq, who="A. Smith", why="part is in the red bin"), Asker(1007))


def test_person_acknowledges_what_waits_with_reason_and_user(station):
    found = taken_up(station, lambda: acknowledging(5))
    (record,) = found.entries
    assert (record.KIND, record.what, record.seq, record.matched) == ("acknowledgement", "acknowledge", 5, True)
    assert (record.who, record.why) == ("A. Smith", "part is in the red bin")
    assert (record.uid, record.user) == (1007, msgspec.UNSET), "a user without a name is known by the number"
    assert (found.event, found.acknowledges) == ("acknowledged", 5)
    assert found.answer(9).granted


def test_acknowledgement_of_what_does_not_wait_is_on_record_and_changes_nothing(station):
    found = taken_up(station, lambda: acknowledging(7))
    (record,) = found.entries
    assert (record.seq, record.matched, found.acknowledges) == (7, False, 0)
    answer = found.answer(9)
    assert (answer.granted, answer.reason) == (False, "record 7 does not wait for an acknowledgement")


def test_old_request_to_acknowledge_acknowledges_nothing_though_its_record_waits(station):
    def read():
        old = reason(Code.REQUEST_TOO_OLD, record=5, age_s=600.0)
        raise RequestRefusedError(old, handed=acknowledging(5))

    found = taken_up(station, read)
    (record,) = found.entries
    assert (record.seq, record.matched, found.acknowledges) == (0, False, 0)
    assert found.answer(9).reason == "record 5: the request is 600 s old"


def handed(who, uid):
    return Handed(ReleaseRequest(part="P", serial="1", who=who, why="seen by hand"), Asker(uid))


def asked(station, who, uid, at_h=3.0):
    """What a request leads to where two persons are needed, written and folded."""
    taken = take_up(
        "x", lambda: handed(who, uid), station.memory, gate_of(station, at_h),
        waits=lambda _seq: False, now=posix(at_h), live_s=LIVE_S, two_persons=True,
    )  # fmt: skip
    return station.append(taken.entries, at_h)


def test_second_person_at_another_login_releases_what_a_first_one_asked_for(station):
    (first,) = asked(station, "A. Smith", 1007)
    assert (first.reason_code.code, first.who) == (Code.SECOND_PERSON_NEEDED, "A. Smith")
    assert station.memory.part_set("P", "1").disposed == Disposition.HOLD
    answered, body = asked(station, "B. Jones", 1008)
    assert (answered.who, body.disposition) == ("B. Jones", Disposition.ACCEPT)
    assert station.memory.proposed == {}


@pytest.mark.parametrize(("who", "uid"), [("A. Smith", 1008), (" a. smith", 1008), ("B. Jones", 1007)])
def test_same_name_or_the_same_login_is_no_second_person(station, who, uid):
    asked(station, "A. Smith", 1007)
    (again,) = asked(station, who, uid)
    assert again.reason_code.code == Code.SAME_PERSON
    assert station.memory.part_set("P", "1").disposed == Disposition.HOLD


def test_first_request_is_forgotten_when_the_part_is_decided_anew(station):
    asked(station, "A. Smith", 1007)
    station.part("1", 3.5, reasons=["near"], sha256="again")
    station.part("2", 3.6)
    assert station.memory.proposed == {}

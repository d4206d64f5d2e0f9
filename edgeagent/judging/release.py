"""Parts held only for the gate: which they are, and how a person's request releases one of them.

A release is a request to the service, which takes it up within a second. What is on record is the service's
doing: an ``acknowledgement`` that says who and why, and the part's new disposition, with one sync. A request
that is refused is an ``acknowledgement`` too, which changes nothing.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass

from msgspec import UNSET
from msgspec.structs import replace

from edgeagent.judging import bodies
from edgeagent.judging.memory import Memory
from edgeagent.judging.requests import (
    AcknowledgeRequest,
    Asker,
    Handed,
    ReleaseRequest,
    RequestAnswer,
    RequestRefusedError,
)
from edgeagent.model import Disposition
from edgeagent.model.reasons import Code, Reason, reason
from edgeagent.model.records import AnyBody, PersonalAcknowledgement, Release, ReleaseRefusal
from edgeagent.rules.part_set import PartDecision, PartSet, standing
from edgeagent.rules.sentences import sentences


@dataclass(frozen=True, slots=True)
class HeldPart:
    """A part held only for the gate. ``refusal`` is why it cannot be released yet, None when it can.

    ``held_at`` (RFC 3339) and ``why`` are those of the record ``seq`` that holds it, where they are known.
    """

    part: str
    serial: str
    seq: int
    refusal: Reason | None
    held_at: str = ""
    why: str = ""


GateReason = Callable[[PartSet], Reason | None]
"""Why the gate is closed for a part's instruments now; None when it is open."""


@dataclass(frozen=True, slots=True)
class TakenUp:
    """What a request leads to: records, the event for the log with its values, and the answer.

    ``acknowledges`` is the record that waited and does so no longer, 0 for none.
    """

    entries: list[AnyBody]
    event: str
    details: Mapping[str, str | int]
    refusal: str | None
    acknowledges: int = 0

    def answer(self, seq: int) -> RequestAnswer:
        """The answer, once the last of the records has its number."""
        return RequestAnswer(True, "", seq) if self.refusal is None else RequestAnswer(False, self.refusal)


def take_up(
    name: str,
    read: Callable[[], Handed],
    memory: Memory,
    gate: GateReason,
    *,
    waits: Callable[[int], bool],
    now: float,
    live_s: float,
    two_persons: bool = False,
) -> TakenUp:
    """What becomes of one request, by its file's ``name``; whatever ``read`` finds, something goes on record.

    ``read`` may raise RequestRefusedError for what is no request. ``waits`` says whether a record waits for its
    acknowledgement.
    """
    handed = None
    try:
        handed = read()
        request = handed.request
        # An acknowledgement cannot do harm: it changes no disposition, so that no gate is asked.
        if isinstance(request, AcknowledgeRequest):
            return _take_acknowledgement(request, handed.asker, waits=waits(request.seq))
        entries = release_entries(handed, memory, gate, now=now, live_s=live_s, two_persons=two_persons)
    except RequestRefusedError as error:
        # Refusals are on record too: an auditor asks who tried, not only who succeeded.
        refusal, handed = str(error)[:500], handed or error.handed
        if handed is not None and isinstance(handed.request, AcknowledgeRequest):
            return _take_acknowledgement(handed.request, handed.asker, waits=False, refusal=refusal)
        refused = refusal_entry(name, handed, refusal, error.reason)
        return TakenUp([refused], "release-refused", {"reason": refusal}, refusal)
    details = {"part": request.part, "serial": request.serial, "who": request.who, **_user(handed.asker)}
    return TakenUp(entries, "released", details, None)


def _take_acknowledgement(
    request: AcknowledgeRequest, asker: Asker, *, waits: bool, refusal: str | None = None
) -> TakenUp:
    """A person's acknowledgement; one of what does not wait, or refused, is on record and changes nothing."""
    record = PersonalAcknowledgement(
        seq=request.seq if refusal is None else 0,
        who=request.who,
        why=request.why,
        matched=waits,
        user=asker.user or UNSET,
        uid=asker.uid,
    )
    if refusal is None and not waits:
        refusal = sentences([reason(Code.NOTHING_WAITS, record=request.seq)])[0]
    details = {"seq": request.seq, "matched": waits, "who": request.who, **_user(asker)}
    entries: list[AnyBody] = [bodies.fit_to_line(record)]
    return TakenUp(entries, "acknowledged", details, refusal, request.seq if waits else 0)


def _user(asker: Asker) -> dict[str, str | int]:
    """How the log names the operating system's user."""
    return {"uid": asker.uid, **({"user": asker.user} if asker.user else {})}


def refusal_entry(name: str, handed: Handed | None, text: str, reason: Reason) -> ReleaseRefusal:
    """The record of a refused request: who wanted what, and why not. ``name`` is the request's file.

    Its ``seq`` of 0 is no record's number, so that it acknowledges nothing: the lamp forgets no reject by it.
    """
    refused = ReleaseRefusal(seq=0, who="unknown", matched=False, reason=text, reason_code=reason)
    if handed is None or not isinstance(handed.request, ReleaseRequest):
        return bodies.fit_to_line(replace(refused, request=name.encode("utf-8", "replace").decode()[:100]))
    request = handed.request
    return bodies.fit_to_line(
        replace(
            refused,
            who=request.who,
            part=request.part,
            serial=request.serial,
            why=request.why,
            user=handed.asker.user or UNSET,
            uid=handed.asker.uid,
        )
    )


def held_parts(memory: Memory, gate: GateReason, *, now: float, live_s: float) -> Iterator[HeldPart]:
    """All parts that are held for the gate alone, in the order of their records."""
    for key in list(memory.gated):
        state = memory.part_set(*key)
        if _other_reason(state) is None:
            refusal = _unverified(state, memory, gate) or _at_the_line(state, now, live_s)
            yield HeldPart(state.part, state.serial, state.disposed_seq or 0, refusal)


def release_entries(
    handed: Handed, memory: Memory, gate: GateReason, *, now: float, live_s: float, two_persons: bool = False
) -> list[AnyBody]:
    """The records of a release. Raises RequestRefusedError when the part may not be released.

    ``live_s`` is how long a part counts as being at the line: its lamp belongs to it for that long, so it is
    measured again rather than released. A release is therefore always late and does not change the lamp. With
    ``two_persons`` a first request is refused and on record, and another person's releases the part.
    """
    request = handed.request
    assert isinstance(request, ReleaseRequest)
    key = (request.part, request.serial)
    if key not in memory.gated:
        raise RequestRefusedError(reason(Code.NOT_HELD_FOR_GATE, part=request.part, serial=request.serial))
    state = memory.part_set(*key)
    refusal = _other_reason(state) or _unverified(state, memory, gate) or _at_the_line(state, now, live_s)
    # Last, so that the first of two persons learns of every other hindrance before the second is fetched.
    if refusal is None and two_persons:
        refusal = _without_another_person(handed, memory.proposed.get(key))
    if refusal is not None:
        raise RequestRefusedError(refusal, f"{request.part} {request.serial}")
    released = reason(Code.RELEASED_BY, who=request.who, why=request.why)
    # The time of the part's own files: a release is late by that, and leaves the lamp to whoever is there now.
    decision = PartDecision(Disposition.ACCEPT, (released, *_sum_up(state)[1]), _settled_at(state))
    answered = Release(
        seq=state.disposed_seq or 0,
        part=request.part,
        serial=request.serial,
        who=request.who,
        # The lamp's hold is acknowledged by itself; a release answers for the part alone.
        matched=False,
        why=request.why,
        user=handed.asker.user or UNSET,
        uid=handed.asker.uid,
    )
    return [answered, bodies.disposition_body(state, decision, None)]


def _without_another_person(handed: Handed, first: tuple[str, int] | None) -> Reason | None:
    """Why this is not the second of two persons: names are typed, so that the logins must differ as well."""
    if first is None:
        return reason(Code.SECOND_PERSON_NEEDED)
    who, uid = first
    # Either is enough to refuse: one person with two logins, or two names typed at one.
    same = handed.request.who.strip().casefold() == who.strip().casefold() or handed.asker.uid == uid
    return reason(Code.SAME_PERSON, who=who) if same else None


def _sum_up(state: PartSet) -> tuple[Disposition, tuple[Reason, ...]]:
    found = standing(state)
    return found if found is not None else (Disposition.HOLD, (reason(Code.SET_OPEN),))


def _other_reason(state: PartSet) -> Reason | None:
    """What else holds the part beside the gate."""
    if state.disposed != Disposition.HOLD:
        return reason(Code.NOT_ON_HOLD)
    disposition, reasons = _sum_up(state)
    # Without the gate it would be accepted: then nothing else holds it.
    return None if disposition == Disposition.ACCEPT else reason(Code.HELD_FOR_MORE, others=sentences(reasons))


def _settled_at(state: PartSet) -> float:
    return max(r.settled_at for r in state.results.values())


def _at_the_line(state: PartSet, now: float, live_s: float) -> Reason | None:
    return None if now - _settled_at(state) > live_s else reason(Code.AT_THE_LINE, live_s=live_s)


def _unverified(state: PartSet, memory: Memory, gate: GateReason) -> Reason | None:
    """Why no passed verification followed: one recorded after the hold, or measured after the part."""
    closed = gate(state)
    if closed is not None:
        return closed
    for instrument in sorted({r.source.instrument for r in state.results.values()}):
        last = memory.verified.get(instrument)
        times = [r.measured_at for r in state.results.values() if r.source.instrument == instrument]
        # One that was measured after the part counts, although its record may be older than the hold's.
        newer = last is not None and all(at is not None and last.at >= at for at in times)
        if last is None or not last.passed or (last.seq < (state.disposed_seq or 0) and not newer):
            return reason(Code.NOT_VERIFIED_SINCE, instrument=instrument)
    return None

"""From measurements to the records that decide: what the rules say, with what the service remembers."""

from __future__ import annotations

import math
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta

from edgeagent.judging import bodies
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.memory import Memory, unclosed_reason
from edgeagent.model import Disposition
from edgeagent.model.reasons import Code, Reason, reason
from edgeagent.model.records import (
    AnyBody,
    Measurement,
    Outcome,
    PartDisposition,
    Verification,
    given,
    reasons_of,
)
from edgeagent.rules.gate import (
    Verified,
    around,
    clock_doubt,
    closed_reason,
    counted_from,
    since_failure,
    uncovered_reason,
    with_verification,
)
from edgeagent.rules.part_set import FeatureResult, PartDecision, PartSet, decide

Entries = list[AnyBody]
"""Bodies of the records to be written."""


def part_entries(
    body: Measurement, seq: int, memory: Memory, configuration: Configuration, now: float
) -> Entries:
    """The part's disposition record that follows from a measurement, if any.

    The measurement is folded into a copy of the part's set as the record ``seq`` that it will be, so that
    both are written with one sync.
    """
    state = memory.set_with(seq, body, now)
    # Whether its time is up is not for the wall clock to say, which may have been set since.
    return decision_entries(state, memory, configuration, now, timeout_s=math.inf)


def decision_entries(
    state: PartSet,
    memory: Memory,
    configuration: Configuration,
    now: float,
    *,
    timeout_s: float | None = None,
) -> Entries:
    """The disposition record of a part, if there is something new to say; the gate may turn it into a hold.

    ``timeout_s`` is how long an incomplete set may wait by ``now``, if not as configured.
    """
    # 0 and infinity are times as well.
    given_s = configuration.settings.decision.set_timeout_s if timeout_s is None else timeout_s
    decision = decide(state, now, given_s)
    if decision is None:
        return []
    gate = None
    if decision.disposition == Disposition.ACCEPT:
        gate = gate_reason(state, memory, configuration, now)
        if gate is not None:
            # The gate only ever turns an accept into a hold: a reject needs no proof of the instrument.
            decision = PartDecision(Disposition.HOLD, (gate, *decision.reasons), decision.settled_at)
    return [bodies.disposition_body(state, decision, gate)]


def open_reason(state: PartSet, memory: Memory, configuration: Configuration, now: float) -> Reason | None:
    """Why no part of these instruments may be accepted or released at ``now``; None when the gate is open."""
    wanted = configuration.settings.verification
    if wanted is None:
        return None
    # The certificates in force are older than those on disk: which of them is right, only a person knows.
    if wanted.max_age_h is not None and memory.certificate_refused is not None:
        return reason(Code.GATE_CERTIFICATE_REFUSED, text=memory.certificate_refused)
    # A verification counts only under the certificate that is in force now.
    certificate = configuration.certificates.get(wanted.artefact)
    # Every instrument that measured a trace of the part must be proved, not only the last one.
    for instrument in _instruments(state):
        closed = closed_reason(
            memory.verified.get(instrument),
            wanted.artefact,
            wanted.max_age_h,
            instrument,
            now,
            certificate[1].sha256 if certificate is not None else None,
        )
        if closed is not None:
            return closed
    return None


def gate_reason(state: PartSet, memory: Memory, configuration: Configuration, now: float) -> Reason | None:
    """Why this part may not be accepted at ``now``, None when nothing speaks against it.

    The gate must be open for each of its instruments, and each of its traces covered by the verifications
    before and after it. A part that the gate holds is not accepted by a copy of what was held.
    """
    wanted = configuration.settings.verification
    closed = open_reason(state, memory, configuration, now)
    if wanted is None or closed is not None:
        return closed
    # Handing in a copy of a held file must not be a way around the gate.
    again = [state.results[f] for f in state.remeasured if f in state.results]
    if (state.part, state.serial) in memory.gated and again and all(r.copied for r in again):
        return reason(Code.GATE_COPY, trace=again[0].feature)
    for result in state.results.values():
        history = memory.verifications.get(result.source.instrument)
        # Nothing is known of that time; whether the gate is open now was asked above.
        if history is None or result.measured_at is None:
            continue
        uncovered = uncovered_reason(
            history.past,
            result.feature,
            result.measured_at,
            result.seq,
            wanted.artefact,
            wanted.max_age_h,
            result.source.instrument,
            now,
        )
        if uncovered is not None:
            return uncovered
    return None


def _instruments(state: PartSet) -> list[str]:
    return sorted({r.source.instrument for r in state.results.values()})


def verification_entry(body: Measurement, memory: Memory, configuration: Configuration) -> Verification:
    """The ``verification`` record of an artefact's measurement; files of one set count together.

    It has not passed where it is no verification: of another artefact than is asked for, a copy of a file that
    was one already, or measured at a time that cannot be. What is older than what is known already, or too
    noisy to tell, has no errors for the budget to count.
    """
    began = datetime.fromisoformat(body.trace.measured_at)
    against, affects_gate, new = _speaks_against(body, memory, configuration)
    counted = None
    # A band of the artefact a file: each is incomplete alone, together they are one verification.
    if given(body.incomplete, False) and not against:
        first = _set_counted_from(body, memory, began)
        if first is not None:
            began = datetime.fromtimestamp(first, UTC)
            counted = began.isoformat()
    outcome = _outcome(body, against=bool(against), affects_gate=affects_gate, together=counted is not None)
    own = reasons_of(body)
    found = configuration.certificates.get(given(body.trace.artefact, ""))
    if found is not None:
        own = bodies.named_by_file(own, found[1].name)
    # Only what closes the gate throws doubt on parts.
    doubted = _doubted_parts(body, memory, began) if outcome == Outcome.FAILED else []
    return bodies.verification_body(
        body,
        outcome,
        (*against, *own, *doubted),
        certificate=found[0].certificate if found is not None else None,
        valid_until=_valid_until(began, configuration) if outcome == Outcome.PASSED else None,
        counted_from=counted,
        new=new and outcome != Outcome.INCONCLUSIVE,
    )


def _whole(body: Measurement) -> bool:
    """Whether the file shows every certified wave that it must."""
    return not given(body.incomplete, False)


def _outcome(body: Measurement, *, against: bool, affects_gate: bool, together: bool) -> Outcome:
    """The one place where it is said what becomes of a verification."""
    # First of all: what is no verification must not close the gate, whatever its values are.
    if not affects_gate:
        return Outcome.DISREGARDED
    # Lost waves and waves that another file shows look alike; the certificate says which it is.
    if not _whole(body) and not together:
        return Outcome.LOST if given(body.partial, False) else Outcome.INCOMPLETE
    if body.disposition == Disposition.HOLD and given(body.too_noisy, False) and not against:
        return Outcome.INCONCLUSIVE
    passed = (body.disposition == Disposition.ACCEPT or together) and not against
    return Outcome.PASSED if passed else Outcome.FAILED


def artefact_entries(
    body: Measurement, seq: int, memory: Memory, configuration: Configuration, now: float
) -> Entries:
    """The records that follow from an artefact's measurement, and in the journal on record ``seq``.

    Its verification; and where that failed, a hold for each part that was accepted although it was measured
    after it, because its file was read before the artefact's.
    """
    verification = verification_entry(body, memory, configuration)
    entries: Entries = [verification]
    wanted = configuration.settings.verification
    if wanted is None or wanted.max_age_h is None or verification.outcome != Outcome.FAILED:
        return entries
    instrument = body.instrument
    at = datetime.fromisoformat(body.trace.measured_at).timestamp()
    doubt = clock_doubt(at, now, memory.measured_last.get(instrument))
    # With a clock in doubt nobody can say which parts were measured after it.
    if doubt is None:
        # The verification's own record comes next in the journal, so that its number is known already.
        failed = Verified(verification.artefact, Outcome.FAILED, at, seq + 1)
        past = with_verification(memory.verifications.get(instrument), failed, now).past
        entries += [
            _withdrawal(state, feature, instrument, seq + 1)
            for state in list(memory.sets.values())
            if (feature := _measured_after(state, instrument, past, seq + 1)) is not None
        ]
    return entries


def _measured_after(state: PartSet, instrument: str, past: Sequence[Verified], seq: int) -> str | None:
    """The trace of an accepted part for which the verification ``seq`` is the one before it."""
    if state.disposed != Disposition.ACCEPT:
        return None
    for result in state.results.values():
        if result.source.instrument == instrument and result.measured_at is not None:
            before = around(past, result.measured_at, result.seq)[0]
            # Only where this failure is the nearest before the part: a pass between them covers it.
            if before is not None and before.seq == seq:
                return result.feature
    return None


def _withdrawal(state: PartSet, feature: str, instrument: str, seq: int) -> PartDisposition:
    gate = reason(Code.GATE_AFTER_FAILURE, trace=feature, instrument=instrument, seq=seq, ground="failed")
    # That of the part's newest file: a withdrawal is live as long as the part may still be at the line.
    settled_at = max(r.settled_at for r in state.results.values())
    reasons = (gate, reason(Code.ACCEPTED_BEFORE_FAILURE_WAS_READ))
    return bodies.disposition_body(state, PartDecision(Disposition.HOLD, reasons, settled_at), gate)


def _doubted_parts(body: Measurement, memory: Memory, began: datetime) -> list[Reason]:
    """The accepted parts that a failed verification throws doubt on; empty where there are none.

    They were measured by its instrument since the last verification that passed: nobody knows since when it
    was wrong. Among them may be one whose file was read a moment before the artefact's.
    """
    instrument = body.instrument
    history = memory.verifications.get(instrument)
    # By time of measuring: a pass that was measured later says nothing of the time before the failure.
    passed = [v for v in history.past if v.passed and v.at <= began.timestamp()] if history else []
    since, recorded = (passed[-1].at, passed[-1].seq) if passed else (-math.inf, 0)
    found = [
        f"{state.part} {state.serial}"
        for state in memory.sets.values()
        if state.disposed == Disposition.ACCEPT
        and any(_since(r, instrument, since, recorded) for r in state.results.values())
    ]
    if not found:
        return []
    # The newest first: those are most likely still in the building.
    newest = found[: -_DOUBTED_SHOWN - 1 : -1]
    return [reason(Code.ACCEPTED_SINCE, since=recorded, parts=newest, more=len(found) - len(newest))]


_DOUBTED_SHOWN = 5


def _since(result: FeatureResult, instrument: str, measured: float, recorded: int) -> bool:
    """Whether a trace was measured or put on record since then: a clock that is wrong must not hide it."""
    measured_at = result.measured_at if result.measured_at is not None else math.inf
    return result.source.instrument == instrument and (measured_at >= measured or result.seq > recorded)


def _speaks_against(
    body: Measurement, memory: Memory, configuration: Configuration
) -> tuple[list[Reason], bool, bool]:
    """Why an artefact's trace is no verification, whatever its values are.

    Returns (reasons, affects_gate, updates_deviations).
    """
    wanted, artefact = configuration.settings.verification, given(body.trace.artefact, "")
    unclosed = unclosed_reason(body.source)
    # What is wrong in the part that is there stays wrong; what is good may still change.
    if unclosed is not None and body.disposition != Disposition.REJECT:
        return [unclosed], False, False
    # A copy of yesterday's good file would otherwise keep the gate open for ever.
    copied = memory.verifying.get((str(body.source.sha256), body.certificate_sha256))
    if copied is not None:
        return [reason(Code.COPY_OF_VERIFICATION, seq=copied)], False, False
    # Another artefact proves nothing of this one's waves, but what it shows wrong is wrong.
    if wanted is not None and artefact != wanted.artefact:
        other = reason(Code.ARTEFACT_NOT_ASKED_FOR, wanted=wanted.artefact, artefact=artefact)
        return [other], body.disposition == Disposition.REJECT, True
    measured_at = datetime.fromisoformat(body.trace.measured_at).timestamp()
    doubt = clock_doubt(measured_at, body.decided_at, memory.measured_last.get(body.instrument))
    if doubt is not None:
        clock = reason(Code.VERIFICATION_CLOCK, **doubt.values, doubt=doubt.code, file=body.source.name)
        return [clock], True, True
    last = memory.verified.get(body.instrument)
    # A good file from before a failure arrives late: it cannot take the failure back.
    good = body.disposition == Disposition.ACCEPT or not _whole(body)
    failed = last is not None and last.outcome == Outcome.FAILED and last.doubt is None
    if good and last is not None and failed and measured_at < last.at:
        return [reason(Code.BEFORE_FAILED_VERIFICATION, seq=last.seq)], False, False
    return [], True, True


def _set_counted_from(body: Measurement, memory: Memory, began: datetime) -> float | None:
    seen = memory.sightings.get((body.instrument, given(body.trace.artefact, "")), {})
    # Waves seen before a failure prove nothing after it.
    seen = since_failure(seen, memory.verifications.get(body.instrument))
    return counted_from(
        given(body.missing_upr, ()),
        seen,
        body.certificate_sha256,
        began.timestamp(),
        3600.0 * given(body.window_h, 0.0),
        partial=given(body.partial, False),
    )


def _valid_until(began: datetime, configuration: Configuration) -> str | None:
    wanted = configuration.settings.verification
    if wanted is None or wanted.max_age_h is None:
        return None
    return (began + timedelta(hours=wanted.max_age_h)).isoformat().replace("+00:00", "Z")

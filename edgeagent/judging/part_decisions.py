"""From measurements to the records that decide: what the rules say, with what the service remembers."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from typing import Any

from edgeagent.judging import bodies
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.memory import Memory, feature_result, unclosed_reason
from edgeagent.model import Disposition
from edgeagent.rules.gate import (
    Verified,
    around,
    clock_doubt,
    closed_reason,
    counted_from,
    noted,
    since_failure,
    uncovered_reason,
)
from edgeagent.rules.part_set import FeatureResult, PartDecision, PartSet, decide, measured

Entries = list[tuple[str, Mapping[str, Any]]]
"""Records to be written, as kind and body."""


def part_entries(
    body: Mapping[str, Any], seq: int, memory: Memory, configuration: Configuration, now: float
) -> Entries:
    """The part's disposition record that follows from a measurement, if any.

    The measurement is folded into a copy of the part's set as the record ``seq`` that it will be, so that
    both are written with one sync.
    """
    trace = body["trace"]
    state = memory.part_set(str(trace["part"]), str(trace["serial"]))
    state = measured(state, feature_result(seq, body), tuple(body["required"]), now)
    return decision_entries(state, memory, configuration, now)


def decision_entries(state: PartSet, memory: Memory, configuration: Configuration, now: float) -> Entries:
    """The disposition record of a part, if there is something new to say; the gate may turn it into a hold."""
    decision = decide(state, now, configuration.settings.decision.set_timeout_s)
    if decision is None:
        return []
    gate = None
    if decision.disposition == Disposition.ACCEPT:
        gate = gate_reason(state, memory, configuration, now)
        if gate is not None:
            decision = PartDecision(Disposition.HOLD, (gate, *decision.reasons), decision.settled_at)
    return [("disposition", bodies.disposition_body(state, decision, gate))]


def open_reason(state: PartSet, memory: Memory, configuration: Configuration, now: float) -> str | None:
    """Why no part of these instruments may be accepted or released at ``now``; None when the gate is open."""
    wanted = configuration.settings.verification
    if wanted is None:
        return None
    if wanted.max_age_h is not None and memory.certificate_refused is not None:
        return f"gate: a certificate was refused: {memory.certificate_refused}"
    certificate = configuration.certificates.get(wanted.artefact)
    for instrument in _instruments(state):
        reason = closed_reason(
            memory.verified.get(instrument),
            wanted.artefact,
            wanted.max_age_h,
            instrument,
            now,
            certificate[1].sha256 if certificate is not None else None,
        )
        if reason is not None:
            return reason
    return None


def gate_reason(state: PartSet, memory: Memory, configuration: Configuration, now: float) -> str | None:
    """Why this part may not be accepted at ``now``, None when nothing speaks against it.

    The gate must be open for each of its instruments, and each of its traces covered by the verifications
    before and after it. A part that the gate holds is not accepted by a copy of what was held.
    """
    wanted = configuration.settings.verification
    closed = open_reason(state, memory, configuration, now)
    if wanted is None or closed is not None:
        return closed
    again = [state.results[f] for f in state.remeasured if f in state.results]
    if (state.part, state.serial) in memory.gated and again and all(r.copied for r in again):
        return f"gate: {again[0].feature} is a copy of what was held: measure the part again, or release it"
    for result in state.results.values():
        history = memory.verifications.get(str(result.source["instrument"]))
        if history is None or result.measured_at is None:
            continue
        reason = uncovered_reason(
            history.past,
            result.feature,
            result.measured_at,
            result.seq,
            wanted.artefact,
            wanted.max_age_h,
            str(result.source["instrument"]),
            now,
        )
        if reason is not None:
            return reason
    return None


def _instruments(state: PartSet) -> list[str]:
    return sorted({str(r.source["instrument"]) for r in state.results.values()})


def verification_entry(body: Mapping[str, Any], memory: Memory, configuration: Configuration) -> dict[str, Any]:
    """The ``verification`` record of an artefact's measurement; files of one set count together.

    It has not passed where it is no verification: of another artefact than is asked for, a copy of a file that
    was one already, or measured at a time that cannot be. A ``counts`` of False says that it leaves the gate
    as it is. What is older than what is known already has no errors for the budget to count.
    """
    began = datetime.fromisoformat(body["trace"]["measured_at"])
    against, counts, new = _speaks_against(body, memory, configuration)
    counted = None
    if body.get("incomplete") and not against:
        first = _set_counted_from(body, memory, began)
        if first is not None:
            began = datetime.fromtimestamp(first, UTC)
            counted = began.isoformat()
    told = bodies.verification_body(body, None, counted)
    passed = told["passed"] and not against
    found = configuration.certificates.get(str(body["trace"]["artefact"]))
    if found is not None:
        certificate, document = found
        told["certificate"] = certificate.certificate
        named = f"certificate {certificate.certificate}:"
        told["reasons"] = [f"{document.name}: {r}" if r.startswith(named) else r for r in told["reasons"]]
    doubted = [] if passed or not counts or told.get("incomplete") else _doubted_parts(body, memory, began)
    told |= {"passed": passed, "reasons": [*against, *told["reasons"], *doubted]}
    told["valid_until"] = _valid_until(began, configuration) if passed else None
    if not new:
        told["errors_nm"] = {}
    return bodies.fitted(told if counts else {**told, "counts": False})


def artefact_entries(
    body: Mapping[str, Any], seq: int, memory: Memory, configuration: Configuration, now: float
) -> Entries:
    """The records that follow from an artefact's measurement, and in the journal on record ``seq``.

    Its verification; and where that failed, a hold for each part that was accepted although it was measured
    after it, because its file was read before the artefact's.
    """
    told = verification_entry(body, memory, configuration)
    entries: Entries = [("verification", told)]
    wanted = configuration.settings.verification
    if wanted is None or wanted.max_age_h is None:
        return entries
    if told["passed"] or told.get("incomplete") or not told.get("counts", True):
        return entries
    instrument = str(body["instrument"])
    at = datetime.fromisoformat(body["trace"]["measured_at"]).timestamp()
    doubt = clock_doubt(at, now, memory.measured_last.get(instrument))
    if doubt is None:
        failed = Verified(str(told["artefact"]), False, at, seq + 1)
        past = noted(memory.verifications.get(instrument), failed, now).past
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
        if str(result.source["instrument"]) == instrument and result.measured_at is not None:
            before = around(past, result.measured_at, result.seq)[0]
            if before is not None and before.seq == seq:
                return result.feature
    return None


def _withdrawal(state: PartSet, feature: str, instrument: str, seq: int) -> tuple[str, Mapping[str, Any]]:
    gate = f"gate: {feature} was measured after a failed verification of {instrument} (record {seq})"
    reasons = (gate, "accepted before, since the failed verification was read later")
    settled_at = max(r.settled_at for r in state.results.values())
    return "disposition", bodies.disposition_body(
        state, PartDecision(Disposition.HOLD, reasons, settled_at), gate
    )


def _doubted_parts(body: Mapping[str, Any], memory: Memory, measured: datetime) -> list[str]:
    """In words, the accepted parts that a failed verification throws doubt on; empty where there are none.

    They were measured by its instrument since the last verification that passed: nobody knows since when it
    was wrong. Among them may be one whose file was read a moment before the artefact's.
    """
    instrument = str(body["instrument"])
    history = memory.verifications.get(instrument)
    passed = [v for v in history.past if v.passed and v.at <= measured.timestamp()] if history else []
    since, recorded = (passed[-1].at, passed[-1].seq) if passed else (-math.inf, 0)
    found = [
        f"{state.part} {state.serial}"
        for state in memory.sets.values()
        if state.disposed == Disposition.ACCEPT
        and any(_since(r, instrument, since, recorded) for r in state.results.values())
    ]
    if not found:
        return []
    last = f"the verification of record {passed[-1].seq} passed" if passed else "the beginning"
    newest = found[: -_DOUBTED_SHOWN - 1 : -1]
    more = [f"and {len(found) - len(newest)} more"] if len(found) > len(newest) else []
    return [f"accepted since {last}, and to be looked at again: {', '.join([*newest, *more])}"]


_DOUBTED_SHOWN = 5


def _since(result: FeatureResult, instrument: str, measured: float, recorded: int) -> bool:
    """Whether a trace was measured or put on record since then: a clock that is wrong must not hide it."""
    measured_at = result.measured_at if result.measured_at is not None else math.inf
    return str(result.source["instrument"]) == instrument and (measured_at >= measured or result.seq > recorded)


def _speaks_against(
    body: Mapping[str, Any], memory: Memory, configuration: Configuration
) -> tuple[list[str], bool, bool]:
    """Why an artefact's trace is no verification, whatever its values are.

    Also whether the gate minds it, and whether it tells anything new of the instrument.
    """
    wanted, artefact = configuration.settings.verification, str(body["trace"]["artefact"])
    source = body["source"]
    unclosed = unclosed_reason(source)
    if unclosed is not None and body["disposition"] != Disposition.REJECT:
        return [unclosed], False, False
    copied = memory.verifying.get((str(source["sha256"]), body["certificate_sha256"]))
    if copied is not None:
        return [f"the file is a copy of that of record {copied}: it proves nothing new"], False, False
    if wanted is not None and artefact != wanted.artefact:
        told = f"[verification] asks for artefact {wanted.artefact}, this is {artefact}"
        return [told], body["disposition"] == Disposition.REJECT, True
    instrument = str(body["instrument"])
    measured_at = datetime.fromisoformat(body["trace"]["measured_at"]).timestamp()
    doubt = clock_doubt(measured_at, float(body["decided_at"]), memory.measured_last.get(instrument))
    if doubt is not None:
        return [f"{source['name']}: header measured_at: {doubt}"], True, True
    last = memory.verified.get(instrument)
    good = body["disposition"] == Disposition.ACCEPT or body.get("incomplete", False)
    failed = last is not None and not last.passed and not last.partial and last.doubt is None
    if good and last is not None and failed and measured_at < last.at:
        return [f"it was measured before the failed verification of record {last.seq}"], False, False
    return [], True, True


def _set_counted_from(body: Mapping[str, Any], memory: Memory, began: datetime) -> float | None:
    instrument = str(body["instrument"])
    seen = memory.sightings.get((instrument, str(body["trace"]["artefact"])), {})
    seen = since_failure(seen, memory.verifications.get(instrument))
    window_s = 3600.0 * float(body["window_h"])
    return counted_from(
        body["missing_upr"],
        seen,
        body["certificate_sha256"],
        began.timestamp(),
        window_s,
        partial=bool(body.get("partial", False)),
    )


def _valid_until(began: datetime, configuration: Configuration) -> str | None:
    wanted = configuration.settings.verification
    if wanted is None or wanted.max_age_h is None:
        return None
    return (began + timedelta(hours=wanted.max_age_h)).isoformat().replace("+00:00", "Z")

"""From journal records to MQTT messages: everything published can be derived from the journal alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import msgspec
from msgspec import UNSET

from edgeagent.model import Disposition
from edgeagent.model.records import (
    AnyBody,
    Measurement,
    Outcome,
    PartDisposition,
    Quarantine,
    Recovery,
    Verification,
    given,
)
from edgeagent.rules.sentences import plain_sentence

_MEASUREMENT_KEYS = ("source", "trace", "recipe", "characteristics", "disposition", "reasons")
_DISPOSITION_KEYS = (
    "part",
    "serial",
    "disposition",
    "reasons",
    "characteristics",
    "sources",
    "remeasured",
    "replaces",
)
_VERIFICATION_KEYS = (
    "artefact",
    "certificate",
    "instrument",
    "outcome",
    "passed",
    "reasons",
    "characteristics",
    "measured_at",
    "valid_until",
    "source",
)
_ALARM_KEYS = (
    "source",
    "part",
    "serial",
    "artefact",
    "feature",
    "instrument",
    "characteristic",
    "chart",
    "side",
    "value",
    "unit",
    "folder",
)
"""Whom or what an alarm is about, where its record says so; ``side`` is the way in which a series drifts."""


@dataclass(frozen=True, slots=True)
class Outgoing:
    """One message below the prefix. ``shows`` is what the lamp takes over with it: a quarantine is a hold.

    ``expires_at`` (POSIX seconds) is when it ceases to act, None for never.
    """

    topic: str
    payload: Mapping[str, Any]
    retain: bool
    shows: Disposition | None = None
    expires_at: float | None = None


def messages(body: AnyBody, stamp: Mapping[str, Any], *, now: float, live_s: float) -> tuple[Outgoing, ...]:
    """The messages that one journal record gives rise to, in order; none for records of the agent's own.

    ``stamp`` holds ``boot``, ``seq``, ``head`` and ``time``, which every payload carries. A disposition
    that reaches the line more than ``live_s`` after its file settled is late: it says so, leaves the lamp
    alone, and a late reject or hold raises an alarm, because the part has moved on. A part that the closed gate
    holds raises one too, which says why.
    """
    match body:
        case Measurement():
            return (Outgoing("measurement", {**stamp, **_pick(body, _MEASUREMENT_KEYS)}, retain=False),)
        case PartDisposition():
            return _disposition(body, stamp, now=now, live_s=live_s)
        case Verification():
            return _verification(body, stamp)
        case Quarantine():
            alarm = _alarm(stamp, "quarantine", body.reason, body)
            # An old file's part has left the station: an alarm, and no hold of the lamp.
            holds = now - body.settled_at <= live_s and given(body.holds, True)
            alarm = replace(alarm, payload={**alarm.payload, "holds": holds})
            return (replace(alarm, shows=Disposition.HOLD) if holds else alarm,)
        case Recovery():
            return (_alarm(stamp, body.what, body.reason, body),)
        case _:
            return ()


def _verification(body: Verification, stamp: Mapping[str, Any]) -> tuple[Outgoing, ...]:
    outcome = body.outcome
    # What neither opens nor closes the gate must not take the place of what does, for whoever asks later.
    affects_gate = outcome in (Outcome.PASSED, Outcome.FAILED, Outcome.LOST)
    message = Outgoing("verification", {**stamp, **_pick(body, _VERIFICATION_KEYS)}, retain=affects_gate)
    if outcome == Outcome.PASSED:
        return (message,)
    alarm = "incomplete" if outcome == Outcome.LOST else outcome.value
    return message, _alarm(stamp, f"verification-{alarm}", "; ".join(body.reasons), body)


def _disposition(
    body: PartDisposition, stamp: Mapping[str, Any], *, now: float, live_s: float
) -> tuple[Outgoing, ...]:
    payload = {**stamp, **_pick(body, _DISPOSITION_KEYS)}
    age = now - body.settled_at
    gate = body.gate_reason
    closed = () if gate is None else (_alarm(stamp, "gate-closed", plain_sentence(gate), body),)
    if age <= live_s:
        return Outgoing("disposition", payload, retain=True, shows=body.disposition), *closed
    # Retained all the same: whoever connects later must find the last disposition, and that it is late.
    late = Outgoing("disposition", {**payload, "late": True, "age_s": round(age, 3)}, retain=True)
    # A late accept changes nothing for a part that has moved on.
    if body.disposition == Disposition.ACCEPT:
        return (late,)
    words = f"{body.part} {body.serial} was decided {body.disposition.value} but sent {age:.0f} s late"
    return late, _alarm(stamp, f"late-{body.disposition.value}", words, body), *closed


def _alarm(stamp: Mapping[str, Any], alarm: str, reason: str, body: AnyBody) -> Outgoing:
    return Outgoing(
        "alarm", {**stamp, "alarm": alarm, "reason": reason, **_pick(body, _ALARM_KEYS)}, retain=False
    )


def _pick(body: AnyBody, keys: tuple[str, ...]) -> dict[str, Any]:
    """Members of a body by name, those left out that its record does not have."""
    members = ((key, getattr(body, key, UNSET)) for key in keys)
    return {key: msgspec.to_builtins(value) for key, value in members if value is not UNSET}

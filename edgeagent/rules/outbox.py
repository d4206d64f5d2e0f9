"""From journal records to MQTT messages: everything published can be derived from the journal alone."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from edgeagent.model import Disposition

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


def messages(
    kind: str, body: Mapping[str, Any], stamp: Mapping[str, Any], *, now: float, live_s: float
) -> tuple[Outgoing, ...]:
    """The messages that one journal record gives rise to, in order; none for records of the agent's own.

    ``stamp`` holds ``boot``, ``seq``, ``head`` and ``time``, which every payload carries. A disposition
    that reaches the line more than ``live_s`` after its file settled is late: it says so, leaves the lamp
    alone, and a late reject or hold raises an alarm, because the part has moved on. A part that the closed gate
    holds raises one too, which says why.
    """
    if kind == "measurement":
        return (Outgoing("measurement", {**stamp, **_picked(body, _MEASUREMENT_KEYS)}, retain=False),)
    if kind == "disposition":
        return _disposition(body, stamp, now=now, live_s=live_s)
    if kind == "verification":
        # What neither opens nor closes the gate must not take the place of what does, for whoever asks later.
        incomplete = bool(body.get("incomplete", False))
        minded = bool(body.get("counts", True)) and (not incomplete or bool(body.get("partial", False)))
        told = Outgoing("verification", {**stamp, **_picked(body, _VERIFICATION_KEYS)}, retain=minded)
        if body.get("passed"):
            return (told,)
        what = "incomplete" if incomplete else "failed" if minded else "disregarded"
        return told, _alarm(stamp, f"verification-{what}", "; ".join(body.get("reasons", ())), body)
    if kind == "quarantine":
        alarm = _alarm(stamp, "quarantine", str(body.get("reason", "")), body)
        live = now - float(body.get("settled_at", 0.0)) <= live_s
        holds = live and bool(body.get("holds", True))
        alarm = replace(alarm, payload={**alarm.payload, "holds": holds})
        return (replace(alarm, shows=Disposition.HOLD) if holds else alarm,)
    if kind == "recovery":
        return (_alarm(stamp, str(body.get("what", "recovery")), str(body.get("reason", "")), body),)
    return ()


def _disposition(
    body: Mapping[str, Any], stamp: Mapping[str, Any], *, now: float, live_s: float
) -> tuple[Outgoing, ...]:
    disposition = Disposition(body["disposition"])
    payload = {**stamp, **_picked(body, _DISPOSITION_KEYS)}
    age = now - float(body["settled_at"])
    gate = body.get("gate")
    closed = () if gate is None else (_alarm(stamp, "gate-closed", str(gate).removeprefix("gate: "), body),)
    if age <= live_s:
        return Outgoing("disposition", payload, retain=True, shows=disposition), *closed
    told = Outgoing("disposition", {**payload, "late": True, "age_s": round(age, 3)}, retain=True)
    if disposition == Disposition.ACCEPT:
        return (told,)
    words = f"{body['part']} {body['serial']} was decided {disposition.value} but told {age:.0f} s late"
    return told, _alarm(stamp, f"late-{disposition.value}", words, body), *closed


def _alarm(stamp: Mapping[str, Any], alarm: str, reason: str, body: Mapping[str, Any]) -> Outgoing:
    return Outgoing(
        "alarm", {**stamp, "alarm": alarm, "reason": reason, **_picked(body, _ALARM_KEYS)}, retain=False
    )


def _picked(body: Mapping[str, Any], keys: tuple[str, ...]) -> dict[str, Any]:
    return {key: body[key] for key in keys if key in body}

"""From measurements to the records that decide: what the rules say, with what the service remembers."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import Any

from edgeagent.model import Disposition
from edgeagent.rules.gate import closed_reason, counted_from
from edgeagent.rules.part_set import PartDecision, PartSet, decide, measured
from edgeagent.shell import bodies
from edgeagent.shell.configuration import Configuration
from edgeagent.shell.evaluate import Rulebook, instrument_uncertainty
from edgeagent.shell.memory import Memory, feature_result

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
    key = (str(trace["part"]), str(trace["serial"]))
    state = memory.sets.get(key, PartSet(*key))
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


def gate_reason(state: PartSet, memory: Memory, configuration: Configuration, now: float) -> str | None:
    """Why this part may not be accepted at ``now``, None when nothing speaks against it."""
    wanted = configuration.settings.verification
    if wanted is None:
        return None
    for instrument in sorted({str(r.source["instrument"]) for r in state.results.values()}):
        last = memory.verified.get(instrument)
        reason = closed_reason(last, wanted.artefact, wanted.max_age_h, instrument, now)
        if reason is not None:
            return reason
    return None


def verification_entry(body: Mapping[str, Any], memory: Memory, configuration: Configuration) -> dict[str, Any]:
    """The ``verification`` record of an artefact's measurement; files of one set count together."""
    wanted = configuration.settings.verification
    began = datetime.fromisoformat(body["trace"]["measured_at"])
    until = counted = None
    if body.get("incomplete"):
        seen = memory.sightings.get((str(body["instrument"]), str(body["trace"]["artefact"])), {})
        first = counted_from(
            body["missing_upr"],
            seen,
            body["certificate_sha256"],
            began.timestamp(),
            3600.0 * float(body["window_h"]),
        )
        if first is not None:
            began = datetime.fromtimestamp(first, UTC)
            counted = began.isoformat()
    if wanted is not None and wanted.max_age_h is not None:
        moment = began + timedelta(hours=wanted.max_age_h)
        until = moment.isoformat().replace("+00:00", "Z")
    return bodies.verification_body(body, until, counted)


def rules_now(rules: Rulebook, memory: Memory, configuration: Configuration) -> Rulebook:
    """The rules, with what the last verification found where the budget counts the artefact."""
    stated = configuration.settings.uncertainty
    if stated is None or stated.artefact is None:
        return rules
    errors = memory.artefact_errors_nm.get((configuration.settings.station.name, stated.artefact), {})
    return replace(rules, uncertainty=instrument_uncertainty(configuration, errors))

"""What a record says otherwise than what follows from the records and bytes before it, member by member."""

from __future__ import annotations

from collections.abc import Collection, Iterator
from typing import Any

import msgspec

from edgeagent.codec.records.record import encode_body
from edgeagent.judging.agreement import beyond_rounding
from edgeagent.judging.bodies import CUTS, LAST_CUTS
from edgeagent.judging.evaluation.evaluate import Evaluation
from edgeagent.model.records import AnyBody, Measurement, given

_CUT = {(name if name != "reasons" else "reason_codes", count) for name, count in (*CUTS, *LAST_CUTS)}
"""Lists of which a record may hold only so many: what follows may have longer texts and be cut elsewhere."""
_SENTENCES = frozenset({"gate", "reasons"})
"""Readable copies of codes, which nothing compares."""
_SHOWN = 5


def unlike_members(
    recorded: AnyBody, derived: AnyBody, without: Collection[str] = (), *, shared_only: bool
) -> Iterator[str]:
    """Each member that is otherwise in the record than derived, but for rounding and wording, in words.

    ``shared_only`` passes members over that only one of both has: another version wrote the record.
    """
    left_out = _SENTENCES | set(without)
    was, now = (_plain(body, left_out) for body in (recorded, derived))
    for name, length in _CUT:
        if name in was and name in now and length == min(len(was[name]), len(now[name])):
            was[name], now[name] = was[name][:length], now[name][:length]
    found = beyond_rounding(was, now, other_program=shared_only)
    yield from (f"{m.where}: recorded {m.recorded}, now {m.now}" for m in found[:_SHOWN])
    if len(found) > _SHOWN:
        yield f"and {len(found) - _SHOWN} members more"


def _plain(body: AnyBody, left_out: Collection[str]) -> dict[str, Any]:
    plain = msgspec.json.decode(encode_body(body), type=dict[str, Any])
    return {name: value for name, value in plain.items() if name not in left_out}


def evaluation_mismatches(body: Measurement, evaluation: Evaluation) -> Iterator[str]:
    """What a measurement's record says otherwise than its file, of what its part or the gate is decided by."""
    if body.required != evaluation.required:
        yield f"needs {_listed(body.required)} by the record, {_listed(evaluation.required)} by the recipe"
    instrument = evaluation.trace.header.instrument
    if instrument and body.instrument != instrument:
        yield f"of {body.instrument} by the record, of {instrument} by the file"
    if evaluation.trace.header.artefact is None:
        return
    found = evaluation.judgement.characteristics
    derived = {
        "missing_upr": list(evaluation.missing_upr),
        "incomplete": evaluation.incomplete,
        "partial": evaluation.partial,
        "errors_nm": {c.instance: c.value for c in found if c.name == "amplitude_error"},
    }
    recorded = {
        "missing_upr": list(given(body.missing_upr, ())),
        "incomplete": given(body.incomplete, False),
        "partial": given(body.partial, False),
        "errors_nm": given(body.errors_nm, {}),
    }
    for mismatch in beyond_rounding(recorded, derived):
        yield f"{mismatch.where}: recorded {mismatch.recorded}, now {mismatch.now}"


def _listed(features: Collection[str]) -> str:
    return ", ".join(features) or "nothing more"

"""Does a measurement record say what its archived result says? Both were written from one evaluation."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import msgspec

from edgeagent.codec.records.archived_result import decode_result
from edgeagent.judging.agreement import ABSOLUTE_BOUND, RELATIVE_BOUND
from edgeagent.model.records import JudgedValue, Measurement, given


def result_mismatches(body: Measurement, stored: bytes) -> Iterator[str]:
    """What the record says otherwise than its result, in words; a long record holds only some of the values."""
    try:
        result = decode_result(stored)
        source: Any = msgspec.json.decode(stored).get("source") or {}
    except ValueError as error:  # of another version: the comparison says what it can
        yield from () if "another version" in str(error) else (f"archived result: {error}",)
        return
    if body.disposition != result.disposition:
        yield f"journal says {body.disposition.value}, archived result {result.disposition.value}"
    if source.get("sha256") not in (None, body.source.sha256):
        yield f"the result is of the source {str(source['sha256'])[:12]}, the record names {body.source.sha256}"
    if body.trace != result.trace:
        names = msgspec.structs.fields(body.trace)
        unlike = [f.name for f in names if getattr(body.trace, f.name) != getattr(result.trace, f.name)]
        yield f"trace: {', '.join(unlike)} not as in the archived result"
    known = {(c.name, c.instance): c for c in result.characteristics}
    for value in body.characteristics:
        if not _same(value, known.get((value.name, value.instance))):
            yield f"{value.name} {value.instance}".strip() + ": not as in the archived result"
    failed = {c.check for c in result.quality if not c.ok}
    for check in body.quality_failed:
        if check.check not in failed:
            yield f"check {check.check}: failed by the record, not by the archived result"
    codes = given(result.reason_codes, ())
    for reason in given(body.reason_codes, ()):
        if codes and reason not in codes:
            yield f"reason {reason.code}: not in the archived result"


def _same(recorded: JudgedValue, stored: JudgedValue | None) -> bool:
    """Whether two values are one, but for the last digits of their numbers."""
    if stored is None:
        return False
    pairs = ((getattr(recorded, f.name), getattr(stored, f.name)) for f in msgspec.structs.fields(recorded))
    return all(a == b or (isinstance(a, float) and isinstance(b, float) and _close(a, b)) for a, b in pairs)


def _close(a: float, b: float) -> bool:
    return math.isclose(a, b, rel_tol=RELATIVE_BOUND, abs_tol=ABSOLUTE_BOUND)

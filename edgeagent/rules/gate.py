"""May anything be accepted now? The last verification of the instrument decides."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Verified:
    """The last verification of one instrument: passed or not, when measured (POSIX seconds, UTC)."""

    artefact: str
    passed: bool
    measured_at: float
    seq: int


def closed_reason(
    last: Verified | None, artefact: str, max_age_h: float | None, instrument: str, now: float
) -> str | None:
    """Why nothing may be accepted, or None when the gate is open.

    ``max_age_h`` None means there is no gate. ``now`` is the time at which the part was decided.
    """
    if max_age_h is None:
        return None
    if last is None:
        return f"gate: {instrument} has never been verified with artefact {artefact}"
    if last.artefact != artefact:
        return f"gate: {instrument} was verified with artefact {last.artefact}, wanted is {artefact}"
    if not last.passed:
        return f"gate: the last verification of {instrument} failed"
    age_h = (now - last.measured_at) / 3600
    if age_h > max_age_h:
        return f"gate: the verification of {instrument} is {age_h:.1f} h old, allowed are {max_age_h:g} h"
    if age_h < -0.1:
        return f"gate: the verification of {instrument} lies {-age_h:.1f} h in the future"
    return None

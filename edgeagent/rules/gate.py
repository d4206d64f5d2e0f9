"""May anything be accepted now? The last verification of the instrument decides."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Verified:
    """The last verification of one instrument: passed or not, when measured (POSIX seconds, UTC).

    ``doubt`` is why its time cannot be right, None when nothing speaks against it.
    """

    artefact: str
    passed: bool
    measured_at: float
    seq: int
    doubt: str | None = None


CLOCK_TOLERANCE_S = 360.0
"""How far clocks of instrument and agent may differ before a verification is doubted."""


@dataclass(frozen=True, slots=True)
class Sighting:
    """When a certified wave was last measured (POSIX seconds, UTC), by which certificate, and whether well."""

    measured_at: float
    certificate_sha256: str | None
    passed: bool


def counted_from(
    missing_upr: Sequence[int],
    seen: Mapping[int, Sighting],
    certificate_sha256: str | None,
    measured_at: float,
    window_s: float,
) -> float | None:
    """From when a set of an artefact's files counts as one passed verification; None while it does not.

    ``missing_upr`` are the certified waves that the newest file, measured at ``measured_at``, does not show.
    All of them must have been seen, passed and by the same certificate, within ``window_s`` of it.
    """
    times = [measured_at]
    for upr in missing_upr:
        last = seen.get(upr)
        if last is None or not last.passed or last.certificate_sha256 != certificate_sha256:
            return None
        if abs(measured_at - last.measured_at) > window_s:
            return None
        times.append(last.measured_at)
    return min(times)


def clock_doubt(measured_at: float, recorded_at: float, before: float | None) -> str | None:
    """Why the time of a verification cannot be right, None when nothing speaks against it.

    ``before`` is the time of measurement of the verification that was recorded before it.
    """
    if measured_at > recorded_at + CLOCK_TOLERANCE_S:
        return f"it was measured {(measured_at - recorded_at) / 3600:.1f} h after it was recorded"
    if before is not None and measured_at < before - CLOCK_TOLERANCE_S:
        return f"it was measured {(before - measured_at) / 3600:.1f} h before the one that was recorded earlier"
    return None


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
    if last.doubt is not None:
        return f"gate: clocks of the verifications of {instrument} disagree: {last.doubt}"
    if not last.passed:
        return f"gate: the last verification of {instrument} failed"
    age_h = (now - last.measured_at) / 3600
    if age_h > max_age_h:
        return f"gate: the verification of {instrument} is {age_h:.1f} h old, allowed are {max_age_h:g} h"
    if age_h < -0.1:
        return f"gate: the verification of {instrument} lies {-age_h:.1f} h in the future"
    return None

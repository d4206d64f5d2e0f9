"""May anything be accepted now? The verifications of the instrument decide: the last, and those around a trace.

A verification speaks for what its instrument measures from then on, until its age runs out, and for what it
measured before. What was measured after one that failed, or just before one that failed, is not covered,
whenever its file arrives.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

from edgeagent.model.reasons import Code, Parameter, Reason, reason
from edgeagent.model.records import Outcome


@dataclass(frozen=True, slots=True)
class Verified:
    """One verification of one instrument: what became of it, when measured (POSIX seconds, UTC).

    ``measured_at`` is that of its oldest file, from which its age counts; ``complete_at`` that of its newest,
    from which it speaks for the instrument, None where there is only one. ``doubt`` is why its time cannot be
    right, None when nothing speaks against it. ``certificate_sha256`` is the certificate that it was judged by.
    """

    artefact: str
    outcome: Outcome
    measured_at: float
    seq: int
    doubt: Reason | None = None
    complete_at: float | None = None
    certificate_sha256: str | None = None

    @property
    def passed(self) -> bool:
        """Whether it proves its instrument."""
        return self.outcome == Outcome.PASSED

    @property
    def lost(self) -> bool:
        """Whether it has not passed for nothing but certified waves that its file does not show."""
        return self.outcome == Outcome.LOST

    @property
    def at(self) -> float:
        """From when it speaks for the instrument."""
        return self.measured_at if self.complete_at is None else self.complete_at


@dataclass(frozen=True, slots=True)
class History:
    """The verifications of one instrument: the one that counts now, and the newest as they were measured."""

    current: Verified
    past: tuple[Verified, ...]


CLOCK_TOLERANCE_S = 360.0
"""How far clocks of instrument and agent may differ before a verification is doubted."""
# Bounds the memory of an instrument: at one verification a shift, half a year.
_PAST_MAX = 500


def with_verification(history: History | None, new: Verified, recorded_at: float) -> History:
    """The history with one more verification, recorded at ``recorded_at`` (POSIX seconds, UTC).

    One that was measured before the current one, though recorded after it, does not replace it. One whose time
    is doubted does, until another comes; among the past it stands at the time of its record, as not passed.
    """
    # With a wrong clock its own time cannot place it among the others; the journal's time can.
    placed = new if new.doubt is None else replace(new, outcome=Outcome.FAILED, complete_at=recorded_at)
    if history is None:
        return History(new, (placed,))
    past, last = history.past, history.current
    index = bisect_right(past, placed.at, key=lambda v: v.at)
    # Sorted by measuring time, as files of a backlog arrive in any order.
    past = (*past[:index], placed, *past[index:])[-_PAST_MAX:]
    # A doubted time cannot be compared: then the order of the records decides.
    newer = new.doubt is not None or last.doubt is not None or new.at >= last.at
    return History(new if newer else last, past)


@dataclass(frozen=True, slots=True)
class Sighting:
    """When a certified wave was last measured (POSIX seconds, UTC), by which certificate, and whether well.

    ``seq`` is its verification's record; ``partial`` says that its file did not show other waves.
    """

    measured_at: float
    certificate_sha256: str | None
    passed: bool
    seq: int = 0
    partial: bool = False


def later_sighting(before: Sighting | None, new: Sighting) -> Sighting:
    """The one that counts: what was measured later, whatever was recorded later."""
    return new if before is None or new.measured_at >= before.measured_at else before


def since_failure(seen: Mapping[int, Sighting], history: History | None) -> dict[int, Sighting]:
    """The sightings after the instrument's last verification that failed.

    What was seen before it may have been seen by another state of the instrument: a failed set is measured
    again as a whole.
    """
    # A lost wave is no failure of the waves that were seen, so that their sightings stay.
    failed = [(v.at, v.seq) for v in history.past if not v.passed and not v.lost] if history else []
    last = max(failed, default=(-math.inf, 0))
    return {upr: s for upr, s in seen.items() if (s.measured_at, s.seq) > last}


def counted_from(
    missing_upr: Sequence[int],
    seen: Mapping[int, Sighting],
    certificate_sha256: str | None,
    measured_at: float,
    window_s: float,
    *,
    partial: bool = False,
) -> float | None:
    """From when a set of an artefact's files counts as one passed verification; None while it does not.

    ``missing_upr`` are the certified waves that the newest file, measured at ``measured_at``, does not show.
    All of them must have been seen, passed and by the same certificate, within ``window_s`` of it; where the
    file is ``partial``, by others that are: one that shows all waves does not vouch for one that lost some.
    """
    # The oldest file of a set rules its age: the set is as old as its first part.
    times = [measured_at]
    for upr in missing_upr:
        last = seen.get(upr)
        if last is None or not last.passed or last.certificate_sha256 != certificate_sha256:
            return None
        if abs(measured_at - last.measured_at) > window_s or (partial and not last.partial):
            return None
        times.append(last.measured_at)
    return min(times)


def clock_doubt(measured_at: float, recorded_at: float, before: float | None) -> Reason | None:
    """Why the time of a verification cannot be right, None when nothing speaks against it.

    ``before`` is the time of measurement of the verification that was recorded before it.
    """
    if measured_at > recorded_at + CLOCK_TOLERANCE_S:
        return reason(Code.CLOCK_AHEAD, clock_h=(measured_at - recorded_at) / 3600)
    if before is not None and measured_at < before - CLOCK_TOLERANCE_S:
        return reason(Code.CLOCK_BACK, clock_h=(before - measured_at) / 3600)
    return None


def closed_reason(
    last: Verified | None,
    artefact: str,
    max_age_h: float | None,
    instrument: str,
    now: float,
    certificate_sha256: str | None,
) -> Reason | None:
    """Why nothing may be accepted, or None when the gate is open.

    ``max_age_h`` None means there is no gate. ``now`` is the time at which the part was decided,
    ``certificate_sha256`` the certificate of ``artefact`` in force, None when there is none.
    """
    if max_age_h is None:
        return None
    if certificate_sha256 is None:
        return reason(Code.GATE_NO_CERTIFICATE, artefact=artefact)
    if last is None:
        return reason(Code.GATE_NEVER_VERIFIED, instrument=instrument, artefact=artefact)
    named: dict[str, Parameter] = {"instrument": instrument, "seq": last.seq}
    # From the gravest to the mildest ground: one is named, and it should be the one to mend first.
    if last.doubt is not None:
        return reason(Code.GATE_CLOCKS, **named, **last.doubt.values, doubt=last.doubt.code)
    if last.lost:
        return reason(Code.GATE_WAVES_MISSING, **named)
    if not last.passed:
        return reason(Code.GATE_FAILED, **named)
    if last.artefact != artefact:
        return reason(Code.GATE_OTHER_ARTEFACT, instrument=instrument, artefact=last.artefact, wanted=artefact)
    if last.certificate_sha256 != certificate_sha256:
        return reason(Code.GATE_CERTIFICATE_CHANGED, instrument=instrument, artefact=artefact)
    age_h = (now - last.measured_at) / 3600
    if age_h > max_age_h:
        return reason(Code.GATE_TOO_OLD, instrument=instrument, age_h=age_h, allowed_h=max_age_h)
    # A clock set back after the verification would let it live longer than its age allows.
    if now < last.measured_at - CLOCK_TOLERANCE_S:
        return reason(Code.GATE_IN_FUTURE, instrument=instrument, ahead_h=-age_h)
    return None


SAME_MOMENT_S = 60.0
"""Times of measurement nearer than this do not show which came first: some exports state whole minutes, some
the begin and others the end of a measurement."""


def around(past: Sequence[Verified], measured_at: float, seq: int) -> tuple[Verified | None, Verified | None]:
    """The verifications before and after a trace, measured at a time and recorded as ``seq``.

    Times less than SAME_MOMENT_S apart are ordered by record number.
    """
    before = after = None
    for verified in past:
        apart = verified.at - measured_at
        if apart <= -SAME_MOMENT_S or (apart < SAME_MOMENT_S and verified.seq < seq):
            before = verified
        elif after is None:
            after = verified
    return before, after


def uncovered_reason(
    past: Sequence[Verified],
    feature: str,
    measured_at: float,
    seq: int,
    artefact: str,
    max_age_h: float | None,
    instrument: str,
    now: float,
) -> Reason | None:
    """Why a trace is not covered by the verifications around it, or None when it is.

    ``past`` are the instrument's verifications, rising by the time from which they speak; ``seq`` is the
    trace's record. The verification before the trace must have passed. So must the one after it, where that is
    known already: nobody knows since when a failing instrument was wrong. One after it that passed covers it
    however old the one before was, and where there was none: an instrument does not drift and come back. A
    failure of more than ``max_age_h`` after a trace from before all records says nothing of it.
    """
    if max_age_h is None:
        return None
    named: dict[str, Parameter] = {"trace": feature, "instrument": instrument}
    # Else a clock ahead would place the trace behind a verification that has yet to be made.
    if measured_at > now + CLOCK_TOLERANCE_S:
        return reason(Code.GATE_TRACE_IN_FUTURE, trace=feature, ahead_h=(measured_at - now) / 3600)
    before, after = around(past, measured_at, seq)
    if before is not None and not before.passed:
        return reason(Code.GATE_AFTER_FAILURE, **named, seq=before.seq, ground=_ground(before))
    if after is not None:
        # A failure long after a trace from before the first record says nothing of that trace.
        if after.passed or (before is None and after.at - measured_at > 3600 * max_age_h):
            return None
        return reason(Code.GATE_BEFORE_FAILURE, **named, seq=after.seq, ground=_ground(after))
    # Neither before nor after: the gate as a whole (closed_reason) speaks for a trace without any verification.
    if before is None:
        return None
    if before.artefact != artefact:
        return reason(Code.GATE_TRACE_OTHER_ARTEFACT, **named, artefact=before.artefact)
    age_h = (measured_at - before.measured_at) / 3600
    if age_h > max_age_h:
        return reason(Code.GATE_TRACE_TOO_OLD, **named, age_h=age_h, allowed_h=max_age_h)
    return None


def _ground(verified: Verified) -> str:
    """Why a verification is no proof."""
    if verified.lost:
        return "waves-missing"
    return "failed" if verified.doubt is None else "clock"

"""Which traces a part still needs, and what follows from those that are there."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace

from edgeagent.model import Disposition
from edgeagent.model.reasons import Code, Reason, at_most, reason
from edgeagent.model.records import JudgedValue, PartSource

_REASONS_MAX = 12


@dataclass(frozen=True, slots=True)
class FeatureResult:
    """The newest measurement of one feature, as far as the part's disposition needs it.

    ``seq`` is its journal record's; ``settled_at`` when its file settled (POSIX seconds, UTC); ``key``
    its deciding characteristics, ready for a message; ``measured_at`` what the instrument's clock said.
    ``copied`` says that the same bytes were this feature's measurement before.
    """

    feature: str
    seq: int
    disposition: Disposition
    reasons: tuple[Reason, ...]
    source: PartSource
    key: tuple[JudgedValue, ...]
    settled_at: float
    measured_at: float | None = None
    copied: bool = False
    recipe_sha256: str = ""

    @property
    def content(self) -> str:
        """What was decided by what: the file's digest and the recipe's; empty where nobody read the file."""
        return content_of(self.source.sha256, self.recipe_sha256)


def content_of(sha256: str | None, recipe_sha256: str) -> str:
    """A decided content: a file's digest with its recipe's, or empty where nobody read the file."""
    return f"{sha256} {recipe_sha256}" if sha256 else ""


@dataclass(frozen=True, slots=True)
class PartSet:
    """All that is known of one part (part number and serial) so far.

    ``required`` are the features of its recipe, empty when there is none. ``disposed`` is the last
    disposition that was written, ``disposed_seq`` its record. ``remeasured`` are features that replaced an
    earlier measurement since. ``decided`` has what was decided of every content of a file, ever. ``since`` is
    when the set began to wait (POSIX seconds, UTC).
    """

    part: str
    serial: str
    required: tuple[str, ...] = ()
    results: Mapping[str, FeatureResult] = field(default_factory=dict)
    disposed: Disposition | None = None
    disposed_seq: int | None = None
    remeasured: tuple[str, ...] = ()
    since: float = 0.0
    decided: tuple[str, ...] = ()

    @property
    def missing(self) -> tuple[str, ...]:
        """Features that the recipe asks for and no trace has shown."""
        return tuple(f for f in self.required if f not in self.results)


@dataclass(frozen=True, slots=True)
class PartDecision:
    """What is to be announced of a part, and from which file's settling its lateness counts."""

    disposition: Disposition
    reasons: tuple[Reason, ...]
    settled_at: float


def with_measurement(state: PartSet, result: FeatureResult, required: tuple[str, ...], now: float) -> PartSet:
    """The set after one more measurement; a re-measured feature replaces the earlier one.

    One that arrives later but was measured earlier, as from a backlog, does not; where the two disagree, only
    a person can know which of clock and order of arrival is wrong. Equal times of two files order nothing: the
    worse stands. A content that was decided before, under whatever name and time, never improves the part.
    """
    before = state.results.get(result.feature)
    again = before is not None
    if before is not None and result.source.sha256 == before.source.sha256:
        result = replace(result, copied=True)
    # Content with its recipe: the same bytes under a new recipe are a new decision, and may improve the part.
    known = bool(result.content) and result.content in state.decided
    if before is not None and known and _better(result, before):
        return replace(state, required=required)
    standing = result if before is None else _newer(before, result)
    results = {**state.results, result.feature: standing}
    begins = not state.results or state.disposed is not None
    return replace(
        state,
        required=required,
        results=results,
        remeasured=tuple(dict.fromkeys((*state.remeasured, result.feature))) if again else state.remeasured,
        # A decided part that is measured again waits anew; one that waits already keeps its first moment, so
        # that a stream of re-measurements cannot put off the time-out for ever.
        since=now if begins else state.since,
        decided=state.decided
        if known or not result.content
        else (*state.decided, result.content)[-_DECIDED_MAX:],
    )


def with_past(state: PartSet, past: PartSet, feature: str, now: float) -> PartSet:
    """A set that was begun anew, where a content of ``feature`` turns up that was decided in the ``past`` one.

    That trace stands again as it stood, and so does every one that was not accepted. What else was accepted
    then does not: the serial may have been given to another part since, of which nobody measured it.
    """
    standing = {f: r for f, r in past.results.items() if f == feature or r.disposition != Disposition.ACCEPT}
    decided = dict.fromkeys((*past.decided, *state.decided))
    return replace(
        state,
        # What was measured since goes before what is brought back.
        results={**standing, **state.results},
        since=state.since if state.results else now,
        decided=tuple(decided)[-_DECIDED_MAX:],
    )


# A part that is measured again without end must not fill the memory.
_DECIDED_MAX = 256
_SEVERITY = {Disposition.ACCEPT: 0, Disposition.HOLD: 1, Disposition.REJECT: 2}


def _better(one: FeatureResult, other: FeatureResult) -> bool:
    return _SEVERITY[one.disposition] < _SEVERITY[other.disposition]


def _newer(before: FeatureResult, result: FeatureResult) -> FeatureResult:
    # Without both times the order of arrival is all there is to go by.
    if before.measured_at is None or result.measured_at is None or result.measured_at > before.measured_at:
        return result
    if result.measured_at == before.measured_at:
        # A file that was written on, or written again, is the same measurement: what it says now counts.
        if result.source.name == before.source.name or not _better(result, before):
            return result
        same = reason(
            Code.MEASURED_AT_ONCE,
            seq=result.seq,
            before=before.seq,
            disposition=result.disposition.value,
            standing=before.disposition.value,
        )
        return replace(before, reasons=(same, *(r for r in before.reasons if r.code != same.code)))
    # An older file that agrees adds nothing, and none may take back a reject.
    if before.disposition in (result.disposition, Disposition.REJECT):
        return before
    contradiction = reason(
        Code.MEASURED_BEFORE,
        seq=result.seq,
        before=before.seq,
        disposition=result.disposition.value,
        standing=before.disposition.value,
    )
    # A hold and not the worse of both: which of them is newer is the question.
    return replace(before, disposition=Disposition.HOLD, reasons=(contradiction, *result.reasons))


def with_disposition(state: PartSet, disposition: Disposition, seq: int) -> PartSet:
    """The set after its disposition was written to the journal."""
    return replace(state, disposed=disposition, disposed_seq=seq, remeasured=())


def decide(state: PartSet, now: float, timeout_s: float) -> PartDecision | None:
    """The disposition to write now, or None when there is nothing new to say.

    Rejects as soon as one trace rejects; accepts when every required feature accepts; holds when all are
    there but one holds, when nothing says what the part must be, or when the set is incomplete after
    ``timeout_s``. Says it again only when it changes or a feature was re-measured.
    """
    found = _sum_up(state, now, timeout_s)
    # The reject was withdrawn by a new measurement, yet the set is no longer whole: neither verdict stands.
    if found is None and state.disposed == Disposition.REJECT and state.remeasured:
        found = (
            Disposition.HOLD,
            [reason(Code.REMEASURED_INCOMPLETE, features=state.remeasured, missing=state.missing)],
        )
    if found is None:
        return None
    disposition, reasons = found
    if disposition == state.disposed and not state.remeasured:
        return None
    if state.remeasured:
        reasons.append(reason(Code.REMEASURED, features=state.remeasured))
    # Lateness, and with it whether the lamp may still speak, counts from the file that made the decision.
    newest = max(r.settled_at for r in state.results.values())
    # What only the passing of time brought about counts from the moment at which the time was up.
    timed_out = state.disposed is None and _sum_up(state, state.since, timeout_s) is None
    settled_at = max(newest, state.since + timeout_s) if timed_out else newest
    # Never later than now: after a clock was set back, the part would stay new for as long as it was wrong.
    return PartDecision(disposition, at_most(reasons, _REASONS_MAX), min(settled_at, now))


def standing(state: PartSet) -> tuple[Disposition, tuple[Reason, ...]] | None:
    """What a complete set amounts to by itself, whatever was announced; None while it is not complete."""
    found = _sum_up(state, state.since, math.inf)
    return None if found is None else (found[0], at_most(found[1], _REASONS_MAX))


def expires_at(state: PartSet, timeout_s: float) -> float | None:
    """When an incomplete set runs out of time; None when nothing is waited for."""
    waiting = bool(state.results) and bool(state.missing) and state.disposed is None
    return state.since + timeout_s if waiting else None


def _sum_up(state: PartSet, now: float, timeout_s: float) -> tuple[Disposition, list[Reason]] | None:
    by_feature = {f: state.results[f] for f in state.results if f in state.required or not state.required}
    # A feature that the recipe does not name cannot help to accept, but what it shows bad is bad.
    strays = [r for f, r in state.results.items() if f not in state.required and state.required]
    # First of all: a reject needs no complete set.
    rejecting = [r for r in (*by_feature.values(), *strays) if r.disposition == Disposition.REJECT]
    if rejecting:
        return Disposition.REJECT, _reasons(rejecting)
    holding = [r for r in by_feature.values() if r.disposition == Disposition.HOLD]
    held = _reasons((*holding, *strays))
    if not state.required:
        return Disposition.HOLD, held
    if not state.missing:
        if holding:
            return Disposition.HOLD, held
        cautions = _reasons(by_feature.values())
        return Disposition.ACCEPT, cautions
    # Not waited for: what is missing would not make the stray one a feature of the recipe.
    if strays:
        return Disposition.HOLD, held
    # Only a part without a disposition: what is measured again is held by `decide`, without a time-out.
    if state.disposed is None and now - state.since >= timeout_s:
        late = reason(Code.SET_INCOMPLETE, timeout_s=timeout_s, missing=state.missing)
        return Disposition.HOLD, [late, *held]
    return None


def _reasons(results: Iterable[FeatureResult]) -> list[Reason]:
    return [r.about(result.feature) for result in results for r in result.reasons]

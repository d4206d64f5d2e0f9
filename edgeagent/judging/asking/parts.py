"""What becomes of parts whose files are judged otherwise: two folds side by side, as it was and as asked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, replace

from msgspec.structs import replace as replace_members

from edgeagent.judging.memory import feature_result
from edgeagent.model import Disposition
from edgeagent.model.reasons import Reason
from edgeagent.model.records import Measurement, PartDisposition
from edgeagent.rules.part_set import PartDecision, PartSet, decide, with_measurement

PartKey = tuple[str, str]
"""Part number and serial number."""


@dataclass(frozen=True, slots=True)
class PartFlip:
    """A part that would have been decided otherwise, and why."""

    part: str
    serial: str
    was: Disposition
    would_be: Disposition
    reasons: tuple[Reason, ...]
    measured: tuple[int, ...]


@dataclass(slots=True)
class _Sets:
    """A part as it was, and as asked; ``unknown`` where a file of it could not be judged."""

    before: PartSet
    now: PartSet
    recorded: Disposition | None = None
    gated: bool = False
    unknown: bool = False


class PartsAsked:
    """Give each record once, in the journal's order. What the gate held stays held: verifications stand."""

    def __init__(self) -> None:
        self._parts: dict[PartKey, _Sets] = {}

    def measured(
        self, seq: int, body: Measurement, disposition: Disposition, reasons: tuple[Reason, ...],
        required: tuple[str, ...], recipe_sha256: str,
    ) -> None:  # fmt: skip
        """A measurement with what it would have amounted to, by which recipe."""
        sets = self._sets(*body.trace.of_part)
        slim = replace_members(body, characteristics=())
        before = feature_result(seq, slim)
        now = feature_result(seq, replace_members(slim, disposition=disposition, reason_codes=reasons))
        now = replace(now, recipe_sha256=recipe_sha256)
        sets.before = with_measurement(sets.before, before, body.required, body.decided_at)
        sets.now = with_measurement(sets.now, now, required, body.decided_at)

    def unknown(self, body: Measurement) -> None:
        """A measurement that could not be judged: nothing is said of its part."""
        self._sets(*body.trace.of_part).unknown = True

    def disposed(self, body: PartDisposition) -> None:
        """What was recorded of a part."""
        sets = self._sets(body.part, body.serial)
        sets.recorded, sets.gated = body.disposition, body.gate_reason is not None

    def _sets(self, part: str, serial: str) -> _Sets:
        key = (part, serial)
        found = self._parts.get(key)
        if found is None:
            found = self._parts[key] = _Sets(PartSet(*key), PartSet(*key))
        return found

    def table(self) -> Counter[tuple[Disposition, Disposition]]:
        """How many parts were what, and would have been what."""
        return Counter((was, now) for _, was, now, _ in self._decided())

    @property
    def unknown_count(self) -> int:
        """Parts of which nothing is said."""
        return sum(sets.unknown for sets in self._parts.values())

    def flips(self) -> Iterator[PartFlip]:
        """The parts that would have been decided otherwise, in the order in which they were first measured."""
        for key, was, now, sets in self._decided():
            if was != now:
                reasons = () if (found := _standing(sets.now)) is None else found.reasons
                seqs = tuple(sorted(r.seq for r in sets.now.results.values()))
                yield PartFlip(*key, was, now, reasons, seqs)

    def _decided(self) -> Iterator[tuple[PartKey, Disposition, Disposition, _Sets]]:
        for key, sets in self._parts.items():
            before, now = _standing(sets.before), _standing(sets.now)
            if sets.unknown or sets.recorded is None or before is None or now is None:
                continue
            would_be = now.disposition
            # What a person or the gate made of it stands where the rules make of it what they made before.
            if would_be == before.disposition or (sets.gated and would_be == Disposition.ACCEPT):
                would_be = sets.recorded
            yield key, sets.recorded, would_be, sets


def _standing(state: PartSet) -> PartDecision | None:
    """What the set amounts to by itself once nothing more is waited for."""
    if not state.results:
        return None
    return decide(replace(state, disposed=None, remeasured=(), since=0.0), 1e12, 0.0)

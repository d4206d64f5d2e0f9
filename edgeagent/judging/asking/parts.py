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


class _Sets:
    """A part as it was, and as asked; the same object while no file of it was judged otherwise.

    ``unknown`` where a file of it could not be judged.
    """

    def __init__(self, empty: PartSet) -> None:
        self.before = self.now = empty
        self.recorded: Disposition | None = None
        self.gated = self.unknown = False


class PartsAsked:
    """Give each record once, in the journal's order. What the gate held stays held: verifications stand."""

    def __init__(self) -> None:
        self._parts: dict[PartKey, _Sets] = {}

    def measured(
        self, seq: int, body: Measurement, disposition: Disposition, reasons: tuple[Reason, ...],
        required: tuple[str, ...],
    ) -> None:  # fmt: skip
        """A measurement with what it would have amounted to."""
        sets = self._sets(*body.trace.of_part)
        slim = replace_members(body, characteristics=())
        before = feature_result(seq, slim)
        state = with_measurement(sets.before, before, body.required, body.decided_at)
        if disposition == body.disposition and required == body.required and sets.now is sets.before:
            sets.before = sets.now = state  # nothing of the part was judged otherwise until now
            return
        now = feature_result(seq, replace_members(slim, disposition=disposition, reason_codes=reasons))
        sets.now = with_measurement(sets.now, now, required, body.decided_at)
        sets.before = state

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
            empty = PartSet(*key)
            found = self._parts[key] = _Sets(empty)
        return found

    def decided(self) -> tuple[Counter[tuple[Disposition, Disposition]], list[PartFlip]]:
        """How many parts were what and would have been what, and those decided otherwise."""
        table: Counter[tuple[Disposition, Disposition]] = Counter()
        flips = []
        for (part, serial), was, found, sets in self._decided():
            would_be = was if found is None else found.disposition
            table[was, would_be] += 1
            if found is not None:
                seqs = tuple(sorted(r.seq for r in sets.now.results.values()))
                flips.append(PartFlip(part, serial, was, would_be, found.reasons, seqs))
        return table, flips

    @property
    def unknown_count(self) -> int:
        """Parts of which nothing is said."""
        return sum(sets.unknown for sets in self._parts.values())

    def _decided(self) -> Iterator[tuple[PartKey, Disposition, PartDecision | None, _Sets]]:
        """Each part on record with what it was, and what it would have been where that is something else."""
        for key, sets in self._parts.items():
            if sets.unknown or sets.recorded is None or not sets.before.results:
                continue
            yield key, sets.recorded, None if sets.now is sets.before else _other_decision(sets), sets


def _other_decision(sets: _Sets) -> PartDecision | None:
    """None where a person or the gate decides as before, since the rules say what they said."""
    before, now = _standing(sets.before), _standing(sets.now)
    if before is None or now is None or now.disposition in (before.disposition, sets.recorded):
        return None
    return None if sets.gated and now.disposition == Disposition.ACCEPT else now


def _standing(state: PartSet) -> PartDecision | None:
    """What the set amounts to by itself once nothing more is waited for."""
    return decide(replace(state, disposed=None, remeasured=(), since=0.0), 1e12, 0.0)

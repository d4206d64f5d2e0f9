"""What becomes of parts whose files are judged otherwise: two folds side by side, as it was and as asked."""

from __future__ import annotations

import hashlib
from collections import Counter, OrderedDict
from collections.abc import Iterator
from dataclasses import dataclass, replace

import msgspec
from msgspec.structs import replace as replace_members

from edgeagent.judging.asking.part_packing import PackedPart, PartPacking, slim
from edgeagent.judging.memory import feature_result
from edgeagent.model import Disposition
from edgeagent.model.reasons import Reason
from edgeagent.model.records import Measurement, PartDisposition
from edgeagent.rules.part_set import PartDecision, PartSet, decide, with_measurement

PartKey = tuple[str, str]
"""Part number and serial number."""
_RECENT_MAX = 1000
_ENCODER = msgspec.msgpack.Encoder()
_DECODER = msgspec.msgpack.Decoder(tuple[PackedPart, PackedPart | None, Disposition | None, bool, bool])


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

    __slots__ = ("before", "gated", "now", "recorded", "unknown")

    def __init__(self, empty: PartSet) -> None:
        self.before = self.now = empty
        self.recorded: Disposition | None = None
        self.gated = self.unknown = False


class PartsAsked:
    """Give each record once, in the journal's order. What the gate held stays held: verifications stand.

    The parts used last are kept as they are, the others packed: some 0.3 kB each.
    """

    def __init__(self) -> None:
        self._recent: OrderedDict[PartKey, _Sets] = OrderedDict()
        self._packed: dict[int, bytes] = {}
        self._packing = PartPacking()

    def measured(
        self, seq: int, body: Measurement, disposition: Disposition, reasons: tuple[Reason, ...],
        required: tuple[str, ...],
    ) -> None:  # fmt: skip
        """A measurement with what it would have amounted to."""
        sets = self._sets(*body.trace.of_part)
        bare = replace_members(body, characteristics=())
        before = slim(feature_result(seq, bare))
        state = with_measurement(sets.before, before, body.required, body.decided_at)
        if disposition == body.disposition and required == body.required and sets.now is sets.before:
            sets.before = sets.now = state  # nothing of the part was judged otherwise until now
            return
        again = replace_members(bare, disposition=disposition, reason_codes=reasons)
        now = slim(feature_result(seq, again))
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
        found = self._recent.get(key)
        if found is None:
            packed = self._packed.pop(_short(key), None)
            found = _Sets(PartSet(part, serial)) if packed is None else self._unpacked(packed)
            self._recent[key] = found
            if len(self._recent) > _RECENT_MAX:
                oldest, sets = self._recent.popitem(last=False)
                self._packed[_short(oldest)] = self._pack(sets)
        else:
            self._recent.move_to_end(key)
        return found

    def _pack(self, sets: _Sets) -> bytes:
        now = None if sets.now is sets.before else self._packing.packed(sets.now)
        states = self._packing.packed(sets.before), now
        return _ENCODER.encode((*states, sets.recorded, sets.gated, sets.unknown))

    def _unpacked(self, packed: bytes) -> _Sets:
        before, now, recorded, gated, unknown = _DECODER.decode(packed)
        sets = _Sets(self._packing.unpacked(before))
        sets.now = sets.before if now is None else self._packing.unpacked(now)
        sets.recorded, sets.gated, sets.unknown = recorded, gated, unknown
        return sets

    def _all(self) -> Iterator[_Sets]:
        yield from map(self._unpacked, self._packed.values())
        yield from self._recent.values()

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
        return table, sorted(flips, key=lambda flip: flip.measured)

    @property
    def unknown_count(self) -> int:
        """Parts of which nothing is said."""
        return sum(sets.unknown for sets in self._all())

    def _decided(self) -> Iterator[tuple[PartKey, Disposition, PartDecision | None, _Sets]]:
        """Each part on record with what it was, and what it would have been where that is something else."""
        for sets in self._all():
            if sets.unknown or sets.recorded is None or not sets.before.results:
                continue
            key = sets.before.part, sets.before.serial
            yield key, sets.recorded, None if sets.now is sets.before else _other_decision(sets), sets


def _short(key: PartKey) -> int:
    """63 bits of a SHA-256: a million parts share one with a chance of one in ten million."""
    digest = hashlib.sha256("\0".join(key).encode("utf-8", "surrogatepass")).digest()
    return int.from_bytes(digest[:8], "big") >> 1


def _other_decision(sets: _Sets) -> PartDecision | None:
    """None where a person or the gate decides as before, since the rules say what they said."""
    before, now = _standing(sets.before), _standing(sets.now)
    if before is None or now is None or now.disposition in (before.disposition, sets.recorded):
        return None
    return None if sets.gated and now.disposition == Disposition.ACCEPT else now


def _standing(state: PartSet) -> PartDecision | None:
    """What the set amounts to by itself once nothing more is waited for."""
    return decide(replace(state, disposed=None, remeasured=(), since=0.0), 1e12, 0.0)

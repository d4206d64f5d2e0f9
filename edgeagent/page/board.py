"""What the page shows, folded record by record from the journal's end. Pure, and bounded in memory."""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from typing import TypeVar

from edgeagent.codec.records.record import Record
from edgeagent.model import Disposition
from edgeagent.model.records import (
    Acknowledgement,
    DriftSignal,
    JudgedValue,
    Measurement,
    Outcome,
    PartDisposition,
    Quarantine,
    Verification,
    given,
    reasons_of,
)
from edgeagent.report.closeness import order_key, place
from edgeagent.rules.sentences import sentences

# More than any screen shows, so that the counts of what is left away are right for a shift.
PARTS_MAX, HELD_MAX, OPEN_MAX, FILES_MAX, SERIES_MAX, VALUES_MAX = 60, 200, 100, 30, 60, 60
_LATEST_MAX = 1000
PartKey = tuple[str, str]
K = TypeVar("K")
V = TypeVar("V")


@dataclass(frozen=True, slots=True)
class DecidedPart:
    """A part's disposition as shown; ``nearest`` is the value nearest to its limit, or farthest over it."""

    seq: int
    time: str
    part: str
    serial: str
    disposition: str
    reasons: tuple[str, ...]
    nearest: JudgedValue | None
    gate: str = ""
    missing: tuple[str, ...] = ()
    acknowledged: bool = False


@dataclass(frozen=True, slots=True)
class OpenPart:
    """A part of which traces are missing."""

    since: str
    part: str
    serial: str
    have: tuple[str, ...]
    wanted: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class UnreadFile:
    """A file that could not be read."""

    seq: int
    time: str
    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class VerifiedInstrument:
    """The last verification of an instrument that counted."""

    instrument: str
    passed: bool
    measured_at: str
    reason: str


@dataclass(slots=True)
class NearnessSeries:
    """How near a characteristic came to its limit, part by part; 1 is the limit."""

    part: str
    feature: str
    name: str
    shares: deque[tuple[int, float]] = field(default_factory=lambda: deque(maxlen=VALUES_MAX))
    latest: JudgedValue | None = None


class Board:
    """The fold. ``seq`` and ``time`` are those of the last record."""

    def __init__(self) -> None:
        self.seq, self.time = 0, ""
        self.parts: OrderedDict[int, DecidedPart] = OrderedDict()
        self.held: OrderedDict[PartKey, DecidedPart] = OrderedDict()
        self.open: OrderedDict[PartKey, OpenPart] = OrderedDict()
        self.files: OrderedDict[str, UnreadFile] = OrderedDict()
        self.verified: OrderedDict[str, VerifiedInstrument] = OrderedDict()
        self.series: OrderedDict[tuple[str, str, str], NearnessSeries] = OrderedDict()
        self.drifts: deque[tuple[str, str]] = deque(maxlen=3)
        self._latest: OrderedDict[PartKey, int] = OrderedDict()

    def fold(self, records: Iterable[Record]) -> None:
        """Take in records in their order; kinds that the page does not show change nothing."""
        for record in records:
            self.seq, self.time = record.seq, record.time
            match record.body:
                case Measurement() as body:
                    self._measured(record, body)
                case PartDisposition() as body:
                    self._decided(record, body)
                case Quarantine() as body:
                    found = UnreadFile(record.seq, record.time, body.source.name, body.reason)
                    _keep(self.files, body.source.name, found, FILES_MAX)
                case Acknowledgement() as body:
                    self._acknowledged(record, body.seq)
                case Verification(outcome=Outcome.PASSED | Outcome.FAILED | Outcome.LOST) as body:
                    why = next(iter(sentences(reasons_of(body))), "")
                    passed = body.outcome == Outcome.PASSED
                    found_now = VerifiedInstrument(body.instrument, passed, body.measured_at, why)
                    _keep(self.verified, body.instrument, found_now, FILES_MAX)
                case DriftSignal() as body:
                    self.drifts.appendleft((record.time, body.reason))
                case _:
                    pass

    def decided(self, seq: int) -> DecidedPart | None:
        """The part of a disposition that is on the page."""
        found = self.parts.get(seq)
        return found or next((part for part in self.held.values() if part.seq == seq), None)

    def latest(self, part: DecidedPart) -> int:
        """The newest record about a part: measurement, disposition or acknowledgement."""
        return self._latest.get((part.part, part.serial), part.seq)

    def _measured(self, record: Record, body: Measurement) -> None:
        # The file was written again and could be read: it no longer waits for anybody.
        self.files.pop(body.source.name, None)
        if body.trace.of_artefact is not None:
            return
        key = body.trace.of_part
        _keep(self._latest, key, record.seq, _LATEST_MAX)
        decided = any((p.part, p.serial) == key for p in (*self.parts.values(), *self.held.values()))
        before = self.open.get(key)
        have = (*(before.have if before else ()), body.trace.feature)
        since = before.since if before else record.time
        # A decided part that is measured again stands among the decided ones, not among those that lack traces.
        if set(body.required) - set(have) and not decided:
            _keep(self.open, key, OpenPart(since, *key, tuple(dict.fromkeys(have)), body.required), OPEN_MAX)
        best: dict[str, tuple[float, JudgedValue]] = {}
        for c in body.characteristics:
            found = place(c)
            # One point a trace: the worst groove or order is what wears towards the limit.
            if found is not None and (c.name not in best or found.at > best[c.name][0]):
                best[c.name] = found.at, c
        for name, (at, c) in best.items():
            self._noted((key[0], body.trace.feature, name), record.seq, at, c)

    def _noted(self, key: tuple[str, str, str], seq: int, at: float, c: JudgedValue) -> None:
        series = self.series.get(key) or NearnessSeries(*key)
        series.shares.append((seq, at))
        series.latest = c
        _keep(self.series, key, series, SERIES_MAX)

    def _decided(self, record: Record, body: PartDisposition) -> None:
        key = (body.part, body.serial)
        judged = sorted((c for c in body.characteristics if place(c) is not None), key=order_key)
        found = DecidedPart(
            record.seq,
            record.time,
            *key,
            body.disposition.value,
            tuple(sentences(reasons_of(body))),
            judged[0] if judged else None,
            given(body.gate, ""),
            body.missing,
        )
        _keep(self._latest, key, record.seq, _LATEST_MAX)
        # Whatever was decided: a part on which the time ran out waits for no trace any more.
        self.open.pop(key, None)
        self.held.pop(key, None)
        _keep(self.parts, record.seq, found, PARTS_MAX)
        if body.disposition == Disposition.HOLD:
            _keep(self.held, key, found, HELD_MAX)

    def _acknowledged(self, record: Record, seq: int) -> None:
        if (found := self.decided(seq)) is not None:
            _keep(self._latest, (found.part, found.serial), record.seq, _LATEST_MAX)
        if seq in self.parts:
            self.parts[seq] = replace(self.parts[seq], acknowledged=True)
        for key, part in self.held.items():
            if part.seq == seq:
                self.held[key] = replace(part, acknowledged=True)
                break


def _keep(found: OrderedDict[K, V], key: K, value: V, most: int) -> None:
    """Keep a value under its key as the newest, and no more than so many."""
    found[key] = value
    found.move_to_end(key)
    while len(found) > most:
        found.popitem(last=False)

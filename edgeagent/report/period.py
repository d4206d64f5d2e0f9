"""What a period was like: parts and their dispositions, reasons by weight, values over time, verifications."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import TypeAlias

import msgspec

from edgeagent.codec.records.record import Record
from edgeagent.errors import JournalCorruptError, UsageError
from edgeagent.model import Disposition, Verdict
from edgeagent.model.records import (
    JudgedValue,
    Measurement,
    PartDisposition,
    Quarantine,
    TraceIdentity,
    Unknown,
    Verification,
    reasons_of,
)
from edgeagent.report.closeness import FAR, place
from edgeagent.report.gather import Damage, PartKey, Store, TypedRecord, typed_record
from edgeagent.report.words import feature_text, name_text, printable
from edgeagent.rules.sentences import sentences

PartFiles: TypeAlias = dict[str, TypedRecord[Measurement]]
"""The newest measurement of each feature of a part."""
_PER_INSTANCE = ("band_rms", "band_velocity", "en_number", "amplitude_error")
_ONE_PER_FILE = "harmonic_amplitude"


class _Values(msgspec.Struct):
    """The part of an archived result that values over time need."""

    characteristics: tuple[JudgedValue, ...]


@dataclass(frozen=True, slots=True)
class SeriesPoint:
    """One value of a series, and when it was measured."""

    at: datetime
    value: JudgedValue


@dataclass(slots=True)
class ValueSeries:
    """Values of one characteristic of one feature over time; ``worst`` is the place of the worst."""

    subject: str
    feature: str
    name: str
    instance: str
    points: list[SeriesPoint] = field(default_factory=list)
    worst: float = 0.0


@dataclass(frozen=True, slots=True)
class ReasonCount:
    """Why parts were not accepted: in words, with the parts that it concerns."""

    words: str
    parts: tuple[PartKey, ...]
    rejects: int


@dataclass(slots=True)
class Period:
    """All that a page on a period needs. ``first`` and ``final`` are the times of the records in it.

    ``standing`` has the last disposition in the period of each part, ``fresh`` the first one ever of those
    that were decided for the first time. ``held`` and ``undecided`` are as of the end, whenever they began.
    ``unknown`` are the records of the period that this version does not know.
    """

    since: datetime | None
    until: datetime | None
    as_of: datetime
    damage: Damage | None
    first: datetime | None = None
    final: datetime | None = None
    standing: dict[PartKey, TypedRecord[PartDisposition]] = field(default_factory=dict)
    fresh: dict[PartKey, TypedRecord[PartDisposition]] = field(default_factory=dict)
    held: dict[PartKey, TypedRecord[PartDisposition]] = field(default_factory=dict)
    undecided: dict[PartKey, PartFiles] = field(default_factory=dict)
    verifications: list[TypedRecord[Verification]] = field(default_factory=list)
    quarantined: list[TypedRecord[Quarantine]] = field(default_factory=list)
    unknown: list[TypedRecord[Unknown]] = field(default_factory=list)
    measurements: int = 0
    series: list[ValueSeries] = field(default_factory=list)
    reasons: list[ReasonCount] = field(default_factory=list)
    unread: int = 0
    last: Record | None = None

    @property
    def counts(self) -> Counter[str]:
        """Parts by their last disposition in the period."""
        return Counter(r.body.disposition.value for r in self.standing.values())


@dataclass(slots=True)
class _Walk:
    """What is known so far: the newest file of each feature of a part, its disposition, the series."""

    newest: dict[PartKey, PartFiles] = field(default_factory=dict)
    decided: dict[PartKey, TypedRecord[PartDisposition]] = field(default_factory=dict)
    series: dict[tuple[str, ...], ValueSeries] = field(default_factory=dict)


def gather_period(store: Store, since: datetime | None, until: datetime | None, as_of: datetime) -> Period:
    """Walk the journal once and read the results of the period from the archive.

    Raises UsageError for a journal in which nothing was measured or decided yet.
    """
    period, walk, work = Period(since, until, as_of, store.damage), _Walk(), 0
    for record in store.records():
        period.last = record
        moment = _moment(record)
        if until is not None and moment >= until:
            continue
        inside = since is None or moment >= since
        work += isinstance(record.body, Measurement | Quarantine)
        if inside:
            period.first = period.first or moment
            period.final = moment
        _visit(store, period, walk, record, inside=inside)
    if not work:
        raise UsageError(f"{printable(store.journal)}: nothing was measured yet, so there is nothing to report")
    period.held = {k: r for k, r in walk.decided.items() if r.body.disposition == Disposition.HOLD}
    period.undecided = {k: files for k, files in walk.newest.items() if k not in walk.decided}
    period.reasons = _rank_reasons(period.standing, walk.newest)
    # The nearest to their limits first: only so many are drawn
    period.series = sorted(walk.series.values(), key=lambda s: -s.worst)
    return period


def _visit(store: Store, period: Period, walk: _Walk, record: Record, *, inside: bool) -> None:
    match record.body:
        case Measurement() as body:
            _visit_measurement(store, period, walk, typed_record(record, body), inside=inside)
        case PartDisposition() as body:
            _visit_disposition(period, walk, typed_record(record, body), inside=inside)
        case Verification() as body if inside:
            period.verifications.append(typed_record(record, body))
        case Quarantine() as body if inside:
            period.quarantined.append(typed_record(record, body))
        case Unknown() as body if inside:
            period.unknown.append(typed_record(record, body))


def _moment(record: Record) -> datetime:
    try:
        return datetime.fromisoformat(record.time)
    except ValueError as error:
        raise JournalCorruptError(f"record {record.seq}", 0, f"its time {record.time!r} is no time") from error


def _visit_measurement(
    store: Store, period: Period, walk: _Walk, record: TypedRecord[Measurement], *, inside: bool
) -> None:
    body = record.body
    if body.trace.of_artefact is None:
        walk.newest.setdefault(body.trace.of_part, {})[body.trace.feature] = record
    if not inside:
        return
    period.measurements += 1
    values = body.characteristics
    try:
        values = msgspec.json.decode(store.archive.get(body.result_sha256), type=_Values).characteristics
    except (JournalCorruptError, msgspec.DecodeError):
        period.unread += 1  # the journal's own, shorter list stands in
    _add_points(walk.series, body.trace, values)


def _add_points(
    series: dict[tuple[str, ...], ValueSeries], trace: TraceIdentity, values: Iterable[JudgedValue]
) -> None:
    subject = trace.of_artefact or trace.of_part[0]
    at = datetime.fromisoformat(trace.measured_at)
    taken = False
    for c in values:
        found = place(c)
        if found is None or c.verdict == Verdict.UNJUDGED or (c.name == _ONE_PER_FILE and taken):
            continue
        taken |= c.name == _ONE_PER_FILE  # the first one is the worst of its file
        key = (subject, trace.feature, c.name, c.instance if c.name in _PER_INSTANCE else "")
        one = series.setdefault(key, ValueSeries(*key))
        one.points.append(SeriesPoint(at, c))
        one.worst = max(one.worst, min(found.at, FAR))


def _visit_disposition(
    period: Period, walk: _Walk, record: TypedRecord[PartDisposition], *, inside: bool
) -> None:
    key = (record.body.part, record.body.serial)
    if inside:
        period.standing[key] = record
        if key not in walk.decided:
            period.fresh[key] = record
    walk.decided[key] = record
    if record.body.disposition == Disposition.ACCEPT:
        walk.newest.pop(key, None)  # only parts that are not accepted need their files again


def _rank_reasons(
    standing: Mapping[PartKey, TypedRecord[PartDisposition]], newest: Mapping[PartKey, PartFiles]
) -> list[ReasonCount]:
    parts: dict[str, list[PartKey]] = {}
    for key, record in standing.items():
        if record.body.disposition != Disposition.ACCEPT:
            for words in _reason_words(record, newest.get(key, {})):
                parts.setdefault(words, []).append(key)
    found = [
        ReasonCount(words, tuple(keys), sum(standing[k].body.disposition == Disposition.REJECT for k in keys))
        for words, keys in parts.items()
    ]
    return sorted(found, key=lambda r: (-len(r.parts), r.words))


def _reason_words(disposition: TypedRecord[PartDisposition], files: PartFiles) -> list[str]:
    """The distinct reasons of one part, without its numbers, so that parts can be counted together."""
    body = disposition.body
    held = body.disposition == Disposition.HOLD
    found: dict[str, None] = {}
    for feature, record in files.items():
        if record.seq < disposition.seq:
            found |= dict.fromkeys(_file_reasons(feature_text(feature), record.body, held=held))
    if body.gate_reason is not None:
        found.setdefault("instrument not verified in time")
    if held and body.missing:
        found.setdefault("traces missing: " + ", ".join(feature_text(m) for m in body.missing))
    if not found:
        recorded = sentences(reasons_of(body))
        found.setdefault(printable(recorded[0]) if recorded else "no reason on record")
    return list(found)


def _file_reasons(feature: str, file: Measurement, *, held: bool) -> Iterator[str]:
    wanted = Verdict.INCONCLUSIVE if held else Verdict.NONCONFORMING
    for c in file.characteristics:
        # A value that failed checks could not give is the checks' matter
        if c.verdict == wanted and (c.value is not None or not file.quality_failed):
            spectral = c.name == _ONE_PER_FILE or c.name in _PER_INSTANCE
            yield f"{feature}: {name_text(c.name, c.instance if spectral else '')}"
    for check in file.quality_failed if held else ():
        yield f"{feature}: check {printable(check.check).replace('_', ' ')}"


def parts_to_link(period: Period, count: int) -> list[PartKey]:
    """Parts that get a page of their own: those not accepted and those held, then the newest accepted."""
    urgent = [k for k, r in period.standing.items() if r.body.disposition != Disposition.ACCEPT]
    rest = [k for k, r in reversed(period.standing.items()) if r.body.disposition == Disposition.ACCEPT]
    return list(dict.fromkeys([*reversed(urgent), *period.held, *rest]))[:count]

"""What a period was like: parts and their dispositions, reasons by weight, values over time, verifications."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import msgspec

from edgeagent.codec.records.record import Record
from edgeagent.errors import JournalCorruptError, UsageError
from edgeagent.report.closeness import FAR, place
from edgeagent.report.gather import Damage, Store
from edgeagent.report.words import feature_text, name_text, printable

PartKey = tuple[str, str]
_PER_INSTANCE = ("band_rms", "band_velocity", "en_number", "amplitude_error")
_ONE_PER_FILE = "harmonic_amplitude"


class _Values(msgspec.Struct):
    """The part of an archived result that values over time need."""

    characteristics: list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class SeriesPoint:
    """One value of a series: when it was measured, the characteristic, the record's number."""

    at: datetime
    value: Mapping[str, Any]
    seq: int


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
    """

    since: datetime | None
    until: datetime | None
    as_of: datetime
    damage: Damage | None
    first: datetime | None = None
    final: datetime | None = None
    standing: dict[PartKey, Record] = field(default_factory=dict)
    fresh: dict[PartKey, Record] = field(default_factory=dict)
    held: dict[PartKey, Record] = field(default_factory=dict)
    undecided: dict[PartKey, dict[str, Record]] = field(default_factory=dict)
    verifications: list[Record] = field(default_factory=list)
    quarantined: list[Record] = field(default_factory=list)
    measurements: int = 0
    series: list[ValueSeries] = field(default_factory=list)
    reasons: list[ReasonCount] = field(default_factory=list)
    unread: int = 0
    last: Record | None = None

    @property
    def counts(self) -> Counter[str]:
        """Parts by their last disposition in the period."""
        return Counter(str(r.members["disposition"]) for r in self.standing.values())


def gather_period(store: Store, since: datetime | None, until: datetime | None, as_of: datetime) -> Period:
    """Walk the journal once and read the results of the period from the archive.

    Raises UsageError for a journal in which nothing was measured or decided yet, JournalCorruptError for
    records of another version.
    """
    period = Period(since, until, as_of, store.damage)
    newest: dict[PartKey, dict[str, Record]] = {}
    decided: dict[PartKey, Record] = {}
    series: dict[tuple[str, ...], ValueSeries] = {}
    work = 0
    for record in store.records():
        period.last = record
        moment = _moment(record)
        if until is not None and moment >= until:
            continue
        inside = since is None or moment >= since
        work += record.kind in ("measurement", "quarantine")
        if inside:
            period.first = period.first or moment
            period.final = moment
        if record.kind == "measurement":
            _measurement(store, period, record, newest, series, inside=inside)
        elif record.kind == "disposition":
            _disposition(period, record, newest, decided, inside=inside)
        elif record.kind == "verification" and inside:
            period.verifications.append(record)
        elif record.kind == "quarantine" and inside:
            period.quarantined.append(record)
    if not work:
        raise UsageError(f"{printable(store.journal)}: nothing was measured yet, so there is nothing to report")
    period.held = {k: r for k, r in decided.items() if r.members["disposition"] == "hold"}
    period.undecided = {k: files for k, files in newest.items() if k not in decided}
    period.reasons = _rank_reasons(period.standing, newest)
    period.series = sorted(series.values(), key=lambda s: -s.worst)
    return period


def _moment(record: Record) -> datetime:
    try:
        return datetime.fromisoformat(record.time)
    except ValueError as error:
        raise JournalCorruptError(f"record {record.seq}", 0, f"its time {record.time!r} is no time") from error


def _measurement(
    store: Store,
    period: Period,
    record: Record,
    newest: dict[PartKey, dict[str, Record]],
    series: dict[tuple[str, ...], ValueSeries],
    *,
    inside: bool,
) -> None:
    trace = record.members["trace"]
    if trace.get("part") is not None:
        key = (str(trace["part"]), str(trace["serial"]))
        newest.setdefault(key, {})[str(trace["feature"])] = record
    if not inside:
        return
    period.measurements += 1
    values = record.members["characteristics"]
    try:
        values = msgspec.json.decode(
            store.archive.get(record.members["result_sha256"]), type=_Values
        ).characteristics
    except (JournalCorruptError, msgspec.DecodeError):
        period.unread += 1  # the journal's own, shorter list stands in
    _add_points(series, record, values)


def _add_points(
    series: dict[tuple[str, ...], ValueSeries], record: Record, values: list[dict[str, Any]]
) -> None:
    trace = record.members["trace"]
    subject = str(trace.get("artefact") or trace.get("part"))
    at = datetime.fromisoformat(str(trace["measured_at"]))
    taken = False
    for c in values:
        found = place(c)
        if found is None or c["verdict"] == "unjudged" or (c["name"] == _ONE_PER_FILE and taken):
            continue
        taken |= c["name"] == _ONE_PER_FILE  # the first one is the worst of its file
        instance = str(c["instance"]) if c["name"] in _PER_INSTANCE else ""
        key = (subject, str(trace["feature"]), str(c["name"]), instance)
        one = series.setdefault(key, ValueSeries(*key))
        one.points.append(SeriesPoint(at, c, record.seq))
        one.worst = max(one.worst, min(found.at, FAR))


def _disposition(
    period: Period,
    record: Record,
    newest: dict[PartKey, dict[str, Record]],
    decided: dict[PartKey, Record],
    *,
    inside: bool,
) -> None:
    key = (str(record.members["part"]), str(record.members["serial"]))
    if inside:
        period.standing[key] = record
        if key not in decided:
            period.fresh[key] = record
    decided[key] = record
    if record.members["disposition"] == "accept":
        newest.pop(key, None)  # only parts that are not accepted need their files again


def _rank_reasons(
    standing: Mapping[PartKey, Record], newest: Mapping[PartKey, Mapping[str, Record]]
) -> list[ReasonCount]:
    parts: dict[str, list[PartKey]] = {}
    for key, record in standing.items():
        if record.members["disposition"] != "accept":
            for words in _reasons(record, newest.get(key, {})):
                parts.setdefault(words, []).append(key)
    found = [
        ReasonCount(words, tuple(keys), sum(standing[k].members["disposition"] == "reject" for k in keys))
        for words, keys in parts.items()
    ]
    return sorted(found, key=lambda r: (-len(r.parts), r.words))


def _reasons(disposition: Record, files: Mapping[str, Record]) -> list[str]:
    """The distinct reasons of one part, without its numbers, so that parts can be counted together."""
    body = disposition.members
    found: dict[str, None] = {}
    wanted = ("nonconforming",) if body["disposition"] == "reject" else ("inconclusive",)
    for feature, record in files.items():
        if record.seq > disposition.seq:
            continue
        for c in record.members["characteristics"]:
            if c["verdict"] in wanted and (c["value"] is not None or not record.members["quality_failed"]):
                spectral = c["name"] == _ONE_PER_FILE or c["name"] in _PER_INSTANCE
                what = name_text(c["name"], str(c["instance"]) if spectral else "")
                found.setdefault(f"{feature_text(feature)}: {what}")
        if body["disposition"] == "hold":
            for check in record.members["quality_failed"]:
                found.setdefault(
                    f"{feature_text(feature)}: check {printable(check['check']).replace('_', ' ')}"
                )
    if body.get("gate") is not None:
        found.setdefault("instrument not verified in time")
    if body["disposition"] == "hold" and body["missing"]:
        found.setdefault("traces missing: " + ", ".join(feature_text(m) for m in body["missing"]))
    if not found:
        found.setdefault(printable(body["reasons"][0]) if body["reasons"] else "no reason on record")
    return list(found)


def parts_to_link(period: Period, count: int) -> list[PartKey]:
    """Parts that get a page of their own: those not accepted and those held, then the newest accepted."""
    urgent = [k for k, r in period.standing.items() if r.members["disposition"] != "accept"]
    rest = [k for k, r in reversed(period.standing.items()) if r.members["disposition"] == "accept"]
    return list(dict.fromkeys([*reversed(urgent), *period.held, *rest]))[:count]

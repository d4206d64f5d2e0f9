"""Drift of characteristics and instruments, derived from the journal record by record.

A measurement's values come from its journal record where that holds all that is asked for, else from its
archived result. Values of a trace that failed a quality check say something of the trace, not of the process:
they are left out. What is known here can be thrown away and folded again.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Container, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime

import msgspec
from msgspec import UNSET

from edgeagent.codec.configuration.settings import Drift, Watched
from edgeagent.codec.records.record import Record
from edgeagent.errors import ConfigError, JournalCorruptError
from edgeagent.judging.studies.series_names import (
    HARMONICS,
    harmonic_of,
    label_of,
    series_instance,
    split_label,
)
from edgeagent.model.records import DriftSignal, JudgedValue, Measurement, TraceIdentity, given
from edgeagent.rules.control_charts import FALLING, LARGEST, ChartPlan, Monitor, observe
from edgeagent.rules.limits import is_turn

Fetch = Callable[[str], bytes]
"""The archive's content of a digest. Raises JournalCorruptError where it is missing or damaged."""


@dataclass(frozen=True, slots=True)
class SeriesKey:
    """What makes a series: values of the same characteristic of the same feature by the same instrument.

    ``subject`` is a part number, or an artefact where ``artefact`` is set. ``label`` is ``name`` or
    ``name[instance]``.
    """

    subject: str
    artefact: bool
    feature: str
    instrument: str
    label: str


@dataclass(frozen=True, slots=True)
class Observation:
    """One value of a series, with who and when; ``lower`` and ``upper`` are the limits it was judged by."""

    key: SeriesKey
    seq: int
    measured_at: str
    serial: str
    operator: str
    value: float
    unit: str
    lower: float | None
    upper: float | None


class SeriesValue(msgspec.Struct, frozen=True):
    """As much of a characteristic as a series needs."""

    name: str
    instance: str
    value: float | None
    unit: str
    lower: float | None
    upper: float | None

    @staticmethod
    def of(c: JudgedValue) -> SeriesValue:
        """That of a record's characteristic."""
        return SeriesValue(c.name, c.instance, c.value, c.unit, c.lower, c.upper)


class _Amplitudes(msgspec.Struct, frozen=True):
    upr: list[int]
    amplitude_nm: list[float | None]
    upper_nm: list[float | None]


class _Characteristics(msgspec.Struct, frozen=True):
    """As much of an archived result as most series need; the rest is skipped unread."""

    characteristics: list[SeriesValue]


class _WithSpectrum(msgspec.Struct, frozen=True):
    characteristics: list[SeriesValue]
    spectrum: _Amplitudes | None = None


_DECODER = msgspec.json.Decoder(_Characteristics)
_SPECTRUM_DECODER = msgspec.json.Decoder(_WithSpectrum)


def archived_values(
    body: Measurement, fetch: Fetch, harmonics: frozenset[int] | None = frozenset()
) -> list[SeriesValue] | None:
    """All characteristics of a measurement record's result; None where the archive does not have it.

    A result lists a harmonic only when it is near to or beyond its limit, which is no series: the amplitudes at
    the UPR of ``harmonics`` come from its spectrum instead, all others are left out; None takes every harmonic
    that has a limit.
    """
    try:
        return from_result(fetch(body.result_sha256), harmonics)
    except JournalCorruptError:
        return None


def from_result(data: bytes, harmonics: frozenset[int] | None = frozenset()) -> list[SeriesValue] | None:
    """As ``archived``, from the bytes of a result."""
    try:
        listed = _DECODER.decode(data).characteristics
        spectrum = None if harmonics == frozenset() else _SPECTRUM_DECODER.decode(data).spectrum
    except msgspec.DecodeError:
        return None
    found = [c for c in listed if c.name != HARMONICS]
    if spectrum is not None:
        rows = zip(spectrum.upr, spectrum.amplitude_nm, spectrum.upper_nm, strict=True)
        found += [
            SeriesValue(HARMONICS, str(n), v, "nm", None, u)
            for n, v, u in rows
            if (u is not None if harmonics is None else n in harmonics)
        ]
    return found


def observations(
    seq: int, trace: TraceIdentity, instrument: str, characteristics: Iterable[SeriesValue]
) -> Iterator[Observation]:
    """The values among the characteristics of one measured trace, without those that could not be computed."""
    artefact = trace.of_artefact
    subject = artefact if artefact is not None else trace.of_part[0]
    for c in characteristics:
        if c.value is None:
            continue
        yield Observation(
            SeriesKey(subject, artefact is not None, trace.feature, instrument, label_of(c.name, c.instance)),
            seq,
            trace.measured_at,
            given(trace.serial, None) or "",
            given(trace.operator, ""),
            c.value,
            c.unit,
            c.lower,
            c.upper,
        )


def belongs(c: SeriesValue, name: str, instance: str | None) -> bool:
    """Whether a characteristic is of that name and, where one is given, of that instance or series.

    A single turn is meant only where it is named: the mean surface stands for the part.
    """
    if instance is None and is_turn(c.instance):
        return False
    return c.name == name and instance in (None, c.instance, series_instance(c.name, c.instance))


def plan_of(watched: Watched, minimum: int, grow_to: int) -> ChartPlan:
    """The chart that a ``[[drift.watch]]`` asks for."""
    return ChartPlan(
        chart=watched.chart,
        side=watched.side,
        minimum=minimum,
        grow_to=grow_to,
        limit_sigma=watched.limit_sigma,
        weight=watched.weight,
        slack_sigma=watched.slack_sigma,
        decision_sigma=watched.decision_sigma,
        head_start=watched.head_start,
        centre=watched.centre,
        sigma=watched.sigma,
    )


def check_watched(
    drift: Drift, file: str, parts: Container[str] | None = None, artefacts: Container[str] | None = None
) -> None:
    """Raise ConfigError for what would never be seen.

    That is a characteristic that no kind of trace has, and where ``parts`` and ``artefacts`` are given, a part
    number without a recipe or an artefact without a certificate.
    """
    from edgeagent.analysis.around import artefact
    from edgeagent.analysis.kinds import find_kind, kind_names

    known = set(artefact.CHARACTERISTICS).union(*(find_kind(k).CHARACTERISTICS for k in kind_names()))
    for number, watched in enumerate(drift.watch):
        name = split_label(watched.characteristic)[0]
        if name not in known:
            near = difflib.get_close_matches(name, sorted(known), 1)
            complaint = "unknown characteristic" + (f", did you mean {near[0]!r}?" if near else "")
            raise ConfigError(
                file, f"drift.watch[{number}].characteristic", complaint, value=watched.characteristic
            )
        if name == HARMONICS and harmonic_of(watched.characteristic) is None:
            raise ConfigError(
                file,
                f"drift.watch[{number}].characteristic",
                "one harmonic makes a series",
                value=watched.characteristic,
                allowed=f"{HARMONICS}[37] for 37 UPR",
            )
        for key, value, known_ones, missing in (
            ("part", watched.part, parts, "no recipe for it"),
            ("artefact", watched.artefact, artefacts, "no certificate for it"),
        ):
            if value is not None and known_ones is not None and value not in known_ones:
                raise ConfigError(file, f"drift.watch[{number}].{key}", missing, value=value)


def applies(watched: Watched, key: SeriesKey) -> bool:
    """Whether a ``[[drift.watch]]`` asks for this series."""
    name, instance = split_label(key.label)
    wanted_name, wanted_instance = split_label(watched.characteristic)
    if name != wanted_name or (wanted_instance is not None and instance != wanted_instance):
        return False
    if wanted_instance is None and is_turn(instance):
        return False
    if watched.upr_min is not None and not (
        instance and instance.isdigit() and int(instance) >= watched.upr_min
    ):
        return False
    return _of_subject(watched, key.artefact, key.subject, key.feature, key.instrument)


def watches_of(key: SeriesKey, watches: Iterable[Watched]) -> list[Watched]:
    """Those that ask for this series; of the same chart and side the first: two would feed it twice."""
    found: dict[tuple[str, str], Watched] = {}
    for watched in watches:
        if applies(watched, key):
            found.setdefault((watched.chart, watched.side), watched)
    return list(found.values())


def in_time(moment: datetime, since: datetime | None) -> bool:
    """Whether a value of that moment counts."""
    return since is None or moment >= since


def _of_subject(watched: Watched, artefact: bool, subject: str, feature: str, instrument: str) -> bool:
    wanted = watched.artefact if artefact else watched.part
    other = watched.part if artefact else watched.artefact
    return (
        other is None
        and wanted in (None, subject)
        and watched.feature in (None, feature)
        and watched.instrument in (None, instrument)
    )


_Place = tuple[str, str, SeriesKey]
"""Chart, the sides that it watches, and the series."""


class DriftSeriesState(msgspec.Struct, frozen=True):
    """What a `DriftWatch` knows, to be continued: its charts, and its signals that are not on record."""

    monitors: tuple[tuple[str, str, SeriesKey, Monitor], ...]
    unreported: tuple[DriftSignal, ...]


class DriftWatch:
    """The fold over the journal: one chart for each watched series, and which signals are not on record yet.

    A series is reported once when its chart begins to signal and again only after it was in control in between.
    """

    def __init__(self, settings: Drift, fetch: Fetch) -> None:
        self._settings = settings
        self._fetch = fetch
        self._monitors: dict[_Place, Monitor] = {}
        self._unreported: dict[_Place, DriftSignal] = {}

    def apply(self, record: Record) -> None:
        """Fold one record, read or just written."""
        if isinstance(record.body, Measurement):
            self._observe_measurement(record.seq, record.body)
        elif isinstance(record.body, DriftSignal):
            self._unreported.pop(_place(record.body), None)

    def state(self) -> DriftSeriesState:
        """All that it knows."""
        charts = tuple((*place, monitor) for place, monitor in self._monitors.items())
        return DriftSeriesState(charts, tuple(self._unreported.values()))

    def resume(self, state: DriftSeriesState) -> None:
        """Continue what another watch with the same settings knew."""
        for chart, side, key, monitor in state.monitors:
            self._monitors[chart, side, key] = monitor
        for signal in state.unreported:
            self._unreported[_place(signal)] = signal

    def unreported_signals(self) -> list[DriftSignal]:
        """The records to be written: one for each series that signals and was not reported."""
        return list(self._unreported.values())

    def _observe_measurement(self, seq: int, body: Measurement) -> None:
        trace, instrument = body.trace, body.instrument
        moment = datetime.fromisoformat(trace.measured_at)
        if body.quality_failed or not in_time(moment, self._settings.since):
            return
        artefact = trace.of_artefact
        subject = artefact if artefact is not None else trace.of_part[0]
        asked = [
            watched
            for watched in self._settings.watch
            if _of_subject(watched, artefact is not None, subject, trace.feature, instrument)
        ]
        if not asked:
            return
        for found in observations(seq, trace, instrument, self._values(body, asked)):
            for watched in watches_of(found.key, asked):
                # A reading that is no quantity is the part's matter: no chart could go on with it
                if in_time(moment, watched.since) and abs(found.value) <= LARGEST:
                    self._observe((watched.chart, watched.side, found.key), watched, found)

    def _values(self, body: Measurement, asked: Sequence[Watched]) -> Sequence[SeriesValue]:
        """The record's own characteristics where they answer everything asked, else the archived result's."""
        listed = [SeriesValue.of(c) for c in body.characteristics]
        held = {(c.name, c.instance or None) for c in listed}
        harmonics = frozenset(n for n in (harmonic_of(w.characteristic) for w in asked) if n is not None)
        enough = all(split_label(w.characteristic) in held and w.upr_min is None for w in asked)
        if enough and not harmonics:
            return listed
        whole = archived_values(body, self._fetch, harmonics)
        return whole if whole is not None else [c for c in listed if c.name != HARMONICS]

    def _observe(self, place: _Place, watched: Watched, found: Observation) -> None:
        plan = plan_of(watched, self._settings.minimum, self._settings.grow_to)
        before = self._monitors.get(place, Monitor())
        after = self._monitors[place] = observe(before, found.value, plan)
        if not after.signalling:
            self._unreported.pop(place, None)
        elif after.signalling != before.signalling:
            self._unreported[place] = drift_signal(found, after, plan)


def drift_signal(found: Observation, state: Monitor, plan: ChartPlan) -> DriftSignal:
    """The record of one series that left control."""
    key, baseline = found.key, state.baseline
    assert baseline is not None
    what = f"{key.label} of {key.subject} {key.feature} on {key.instrument} is {state.signalling}"
    reason = (
        f"{what}: {plan.chart} {state.statistic:.4g} beyond {state.limit:.4g} {found.unit} at the last value "
        f"{found.value:.4g}, in control {baseline.centre:.4g}"
    )
    if key.artefact and state.signalling == FALLING and key.label.startswith("amplitude_error"):
        reason += "; a worn or damaged stylus tip shows at high UPR like this"
    return DriftSignal(
        reason=reason[:500],
        artefact=key.subject if key.artefact else UNSET,
        part=UNSET if key.artefact else key.subject,
        feature=key.feature,
        instrument=key.instrument,
        characteristic=key.label,
        unit=found.unit,
        chart=plan.chart,
        watched_side=plan.side,
        side=str(state.signalling),
        value=found.value,
        statistic=state.statistic,
        limit=state.limit,
        centre=baseline.centre,
        sigma=baseline.sigma,
        values=state.count,
        measurement=found.seq,
    )


def _place(body: DriftSignal) -> _Place:
    subject = given(body.artefact, "") or given(body.part, "")
    key = SeriesKey(subject, body.artefact is not UNSET, body.feature, body.instrument, body.characteristic)
    return body.chart, body.watched_side, key

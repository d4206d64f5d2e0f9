"""Drift of characteristics and instruments, derived from the journal record by record.

A measurement's values come from its journal record where that holds all that is asked for, else from its
archived result. Values of a trace that failed a quality check say something of the trace, not of the process:
they are left out. What is known here can be thrown away and folded again.
"""

from __future__ import annotations

import difflib
from collections.abc import Callable, Container, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import msgspec

from edgeagent.codec.configuration.settings import Drift, Watched
from edgeagent.codec.records.record import Record
from edgeagent.errors import ConfigError, JournalCorruptError
from edgeagent.rules.control_charts import FALLING, ChartPlan, Monitor, observed

Fetch = Callable[[str], bytes]
"""The archive's content of a digest. Raises JournalCorruptError where it is missing or damaged."""
HARMONICS = "harmonic_amplitude"
_WANDERING = frozenset({"spurious_amplitude", "side_band_amplitude", "residual_noise"})
"""Characteristics whose instance says where the worst was found: one series, wherever that is."""
WHAT = "drift"
"""``what`` of the ``recovery`` records that tell a drift."""


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


class _Spectrum(msgspec.Struct, frozen=True):
    upr: list[int]
    amplitude_nm: list[float | None]
    upper_nm: list[float | None]


class _Characteristics(msgspec.Struct, frozen=True):
    """As much of an archived result as most series need; the rest is skipped unread."""

    characteristics: list[dict[str, Any]]


class _WithSpectrum(msgspec.Struct, frozen=True):
    characteristics: list[dict[str, Any]]
    spectrum: _Spectrum | None = None


_DECODER = msgspec.json.Decoder(_Characteristics)
_SPECTRUM_DECODER = msgspec.json.Decoder(_WithSpectrum)


def archived(
    body: Mapping[str, Any], fetch: Fetch, harmonics: frozenset[int] | None = frozenset()
) -> list[dict[str, Any]] | None:
    """All characteristics of a measurement record's result; None where the archive cannot tell.

    A result lists a harmonic only when it is near to or beyond its limit, which is no series: the amplitudes at
    the UPR of ``harmonics`` come from its spectrum instead, all others are left out; None takes every harmonic
    that has a limit.
    """
    try:
        return from_result(fetch(str(body["result_sha256"])), harmonics)
    except JournalCorruptError:
        return None


def from_result(data: bytes, harmonics: frozenset[int] | None = frozenset()) -> list[dict[str, Any]] | None:
    """As ``archived``, from the bytes of a result."""
    try:
        listed = _DECODER.decode(data).characteristics
        spectrum = None if harmonics == frozenset() else _SPECTRUM_DECODER.decode(data).spectrum
    except msgspec.DecodeError:
        return None
    found = [c for c in listed if c["name"] != HARMONICS]
    if spectrum is not None:
        rows = zip(spectrum.upr, spectrum.amplitude_nm, spectrum.upper_nm, strict=True)
        found += [
            {"name": HARMONICS, "instance": str(n), "value": v, "unit": "nm", "lower": None, "upper": u}
            for n, v, u in rows
            if (u is not None if harmonics is None else n in harmonics)
        ]
    return found


def observations(
    seq: int, trace: Mapping[str, Any], instrument: str, characteristics: Iterable[Mapping[str, Any]]
) -> Iterator[Observation]:
    """The values among the characteristics of one measured trace, without those that could not be computed."""
    artefact = trace.get("artefact")
    for c in characteristics:
        if c["value"] is None:
            continue
        instance = _series_instance(c)
        label = f"{c['name']}[{instance}]" if instance else str(c["name"])
        subject = str(artefact if artefact is not None else trace.get("part"))
        yield Observation(
            SeriesKey(subject, artefact is not None, str(trace["feature"]), instrument, label),
            seq,
            str(trace["measured_at"]),
            str(trace.get("serial") or ""),
            str(trace.get("operator") or ""),
            float(c["value"]),
            str(c["unit"]),
            c["lower"],
            c["upper"],
        )


def _series_instance(c: Mapping[str, Any]) -> str:
    """Which series of its name a value belongs to: not where the worst was found, which wanders.

    Of a ``resonance_amplitude`` that is the resonance, as ``@1200``, whichever order meets it.
    """
    if c["name"] in _WANDERING:
        return ""
    instance = str(c["instance"])
    return "@" + instance.rpartition("@")[2] if c["name"] == "resonance_amplitude" else instance


def belongs(c: Mapping[str, Any], name: str, instance: str | None) -> bool:
    """Whether a characteristic is of that name and, where one is given, of that instance or series."""
    return c["name"] == name and instance in (None, c["instance"], _series_instance(c))


def split_label(label: str) -> tuple[str, str | None]:
    """``name[instance]`` as name and instance; None without brackets."""
    name, mark, rest = label.partition("[")
    return (name, rest.removesuffix("]")) if mark else (label, None)


def harmonic_of(label: str) -> int | None:
    """The UPR of a ``harmonic_amplitude[upr]``, None for anything else."""
    name, instance = split_label(label)
    return int(instance) if name == HARMONICS and instance and instance.isdecimal() else None


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


class DriftWatch:
    """The fold over the journal: one chart for each watched series, and which signals are not told yet.

    A series is told once when its chart begins to signal and again only after it was as usual in between.
    """

    def __init__(self, settings: Drift, fetch: Fetch) -> None:
        self._settings = settings
        self._fetch = fetch
        self._monitors: dict[_Place, Monitor] = {}
        self._untold: dict[_Place, dict[str, Any]] = {}

    def apply(self, record: Record) -> None:
        """Fold one record, read or just written."""
        if record.kind == "measurement":
            self._measured(record)
        elif record.kind == "recovery" and record.body.get("what") == WHAT:
            self._untold.pop(_place(record.body), None)

    def untold(self) -> list[tuple[str, Mapping[str, Any]]]:
        """The records to be written: a ``recovery`` for each series that signals and was not told."""
        return [("recovery", body) for body in self._untold.values()]

    def _measured(self, record: Record) -> None:
        body = record.body
        trace, instrument = body["trace"], str(body["instrument"])
        moment = datetime.fromisoformat(str(trace["measured_at"]))
        if body["quality_failed"] or not in_time(moment, self._settings.since):
            return
        artefact = trace.get("artefact")
        subject = str(artefact if artefact is not None else trace.get("part"))
        asked = [
            watched
            for watched in self._settings.watch
            if _of_subject(watched, artefact is not None, subject, str(trace["feature"]), instrument)
        ]
        if not asked:
            return
        for found in observations(record.seq, trace, instrument, self._values(body, asked)):
            for watched in watches_of(found.key, asked):
                if in_time(moment, watched.since):
                    self._observed((watched.chart, watched.side, found.key), watched, found)

    def _values(self, body: Mapping[str, Any], asked: Sequence[Watched]) -> Sequence[Mapping[str, Any]]:
        """The record's own characteristics where they answer everything asked, else the archived result's."""
        listed: Sequence[Mapping[str, Any]] = body["characteristics"]
        held = {(c["name"], c["instance"] or None) for c in listed}
        harmonics = frozenset(n for n in (harmonic_of(w.characteristic) for w in asked) if n is not None)
        enough = all(split_label(w.characteristic) in held and w.upr_min is None for w in asked)
        if enough and not harmonics:
            return listed
        whole = archived(body, self._fetch, harmonics)
        return whole if whole is not None else [c for c in listed if c["name"] != HARMONICS]

    def _observed(self, place: _Place, watched: Watched, found: Observation) -> None:
        plan = plan_of(watched, self._settings.minimum, self._settings.grow_to)
        before = self._monitors.get(place, Monitor())
        after = self._monitors[place] = observed(before, found.value, plan)
        if not after.signalling:
            self._untold.pop(place, None)
        elif after.signalling != before.signalling:
            self._untold[place] = _told(found, after, plan)


def _told(found: Observation, state: Monitor, plan: ChartPlan) -> dict[str, Any]:
    """The body of the record that tells one drift."""
    key, usual = found.key, state.usual
    assert usual is not None
    what = f"{key.label} of {key.subject} {key.feature} on {key.instrument} is {state.signalling}"
    reason = (
        f"{what}: {plan.chart} {state.statistic:.4g} beyond {state.limit:.4g} {found.unit} at the last value "
        f"{found.value:.4g}, usual {usual.centre:.4g}"
    )
    if key.artefact and state.signalling == FALLING and key.label.startswith("amplitude_error"):
        reason += "; a worn or damaged stylus tip shows at high UPR like this"
    return {
        "what": WHAT,
        "reason": reason[:500],
        "artefact" if key.artefact else "part": key.subject,
        "feature": key.feature,
        "instrument": key.instrument,
        "characteristic": key.label,
        "unit": found.unit,
        "chart": plan.chart,
        "watched_side": plan.side,
        "side": state.signalling,
        "value": found.value,
        "statistic": state.statistic,
        "limit": state.limit,
        "centre": usual.centre,
        "sigma": usual.sigma,
        "values": state.count,
        "measurement": found.seq,
    }


def _place(body: Mapping[str, Any]) -> _Place:
    artefact = "artefact" in body
    subject = str(body["artefact" if artefact else "part"])
    key = SeriesKey(
        subject, artefact, str(body["feature"]), str(body["instrument"]), str(body["characteristic"])
    )
    return str(body["chart"]), str(body["watched_side"]), key

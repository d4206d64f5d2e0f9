"""Options and work of the commands that look at many stores, with many processors or a cluster."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import click

from edgeagent.codec.configuration.settings import parse_settings
from edgeagent.codec.records.record import Record
from edgeagent.commands.shared_progress import show_progress
from edgeagent.commands.shared_series import SeriesFilter, collect_series, unread_note
from edgeagent.errors import AgentError, ConfigError, JournalCorruptError, UsageError
from edgeagent.judging.drift import Observation, SeriesKey, observations
from edgeagent.judging.studies.observed import ObservedTraces, ObservedValues
from edgeagent.judging.studies.trend import Series
from edgeagent.model.records import ConfigurationRead, Measurement, TraceIdentity
from edgeagent.store.journal import JournalReader
from edgeagent.store.replaying.executors import Executor, LocalExecutor, in_order
from edgeagent.store.replaying.places import NEEDS_CLUSTER, StorePlace, is_url, journal_of
from edgeagent.store.replaying.series import SeriesChunk, read_values
from edgeagent.store.verify import journal_folder

STORES = click.option(
    "--store", "stores", multiple=True, help="A store's folder, or its URL (extra cluster). May be repeated."
)
STORE_LIST = click.option(
    "--stores",
    "store_list",
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="A file that names stores, one folder or URL a line.",
)
SCHEDULER = click.option(
    "--scheduler", help="Compute on the workers of this Dask scheduler, as tcp://HOST:8786 (extra cluster)."
)
PARQUET = click.option(
    "--parquet",
    type=click.Path(path_type=Path),
    help="Also write a new folder of Parquet files by site, part and month (extra parquet).",
)
_CHUNK = 200
"""Measurements read by one worker at a time: enough to be worth the way, few enough to share out evenly."""


class StationName(NamedTuple):
    """Where a measurement was made, by the configuration on record."""

    site: str = "unknown"
    cell: str = "unknown"
    name: str = "unknown"


def named_stores(stores: Sequence[str], store_list: Path | None) -> tuple[str, ...]:
    """All stores that the options name, each once, in order. Raises UsageError for a list that is no text."""
    try:
        listed = [] if store_list is None else store_list.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        words = error.strerror if isinstance(error, OSError) else "is not UTF-8"
        raise UsageError(f"--stores {store_list}: {words}") from error
    lines = (line.strip() for line in listed)
    # Each once: a store named twice would count its parts twice.
    return tuple(dict.fromkeys((*stores, *(line for line in lines if line and not line.startswith("#")))))


def computing(scheduler: str | None, jobs: int | None = None) -> AbstractContextManager[Executor]:
    """Who computes. Raises UsageError without the extra, AgentError without a cluster that can."""
    if scheduler is None:
        return LocalExecutor(jobs)
    try:
        from edgeagent.store.replaying.cluster import ClusterExecutor
    except ImportError as error:
        raise UsageError(f"--scheduler {NEEDS_CLUSTER}") from error
    return ClusterExecutor(scheduler)


def partitioned(out: Path | None, table: str) -> AbstractContextManager[Any]:
    """The folder of Parquet files that is asked for, None for none; see `export.partitioned`."""
    if out is None:
        return nullcontext()
    try:
        from edgeagent.store.export.partitioned import TABLES_BY_NAME, new_partitioned
    except ImportError as error:
        raise UsageError("--parquet needs pyarrow: pip install 'edgeagent[parquet]'") from error
    return new_partitioned(out, TABLES_BY_NAME[table])


def month_of(measured_at: str) -> tuple[datetime, str]:
    """A time of measuring in UTC, and its month."""
    moment = datetime.fromisoformat(measured_at).astimezone(UTC)
    return moment, moment.strftime("%Y-%m")


def station_row(
    station: StationName, seq: int, moment: datetime, trace: TraceIdentity, instrument: str
) -> tuple[Any, ...]:
    """The columns that all partitioned tables begin with."""
    artefact = trace.of_artefact
    serial = None if artefact is not None else trace.of_part[1]
    return station.cell, station.name, seq, moment, serial, artefact, trace.feature, instrument


@dataclass(frozen=True, slots=True)
class _OfChunk:
    """What stays with this process of a chunk."""

    store: int
    station: StationName
    records: tuple[Record, ...]


class ManyStores:
    """Series over several stores. Where there are several, an instrument is named with its station.

    ``unread`` counts, by store, the results that its archive does not have.
    """

    def __init__(self, roots: Sequence[str], wanted: SeriesFilter) -> None:
        self._places = [StorePlace.of(root) for root in roots]
        self._roots, self._wanted = roots, wanted
        self.unread = dict.fromkeys(roots, 0)

    def collect(self, executor: Executor, rows: Any = None) -> list[Series]:
        """All series, each by the time of measuring; ``rows`` takes them as `partitioned.OBSERVED`, too.

        Raises UsageError where a store has no journal, JournalCorruptError, AgentError where it cannot be read.
        """
        found: dict[SeriesKey, list[tuple[datetime, int, Observation]]] = {}
        work = in_order(executor, read_values, self._chunks())
        for kept, values in work:
            for record, listed in zip(kept.records, values or (), strict=True):
                if listed is None:
                    self.unread[self._roots[kept.store]] += 1
                    continue
                self._add(found, kept, record, listed, rows)
        traces, series = ObservedTraces(), []
        for key, each in found.items():
            # By time of measuring, as record numbers of several stores mean nothing to each other; store and
            # number keep ties in order.
            each.sort(key=lambda one: (one[0], one[1], one[2].seq))
            ordered = ObservedValues(key, traces)
            for _, _, o in each:
                place = traces.add(o.seq, o.measured_at, o.serial, o.operator)
                ordered.add((place,), (o.value,), (o.unit, o.lower, o.upper))
            series.append(Series(key, ordered))
        return series

    def _add(
        self, found: dict[SeriesKey, list[tuple[datetime, int, Observation]]], kept: _OfChunk, record: Record,
        listed: list[Any], rows: Any,
    ) -> None:  # fmt: skip
        body = record.body
        assert isinstance(body, Measurement)
        trace, instrument = body.trace, body.instrument
        moment, month = month_of(trace.measured_at)
        head = station_row(kept.station, record.seq, moment, trace, instrument)
        part = None if trace.of_artefact is not None else trace.of_part[0]
        # Two cells may both have a gauge-1.
        named = instrument if len(self._roots) == 1 else "/".join((*kept.station[:2], instrument))
        for one in observations(record.seq, trace, named, filter(self._wanted.asks_for, listed)):
            found.setdefault(one.key, []).append((moment, kept.store, one))
            if rows is not None:
                limits = one.lower, one.upper
                row = (*head, one.operator or None, one.key.label, one.value, one.unit, *limits)
                rows.add(kept.station.site, part, month, row)

    def _chunks(self) -> Iterator[tuple[_OfChunk, SeriesChunk | None]]:
        harmonics = self._wanted.harmonics()
        for at, place in enumerate(self._places):
            with journal_of(place) as folder:
                station = StationName()
                records: list[Record] = []
                walk = (record for record, _ in JournalReader(journal_folder(folder)).walk())
                for record in show_progress(walk, "records"):
                    body = record.body
                    if isinstance(body, ConfigurationRead):
                        yield self._chunk(at, station, records, harmonics)
                        records = []
                        # An archive without it leaves the station as it was, or the series would be split.
                        station = station_of(place, body.agent_sha256) or station
                    elif isinstance(body, Measurement) and self._wanted.takes(body):
                        records.append(record)
                    if len(records) == _CHUNK:
                        yield self._chunk(at, station, records, harmonics)
                        records = []
                yield self._chunk(at, station, records, harmonics)

    def _chunk(
        self, at: int, station: StationName, records: list[Record], harmonics: frozenset[int] | None
    ) -> tuple[_OfChunk, SeriesChunk | None]:
        bodies = tuple(r.body for r in records if isinstance(r.body, Measurement))
        chunk = SeriesChunk(self._places[at], bodies, harmonics) if bodies else None
        return _OfChunk(at, station, tuple(records)), chunk

    def refuse_unread(self) -> None:
        """Raise AgentError where a result is missing: what is written for an engine must be whole."""
        lacking = self.unread_words()
        if lacking:
            raise AgentError(f"{'; '.join(lacking)}; nothing was written")

    def unread_words(self) -> list[str]:
        """A sentence for each store that misses results."""
        return [
            f"{root}: {count} archived results are missing or damaged"
            for root, count in self.unread.items()
            if count
        ]


def station_of(place: StorePlace, agent_sha256: str) -> StationName | None:
    """The station of an agent.toml on record; None where it cannot be read."""
    try:
        found = parse_settings(place.archive().get(agent_sha256), "agent.toml").station
    except (ConfigError, JournalCorruptError):
        return None
    return StationName(found.site, found.cell, found.name)


def series_of(
    roots: Sequence[str], wanted: SeriesFilter, scheduler: str | None, parquet: Path | None
) -> list[Series]:
    """All series of the stores that fit; results that their archives do not have are named on stderr.

    Raises UsageError, JournalCorruptError, AgentError; with ``parquet`` also where a result is missing.
    """
    # One store on this machine has a table of values, which is many times as fast.
    if len(roots) == 1 and not is_url(roots[0]) and scheduler is None and parquet is None:
        series, unread = collect_series(Path(roots[0]), wanted)
        if unread:
            click.echo(unread_note(unread), err=True)
        return series
    many = ManyStores(roots, wanted)
    with computing(scheduler) as executor, partitioned(parquet, "observed") as rows:
        series = many.collect(executor, rows)
        if rows is not None:
            many.refuse_unread()
    for words in many.unread_words():
        click.echo(f"edgeagent: {words}; left out", err=True)
    return series

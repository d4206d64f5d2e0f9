"""``edgeagent trend``: how a characteristic or an instrument has behaved, from the journal and its archive."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from edgeagent.codec.plain_text import aligned, clean, number
from edgeagent.errors import AgentError, AnalysisError, UsageError

if TYPE_CHECKING:
    from edgeagent.codec.configuration.settings import Drift
    from edgeagent.judging.drift import Observation, SeriesKey
    from edgeagent.rules.control_charts import (
        Baseline,
        Capability,
        ChartPlan,
        ControlChart,
        CusumChart,
        Monitor,
    )

SCHEMA = "edgeagent.trend/1"
_MINIMUM, _GROW_TO = 25, 100
_PICTURES_MAX = 8
_WIDTH, _HEIGHT = 64, 11
_LIMIT_COLOUR, _SIGNAL_COLOUR = "#0b5d6b", "#1c2733"
"""Colours of a picture: those of the report."""


@dataclass(frozen=True, slots=True)
class Series:
    """The values of one series in the order of the journal, oldest first."""

    key: SeriesKey
    found: tuple[Observation, ...]

    @property
    def values(self) -> list[float]:
        """The values alone."""
        return [o.value for o in self.found]

    @property
    def title(self) -> str:
        """Who and what, for a heading."""
        k = self.key
        return f"{k.label} of {k.subject} {k.feature} on {k.instrument}"


@dataclass(frozen=True, slots=True)
class Trend:
    """A series with its charts; ``reason`` says why there are none. ``provisional``: few values to judge by."""

    series: Series
    usual: Baseline | None
    provisional: bool
    individuals: ControlChart | None = None
    ewma: ControlChart | None = None
    cusum: CusumChart | None = None
    watched: tuple[tuple[ChartPlan, Monitor], ...] = ()
    capability: Capability | None = None
    reason: str = ""


@click.command()
@click.option(
    "--store", type=click.Path(path_type=Path), help="The store's folder; no configuration is needed."
)
@click.option(
    "--config",
    type=click.Path(path_type=Path),
    help="The station's agent.toml, which names the store and what is watched for drift.",
)
@click.option("--characteristic", help="Only this one: a name, or NAME[INSTANCE] such as amplitude_error[180].")
@click.option("--instrument", help="Only values of this instrument.")
@click.option("--part", help="Only values of this part number or artefact.")
@click.option("--since", type=click.DateTime(), help="Only traces measured from this time on (UTC).")
@click.option(
    "--minimum",
    type=click.IntRange(2),
    help=f"Values that make the first baseline; [drift] minimum or {_MINIMUM} by default.",
)
@click.option(
    "--json", "as_json", is_flag=True, help="One object a series and line on stdout, nothing else there."
)
@click.option(
    "--picture", type=click.Path(path_type=Path, dir_okay=False), help="Also draw the charts (PNG, SVG)."
)
def trend(
    store: Path | None, config: Path | None, characteristic: str | None, instrument: str | None,
    part: str | None, since: datetime | None, minimum: int | None, as_json: bool, picture: Path | None,
) -> None:  # fmt: skip
    """Print how characteristics have behaved: charts, signals and capability.

    Without --characteristic one line a series; harmonic amplitudes only when asked for by name.
    The baseline is made by the first values and grows with usual ones to 100, or as [drift] says. Traces that
    failed a quality check are left out.

    \b
    Example:
      edgeagent trend --store store --characteristic roundness_total --part KX-2005-R
    """
    from edgeagent.codec.records.result import encode

    folder, drift = _opened(store, config)
    wanted = since.replace(tzinfo=since.tzinfo or UTC) if since is not None else drift.since if drift else None
    lost: list[int] = []
    series = collect(folder, characteristic, instrument, part, wanted, lost)
    if lost:
        click.echo(f"edgeagent: {len(lost)} results could not be read from the archive; left out", err=True)
    if not series:
        raise UsageError("no value in the journal fits what was asked for")
    needed = minimum or (drift.minimum if drift is not None else _MINIMUM)
    trends = [charted(s, needed, drift) for s in series]
    if picture is not None:
        _draw(trends, picture)
    if as_json:
        for one in trends:
            click.echo(encode(as_object(one)).decode())
    elif characteristic is None:
        click.echo("\n".join(_overview(trends)))
    else:
        click.echo("\n\n".join("\n".join(printed(one)) for one in trends))


def _opened(store: Path | None, config: Path | None) -> tuple[Path, Drift | None]:
    if (store is None) == (config is None):
        raise UsageError("say one of --store and --config")
    if store is not None:
        return store, None
    assert config is not None
    from edgeagent.store.configuration import load_configuration

    configuration = load_configuration(config)
    return configuration.store, configuration.settings.drift


def collect(
    folder: Path,
    characteristic: str | None,
    instrument: str | None,
    part: str | None,
    since: datetime | None,
    lost: list[int],
    *,
    judged_harmonics: bool = False,
) -> list[Series]:
    """All series of a store that fit, each oldest first; with ``judged_harmonics`` of limited harmonics too.

    ``lost`` takes the numbers of measurement records whose archived result cannot be read. Raises
    JournalCorruptError where the journal is damaged, UsageError where there is none.
    """
    from edgeagent.judging.drift import HARMONICS, archived, belongs, harmonic_of, observations, split_label
    from edgeagent.store.archive import Archive
    from edgeagent.store.journal import JournalReader
    from edgeagent.store.verify import journal_folder

    journal = journal_folder(folder)
    if not journal.is_dir():
        raise UsageError(f"{folder}: there is no journal here")
    archive = Archive(journal.parent / "archive")
    name, instance = split_label(characteristic) if characteristic is not None else (None, None)
    upr = harmonic_of(characteristic) if characteristic is not None else None
    if name == HARMONICS and upr is None and not judged_harmonics:
        raise UsageError(
            f"--characteristic {characteristic}: say which one, such as {HARMONICS}[37] for 37 UPR"
        )
    harmonics = frozenset({upr} if upr is not None else ()) if not judged_harmonics else None
    found: dict[SeriesKey, list[Observation]] = {}
    for record, _ in JournalReader(journal).walk():
        if record.kind != "measurement" or record.body["quality_failed"]:
            continue
        trace, by = record.body["trace"], str(record.body["instrument"])
        subject = trace.get("artefact") or trace.get("part")
        moment = datetime.fromisoformat(str(trace["measured_at"]))
        if (
            instrument not in (None, by)
            or part not in (None, subject)
            or (since is not None and moment < since)
        ):
            continue
        characteristics = archived(record.body, archive.get, harmonics)
        if characteristics is None:
            lost.append(record.seq)
            continue
        if name is not None:
            characteristics = [c for c in characteristics if belongs(c, name, instance)]
        for one in observations(record.seq, trace, by, characteristics):
            found.setdefault(one.key, []).append(one)
    return [Series(key, tuple(values)) for key, values in found.items()]


def charted(series: Series, minimum: int, drift: Drift | None = None) -> Trend:
    """The charts of a series; their baseline is made by usual values, as the service makes it."""
    from edgeagent.rules import control_charts as charts

    values, last = series.values, series.found[-1]
    capability = None
    if len(set(values)) > 1 and (last.lower is not None or last.upper is not None):
        capability = charts.capability(values, last.lower, last.upper)
    try:
        usual = charts.usual_baseline(values, minimum, _GROW_TO if drift is None else drift.grow_to)
    except AnalysisError as error:
        return Trend(series, None, True, reason=str(error))
    return Trend(
        series,
        usual,
        len(values) < minimum,
        charts.individuals_chart(values, usual),
        charts.ewma_chart(values, usual),
        charts.cusum_chart(values, usual.centre, 0.5 * usual.sigma, 5 * usual.sigma),
        tuple(_watched(series, minimum, drift)) if drift is not None else (),
        capability,
    )


def _watched(series: Series, minimum: int, drift: Drift) -> Iterator[tuple[ChartPlan, Monitor]]:
    """The charts by which the service watches the series, in the state in which its values leave them."""
    from edgeagent.judging.drift import in_time, plan_of, watches_of
    from edgeagent.rules.control_charts import Monitor, observed

    for one in watches_of(series.key, drift.watch):
        plan, state = plan_of(one, minimum, drift.grow_to), Monitor()
        for found in series.found:
            if in_time(datetime.fromisoformat(found.measured_at), one.since):
                state = observed(state, found.value, plan)
        yield plan, state


def signals(trend: Trend) -> Mapping[str, list[tuple[int, str]]]:
    """Index and side of the signals of each chart by its name."""
    found = {"individuals": trend.individuals, "ewma": trend.ewma, "cusum": trend.cusum}
    return {
        name: [(s.index, s.side) for s in chart.signals] for name, chart in found.items() if chart is not None
    }


def as_object(trend: Trend) -> dict[str, Any]:
    """A trend as JSON values."""
    series = trend.series
    last = series.found[-1]
    return {
        "schema": SCHEMA,
        **asdict(series.key),
        "unit": last.unit,
        "lower": last.lower,
        "upper": last.upper,
        "baseline": asdict(trend.usual) if trend.usual is not None else None,
        "provisional": trend.provisional,
        "reason": trend.reason,
        "values": [
            {"seq": o.seq, "measured_at": o.measured_at, "serial": o.serial, "value": o.value}
            for o in series.found
        ],
        "individuals": asdict(trend.individuals) if trend.individuals else None,
        "ewma": asdict(trend.ewma) if trend.ewma else None,
        "cusum": asdict(trend.cusum) if trend.cusum else None,
        "watched": [
            {"chart": p.chart, "side": p.side, "statistic": m.statistic, "limit": m.limit,
             "signalling": m.signalling or None}
            for p, m in trend.watched
        ],
        "capability": asdict(trend.capability) if trend.capability else None,
    }  # fmt: skip


def _overview(trends: Sequence[Trend]) -> list[str]:
    rows = [("characteristic", "values", "usual", "sigma", "last", "unit", "Cpk", "signals")]
    for one in trends:
        usual, capable = one.usual, one.capability
        told = "; ".join(_brief(name, found, one) for name, found in signals(one).items() if found) or "none"
        told = one.reason or (f"{told} (provisional)" if one.provisional else told)
        rows.append(
            (
                one.series.title,
                str(len(one.series.found)),
                number(usual.centre) if usual else "-",
                number(usual.sigma) if usual else "-",
                number(one.series.values[-1]),
                one.series.found[-1].unit,
                "-" if capable is None else f"{capable.cpk:.2f} ({capable.cpk_bounds[0]:.2f} at least)",
                told,
            )
        )
    return aligned(rows, "")


def _brief(name: str, found: Sequence[tuple[int, str]], trend: Trend) -> str:
    """How often one chart signals, and the side where it does so at the last value."""
    index, side = found[-1]
    now = f", {side} now" if index == len(trend.series.found) - 1 else ""
    return f"{name} {len({i for i, _ in found})}{now}"


def printed(trend: Trend) -> list[str]:
    """A trend for a terminal: the values as a chart of characters, then the figures."""
    series = trend.series
    first, last = series.found[0], series.found[-1]
    lines = [
        f"{clean(series.title)}: {len(series.found)} values, {clean(first.measured_at)} to "
        f"{clean(last.measured_at)}",
    ]
    usual, individuals = trend.usual, trend.individuals
    if usual is None or individuals is None:
        return [*lines, f"  no chart: {trend.reason}"]
    lines += drawn(series.values, individuals, {i for i, _ in signals(trend)["individuals"]}, last.unit)
    lines.append(
        f"  usual {number(usual.centre)} {last.unit}, sigma {number(usual.sigma)} from the moving range of "
        f"{usual.count} usual values"
    )
    if trend.provisional:
        lines.append("  provisional: fewer values than the baseline asks for")
    lines += _agreement_lines(series.values)
    lines += list(_chart_lines(trend))
    lines += list(_capability_lines(trend.capability, last))
    return lines


def _agreement_lines(values: Sequence[float]) -> Iterator[str]:
    """A warning where neighbours agree, since charts take values for independent."""
    from edgeagent.rules.control_charts import neighbour_correlation

    found = neighbour_correlation(values)
    if found > max(0.3, 3 / math.sqrt(len(values))):
        yield (
            f"  neighbours agree (correlation {found:.2f}): a drift, or a process whose sigma the moving range "
            "makes too small"
        )


def _chart_lines(trend: Trend) -> Iterator[str]:
    assert trend.individuals is not None
    assert trend.ewma is not None
    assert trend.cusum is not None
    ends = {
        "individuals": (
            trend.individuals.statistic[-1],
            trend.individuals.lower[-1],
            trend.individuals.upper[-1],
        ),
        "ewma": (trend.ewma.statistic[-1], trend.ewma.lower[-1], trend.ewma.upper[-1]),
        "cusum": (max(trend.cusum.high[-1], trend.cusum.low[-1]), 0.0, trend.cusum.decision),
    }
    for name, found in signals(trend).items():
        value, lower, upper = ends[name]
        told = "no signal"
        if found:
            index, side = found[0]
            seq = trend.series.found[index].seq
            many = "1 signal" if len(found) == 1 else f"{len(found)} signals, the first"
            told = f"{many} {side} at value {index + 1} (record {seq})"
        yield f"  {name:<12} now {number(value)} of {number(lower)} to {number(upper)}: {told}"
    for plan, state in trend.watched:
        word = f"is {state.signalling}" if state.signalling else "as usual"
        yield f"  watched by {plan.chart} ({plan.side}): {word}"


def _capability_lines(found: Capability | None, last: Observation) -> Iterator[str]:
    if found is None:
        return
    limits = f"limits {number(last.lower)} to {number(last.upper)} {last.unit}"
    text = f"Cpk {found.cpk:.2f} ({found.cpk_bounds[0]:.2f} to {found.cpk_bounds[1]:.2f})"
    if found.cp is not None and found.cp_bounds is not None:
        text = f"Cp {found.cp:.2f} ({found.cp_bounds[0]:.2f} to {found.cp_bounds[1]:.2f}), {text}"
    yield f"  capability   {text} at {100 * found.confidence:g} % confidence if normal, {limits}"


def drawn(values: Sequence[float], chart: ControlChart, marked: set[int], unit: str) -> list[str]:
    """Values over their order as characters: ``o`` for a value, ``X`` for one beyond a limit.

    Dashes are the limits, dots the centre. Of a series longer than the chart is wide the newest are shown.
    """
    begin = max(0, len(values) - _WIDTH)
    shown = values[begin:]
    lines_at = (chart.lower[-1], chart.centre, chart.upper[-1])
    low, high = min((*shown, *lines_at)), max((*shown, *lines_at))
    step = (high - low) / (_HEIGHT - 1)

    def row_of(value: float) -> int:
        return min(_HEIGHT - 1, max(0, math.floor((high - value) / step + 0.5)))

    rows = [[" "] * len(shown) for _ in range(_HEIGHT)]
    for level, mark in zip(lines_at, "-.-", strict=True):
        rows[row_of(level)] = [mark] * len(shown)
    for column, value in enumerate(shown):
        rows[row_of(value)][column] = "X" if begin + column in marked else "o"
    names = {row_of(chart.upper[-1]): chart.upper[-1], row_of(chart.centre): chart.centre}
    names[row_of(chart.lower[-1])] = chart.lower[-1]
    labels = [number(names[r]) if r in names else "" for r in range(_HEIGHT)]
    left = max(len(label) for label in labels) + 2
    lines = [f"  {clean(unit)}"]
    lines += [f"{label:>{left}} |{''.join(row)}".rstrip() for label, row in zip(labels, rows, strict=True)]
    return [*lines, f"{'':>{left}} +{'-' * len(shown)} values {begin + 1} to {len(values)}"]


def _draw(trends: Sequence[Trend], path: Path) -> None:
    """The three charts of each series in a row of one picture."""
    drawable = [t for t in trends if t.usual is not None]
    if not drawable:
        raise AgentError(f"{path}: no picture: no series has a spread to judge by")
    if len(drawable) > _PICTURES_MAX:
        raise UsageError(
            f"--picture draws {_PICTURES_MAX} series at most, these are {len(drawable)}: narrow them down with "
            "--characteristic, --part or --instrument"
        )
    try:
        from matplotlib.figure import Figure
    except ImportError as error:
        raise AgentError('--picture needs the extra "report": pip install "edgeagent[report]"') from error
    figure = Figure(figsize=(13, 0.4 + 2.6 * len(drawable)), layout="constrained")
    grid = figure.subplots(len(drawable), 3, squeeze=False)
    for row, one in zip(grid, drawable, strict=True):
        _draw_row(row, one)
    try:
        figure.savefig(path, dpi=110)
    except (OSError, ValueError) as error:
        raise AgentError(f"{path}: no picture: {error}") from error


def _draw_row(row: Any, one: Trend) -> None:
    assert one.individuals is not None
    assert one.ewma is not None
    assert one.cusum is not None
    last = one.series.found[-1]
    numbers = range(1, len(one.series.found) + 1)
    for axes, (name, chart) in zip(row, (("individuals", one.individuals), ("EWMA", one.ewma)), strict=False):
        axes.plot(numbers, chart.statistic, "-o", color="black", markersize=2.5, linewidth=0.7)
        axes.plot(numbers, chart.upper, "--", numbers, chart.lower, "--", color="0.45", linewidth=0.9)
        axes.axhline(chart.centre, color="0.7", linewidth=0.8)
        _mark(axes, [s.index + 1 for s in chart.signals], [s.statistic for s in chart.signals])
        axes.set_title(name, fontsize=9)
    _tolerance(row[0], (last.lower, last.upper))
    row[0].set_ylabel(clean(last.unit))
    row[0].set_xlabel(
        f"values of {clean(one.series.found[0].measured_at[:10])} to {clean(last.measured_at[:10])}",
        fontsize=8,
    )
    row[0].set_title(f"{clean(one.series.title)}: individuals", fontsize=9)
    cusum, axes = one.cusum, row[2]
    axes.plot(numbers, cusum.high, "-", color="black", linewidth=1.0, label="rising")
    axes.plot(numbers, [-v for v in cusum.low], "-", color="0.4", linewidth=1.0, label="falling")
    for level in (cusum.decision, -cusum.decision):
        axes.axhline(level, color="0.45", linestyle="--", linewidth=0.9)
    signed = [(s.index + 1, s.statistic if s.side == "rising" else -s.statistic) for s in cusum.signals]
    _mark(axes, [x for x, _ in signed], [y for _, y in signed])
    axes.set_title("CUSUM", fontsize=9)
    axes.legend(fontsize=7, loc="best")
    for axes in row:
        axes.grid(True, linewidth=0.3)
        axes.tick_params(labelsize=8)


def _tolerance(axes: Any, limits: Sequence[float | None]) -> None:
    """Limits of the recipe as solid lines, unless they lie so far off that nothing else could be seen."""
    low, high = axes.get_ylim()
    for limit in limits:
        if limit is not None and low - (high - low) < limit < high + (high - low):
            axes.axhline(limit, color=_LIMIT_COLOUR, linewidth=1.4)


def _mark(axes: Any, across: Sequence[float], up: Sequence[float]) -> None:
    """A ring about each signal."""
    if across:
        axes.plot(across, up, "o", color=_SIGNAL_COLOUR, markersize=8, markerfacecolor="none")

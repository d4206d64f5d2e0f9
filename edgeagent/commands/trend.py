"""Command ``trend``: how a characteristic or an instrument has behaved, from the journal and its archive."""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import asdict
from datetime import datetime
from pathlib import Path
from typing import Any

import click

from edgeagent.codec.configuration.settings import Drift
from edgeagent.codec.plain_text import align_rows, clean, number
from edgeagent.commands.shared_options import with_offset
from edgeagent.commands.shared_output import json_line
from edgeagent.commands.shared_series import SeriesFilter
from edgeagent.commands.shared_stores import PARQUET, SCHEDULER, STORE_LIST, STORES, named_stores, series_of
from edgeagent.commands.trend_capability import as_object, capability_lines, index_words
from edgeagent.commands.trend_charts import draw_trends, plot_chart
from edgeagent.errors import UsageError
from edgeagent.judging.studies.trend import Trend, agreement_of_neighbours, signals, trend_of
from edgeagent.store.configuration import load_configuration

SCHEMA = "edgeagent.trend/2"
_MINIMUM = 25
"""Values of a first baseline, as in [drift]: with fewer its limits alarm far too often."""


@click.command()
@STORES
@STORE_LIST
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
@SCHEDULER
@PARQUET
@click.option(
    "--picture", type=click.Path(path_type=Path, dir_okay=False), help="Also draw the charts (PNG, SVG)."
)
def trend(
    stores: tuple[str, ...], store_list: Path | None, config: Path | None, characteristic: str | None,
    instrument: str | None, part: str | None, since: datetime | None, minimum: int | None, as_json: bool,
    scheduler: str | None, parquet: Path | None, picture: Path | None,
) -> None:  # fmt: skip
    """Print how characteristics have behaved: charts, signals and capability.

    Without --characteristic one line a series; harmonic amplitudes only when asked for by name.
    The baseline is made by the first values and grows with those in control to 100, or as [drift] says.
    Traces that failed a quality check are left out. Capability is C (Cp, Cpk) only where no chart signals, else
    P (Pp, Ppk). Of several stores the values of one part stand together, by instrument with its station.

    \b
    Example:
      edgeagent trend --store store --characteristic roundness_total --part KX-2005-R
    """
    roots, drift = _open_stores(named_stores(stores, store_list), config)
    moment = with_offset(since) or (drift.since if drift is not None else None)
    series = series_of(roots, SeriesFilter(characteristic, instrument, part, moment), scheduler, parquet)
    if not series:
        raise UsageError("no value in the journal fits what was asked for")
    needed = minimum or (drift.minimum if drift is not None else _MINIMUM)
    # One after the other: charts of all series of a year would take a gigabyte
    trends: Iterable[Trend] = (trend_of(s, needed, drift) for s in series)
    if picture is not None:
        # The picture and the text both need them.
        trends = list(trends)
        draw_trends(trends, picture)
    if as_json:
        for one in trends:
            click.echo(json_line(_as_object(one)))
    elif characteristic is None:
        click.echo("\n".join(_overview(trends)))
    else:
        for number, one in enumerate(trends):
            click.echo("\n".join(["", *trend_lines(one)] if number else trend_lines(one)))


def _open_stores(stores: tuple[str, ...], config: Path | None) -> tuple[tuple[str, ...], Drift | None]:
    """The stores, and what is watched for drift where a configuration says it."""
    if (not stores) == (config is None):
        raise UsageError("say one of --store and --config")
    if config is None:
        return stores, None
    configuration = load_configuration(config)
    return (os.fspath(configuration.store),), configuration.settings.drift


def _as_object(trend: Trend) -> dict[str, Any]:
    """A trend as JSON values."""
    series = trend.series
    last = series.found[-1]
    return {
        "schema": SCHEMA,
        **asdict(series.key),
        "unit": last.unit,
        "lower": last.lower,
        "upper": last.upper,
        "baseline": asdict(trend.baseline) if trend.baseline is not None else None,
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
        "capability": as_object(trend.capability) if trend.capability else None,
    }  # fmt: skip


def _overview(trends: Iterable[Trend]) -> list[str]:
    rows = [("characteristic", "values", "centre", "sigma", "last", "unit", "capability", "signals")]
    for one in trends:
        baseline = one.baseline
        found = "; ".join(_brief(name, each, one) for name, each in signals(one).items() if each) or "none"
        found = one.reason or (f"{found} (provisional)" if one.provisional else found)
        rows.append(
            (
                one.series.title,
                str(len(one.series.found)),
                number(baseline.centre) if baseline else "-",
                number(baseline.sigma) if baseline else "-",
                number(one.series.values[-1]),
                one.series.found[-1].unit,
                "-" if one.capability is None else index_words(one.capability),
                found,
            )
        )
    return align_rows(rows, "")


def _brief(name: str, found: Sequence[tuple[int, str]], trend: Trend) -> str:
    """How often one chart signals, and the side where it does so at the last value."""
    index, side = found[-1]
    now = f", {side} now" if index == len(trend.series.found) - 1 else ""
    return f"{name} {len({i for i, _ in found})}{now}"


def trend_lines(trend: Trend) -> list[str]:
    """A trend for a terminal: the values as a chart of characters, then the figures."""
    series = trend.series
    first, last = series.found[0], series.found[-1]
    lines = [
        f"{clean(series.title)}: {len(series.found)} values, {clean(first.measured_at)} to "
        f"{clean(last.measured_at)}",
    ]
    baseline, individuals = trend.baseline, trend.individuals
    if baseline is None or individuals is None:
        return [*lines, f"  no chart: {trend.reason}"]
    lines += plot_chart(series.values, individuals, {i for i, _ in signals(trend)["individuals"]}, last.unit)
    lines.append(
        f"  centre {number(baseline.centre)} {last.unit}, sigma {number(baseline.sigma)} from the moving range "
        f"of {baseline.count} values in control"
    )
    if trend.provisional:
        lines.append("  provisional: fewer values than the baseline asks for")
    lines += _agreement_lines(series.values)
    lines += list(_chart_lines(trend))
    lines += list(capability_lines(trend.capability, last))
    return lines


def _agreement_lines(values: Sequence[float]) -> Iterator[str]:
    """A warning where neighbours agree, since charts take values for independent."""
    found = agreement_of_neighbours(values)
    # Sigma from the moving range is too small where neighbours agree, and every chart then alarms too often.
    if found is not None:
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
        outcome = "no signal"
        if found:
            index, side = found[0]
            seq = trend.series.found[index].seq
            many = "1 signal" if len(found) == 1 else f"{len(found)} signals, the first"
            outcome = f"{many} {side} at value {index + 1} (record {seq})"
        yield f"  {name:<12} now {number(value)} of {number(lower)} to {number(upper)}: {outcome}"
    for plan, state in trend.watched:
        word = f"is {state.signalling}" if state.signalling else "in control"
        yield f"  watched by {plan.chart} ({plan.side}): {word}"

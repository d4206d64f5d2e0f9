"""How a characteristic has behaved: one series of values with its control charts and its capability."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime

from edgeagent.codec.configuration.settings import Drift
from edgeagent.errors import AnalysisError
from edgeagent.judging.drift import Observation, SeriesKey, in_time, plan_of, watches_of
from edgeagent.rules import control_charts as charts

GROW_TO = 100
"""Values up to which a baseline grows where the configuration does not say."""


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
    baseline: charts.Baseline | None
    provisional: bool
    individuals: charts.ControlChart | None = None
    ewma: charts.ControlChart | None = None
    cusum: charts.CusumChart | None = None
    watched: tuple[tuple[charts.ChartPlan, charts.Monitor], ...] = ()
    capability: charts.Capability | None = None
    reason: str = ""


def trend_of(series: Series, minimum: int, drift: Drift | None = None) -> Trend:
    """The charts of a series; their baseline is made by values in control, as the service makes it.

    ``minimum`` values make the first baseline; ``drift`` names the charts by which the service watches.
    """
    values, last = series.values, series.found[-1]
    capability = None
    enough = len(values) >= charts.CAPABILITY_VALUES_MIN and len(set(values)) > 1
    if enough and (last.lower is not None or last.upper is not None):
        capability = charts.capability(values, last.lower, last.upper)
    try:
        baseline = charts.grow_baseline(values, minimum, GROW_TO if drift is None else drift.grow_to)
    except AnalysisError as error:
        return Trend(series, None, True, reason=str(error))
    return Trend(
        series,
        baseline,
        len(values) < minimum,
        charts.individuals_chart(values, baseline),
        charts.ewma_chart(values, baseline),
        charts.cusum_chart(values, baseline.centre, 0.5 * baseline.sigma, 5 * baseline.sigma),
        tuple(_continue(series, minimum, drift)) if drift is not None else (),
        capability,
    )


def _continue(series: Series, minimum: int, drift: Drift) -> Iterator[tuple[charts.ChartPlan, charts.Monitor]]:
    """The charts by which the service watches the series, in the state in which its values leave them."""
    for one in watches_of(series.key, drift.watch):
        plan, state = plan_of(one, minimum, drift.grow_to), charts.Monitor()
        for found in series.found:
            if in_time(datetime.fromisoformat(found.measured_at), one.since):
                state = charts.observe(state, found.value, plan)
        yield plan, state


def signals(trend: Trend) -> Mapping[str, list[tuple[int, str]]]:
    """Index and side of the signals of each chart by its name."""
    found = {"individuals": trend.individuals, "ewma": trend.ewma, "cusum": trend.cusum}
    return {
        name: [(s.index, s.side) for s in chart.signals] for name, chart in found.items() if chart is not None
    }

"""How a characteristic has behaved: one series of values with its control charts and its capability."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime

from edgeagent.codec.configuration.settings import Drift
from edgeagent.errors import AnalysisError, TraceRangeError
from edgeagent.judging.drift import Observation, SeriesKey, in_time, plan_of, watches_of
from edgeagent.judging.studies.observed import ObservedValues
from edgeagent.rules import capability as capable
from edgeagent.rules import control_charts as charts

GROW_TO = 100
"""Values up to which a baseline grows where the configuration does not say."""


@dataclass(frozen=True, slots=True)
class Series:
    """The values of one series in the order of the journal, oldest first."""

    key: SeriesKey
    found: Sequence[Observation]

    @property
    def values(self) -> list[float]:
        """The values alone."""
        if isinstance(self.found, ObservedValues):
            return self.found.values
        return [o.value for o in self.found]

    @property
    def title(self) -> str:
        """Who and what, for a heading."""
        k = self.key
        return f"{k.label} of {k.subject} {k.feature} on {k.instrument}"


@dataclass(frozen=True, slots=True)
class CapabilityFinding:
    """What a series says about its capability: C where ``in_control``, P otherwise.

    ``reason`` says what decides between C and P. ``by_percentiles`` counts; it is None where no distribution
    fits, or too many values are the same. ``if_normal`` is shown beside it; ``normality`` is the probability of
    the values if they were normal.
    """

    in_control: bool
    reason: str
    normality: float
    by_percentiles: capable.PercentileCapability | None
    if_normal: capable.Capability

    @property
    def letter(self) -> str:
        """First letter of the indices: C of a process shown in control, P of any other."""
        return "C" if self.in_control else "P"

    @property
    def passes_as_normal(self) -> bool:
        """Whether the test of normality lets the values pass."""
        return self.normality >= capable.NORMALITY_LEVEL


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
    capability: CapabilityFinding | None = None
    reason: str = ""


def trend_of(series: Series, minimum: int, drift: Drift | None = None) -> Trend:
    """The charts of a series; their baseline is made by values in control, as the service makes it.

    ``minimum`` values make the first baseline; ``drift`` names the charts by which the service watches.
    """
    values = series.values
    try:
        # The last value's limits are those in force.
        charts.check_usable(values, (series.found[-1].lower, series.found[-1].upper))
        baseline = charts.grow_baseline(values, minimum, GROW_TO if drift is None else drift.grow_to)
    except (AnalysisError, TraceRangeError) as error:
        return Trend(series, None, True, reason=str(error))
    found = Trend(
        series,
        baseline,
        len(values) < minimum,
        charts.individuals_chart(values, baseline),
        charts.ewma_chart(values, baseline),
        # k = 0.5 sigma, h = 5 sigma: the common choice for a shift of one sigma.
        charts.cusum_chart(values, baseline.centre, 0.5 * baseline.sigma, 5 * baseline.sigma),
        tuple(_continue(series, minimum, drift)) if drift is not None else (),
    )
    return replace(found, capability=_find_capability(found, minimum))


def _find_capability(trend: Trend, minimum: int) -> CapabilityFinding | None:
    """None for few values, without limits, and for values whose shape cannot be computed."""
    values, last = trend.series.values, trend.series.found[-1]
    if len(values) < capable.CAPABILITY_VALUES_MIN or (last.lower is None and last.upper is None):
        return None
    doubts = list(_control_doubts(trend, minimum))
    try:
        normality = capable.normality(values)
        by_percentiles = capable.percentile_capability(values, last.lower, last.upper)
        if_normal = capable.capability(values, last.lower, last.upper)
    except AnalysisError:
        return None
    reason = "; ".join(doubts) or f"no chart signals in {len(values)} values"
    return CapabilityFinding(not doubts, reason, normality, by_percentiles, if_normal)


def _control_doubts(trend: Trend, minimum: int) -> Iterator[str]:
    """Why the charts do not show the process in control; nothing where they do."""
    values = trend.series.values
    if trend.provisional:
        yield f"control is shown from {minimum} values on, these are {len(values)}"
    for name, found in signals(trend).items():
        if found:
            index, side = found[0]
            yield f"{name} signals, first {side} at value {index + 1}"
    for plan, state in trend.watched:
        if state.signalling:
            yield f"watched {plan.chart} is {state.signalling}"
    if agreement_of_neighbours(values) is not None:
        yield "neighbours agree"


def agreement_of_neighbours(values: Sequence[float]) -> float | None:
    """Correlation of neighbours where it is too large for the charts, which take values for independent.

    Beyond three standard errors of the correlation of independent values, and never below 0.3.
    """
    found = charts.neighbour_correlation(values)
    return found if found > max(0.3, 3 / math.sqrt(len(values))) else None


def _continue(series: Series, minimum: int, drift: Drift) -> Iterator[tuple[charts.ChartPlan, charts.Monitor]]:
    """The charts by which the service watches the series, in the state in which its values leave them."""
    for one in watches_of(series.key, drift.watch):
        plan, state = plan_of(one, minimum, drift.grow_to), charts.Monitor()
        for found in series.found:
            # As the service does: what lies before `since` is not watched.
            if in_time(datetime.fromisoformat(found.measured_at), one.since):
                state = charts.observe(state, found.value, plan)
        yield plan, state


def signals(trend: Trend) -> Mapping[str, list[tuple[int, str]]]:
    """Index and side of the signals of each chart by its name."""
    found = {"individuals": trend.individuals, "ewma": trend.ewma, "cusum": trend.cusum}
    return {
        name: [(s.index, s.side) for s in chart.signals] for name, chart in found.items() if chart is not None
    }

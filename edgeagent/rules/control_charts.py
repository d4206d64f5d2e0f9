"""Control charts over values in the order of their measurement: individuals, EWMA, CUSUM; and capability.

Charts are computed over a whole series for a reader, or continued value by value (``Monitor``) by whoever
watches a process. Constants are the usual ones of ISO 7870 and of the NIST/SEMATECH e-Handbook, section 6.3.2.
Values have the unit of their characteristic; limits, centre and sigma have the same one.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from statistics import NormalDist

from edgeagent.errors import AnalysisError, TraceRangeError

D2 = 1.128
"""Mean range of two normal values over their standard deviation, as tabulated."""
D4 = 3.267
"""Upper limit of the moving range of two values over its mean, as tabulated."""
RISING, FALLING, BOTH = "rising", "falling", "both"
INDIVIDUALS, EWMA, CUSUM = "individuals", "ewma", "cusum"


@dataclass(frozen=True, slots=True)
class Baseline:
    """What is usual: mean, standard deviation from the mean moving range over D2, and of how many values."""

    centre: float
    sigma: float
    count: int


@dataclass(frozen=True, slots=True)
class Signal:
    """A statistic beyond its limit at element ``index`` of the series; ``side`` is RISING or FALLING."""

    index: int
    side: str
    statistic: float
    limit: float


@dataclass(frozen=True, slots=True)
class ControlChart:
    """One statistic between two limits; all tuples have the series' length."""

    centre: float
    statistic: tuple[float, ...]
    lower: tuple[float, ...]
    upper: tuple[float, ...]
    signals: tuple[Signal, ...]


@dataclass(frozen=True, slots=True)
class CusumChart:
    """Sums of what exceeds the slack above (``high``) and below (``low``) the target, both from zero up."""

    target: float
    slack: float
    decision: float
    high: tuple[float, ...]
    low: tuple[float, ...]
    signals: tuple[Signal, ...]


@dataclass(frozen=True, slots=True)
class Capability:
    """Cp and Cpk with two-sided confidence bounds; None where a limit is missing that the index needs."""

    count: int
    mean: float
    sd: float
    confidence: float
    cp: float | None
    cp_bounds: tuple[float, float] | None
    cpk: float
    cpk_bounds: tuple[float, float]


def _finite(values: Sequence[float], least: int) -> None:
    if len(values) < least:
        raise AnalysisError(f"{len(values)} values; {least} at least are needed")
    for index, value in enumerate(values):
        if not math.isfinite(value):
            raise TraceRangeError(f"value {index} is not a finite number")


def moving_ranges(values: Sequence[float]) -> tuple[float, ...]:
    """Differences of neighbours without their sign; one fewer than ``values``."""
    return tuple(abs(b - a) for a, b in pairwise(values))


def baseline(values: Sequence[float]) -> Baseline:
    """Centre and sigma of two values or more.

    The moving range keeps slow drift out of sigma, which a standard deviation would not (NIST/SEMATECH
    6.3.2.2). Raises AnalysisError for too few values or values that are all the same, TraceRangeError.
    """
    _finite(values, 2)
    ranges = moving_ranges(values)
    sigma = math.fsum(ranges) / len(ranges) / D2
    if not sigma > 0:
        raise AnalysisError(f"the {len(values)} values are all the same: no spread to judge by")
    return Baseline(math.fsum(values) / len(values), sigma, len(values))


def _beyond(index: int, value: float, lower: float, upper: float) -> Signal | None:
    if value > upper:
        return Signal(index, RISING, value, upper)
    return Signal(index, FALLING, value, lower) if value < lower else None


def _chart(
    centre: float, statistic: Sequence[float], lower: Sequence[float], upper: Sequence[float]
) -> ControlChart:
    found = (_beyond(i, *row) for i, row in enumerate(zip(statistic, lower, upper, strict=True)))
    signals = tuple(s for s in found if s is not None)
    return ControlChart(centre, tuple(statistic), tuple(lower), tuple(upper), signals)


def individuals_chart(values: Sequence[float], usual: Baseline, limit_sigma: float = 3.0) -> ControlChart:
    """Each value against centre ± ``limit_sigma`` sigma (NIST/SEMATECH 6.3.2.2). Raises TraceRangeError."""
    _finite(values, 0)
    half = limit_sigma * usual.sigma
    n = len(values)
    return _chart(usual.centre, values, [usual.centre - half] * n, [usual.centre + half] * n)


def moving_range_chart(values: Sequence[float], usual: Baseline) -> ControlChart:
    """Moving ranges against zero and D4 times their usual mean; one element fewer than ``values``."""
    _finite(values, 2)
    ranges = moving_ranges(values)
    mean, n = D2 * usual.sigma, len(ranges)
    return _chart(mean, ranges, [0.0] * n, [D4 * mean] * n)


def _ewma_half(step: int, usual: Baseline, weight: float, limit_sigma: float) -> float:
    share = weight / (2 - weight) * (1 - (1 - weight) ** (2 * step))
    return limit_sigma * usual.sigma * math.sqrt(share)


def ewma_chart(
    values: Sequence[float],
    usual: Baseline,
    weight: float = 0.2,
    limit_sigma: float = 3.0,
    *,
    settled: bool = False,
) -> ControlChart:
    """Exponentially weighted moving average, started at the centre.

    ``weight`` is that of the newest value, above 0 and at most 1. Limits widen with the first values as the
    average's variance does; ``settled`` draws their final width from the start (both in NIST/SEMATECH
    6.3.2.4). Raises AnalysisError for a weight out of range, TraceRangeError.
    """
    _finite(values, 0)
    if not 0 < weight <= 1:
        raise AnalysisError(f"an EWMA's weight is above 0 and at most 1, not {weight:g}")
    level, levels, halves = usual.centre, [], []
    for step, value in enumerate(values, 1):
        level += weight * (value - level)
        levels.append(level)
        halves.append(_ewma_half(step if not settled else 10**9, usual, weight, limit_sigma))
    return _chart(usual.centre, levels, [usual.centre - h for h in halves], [usual.centre + h for h in halves])


def cusum_chart(
    values: Sequence[float], target: float, slack: float, decision: float, *, head_start: float = 0.0
) -> CusumChart:
    """Tabular CUSUM: what exceeds ``slack`` adds up, a sum above ``decision`` signals (NIST/SEMATECH 6.3.2.3).

    ``slack`` and ``decision`` have the unit of the values: usually 0.5 and 4 to 5 sigma. ``head_start`` is
    where both sums begin; half the decision is the fast initial response of Lucas and Crosier (Technometrics
    24, 1982). Raises AnalysisError unless slack >= 0, decision > 0 and 0 <= head_start < decision.
    """
    _finite(values, 0)
    if slack < 0 or not decision > 0 or not 0 <= head_start < decision:
        raise AnalysisError("a CUSUM needs slack >= 0, decision > 0 and a head start from 0 to below decision")
    high = low = head_start
    highs, lows, signals = [], [], []
    for index, value in enumerate(values):
        high, low = _sums(high, low, value - target, slack)
        highs.append(high)
        lows.append(low)
        for side, total in ((RISING, high), (FALLING, low)):
            if total > decision:
                signals.append(Signal(index, side, total, decision))
    return CusumChart(target, slack, decision, tuple(highs), tuple(lows), tuple(signals))


def _sums(high: float, low: float, deviation: float, slack: float) -> tuple[float, float]:
    return max(0.0, high + deviation - slack), max(0.0, low - deviation - slack)


def capability(
    values: Sequence[float], lower: float | None, upper: float | None, confidence: float = 0.95
) -> Capability:
    """Capability of a series against its limits, with the sample standard deviation over all values.

    Raises AnalysisError without limits, for fewer than two values or without spread; TraceRangeError.
    """
    _finite(values, 2)
    mean = math.fsum(values) / len(values)
    sd = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1))
    return capability_of(mean, sd, len(values), lower, upper, confidence)


def capability_of(
    mean: float, sd: float, count: int, lower: float | None, upper: float | None, confidence: float = 0.95
) -> Capability:
    """Capability from mean, sample standard deviation and number of values (NIST/SEMATECH 6.1.6).

    Bounds of Cp are exact for normal values (chi-square with count - 1 degrees of freedom), those of Cpk the
    normal approximation Cpk ± z sqrt(1/(9n) + Cpk²/(2(n-1))). Raises AnalysisError as ``capability``.
    """
    if lower is None and upper is None:
        raise AnalysisError("capability needs a limit")
    if count < 2 or not sd > 0 or not 0 < confidence < 1:
        raise AnalysisError("capability needs two values or more, a spread and a confidence between 0 and 1")
    margins = [m for m in (None if upper is None else upper - mean, None if lower is None else mean - lower)
               if m is not None]  # fmt: skip
    cpk = min(margins) / (3 * sd)
    z = NormalDist().inv_cdf(0.5 + 0.5 * confidence)
    half = z * math.sqrt(1 / (9 * count) + cpk**2 / (2 * (count - 1)))
    cp = cp_bounds = None
    if lower is not None and upper is not None:
        from scipy.special import chdtri

        cp = (upper - lower) / (6 * sd)
        tail, df = 0.5 * (1 - confidence), count - 1
        # chdtri inverts the upper tail
        low, high = (cp * math.sqrt(float(chdtri(df, p)) / df) for p in (1 - tail, tail))
        cp_bounds = (low, high)
    return Capability(count, mean, sd, confidence, cp, cp_bounds, cpk, (cpk - half, cpk + half))


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPlan:
    """Which chart watches a series, with which constants, in multiples of sigma.

    ``minimum`` values make the baseline before anything is judged, unless ``centre`` and ``sigma`` are given.
    ``side`` ``rising`` or ``falling`` signals on that side alone. ``limit_sigma`` belongs to individuals and
    EWMA, ``weight`` to EWMA, the rest to CUSUM; ``head_start`` is a share of ``decision_sigma``.
    """

    chart: str = CUSUM
    side: str = BOTH
    minimum: int = 25
    limit_sigma: float = 3.0
    weight: float = 0.2
    slack_sigma: float = 0.5
    decision_sigma: float = 5.0
    head_start: float = 0.0
    centre: float | None = None
    sigma: float | None = None


@dataclass(frozen=True, slots=True)
class Monitor:
    """A chart continued value by value: all of its state.

    ``gathered`` are the values of a baseline that is not complete; ``usual`` the complete one. ``count`` counts
    all values, ``judged`` those behind the baseline. ``statistic`` and ``limit`` are those of the newest value,
    ``signalling`` its side, empty while the process is as usual.
    """

    gathered: tuple[float, ...] = ()
    usual: Baseline | None = None
    count: int = 0
    judged: int = 0
    level: float = 0.0
    high: float = 0.0
    low: float = 0.0
    statistic: float = 0.0
    limit: float = 0.0
    signalling: str = ""


def observed(monitor: Monitor, value: float, plan: ChartPlan) -> Monitor:
    """The state after one more value. Raises TraceRangeError for a value that is not finite.

    A baseline without any spread is gathered further until it has some: nothing can be judged before.
    """
    _finite((value,), 1)
    if monitor.usual is None and plan.centre is not None and plan.sigma is not None:
        monitor = _begun(monitor, Baseline(plan.centre, plan.sigma, 0), plan)
    if monitor.usual is None:
        gathered = (*monitor.gathered, value)
        monitor = replace(monitor, gathered=gathered, count=monitor.count + 1)
        if len(gathered) >= max(2, plan.minimum) and max(moving_ranges(gathered)) > 0:
            return _begun(monitor, baseline(gathered), plan)
        return monitor
    return _judged(monitor, monitor.usual, value, plan)


def _begun(monitor: Monitor, usual: Baseline, plan: ChartPlan) -> Monitor:
    usual = Baseline(
        usual.centre if plan.centre is None else plan.centre,
        usual.sigma if plan.sigma is None else plan.sigma,
        usual.count,
    )
    start = plan.head_start * plan.decision_sigma * usual.sigma
    return replace(monitor, gathered=(), usual=usual, level=usual.centre, high=start, low=start)


def _judged(monitor: Monitor, usual: Baseline, value: float, plan: ChartPlan) -> Monitor:
    step = monitor.judged + 1
    state = replace(monitor, count=monitor.count + 1, judged=step)
    if plan.chart == CUSUM:
        high, low = _sums(monitor.high, monitor.low, value - usual.centre, plan.slack_sigma * usual.sigma)
        decision = plan.decision_sigma * usual.sigma
        state = replace(state, high=high, low=low, limit=decision)
        ranked = ((high, RISING), (low, FALLING))
        statistic, side = max((r for r in ranked if plan.side in (BOTH, r[1])), key=lambda r: r[0])
        return replace(state, statistic=statistic, signalling=side if statistic > decision else "")
    weight = plan.weight if plan.chart == EWMA else 1.0
    level = monitor.level + weight * (value - monitor.level) if weight < 1 else value
    half = _ewma_half(step, usual, weight, plan.limit_sigma)
    found = _beyond(0, level, usual.centre - half, usual.centre + half)
    side = found.side if found is not None and plan.side in (BOTH, found.side) else ""
    limit = usual.centre - half if level < usual.centre else usual.centre + half
    return replace(state, level=level, statistic=level, limit=limit, signalling=side)

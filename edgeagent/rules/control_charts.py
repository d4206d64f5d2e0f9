"""Control charts over values in the order of their measurement: individuals, EWMA, CUSUM.

Charts are computed over a whole series for a reader, or continued value by value (``Monitor``) by whoever
watches a process. Constants are those of ISO 7870 and of the NIST/SEMATECH e-Handbook, section 6.3.2.
Values have the unit of their characteristic; limits, centre and sigma have the same one.

These constants keep their rate of false alarms only where centre and sigma are known. Taken from 25 values, the
centre alone errs by 0.2 sigma for good, and a CUSUM sums that up. A ``Monitor`` whose baseline grows turns each
value into a normal score by all before it that were in control: such scores are independent and standard normal
whatever centre and sigma are, so the constants keep their rate (Hawkins, The Statistician 36, 1987;
Quesenberry, Journal of Quality Technology 23, 1991; both remembered). There the sample standard deviation and
its t distribution make that exact; the moving range, with degrees of freedom derived here, keeps it within what
``tests/bench/drift_alarms.py`` prints and lets a drift widen sigma less.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from edgeagent.errors import AnalysisError, TraceRangeError

D2 = 1.128
"""Mean range of two normal values over their standard deviation, as tabulated."""
D4 = 3.267
"""Upper limit of the moving range of two values over its mean, as tabulated."""
LARGEST = 1e100
"""Numbers beyond this are no quantities: their squares do not fit into a double."""
RISING, FALLING, BOTH = "rising", "falling", "both"
INDIVIDUALS, EWMA, CUSUM = "individuals", "ewma", "cusum"


@dataclass(frozen=True, slots=True)
class Baseline:
    """The process in control: mean, standard deviation (mean moving range over D2), and of how many values."""

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


def _finite(values: Sequence[float], least: int) -> None:
    if len(values) < least:
        raise AnalysisError(f"{len(values)} values; {least} at least are needed")
    for index, value in enumerate(values):
        if not math.isfinite(value):
            raise TraceRangeError(f"value {index} is not a finite number")


def check_usable(values: Sequence[float], limits: Sequence[float | None] = ()) -> None:
    """Raise TraceRangeError for a value or limit that no chart or index can be computed with."""
    for index, value in enumerate(values):
        if not abs(value) <= LARGEST:
            raise TraceRangeError(f"value {index + 1} is {value:.3g}, which is no quantity")
    for limit in limits:
        if limit is not None and not abs(limit) <= LARGEST:
            raise TraceRangeError(f"a limit is {limit:.3g}, which is no quantity")


def moving_ranges(values: Sequence[float]) -> tuple[float, ...]:
    """Differences of neighbours without their sign; one fewer than ``values``."""
    return tuple(abs(b - a) for a, b in pairwise(values))


def estimate_baseline(values: Sequence[float]) -> Baseline:
    """Centre and sigma of two values or more.

    The moving range keeps slow drift out of sigma, which a standard deviation would not (NIST/SEMATECH
    6.3.2.2). Raises AnalysisError for too few values or values that are all the same, TraceRangeError.
    """
    _finite(values, 2)
    ranges = moving_ranges(values)
    sigma = math.fsum(ranges) / len(ranges) / D2
    if not sigma > 1 / LARGEST:
        raise AnalysisError(f"the {len(values)} values are all the same: no spread to judge by")
    return Baseline(math.fsum(values) / len(values), sigma, len(values))


def neighbour_correlation(values: Sequence[float]) -> float:
    """Autocorrelation of neighbours, from -1 to 1; 0 without spread (NIST/SEMATECH 1.3.5.12, lag 1).

    Well above 2/sqrt(n) the moving range takes agreement of neighbours for a small sigma. Raises AnalysisError
    for fewer than two values, TraceRangeError.
    """
    _finite(values, 2)
    mean = math.fsum(values) / len(values)
    off = [v - mean for v in values]
    square = math.fsum(v * v for v in off)
    return math.fsum(a * b for a, b in pairwise(off)) / square if square > 0 else 0.0


def grow_baseline(values: Sequence[float], minimum: int, grow_to: int) -> Baseline:
    """The baseline that a CUSUM with its default constants has after all values, grown as ChartPlan says.

    Made of all values where there are no more than ``minimum``. Raises as ``estimate_baseline``.
    """
    monitor, plan = Monitor(), ChartPlan(minimum=minimum, grow_to=grow_to)
    for value in values:
        monitor = observe(monitor, value, plan)
        if monitor.baseline is not None and monitor.baseline.count >= (grow_to if plan.grows else 0):
            break  # it stays as it is from here on
    return monitor.baseline if monitor.baseline is not None else estimate_baseline(values)


def _beyond(index: int, value: float, lower: float, upper: float) -> Signal | None:
    if value > upper:
        return Signal(index, RISING, value, upper)
    return Signal(index, FALLING, value, lower) if value < lower else None


def _chart(
    centre: float, statistic: Sequence[float], lower: Sequence[float], upper: Sequence[float]
) -> ControlChart:
    shown = np.asarray(statistic, dtype=np.float64)
    outside = np.flatnonzero((shown > np.asarray(upper)) | (shown < np.asarray(lower))).tolist()
    found = (_beyond(i, statistic[i], lower[i], upper[i]) for i in outside)
    signals = tuple(s for s in found if s is not None)
    return ControlChart(centre, tuple(statistic), tuple(lower), tuple(upper), signals)


def individuals_chart(values: Sequence[float], baseline: Baseline, limit_sigma: float = 3.0) -> ControlChart:
    """Each value against centre ± ``limit_sigma`` sigma (NIST/SEMATECH 6.3.2.2). Raises TraceRangeError."""
    _finite(values, 0)
    half = limit_sigma * baseline.sigma
    n = len(values)
    return _chart(baseline.centre, values, [baseline.centre - half] * n, [baseline.centre + half] * n)


def moving_range_chart(values: Sequence[float], baseline: Baseline) -> ControlChart:
    """Moving ranges against zero and D4 times their mean in control; one element fewer than ``values``."""
    _finite(values, 2)
    ranges = moving_ranges(values)
    mean, n = D2 * baseline.sigma, len(ranges)
    return _chart(mean, ranges, [0.0] * n, [D4 * mean] * n)


def _ewma_half(step: float, sigma: float, weight: float, limit_sigma: float) -> float:
    share = weight / (2 - weight) * (1 - (1 - weight) ** (2 * step))
    return limit_sigma * sigma * math.sqrt(share)


def ewma_chart(
    values: Sequence[float],
    baseline: Baseline,
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
    level, levels, halves = baseline.centre, [], list[float]()
    final = _ewma_half(math.inf, baseline.sigma, weight, limit_sigma)
    for value in values:
        level += weight * (value - level)
        levels.append(level)
    # Up to where the limit, as a double, is its final width: from there on all are the same.
    while not settled and len(halves) < len(values) and (not halves or halves[-1] != final):
        halves.append(_ewma_half(len(halves) + 1, baseline.sigma, weight, limit_sigma))
    halves += [final] * (len(values) - len(halves))
    return _chart(
        baseline.centre, levels, [baseline.centre - h for h in halves], [baseline.centre + h for h in halves]
    )


def cusum_chart(
    values: Sequence[float], target: float, slack: float, decision: float, *, head_start: float = 0.0
) -> CusumChart:
    """Tabular CUSUM: what exceeds ``slack`` adds up, a sum above ``decision`` signals (NIST/SEMATECH 6.3.2.3).

    ``slack`` and ``decision`` have the unit of the values: commonly 0.5 and 4 to 5 sigma. ``head_start`` is
    where both sums begin; half the decision is the fast initial response of Lucas and Crosier (Technometrics
    24, 1982). Raises AnalysisError unless slack >= 0, decision > 0 and 0 <= head_start < decision.
    """
    _finite(values, 0)
    if slack < 0 or not decision > 0 or not 0 <= head_start < decision:
        raise AnalysisError("a CUSUM needs slack >= 0, decision > 0 and a head start from 0 to below decision")
    high = low = head_start
    highs, lows, signals = [], [], []
    for value in values:
        high, low = _sums(high, low, value - target, slack)
        highs.append(high)
        lows.append(low)
    for index in np.flatnonzero((np.array(highs) > decision) | (np.array(lows) > decision)).tolist():
        for side, total in ((RISING, highs[index]), (FALLING, lows[index])):
            if total > decision:
                signals.append(Signal(index, side, total, decision))
    return CusumChart(target, slack, decision, tuple(highs), tuple(lows), tuple(signals))


def _sums(high: float, low: float, deviation: float, slack: float) -> tuple[float, float]:
    return max(0.0, high + deviation - slack), max(0.0, low - deviation - slack)


@dataclass(frozen=True, slots=True, kw_only=True)
class ChartPlan:
    """Which chart watches a series, with which constants, in multiples of sigma.

    ``minimum`` values make the baseline before anything is judged, unless ``centre`` and ``sigma`` are given.
    It grows with every later value in control until it holds ``grow_to``; up to ``minimum`` (the default) it
    stays as it was, which is the textbooks' chart. ``side`` ``rising`` or ``falling`` signals on that side
    alone. ``limit_sigma`` belongs to individuals and EWMA, ``weight`` to EWMA, the rest to CUSUM;
    ``head_start`` is a share of ``decision_sigma``.
    """

    chart: str = CUSUM
    side: str = BOTH
    minimum: int = 25
    grow_to: int = 0
    limit_sigma: float = 3.0
    weight: float = 0.2
    slack_sigma: float = 0.5
    decision_sigma: float = 5.0
    head_start: float = 0.0
    centre: float | None = None
    sigma: float | None = None

    @property
    def grows(self) -> bool:
        """Whether values beyond ``minimum`` belong to the baseline too."""
        return self.grow_to > self.minimum and self.centre is None and self.sigma is None


@dataclass(frozen=True, slots=True)
class Monitor:
    """A chart continued value by value: all of its state.

    ``gathered`` are the values of a baseline that cannot judge yet, ``baseline`` the one that can, ``last`` its
    newest value. ``count`` counts all values, ``judged`` those that were judged. ``level``, ``high`` and
    ``low`` are in multiples of sigma, from the centre. ``statistic`` and ``limit`` are those of the newest
    value in its unit, ``signalling`` its side, empty while the process is in control.
    """

    gathered: tuple[float, ...] = ()
    baseline: Baseline | None = None
    last: float = 0.0
    count: int = 0
    judged: int = 0
    level: float = 0.0
    high: float = 0.0
    low: float = 0.0
    statistic: float = 0.0
    limit: float = 0.0
    signalling: str = ""


def observe(monitor: Monitor, value: float, plan: ChartPlan) -> Monitor:
    """The state after one more value. Raises TraceRangeError for a value that is not finite.

    A baseline without any spread is gathered further until it has some: nothing can be judged before. Of values
    that are all the same no more are kept than a baseline may hold.
    """
    _finite((value,), 1)
    if monitor.baseline is None and plan.centre is not None and plan.sigma is not None:
        monitor = _begin(monitor, Baseline(plan.centre, plan.sigma, 0), plan)
    if monitor.baseline is None:
        needed = max(2, plan.minimum)
        gathered = (*monitor.gathered, value)[-max(needed, plan.grow_to) :]
        monitor = replace(monitor, gathered=gathered, count=monitor.count + 1)
        if len(gathered) >= needed and max(moving_ranges(gathered)) > 0:
            return _begin(monitor, estimate_baseline(gathered), plan)
        return monitor
    return _judge(monitor, monitor.baseline, value, plan)


def _begin(monitor: Monitor, baseline: Baseline, plan: ChartPlan) -> Monitor:
    baseline = Baseline(
        baseline.centre if plan.centre is None else plan.centre,
        baseline.sigma if plan.sigma is None else plan.sigma,
        baseline.count,
    )
    start = plan.head_start * plan.decision_sigma
    # The range between the last value of the baseline and the next one belongs to the growth.
    last = monitor.gathered[-1] if monitor.gathered else baseline.centre
    return replace(monitor, gathered=(), baseline=baseline, last=last, high=start, low=start)


def _judge(monitor: Monitor, baseline: Baseline, value: float, plan: ChartPlan) -> Monitor:
    # Scores only where the baseline grows: with a fixed one the textbook's chart is what was asked for.
    score = normal_score(value, baseline) if plan.grows else (value - baseline.centre) / baseline.sigma
    state = replace(monitor, count=monitor.count + 1, judged=monitor.judged + 1)
    state, beyond = (_sum_up if plan.chart == CUSUM else _average)(state, baseline, score, plan)
    # A value that signals must not teach the baseline that it is in control.
    if plan.grows and not beyond and baseline.count < plan.grow_to:
        state = replace(state, baseline=_grow(baseline, monitor.last, value), last=value)
    return state


def _sum_up(state: Monitor, baseline: Baseline, score: float, plan: ChartPlan) -> tuple[Monitor, bool]:
    """The state after one more CUSUM step, and whether any side is beyond, watched or not.

    Sums are kept up to twice the decision: else one stray value, or a drift that was repaired, would make the
    chart signal for a hundred more values in control, hiding what comes next. The first signal is not changed.
    """
    high, low = _sums(state.high, state.low, score, plan.slack_sigma)
    # Both sums run on even where one side is watched: an unwatched signal stops the baseline's growth too.
    ranked = ((high, RISING), (low, FALLING))
    statistic, side = max((r for r in ranked if plan.side in (BOTH, r[1])), key=lambda r: r[0])
    state = replace(
        state,
        high=min(high, 2 * plan.decision_sigma),
        low=min(low, 2 * plan.decision_sigma),
        statistic=statistic * baseline.sigma,
        limit=plan.decision_sigma * baseline.sigma,
        signalling=side if statistic > plan.decision_sigma else "",
    )
    return state, max(high, low) > plan.decision_sigma


def _average(state: Monitor, baseline: Baseline, score: float, plan: ChartPlan) -> tuple[Monitor, bool]:
    """As ``_sum_up``, for individuals and EWMA."""
    weight = plan.weight if plan.chart == EWMA else 1.0
    level = state.level + weight * (score - state.level) if weight < 1 else score
    half = _ewma_half(state.judged, 1.0, weight, plan.limit_sigma)
    found = _beyond(0, level, -half, half)
    state = replace(
        state,
        level=level,
        statistic=baseline.centre + level * baseline.sigma,
        limit=baseline.centre + math.copysign(half, level) * baseline.sigma,
        signalling=found.side if found is not None and plan.side in (BOTH, found.side) else "",
    )
    return state, found is not None


def _grow(baseline: Baseline, last: float, value: float) -> Baseline:
    count = baseline.count + 1
    # count values have count - 1 ranges, of which sigma is the mean.
    ranges = baseline.sigma * (baseline.count - 1) + abs(value - last) / D2
    return Baseline(baseline.centre + (value - baseline.centre) / count, ranges / (count - 1), count)


def normal_score(value: float, baseline: Baseline) -> float:
    """The value as a standard normal deviate, given a baseline of 2 or more values before it.

    (value - centre)/(sigma sqrt(1 + 1/count)) has a t distribution where sigma is a standard deviation. The
    mean moving range is taken for one with as many degrees of freedom as have its relative variance (derived
    here, see ``_range_freedom``), corrected for its bias. The score has the same probability under the normal
    one; it is at most 38, where doubles end.
    """
    # Loaded here: a start must not wait for it
    from scipy.special import ndtri, stdtr

    nu = _range_freedom(baseline.count)
    # lgamma, since gamma itself overflows beyond 171.
    bias = math.sqrt(2 / nu) * math.exp(math.lgamma((nu + 1) / 2) - math.lgamma(nu / 2))
    t = (value - baseline.centre) / (baseline.sigma * bias * math.sqrt(1 + 1 / baseline.count))
    # The smaller tail, which keeps its digits; below 1e-315 the inverse would be infinite.
    tail = max(float(stdtr(nu, -abs(t))), 1e-315)
    return math.copysign(float(ndtri(tail)), t)


def _range_freedom(count: int) -> float:
    """Degrees of freedom of a standard deviation as certain as the mean moving range of ``count`` values.

    For unit sigma the range of two neighbours has mean 2/sqrt(pi) and variance 2 - 4/pi, two ranges that share
    a value have covariance (4/pi)(sqrt(3)/2 + pi/12 - 1). With m = count - 1 ranges the square of the
    coefficient of variation is c = (m (2 - 4/pi) + 2 (m - 1) cov)/(m² 4/pi); that of a standard deviation is
    1/(2 nu) + 1/(8 nu²) + ..., hence nu = 1/(2 c) + 1/4, some 0.61 m (derived here).
    """
    m = count - 1
    own, shared = 2 - 4 / math.pi, 4 / math.pi * (math.sqrt(3) / 2 + math.pi / 12 - 1)
    return m * m * 2 / math.pi / (m * own + 2 * (m - 1) * shared) + 0.25

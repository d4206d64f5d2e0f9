"""How well a measurement repeats: analysis of variance over re-measured parts.

One-way and two-way analysis of variance, the gauge study by analysis of variance (parts and operators or
instruments at random, with interaction) and by average and range. All values have the characteristic's unit.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from edgeagent.errors import AnalysisError, TraceRangeError

POOL_ABOVE = 0.25
"""Probability of F above which an interaction is taken for repeatability (common practice)."""
NDC_FACTOR = 1.41
"""Categories distinguished: this times part sd over gauge sd (common practice; the square root of two)."""
_D2 = (1.12838, 1.69257, 2.05875, 2.32593, 2.53441, 2.70436, 2.84720, 2.97003, 3.07751)
_D3 = (0.85250, 0.88837, 0.87981, 0.86408, 0.84804, 0.83321, 0.81983, 0.80783, 0.79705)
"""Mean and standard deviation of the range of 2 to 10 standard normal values."""


@dataclass(frozen=True, slots=True)
class OneWay:
    """One-way analysis of variance; ``f`` and ``p`` are None where nothing varies within the groups."""

    ss_between: float
    ss_within: float
    df_between: int
    df_within: int
    f: float | None
    p: float | None
    r_squared: float | None
    residual_sd: float
    group_size: float

    @property
    def ms_between(self) -> float:
        """Mean square between groups."""
        return self.ss_between / self.df_between

    @property
    def ms_within(self) -> float:
        """Mean square within groups."""
        return self.ss_within / self.df_within


@dataclass(frozen=True, slots=True)
class VarianceSource:
    """One line of the table of a two-way analysis of variance."""

    name: str
    ss: float
    df: int
    ms: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True, slots=True)
class GaugeStudy:
    """Standard deviations by origin, in the characteristic's unit.

    ``gauge_sd`` joins repeatability, operators and interaction; ``total_sd`` the parts too.
    ``degrees_of_freedom`` are those of the repeatability, ``gauge_degrees_of_freedom`` the effective ones of
    ``gauge_sd``: near one where two operators differ, however many parts there are. ``categories`` (ndc) is
    None where the gauge does not scatter. ``floored`` names components whose estimate was below zero and counts
    as zero.
    """

    method: str
    parts: int
    operators: int
    trials: float
    table: tuple[VarianceSource, ...]
    pooled: bool
    repeatability_sd: float
    operator_sd: float
    interaction_sd: float
    gauge_sd: float
    part_sd: float
    total_sd: float
    degrees_of_freedom: int
    gauge_degrees_of_freedom: float
    categories: int | None
    floored: tuple[str, ...] = ()

    @property
    def study_percent(self) -> float | None:
        """Gauge standard deviation in per cent of the total; None where nothing varies."""
        return 100 * self.gauge_sd / self.total_sd if self.total_sd > 0 else None

    def tolerance_percent(self, lower: float | None, upper: float | None) -> float | None:
        """Six gauge standard deviations in per cent of the tolerance; None without both limits."""
        return None if lower is None or upper is None else 100 * 6 * self.gauge_sd / (upper - lower)


def one_way(groups: Sequence[Sequence[float]]) -> OneWay:
    """One-way analysis of variance of two groups or more, of any sizes.

    Values are taken from the first one before anything is summed, sums are exact (``math.fsum``) and squares
    are those of centred values: what digits the values have in common costs none of the result's. Against the
    certified sets SiRstv, SmLs01 to 09 and AtmWtAg of NIST StRD the result is as good as the doubles that hold
    the data. Raises AnalysisError for fewer than two groups, an empty one or no group with two values,
    TraceRangeError for a value that is not finite.
    """
    count = sum(len(g) for g in groups)
    if len(groups) < 2 or not all(groups) or count <= len(groups):
        raise AnalysisError("an analysis of variance needs two groups and a repeated value in one of them")
    _finite(v for g in groups for v in g)
    # Digits that all values share would be lost in the squares; taken off first they cost nothing.
    origin = groups[0][0]
    moved = [[v - origin for v in g] for g in groups]
    grand = math.fsum(v for g in moved for v in g) / count
    # fsum: exact, so that the order of the values changes no digit.
    means = [math.fsum(g) / len(g) for g in moved]
    between = math.fsum(len(g) * (m - grand) ** 2 for g, m in zip(moved, means, strict=True))
    within = math.fsum((v - m) ** 2 for g, m in zip(moved, means, strict=True) for v in g)
    df_between, df_within = len(groups) - 1, count - len(groups)
    f, p = _f_test(between / df_between, df_between, within / df_within, df_within)
    total = between + within
    # The mean group size of unequal groups, as the expectation of the mean square has it (see repeat_study).
    size = (count - math.fsum(len(g) ** 2 for g in groups) / count) / df_between
    return OneWay(
        between, within, df_between, df_within, f, p,
        between / total if total > 0 else None, math.sqrt(within / df_within), size,
    )  # fmt: skip


def _finite(values: Iterable[float]) -> None:
    for index, value in enumerate(values):
        if not math.isfinite(value):
            raise TraceRangeError(f"value {index} is not a finite number")


def _f_test(ms: float, df: int, ms_error: float, df_error: int) -> tuple[float | None, float | None]:
    """F and the probability of a larger one by chance; None without scatter to compare with."""
    if not ms_error > 0:
        return None, None
    from scipy.special import fdtrc

    return ms / ms_error, float(fdtrc(df, df_error, ms / ms_error))


def two_way(values: Sequence[Sequence[Sequence[float]]]) -> tuple[VarianceSource, ...]:
    """Two-way analysis of variance with interaction, both factors at random.

    ``values[i][j]`` are the trials of part i by operator j: two parts, two operators and two trials at least,
    as many in each cell. Returns part, operator, interaction and repeatability; the first two are tested
    against the interaction, that against the repeatability. Raises AnalysisError, TraceRangeError.
    """
    parts, operators, trials = len(values), len(values[0]) if values else 0, _trials(values)
    if parts < 2 or operators < 2 or trials < 2:
        raise AnalysisError("a study with operators needs two parts, two operators and two trials at least")
    origin = values[0][0][0]
    cells = [[math.fsum(v - origin for v in cell) / trials for cell in row] for row in values]
    part_means = [math.fsum(row) / operators for row in cells]
    operator_means = [math.fsum(column) / parts for column in zip(*cells, strict=True)]
    grand = math.fsum(part_means) / parts
    ss_part = operators * trials * math.fsum((m - grand) ** 2 for m in part_means)
    ss_operator = parts * trials * math.fsum((m - grand) ** 2 for m in operator_means)
    ss_both = trials * math.fsum(
        (cells[i][j] - part_means[i] - operator_means[j] + grand) ** 2
        for i in range(parts)
        for j in range(operators)
    )
    ss_error = math.fsum(
        (v - origin - cells[i][j]) ** 2
        for i, row in enumerate(values)
        for j, cell in enumerate(row)
        for v in cell
    )
    df = (parts - 1, operators - 1, (parts - 1) * (operators - 1), parts * operators * (trials - 1))
    ms = [ss / d for ss, d in zip((ss_part, ss_operator, ss_both, ss_error), df, strict=True)]
    return (
        VarianceSource("part", ss_part, df[0], ms[0], *_f_test(ms[0], df[0], ms[2], df[2])),
        VarianceSource("operator", ss_operator, df[1], ms[1], *_f_test(ms[1], df[1], ms[2], df[2])),
        VarianceSource("interaction", ss_both, df[2], ms[2], *_f_test(ms[2], df[2], ms[3], df[3])),
        VarianceSource("repeatability", ss_error, df[3], ms[3]),
    )


def _trials(values: Sequence[Sequence[Sequence[float]]]) -> int:
    """Trials in each cell. Raises AnalysisError unless all rows and cells have the same size."""
    rows = {len(row) for row in values}
    cells = {len(cell) for row in values for cell in row}
    if len(rows) > 1 or len(cells) > 1:
        raise AnalysisError("every part needs as many operators and trials as the others")
    _finite(v for row in values for cell in row for v in cell)
    return next(iter(cells), 0)


def anova_study(values: Sequence[Sequence[Sequence[float]]], *, pool_above: float = POOL_ABOVE) -> GaugeStudy:
    """Gauge study of parts and operators by analysis of variance; ``values`` as for ``two_way``.

    An interaction whose F is likelier by chance than ``pool_above`` is pooled with the repeatability. Variance
    components by equating mean squares with their expectations (Montgomery and Runger, Quality Engineering 6,
    1993); one below zero counts as zero and is named. Raises as ``two_way``.
    """
    table = two_way(values)
    part, operator, both, error = table
    n_parts, n_operators, n_trials = len(values), len(values[0]), len(values[0][0])
    # An interaction where trials never differ is beyond chance: its F has no end
    pooled = both.p > pool_above if both.p is not None else not both.ms > 0
    ms_error, df_error, ms_both = error.ms, error.df, both.ms
    if pooled:
        df_error = both.df + error.df
        ms_error = ms_both = (both.ss + error.ss) / df_error
    components = {
        "operator": (operator.ms - ms_both) / (n_parts * n_trials),
        "interaction": 0.0 if pooled else (ms_both - ms_error) / n_trials,
        "part": (part.ms - ms_both) / (n_operators * n_trials),
    }
    # A component below zero counts as zero, so that its mean squares must not count in the degrees of freedom.
    a = 1 / (n_parts * n_trials) if components["operator"] > 0 else 0.0
    b = 1 / n_trials if components["interaction"] > 0 else 0.0
    # The gauge's variance as a sum of mean squares: each one with the factor with which it stands in it.
    squares = [(operator.ms, operator.df, a), (ms_error, df_error, 1 - (a if pooled else b))]
    if not pooled:
        squares.append((both.ms, both.df, b - a))
    size = (n_parts, n_operators, float(n_trials))
    return _study("anova", size, table, pooled, ms_error, components, (df_error, _effective(squares)))


def _effective(squares: Sequence[tuple[float, int, float]]) -> float:
    """Degrees of freedom of a sum of mean squares with factors: (mean square, degrees of freedom, factor) each.

    Satterthwaite, Biometrics Bulletin 2, 1946 (remembered); infinite where the sum is zero.
    """
    terms = [(factor * ms, df) for ms, df, factor in squares]
    fourth = math.fsum(t**2 / df for t, df in terms)
    return math.fsum(t for t, _ in terms) ** 2 / fourth if fourth > 0 else math.inf


def repeat_study(groups: Sequence[Sequence[float]]) -> GaugeStudy:
    """Gauge study of parts alone: ``groups[i]`` are the trials of part i, of any number.

    One-way analysis of variance; the mean group size of unequal groups is that of the expectation of the mean
    square between them (Searle, Variance Components, 1992; remembered). Raises as ``one_way``.
    """
    found = one_way(groups)
    table = (
        VarianceSource("part", found.ss_between, found.df_between, found.ms_between, found.f, found.p),
        VarianceSource("repeatability", found.ss_within, found.df_within, found.ms_within),
    )
    components = {
        "operator": 0.0,
        "interaction": 0.0,
        "part": (found.ms_between - found.ms_within) / found.group_size,
    }
    size = (len(groups), 1, found.group_size)
    df = (found.df_within, float(found.df_within))
    return _study("anova", size, table, False, found.ms_within, components, df)


def _study(
    method: str,
    size: tuple[int, int, float],
    table: tuple[VarianceSource, ...],
    pooled: bool,
    repeatability: float,
    components: dict[str, float],
    df: tuple[int, float],
) -> GaugeStudy:
    """Variances to standard deviations, sums and the number of categories."""
    floored = tuple(name for name, variance in components.items() if variance < 0)
    operator, both, part = (max(0.0, components[n]) for n in ("operator", "interaction", "part"))
    gauge = repeatability + operator + both
    return GaugeStudy(
        method, *size, table, pooled,
        math.sqrt(repeatability), math.sqrt(operator), math.sqrt(both), math.sqrt(gauge),
        math.sqrt(part), math.sqrt(gauge + part), *df,
        _categories(math.sqrt(part), math.sqrt(gauge)), floored,
    )  # fmt: skip


def _categories(part_sd: float, gauge_sd: float) -> int | None:
    return max(1, math.floor(NDC_FACTOR * part_sd / gauge_sd)) if gauge_sd > 0 else None


def pooled_study(studies: Sequence[GaugeStudy]) -> GaugeStudy:
    """One study for several characteristics of the same kind and unit: the means of their variances.

    Their errors are taken to come together, not to be independent: degrees of freedom are those of the one that
    has the fewest. Raises AnalysisError for none at all.
    """
    if not studies:
        raise AnalysisError("no study to be pooled")

    def mean(origin: str) -> float:
        return math.sqrt(math.fsum(getattr(s, origin) ** 2 for s in studies) / len(studies))

    return replace(
        studies[0],
        repeatability_sd=mean("repeatability_sd"),
        operator_sd=mean("operator_sd"),
        interaction_sd=mean("interaction_sd"),
        gauge_sd=mean("gauge_sd"),
        part_sd=mean("part_sd"),
        total_sd=mean("total_sd"),
        table=(),
        pooled=False,
        degrees_of_freedom=min(s.degrees_of_freedom for s in studies),
        gauge_degrees_of_freedom=min(s.gauge_degrees_of_freedom for s in studies),
        categories=_categories(mean("part_sd"), mean("gauge_sd")),
        floored=(),
    )


def range_study(values: Sequence[Sequence[Sequence[float]]]) -> GaugeStudy:
    """Gauge study by average and range; ``values[i][j]`` are the trials of part i by operator j.

    K1 = 1/d2 for the trials, K2 and K3 = 1/d2* of one range for operators and parts, each with four decimals as
    they are tabulated, d2*² = d2² + d3² (common practice of gauge studies). Has no interaction; degrees of
    freedom are those that an analysis of variance has in the cells, more than ranges have. Raises AnalysisError
    as ``two_way`` and beyond 10 parts, operators or trials, TraceRangeError.
    """
    parts, operators, trials = len(values), len(values[0]) if values else 0, _trials(values)
    if not all(2 <= n <= 10 for n in (parts, operators, trials)):
        raise AnalysisError("average and range needs 2 to 10 parts, operators and trials")
    cells = [[math.fsum(c) / trials for c in row] for row in values]
    mean_range = math.fsum(max(c) - min(c) for row in values for c in row) / (parts * operators)
    operator_means = [math.fsum(column) / parts for column in zip(*cells, strict=True)]
    part_means = [math.fsum(row) / operators for row in cells]
    # Four decimals, as the tables print K1: an auditor computes with the printed number.
    ev = mean_range * round(1 / _D2[trials - 2], 4)
    spread = (max(operator_means) - min(operator_means)) * _k(operators)
    components = {
        # The spread of the operators' means holds some of the repeatability, which is taken out.
        "operator": spread**2 - ev**2 / (parts * trials),
        "interaction": 0.0,
        "part": ((max(part_means) - min(part_means)) * _k(parts)) ** 2,
    }
    df = parts * operators * (trials - 1)
    size = (parts, operators, float(trials))
    return _study("range", size, (), False, ev**2, components, (df, float(df)))


def _k(count: int) -> float:
    """One over d2* of a single range of ``count`` values."""
    return round(1 / math.hypot(_D2[count - 2], _D3[count - 2]), 4)

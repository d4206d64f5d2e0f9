"""Control charts and capability against published examples, and the chart that is continued value by value.

"Handbook" is the NIST/SEMATECH e-Handbook of Statistical Methods; its data and results were seen in public test
suites that quote it, and computed again by hand.
"""

from __future__ import annotations

import math
import random

import pytest

from edgeagent.errors import AnalysisError, TraceRangeError
from edgeagent.rules.control_charts import (
    Baseline,
    ChartPlan,
    Monitor,
    baseline,
    capability,
    capability_of,
    cusum_chart,
    ewma_chart,
    individuals_chart,
    moving_range_chart,
    observed,
)

INDIVIDUALS = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
EWMA = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5,
        49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]  # fmt: skip
CUSUM = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600,
         324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350]  # fmt: skip


def fed(values, plan):
    """The states of a monitor after each value."""
    states, monitor = [], Monitor()
    for value in values:
        monitor = observed(monitor, value, plan)
        states.append(monitor)
    return states


def test_individuals_chart_has_the_limits_of_the_handbook():
    # Handbook 6.3.2.2
    usual = baseline(INDIVIDUALS)
    chart = individuals_chart(INDIVIDUALS, usual)
    assert usual.centre == pytest.approx(50.81, abs=1e-12)
    assert usual.sigma * 1.128 == pytest.approx(1.8778, abs=5e-5)
    assert chart.upper[0] == pytest.approx(55.80408983, abs=1e-8)
    assert chart.lower[0] == pytest.approx(45.81591017, abs=1e-8)
    assert chart.signals == ()


def test_moving_range_chart_has_the_upper_limit_of_the_handbook():
    # Handbook 6.3.2.2, with D4 = 3.267
    chart = moving_range_chart(INDIVIDUALS, baseline(INDIVIDUALS))
    assert chart.upper[0] == pytest.approx(6.1347, abs=5e-5)
    assert len(chart.statistic) == len(INDIVIDUALS) - 1
    assert chart.statistic[0] == pytest.approx(2.0)


def test_ewma_follows_the_series_of_the_handbook_within_its_settled_limits():
    # Handbook 6.3.2.4; its lower limit is printed cut off,
    # 52.588431738 and 47.411568262 follow from its formula
    chart = ewma_chart(EWMA, Baseline(50.0, 2.0539, 0), 0.3, 3.0, settled=True)
    wanted = [50.60, 49.52, 50.56, 50.18, 50.16, 49.21, 49.75, 49.85, 50.26, 50.33,
              50.11, 49.36, 49.52, 50.05, 49.38, 49.92, 50.73, 51.23, 51.94, 51.99]  # fmt: skip
    assert chart.statistic == pytest.approx(wanted, abs=0.005 + 1e-9)
    assert chart.upper[0] == pytest.approx(52.588431738, abs=1e-8)
    assert chart.lower[-1] == pytest.approx(47.411568262, abs=1e-8)
    assert chart.signals == ()


def test_ewma_limits_widen_with_the_first_values():
    # Computed from the formula of Handbook 6.3.2.4 with the exact variance
    chart = ewma_chart(EWMA, Baseline(50.0, 2.0539, 0), 0.3, 3.0)
    assert chart.upper[:3] == pytest.approx([51.84851, 52.25639401, 52.43140558], abs=1e-8)
    assert chart.upper[-1] == pytest.approx(52.5884, abs=5e-5)


def test_cusum_follows_the_example_of_the_handbook_and_signals_at_group_14():
    # Handbook 6.3.2.3
    chart = cusum_chart(CUSUM, 325.0, 0.3175, 4.1959)
    assert chart.high[12:] == pytest.approx(
        [3.0075, 4.94, 7.4475, 10.63, 11.9875, 14.445, 16.0025, 19.035], abs=1e-9
    )
    assert chart.low[:11] == pytest.approx(
        [0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31], abs=0.005 + 1e-9
    )
    first = chart.signals[0]
    assert (first.index + 1, first.side) == (14, "rising")


def test_cusum_with_head_start_signals_at_the_third_value_instead_of_the_seventh():
    # Lucas and Crosier's fast initial response, h = 5, k = 0.5, as a textbook on six sigma tables it (24.1)
    values = [0.8, 1.9, 1.4, 2.0, 1.1, 0.7, 2.6]
    plain = cusum_chart(values, 0.0, 0.5, 5.0)
    quick = cusum_chart(values, 0.0, 0.5, 5.0, head_start=2.5)
    assert plain.high == pytest.approx([0.3, 1.7, 2.6, 4.1, 4.7, 4.9, 7.0])
    assert quick.high == pytest.approx([2.8, 4.2, 5.1, 6.6, 7.2, 7.4, 9.5])
    assert plain.signals[0].index + 1 == 7
    assert quick.signals[0].index + 1 == 3


def test_cusum_finds_a_shift_of_one_sigma_in_about_ten_values():
    # Average run length 10.4 at h = 5, k = 0.5 and a shift of one sigma (textbook table, remembered)
    random.seed(20260302)
    plan = ChartPlan(chart="cusum", centre=0.0, sigma=1.0)
    lengths = []
    for _ in range(1500):
        monitor, count = Monitor(), 0
        while not monitor.signalling:
            monitor = observed(monitor, random.gauss(1.0, 1.0), plan)
            count += 1
        lengths.append(count)
    mean = sum(lengths) / len(lengths)
    sd = math.sqrt(sum((n - mean) ** 2 for n in lengths) / (len(lengths) - 1))
    assert abs(mean - 10.4) < 3.3 * sd / math.sqrt(len(lengths)) + 0.05


def test_capability_is_that_of_the_handbook():
    # Handbook 6.1.6
    found = capability_of(16.0, 2.0, 100, 8.0, 20.0)
    assert found.cp == pytest.approx(1.0)
    assert found.cpk == pytest.approx(2 / 3)
    # Bounds computed from the formulae of Handbook 6.1.6, which are remembered
    assert found.cp_bounds == pytest.approx((0.860825773, 1.138943284), abs=1e-8)
    assert found.cpk_bounds == pytest.approx((0.553127726, 0.780205607), abs=1e-6)


@pytest.mark.parametrize(
    ("count", "bounds", "half"),
    [(30, (0.989351, 1.670001), 0.362471), (50, (1.067301, 1.592177), 0.279061)],
)
def test_bounds_of_capability_narrow_with_the_number_of_values(count, bounds, half):
    # Computed from the formulae of Handbook 6.1.6 for Cp = Cpk = 1.33
    found = capability_of(0.0, 1 / 3.99, count, -1.0, 1.0)
    assert found.cp_bounds == pytest.approx(bounds, abs=1e-6)
    assert found.cpk_bounds[1] - found.cpk == pytest.approx(half, abs=1e-6)


def test_capability_with_one_limit_has_no_cp():
    found = capability(INDIVIDUALS, None, 60.0)
    # Sample standard deviation of the series computed from its definition
    assert found.sd == pytest.approx(2.033852393, abs=1e-9)
    assert found.cp is None
    assert found.cpk == pytest.approx((60 - 50.81) / (3 * 2.033852393), abs=1e-9)


def test_series_without_spread_has_no_baseline():
    with pytest.raises(AnalysisError, match="all the same"):
        baseline([1.0, 1.0, 1.0])
    with pytest.raises(AnalysisError, match="at least"):
        baseline([1.0])


def test_number_that_is_not_finite_is_named():
    with pytest.raises(TraceRangeError, match="value 1"):
        baseline([1.0, math.nan, 2.0])
    with pytest.raises(TraceRangeError):
        observed(Monitor(), math.inf, ChartPlan())


@pytest.mark.parametrize("weight", [0.0, 1.5])
def test_weight_of_an_ewma_out_of_range_is_refused(weight):
    with pytest.raises(AnalysisError, match="weight"):
        ewma_chart(EWMA, Baseline(50, 2, 0), weight)


def test_head_start_beyond_the_decision_is_refused():
    with pytest.raises(AnalysisError, match="head start"):
        cusum_chart([1.0], 0.0, 0.5, 5.0, head_start=5.0)


@pytest.mark.parametrize("chart", ["individuals", "ewma", "cusum"])
def test_monitor_continues_the_same_chart_that_is_computed_over_the_whole_series(chart):
    plan = ChartPlan(chart=chart, minimum=10, weight=0.3, head_start=0.5, decision_sigma=4.0)
    values = [*INDIVIDUALS, *(v + 1.7 for v in INDIVIDUALS)]
    usual = baseline(INDIVIDUALS)
    states = fed(values, plan)
    assert all(not s.signalling for s in states[:10])
    later = values[10:]
    if chart == "cusum":
        whole = cusum_chart(later, usual.centre, 0.5 * usual.sigma, 4 * usual.sigma, head_start=2 * usual.sigma)
        statistic = [max(pair) for pair in zip(whole.high, whole.low, strict=True)]
    else:
        whole = ewma_chart(later, usual, 0.3) if chart == "ewma" else individuals_chart(later, usual)
        statistic = list(whole.statistic)
    assert [s.statistic for s in states[10:]] == pytest.approx(statistic, rel=1e-12)
    signalling = [i for i, s in enumerate(states[10:]) if s.signalling]
    assert signalling == sorted({s.index for s in whole.signals})


def test_monitor_of_one_side_is_silent_on_the_other():
    falling = ChartPlan(chart="individuals", side="falling", centre=0.0, sigma=1.0)
    assert [s.signalling for s in fed([5.0, 0.0, -5.0], falling)] == ["", "", "falling"]
    summed = ChartPlan(chart="cusum", side="falling", centre=0.0, sigma=1.0)
    assert [s.signalling for s in fed([9.0, 9.0, -6.0], summed)] == ["", "", "falling"]


def test_monitor_gathers_a_baseline_without_spread_further():
    plan = ChartPlan(chart="individuals", minimum=3)
    states = fed([1.0, 1.0, 1.0, 1.0, 1.2, 5.0], plan)
    assert [s.usual is not None for s in states] == [False, False, False, False, True, True]
    assert states[-1].signalling == "rising"


def test_signal_ends_when_the_process_is_as_usual_again():
    plan = ChartPlan(chart="individuals", centre=0.0, sigma=1.0)
    assert [s.signalling for s in fed([4.0, 4.0, 0.0, -4.0], plan)] == ["rising", "rising", "", "falling"]

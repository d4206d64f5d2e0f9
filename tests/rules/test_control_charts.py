"""Control charts against published examples, and the chart that is continued value by value.

"Handbook" is the NIST/SEMATECH e-Handbook of Statistical Methods; its data and results were seen in public test
suites that quote it, and computed again by hand.
"""

from __future__ import annotations

import math
import random

import numpy as np
import pytest

from edgeagent.errors import AnalysisError, TraceRangeError
from edgeagent.rules.control_charts import (
    Baseline,
    ChartPlan,
    Monitor,
    Signal,
    check_usable,
    cusum_chart,
    estimate_baseline,
    ewma_chart,
    grow_baseline,
    individuals_chart,
    moving_range_chart,
    neighbour_correlation,
    normal_score,
    observe,
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
        monitor = observe(monitor, value, plan)
        states.append(monitor)
    return states


def test_individuals_chart_has_the_limits_of_the_handbook():
    # Handbook 6.3.2.2
    baseline = estimate_baseline(INDIVIDUALS)
    chart = individuals_chart(INDIVIDUALS, baseline)
    assert baseline.centre == pytest.approx(50.81, abs=1e-12)
    assert baseline.sigma * 1.128 == pytest.approx(1.8778, abs=5e-5)
    assert chart.upper[0] == pytest.approx(55.80408983, abs=1e-8)
    assert chart.lower[0] == pytest.approx(45.81591017, abs=1e-8)
    assert chart.signals == ()


def test_moving_range_chart_has_the_upper_limit_of_the_handbook():
    # Handbook 6.3.2.2, with D4 = 3.267
    chart = moving_range_chart(INDIVIDUALS, estimate_baseline(INDIVIDUALS))
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
    assert chart.high[:12] == pytest.approx([0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0], abs=0.005 + 1e-9)
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


@pytest.mark.parametrize(("decision", "wanted"), [(4.0, 8.38), (5.0, 10.4)])
def test_cusum_finds_a_shift_of_one_sigma_after_the_tabulated_number_of_values(decision, wanted):
    # Average run lengths at k = 0.5 and a shift of one sigma: 8.38 for h = 4 and 10.4 for h = 5 (textbook
    # table, remembered)
    random.seed(20260302)
    plan = ChartPlan(chart="cusum", centre=0.0, sigma=1.0, decision_sigma=decision)
    lengths = []
    for _ in range(1500):
        monitor, count = Monitor(), 0
        while not monitor.signalling:
            monitor = observe(monitor, random.gauss(1.0, 1.0), plan)
            count += 1
        lengths.append(count)
    mean = sum(lengths) / len(lengths)
    sd = math.sqrt(sum((n - mean) ** 2 for n in lengths) / (len(lengths) - 1))
    assert abs(mean - wanted) < 3.3 * sd / math.sqrt(len(lengths)) + 0.05


def markov_run_length(decision, shift=0.0, slack=0.5, states=200):
    """Average run length of a two-sided CUSUM of normal values, from a Markov chain over its sum.

    Brook and Evans (Biometrika 59, 1972; remembered); two sides by the sum of their rates.
    """
    from scipy.special import ndtr

    width = 2 * decision / (2 * states - 1)
    at = width * np.arange(states)
    lengths = []
    for mean in (shift, -shift):
        edges = ndtr(at[None, :] + width / 2 - at[:, None] + slack - mean)
        moves = np.diff(edges, axis=1, prepend=0.0)
        lengths.append(np.linalg.solve(np.eye(states) - moves, np.ones(states))[0])
    return 1 / sum(1 / length for length in lengths)


def test_cusum_without_a_shift_signals_as_rarely_as_a_markov_chain_says():
    # Published: 168 for h = 4 and 465 for h = 5 at k = 0.5 (textbook table, remembered)
    assert markov_run_length(4.0) == pytest.approx(168, abs=0.5)
    assert markov_run_length(5.0) == pytest.approx(465, abs=0.8)
    assert markov_run_length(5.0, shift=1.0) == pytest.approx(10.4, abs=0.05)
    random.seed(20260302)
    plan = ChartPlan(chart="cusum", centre=0.0, sigma=1.0, decision_sigma=3.0)
    lengths = []
    for _ in range(500):
        monitor, count = Monitor(), 0
        while not monitor.signalling:
            monitor = observe(monitor, random.gauss(0.0, 1.0), plan)
            count += 1
        lengths.append(count)
    mean = sum(lengths) / len(lengths)
    # Run lengths scatter about as much as they last
    assert mean == pytest.approx(markov_run_length(3.0), rel=3.3 / math.sqrt(len(lengths)))


def test_ewma_is_the_weighted_sum_of_all_values_and_its_limits_follow_from_the_weights():
    # A second way: weights 0.3 * 0.7^i on the values, newest first, the rest on the centre
    chart = ewma_chart(EWMA, Baseline(50.0, 2.0539, 0), 0.3, 3.0)
    for n in (1, 2, 7, len(EWMA)):
        weights = [0.3 * 0.7**i for i in range(n)]
        level = math.fsum(w * v for w, v in zip(weights, reversed(EWMA[:n]), strict=True))
        assert chart.statistic[n - 1] == pytest.approx(level + 0.7**n * 50.0, rel=1e-13)
        half = 3.0 * 2.0539 * math.sqrt(math.fsum(w * w for w in weights))
        assert chart.upper[n - 1] - 50.0 == pytest.approx(half, rel=1e-12)


@pytest.mark.parametrize("head_start", [0.0, 2.0])
def test_cusum_is_the_largest_sum_of_what_exceeds_the_slack_over_any_stretch_up_to_now(head_start):
    # A second way: sums over the last j values for every j, the head start with all of them
    chart = cusum_chart(CUSUM, 325.0, 0.3175, 4.1959, head_start=head_start)
    for sign, sums in ((1, chart.high), (-1, chart.low)):
        steps = [sign * (v - 325.0) - 0.3175 for v in CUSUM]
        for n in range(1, len(CUSUM) + 1):
            tails = [math.fsum(steps[j:n]) for j in range(n + 1)]
            assert sums[n - 1] == pytest.approx(max(tails[0] + head_start, *tails), abs=1e-9)


def test_series_without_spread_has_no_baseline():
    with pytest.raises(AnalysisError, match="all the same"):
        estimate_baseline([1.0, 1.0, 1.0])
    with pytest.raises(AnalysisError, match="at least"):
        estimate_baseline([1.0])


def test_spread_whose_square_is_no_double_is_none():
    # 1e-100 is what the sum of squares of a baseline needs to stay above zero
    with pytest.raises(AnalysisError, match="all the same"):
        estimate_baseline([1e-103, 2e-103, 1e-103])
    assert estimate_baseline([1e-98, 2e-98, 1e-98]).count == 3


@pytest.mark.parametrize("large", [1.01e100, -1.01e100, math.inf, math.nan])
def test_value_and_limit_that_are_no_quantity_are_refused(large):
    check_usable([1e100, -1e100, 0.0], [None, 1e100, -1e100])
    with pytest.raises(TraceRangeError, match="value 2 is"):
        check_usable([0.0, large])
    with pytest.raises(TraceRangeError, match="a limit is"):
        check_usable([0.0], [None, large])


def test_number_that_is_not_finite_is_named():
    with pytest.raises(TraceRangeError, match="value 1"):
        estimate_baseline([1.0, math.nan, 2.0])
    with pytest.raises(TraceRangeError):
        observe(Monitor(), math.inf, ChartPlan())


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
    baseline = estimate_baseline(INDIVIDUALS)
    states = fed(values, plan)
    assert all(not s.signalling for s in states[:10])
    later = values[10:]
    if chart == "cusum":
        whole = cusum_chart(
            later, baseline.centre, 0.5 * baseline.sigma, 4 * baseline.sigma, head_start=2 * baseline.sigma
        )
        statistic = [max(pair) for pair in zip(whole.high, whole.low, strict=True)]
    else:
        whole = ewma_chart(later, baseline, 0.3) if chart == "ewma" else individuals_chart(later, baseline)
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
    assert [s.baseline is not None for s in states] == [False, False, False, False, True, True]
    assert states[-1].signalling == "rising"


def test_monitor_of_a_value_that_never_changes_stays_small():
    last = fed([0.0] * 1000, ChartPlan(grow_to=100))[-1]
    assert (len(last.gathered), last.count, last.baseline) == (100, 1000, None)


def test_cusum_comes_back_soon_after_a_stray_value_and_sees_the_next_drift():
    plan = ChartPlan(chart="cusum", centre=0.0, sigma=1.0)
    states = fed([80.0, *[0.0] * 12, *[2.0] * 6], plan)
    assert states[0].statistic == pytest.approx(79.5)
    sides = [s.signalling for s in states]
    assert sides[1:10] == ["rising"] * 9
    assert sides[10:13] == [""] * 3
    assert sides[-1] == "rising"


def test_correlation_of_neighbours_is_that_of_its_definition():
    # NIST StRD, univariate: certified lag-1 autocorrelation -0.5 of NumAcc1 and -0.999 of NumAcc2 (remembered)
    assert neighbour_correlation([10000001.0, 10000003.0, 10000002.0]) == pytest.approx(-0.5)
    assert neighbour_correlation([1.2, *[1.1, 1.3] * 500]) == pytest.approx(-0.999, abs=1e-12)
    assert neighbour_correlation([1.0, 2.0, 3.0, 4.0]) == pytest.approx(0.25)
    assert neighbour_correlation([1.0, 1.0]) == 0.0


def test_signal_ends_when_the_process_is_as_usual_again():
    plan = ChartPlan(chart="individuals", centre=0.0, sigma=1.0)
    assert [s.signalling for s in fed([4.0, 4.0, 0.0, -4.0], plan)] == ["rising", "rising", "", "falling"]


def test_score_against_a_baseline_is_that_of_the_t_distribution():
    # A second way, by scipy's distributions; that 25 values have 14.96 degrees of freedom is what the tails of
    # simulated scores below prove
    from scipy.stats import norm, t

    baseline, nu = Baseline(10.0, 2.0, 25), 14.959599
    bias = math.sqrt(2 / nu) * math.gamma((nu + 1) / 2) / math.gamma(nu / 2)
    for value in (9.0, 10.0, 13.5, 17.0, 24.0):
        ratio = (value - 10.0) / (2.0 * bias * math.sqrt(1 + 1 / 25))
        assert normal_score(value, baseline) == pytest.approx(norm.ppf(t.cdf(ratio, nu)), abs=1e-6)
    assert normal_score(1e12, baseline) > 20
    assert normal_score(1e12, Baseline(0.0, 1.0, 5000)) == pytest.approx(37.97, abs=0.01)


@pytest.mark.parametrize("count", [3, 8, 25])
def test_scores_of_usual_values_are_standard_normal_whatever_the_baseline(count):
    # Simulated: 40,000 baselines, one value behind each; tails stay within what the moving range's
    # approximation to a t distribution leaves, and never beyond the normal ones
    drawn = np.random.default_rng(count).normal(7.0, 0.3, (40_000, count + 1))
    sigma = np.abs(np.diff(drawn[:, :-1], axis=1)).mean(axis=1) / 1.128
    centre = drawn[:, :-1].mean(axis=1)
    rows = zip(drawn[:, -1].tolist(), centre.tolist(), sigma.tolist(), strict=True)
    scores = np.abs([normal_score(v, Baseline(c, s, count)) for v, c, s in rows])
    assert np.mean(scores > 1.0) == pytest.approx(0.3173, abs=0.008)
    assert 0.036 < np.mean(scores > 2.0) < 0.0455 + 0.0035
    assert np.mean(scores > 3.0) < 0.0027 + 0.0009


def alarms(plan, runs=300, watched=100):
    """Share of usual series that signal within so many values after the first baseline."""
    random.seed(20260302)
    count = 0
    for _ in range(runs):
        monitor = Monitor()
        for _ in range(plan.minimum):
            monitor = observe(monitor, random.gauss(5.0, 0.2), plan)
        for _ in range(watched):
            monitor = observe(monitor, random.gauss(5.0, 0.2), plan)
            if monitor.signalling:
                count += 1
                break
    return count / runs


@pytest.mark.parametrize(("chart", "known"), [("individuals", 0.237), ("ewma", 0.172), ("cusum", 0.178)])
def test_growing_baseline_gives_no_more_false_alarms_than_a_known_one(chart, known):
    # 100 usual values: individuals 1 - 0.9973^100, the others simulated once with known centre and sigma over
    # 6000 series; 300 series here
    growing = alarms(ChartPlan(chart=chart, grow_to=100))
    fixed = alarms(ChartPlan(chart=chart))
    assert growing < known + 3 * math.sqrt(known * (1 - known) / 300)
    assert fixed > known + 3 * math.sqrt(known * (1 - known) / 300)


def test_baseline_grows_by_usual_values_alone_and_only_so_far():
    plan = ChartPlan(chart="individuals", minimum=10, grow_to=13)
    values = [*INDIVIDUALS, 50.5, 90.0, 51.0, 50.0, 52.0]
    states = fed(values, plan)
    assert [s.baseline.count for s in states[9:]] == [10, 11, 11, 12, 13, 13]
    assert [s.signalling for s in states[10:]] == ["", "rising", "", "", ""]
    kept = [*INDIVIDUALS, 50.5, 51.0, 50.0]
    assert states[-1].baseline.centre == pytest.approx(estimate_baseline(kept).centre, rel=1e-12)
    assert states[-1].baseline.sigma == pytest.approx(estimate_baseline(kept).sigma, rel=1e-12)


def test_baseline_of_hundreds_grows_only_so_far_too():
    values = (INDIVIDUALS * 31)[:303]
    states = fed(values, ChartPlan(chart="individuals", minimum=299, grow_to=301))
    assert [s.baseline.count for s in states[298:]] == [299, 300, 301, 301, 301]


def test_baseline_that_is_given_does_not_grow():
    plan = ChartPlan(chart="individuals", centre=0.0, sigma=1.0, grow_to=100)
    states = fed([1.0, -1.0, 2.9, 3.1], plan)
    assert {s.baseline for s in states} == {Baseline(0.0, 1.0, 0)}
    assert [s.signalling for s in states] == ["", "", "", "rising"]


def test_shift_behind_a_grown_baseline_is_seen_as_soon_as_with_known_parameters():
    # Average run length 10.4 of a shift of one sigma (textbook table, remembered); a fresh baseline of 25 takes
    # longer, which the bench prints
    random.seed(20260303)
    plan = ChartPlan(chart="cusum", minimum=25, grow_to=100, decision_sigma=5.0)
    lengths = []
    for _ in range(200):
        monitor = Monitor()
        for _ in range(100):
            monitor = observe(monitor, random.gauss(0.0, 1.0), plan)
        count = 0
        while not monitor.signalling and count < 500:
            monitor = observe(monitor, random.gauss(1.0, 1.0), plan)
            count += 1
        lengths.append(count)
    assert sum(lengths) / len(lengths) < 13


def test_series_too_short_is_refused_with_the_number_that_is_needed():
    assert estimate_baseline([1.0, 2.0]).count == 2
    assert individuals_chart([], Baseline(1.0, 1.0, 2)).signals == ()
    assert ewma_chart([], Baseline(1.0, 1.0, 2)).statistic == ()
    assert cusum_chart([], 0.0, 0.5, 5.0).high == ()
    for call in (
        estimate_baseline,
        neighbour_correlation,
        lambda v: moving_range_chart(v, Baseline(1.0, 1.0, 2)),
    ):
        with pytest.raises(AnalysisError, match="1 values; 2 at least are needed"):
            call([1.0])


def test_value_on_its_limit_is_not_beyond_it():
    chart = individuals_chart([13.0, 13.5, 7.0, 6.5], Baseline(10.0, 1.0, 9))
    assert chart.signals == (Signal(1, "rising", 13.5, 13.0), Signal(3, "falling", 6.5, 7.0))
    known = ChartPlan(chart="individuals", centre=10.0, sigma=1.0)
    assert [s.signalling for s in fed([13.0, 13.5, 7.0, 6.5], known)] == ["", "rising", "", "falling"]


def test_sum_on_the_decision_does_not_signal_and_both_sides_are_reported():
    chart = cusum_chart([5.5, 0.0, 6.0, -20.0], 0.0, 0.5, 5.0)
    assert chart.high == (5.0, 4.5, 10.0, 0.0)
    assert chart.low == (0.0, 0.0, 0.0, 19.5)
    assert chart.signals == (Signal(2, "rising", 10.0, 5.0), Signal(3, "falling", 19.5, 5.0))
    assert (chart.target, chart.slack, chart.decision) == (0.0, 0.5, 5.0)


@pytest.mark.parametrize(
    ("slack", "decision", "head_start", "refused"),
    [
        (0.0, 0.5, 0.0, False),
        (0.5, 5.0, 4.9, False),
        (-0.1, 5.0, 0.0, True),
        (0.5, 0.0, 0.0, True),
        (0.5, -1.0, -2.0, True),
        (0.5, 5.0, -0.1, True),
        (0.5, 5.0, 5.0, True),
    ],
)
def test_cusum_takes_only_constants_that_make_sense(slack, decision, head_start, refused):
    if refused:
        with pytest.raises(AnalysisError, match="a CUSUM needs"):
            cusum_chart([1.0], 0.0, slack, decision, head_start=head_start)
    else:
        assert len(cusum_chart([1.0], 0.0, slack, decision, head_start=head_start).high) == 1


def test_ewma_of_weight_one_is_the_individuals_chart_and_the_usual_weight_is_a_fifth():
    baseline = Baseline(50.0, 2.0, 9)
    assert ewma_chart(EWMA, baseline, 1.0).statistic == pytest.approx(EWMA)
    assert ewma_chart(EWMA, baseline, 1.0).upper == pytest.approx(individuals_chart(EWMA, baseline).upper)
    chart = ewma_chart([60.0], baseline)
    assert chart.statistic == pytest.approx([52.0])
    assert chart.upper == pytest.approx([50.0 + 3.0 * 2.0 * 0.2])
    assert chart.centre == 50.0


def test_plan_is_written_by_names_alone():
    with pytest.raises(TypeError):
        ChartPlan("ewma")


def test_baseline_of_a_short_series_is_all_of_it_and_of_a_long_one_grows_to_its_end():
    short = grow_baseline(INDIVIDUALS, 25, 100)
    assert short == estimate_baseline(INDIVIDUALS)
    grown = grow_baseline([*INDIVIDUALS, 50.5, 51.0], 10, 11)
    assert grown.count == 11
    assert grown.centre == pytest.approx(estimate_baseline([*INDIVIDUALS, 50.5]).centre)
    assert grow_baseline([*INDIVIDUALS, 50.5], 10, 10).count == 10


def test_monitor_counts_what_came_and_what_was_judged():
    states = fed([*INDIVIDUALS, 51.0, 52.0], ChartPlan(chart="individuals", minimum=10))
    assert [(s.count, s.judged) for s in states[8:]] == [(9, 0), (10, 0), (11, 1), (12, 2)]
    assert [len(s.gathered) for s in states[8:]] == [9, 0, 0, 0]
    assert states[9].last == INDIVIDUALS[-1]
    known = fed([1.0], ChartPlan(chart="individuals", centre=0.0, sigma=1.0))[0]
    assert (known.count, known.judged, known.last) == (1, 1, 0.0)


def test_monitor_needs_two_values_however_few_are_asked_for():
    states = fed([1.0, 2.0, 9.0], ChartPlan(chart="individuals", minimum=0))
    assert [s.baseline is not None for s in states] == [False, True, True]
    assert states[1].baseline == estimate_baseline([1.0, 2.0])


def test_centre_or_sigma_alone_is_taken_and_the_other_one_measured():
    values = [1.0, 2.0, 1.0, 2.0]
    measured = estimate_baseline(values[:3])
    only_centre = fed(values, ChartPlan(chart="individuals", minimum=3, centre=0.0, grow_to=9))[-1]
    assert only_centre.baseline == Baseline(0.0, measured.sigma, 3)
    only_sigma = fed(values, ChartPlan(chart="individuals", minimum=3, sigma=5.0, grow_to=9))[-1]
    assert only_sigma.baseline == Baseline(measured.centre, 5.0, 3)


def test_baseline_grows_only_where_it_may_hold_more_than_the_first_values():
    assert ChartPlan(minimum=25, grow_to=26).grows
    assert not ChartPlan(minimum=25, grow_to=25).grows
    assert not ChartPlan(minimum=25, grow_to=99, centre=1.0).grows
    assert not ChartPlan(minimum=25, grow_to=99, sigma=1.0).grows


def test_monitor_states_statistic_and_limit_in_the_unit_of_the_values():
    single = ChartPlan(chart="individuals", centre=100.0, sigma=2.0)
    high, low = fed([103.0, 95.0], single)
    assert (high.statistic, high.limit) == (pytest.approx(103.0), pytest.approx(106.0))
    assert (low.statistic, low.limit) == (pytest.approx(95.0), pytest.approx(94.0))
    summed = ChartPlan(chart="cusum", centre=100.0, sigma=2.0, slack_sigma=0.5, decision_sigma=4.0)
    (state,) = fed([106.0], summed)
    assert (state.statistic, state.limit) == (pytest.approx(5.0), pytest.approx(8.0))
    assert (state.high, state.low) == (pytest.approx(2.5), 0.0)


def test_absurd_value_costs_the_next_one_no_digit():
    plan = ChartPlan(chart="individuals", centre=0.0, sigma=1.0)
    after = fed([1e17, 4.0, 2.0], plan)
    assert [(s.statistic, s.signalling) for s in after] == [(1e17, "rising"), (4.0, "rising"), (2.0, "")]


def test_sums_are_kept_up_to_twice_the_decision_on_either_side():
    plan = ChartPlan(chart="cusum", centre=0.0, sigma=1.0, decision_sigma=4.0)
    rising, falling = fed([50.0], plan)[0], fed([-50.0], plan)[0]
    assert (rising.high, rising.low, rising.signalling) == (8.0, 0.0, "rising")
    assert (falling.high, falling.low, falling.signalling) == (0.0, 8.0, "falling")


def test_sum_exactly_on_the_decision_is_silent_and_still_grows_the_baseline():
    plan = ChartPlan(chart="cusum", centre=0.0, sigma=1.0, slack_sigma=0.5, decision_sigma=5.0)
    assert [s.signalling for s in fed([5.5, 0.6], plan)] == ["", "rising"]


def test_value_beyond_on_the_unwatched_side_does_not_grow_the_baseline():
    for chart, value in (("individuals", 900.0), ("cusum", 900.0), ("individuals", -900.0)):
        side = "falling" if value > 50 else "rising"
        plan = ChartPlan(chart=chart, side=side, minimum=10, grow_to=20)
        last = fed([*INDIVIDUALS, value], plan)[-1]
        assert (last.signalling, last.baseline.count) == ("", 10), chart


def test_head_start_is_a_share_of_the_decision_on_both_sides():
    plan = ChartPlan(chart="cusum", minimum=10, head_start=0.5, decision_sigma=4.0)
    begun = fed(INDIVIDUALS, plan)[-1]
    assert (begun.high, begun.low) == (2.0, 2.0)
    assert begun.signalling == ""


def test_degrees_of_freedom_of_the_moving_range_are_those_of_its_tabulated_variance():
    # Two values: one range, of relative variance (2 - 4/pi)/(4/pi) = 0.5708, hence nu = 1/(2 x 0.5708) + 1/4
    from scipy.stats import norm, t

    nu = 0.5 / ((2 - 4 / math.pi) / (4 / math.pi)) + 0.25
    bias = math.sqrt(2 / nu) * math.gamma((nu + 1) / 2) / math.gamma(nu / 2)
    ratio = 3.0 / (bias * math.sqrt(1.5))
    assert normal_score(3.0, Baseline(0.0, 1.0, 2)) == pytest.approx(norm.ppf(t.cdf(ratio, nu)), abs=1e-9)
    assert normal_score(-3.0, Baseline(0.0, 1.0, 2)) == pytest.approx(-norm.ppf(t.cdf(ratio, nu)), abs=1e-9)


def test_monitor_says_nothing_before_its_baseline_can_judge():
    for state in (Monitor(), *fed(INDIVIDUALS[:9], ChartPlan(minimum=10, head_start=0.5))):
        assert (state.baseline, state.judged, state.signalling) == (None, 0, "")
        assert (state.statistic, state.limit, state.level, state.high, state.low) == (0.0, 0.0, 0.0, 0.0, 0.0)

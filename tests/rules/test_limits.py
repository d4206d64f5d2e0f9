"""Limits looked up for a value or a spectrum: straight lines in log-log, the tightest of several counts."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeagent.model import CurveLimit, ScalarLimit, Spectrum
from edgeagent.rules.limits import LimitLookup, caution_bounds, curve_at, highest_judged_upr, scalar_limits


def curve(points, caution=None):
    upr, upper = np.array(points, dtype=float).T
    return CurveLimit(upr, upper, None if caution is None else upper * caution)


def scalar(lower=None, upper=None, caution=None, instance=None):
    return ScalarLimit(characteristic="x", instance=instance, lower=lower, upper=upper, caution=caution)


def test_curve_meets_its_points_and_is_a_power_law_between():
    upper, caution = curve_at(
        [curve([(2, 300), (20, 60), (500, 3)], 0.75)], np.array([2.0, 20.0, 500.0, 100.0])
    )
    assert upper[:3] == pytest.approx([300, 60, 3])
    # between 20 and 500 UPR the exponent is ln(3 / 60) / ln(500 / 20)
    assert upper[3] == pytest.approx(60 * 5 ** (math.log(3 / 60) / math.log(25)), rel=1e-12)
    assert caution == pytest.approx(0.75 * upper)


def test_nothing_is_judged_outside_a_curve():
    upper, caution = curve_at([curve([(5, 10), (50, 1)])], np.array([1.0, 4.0, 5.0, 50.0, 51.0]))
    assert np.isnan(upper).tolist() == [True, True, False, False, True]
    assert np.isnan(caution).all()
    assert np.isnan(curve_at([], np.array([3.0]))[0]).all()


def test_of_several_curves_the_tightest_counts_and_each_reaches_its_own_range():
    curves = [curve([(2, 100), (100, 100)]), curve([(50, 40), (200, 40)], 0.5)]
    upper, caution = curve_at(curves, np.array([10.0, 60.0, 150.0]))
    assert upper.tolist() == pytest.approx([100, 40, 40])
    assert np.isnan(caution[0])
    assert caution[1:].tolist() == pytest.approx([20, 20])
    assert highest_judged_upr(curves) == 200.0
    assert highest_judged_upr([]) is None


@given(st.floats(2.0, 500.0))
def test_curve_never_leaves_the_range_between_its_neighbouring_points(upr):
    upper, _ = curve_at([curve([(2, 300), (20, 60), (500, 3)])], np.array([upr]))
    low, high = (60, 300) if upr <= 20 else (3, 60)
    assert low * (1 - 1e-12) <= upper[0] <= high * (1 + 1e-12)


def test_limits_of_a_value_are_drawn_together():
    found = scalar_limits(
        [scalar(upper=2.0, caution=0.9), scalar(lower=-1.0, upper=1.5), scalar(upper=0.5, instance="b")],
        "x",
        "a",
    )
    assert (found.lower, found.upper, found.caution) == (-1.0, 1.5, 0.9)
    assert scalar_limits([scalar(upper=2.0), scalar(upper=0.5, instance="b")], "x", "b").upper == 0.5
    assert scalar_limits([scalar(upper=2.0)], "y", "") is None
    assert scalar_limits([scalar(upper=0.5, instance="b")], "x", "a") is None


@pytest.mark.parametrize(
    ("limit", "expected"),
    [
        (scalar(upper=2.0, caution=0.75), (None, 1.5)), (scalar(upper=-2.0, caution=0.8), (None, -2.5)),
        (scalar(lower=3.0, caution=0.75), (4.0, None)), (scalar(lower=-3.0, caution=0.5), (-1.5, None)),
        (scalar(lower=42.0, upper=48.0, caution=0.5), (43.5, 46.5)), (scalar(upper=1.0), (None, None)),
        (scalar(upper=0.0, caution=0.5), (None, 0.0)), (scalar(lower=0.0, caution=0.5), (0.0, None)),
    ],
)  # fmt: skip
def test_caution_bounds(limit, expected):
    assert caution_bounds(limit) == pytest.approx(expected)


@given(st.floats(-100, 100), st.floats(0.1, 100), st.floats(0.01, 1.0))
def test_caution_lies_within_the_limits(lower, width, share):
    low, high = caution_bounds(scalar(lower=lower, upper=lower + width, caution=share))
    assert lower - 1e-9 <= low <= high <= lower + width + 1e-9
    assert caution_bounds(scalar(upper=lower, caution=share))[1] <= lower
    assert caution_bounds(scalar(lower=lower, caution=share))[0] >= lower


def orders(*upr):
    return Spectrum(np.array(upr), *(np.zeros(len(upr)) for _ in range(3)))


def test_curve_is_looked_up_once_for_all_traces_with_every_order_and_anew_for_others():
    lookup = LimitLookup((), [curve([(2, 300), (20, 60)])])
    first, again = (lookup.curves_at(orders(1, 2, 3, 4))[0] for _ in range(2))
    assert first is again
    for some in ((1, 4, 7, 9), (2, 3, 4, 5), (0, 2, 3, 4), (1.0, 2.5, 3.5, 4.0), (4,), (1,)):
        wanted, _ = curve_at([curve([(2, 300), (20, 60)])], np.array(some, dtype=float))
        assert lookup.curves_at(orders(*some))[0].tolist() == pytest.approx(wanted.tolist(), nan_ok=True)
        assert lookup.judged(orders(*some)) == sum(2 <= upr <= 20 for upr in some)
    assert lookup.judged(orders()) == 0

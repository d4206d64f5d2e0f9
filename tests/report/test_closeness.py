"""The order in which values are listed: those that need a look most are first."""

import pytest

from edgeagent.model import Verdict
from edgeagent.model.records import JudgedValue
from edgeagent.report.closeness import FAR, order_key, place


def judged(value, *, lower=None, upper=None, verdict="nonconforming"):
    return JudgedValue(
        name="root_clearance", instance="", value=value, unit="um", expanded_uncertainty=None,
        lower=lower, upper=upper, caution=None, verdict=Verdict(verdict),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("limits", "values"),
    [
        ({"upper": 0.0}, [9.0, 4.0, 0.5]),
        ({"lower": 0.0}, [-9.0, -4.0, -0.5]),
        ({"lower": 10.0}, [-50.0, -3.0, 0.0]),
        ({"upper": -10.0}, [50.0, 3.0, 0.0]),
    ],
)
def test_worst_of_values_that_no_number_of_limits_reaches_is_first(limits, values):
    found = [judged(v, **limits) for v in values]
    assert {None if (p := place(c)) is None else p.at for c in found} <= {None, FAR}
    assert sorted([found[1], found[2], found[0]], key=order_key) == found


def test_value_at_a_limit_of_zero_lies_between_those_over_and_those_within_their_limits():
    over, at_zero = judged(1.4, upper=1.0), judged(0.1, upper=0.0)
    passed, within = judged(-0.1, upper=0.0, verdict="conforming"), judged(0.2, upper=1.0, verdict="conforming")
    assert sorted([within, passed, at_zero, over], key=order_key) == [over, at_zero, passed, within]


def test_every_value_can_be_compared_with_every_other():
    values = [
        judged(v, **limits) for v in (None, -1.0, 0.0, 2.0) for limits in ({"upper": 0.0}, {"lower": 1.0}, {})
    ]
    assert len(sorted(values, key=order_key)) == len(values)

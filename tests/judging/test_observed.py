"""Values of many series in columns: what comes out is what went in."""

from __future__ import annotations

import numpy as np

from edgeagent.judging.drift import Observation
from edgeagent.judging.studies.observed import ObservedTraces, ObservedValues

KEY = ("P", "left-flank", "roundness_total", "")
TIGHT, WIDE = ("um", None, 1.2), ("um", 0.0, 2.0)


def two_series():
    traces = ObservedTraces()
    places = [traces.add(seq, f"at {seq}", f"s{seq}", "anna") for seq in (7, 9, 12)]
    values = ObservedValues(KEY, traces)
    values.add(places[:2], np.array([0.5, 0.75]), TIGHT)
    values.add(places[2:], [1.0], WIDE)
    values.add(places[:1], np.array([3, 4])[:1], TIGHT)
    return traces, values


def seen(seq, value, unit, lower, upper):
    return Observation(KEY, seq, f"at {seq}", f"s{seq}", "anna", value, unit, lower, upper)


EXPECTED = [seen(7, 0.5, *TIGHT), seen(9, 0.75, *TIGHT), seen(12, 1.0, *WIDE), seen(7, 3.0, *TIGHT)]


def test_each_value_comes_back_with_its_trace_unit_and_limits():
    traces, values = two_series()
    assert list(values) == EXPECTED
    assert values.values == [0.5, 0.75, 1.0, 3.0]
    assert (len(values), len(traces)) == (4, 3)
    assert traces.at(1) == (9, "at 9", "s9", "anna")


def test_one_value_or_a_stretch_is_taken_as_from_any_sequence():
    _, values = two_series()
    assert (values[0], values[-1]) == (EXPECTED[0], EXPECTED[-1])
    assert list(values[1:3]) == EXPECTED[1:3]
    assert list(values[::-1]) == EXPECTED[::-1]
    assert list(values[:0]) == []


def test_traces_are_numbered_in_the_order_in_which_they_come():
    traces = ObservedTraces()
    assert [traces.add(seq, "", "", "") for seq in (30, 20, 10)] == [0, 1, 2]
    assert [traces.at(place)[0] for place in range(3)] == [30, 20, 10]

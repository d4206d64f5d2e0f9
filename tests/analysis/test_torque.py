"""Drag torque over a travel forth and back: values known from the curve, and traces that do not show it."""

from __future__ import annotations

from datetime import UTC, datetime

import msgspec
import numpy as np
import pytest

from edgeagent.analysis.kinds import Request, find_kind, kind_names, require_columns, torque
from edgeagent.model import Trace, TraceHeader


def stroke_pair(forward=0.2, back=0.25, ripple=0.03, length_mm=400.0, points=2001):
    """Travel forth and back with rests at the ends; a ripple of 20 mm; the torque turns its sign."""
    out = np.linspace(0.0, length_mm, points)
    travel = np.concatenate([np.zeros(50), out, np.full(50, length_mm), out[::-1], np.zeros(50)])
    wave = ripple * np.sin(2 * np.pi * out / 20.0)
    return travel, np.concatenate(
        [np.zeros(50), forward + wave, np.zeros(50), -(back + wave)[::-1], np.zeros(50)]
    )


def trace_of(travel_mm, torque_n_m):
    header = TraceHeader(
        kind="torque",
        feature="drag",
        measured_at=datetime(2026, 3, 2, tzinfo=UTC),
        part="X",
        serial="1",
    )
    return Trace(header, {"travel_mm": travel_mm, "torque_n_m": torque_n_m})


def analyse(trace, **options):
    return torque.analyse(trace, Request(None, torque.TorqueOptions(**options)))


def values(analysis):
    return {(q.name, q.instance): q.value for q in analysis.quantities}


def failed(analysis):
    return [c.check for c in analysis.quality if not c.ok]


def test_kind_is_found_by_its_module_and_keeps_its_promises():
    assert "torque" in kind_names()
    assert find_kind("torque") is torque
    require_columns(trace_of(*stroke_pair()), torque)
    for q in analyse(trace_of(*stroke_pair())).quantities:
        assert torque.CHARACTERISTICS[q.name] == q.unit
    with pytest.raises(msgspec.ValidationError, match="belong together"):
        msgspec.convert({"useful_start_mm": 1.0}, torque.TorqueOptions)


def test_mean_and_variation_of_each_direction_are_those_of_the_curve():
    found = values(analyse(trace_of(*stroke_pair()), useful_start_mm=40.0, useful_end_mm=360.0))
    assert found["drag_torque_mean", "forward"] == pytest.approx(0.2, abs=2e-5)
    assert found["drag_torque_mean", "return"] == pytest.approx(0.25, abs=2e-5)
    assert found["drag_torque_variation", "forward"] == pytest.approx(0.03, abs=3e-5)
    assert found["drag_torque_variation", "return"] == pytest.approx(0.03, abs=3e-5)


def test_a_tight_spot_is_the_variation_wherever_the_gauge_puts_the_sign():
    travel, drag = stroke_pair()
    drag = drag * (1.0 + 0.5 * np.exp(-np.square((travel - 200.0) / 5.0)))
    signed = values(analyse(trace_of(travel, drag), excess_mm=40.0))
    assert signed["drag_torque_variation", "forward"] > 0.09
    assert values(analyse(trace_of(travel, np.abs(drag)), excess_mm=40.0)) == pytest.approx(signed)
    assert values(analyse(trace_of(travel, -drag), excess_mm=40.0)) == pytest.approx(signed)


def test_mean_is_that_over_the_travel_whatever_the_speed():
    rng = np.random.default_rng(2)
    out = np.sort(np.concatenate([rng.uniform(0, 400, 500), rng.uniform(0, 100, 3000)]))
    slope = 0.1 + 0.0005 * out
    found = values(analyse(trace_of(out, slope), directions="forward"))
    assert found["drag_torque_mean", "forward"] == pytest.approx(0.2, rel=0.01)


def test_jitter_of_the_encoder_is_no_reversal():
    rng = np.random.default_rng(1)
    travel, drag = stroke_pair()
    result = analyse(trace_of(travel + rng.normal(0.0, 0.05, travel.size), drag), excess_mm=40.0)
    assert failed(result) == []
    assert values(result)["drag_torque_mean", "forward"] == pytest.approx(0.2, abs=2e-3)


def test_direction_that_is_missing_has_no_value_and_holds_unless_the_recipe_does_without():
    travel, drag = stroke_pair()
    half = slice(0, 2101)
    result = analyse(trace_of(travel[half], drag[half]), excess_mm=40.0)
    assert values(result)["drag_torque_mean", "return"] is None
    assert failed(result) == ["return_stroke"]
    alone = analyse(trace_of(travel[half], drag[half]), excess_mm=40.0, directions="forward")
    assert failed(alone) == []
    assert {instance for _, instance in values(alone)} == {"forward"}


def test_gap_missing_samples_and_no_travel_are_not_fit():
    travel, drag = stroke_pair()
    gap = (travel > 200.0) & (travel < 215.0)
    assert failed(analyse(trace_of(travel[~gap], drag[~gap]), excess_mm=40.0)) == [
        "forward_stroke",
        "return_stroke",
    ]
    spoilt = np.where(np.arange(drag.size) % 50 == 0, np.nan, drag)
    assert "missing_samples" in failed(analyse(trace_of(travel, spoilt), excess_mm=40.0))
    still = analyse(trace_of(np.zeros(100), np.ones(100)))
    assert "samples" in failed(still)
    assert set(values(still).values()) == {None}


def test_stated_uncertainty_of_the_mean_agrees_with_its_scatter():
    travel, drag = stroke_pair(points=1001)
    rng = np.random.default_rng(5)
    runs = [analyse(trace_of(travel, drag + rng.normal(0, 0.01, drag.size))) for _ in range(200)]
    both = np.array(
        [
            (q.value, q.standard_uncertainty)
            for r in runs
            for q in r.quantities
            if (q.name, q.instance) == ("drag_torque_mean", "forward")
        ]
    )
    assert 0.8 < both[:, 1].mean() / both[:, 0].std() < 1.25


def test_mean_of_a_coarse_reading_is_no_better_known_than_the_reading():
    x = np.linspace(0.0, 400.0, 2001)
    for true in (0.2342, 0.2377):
        read = np.round((true + 0.002 * np.cos(x / 40.0)) / 0.01) * 0.01
        read[::400] += 0.01
        (mean, *_) = analyse(trace_of(x, read), directions="forward").quantities
        assert abs(mean.value - true) < 2.0 * mean.standard_uncertainty
        assert mean.standard_uncertainty == pytest.approx(0.01 / np.sqrt(12.0), rel=0.1)
    dithered = np.round((0.2342 + np.random.default_rng(1).normal(0.0, 0.01, 2001)) / 0.01) * 0.01
    (mean, *_) = analyse(trace_of(x, dithered), directions="forward").quantities
    assert abs(mean.value - 0.2342) < 3.0 * mean.standard_uncertainty < 0.0015


def test_noise_makes_no_variation_of_a_good_screw():
    x = np.linspace(0.0, 400.0, 4001)
    curve = 0.5 + 0.05 * np.cos(2 * np.pi * x / 150.0)
    true = float(np.max(np.abs(curve - np.trapezoid(curve, x) / 400.0)))
    found = []
    for seed in range(12):
        noise = np.random.default_rng(seed).normal(0.0, 0.02, (2, x.size))
        torque = np.concatenate([curve + noise[0], -(curve + noise[1])[::-1]])
        result = analyse(trace_of(np.concatenate([x, x[::-1]]), torque))
        found += [
            (q.value, q.standard_uncertainty) for q in result.quantities if q.name == "drag_torque_variation"
        ]
    value, u = np.array(found).T
    assert abs(value.mean() - true) < 0.005  # as read 0.05 too much
    assert np.all(np.abs(value - true) < 1.65 * u)
    assert np.all(np.abs(value - true) < 0.02)
    assert 1.0 < np.mean(u) / np.sqrt(np.mean((value - true) ** 2)) < 3.0

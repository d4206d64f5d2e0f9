"""Trigonometric sums at recorded angles, against direct summation and numpy.fft."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeagent.analysis.waves.trigonometric import TrigonometricSums, evaluate_on_circle


def direct(angle_rad, value, orders):
    """The definition, in extended precision: one sum a requested order."""
    turned = np.outer(np.asarray(orders, dtype=np.longdouble), np.asarray(angle_rad, dtype=np.longdouble))
    weight = np.asarray(value, dtype=np.longdouble)
    return np.asarray((np.cos(turned) * weight).sum(axis=1) - 1j * (np.sin(turned) * weight).sum(axis=1))


def jittered(points, turns, share, seed, start=0.0):
    step = 2 * np.pi * turns / points
    noise = np.random.default_rng(seed).uniform(-share, share, points)
    return start + (np.arange(points) + noise) * step


@pytest.mark.parametrize("share", [0.0, 0.25, 0.49])
def test_sums_at_uneven_angles_are_those_of_the_definition(share):
    angle = jittered(5400, 3, share, 1, start=12.3)
    value = np.random.default_rng(2).normal(size=len(angle))
    orders = [0, 1, 2, 7, 100, 449, 899]
    found = TrigonometricSums(angle, 899).sums(value, 899)
    # the docstring promises 1e-13 of the sum of absolute values; angles near 30 rad at order 899 are themselves
    # rounded to 899 * 3.6e-15 = 3e-12 rad at most, in random directions: 1e-12 / sqrt(points) stays below it
    assert np.abs(found[orders] - direct(angle, value, orders)).max() < 1e-13 * np.abs(value).sum()


def test_sums_of_even_angles_are_those_of_the_fast_fourier_transform():
    points = 1800
    value = np.random.default_rng(3).normal(size=points)
    found = TrigonometricSums(2 * np.pi * np.arange(points) / points, 800).sums(value, 800)
    assert np.abs(found - np.fft.rfft(value)[:801]).max() < 1e-12 * np.abs(value).sum()


def test_sums_without_values_count_the_samples():
    angle = jittered(3000, 2.5, 0.3, 4)
    ones = np.ones(len(angle))
    sums = TrigonometricSums(angle, 600)
    assert sums.sums(None, 600)[0] == pytest.approx(len(angle), abs=1e-9)
    assert np.abs(sums.sums(None, 600) - sums.sums(ones, 600)).max() == 0.0


def test_orders_up_to_20000_stay_within_the_stated_error():
    angle = jittered(60000, 1, 0.25, 5)
    value = np.random.default_rng(6).normal(size=len(angle))
    orders = [19_999, 20_000]
    found = TrigonometricSums(angle, 20_000).sums(value, 20_000)
    assert np.abs(found[orders] - direct(angle, value, orders)).max() < 1e-13 * np.abs(value).sum()


@settings(max_examples=40, deadline=None)
@given(
    st.lists(st.floats(-40.0, 40.0, width=64), min_size=2, max_size=40),
    st.integers(1, 30),
    st.integers(0, 2**31),
)
def test_any_angles_in_any_order_are_summed_exactly(angles, order_max, seed):
    angle = np.array(angles)
    value = np.random.default_rng(seed).normal(size=len(angle))
    found = TrigonometricSums(angle, order_max).sums(value, order_max)
    # an angle of 80 rad is known to 1.4e-14, times the order
    expected = direct(angle, value, range(order_max + 1))
    assert np.abs(found - expected).max() <= (1e-13 + 2e-14 * order_max) * np.abs(value).sum()


def test_evaluation_at_uneven_angles_is_the_sum_of_its_waves():
    angle = jittered(4000, 2.3, 0.25, 7, start=-5.0)
    rng = np.random.default_rng(8)
    coefficient = rng.normal(size=301) + 1j * rng.normal(size=301)
    coefficient[0] = coefficient[0].real
    found = TrigonometricSums(angle, 301).evaluate(coefficient)
    expected = np.full(len(angle), coefficient[0].real)
    for n in range(1, 301):
        expected += 2 * np.real(coefficient[n] * np.exp(1j * n * angle))
    assert np.abs(found - expected).max() < 1e-12 * 2 * np.abs(coefficient).sum()


def test_evaluation_on_the_circle_agrees_with_evaluation_at_the_same_angles():
    rng = np.random.default_rng(9)
    coefficient = rng.normal(size=60) + 1j * rng.normal(size=60)
    coefficient[0] = 0.25
    angle = 2 * np.pi * np.arange(256) / 256
    at_angles = TrigonometricSums(angle, 60).evaluate(coefficient)
    assert np.abs(evaluate_on_circle(coefficient, 256) - at_angles).max() < 1e-12 * np.abs(coefficient).sum()


@pytest.mark.parametrize("shift_steps", [0.0, 0.3, 1.2])
def test_samples_in_line_are_summed_where_an_eccentric_part_shifts_them(shift_steps):
    step = 2 * np.pi / 1800
    spindle = 4.5 + np.arange(5000) * step
    angle = spindle + shift_steps * step * np.sin(spindle - 0.7)
    value = np.random.default_rng(10).normal(size=len(angle))
    orders = [0, 1, 2, 7, 100, 300]
    sums = TrigonometricSums(angle, 300)
    found = sums.sums(value, 300)
    assert np.abs(found[orders] - direct(angle, value, orders)).max() < 1e-13 * np.abs(value).sum()
    assert np.diff(angle).max() <= sums.step_max


def test_cosine_and_sine_of_even_angles_are_those_of_the_rounded_angles():
    angle = np.radians(np.round(np.arange(5400) * 0.2 + 33.3333, 5))
    cosine, sine = TrigonometricSums(angle, 100).circle(angle)
    # angles near 20 rad are themselves rounded to 3.6e-15 rad, which is taken twice
    assert np.abs(cosine - np.cos(angle)).max() < 8e-15
    assert np.abs(sine - np.sin(angle)).max() < 8e-15


def test_sums_of_whole_turns_are_those_of_the_stretched_angles():
    angle = np.radians(np.round(np.arange(6120) * 0.2 + 33.3333, 5))  # 3.4 turns
    value = np.random.default_rng(11).normal(size=len(angle))
    found = TrigonometricSums(angle, 100).of_whole_turns(angle, 3, 300)
    inside = angle - angle[0] < 6 * np.pi - 1e-9
    expected = TrigonometricSums((angle[inside] - angle[0]) / 3, 300).sums(value[inside], 300)
    assert found.points == np.count_nonzero(inside)
    assert np.abs(found.sums(value[: found.points], 300) - expected).max() < 1e-12 * np.abs(value).sum()


def test_a_gap_of_many_steps_does_not_count_as_in_line():
    angle = np.delete(np.arange(5400) * (2 * np.pi / 1800), slice(1000, 2200))
    value = np.random.default_rng(12).normal(size=len(angle))
    orders = [0, 3, 800]
    found = TrigonometricSums(angle, 800).sums(value, 800)
    assert np.abs(found[orders] - direct(angle, value, orders)).max() < 1e-13 * np.abs(value).sum()

"""Axis, grid, index errors and diameter from ball centres whose places are known by construction."""

from __future__ import annotations

import numpy as np
import pytest

from edgeagent.analysis.groove.circle import ball_pitch_circle
from edgeagent.analysis.groove.pitch import (
    Axis,
    cumulative_deviation,
    fit_axis,
    fit_grid,
    largest,
    neighbour_pitches,
)

TOP, BOTTOM = 1.0, -1.0


def centres(count: int, pitch: float, radius: float, phase: float):
    top = pitch * np.arange(count)
    bottom = pitch * (np.arange(count - 1) + phase)
    along = np.concatenate([top, bottom])
    side = np.concatenate([np.full(count, TOP), np.full(count - 1, BOTTOM)])
    return along, side * radius, side


def test_aligned_and_recorded_are_inverse():
    axis = Axis(0.007, 3.0, None)
    x, z = np.array([0.0, 50.0]), np.array([10.0, -10.0])
    assert np.array(axis.recorded_points(*axis.align_points(x, z))) == pytest.approx(
        np.array([x, z]), abs=1e-13
    )


@pytest.mark.parametrize("tilt_deg", [-0.5, 0.0, 0.2, 0.5])
def test_tilt_and_offset_of_the_axis_are_found(tilt_deg):
    along, across, side = centres(6, 5.0, 10.375, 0.5)
    true = Axis(np.radians(tilt_deg), 2.0, None)
    found = fit_axis(*true.recorded_points(along, across), side, nominal_radius_mm=99.0)
    assert np.degrees(found.tilt_rad) == pytest.approx(tilt_deg, abs=1e-12)
    assert found.offset_mm == pytest.approx(2.0, abs=1e-12)


def test_one_side_places_the_axis_by_the_nominal_radius():
    along, across, side = centres(6, 5.0, 10.0, 0.5)
    bottom = side < 0
    found = fit_axis(along[bottom], across[bottom] + 1.0, side[bottom], nominal_radius_mm=10.2)
    assert found.offset_mm == pytest.approx(1.0 + 0.2, abs=1e-12)


def test_tilt_needs_two_grooves_on_a_side():
    side = np.array([TOP, BOTTOM])
    found = fit_axis(np.array([0.0, 2.5]), np.array([10.0, -10.3]), side, nominal_radius_mm=10.0)
    assert found.tilt_rad == 0.0
    assert found.tilt_uncertainty_rad is None


def test_uncertainty_of_the_tilt_is_that_of_a_slope():
    along, across, side = centres(6, 5.0, 10.0, 0.5)
    random, tilts = np.random.default_rng(3), []
    for _ in range(3000):
        z = across + random.normal(0.0, 1e-3, along.size)
        tilts.append(fit_axis(along, z, side, nominal_radius_mm=10.0).tilt_rad)
    spread = np.full(along.size, 1e-3)
    stated = fit_axis(along, across, side, nominal_radius_mm=10.0, height_uncertainty_mm=spread)
    assert np.std(tilts) == pytest.approx(stated.tilt_uncertainty_rad, rel=0.05)


def test_pitch_bridges_a_missing_groove_and_no_pair_is_made_across_it():
    along, _, side = centres(6, 5.0, 10.0, 0.5)
    keep = np.arange(along.size) != 2
    grid = fit_grid(along[keep] * 1.0004, side[keep], pitch_mm=5.0, starts=1, uncertainty_mm=np.ones(10))
    assert grid.pitch_mm == pytest.approx(5.002, abs=1e-12)
    assert list(grid.number[:5]) == [0, 1, 3, 4, 5]
    steps = neighbour_pitches(along[keep], side[keep], grid.number, np.full(10, 3e-3))
    assert [(s.first, s.second) for s in steps] == [(0, 1), (2, 3), (3, 4), (5, 6), (6, 7), (7, 8), (8, 9)]
    assert steps[0].uncertainty_mm == pytest.approx(3e-3 * np.sqrt(2))


@pytest.mark.parametrize("starts", [2, 3, 4])
@pytest.mark.parametrize("shift_pitches", [0, 1])
def test_index_error_of_each_start_comes_back_from_both_sides(starts, shift_pitches):
    """The bottom shows the same starts half a lead on; a trace plane beside the axis shifts it as a whole."""
    pitch, error = 4.0, np.array([0.0, 0.003, -0.002, 0.0015])[:starts]
    k = np.arange(9)
    top = pitch * k + error[k % starts]
    j = k - shift_pitches
    bottom = pitch * j + error[j % starts] + starts * pitch / 2 + 0.02
    along, side = np.concatenate([top, bottom]), np.repeat([TOP, BOTTOM], 9)
    grid = fit_grid(along, side, pitch_mm=pitch, starts=starts, uncertainty_mm=np.full(18, 1e-3))
    assert grid.index_error_mm == pytest.approx(error, abs=1e-12)
    assert grid.pitch_mm == pytest.approx(pitch, abs=1e-12)
    assert grid.index_uncertainty_mm[0] == 0.0


def test_single_grooves_have_no_pitch():
    grid = fit_grid(np.array([0.0, 2.5]), np.array([TOP, BOTTOM]), pitch_mm=5.0, starts=1)
    assert grid.pitch_mm is None
    assert abs(grid.side_phase) == pytest.approx(0.5)


def test_cumulative_deviation_adds_up():
    along = np.array([0.0, 5.001, 10.003, 15.0])
    found = cumulative_deviation(along, np.full(4, TOP), np.arange(4), 5.0)
    assert found == pytest.approx([0.0, 0.001, 0.003, 0.0], abs=1e-12)
    assert largest([0.001, -0.004, 0.003]) == -0.004


def test_diameter_is_taken_to_the_line_through_the_neighbours_and_straight_across_when_they_face():
    for phase, each in ((0.5, 9), (0.0, 11)):
        along, across, side = centres(6, 5.0, 10.375, phase)
        found = ball_pitch_circle(along, across, side, pitch_mm=5.0, uncertainty_mm=np.ones(along.size))
        assert found.diameter_mm == pytest.approx(20.75, abs=1e-12)
        assert found.each_mm.size == each - (phase == 0.0)


def test_uncertainty_of_the_mean_diameter_counts_shared_centres():
    along, across, side = centres(5, 5.0, 10.0, 0.5)
    random = np.random.default_rng(4)
    spread = random.uniform(0.5e-3, 2e-3, along.size)
    scattered = [
        ball_pitch_circle(
            along, across + random.normal(0.0, spread), side, pitch_mm=5.0, uncertainty_mm=spread
        ).diameter_mm
        for _ in range(3000)
    ]
    stated = ball_pitch_circle(along, across, side, pitch_mm=5.0, uncertainty_mm=spread).uncertainty_mm
    assert np.std(scattered) == pytest.approx(stated, rel=0.05)


def test_no_diameter_without_a_counterpart():
    along, side = np.array([0.0, 2.5]), np.array([TOP, BOTTOM])
    assert ball_pitch_circle(along, side * 10, side, pitch_mm=5.0, uncertainty_mm=np.ones(2)) is None
    assert ball_pitch_circle(along, np.ones(2), np.ones(2), pitch_mm=5.0, uncertainty_mm=np.ones(2)) is None


def test_hundreds_of_grooves_are_counted_right_with_a_rough_pitch():
    along, across, side = centres(200, 5.0, 10.375, 0.5)
    for starts in (1, 2):
        grid = fit_grid(along, side, pitch_mm=5.04, starts=starts)
        assert [int(n) for n in grid.number[side == TOP]] == list(range(200))
        assert grid.pitch_mm == pytest.approx(5.0, abs=1e-9)
        assert [int(s) for s in grid.start[side == TOP]] == [n % starts for n in range(200)]

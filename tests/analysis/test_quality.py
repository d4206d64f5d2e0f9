"""Each check passes on a good trace, fails on its own defect, and says in a sentence what it found."""

from __future__ import annotations

import math

import numpy as np
import pytest

from edgeagent.analysis.around import quality


def sentence(check):
    """The note, after looking that it is a sentence for a technician and that the check is complete."""
    assert check.check
    assert len(check.note.split()) >= 4
    assert check.value is None or math.isfinite(check.value)
    assert check.allowed is None or math.isfinite(check.allowed)
    return check.note


def even_step(points=1000):
    return np.full(points, 2 * np.pi / points)


@pytest.mark.parametrize(("turns", "wanted", "ok"), [(3.0, 3.0, True), (2.9998, 3.0, True), (2.9, 3.0, False)])
def test_whole_turns_with_half_a_step_of_slack(turns, wanted, ok):
    check = quality.whole_turns(turns, 1000.0, wanted)
    assert check.ok is ok
    assert f"{turns:.3f} turns" in sentence(check)
    assert ok or "fewer than the 3 needed" in check.note


@pytest.mark.parametrize(
    ("points", "upr", "ok"), [(3500, 500, True), (3499, 500, False), (105, 15, True), (350, 50, True)]
)
def test_seven_points_per_undulation(points, upr, ok):
    # ISO 12181-2: 105 points for 15 UPR, 350 for 50, 3500 for 500 (remembered, not seen)
    check = quality.points_per_undulation(points, upr)
    assert check.ok is ok
    assert f"{upr} UPR" in sentence(check)


def test_even_steps_are_regular_and_jitter_of_a_quarter_too():
    angle = np.arange(4000) + np.random.default_rng(1).uniform(-0.25, 0.25, 4000)
    for step in (even_step(4000), np.diff(angle) * 2 * np.pi / 4000):
        spread, gap = quality.regular_spacing(step, 500)
        assert spread.ok
        assert gap.ok
        assert "median step" in sentence(spread)
        assert "undulation at 500 UPR" in sentence(gap)


def test_one_gap_of_half_an_undulation_is_found():
    step = even_step(4000)
    step[1234] *= 5  # 5 of 8 points of an undulation of 500 UPR
    spread, gap = quality.regular_spacing(step, 500)
    assert spread.ok
    assert not gap.ok
    assert gap.value == pytest.approx(0.625)


def test_wildly_uneven_steps_are_found():
    step = even_step(4000)
    step[::2] *= 0.2
    step[1::2] *= 1.8
    spread, _ = quality.regular_spacing(step, 100)
    assert not spread.ok


def test_steps_that_stand_still_are_not_a_division_by_zero():
    spread, gap = quality.regular_spacing(np.zeros(50), 100)
    assert not spread.ok
    sentence(spread)
    sentence(gap)


def test_angle_that_turns_back_is_found_with_its_sample():
    step = even_step()
    assert quality.monotonic_angle(step).ok
    step[[41, 500]] = [-1e-4, 0.0]
    check = quality.monotonic_angle(step)
    assert not check.ok
    assert check.value == 2
    assert "first at sample 43" in sentence(check)  # step 41 leads from sample 42 to 43, counted from 1


@pytest.mark.parametrize(("missing", "ok"), [(0, True), (54, True), (55, False), (54_000, False)])
def test_missing_samples_up_to_one_in_a_thousand(missing, ok):
    check = quality.missing_samples(missing, 54_000)
    assert check.ok is ok
    assert f"{missing} of 54000" in sentence(check)


def test_a_trace_without_samples_misses_all_of_them():
    assert not quality.missing_samples(0, 0).ok


def wave_read(amplitude_um, resolution_um, points=6000, upr=2):
    angle = 2 * np.pi * np.arange(points) / points
    return np.round(amplitude_um * np.cos(upr * angle + 0.3) / resolution_um) * resolution_um


@pytest.mark.parametrize("resolution", [1e-6, 1e-3, 0.01, 0.1])
@pytest.mark.parametrize("upr", [1, 2, 15])
def test_crest_of_a_wave_read_with_finite_resolution_is_no_saturation(resolution, upr):
    values, lengths = quality.run_lengths(wave_read(5.0, resolution, upr=upr))
    check = quality.gauge_saturation(values, lengths)
    assert check.ok, sentence(check)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_gauge_at_its_stop_is_saturation(sign):
    clipped = np.clip(sign * wave_read(5.0, 1e-3), -4.5, None)
    check = quality.gauge_saturation(*quality.run_lengths(clipped))
    assert not check.ok
    assert "end of its range" in sentence(check)
    assert check.value > 100


def test_reading_that_stays_is_frozen():
    trace = np.random.default_rng(2).normal(size=6000)
    assert quality.frozen_reading(quality.run_lengths(trace)[1], 6000).ok
    trace[100:300] = trace[100]
    check = quality.frozen_reading(quality.run_lengths(trace)[1], 6000)
    assert not check.ok
    assert "200 samples" in sentence(check)
    stuck = quality.stuck_samples(trace, 120)
    assert np.flatnonzero(stuck).tolist() == list(range(100, 300))


def test_runs_are_counted():
    values, lengths = quality.run_lengths(np.array([1.0, 1.0, 2.0, 2.0, 2.0, 1.0]))
    assert values.tolist() == [1.0, 2.0, 1.0]
    assert lengths.tolist() == [2.0, 3.0, 1.0]


def test_millimetres_read_as_micrometres_are_not_plausible():
    assert quality.plausible_range(wave_read(40.0, 1e-3)).ok
    check = quality.plausible_range(wave_read(40_000.0, 1e-3))
    assert not check.ok
    assert "wrong unit" in sentence(check)


def test_readings_of_a_stylus_that_touches_nothing_are_not_plausible():
    for readings in (np.random.default_rng(6).normal(0.0, 0.001, 10_800), wave_read(4.0, 1e-6) / 1000):
        check = quality.plausible_range(readings)
        assert not check.ok
        assert check.allowed == 0.02
        assert "touched nothing" in sentence(check)
    assert quality.plausible_range(wave_read(0.011, 1e-6)).ok


def test_a_spike_is_found_with_its_sample_and_size():
    residual = np.random.default_rng(3).normal(0.0, 0.005, 18_000)
    assert quality.spikes(residual, 8.0, quality.robust_scatter_um(residual)).ok
    residual[4321] = -0.6
    check = quality.spikes(residual, 8.0, quality.robust_scatter_um(residual))
    assert not check.ok
    assert check.value == 1
    assert "sample 4322 (0.6 um)" in sentence(check)


def test_rounding_of_a_noise_free_trace_is_no_spike():
    residual = np.zeros(1000)
    residual[5] = 5e-5
    assert quality.spikes(residual, 8.0, quality.robust_scatter_um(residual)).ok


@pytest.mark.parametrize(
    ("differing", "ron_q", "ok"), [(0.04, 0.0, True), (0.06, 0.0, False), (0.19, 1.0, True), (0.21, 1.0, False)]
)
def test_turns_must_agree_to_a_share_of_the_form_or_the_recipe_allowance(differing, ron_q, ok):
    check = quality.turn_agreement(differing, ron_q, 0.05)
    assert check.ok is ok
    assert "turn to turn" in sentence(check)


def test_one_turn_has_nothing_to_agree_with_and_says_so():
    check = quality.turn_agreement(None, 1.0, 0.05)
    assert check.ok
    assert check.value is None
    assert "one turn only" in sentence(check)


@pytest.mark.parametrize(
    ("diameter_mm", "upr", "amplitude_um", "largest_mm"),
    [
        # radius of curvature in the valley, lambda**2 / (4 pi**2 A); four worked cases by another hand
        (80.0, 150, 2.0, 35.5556), (80.0, 500, 1.0, 6.4000),
        (33.0, 500, 1.0, 1.0890), (33.0, 1500, 0.5, 0.2420),
    ],
)  # fmt: skip
def test_largest_tip_that_reaches_the_valleys(diameter_mm, upr, amplitude_um, largest_mm):
    def reach(tip_mm):
        waves = np.array([1e-4, amplitude_um]), np.array([2.0, float(upr)])
        return quality.tip_reach(*waves, math.pi * diameter_mm, tip_mm)

    check = reach(largest_mm * 0.999)
    assert check.ok
    assert check.allowed == pytest.approx(largest_mm, abs=5.1e-5)
    assert f"{upr} UPR" in sentence(check)
    assert not reach(largest_mm * 1.001).ok


@pytest.mark.parametrize(
    ("length", "tip", "lacking"), [(60.0, None, "tip radius"), (None, 0.005, "track diameter")]
)
def test_reach_that_cannot_be_checked_is_said(length, tip, lacking):
    check = quality.tip_reach(np.array([1.0]), np.array([500.0]), length, tip)
    assert check.ok
    assert lacking in sentence(check)

"""Roundness parameters after the Gaussian band filter, against closed forms and the profile itself.

Transmission figures: 2**-((n / nc)**2) of ISO 16610-21 / ISO 12181-2, computed by another hand (the table
itself is tested with the filters). RONt and RONq: ISO 12181-1 about the least-squares reference.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from edgeagent.analysis.around.roundness import band_transmission, filtered_profile, root_mean_square, roundness


def harmonics_of(waves, upr_max):
    """Coefficients c_n of waves {upr: (amplitude, phase)}."""
    coefficient = np.zeros(upr_max + 1, dtype=complex)
    for upr, (amplitude, phase) in waves.items():
        coefficient[upr] = 0.5 * amplitude * np.exp(1j * phase)
    return coefficient


def judged(waves, *, low=2, high=500, upr_max=1500, u=0.0):
    coefficient = harmonics_of(waves, upr_max)
    return roundness(coefficient, np.full(len(coefficient), u), upr_low=low, upr_high=high)


@pytest.mark.parametrize(
    ("upr", "high", "percent"),
    [
        # UPR, cut-off, long-wave transmission in % (closed-profile table of the Gaussian filter)
        (5, 15, 92.5875), (10, 15, 73.4867), (15, 15, 50.0), (20, 15, 29.1632), (30, 50, 77.9165),
        (50, 50, 50.0), (100, 50, 6.25), (100, 150, 73.4867), (150, 500, 93.9523), (500, 500, 50.0),
        (500, 1500, 92.5875),
    ],
)  # fmt: skip
def test_one_wave_has_twice_its_transmitted_amplitude_as_ront(upr, high, percent):
    found = judged({upr: (0.8, 0.3)}, high=high)
    expected = 0.8 * percent / 100
    # the table is rounded to 5e-5 %; the profile is sampled at 16 points of the shortest wave at least, so that
    # a crest is missed by at most 1 - cos(pi / 16) = 1.9 % of a wave at 1,500 UPR, by 1 - cos(pi n / 16 / 1501)
    # of one at n; both ends may be missed
    missed = 1 - math.cos(math.pi * upr / (16 * 1501))
    assert 2 * expected * (1 - missed) - 1e-6 <= found.ron_t_um <= 2 * expected + 1e-6
    assert found.ron_q_um == pytest.approx(expected / math.sqrt(2), abs=5e-7)


def test_short_wave_side_of_a_band_keeps_half_at_its_lower_end():
    order = np.array([0.0, 1.0, 2.0, 15.0, 50.0, 150.0])
    passed = band_transmission(order, 15.0, 50.0)
    # (1 - 2**-(n/15)**2) * 2**-(n/50)**2
    assert passed[3] == pytest.approx(0.5 * 0.939523, abs=1e-6)
    assert passed[4] == pytest.approx((1 - 0.000452) * 0.5, abs=1e-6)
    assert passed[2] == pytest.approx((1 - 2 ** -((2 / 15) ** 2)) * 2 ** -((2 / 50) ** 2), abs=1e-12)
    assert passed[0] == passed[1] == 0.0


@pytest.mark.parametrize("low", [1, 2])
def test_least_squares_centre_and_size_are_no_roundness(low):
    found = judged({0: (20.0, 0.0), 1: (5.0, 1.0)}, low=low)
    assert found.ron_t_um == pytest.approx(0.0, abs=1e-12)
    assert found.ron_q_um == 0.0


def test_ellipse_and_three_lobes_add_as_in_closed_form():
    # a cos 2x + b cos 3x: highest a + b at 0; lowest where the derivative vanishes, found by another route
    a, b = 1.0, 0.6
    x = np.linspace(0, 2 * np.pi, 2_000_001)
    wave = a * 2 ** -((2 / 500) ** 2) * np.cos(2 * x) + b * 2 ** -((3 / 500) ** 2) * np.cos(3 * x)
    found = judged({2: (a, 0.0), 3: (b, 0.0)})
    assert found.ron_t_um == pytest.approx(np.ptp(wave), abs=1e-6)
    assert found.ron_q_um == pytest.approx(math.sqrt((a**2 + b**2) / 2), rel=1e-4)


def test_square_wave_has_the_rms_of_its_filtered_fourier_series():
    # series 4/pi sum sin((2k+1) n x)/(2k+1) of a square wave of 10 UPR, cut at 1500 UPR, cut-off 500
    waves = {10 * n: (4 / math.pi / n, -math.pi / 2) for n in range(1, 150, 2)}
    passed = [4 / math.pi / n * 2 ** -((10 * n / 500) ** 2) for n in range(1, 150, 2)]
    found = judged(waves)
    assert found.ron_q_um == pytest.approx(math.sqrt(sum(a * a for a in passed) / 2), rel=1e-12)
    # the Gaussian filter does not overshoot: the wave's top and bottom are met, not Gibbs' 18 % more
    assert found.ron_t_um == pytest.approx(2.0, abs=2e-3)


@settings(max_examples=40, deadline=None)
@given(st.integers(2, 120), st.integers(0, 2**31), st.booleans())
def test_rms_is_that_of_the_evaluated_profile(upr_high, seed, band):
    rng = np.random.default_rng(seed)
    coefficient = rng.normal(size=361) + 1j * rng.normal(size=361)
    low, high = (7, upr_high + 8) if band else (2, upr_high)
    found = roundness(coefficient, np.zeros(361), upr_low=low, upr_high=high)
    profile = filtered_profile(coefficient, low, high, 8192)
    assert found.ron_q_um == pytest.approx(float(np.sqrt(np.mean(profile**2))), rel=1e-12)
    assert abs(profile.mean()) < 1e-12 * np.abs(coefficient).sum()
    assert found.ron_t_um == pytest.approx(float(np.ptp(profile)), rel=1e-12)


def test_ront_misses_no_more_of_a_crest_between_two_points_than_stated():
    # the sharpest crest that the harmonics hold, half way between two of the points: all waves in phase there.
    # Each wave is missed by 1 - cos(pi n / points), which the docstring bounds by 1 - cos(pi / 16).
    upr_max, points = 63, 1024
    order = np.arange(32, upr_max + 1)
    half_step = np.pi / points
    waves = {int(n): (1.0 / len(order), -n * half_step) for n in order}
    found = roundness(harmonics_of(waves, upr_max), np.zeros(upr_max + 1), upr_low=2, upr_high=10**7)
    crest = float(filtered_profile(harmonics_of(waves, upr_max), 2, 10**7, 1 << 18).max())
    assert crest == pytest.approx(1.0, abs=1e-9)
    dense = float(np.ptp(filtered_profile(harmonics_of(waves, upr_max), 2, 10**7, 1 << 18)))
    assert 0.0 < dense - found.ron_t_um < 2 * (1 - math.cos(math.pi / 16))


def test_band_rms_is_that_of_its_waves():
    # RMS of three sine waves of amplitudes 3, 4 and 12: sqrt(169 / 2)
    value, u = root_mean_square(np.array([3.0, 4.0, 12.0]), np.zeros(3))
    assert value == pytest.approx(13 / math.sqrt(2), rel=1e-15)
    assert u == 0.0


def test_uncertainty_of_the_rms_of_nothing_is_finite():
    value, u = root_mean_square(np.zeros(4), np.full(4, 0.5))
    assert value == 0.0
    assert u == pytest.approx(math.sqrt(4 * 0.25 / 2))


def test_stated_uncertainty_of_the_rms_is_its_scatter():
    rng, seeds = np.random.default_rng(5), 400
    amplitude, noise = np.array([1.0, 0.4, 0.2]), np.array([0.02, 0.03, 0.01])
    _, stated = root_mean_square(amplitude, noise)
    # each harmonic is a point in the plane with the same scatter along and across
    shaken = amplitude + rng.normal(size=(seeds, 3)) * noise + 1j * rng.normal(size=(seeds, 3)) * noise
    found = [root_mean_square(np.abs(row), noise)[0] for row in shaken]
    low, high = stats.chi2.ppf([5e-4, 1 - 5e-4], seeds - 1) / (seeds - 1)
    assert low < np.var(found, ddof=1) / stated**2 < high


@pytest.mark.parametrize("noise_um", [0.0005, 0.005, 0.02, 0.05])
@pytest.mark.parametrize(
    ("waves", "at_most"),
    [
        ({2: (0.6, 0.0)}, 1.3), ({}, 1.3),
        ({2: (0.4, 0.0), 37: (0.1, 0.3)}, 1.6),
        # a part whose waves fall with UPR, in phase nowhere: one crest stands out, until the noise hides that
        ({n: (1.2 / n, 2.4 * n * n) for n in range(2, 600)}, 1.6),
    ],
)  # fmt: skip
def test_stated_uncertainty_of_ront_and_ronq_is_their_error_from_the_truth(waves, at_most, noise_um):
    # one turn of 3,600 points; the noise lifts RONt by up to three times its scatter
    rng, seeds, upr_max = np.random.default_rng(6), 40, 1440
    u = np.full(upr_max + 1, noise_um * math.sqrt(2 / 3600))
    clean = harmonics_of(waves, upr_max)
    truth = roundness(clean, np.zeros(upr_max + 1), upr_low=2, upr_high=500)
    runs = []
    for _ in range(seeds):
        noise = (rng.normal(size=upr_max + 1) + 1j * rng.normal(size=upr_max + 1)) * u / 2
        runs.append(roundness(clean + noise, u, upr_low=2, upr_high=500))

    def rms(values):
        return float(np.sqrt(np.mean(np.square(values))))

    # 40 errors tell their own RMS to 11 %: 0.8 is 1.0 less two of those
    ratio = rms([r.u_ron_t_um for r in runs]) / rms([r.ron_t_um - truth.ron_t_um for r in runs])
    assert 0.8 < ratio < at_most
    ratio = rms([r.u_ron_q_um for r in runs]) / rms([r.ron_q_um - truth.ron_q_um for r in runs])
    assert 0.7 < ratio < 1.4


@pytest.mark.parametrize("u_um", [0.0002, 0.0018, 0.01])
@pytest.mark.parametrize(
    "waves",
    [{2: (0.6, 0.0)}, {2: (0.3, 0.4), 3: (0.2, 1.0), 5: (0.1, 2.0)}, {2: (0.4, 0.0), 9: (0.1, 0.3)}, {}],
)
def test_ront_at_its_limit_is_wrongly_decided_no_more_often_than_a_guard_band_states(waves, u_um):
    # few harmonics, so that noise is broad and scatter and lift are alike: the worst place for their sum
    rng, seeds, upr_max = np.random.default_rng(8), 400, 30
    clean = harmonics_of(waves, upr_max)
    truth = judged(waves, high=10, upr_max=upr_max).ron_t_um
    accept = reject = 0
    for _ in range(seeds):
        noise = (rng.normal(size=upr_max + 1) + 1j * rng.normal(size=upr_max + 1)) * u_um / 2
        found = roundness(clean + noise, np.full(upr_max + 1, u_um), upr_low=2, upr_high=10)
        accept += found.ron_t_um <= truth - 1.65 * found.u_ron_t_um
        reject += found.ron_t_um >= truth + 1.65 * found.u_ron_t_um
    # stated: normal tail beyond 1.65; 99.9 % of binomial counts lie below
    assert max(accept, reject) <= stats.binom.ppf(0.999, seeds, stats.norm.sf(1.65))
    assert reject > 0


def test_lift_of_ront_is_what_noise_adds_and_none_without_noise():
    rng, upr_max = np.random.default_rng(7), 1440
    u = np.full(upr_max + 1, 0.02 * math.sqrt(2 / 3600))
    clean = harmonics_of({2: (0.6, 0.0)}, upr_max)
    truth = roundness(clean, np.zeros(upr_max + 1), upr_low=2, upr_high=500)
    assert truth.lift_ron_t_um == truth.u_ron_t_um == 0.0
    shaken = [clean + (rng.normal(size=len(u)) + 1j * rng.normal(size=len(u))) * u / 2 for _ in range(40)]
    runs = [roundness(c, u, upr_low=2, upr_high=500) for c in shaken]
    lifted = float(np.mean([r.ron_t_um for r in runs])) - truth.ron_t_um
    assert float(np.mean([r.lift_ron_t_um for r in runs])) == pytest.approx(lifted, rel=0.1)
    again = roundness(shaken[0], u, upr_low=2, upr_high=500)
    assert again == runs[0]


def test_stated_uncertainty_of_ront_is_not_below_its_scatter():
    # sqrt(2 sum u**2) is the scatter of a difference of two points of the profile; the extremes move with the
    # noise, which can only lower their scatter for one dominant wave
    rng, seeds = np.random.default_rng(6), 300
    u = np.full(61, 0.01)
    clean = harmonics_of({3: (1.0, 0.2)}, 60)
    found = []
    for _ in range(seeds):
        noise = rng.normal(size=61) * u + 1j * rng.normal(size=61) * u
        found.append(roundness(clean + noise / 2, u, upr_low=2, upr_high=500).ron_t_um)
    stated = roundness(clean, u, upr_low=2, upr_high=500).u_ron_t_um
    high = stats.chi2.ppf(1 - 5e-4, seeds - 1) / (seeds - 1)
    assert np.var(found, ddof=1) < stated**2 * high

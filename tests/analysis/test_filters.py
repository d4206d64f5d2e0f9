"""Gaussian profile filters against the nominal transmission and against direct summation.

Transmission figures: computed by another hand from the defining equation of ISO 16610-21, 2**-(ratio**2); the
50 % at the cut-off is also the definition in ISO 16610-61:2015, 3.2. Areas beyond a truncated function:
erfc(sqrt(pi) * L / alpha) for a half width of L cut-offs.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from edgeagent.analysis.texture.filters import (
    ALPHA,
    REACH,
    end_samples,
    gaussian_smooth,
    gaussian_transmission,
    gaussian_weights,
    open_transmission,
)
from edgeagent.errors import TraceRangeError, TraceShapeError

# wavelength over cut-off, long-wave transmission in percent
OPEN_TABLE = [
    (0.25, 0.001526),
    (1 / 3, 0.195312),
    (0.4, 1.313901),
    (0.5, 6.25),
    (0.6, 14.581613),
    (1 / math.sqrt(2), 25.0),
    (0.75, 29.163226),
    (0.8, 33.856389),
    (1.0, 50.0),
    (1.25, 64.171295),
    (4 / 3, 67.712777),
    (math.sqrt(2), 70.710678),
    (1.5, 73.486725),
    (2.0, 84.089642),
    (2.5, 89.502507),
    (3.0, 92.587471),
    (4.0, 95.760328),
    (5.0, 97.265495),
    (10.0, 99.309250),
]

# UPR; percent transmitted with a cut-off of 15, 50, 150, 500, 1500 UPR
CLOSED_CUTOFFS = (15, 50, 150, 500, 1500)
CLOSED_TABLE = [
    (1, 99.6924, 99.9723, 99.9969, 99.9997, 100.0000),
    (5, 92.5875, 99.3092, 99.9230, 99.9931, 99.9992),
    (10, 73.4867, 97.2655, 99.6924, 99.9723, 99.9969),
    (15, 50.0000, 93.9523, 99.3092, 99.9376, 99.9931),
    (20, 29.1632, 89.5025, 98.7753, 99.8892, 99.9877),
    (30, 6.2500, 77.9165, 97.2655, 99.7508, 99.9723),
    (50, 0.0452, 50.0000, 92.5875, 99.3092, 99.9230),
    (100, 0.0000, 6.2500, 73.4867, 97.2655, 99.6924),
    (150, 0.0000, 0.1953, 50.0000, 93.9523, 99.3092),
    (500, 0.0000, 0.0000, 0.0452, 50.0000, 92.5875),
    (1500, 0.0000, 0.0000, 0.0000, 0.1953, 50.0000),
]


def test_alpha_is_the_constant_of_the_standard():
    assert pytest.approx(0.469718639349826, abs=1e-15) == ALPHA  # printed as 0.4697 in ISO 16610-21


def test_closed_transmission_table():
    for upr, *percent in CLOSED_TABLE:
        for cutoff, expected in zip(CLOSED_CUTOFFS, percent, strict=True):
            assert 100 * gaussian_transmission(upr, cutoff) == pytest.approx(expected, abs=5.1e-5)


def test_closed_transmission_is_that_of_the_wrapped_weighting_function():
    # the weighting function in angle, summed over many turns, convolved with one undulation
    points, cutoff, upr = 720, 15.0, 11
    angle = 2 * np.pi * np.arange(points) / points
    period = 2 * np.pi / cutoff
    wrapped = sum(
        np.exp(-np.pi * ((angle + 2 * np.pi * turn) / (ALPHA * period)) ** 2) for turn in range(-3, 4)
    )
    smooth = np.fft.ifft(np.fft.fft(wrapped / wrapped.sum()) * np.fft.fft(np.cos(upr * angle))).real
    assert smooth.max() == pytest.approx(float(gaussian_transmission(upr, cutoff)), abs=1e-12)


@pytest.mark.parametrize(("ratio", "percent"), OPEN_TABLE)
def test_open_transmission_table(ratio, percent):
    assert 100 * open_transmission(ratio * 0.8, 0.8) == pytest.approx(percent, abs=6e-7)


@pytest.mark.parametrize(("ratio", "percent"), OPEN_TABLE)
def test_waves_come_out_of_the_filter_with_the_nominal_amplitude(ratio, percent):
    spacing, cutoff = 0.001, 0.8
    x = spacing * np.arange(20001)
    smooth = gaussian_smooth(np.cos(2 * np.pi * x / (ratio * cutoff)), spacing, cutoff, ends="discard")
    middle = smooth[len(smooth) // 2 - 4000 : len(smooth) // 2 + 4001]
    kept = x[len(x) // 2 - 4000 : len(x) // 2 + 4001]
    amplitude = np.linalg.lstsq(
        np.column_stack([f(2 * np.pi * kept / (ratio * cutoff)) for f in (np.cos, np.sin)]), middle, rcond=None
    )[0]
    # what the truncation at one cut-off leaves out is 9.5e-8 of the area
    assert 100 * np.hypot(*amplitude) == pytest.approx(percent, abs=2e-5)


@pytest.mark.parametrize(
    ("reach", "area"),
    [(0.5, 7.62534e-3), (0.6, 1.36540e-3), (0.7, 1.87333e-4), (0.8, 1.96213e-5), (1.0, 9.4786e-8)],
)
def test_area_beyond_a_half_width(reach, area):
    spacing, cutoff = 1.0, 200_000.0
    step = np.arange(-400_000, 400_001) * spacing
    nominal = np.exp(-np.pi * (step / (ALPHA * cutoff)) ** 2) / (ALPHA * cutoff)
    assert nominal[np.abs(step) > reach * cutoff].sum() == pytest.approx(area, rel=6e-4)
    if reach == REACH:
        inside = np.abs(step) <= reach * cutoff
        weights = gaussian_weights(spacing, cutoff)
        assert np.abs(weights - nominal[inside]).sum() == pytest.approx(area, rel=6e-4)


@pytest.mark.parametrize("samples_per_cutoff", [2.0, 2.4, 3.0, 4.0, 5.0, 7.9, 8.0, 30.0])
def test_few_samples_per_cutoff_transmit_as_many_do(samples_per_cutoff):
    weights = gaussian_weights(1.0, samples_per_cutoff)
    step = np.arange(weights.size) - weights.size // 2
    frequency = np.linspace(0.0, 0.5, 401)
    found = np.cos(2 * np.pi * frequency[:, None] * step) @ weights
    allowed = 0.0031 if samples_per_cutoff < 8 else 2e-5
    assert np.abs(found - 2.0 ** -((frequency * samples_per_cutoff) ** 2)).max() < allowed


@pytest.mark.parametrize(("points", "cutoff"), [(20000, 1501.3), (5000, 40.0), (3000, 17.0), (900, 400.0)])
def test_fast_filter_agrees_with_direct_summation(points, cutoff):
    rng = np.random.default_rng(4)
    z = 1000.0 + np.cumsum(rng.normal(size=points))
    half = int(np.ceil(cutoff))
    direct = np.array(
        [np.exp(-np.pi * (np.arange(-half, half + 1) / (ALPHA * cutoff)) ** 2) @ z[k : k + 2 * half + 1]
         for k in range(points - 2 * half)]
    ) / np.exp(-np.pi * (np.arange(-half, half + 1) / (ALPHA * cutoff)) ** 2).sum()  # fmt: skip
    height = np.ptp(z)
    assert np.abs(gaussian_smooth(z, 1.0, cutoff, ends="discard") - direct).max() < 1e-9 * height
    both = gaussian_smooth(z, 1.0, cutoff, ends="regression")
    assert np.abs(both[half : points - half] - direct).max() < 1e-9 * height


@pytest.mark.parametrize("order", [0, 1])
@pytest.mark.parametrize("cutoff", [3.0, 10.0, 25.0, 59.0, 400.0])
def test_ends_are_the_weighted_local_polynomial(order, cutoff):
    rng = np.random.default_rng(5)
    z = rng.normal(size=60) + 5.0
    weights = gaussian_weights(1.0, cutoff)
    half = weights.size // 2
    expected = []
    for sample in range(60):
        step = np.arange(60) - sample
        inside = np.abs(step) <= half
        columns = np.vander(step[inside].astype(float), order + 1, increasing=True)
        weighted = columns.T * weights[step[inside] + half]
        expected.append(np.linalg.solve(weighted @ columns, weighted @ z[inside])[0])
    found = gaussian_smooth(z, 1.0, cutoff, ends="regression", order=order)
    assert np.abs(found - expected).max() < 1e-11


@settings(max_examples=40, deadline=None)
@given(
    st.integers(2, 400),
    st.floats(2.0, 300.0),
    st.floats(-1e3, 1e3),
    st.floats(-10.0, 10.0),
)
def test_regression_leaves_a_straight_line_alone(points, cutoff, level, slope):
    z = level + slope * np.arange(points)
    assert np.abs(gaussian_smooth(z, 1.0, cutoff) - z).max() <= 1e-9 * (1.0 + np.abs(z).max())


def test_two_passes_are_one_with_a_cutoff_longer_by_root_two():
    # cascade of Gaussians: variances add (closed form)
    rng = np.random.default_rng(6)
    z = rng.normal(size=4000)
    twice = gaussian_smooth(gaussian_smooth(z, 1.0, 100.0, ends="discard"), 1.0, 100.0, ends="discard")
    once = gaussian_smooth(z, 1.0, 100.0 * math.sqrt(2.0), ends="discard")
    lost = (len(once) - len(twice)) // 2
    assert np.abs(twice - once[lost : len(once) - lost]).max() < 1e-7


def test_discard_says_how_much_it_loses():
    assert end_samples(0.0005, 0.8) == 1600
    assert gaussian_smooth(np.zeros(5000), 0.0005, 0.8, ends="discard").shape == (5000 - 2 * 1600,)


def test_long_profile_with_a_long_cutoff_is_the_weighted_mean_around_each_sample():
    z = np.random.default_rng(7).normal(size=200_000)
    found = gaussian_smooth(z, 1.0, 8000.0)
    weights = gaussian_weights(1.0, 8000.0)
    half = weights.size // 2
    for sample in (half, 77_777, 100_000, 200_000 - half - 1):
        assert found[sample] == pytest.approx(weights @ z[sample - half : sample + half + 1], abs=1e-9)


def test_profile_too_short_to_discard_ends_is_refused():
    with pytest.raises(TraceShapeError, match=r"120 samples is shorter than the two ends of 80 samples"):
        gaussian_smooth(np.zeros(120), 0.01, 0.8, ends="discard")


def test_missing_sample_is_named():
    z = np.zeros(100)
    z[37] = np.nan
    with pytest.raises(TraceRangeError, match="sample 37 is not finite"):
        gaussian_smooth(z, 0.01, 0.1)


@pytest.mark.parametrize(("spacing", "cutoff"), [(0.0, 1.0), (0.1, -1.0), (0.1, float("nan")), (0.1, 0.19)])
def test_cutoff_that_the_samples_cannot_hold_is_refused(spacing, cutoff):
    with pytest.raises(TraceRangeError, match="cut-off"):
        gaussian_smooth(np.zeros(100), spacing, cutoff)
    with pytest.raises(TraceRangeError, match="cut-off"):
        gaussian_transmission(1.0, -5.0)

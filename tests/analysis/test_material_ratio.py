"""Material ratio curve and Rk family of profiles whose curve is known in closed form.

ISO 13565-2 / ISO 21920-2, remembered. Curves: uniform heights (triangle, sawtooth), arcsine (sine), normal
quantiles, and straight pieces; integrals by mpmath.
"""

from __future__ import annotations

import math

import mpmath
import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats
from scipy.special import ndtri

from edgeagent.analysis.texture.material_ratio import core, level_of, ratio_above

POINTS = 20_000
SHARE = (np.arange(POINTS) + 0.5) / POINTS
WAVE = (np.arange(POINTS) + 0.5) / POINTS * 20 % 1.0
TRIANGLE = 1 - 4 * np.abs(WAVE - 0.5)
SAWTOOTH = 2 * WAVE - 1
SINE = np.sin(2 * np.pi * WAVE)


def falling(profile):
    return np.sort(profile)[::-1]


@pytest.mark.parametrize("profile", [TRIANGLE, SAWTOOTH])
def test_uniform_heights_are_all_core(profile):
    found = core(falling(profile))
    assert found.rk_um == pytest.approx(2.0, abs=1e-3)
    assert found.rpk_um == pytest.approx(0.0, abs=1e-3)
    assert found.rvk_um == pytest.approx(0.0, abs=1e-3)
    assert found.mr1_percent == pytest.approx(0.0, abs=0.1)
    assert found.mr2_percent == pytest.approx(100.0, abs=0.1)


@pytest.mark.parametrize("c_um", [-0.9, -0.25, 0.0, 0.5, 0.99])
def test_ratio_at_a_height_in_closed_form(c_um):
    assert ratio_above(TRIANGLE, c_um) == pytest.approx((1 - c_um) / 2, abs=1e-3)
    assert ratio_above(SINE, c_um) == pytest.approx(math.acos(c_um) / math.pi, abs=2e-4)
    assert ratio_above(np.repeat(SINE, 2), c_um) == pytest.approx(math.acos(c_um) / math.pi, abs=1e-3)


def test_ratio_beyond_the_profile_is_none_or_all():
    assert ratio_above(SINE, 1.1) == 0.0
    assert ratio_above(SINE, -1.1) == 1.0
    assert ratio_above(np.zeros(10), 0.0) == 1.0


@settings(max_examples=50, deadline=None)
@given(st.integers(0, 2**31), st.floats(-1.5, 1.5))
def test_ratio_is_one_less_the_distribution_of_a_densely_sampled_profile(seed, c_um):
    rng = np.random.default_rng(seed)
    profile = np.interp(np.linspace(0, 50, 100_001), np.arange(51), rng.normal(size=51))
    other = 1 - stats.ecdf(profile).cdf.evaluate(c_um)  # scipy's empirical distribution
    assert ratio_above(profile, c_um) == pytest.approx(float(other), abs=1e-3)
    ratio = ratio_above(profile, c_um)
    if 0.01 < ratio < 0.99:
        assert level_of(falling(profile), ratio) == pytest.approx(c_um, abs=2e-3)


def by_integrals(height, low, high):
    """Rk, Rpk, Rvk, Mr1, Mr2 of a falling curve ``height(p)``, core from low to high; mpmath."""
    middle = (low + high) / 2
    slope = mpmath.quad(lambda p: (p - middle) * height(p), [low, high]) / ((high - low) ** 3 / 12)
    mean = mpmath.quad(height, [low, high]) / (high - low)
    top, bottom = mean - slope * middle, mean + slope * (1 - middle)
    mr1 = mpmath.findroot(lambda p: height(p) - top, (1e-3, 0.4), solver="anderson")
    mr2 = mpmath.findroot(lambda p: height(p) - bottom, (0.6, 1 - 1e-3), solver="anderson")
    rpk = 2 * mpmath.quad(lambda p: height(p) - top, [0, mr1]) / mr1
    rvk = 2 * mpmath.quad(lambda p: bottom - height(p), [mr2, 1]) / (1 - mr2)
    return [float(v) for v in (top - bottom, rpk, rvk, 100 * mr1, 100 * mr2)]


def values(found):
    return [found.rk_um, found.rpk_um, found.rvk_um, found.mr1_percent, found.mr2_percent]


def test_normal_heights_have_the_core_of_their_quantiles():
    def height(p):
        return -mpmath.sqrt(2) * mpmath.erfinv(2 * mpmath.mpf(p) - 1)

    wanted = by_integrals(height, 0.3, 0.7)
    assert values(core(ndtri(1 - SHARE))) == pytest.approx(wanted, rel=2e-3)


def test_a_sine_has_the_first_of_two_equally_flat_cores():
    found = core(falling(SINE))
    mean = math.sin(0.4 * math.pi) / (0.4 * math.pi)
    slope = float(mpmath.quad(lambda p: (p - 0.2) * mpmath.cos(mpmath.pi * p), [0, 0.4])) / (0.4**3 / 12)
    assert found.rk_um == pytest.approx(-slope, rel=1e-3)
    top = mean - 0.2 * slope
    assert top > 1.0  # the line reaches 0 % above the highest crest
    assert found.mr1_percent == 0.0
    assert found.rpk_um == 0.0
    bottom = top + slope
    assert found.mr2_percent == pytest.approx(100 * math.acos(bottom) / math.pi, abs=0.1)  # 1000 heights


def test_plateau_with_peaks_and_deep_valleys_of_straight_pieces():
    # 0-10 % from 3 to 1, 10-80 % from 1 to 0, 80-100 % from 0 to -4: the core's line falls 1 over 70 %, so that
    # it reaches 1 + 0.1/0.7 at 0 % and -0.2/0.7 at 100 %; triangles stand above and below
    heights = np.interp(SHARE, [0, 0.1, 0.8, 1.0], [3.0, 1.0, 0.0, -4.0])
    top, bottom = 1 + 1 / 7, -2 / 7
    found = core(heights)
    assert found.rk_um == pytest.approx(10 / 7, rel=1e-6)
    assert found.rpk_um == pytest.approx(3 - top, rel=2e-3)
    assert found.rvk_um == pytest.approx(4 + bottom, rel=2e-3)
    assert found.mr1_percent == pytest.approx(100 * (3 - top) / 20, abs=0.01)
    assert found.mr2_percent == pytest.approx(100 * (0.8 - bottom / 20), abs=0.01)


def test_heights_scale_and_ratios_stay():
    rng = np.random.default_rng(4)
    one = core(falling(rng.normal(size=3000)))
    more = core(falling(np.random.default_rng(4).normal(size=3000) * 7.0))
    assert more.rk_um == pytest.approx(7 * one.rk_um, rel=1e-12)
    assert more.rpk_um == pytest.approx(7 * one.rpk_um, rel=1e-12)
    assert more.mr1_percent == pytest.approx(one.mr1_percent, rel=1e-12)

"""Profile elements: closed forms of periodic waves, and scipy's peak finder as a second hand (ISO 21920-2)."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.signal import find_peaks

from edgeagent.analysis.texture.elements import profile_elements

SPACING_MM = 0.0005
X_MM = np.arange(8000) * SPACING_MM
PHASE = X_MM / 0.1 + 0.137
WAVES = {
    "sine": np.sin(2 * np.pi * PHASE),
    "triangle": 1 - 4 * np.abs(PHASE % 1.0 - 0.5),
    "sawtooth": 2 * (PHASE % 1.0) - 1,
}


@pytest.mark.parametrize("name", WAVES)
def test_a_wave_has_its_own_length(name):
    found = profile_elements(WAVES[name], SPACING_MM, 2.0)
    assert found.rsm_um == pytest.approx(100, abs=2e-2)
    assert found.count == 39  # 40 periods, of which the first and last are cut
    assert found.u_rsm_um < 0.2


def test_ripple_below_a_tenth_of_rz_makes_no_element():
    found = profile_elements(WAVES["sine"] + 0.15 * np.sin(34 * np.pi * PHASE), SPACING_MM, 2.3)
    assert found.rsm_um == pytest.approx(100, abs=1)
    # waves of half the height count, where every hill of them crosses the bound
    low = profile_elements(0.2 * WAVES["sine"] + np.sin(34 * np.pi * PHASE), SPACING_MM, 2.4)
    assert low.rsm_um == pytest.approx(100 / 17, abs=0.1)


def test_elements_of_a_random_profile_lie_between_its_hills():
    rng = np.random.default_rng(2)
    profile = np.convolve(rng.normal(size=40_000), np.hanning(101), "same")
    profile /= profile.std()
    rz = 6.0
    found = profile_elements(profile, SPACING_MM, rz)
    # scipy: hills above and dales below the bounds, joined where none of the other kind lies between
    hills, _ = find_peaks(profile, height=0.1 * rz)
    dales, _ = find_peaks(-profile, height=0.1 * rz)
    kind = np.r_[np.ones(len(hills)), -np.ones(len(dales))][np.argsort(np.r_[hills, dales])]
    changes = np.count_nonzero(np.diff(kind))
    assert found.count == pytest.approx((changes - 1) // 2, abs=1)
    assert found.rsm_um == pytest.approx(1e3 * len(profile) * SPACING_MM / (changes / 2), rel=0.02)


def test_nothing_without_a_whole_element():
    assert profile_elements(np.linspace(-1, 1, 500), SPACING_MM, 2.0) is None
    assert profile_elements(np.zeros(500), SPACING_MM, 0.0) is None

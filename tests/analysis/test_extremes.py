"""The stated uncertainty of a peak-to-valley value agrees with its scatter over fresh noise."""

from __future__ import annotations

import numpy as np
import pytest

from edgeagent.analysis.axial.extremes import range_uncertainty, unit_noise


@pytest.mark.parametrize("count", [2, 5, 12, 60])
@pytest.mark.parametrize("height", [0.0, 0.5, 2.0, 8.0])
def test_stated_uncertainty_of_a_range_lies_near_its_scatter_for_flat_and_for_high_curves(count, height):
    # From 1 to 3 noises high nobody can know from one curve whether its extremes are real: both ends err there.
    true = height * np.cos(2.0 * np.pi * np.arange(count) / count)
    rng = np.random.default_rng(count)
    curves = true + rng.normal(0.0, 1.0, (600, count))
    scatter = float(np.std(np.ptp(curves, axis=1)))
    stated = float(np.mean([range_uncertainty(c, unit_noise(count)) for c in curves]))
    assert 0.8 <= stated / scatter <= 1.25


def test_curve_without_noise_has_no_uncertainty_and_draws_are_the_same_every_time():
    assert range_uncertainty(np.array([1.0, 3.0]), np.zeros((4, 2))) == 0.0
    assert range_uncertainty(np.ones(5), np.zeros((4, 5))) == 0.0
    assert np.array_equal(unit_noise(7), unit_noise(7))

"""The quick median against numpy's, bit for bit: where the probe proves it, and where it cannot."""

from __future__ import annotations

import numpy as np
import pytest

from edgeagent.analysis.around.median import median

RNG = np.random.default_rng(7)
NORMAL = RNG.normal(size=20_001)
CASES = {
    "few": RNG.normal(size=9),
    "odd": NORMAL,
    "even": NORMAL[:-1],
    "alike": np.ones(20_000),
    "two values": RNG.integers(0, 2, 20_000).astype(np.float64),
    "sorted": np.sort(NORMAL),
    "probe misled": np.where(np.arange(20_000) % 19 == 0, 1e3, NORMAL[:-1]),
    "infinite": np.where(np.arange(20_000) == 5, np.inf, NORMAL[:-1]),
}


@pytest.mark.parametrize("name", CASES)
def test_median_is_that_of_numpy_to_the_last_bit(name):
    assert median(CASES[name]) == float(np.median(CASES[name]))


def test_median_with_a_nan_is_nan_wherever_it_lies():
    for place in (0, 5, 19_999):
        values = NORMAL[:-1].copy()
        values[place] = np.nan
        assert np.isnan(median(values))

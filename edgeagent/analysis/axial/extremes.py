"""Standard uncertainty of a peak-to-valley value: by draws, since extremes have no derivative.

The largest of many values competes with its neighbours, so that a range scatters less than a difference of two
single values. How much less depends on the shape: one high groove among even ones decides alone, on a flat
curve chance decides. So noise of the known covariance is added to the curve itself (JCGM 101).

The measured curve already contains noise. It is drawn toward its mean by the share of the noise in its
variance, else a flat curve would look as if its present extremes were real (derived here; measured in
tests/analysis/test_extremes.py).
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from edgeagent.model import FloatArray, IntArray

DRAWS = 100
"""The standard deviation of so many draws is known to 7 %."""
# Any number does; it is fixed so that archived values come out again.
_SEED = 20747


@lru_cache(maxsize=32)
def unit_noise(size: int) -> FloatArray:
    """Independent standard normal numbers (DRAWS, size); the same in every run.

    From the generator whose stream numpy has frozen, so that a replay gives the same digits.
    """
    noise = np.random.RandomState(_SEED).standard_normal((DRAWS, size))
    noise.flags.writeable = False
    return noise


@lru_cache(maxsize=32)
def draw_places(rows: int, columns: int) -> tuple[IntArray, IntArray]:
    """Row and column numbers (DRAWS,) by lot; the same in every run."""
    lot = np.random.RandomState(_SEED)
    return lot.randint(rows, size=DRAWS).astype(np.int64), lot.randint(columns, size=DRAWS).astype(np.int64)


def range_uncertainty(values: FloatArray, noise: FloatArray) -> float:
    """Standard uncertainty of the peak-to-valley of ``values`` (n,) under ``noise`` (DRAWS, n) of one unit."""
    deviation = values - values.mean()
    centred = noise - noise.mean(axis=1, keepdims=True)
    own, chance = float(np.mean(np.square(deviation))), float(np.mean(np.square(centred)))
    if own == 0.0 and chance == 0.0:
        return 0.0
    # What the measured variance holds beyond the noise's own; none left means a flat curve, of which chance
    # decides all.
    real = float(np.sqrt(max(own - chance, 0.0) / own)) if own > 0.0 else 0.0
    return float(np.std(np.ptp(real * deviation + noise, axis=1)))

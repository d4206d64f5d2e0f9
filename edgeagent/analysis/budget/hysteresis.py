"""A gauge with hysteresis: its reading follows the surface only when that leaves a gap of some width (play)."""

from __future__ import annotations

import numpy as np

from edgeagent.model import FloatArray


def lagging(values: FloatArray, width: float) -> FloatArray:
    """What a gauge with a gap of this width reads of successive values, in their unit, shape (n,).

    It begins in the middle of its gap; NaN stays NaN and moves nothing.
    """
    half, at = width / 2, float("nan")
    found = np.empty(len(values))
    # A loop, since each reading depends on the one before; over plain floats, which are quicker than numpy's.
    for i, value in enumerate(values.tolist()):
        # at != at is true for NaN alone: no reading yet.
        at = value if at != at else min(max(at, value - half), value + half)
        found[i] = value if value != value else at
        if value != value and at != at:
            at = float("nan")
    return found

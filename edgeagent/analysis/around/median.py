"""The median of many samples, exactly, in a quarter of the time that partitioning all of them takes."""

from __future__ import annotations

import numpy as np

from edgeagent.model import FloatArray

_PROBES = 1024
_BEYOND = 48
"""Probes to each side of the middle one: three times the scatter of a median's rank among them."""
_MANY = 8192


def median(values: FloatArray) -> float:
    """As ``numpy.median`` of an array of shape (n,), n >= 1, to the last bit; NaN where a NaN is among them.

    A sorted probe of some thousand values tells bounds between which the middle ones must lie; counting those
    below and above proves it, and only the few between are partitioned (Floyd and Rivest, "Expected time bounds
    for selection", CACM 18 (1975), 165-172, remembered). Where the proof fails, all of them are.
    """
    count = len(values)
    if count < _MANY:
        return float(np.median(values))
    probe = np.sort(values[:: count // _PROBES])
    low, high = probe[len(probe) // 2 - _BEYOND], probe[len(probe) // 2 + _BEYOND]
    inside = values >= low
    inside &= values <= high
    within, below = int(np.count_nonzero(inside)), int(np.count_nonzero(values < low))
    first, last = (count - 1) // 2 - below, count // 2 - below
    counted = below + within + int(np.count_nonzero(values > high)) == count  # no NaN anywhere
    if not counted or first < 0 or last >= within:
        return float(np.median(values))  # no proof
    if low == high:
        return float(low)
    middle = np.partition(values[inside], (first, last))
    return float((middle[first] + middle[last]) / 2) if first != last else float(middle[first])

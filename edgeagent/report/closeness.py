"""How close a value is to its limit, on one scale for all characteristics. Pure.

0 is zero or the middle between two limits, 1 is the limit (derived here):

=====================  =============================================
two limits             distance from their middle over half their distance
upper limit above 0    value over limit, 0 for values below 0
lower limit above 0    limit over value, without end for values of 0 and less
upper limit below 0    as a lower limit above 0, both signs turned
lower limit below 0    as an upper limit above 0, both signs turned
a limit of 0           no scale; the value is listed without a place
=====================  =============================================

Each is monotonic on its side of the middle, so that an interval of values becomes an interval of places.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from edgeagent.model import FloatArray, Verdict
from edgeagent.model.records import JudgedValue, given

# Finite, so that it sorts and scales like any other place.
FAR = 1e9
"""ScalePlace of a value that no number of limits reaches."""


@dataclass(frozen=True, slots=True)
class ScalePlace:
    """Where a value, its uncertainty interval and its caution mark lie; 1 is the limit.

    ``low`` and ``high`` are None where the uncertainty is unknown, ``caution`` where there is none.
    """

    at: float
    low: float | None
    high: float | None
    caution: float | None


def _scale(value: float, lower: float | None, upper: float | None) -> float | None:
    found = float(places(np.array([value]), lower, upper)[0])
    return None if math.isnan(found) else found


def places(values: FloatArray, lower: float | None, upper: float | None) -> FloatArray:
    """The places of values that share limits, not yet cut off at FAR; NaN without value, limit or scale."""
    nowhere = np.full(len(values), np.nan)
    if lower is not None and upper is not None:
        half = (upper - lower) / 2
        # Limits that coincide leave no width to measure by.
        return np.abs(values - (lower + upper) / 2) / half if half > 0 else nowhere
    if upper is None:
        if lower is None:
            return nowhere
        # Turned about 0 a lower limit is an upper one: one case instead of two.
        values, upper = -values, -lower
    if upper == 0:
        return nowhere
    if upper > 0:
        return np.maximum(values, 0.0) / upper
    beyond = np.where(np.isnan(values), np.nan, FAR)
    # Below 0 the limit is met by what is farther from 0: limit over value. A value of 0 or more is beyond any
    # number.
    return np.divide(upper, values, out=beyond, where=(values < 0) & (values > -math.inf))


def place(c: JudgedValue) -> ScalePlace | None:
    """The place of a characteristic in the form of a result; None without value, limit or scale."""
    value, lower, upper = c.value, c.lower, c.upper
    if value is None:
        return None
    at = _scale(value, lower, upper)
    if at is None:
        return None
    low = high = None
    u = c.expanded_uncertainty
    if u is not None:
        ends = [_scale(value - u, lower, upper), _scale(value + u, lower, upper)]
        known = [e for e in ends if e is not None]
        low, high = min(known), max(known)
        middle = None if lower is None or upper is None else (lower + upper) / 2
        # An interval about the middle reaches down to 0, which neither of its ends does
        if middle is not None and value - u < middle < value + u:
            low = 0.0
    marks = (c.caution, given(c.caution_lower, None))
    # The nearer of two marks: whichever side the value is on, caution begins no earlier than there.
    cautions = [s for m in marks if m is not None and (s := _scale(m, lower, upper)) is not None]
    return ScalePlace(min(at, FAR), low, high, min(cautions) if cautions else None)


def has_limit(c: JudgedValue) -> bool:
    """Whether a characteristic has a limit."""
    return c.verdict != Verdict.UNJUDGED


def order_key(c: JudgedValue) -> tuple[int, float, float]:
    """Sorts judged characteristics: those without value first, then from the farthest over the limit down.

    Values without a scale (a limit of 0) follow their verdict's worst neighbours. Of values at the same place,
    such as those that no number of limits reaches, the one farthest beyond its limit in its own unit is first.
    """
    if c.value is None:
        return (0, 0.0, 0.0)
    # The reader looks for trouble first, and a value that could not be measured is trouble of unknown size.
    found = place(c)
    if found is not None:
        return (1, -found.at, -_excess(c, c.value))
    beyond = c.verdict in (Verdict.NONCONFORMING, Verdict.INCONCLUSIVE)
    # As if at the limit, or halfway to it: only the verdict says where a value without a scale stands.
    return (1, -1.0 if beyond else -0.5, -_excess(c, c.value))


def _excess(c: JudgedValue, value: float) -> float:
    """How far a value lies beyond its limits in its own unit; below 0 within them, 0 without any."""
    beyond = [] if c.upper is None else [value - c.upper]
    beyond += [] if c.lower is None else [c.lower - value]
    return max(beyond, default=0.0)

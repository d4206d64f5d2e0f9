"""Bounds of every trace, whatever format it came in: beyond them lies no measurement of a ball track."""

from __future__ import annotations

import numpy as np

from edgeagent.codec.limits import MAGNITUDE_MAX, POINTS_MAX, TURNS_MAX
from edgeagent.errors import TraceFormatError, TraceRangeError
from edgeagent.model import Trace

_SPAN_MIN = 1e-6
"""Least range of a column that a trace runs along, in degrees or mm: a nanometre on any track."""
_RUNNING = ("angle_deg", "x_mm", "travel_mm")


def require_points(points: int) -> None:
    """Refuse a number of rows beyond POINTS_MAX before they are read. Raises TraceFormatError."""
    if points > POINTS_MAX:
        raise TraceFormatError(f"the trace has {points} points", expected=f"at most {POINTS_MAX}")


def require_bounds(trace: Trace) -> None:
    """Refuse a trace that no analysis could handle. Raises TraceFormatError, TraceRangeError.

    Too many points or turns, or a column along which the trace runs that reaches beyond MAGNITUDE_MAX or covers
    nothing. Absurd readings are no matter of bounds: the analysis holds the part for them.
    """
    require_points(trace.points)
    for name, values in trace.columns.items():
        if name not in _RUNNING:
            continue
        # The plain minimum is NaN where a sample is missing: only then are the slower ones needed.
        low, high = float(np.min(values, initial=np.inf)), float(np.max(values, initial=-np.inf))
        if not low <= high:  # samples are missing
            if np.isnan(values).all():
                continue
            low, high = float(np.nanmin(values)), float(np.nanmax(values))
        if max(-low, high) > MAGNITUDE_MAX:
            at = int(np.nanargmax(np.abs(values))) + 1
            raise TraceRangeError(
                f"{name} reaches {max(low, high, key=abs):.4g} in row {at}; allowed: up to {MAGNITUDE_MAX:g}"
            )
        # A column that stays where it is has no unit to doubt: the analysis says what it lacks.
        if 0.0 < high - low < _SPAN_MIN:
            raise TraceRangeError(f"{name} covers {high - low:.4g} only; is it in another unit?")
        if name == "angle_deg" and high - low > 360.0 * (TURNS_MAX + 1):
            raise TraceRangeError(
                f"{name} covers {(high - low) / 360.0:.0f} turns; allowed: up to {TURNS_MAX}. "
                "Is it in another unit?"
            )

"""Sensitivity of values to a measuring plane that the trace cannot show, by finite differences.

With one side alone, or a single groove, nothing contradicts a plane that lies beside the axis or askew to it;
with two grooves on a side, nothing contradicts a yaw.
The analysis is repeated as if the plane lay off by the station's ``plane_offset_mm``, and as if it were turned
by its ``plane_yaw_deg`` about the middle of the trace, each of them both ways; the larger change of every value
counts as standard uncertainty (JCGM 100, 5.1.3).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from edgeagent.analysis.axial.plane import Plane
from edgeagent.model import Analysis, Quantity

Values = Mapping[tuple[str, str], float]
LARGEST_OF_MANY = ("profile_deviation_", "cumulative_pitch_deviation")
"""Beginnings of the names of values that are the largest of several deviations, with its sign."""


def count_plane(
    analysis: Analysis,
    values_in: Callable[[Plane], Values],
    *,
    offset_mm: float,
    plane_offset_mm: float,
    plane_yaw_deg: float,
    middle_mm: float,
) -> Analysis:
    """The analysis with the unknown plane in every stated uncertainty.

    ``values_in`` yields the values that the trace has if its plane is the one given; ``offset_mm`` is where the
    plane was found, 0 where it was not, ``middle_mm`` the middle of the trace along the axis. A value that a
    moved plane does not yield, or that has no stated uncertainty, stays as it is.
    """
    yaw = float(np.radians(plane_yaw_deg))
    base = values_in(Plane(offset_mm, 0.0, 0.0))

    moved = []
    # A yaw turns the plane about the middle of the trace, so that its error and the offset's are independent.
    for beside, turned in ((plane_offset_mm, 0.0), (-middle_mm * float(np.tan(yaw)), yaw)):
        if beside or turned:
            moved.append([values_in(Plane(offset_mm + w * beside, w * turned, 0.0)) for w in (1.0, -1.0)])

    def with_plane(q: Quantity) -> Quantity:
        at = (q.name, q.instance)
        if q.standard_uncertainty is None or at not in base:
            return q
        # Of the largest of many deviations the sign is chance: its amount counts. Both ways, since an amount
        # that passes through 0 on one way may come out as large as it was.
        size = abs if q.name.startswith(LARGEST_OF_MANY) else float
        changes = [
            max((abs(size(m[at]) - size(base[at])) for m in ways if at in m), default=0.0) for ways in moved
        ]
        return replace(q, standard_uncertainty=float(np.hypot(q.standard_uncertainty, np.linalg.norm(changes))))

    return replace(analysis, quantities=tuple(with_plane(q) for q in analysis.quantities))

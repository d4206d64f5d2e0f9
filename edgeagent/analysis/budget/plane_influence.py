"""Sensitivity of values to a measuring plane that the trace cannot show, by finite differences.

With one side alone, or a single groove, nothing contradicts a plane that lies beside the axis or askew to it.
The analysis is repeated as if the plane lay off by the station's ``plane_offset_mm``, and as if it were turned
by its ``plane_yaw_deg`` about the middle of the trace; both changes of every value count as standard
uncertainties (JCGM 100, 5.1.3).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import numpy as np

from edgeagent.analysis.axial.plane import Plane
from edgeagent.model import Analysis, Quantity

Values = Mapping[tuple[str, str], float]


def count_plane(
    analysis: Analysis,
    values_in: Callable[[Plane], Values],
    *,
    plane_offset_mm: float,
    plane_yaw_deg: float,
    middle_mm: float,
) -> Analysis:
    """The analysis with the unknown plane in every stated uncertainty.

    ``values_in`` yields the values that the trace has if its plane is the one given; ``middle_mm`` is the
    middle of the trace along the axis. A value that a moved plane does not yield, or that has no stated
    uncertainty, stays as it is.
    """
    yaw = float(np.radians(plane_yaw_deg))
    base = values_in(Plane(0.0, 0.0, 0.0))
    moved = (
        values_in(Plane(plane_offset_mm, 0.0, 0.0)),
        values_in(Plane(-middle_mm * float(np.tan(yaw)), yaw, 0.0)),
    )

    def with_plane(q: Quantity) -> Quantity:
        at = (q.name, q.instance)
        if q.standard_uncertainty is None or at not in base:
            return q
        changes = [
            abs(m[at]) - abs(base[at]) if "deviation" in q.name else m[at] - base[at] for m in moved if at in m
        ]
        return replace(q, standard_uncertainty=float(np.hypot(q.standard_uncertainty, np.linalg.norm(changes))))

    return replace(analysis, quantities=tuple(with_plane(q) for q in analysis.quantities))

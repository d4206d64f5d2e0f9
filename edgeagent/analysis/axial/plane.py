"""The measuring plane beside the axis or askew to it, and the section through the axis that belongs to it.

A gauge records z over x in a plane y = offset + x tan(yaw). On a helicoid the point (x, y, z) belongs to a
point of the axial section at the distance ρ = sqrt(y² + z²) from the axis: it is turned out of the axial plane
by δ = asin(y/ρ), on the bottom side by -δ, and the screw motion that turns it back moves it along the axis by
lead/2π · δ. Since δ grows toward the axis, flanks are sheared: left and right, top and bottom against one
another. So a part that is alike on both sides shows the plane. A left-hand thread changes the sign of both;
offset and yaw are those of a right-hand one. Derived here; compared with sections of swept surfaces in
tests/analysis/test_plane.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeagent.errors import TraceRangeError
from edgeagent.model import FloatArray

# Each round gains the factor yaw · shift / radius, some 1e-4 for a twentieth of a degree.
_ROUNDS = 4


@dataclass(frozen=True, slots=True)
class Plane:
    """``offset_mm`` beside the axis where x is 0, turned by ``yaw_rad``; ``shift_mm`` is the lead over 2π.

    The uncertainties are standard ones, None where offset or yaw were not fitted.
    """

    offset_mm: float
    yaw_rad: float
    shift_mm: float
    offset_uncertainty_mm: float | None = None
    yaw_uncertainty_rad: float | None = None

    def section_points(self, along_mm: FloatArray, across_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Recorded points along and across the axis as points of the axial section; any one shape."""
        if self.offset_mm == 0.0 and self.yaw_rad == 0.0:
            return along_mm, across_mm
        beside = self.offset_mm + along_mm * np.sin(self.yaw_rad)
        side = np.where(across_mm < 0.0, -1.0, 1.0)
        distance = np.hypot(across_mm, beside)
        turn = side * np.arcsin(beside / distance)
        return along_mm * np.cos(self.yaw_rad) - self.shift_mm * turn, side * distance

    def recorded_points(self, along_mm: FloatArray, across_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The inverse of `section_points`.

        Raises TraceRangeError for a point nearer to the axis than the plane.
        """
        if self.offset_mm == 0.0 and self.yaw_rad == 0.0:
            return along_mm, across_mm
        side = np.where(across_mm < 0.0, -1.0, 1.0)
        slope = np.tan(self.yaw_rad)
        beside = self.offset_mm + along_mm * slope
        at = along_mm
        for _ in range(_ROUNDS):
            if np.any(np.abs(beside) >= np.abs(across_mm)):
                raise TraceRangeError("the measuring plane lies farther from the axis than the groove")
            at = along_mm + self.shift_mm * side * np.arcsin(beside / np.abs(across_mm))
            beside = self.offset_mm + at * slope
        return at / np.cos(self.yaw_rad), side * np.sqrt(np.square(across_mm) - np.square(beside))

    def side_stretch(self, radius_mm: FloatArray) -> float:
        """Standard uncertainty of a length along one side by the yaw's, relative; 0 where none was fitted.

        ``radius_mm`` (n,) are the grooves' distances from the axis.
        """
        if self.yaw_uncertainty_rad is None:
            return 0.0
        return self.yaw_uncertainty_rad * self.shift_mm / float(np.mean(radius_mm))

    def mean_stretch(self, along_mm: FloatArray, side: FloatArray, radius_mm: FloatArray) -> float:
        """What is left of `side_stretch` in the pitch of both sides together; arrays of shape (n,).

        One side grows as the other shrinks, each with the weight of its least-squares line.
        """
        stretch = self.side_stretch(radius_mm)
        if stretch == 0.0:
            return 0.0
        top, bottom = (
            float(np.sum(np.square(x - np.mean(x)))) for x in (along_mm[side > 0], along_mm[side < 0])
        )
        return stretch * abs(top - bottom) / (top + bottom)

    def diameter_uncertainty_mm(self, along_mm: FloatArray, radius_mm: FloatArray) -> float:
        """Standard uncertainty of all diameters together by the offset's; 0 where none was fitted.

        A point y beside the axis lies hypot(z, y) off it: an error of y counts with 2 y / radius in a diameter.
        """
        if self.offset_uncertainty_mm is None:
            return 0.0
        beside = abs(self.offset_mm + float(np.mean(along_mm)) * float(np.sin(self.yaw_rad)))
        return 2.0 * beside * self.offset_uncertainty_mm / float(np.mean(radius_mm))


THROUGH_AXIS = Plane(0.0, 0.0, 0.0)

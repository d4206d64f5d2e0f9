"""Forward model for tests: a part that lies off the spindle's axis, read by a gauge that is free along one
line.

Plane geometry solved by numbers, sample by sample; nothing of the analysis is used. Lengths in mm but waves and
readings in µm, angles in rad. Complex numbers are vectors towards angles of the trace.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

Array = np.ndarray


@dataclass(frozen=True, kw_only=True)
class EccentricTrack:
    """One flank of a thread, or with ``lead_mm`` 0, ``angle_rad`` 0 and no arc a cylinder.

    ``side`` is +1 for the left flank where height grows with the angle, -1 for the right one; ``outward`` is -1
    in a nut. ``arc_mm`` is the radius on which the tip's centre runs in the section.
    """

    radius_mm: float = 9.2525 + 0.005 * np.sqrt(0.5)
    lead_mm: float = 5.0
    circle_mm: float = 20.75
    angle_rad: float = np.pi / 4
    arc_mm: float | None = 0.535 * 3.175 - 0.005
    side: float = 1.0
    outward: float = 1.0

    @property
    def _normal(self) -> tuple[float, float, float]:
        """Radial and binormal part of the normal, and cosine of the lead angle."""
        lead_angle = np.arctan(self.lead_mm / (np.pi * self.circle_mm))
        return self.outward * np.cos(self.angle_rad), self.side * np.sin(self.angle_rad), np.cos(lead_angle)

    def offset_mm(self, reading_um: complex) -> complex:
        """Offset of the axis that is read once a turn as this vector, by small offsets tried in two
        directions."""
        angle = 2 * np.pi * np.arange(8) / 8
        tried = [self.reading_um(angle, np.zeros_like, e + 0 * angle) for e in (1e-7, 1e-7j)]
        seen = [2 * np.mean(y * np.exp(1j * angle)) for y in tried]
        matrix = np.array([[s.real for s in seen], [s.imag for s in seen]]) / 1e-7
        found = np.linalg.solve(matrix, [reading_um.real, reading_um.imag])
        return complex(*found)

    def reading_um(self, theta: Array, surface_um: Callable[[Array], Array], offset_mm: Array) -> Array:
        """What the gauge reads at spindle angles; ``offset_mm`` is the axis at each of them, complex."""
        ray = np.exp(1j * theta)
        distance = np.full(len(theta), self.radius_mm)
        for _ in range(8):  # Newton: where the ray meets the circle about the part's own axis
            point = distance * ray - offset_mm
            distance = distance - (np.abs(point) - self.radius_mm) * np.abs(point) / np.real(
                np.conj(ray) * point
            )
        point = distance * ray - offset_mm
        turned = np.angle(point * np.conj(ray))
        radial, axial, cosine = *self._normal[:2], self._normal[2]
        moved_r, moved_b = distance - self.radius_mm, self.lead_mm / (2 * np.pi) * turned * cosine
        straight = radial * moved_r + axial * moved_b
        pushed = straight
        if self.arc_mm is not None:
            # The tip stays on a line along the normal; its circle about the groove's centre has moved.
            centre_r, centre_b = self.arc_mm * radial + moved_r, self.arc_mm * axial + moved_b
            middle = centre_r * radial + centre_b * axial
            pushed = middle - np.sqrt(middle**2 - (centre_r**2 + centre_b**2 - self.arc_mm**2))
        return 1000 * pushed + surface_um(theta + turned)


CYLINDER = EccentricTrack(lead_mm=0.0, angle_rad=0.0, arc_mm=None)


def waves(amplitudes_um: dict[float, tuple[float, float]]) -> Callable[[Array], Array]:
    """A surface of waves: UPR to amplitude in µm and phase in rad."""
    return lambda phi: sum((a * np.cos(n * phi + p) for n, (a, p) in amplitudes_um.items()), 0 * phi)

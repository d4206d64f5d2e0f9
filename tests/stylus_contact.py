"""Forward model for tests: a spherical tip that is moved until it touches a groove of two arcs, solved exactly.

Nothing of the analysis is used. The groove may move along radius and axis as the thread goes on, each of its
arcs by itself, and the part as a whole lies and leans as it was clamped. Lengths in mm, angles in rad.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from edgeagent.demo.thread_surface import cross

Array = np.ndarray
Wave = Callable[[Array], Array]


def still(theta: Array) -> Array:
    """No motion."""
    return 0 * theta


@dataclass
class Groove:
    """``rises`` is +1 where x grows with the angle, -1 where it falls; waves are functions of the ball's angle.

    ``radial`` is positive out of the material, ``axial`` towards larger x; ``left`` and ``right`` move one arc
    out of the material alone. ``shift_mm`` and ``lean_rad`` are complex, directions as angles of the trace;
    the part leans about the height ``pivot_mm``.
    """

    member: str = "shaft"
    lead_mm: float = 5.0
    rises: int = 1
    ball_mm: float = 3.175
    circle_mm: float = 20.75
    angle_rad: float = np.pi / 4
    conformity: float = 0.535
    radial: Wave = still
    axial: Wave = still
    left: Wave = still
    right: Wave = still
    shift_mm: complex = 0j
    lean_rad: complex = 0j
    pivot_mm: float = 0.0

    @property
    def outward(self) -> float:
        """Radial direction out of the material."""
        return 1.0 if self.member == "shaft" else -1.0

    def _frame(self, theta: Array) -> tuple[Array, Array, Array]:
        """Ball's centre, unit vectors along the radius and across the groove towards larger x."""
        rise = self.rises * self.lead_mm / (2 * np.pi)
        radius = self.circle_mm / 2
        out = np.stack((0 * theta, np.cos(theta), np.sin(theta)), axis=-1)
        along = np.stack((rise + 0 * theta, -radius * np.sin(theta), radius * np.cos(theta)), axis=-1)
        along /= np.linalg.norm(along, axis=-1, keepdims=True)
        across = cross(along.T, out.T).T
        across *= np.sign(across[..., :1])
        centre = np.stack((rise * theta, radius * np.cos(theta), radius * np.sin(theta)), axis=-1)
        return centre, out, across

    def _clamped(self, points: Array) -> Array:
        """Points of the part as it lies and leans: an exact rotation and a shift."""
        size = abs(self.lean_rad)
        axis = np.array([0.0, -self.lean_rad.imag, self.lean_rad.real]) / max(size, 1e-300)
        cross = np.array([[0, -axis[2], axis[1]], [axis[2], 0, -axis[0]], [-axis[1], axis[0], 0]])
        turn = np.eye(3) + np.sin(size) * cross + (1 - np.cos(size)) * cross @ cross
        pivot = np.array([self.pivot_mm, 0.0, 0.0])
        return (points - pivot) @ turn.T + pivot + np.array([0.0, self.shift_mm.real, self.shift_mm.imag])

    def _surface(self, theta: Array, on_arc: Array, side: float) -> Array:
        centre, out, across = self._frame(theta)
        centre = centre + (self.outward * self.radial(theta))[:, None] * out
        centre = centre + self.axial(theta)[:, None] * np.array([1.0, 0.0, 0.0])
        root, flank = -self.outward * out, side * across
        radius = self.conformity * self.ball_mm
        middle = centre - (radius - self.ball_mm / 2) * (
            np.cos(self.angle_rad) * root + np.sin(self.angle_rad) * flank
        )
        own = self.left(theta) if side < 0 else self.right(theta)
        point = middle + (radius - own)[:, None] * (
            np.cos(on_arc)[:, None] * root + np.sin(on_arc)[:, None] * flank
        )
        return self._clamped(point)

    def _nominal(self, theta: Array, side: float, tip_mm: float) -> tuple[Array, Array]:
        """Centre of the tip on the nominal track, and the normal out of the material."""
        centre, out, across = self._frame(theta)
        inward = -self.outward * np.cos(self.angle_rad) * out + side * np.sin(self.angle_rad) * across
        return centre + (self.ball_mm / 2 - tip_mm) * inward, -inward

    def reading(
        self, angle: Array, flank: str, *, tip_mm: float = 0.005, sensing: str = "normal"
    ) -> tuple[Array, float]:
        """How far the tip is pushed out along the gauge's direction at each of its angles, in µm; height of the
        trace's middle in mm."""
        side = -1.0 if flank == "left" else 1.0
        at_start, _ = self._nominal(np.zeros(1), side, tip_mm)
        start = angle - np.arctan2(at_start[0, 2], at_start[0, 1])
        centre, normal = self._nominal(start, side, tip_mm)
        out = np.stack((0 * angle, np.cos(angle), np.sin(angle)), axis=-1)
        along = {"normal": normal, "radial": self.outward * out, "axial": 0 * normal + [-side, 0.0, 0.0]}[
            sensing
        ]

        def gap(unknown: Array) -> Array:
            theta, on_arc, pushed = unknown
            h = 1e-5
            first = self._surface(theta + h, on_arc, side) - self._surface(theta - h, on_arc, side)
            second = self._surface(theta, on_arc + h, side) - self._surface(theta, on_arc - h, side)
            facing = cross(first.T, second.T).T
            facing /= np.linalg.norm(facing, axis=-1, keepdims=True)
            facing *= np.sign(np.sum(facing * normal, axis=-1, keepdims=True))
            off = centre + pushed[:, None] * along - self._surface(theta, on_arc, side)
            sums = [np.sum(off * v, axis=-1) for v in (first / (2 * h), second / (2 * h), facing)]
            return np.stack((sums[0], sums[1], sums[2] - tip_mm))

        unknown = np.stack((start, np.full_like(angle, self.angle_rad), np.zeros_like(angle)))
        slopes = np.empty((len(angle), 3, 3))
        for number in range(12):
            # Newton's method, with the slopes of the second step kept: the place hardly moves after it.
            for k, h in enumerate((1e-6, 1e-6, 1e-7) if number < 2 else ()):
                step = np.zeros((3, 1))
                step[k] = h
                slopes[:, :, k] = ((gap(unknown + step) - gap(unknown - step)) / (2 * h)).T
            change = np.linalg.solve(slopes, gap(unknown).T[..., None])[..., 0].T
            unknown = unknown - change
            if np.abs(change[2]).max() < 1e-12:
                return 1000 * unknown[2], float((centre[0, 0] + centre[-1, 0]) / 2)
        raise AssertionError("the tip found no place")

"""Forward model for tests: a helical track in space that is displaced as a whole or point by point.

The track is the canal surface that a ball leaves along its helix. Nothing of the analysis is used: normals come
from cross products of difference quotients, angles from coordinates.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

Vectors = np.ndarray
Motion = Callable[[np.ndarray, Vectors], Vectors]
"""Displacement of the surface from the ball's angles and the contact points."""


@dataclass(frozen=True)
class Track:
    """``turning`` is +1 where x grows with the angle along the thread, -1 where it falls."""

    ball_mm: float = 3.175
    circle_mm: float = 20.75
    lead_mm: float = 5.0
    angle_deg: float = 45.0
    member: str = "shaft"
    turning: int = 1

    def surface(self, theta: np.ndarray, flank_rad: np.ndarray) -> Vectors:
        """Points (x, y, z) at the ball's angle ``theta``; ``flank_rad`` is -α on the left flank, +α right."""
        slope = self.turning * self.lead_mm / (2 * np.pi)
        radius, ball = self.circle_mm / 2, self.ball_mm / 2
        centre = np.stack((slope * theta, radius * np.cos(theta), radius * np.sin(theta)), axis=-1)
        out = np.stack((0 * theta, np.cos(theta), np.sin(theta)), axis=-1)
        along = np.stack((slope + 0 * theta, -radius * np.sin(theta), radius * np.cos(theta)), axis=-1)
        along /= np.linalg.norm(along, axis=-1, keepdims=True)
        across = np.cross(along, out)
        across *= np.sign(across[..., :1])  # towards larger x
        side = -1.0 if self.member == "shaft" else 1.0
        off = np.sin(flank_rad)[..., None] * across + side * np.cos(flank_rad)[..., None] * out
        return centre + ball * off

    def contact(self, theta: np.ndarray, flank: str) -> tuple[Vectors, Vectors]:
        """Contact points and unit normals out of the material at the ball's angles ``theta``."""
        side = np.full_like(theta, np.radians(self.angle_deg) * (-1.0 if flank == "left" else 1.0))
        h = 1e-5
        du = self.surface(theta + h, side) - self.surface(theta - h, side)
        dv = self.surface(theta, side + h) - self.surface(theta, side - h)
        normal = np.cross(du, dv)
        normal /= np.linalg.norm(normal, axis=-1, keepdims=True)
        point = self.surface(theta, side)
        middle = self.surface(theta, 0 * side)
        out = np.stack((0 * theta, np.cos(theta), np.sin(theta)), axis=-1)
        centre = middle + (1.0 if self.member == "shaft" else -1.0) * self.ball_mm / 2 * out
        facing = np.sum(normal * (centre - point), axis=-1, keepdims=True)
        return point, normal * np.sign(facing)

    def lag(self, flank: str) -> float:
        """Angle of the contact point beyond that of the ball, in rad, from coordinates."""
        point, _ = self.contact(np.array([0.0]), flank)
        return float(np.arctan2(point[0, 2], point[0, 1]))

    def reading(self, angle: np.ndarray, flank: str, moved: Motion) -> np.ndarray:
        """Displacement along the normal where the stylus stands at ``angle``."""
        theta = angle - self.lag(flank)
        point, normal = self.contact(theta, flank)
        return np.sum(moved(theta, point) * normal, axis=-1)

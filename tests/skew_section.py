"""Forward model for tests: threads that are cut by a plane beside the axis or askew to it, with form defects.

The profile of each groove is swept along its helix as a surface in space, with the defects built into it; the
tip's centre stands one tip radius off along the surface's own normal (cross product of two tangents); the place
at which it meets the measuring plane is found numerically, groove by groove. Nothing of the analysis is used.
All parts and defects are invented.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from scipy.interpolate import CubicSpline

from edgeagent.demo.thread_surface import BOTTOM, TOP, Cut, Part, Section, cross, swept

Heights = Callable[[float, int, str, np.ndarray], np.ndarray]
"""Height in um, proud positive, from side, groove (0 is the first one traced), flank and angle in deg."""


def flat(_side: float, _groove: int, _flank: str, angle_deg: np.ndarray) -> np.ndarray:
    return np.zeros_like(angle_deg)


@dataclass(frozen=True)
class Plane:
    """y = ``offset_mm`` + x tan(``yaw_deg``); the axis is y = 0."""

    offset_mm: float = 0.0
    yaw_deg: float = 0.0


def _derivative(function, at, step=1e-4):
    near, far = function(at + step) - function(at - step), function(at + 2 * step) - function(at - 2 * step)
    return (8 * near - far) / (12 * step)


def _tip_centre(part: Part, arc, height_um, tip: float, angle: np.ndarray, turn: np.ndarray) -> np.ndarray:
    """Where the tip's centre stands that touches the surface at ``angle`` of the profile; (3, n)."""
    u0, h0, radius = arc

    def surface(a, t):
        r = radius - 1e-3 * height_um(np.degrees(np.abs(a)))
        return swept(part, u0 + r * np.sin(a), h0 - r * np.cos(a), t)

    along_profile = _derivative(lambda a: surface(a, turn), angle)
    normal = cross(along_profile, _derivative(lambda t: surface(angle, t), turn))
    normal /= np.linalg.norm(normal, axis=0)
    point = surface(angle, turn)
    inward = swept(part, u0 + 0 * angle, h0 + 0 * angle, turn) - point
    return point + tip * normal * np.sign(np.sum(normal * inward, axis=0))


def _meet(
    point: Callable, start: float, count: int, shift: float, plane: Plane
) -> tuple[np.ndarray, np.ndarray]:
    """x and z where a turning point, moved by ``shift`` along the axis, meets the plane (secant method)."""
    slope = np.tan(np.radians(plane.yaw_deg))

    def off(t):
        x, y, _ = point(t)
        return y - plane.offset_mm - slope * (x + shift)

    a = np.full(count, start)
    b = a + 1e-3
    fa, fb = off(a), off(b)
    for _ in range(50):
        step = np.where(np.abs(fb) < 1e-14, 0.0, fb * (b - a) / np.where(fb == fa, 1.0, fb - fa))
        a, fa, b = b, fb, b - step
        fb = off(b)
        if np.max(np.abs(fb)) < 1e-12:
            break
    else:
        raise RuntimeError("the surface does not meet the plane")
    x, _, z = point(b)
    return (x + shift) / np.cos(np.radians(plane.yaw_deg)), z


def traced(
    part: Part,
    cut: Cut,
    *,
    plane: Plane = Plane(),
    heights_um: Heights = flat,
    depth_um: Callable[[float, int], float] = lambda _side, _groove: 0.0,
    relief_mm: float = 0.0,
    nodes: int = 700,
) -> Section:
    """The noise-free trace. ``depth_um`` moves a groove toward the axis (a nut: away from it); ``relief_mm`` is
    the width of a slot, 0.3 mm deep, along the groove's root.
    """
    sides, xs, zs = [], [], []
    for side in cut.sides:
        x, z = _side(part, cut, side, plane, heights_um, depth_um, relief_mm, nodes)
        sides.append(np.full(x.size, side))
        xs.append(x)
        zs.append(z)
    return Section(np.concatenate(sides), np.concatenate(xs), np.concatenate(zs))


def _side(part, cut, side, plane, heights_um, depth_um, relief_mm, nodes):
    hand = 1 if part.hand == "right" else -1
    facing = 1 if part.member == "shaft" else -1
    start = 0.0 if side == TOP else np.pi
    turned = 0.0 if side == TOP else hand * part.lead_mm / 2
    x = np.arange(cut.x_start_mm, cut.x_end_mm, cut.spacing_mm)
    axial = x * np.cos(np.radians(plane.yaw_deg))
    beside = plane.offset_mm + axial * np.tan(np.radians(plane.yaw_deg))
    # Lands are cylinders; the tip's centre runs on one that is a tip radius larger (nut: smaller).
    land = part.ball_pitch_circle_mm / 2 + facing * (part.land_mm + cut.tip_radius_mm)
    height = facing * np.sqrt(land**2 - beside**2)
    groove_floor = np.full(x.size, np.inf)
    first = int(np.floor((cut.x_start_mm - turned) / part.pitch_mm)) - 1
    last = int(np.ceil((cut.x_end_mm - turned) / part.pitch_mm)) + 1
    number = 0
    for k in range(first, last + 1):
        place = turned + k * part.pitch_mm
        inside = (
            cut.x_start_mm < place - part.ball_diameter_mm / 2
            and place + part.ball_diameter_mm / 2 < cut.x_end_mm
        )
        groove = number if inside else -1
        number += inside
        own = replace(
            part, ball_pitch_circle_mm=part.ball_pitch_circle_mm - facing * 2e-3 * depth_um(side, groove)
        )
        pieces = []
        for sign, arc, name in zip((-1.0, 1.0), part.arcs(), ("left", "right"), strict=True):
            inner = np.arcsin((relief_mm / 2 - sign * arc[0]) / arc[2]) if relief_mm else -0.06
            angle = sign * np.linspace(inner, np.radians(80.0), nodes)
            point = partial(
                _tip_centre, own, arc, partial(heights_um, side, groove, name), cut.tip_radius_mm, angle
            )
            pieces.append(_meet(point, start, nodes, k * part.pitch_mm, plane))
        if relief_mm:
            flat_u = np.linspace(-relief_mm / 2 + cut.tip_radius_mm, relief_mm / 2 - cut.tip_radius_mm, 60)
            depth = part.arcs()[1][1] - part.arcs()[1][2] - 0.3 + cut.tip_radius_mm
            pieces.append(
                _meet(partial(swept, own, flat_u, depth + 0 * flat_u), start, 60, k * part.pitch_mm, plane)
            )
        floor = np.full(x.size, -np.inf)
        for px, pz in pieces:
            order = np.argsort(px)
            here = (x >= px.min()) & (x <= px.max())
            curve = CubicSpline(px[order], facing * side * pz[order])(x[here])
            floor[here] = np.maximum(floor[here], curve)
        seen = np.isfinite(floor)
        if relief_mm and np.any(seen):
            # The slot's walls: straight from the flank's last point to the slot's floor.
            span = np.flatnonzero(seen)
            floor[span[0] : span[-1] + 1] = np.interp(x[span[0] : span[-1] + 1], x[seen], floor[seen])
            seen = np.isfinite(floor)
        groove_floor[seen] = np.minimum(groove_floor[seen], floor[seen])
    height = np.minimum(height, groove_floor)
    across = side * facing * height
    tilt = np.radians(cut.axis_tilt_deg)
    return x * np.cos(tilt) - across * np.sin(tilt), x * np.sin(tilt) + across * np.cos(tilt) + cut.z_offset_mm


def bell(height_um: float, at_deg: float, half_width_mm: float, radius_mm: float = 1.68) -> Callable:
    """A bump (dip: negative) on the profile, bell-shaped, ``half_width_mm`` at 1/e of its height."""

    def height(angle_deg: np.ndarray) -> np.ndarray:
        return height_um * np.exp(-np.square(np.radians(angle_deg - at_deg) * radius_mm / half_width_mm))

    return height


def turned(rng, s_mm):
    """Feed marks of a round tool, 0.06 mm apart, 0.5 µm deep, with fine breaks; um over the length in mm."""
    phase = (s_mm / 0.06 + rng.uniform()) % 1.0 - 0.5
    return 0.5 * (4.0 * phase**2 - 1.0 / 3.0) + _correlated(rng, s_mm, 0.003, 0.03)


def ground(rng, s_mm):
    """Heights of a normal law, 0.1 µm, correlated over 0.01 mm."""
    return _correlated(rng, s_mm, 0.01, 0.1)


def honed(rng, s_mm):
    """A plateau of 0.03 µm with valleys 0.01 mm wide, 0.4 µm deep on average, 6 to the millimetre."""
    heights = _correlated(rng, s_mm, 0.006, 0.03)
    for _ in range(rng.poisson(6.0 * np.ptp(s_mm))):
        at, depth = rng.uniform(s_mm.min(), s_mm.max()), rng.exponential(0.4)
        heights -= depth * np.exp(-np.square((s_mm - at) / 0.005))
    return heights


def _correlated(rng, s_mm, length_mm, sd_um):
    """Normal heights whose correlation falls to 1/e within ``length_mm`` (bell-shaped)."""
    step = s_mm[1] - s_mm[0]
    reach = int(4 * length_mm / step) + 1
    kernel = np.exp(-2.0 * np.square(np.arange(-reach, reach + 1) * step / length_mm))
    white = rng.normal(size=s_mm.size + 2 * reach)
    return sd_um * np.convolve(white, kernel, "valid") / np.sqrt(np.sum(kernel**2))


def with_texture(built: Section, part: Part, texture: Callable, rng) -> Section:
    """A fresh texture, normal to the surface, on every groove; small heights, flanks to 75° from the root."""
    facing = 1.0 if part.member == "shaft" else -1.0
    radius = part.track_conformity[0] * part.ball_diameter_mm
    psi = np.arctan(part.lead_mm / (np.pi * part.ball_pitch_circle_mm))
    z = built.z_mm.copy()
    for side in (TOP, BOTTOM):
        turned_by = 0.0 if side == TOP else part.lead_mm / 2
        here = np.flatnonzero(built.side == side)
        number = np.rint((built.x_mm[here] - turned_by) / part.pitch_mm).astype(int)
        for k in np.unique(number):
            own = here[number == k]
            u = (built.x_mm[own] - turned_by - k * part.pitch_mm) * np.cos(psi)
            own, u = (
                own[np.abs(u) < np.sin(np.radians(75.0)) * radius],
                u[np.abs(u) < np.sin(np.radians(75.0)) * radius],
            )
            if own.size < 10:
                continue
            angle = np.arcsin(u / radius)
            even = np.arange(-1.4 * radius, 1.4 * radius, 0.0005)
            height = np.interp(angle * radius, even, texture(rng, even))
            z[own] += side * facing * 1e-3 * height / np.cos(angle)
    return replace(built, z_mm=z)

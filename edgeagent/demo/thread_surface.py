"""Axial traces of invented ball-screw threads, built forward from the three-dimensional surface.

Nothing here knows the formulas of the analysis. The normal profile is swept along the helix of the ball
centres with the helix's own moving frame; the surface normal is the cross product of the two tangents; the
tip's centre stands one tip radius off along it; the turning position at which that point crosses the plane
of the axis is found numerically (secant method on the distance from the plane). Land edges carry a tube of
the tip's radius about their helix, lands are cylinders. Where several of these sheets lie above one
another the tip rests on the outermost. All parts, numbers and defects are invented (demo data).

Make a trace by hand::

    python -m edgeagent.demo.thread_surface > trace.txt
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline

Array = NDArray[np.float64]
TOP, BOTTOM = 1.0, -1.0


@dataclass(frozen=True, kw_only=True)
class Part:
    """An invented thread. Angles in deg, lengths in mm; left and right flank may differ.

    ``land_mm`` is the height of the land above the ball centre, away from the root (negative: below it).
    ``index_error_um`` shifts each start along the axis.
    """

    member: str = "shaft"
    hand: str = "right"
    starts: int = 1
    lead_mm: float = 5.0
    ball_diameter_mm: float = 3.175
    ball_pitch_circle_mm: float = 20.75
    contact_angle_deg: tuple[float, float] = (45.0, 45.0)
    track_conformity: tuple[float, float] = (0.53, 0.53)
    land_mm: float = -0.35
    index_error_um: tuple[float, ...] = (0.0,)

    @property
    def pitch_mm(self) -> float:
        return self.lead_mm / self.starts

    @property
    def lead_angle_deg(self) -> float:
        return float(np.degrees(np.arctan(self.lead_mm / (np.pi * self.ball_pitch_circle_mm))))

    def arcs(self) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """(u, h, radius) of left and right arc; the ball sits at (0, 0), h points away from the root."""
        ball = self.ball_diameter_mm / 2
        out = []
        for sign, angle, conformity in zip(
            (1.0, -1.0), self.contact_angle_deg, self.track_conformity, strict=True
        ):
            radius = conformity * self.ball_diameter_mm
            gap, alpha = radius - ball, np.radians(angle)
            out.append((sign * gap * np.sin(alpha), gap * np.cos(alpha), radius))
        return out[0], out[1]


@dataclass(frozen=True, kw_only=True)
class Cut:
    """How the part is measured. x from ``x_start_mm``; the recorded z stands ``z_offset_mm`` off the axis."""

    x_start_mm: float = -2.6
    x_end_mm: float = 23.0
    spacing_mm: float = 0.0005
    tip_radius_mm: float = 0.0
    axis_tilt_deg: float = 0.0
    z_offset_mm: float = 0.0
    sides: tuple[float, ...] = (TOP, BOTTOM)


@dataclass(frozen=True)
class Section:
    """Recorded points, all of shape (n,), and where the ball centres truly are (axial frame of the part)."""

    side: Array
    x_mm: Array
    z_mm: Array
    centres_mm: dict[float, Array] = field(default_factory=dict)

    def columns(self) -> dict[str, Array]:
        return {"side": self.side, "x_mm": self.x_mm, "z_mm": self.z_mm}

    def at_side(self, side: float) -> NDArray[np.bool_]:
        return np.asarray(self.side == side)


def cross(a: Array, b: Array) -> Array:
    """Cross products of vectors, both of shape (3, n); numpy's own mostly moves axes about."""
    return np.array([a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]])


def helix_frame(part: Part, t: Array) -> tuple[Array, Array, Array]:
    """Ball centre, binormal and outward radial direction at the turning angle t; each of shape (3, n)."""
    radius = part.ball_pitch_circle_mm / 2
    rise = part.lead_mm / (2 * np.pi) * (1 if part.hand == "right" else -1)
    zero, sine, cosine = np.zeros_like(t), np.sin(t), np.cos(t)
    outward = np.array([zero, sine, cosine])
    centre = np.array([rise * t, radius * sine, radius * cosine])
    tangent = np.array([rise + zero, radius * cosine, -radius * sine])
    tangent = tangent / np.hypot(rise, radius)
    # Along the axis whatever the hand, so that u grows with x.
    binormal = cross(outward, tangent)
    return centre, binormal * np.sign(binormal[0]), outward


def swept(part: Part, u: Array, h: Array, t: Array) -> Array:
    """Point (u, h) of the normal profile carried to the turning angle t, shape (3, n)."""
    centre, binormal, outward = helix_frame(part, t)
    v = h if part.member == "shaft" else -h
    return centre + u * binormal + v * outward


def _derivative(function: Callable[[Array], Array], at: Array, step: float = 1e-4) -> Array:
    """Five-point difference: error below 1e-12 for curves of millimetre size."""
    near = function(at + step) - function(at - step)
    far = function(at + 2 * step) - function(at - 2 * step)
    return (8 * near - far) / (12 * step)


def _tip_on_arc(part: Part, arc: tuple[float, float, float], tip: float, theta: Array, t: Array) -> Array:
    """Tip centre that touches the arc's surface at angle theta (from the root's direction, + to larger u)."""
    u0, h0, radius = arc

    def surface(angle: Array, turn: Array) -> Array:
        return swept(part, u0 + radius * np.sin(angle), h0 - radius * np.cos(angle), turn)

    along_profile = _derivative(lambda a: surface(a, t), theta)
    along_helix = _derivative(lambda s: surface(theta, s), t)
    normal = cross(along_profile, along_helix)
    normal /= np.linalg.norm(normal, axis=0)
    point = surface(theta, t)
    # The tip lies on the air's side of the surface, where the arc's own centre is.
    inward = swept(part, u0 + 0 * theta, h0 + 0 * theta, t) - point
    return np.asarray(point + tip * normal * np.sign(np.sum(normal * inward, axis=0)))


def _tip_on_edge(part: Part, u: float, h: float, tip: float, omega: Array, t: Array) -> Array:
    """Tip centre at one tip radius from the land edge's helix, omega turning about the edge."""
    u_all, h_all = u + 0 * omega, h + 0 * omega
    along = _derivative(lambda s: swept(part, u_all, h_all, s), t)
    along /= np.linalg.norm(along, axis=0)
    point = swept(part, u_all, h_all, t)
    away = np.array([0 * t, point[1], point[2]])
    away = away / np.linalg.norm(away, axis=0) * (1 if part.member == "shaft" else -1)
    # Perpendicular to the edge: only there is one tip radius the distance from it.
    away -= along * np.sum(along * away, axis=0)
    away /= np.linalg.norm(away, axis=0)
    across = cross(along, away)
    across *= np.sign(across[0])
    return np.asarray(point + tip * (np.cos(omega) * away + np.sin(omega) * across))


def _cross_plane(point: Callable[[Array], Array], start: Array) -> tuple[Array, Array]:
    """x and z where the moving point crosses the plane y = 0, by the secant method."""
    a, b = start, start + 1e-3
    ya, yb = point(a)[1], point(b)[1]
    for _ in range(50):
        slope = np.where(b == a, 1.0, (yb - ya) / np.where(b == a, 1.0, b - a))
        # A point that has arrived stays: its two values are equal, and their slope would be none.
        step = np.where(np.abs(yb) < 1e-13, 0.0, yb / np.where(slope == 0, 1.0, slope))
        a, ya = b, yb
        b = b - step
        yb = point(b)[1]
        if np.max(np.abs(yb)) < 1e-12:
            break
    else:
        raise RuntimeError("no crossing of the axial plane found")
    crossed = point(b)
    return crossed[0], crossed[2]


def _edge_angle(part: Part, arc: tuple[float, float, float], sign: float) -> float:
    """Angle on the arc where its surface meets the land's cylinder, by bisection."""
    u0, h0, radius = arc
    facing = 1 if part.member == "shaft" else -1
    land_radius = part.ball_pitch_circle_mm / 2 + facing * part.land_mm

    def above(angle: float) -> bool:
        u, h = np.array([u0 + radius * np.sin(angle)]), np.array([h0 - radius * np.cos(angle)])
        point = swept(part, u, h, np.zeros(1))
        return bool(facing * (np.hypot(point[1], point[2])[0] - land_radius) > 0)

    low, high = 0.0, np.pi / 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (low, middle) if above(sign * middle) else (middle, high)
    return sign * low


def _groove_sheets(part: Part, tip: float, side: float, nodes: int) -> list[tuple[Array, Array]]:
    """(x, z) of the tip on every sheet of the groove whose ball centre lies nearest x = 0 on this side."""
    t0 = 0.0 if side == TOP else np.pi
    sheets = []
    for sign, arc in zip((-1.0, 1.0), part.arcs(), strict=True):
        edge = _edge_angle(part, arc, sign)
        # A little beyond the root, so that both arcs overlap where the outer sheet is chosen.
        theta = np.linspace(-0.06 * sign, edge, nodes)
        if sign < 0:
            theta = theta[::-1]
        on_arc = partial(_tip_on_arc, part, arc, tip, theta)
        cut = _cross_plane(on_arc, np.full(nodes, t0))
        sheets.append(cut)
        if tip > 0:
            omega = np.radians(np.linspace(-85, 85, 400))
            u, h = arc[0] + arc[2] * np.sin(edge), arc[1] - arc[2] * np.cos(edge)
            on_edge = partial(_tip_on_edge, part, u, h, tip, omega)
            sheets.append(_cross_plane(on_edge, np.full(400, t0)))
    return sheets


def _tilt(x: Array, z: Array, cut: Cut) -> tuple[Array, Array]:
    tilt = np.radians(cut.axis_tilt_deg)
    return x * np.cos(tilt) - z * np.sin(tilt), x * np.sin(tilt) + z * np.cos(tilt) + cut.z_offset_mm


def _side_profile(part: Part, cut: Cut, side: float, nodes: int) -> tuple[Array, Array, Array]:
    """Recorded x and z of one side, and the ball centres' axial places on it."""
    # Grooves outside the trace reach into it with their edges and lands.
    margin = 2 * part.ball_diameter_mm
    first = int(np.floor((cut.x_start_mm - margin) / part.pitch_mm)) - 1
    last = int(np.ceil((cut.x_end_mm + margin) / part.pitch_mm)) + 1
    hand = 1 if part.hand == "right" else -1
    # Half a turn further the helix has risen by half a lead.
    turned = 0.0 if side == TOP else hand * part.lead_mm / 2
    sheets = _groove_sheets(part, cut.tip_radius_mm, side, nodes)
    # Which way is outward for the tip: up on a shaft's top, down in a nut's.
    facing = side * (1 if part.member == "shaft" else -1)
    land_radius = part.ball_pitch_circle_mm / 2 + facing * side * part.land_mm
    land_z = side * land_radius + facing * cut.tip_radius_mm
    x = np.arange(cut.x_start_mm, cut.x_end_mm, cut.spacing_mm)
    height = np.full(x.size, -np.inf)
    centres, land_from = [], None
    for k in range(first, last + 1):
        shift = k * part.pitch_mm + 1e-3 * part.index_error_um[k % part.starts % len(part.index_error_um)]
        centres.append(turned + shift)
        outer = [sheet[0][0] for sheet in sheets], [sheet[0][-1] for sheet in sheets]
        left_edge, right_edge = min(outer[0]) + shift, max(outer[1]) + shift
        pieces = [(xs + shift, zs) for xs, zs in sheets]
        if land_from is not None and left_edge > land_from:
            # The land's sheet reaches over the edge tubes a little less than they reach under it.
            reach = cut.tip_radius_mm
            xs = np.linspace(land_from - reach, left_edge + reach, 50)
            pieces.append((xs, np.full(50, land_z)))
        land_from = right_edge
        for xs, zs in pieces:
            _raise_to(height, x, *_tilt(xs, zs, cut), facing)
    return x, facing * height, np.asarray(centres)


def _raise_to(height: Array, x: Array, xs: Array, zs: Array, facing: float) -> None:
    """Lift the recorded height to a sheet where the sheet lies outside it."""
    low, high = np.searchsorted(x, [xs[0], xs[-1]])
    if high > low:
        # A spline: straight lines between the nodes would be off by some 0.1 nm.
        height[low:high] = np.maximum(height[low:high], facing * CubicSpline(xs, zs)(x[low:high]))


def section(part: Part, cut: Cut, *, nodes: int = 1200) -> Section:
    """The noise-free trace of a part. Interpolation error below 1e-9 mm with 1200 nodes an arc."""
    sides, xs, zs, centres = [], [], [], {}
    for side in cut.sides:
        x, z, where = _side_profile(part, cut, side, nodes)
        good = np.isfinite(z)
        sides.append(np.full(int(good.sum()), side))
        xs.append(x[good])
        zs.append(z[good])
        centres[side] = where
    return Section(np.concatenate(sides), np.concatenate(xs), np.concatenate(zs), centres)


def with_noise(trace: Section, noise_nm: float, seed: int) -> Section:
    """White noise in z."""
    noise = np.random.default_rng(seed).normal(0.0, noise_nm * 1e-6, trace.z_mm.size)
    return replace(trace, z_mm=trace.z_mm + noise)


def with_bump(trace: Section, side: float, x_mm: float, height_um: float, width_mm: float) -> Section:
    """A dust grain or burr that stands proud: a bell of the given height and half-width at x."""
    here = np.where(trace.side == side, 1.0, 0.0)
    bump = here * height_um * 1e-3 * np.exp(-(((trace.x_mm - x_mm) / width_mm) ** 2))
    return replace(trace, z_mm=trace.z_mm + side * bump)


def with_dropout(trace: Section, side: float, x_from_mm: float, x_to_mm: float) -> Section:
    """Samples that the gauge could not read."""
    gone = (trace.side == side) & (trace.x_mm >= x_from_mm) & (trace.x_mm < x_to_mm)
    return replace(trace, z_mm=np.where(gone, np.nan, trace.z_mm))


def main() -> None:
    """Write one invented trace as trace text."""
    trace = with_noise(section(Part(), Cut(spacing_mm=0.002, tip_radius_mm=0.02)), 20.0, 1)
    header = (
        "trace = 1",
        'kind = "axial"',
        'part = "DEMO-AXIAL"',
        'serial = "000001"',
        'feature = "profile"',
        "measured_at = 2026-01-01T00:00:00Z",
        "tip_radius_mm = 0.02",
        'remark = "invented data"',
    )
    out = sys.stdout
    out.writelines(f"# {line}\n" for line in header)
    out.write("side,x_mm,z_mm\n")
    for side, x, z in zip(trace.side, trace.x_mm, trace.z_mm, strict=True):
        out.write(f"{'top' if side > 0 else 'bottom'},{x:.6f},{z:.9f}\n")


if __name__ == "__main__":
    main()

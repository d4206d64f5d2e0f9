"""All grooves of a trace at once: axis, ball circle and normal planes found together.

To bring a groove into its normal plane one must know the ball circle; to know the ball circle one must have
seated the balls in the normal plane. The two are repeated in turn until they stand still: fit the axis through
the balls, map a thinned sample of every flank, take a robust step of its arc, seat the ball again. Start
is the ball that was rolled over the section as recorded. Derived here.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from edgeagent.analysis.axial.grooves import CleanSide
from edgeagent.analysis.axial.plane import THROUGH_AXIS, Plane
from edgeagent.analysis.axial.setup import Response, corrected_plane, groove_shapes, shape_response
from edgeagent.analysis.groove.arcs import gauss_newton_step
from edgeagent.analysis.groove.ball import ball_centre
from edgeagent.analysis.groove.helicoid import NormalPlane, to_axial, to_normal
from edgeagent.analysis.groove.pitch import Axis, fit_axis, fit_grid
from edgeagent.errors import FitNotConvergedError
from edgeagent.model import FloatArray, IntArray

# Three parameters, and some readings left over that tell their scatter (decided here).
MIN_FLANK_POINTS = 10
# Decides the cost of a round; the last places are taken from all points (`measuring`).
_SAMPLE = 160
_LARGE_SAMPLE = 6_400
"""Points of all left, or all right, flanks together."""
# The rolled ball is off by a fortieth of its radius: so many rounds bring flanks within their zones.
_FREE_ROUNDS = 4
# 6 to 10 are needed; a trace that takes more does not settle at all.
_MAX_ROUNDS = 60
# A thousandth of what matters for a pitch.
_SETTLED_MM = 1e-6
# Flanks of conformity up to 0.6 differ by less from a circle about the ball, lands and chamfers by more.
_SLOPE_GATE = np.radians(15.0)
# 95 % efficiency for normal noise (textbook).
_BISQUARE = 4.685
# 10 nm, less than any gauge scatters: without it a noise-free trace would be divided by 0.
_SCALE_FLOOR_MM = 1e-5
_SIGN = np.array([-1.0, 1.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Nominal:
    """What the recipe says of the groove, as the tip's centre sees it.

    ``ball_radius_mm`` and ``flank_radius_mm`` are less the tip radius. ``facing`` is +1 on a shaft, where the
    way out of the groove leads away from the axis, and -1 in a nut. The contact zone reaches from
    ``zone_deg[0]`` to ``zone_deg[1]``, seen from the ball's centre, from the root's direction. ``align`` False
    trusts the frame of the trace instead of fitting the axis' tilt. ``form_cutoff_mm`` parts form from texture.
    ``plane`` is the measuring plane to go by, None to find it.
    """

    ball_radius_mm: float
    flank_radius_mm: float
    tip_radius_mm: float
    contact_angle_deg: float
    zone_deg: tuple[float, float]
    facing: float
    starts: int
    lead_mm: float
    ball_circle_radius_mm: float
    align: bool = True
    form_cutoff_mm: float = 0.08
    plane: Plane | None = None

    @property
    def pitch_mm(self) -> float:
        return self.lead_mm / self.starts

    def arcs(self) -> FloatArray:
        """Nominal arcs (2, 3) about a ball at the origin."""
        alpha, gap = np.radians(self.contact_angle_deg), self.flank_radius_mm - self.ball_radius_mm
        return np.array(
            [[-sign * gap * np.sin(alpha), gap * np.cos(alpha), self.flank_radius_mm] for sign in _SIGN]
        )


@dataclass(frozen=True, slots=True)
class Frame:
    """Axis, lead and balls of all grooves; arrays of shape (n,).

    ``x_mm`` and ``z_mm`` are the balls' centres as recorded, ``along_mm`` and ``radius_mm`` the same along
    and from the axis, ``side`` the code of their side; ``number`` counts them on their side, ``start`` is the
    start that they belong to.
    """

    axis: Axis
    lead_mm: float
    x_mm: FloatArray
    z_mm: FloatArray
    side: FloatArray
    along_mm: FloatArray
    radius_mm: FloatArray
    number: IntArray
    start: IntArray


def make_frame(
    x_mm: FloatArray,
    z_mm: FloatArray,
    side: FloatArray,
    nominal: Nominal,
    *,
    height_uncertainty_mm: FloatArray | None = None,
    plane: Plane | None = None,
) -> Frame:
    """Axis and lead from ball centres as recorded; the nominal lead where no side holds two grooves."""
    if plane is None:
        given = nominal.plane or THROUGH_AXIS
        # The nominal lead does here: shift is multiplied by y/ρ, and the first fit replaces it.
        plane = replace(given, shift_mm=nominal.lead_mm / (2.0 * np.pi))
    axis = fit_axis(
        x_mm,
        z_mm,
        side,
        nominal_radius_mm=nominal.ball_circle_radius_mm,
        align=nominal.align,
        height_uncertainty_mm=height_uncertainty_mm,
        plane=plane,
    )
    along, across = axis.align_points(x_mm, z_mm)
    grid = fit_grid(along, side, pitch_mm=rough_pitch(along, side, nominal.pitch_mm), starts=nominal.starts)
    lead = nominal.lead_mm if grid.pitch_mm is None else grid.pitch_mm * nominal.starts
    return Frame(axis, lead, x_mm, z_mm, side, along, side * across, grid.number, grid.start)


def rough_pitch(along_mm: FloatArray, side: FloatArray, nominal_mm: float) -> float:
    """Median distance of found neighbours, missing grooves counted; the nominal pitch without neighbours."""
    # Grooves of one side follow one another; the step to the other side is no pitch.
    gaps = np.diff(along_mm)[np.diff(side) == 0.0]
    if gaps.size == 0:
        return nominal_mm
    # 1 at least: with a pitch below half the nominal one a gap would count as no pitch at all.
    return float(np.median(gaps / np.maximum(np.rint(gaps / nominal_mm), 1.0)))


def map_to_normal(
    x_mm: FloatArray,
    z_mm: FloatArray,
    frame: Frame,
    groove: IntArray | int,
    nominal: Nominal,
    shape: tuple[int, ...] = (),
) -> tuple[NormalPlane, FloatArray]:
    """Recorded points into the normal planes of their grooves; also h, away from the root.

    ``groove`` indexes the frame's arrays and is reshaped with ``shape`` to broadcast over the points.
    """
    side = np.reshape(frame.side[groove], shape)
    along, across = frame.axis.align_points(x_mm, z_mm)
    plane = to_normal(
        along - np.reshape(frame.along_mm[groove], shape),
        side * across,
        radius_mm=np.reshape(frame.radius_mm[groove], shape),
        lead_mm=frame.lead_mm,
    )
    return plane, nominal.facing * plane.v_mm


def zone_bounds(frame: Frame, nominal: Nominal, zone_deg: tuple[float, float]) -> FloatArray:
    """Recorded x (n, 2, 2) between which each flank (left, right) shows a zone of angles about the ball."""
    angle = np.radians(np.array(zone_deg))
    # On the ball rather than on the flank: they differ by the gap, some µm, which moves no bound noticeably.
    u = nominal.ball_radius_mm * np.sin(angle) * _SIGN[:, None]
    v = -nominal.facing * nominal.ball_radius_mm * np.cos(angle) * np.ones((2, 1))
    x, rho = to_axial(u, v, radius_mm=frame.radius_mm[:, None, None], lead_mm=frame.lead_mm)
    recorded, _ = frame.axis.recorded_points(frame.along_mm[:, None, None] + x, frame.side[:, None, None] * rho)
    # On the left flank the larger angle lies at the smaller x.
    return np.sort(recorded, axis=-1)


def index_bounds(bounds_mm: FloatArray, frame: Frame, sides: Mapping[float, CleanSide]) -> IntArray:
    """Indices into the side's samples for recorded x; same shape."""
    out = np.empty(bounds_mm.shape, dtype=np.int64)
    for code, trace in sides.items():
        here = frame.side == code
        out[here] = np.searchsorted(trace.x_mm, bounds_mm[here])
    return out


def seat_all(start: Frame, sides: Mapping[float, CleanSide], nominal: Nominal) -> tuple[Frame, FloatArray]:
    """Repeat axis, mapping, arcs, seat and measuring plane until the balls stand still.

    Parameters
    ----------
    start : Frame
        From the rolled ball; every groove must have at least MIN_FLANK_POINTS on each flank.
    sides : code of the side to its samples
    nominal : Nominal

    Returns
    -------
    Frame, arcs
        ``arcs`` of shape (n, 2, 3): robust arcs (u, h, radius) of the thinned flanks, mm.

    Raises
    ------
    FitNotConvergedError
        The balls still move by more than 1 nm after 60 rounds.
    """
    frame = start
    # Nominal arcs as a start: right but for some tens of µm, on whichever flank dust lies.
    arcs = np.broadcast_to(nominal.arcs(), (start.x_mm.size, 2, 3)).copy()
    groove = np.arange(start.x_mm.size)
    response = None
    size, large = _SAMPLE, max(_SAMPLE, _LARGE_SAMPLE // groove.size)
    for round_ in range(_MAX_ROUNDS):
        # Then the sample stays: points that come and go at the zone's ends would keep the balls moving.
        if round_ < _FREE_ROUNDS:
            picked = _pick(frame, sides, nominal, _SAMPLE)
        x, z = _gather(picked, frame, sides)
        plane, h = map_to_normal(x, z, frame, groove, nominal, (-1, 1, 1))
        gate = _slope_gate(plane.u_mm, h)
        arcs = _robust_step(plane.u_mm, h, gate, arcs)
        # At first the arcs are too far off for a seat, whose error is theirs times radius over gap.
        centre = _mid_flank_seat(arcs, nominal)
        if round_ >= _FREE_ROUNDS:
            seated = ball_centre(arcs, nominal.ball_radius_mm)
            # A groove in which no ball seats must not stop the others; `measure_groove` refuses it later.
            centre = np.where(np.isfinite(seated), seated, centre)
            # Once: it depends on the nominal groove and, hardly, on circle and lead, which are good by then.
            response = response or _response(frame, nominal)
        next_plane = _next_plane(frame, arcs, nominal, response)
        moved = _move_frame(frame, centre, nominal, next_plane)
        shift = max(
            np.max(np.abs(moved.x_mm - frame.x_mm)),
            np.max(np.abs(moved.z_mm - frame.z_mm)),
            abs(next_plane.offset_mm - frame.axis.plane.offset_mm),
            # A yaw as the length by which it moves the farthest groove sideways.
            float(np.max(np.abs(frame.along_mm))) * abs(next_plane.yaw_rad - frame.axis.plane.yaw_rad),
        )
        frame = moved
        # The next round maps about the new balls, so that arcs move with their origin.
        arcs[..., :2] -= centre[:, None, :]
        if not np.isfinite(shift):
            break
        # The last places are taken from all points later, so that these need no more than 10 nm.
        if round_ > _FREE_ROUNDS and shift < (_SETTLED_MM if size < large else 10.0 * _SETTLED_MM):
            if size == large:
                return frame, arcs
            # Places are found with few points; the plane that the sides must agree on deserves more.
            size = large
            picked = _pick(frame, sides, nominal, size)
    raise FitNotConvergedError("the balls seated in the grooves do not come to rest")


def _move_frame(frame: Frame, centre: FloatArray, nominal: Nominal, plane: Plane) -> Frame:
    """The frame after each ball went to (u, h) of its normal plane, seen in another measuring plane."""
    x, z = recorded_centres(frame, centre, nominal)
    return make_frame(x, z, frame.side, nominal, plane=plane)


def _response(frame: Frame, nominal: Nominal) -> Response:
    """How the shape of this part's grooves follows the measuring plane."""
    return shape_response(
        nominal.arcs(),
        ball_radius_mm=nominal.ball_radius_mm,
        zone_deg=nominal.zone_deg,
        facing=nominal.facing,
        radius_mm=float(np.mean(frame.radius_mm)),
        lead_mm=frame.lead_mm,
    )


def _next_plane(frame: Frame, arcs: FloatArray, nominal: Nominal, response: Response | None) -> Plane:
    """The measuring plane by the grooves as they are seen now; unchanged where they cannot show it."""
    if response is None or frame.axis.tilt_uncertainty_rad is None or nominal.plane is not None:
        # Without a tilt of its own, a tilted axis would be taken for an offset.
        return frame.axis.plane
    found = corrected_plane(
        replace(frame.axis.plane, shift_mm=frame.lead_mm / (2.0 * np.pi)),
        groove_shapes(arcs, nominal.ball_radius_mm),
        response=response,
        along_mm=frame.along_mm,
        side=frame.side,
        number=frame.number,
        start=frame.start,
        radius_mm=float(np.mean(frame.radius_mm)),
    )
    return frame.axis.plane if found is None else found


def recorded_centres(frame: Frame, centre: FloatArray, nominal: Nominal) -> tuple[FloatArray, FloatArray]:
    """Where points (u, h), shape (n, 2), of the grooves' normal planes lie in the trace."""
    # h leads away from the root; radially outward on a shaft, inward in a nut.
    x, rho = to_axial(
        centre[:, 0], nominal.facing * centre[:, 1], radius_mm=frame.radius_mm, lead_mm=frame.lead_mm
    )
    return frame.axis.recorded_points(frame.along_mm + x, frame.side * rho)


def _pick(frame: Frame, sides: Mapping[float, CleanSide], nominal: Nominal, most: int) -> IntArray:
    """Indices (n, 2, m) of a thinned sample of every flank's contact zone."""
    bounds = index_bounds(zone_bounds(frame, nominal, nominal.zone_deg), frame, sides)
    count = np.maximum(bounds[..., 1] - bounds[..., 0], 1)
    # One size for all flanks, so that all arcs are fitted in one array; the shortest flank decides.
    size = int(min(most, max(count.min(), MIN_FLANK_POINTS)))
    # Middles of equal parts: neither end of the zone is a sample of its own.
    share = (np.arange(size) + 0.5) / size
    return np.asarray(bounds[..., :1] + (count[..., None] * share).astype(np.int64))


def _gather(picked: IntArray, frame: Frame, sides: Mapping[float, CleanSide]) -> tuple[FloatArray, FloatArray]:
    x, z = np.empty(picked.shape), np.empty(picked.shape)
    for code, trace in sides.items():
        here = frame.side == code
        # A zone that reaches beyond the trace's end repeats its last sample, whose slope of 0 the gate takes
        # out.
        index = np.minimum(picked[here], trace.x_mm.size - 1)
        x[here], z[here] = trace.x_mm[index], trace.z_mm[index]
    return x, z


def _slope_gate(u_mm: FloatArray, h_mm: FloatArray) -> FloatArray:
    """1 where the profile runs as a flank about the ball does, 0 on lands, chamfers, burrs and grains.

    A flank is nearly concentric with the ball, so its slope equals the angle at which it is seen from the
    ball's centre, here the origin.
    """
    # Over five samples: between two neighbours texture alone may turn the slope by more than the gate.
    reach = 2
    du = u_mm[..., 2 * reach :] - u_mm[..., : -2 * reach]
    dh = h_mm[..., 2 * reach :] - h_mm[..., : -2 * reach]
    # Signs turn the left flank into a right one, so that one gate fits both.
    slope = np.arctan2(_SIGN[:, None] * dh, du)
    slope = np.concatenate([slope[..., :1]] * reach + [slope] + [slope[..., -1:]] * reach, axis=-1)
    seen = np.arctan2(_SIGN[:, None] * u_mm, -h_mm)
    return np.asarray(np.abs(slope - seen) < _SLOPE_GATE, dtype=np.float64)


def _robust_step(u_mm: FloatArray, h_mm: FloatArray, gate: FloatArray, arcs: FloatArray) -> FloatArray:
    """Two steps of a bisquare-weighted fit of every arc."""
    for _ in range(2):
        residual = np.hypot(u_mm - arcs[..., 0:1], h_mm - arcs[..., 1:2]) - arcs[..., 2:3]
        usable = np.maximum(gate.sum(-1), 1.0).astype(np.int64)
        # About the median: the radius of an early arc is off, and all points with it.
        residual = residual - _masked_median(residual, gate, usable)
        scale = 1.4826 * _masked_median(np.abs(residual), gate, usable)
        ratio = residual / (_BISQUARE * np.maximum(scale, _SCALE_FLOOR_MM))
        weight = gate * np.square(np.maximum(1.0 - ratio * ratio, 0.0))
        step, _, _ = gauss_newton_step(u_mm, h_mm, weight, arcs)
        # A flank without usable points keeps its arc, and is refused when it is measured.
        arcs = arcs + np.where(np.isfinite(step), step, 0.0)
    return arcs


def _masked_median(values: FloatArray, gate: FloatArray, usable: IntArray) -> FloatArray:
    """Median of the gated values along the last axis, which stays with length 1."""
    ordered = np.sort(np.where(gate > 0.0, values, np.inf), axis=-1)
    median = np.take_along_axis(ordered, (usable[..., None] - 1) // 2, axis=-1)
    return np.where(np.isfinite(median), median, 0.0)


def _mid_flank_seat(arcs: FloatArray, nominal: Nominal) -> FloatArray:
    """Ball that touches both arcs' points at the nominal contact angle: always there, good to some µm."""
    alpha = np.radians(nominal.contact_angle_deg)
    u = arcs[..., 0] + _SIGN * arcs[..., 2] * np.sin(alpha)
    h = arcs[..., 1] - arcs[..., 2] * np.cos(alpha)
    du, dh = u[:, 1] - u[:, 0], h[:, 1] - h[:, 0]
    square = du * du + dh * dh
    # 0 where the two points lie farther apart than a ball: then the ball stands midway, to go on with.
    lift = np.sqrt(np.maximum(nominal.ball_radius_mm**2 / square - 0.25, 0.0))
    return np.stack([u.mean(axis=1) - dh * lift, h.mean(axis=1) + du * lift], axis=-1)

"""One groove in its normal plane: arcs, seated ball, form, edges, root, nominal profile, roughness.

Works on the locus of the tip's centre. The tip is taken out in the normal plane: the locus of a concave arc is
an arc about the same centre, smaller by the tip radius. The normal of a helicoid leans out of the normal plane
wherever the profile's normal misses the ball's centre, by a ≈ torsion x lever; the distance from the profile
changes by tip radius x a² / 2 only, 0.06 nm at 25° lead angle with a 0.05 mm tip (derived here, measured in
tests/analysis/test_helicoid.py).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeagent.analysis.axial.defects import Stretch, flank_points, left_out_stretches
from edgeagent.analysis.axial.form import FlankForm
from edgeagent.analysis.axial.frame import MIN_FLANK_POINTS, Frame, Nominal, map_to_normal
from edgeagent.analysis.axial.grooves import CleanSide
from edgeagent.analysis.groove.arcs import DUST_FLOOR_MM, Arc, BoolArray, robust_arc
from edgeagent.analysis.groove.ball import ProfileSeat, Seat, root_gap, seat_on_arcs, seat_on_profile
from edgeagent.analysis.groove.helicoid import NormalPlane
from edgeagent.errors import AgentError, TraceShapeError
from edgeagent.model import FloatArray

# Form and texture reach this on a sound flank; below it, quiet traces would end at the first wave.
_EDGE_FLOOR_MM = 1e-3
# Of thousands of samples none may leave the arc by chance, and their texture is no normal noise.
_EDGE_NOISES = 8.0
# Single samples of a chamfer cross the arc's continuation; a run of this length does not.
_EDGE_RUN_MM = 0.01


@dataclass(frozen=True, slots=True)
class Flank:
    """One flank's points in the contact zone, with what was found there.

    ``u_mm`` and ``h_mm`` (n,) are the tip centre's locus. ``angle_deg`` (n,) is the angle from the root's
    direction, seen from the seated ball. ``edges_deg`` are the angles at which the arc ends toward the root
    and toward the land. ``deviation_um`` (n,) is the distance from the nominal profile about the seated
    ball, positive where material stands proud. ``surface`` (n,) are the points between the flank's ends: they
    are judged as read, whether the arc keeps them or not. ``doubtful`` are those of ``stretches`` that may be
    dust, and ``form`` the form after the cut-off; both need the other grooves (`measuring`).
    """

    arc: Arc
    u_mm: FloatArray
    h_mm: FloatArray
    angle_deg: FloatArray
    deviation_um: FloatArray
    edges_deg: tuple[float, float]
    surface: BoolArray
    stretches: tuple[Stretch, ...]
    doubtful: tuple[Stretch, ...] = ()
    form: FlankForm | None = None

    @property
    def length_mm(self) -> FloatArray:
        """Place of each point along the arc, (n,), from small to large x."""
        # From the arc's lowest point, so that no flank comes near the jump of the arc tangent.
        turn = np.arctan2(self.u_mm - self.arc.x_mm, self.arc.y_mm - self.h_mm)
        return np.asarray(self.arc.radius_mm * turn)

    @property
    def dust(self) -> BoolArray:
        """Points (n,) that may be dust, skirts included."""
        found = np.zeros(self.u_mm.size, dtype=bool)
        for s in self.doubtful:
            found[s.first : s.last] = True
        return found

    @property
    def judged(self) -> BoolArray:
        """Points (n,) of the flank that are certainly its surface."""
        return np.asarray(self.surface & ~self.dust)

    @property
    def reading_scatter_um(self) -> float:
        """Standard deviation of a single kept point, robustly, from second differences.

        What bends slowly from point to point drops out; texture of a few points' length counts in full. 1.4826
        turns the median of absolute values into a standard deviation for normal noise, sqrt(6) is what the
        weights 1, -2, 1 do to it. 0 below 4 points.
        """
        residual = self.arc.residual_mm[self.arc.kept]
        if residual.size < 4:
            return 0.0
        return float(1.4826 * np.median(np.abs(np.diff(residual, 2))) / np.sqrt(6.0)) * 1e3

    def deviation_uncertainty_um(self, seat: Seat, doubt_um: float) -> float:
        """Upper bound of the standard uncertainty of a deviation: one reading, and the place of the ball.

        Of the amount: which of two nearly equal extremes, one of each sign, is the larger one is chance.
        ``doubt_um`` is what the value owes to points that may be dust: it counts in full.
        """
        # The nominal profile hangs on the seated ball; a flank's normal lies between u and h, so the larger one
        # bounds.
        ball_mm = max(seat.uncertainty["centre_u_mm"], seat.uncertainty["centre_h_mm"])
        return float(np.hypot(np.hypot(self.reading_scatter_um, ball_mm * 1e3), doubt_um))

    def edge_uncertainty_mm(self, tip_radius_mm: float) -> float:
        """Standard uncertainty of where the arc ends, along the arc, about the true edge (derived here).

        The last sample lies anywhere within a step before the edge, step / sqrt(3); a tip that turns about the
        edge leaves the arc by what is taken for noise, d, only sqrt(2 r d) behind it.
        """
        # Steps are even in x: a step along the arc is 1/cos longer, endless at 90°, where no sample lies.
        outer = np.radians(min(self.edges_deg[1], 85.0))
        # Outermost edge alone: the margin of the contact ellipse is mostly the one towards the land.
        step = float(np.median(np.abs(np.diff(self.u_mm))) / np.cos(outer))
        return float(np.hypot(step / np.sqrt(3.0), np.sqrt(2.0 * tip_radius_mm * _edge_noise_mm(self.arc))))

    @property
    def dust_share(self) -> float:
        """Share of the zone's points that may be dust and stand off by more than the dust floor."""
        # A stretch has clean skirts: with them a grain would count for more than it covers.
        off = self.dust & (np.abs(self.arc.residual_mm) > DUST_FLOOR_MM)
        return float(np.count_nonzero(off)) / off.size

    @property
    def land_share(self) -> float:
        """Share of the zone's points beyond the flank's ends."""
        return 1.0 - float(np.count_nonzero(self.surface)) / self.surface.size

    def worst_deviation(self) -> tuple[float, float, float]:
        """Deviation of largest amount from the nominal profile as read, um with its sign; its angle in deg;
        and by how much its amount would be smaller without the points that may be dust.
        """
        deviation, angle = self.deviation_um[self.surface], self.angle_deg[self.surface]
        worst = int(np.argmax(np.abs(deviation)))
        sound = self.deviation_um[self.judged]
        doubt = abs(float(deviation[worst])) - float(np.max(np.abs(sound), initial=0.0))
        return float(deviation[worst]), float(angle[worst]), doubt

    def band_excess(self, band_um: tuple[float, float]) -> tuple[float, float]:
        """How far the profile as read leaves a band about the nominal one, um, negative inside it; and by how
        much less without the points that may be dust.
        """
        found = [
            max(float(np.max(d - band_um[1])), float(np.max(band_um[0] - d)))
            for d in (self.deviation_um[self.surface], self.deviation_um[self.judged])
            if d.size
        ]
        # The last one is the first itself where all points may be dust: no doubt can be told apart then.
        return found[0], found[0] - found[-1]


@dataclass(frozen=True, slots=True)
class Groove:
    """One groove: left and right flank, the ball seated on arcs and on the profile, and the root."""

    seat: Seat
    profile_seat: ProfileSeat | None
    left: Flank
    right: Flank
    root_clearance_um: float | None
    root_uncertainty_um: float | None
    remarks: tuple[str, ...]

    @property
    def flanks(self) -> tuple[Flank, Flank]:
        """Left and right."""
        return self.left, self.right


def measure_groove(
    trace: CleanSide,
    frame: Frame,
    groove: int,
    arcs: FloatArray,
    nominal: Nominal,
    *,
    zone: FloatArray,
    reach: FloatArray,
    construction: str,
) -> Groove:
    """Measure one groove on all its points.

    Parameters
    ----------
    trace, frame, groove :
        The side's samples, and which ball of the frame.
    arcs : shape (2, 3), mm
        Start arcs from `frame.seat_all`.
    zone, reach : shapes (2, 2), integer
        Index bounds of both contact zones, and of the stretch on which edges and root are looked for.
    construction : str
        Of the groove's axis, see `ball.seat_measures`.

    Raises
    ------
    TraceShapeError, TraceRangeError, FitNotConvergedError
        Too few points on a flank, no one arc, or no seat for the ball; the message says which.
    """
    # From edge to edge through the root, mapped once; both zones and the root are parts of it.
    first, last = int(reach.min()), int(reach.max())
    plane, h = map_to_normal(trace.x_mm[first:last], trace.z_mm[first:last], frame, groove, nominal)
    gain = _gain(plane, h, frame, groove, nominal, arcs)
    fitted = []
    for flank, name in enumerate(("left", "right")):
        a, b = int(zone[flank, 0]) - first, int(zone[flank, 1]) - first
        # Asked again: the frame has moved since the points were counted, and the bounds with it.
        if b - a < MIN_FLANK_POINTS:
            raise TraceShapeError(f"the {name} flank has {max(b - a, 0)} points; {MIN_FLANK_POINTS} are needed")
        start = (float(arcs[flank, 0]), float(arcs[flank, 1]), float(arcs[flank, 2]))
        arc = robust_arc(plane.u_mm[a:b], h[a:b], gain=gain[flank, a:b], start=start)
        fitted.append((arc, a, b))
    circles = np.array([[arc.x_mm, arc.y_mm, arc.radius_mm] for arc, _, _ in fitted])
    # Both flanks share no sample, so that their arcs are independent.
    covariances = np.array([arc.covariance for arc, _, _ in fitted])
    seat = seat_on_arcs(circles, covariances, nominal.ball_radius_mm, construction)
    left, right = (
        _flank(arc, plane.u_mm, h, (a, b), seat, nominal, sign)
        for (arc, a, b), sign in zip(fitted, (-1.0, 1.0), strict=True)
    )
    remarks: list[str] = []
    profile_seat = _profile_seat(left, right, nominal, remarks)
    clearance = _root(plane.u_mm, h, seat, nominal, remarks)
    return Groove(seat, profile_seat, left, right, *clearance, tuple(remarks))


def _gain(
    plane: NormalPlane, h: FloatArray, frame: Frame, groove: int, nominal: Nominal, arcs: FloatArray
) -> FloatArray:
    """Distance from each arc (2, n) per unit of noise in the recorded z."""
    # Noise is in z as recorded: a tilted axis sees a part of it along, and on the bottom z points to the axis.
    along, across = np.sin(frame.axis.tilt_rad), frame.side[groove] * np.cos(frame.axis.tilt_rad)
    du = plane.du_dx * along + plane.du_drho * across
    dh = nominal.facing * (plane.dv_dx * along + plane.dv_drho * across)
    nu, nh = plane.u_mm - arcs[:, 0:1], h - arcs[:, 1:2]
    # Projected on the arc's normal: what moves a point along the arc costs nothing.
    return np.asarray(np.abs(nu * du + nh * dh) / np.sqrt(nu * nu + nh * nh))


def _flank(
    arc: Arc,
    u: FloatArray,
    h: FloatArray,
    zone: tuple[int, int],
    seat: Seat,
    nominal: Nominal,
    sign: float,
) -> Flank:
    a, b = zone
    alpha, gap = np.radians(nominal.contact_angle_deg), nominal.flank_radius_mm - nominal.ball_radius_mm
    # Centre of the nominal arc about the ball as it is seated: beyond the ball's centre, away from the contact.
    from_u = u[a:b] - (seat.centre_u_mm - sign * gap * np.sin(alpha))
    from_h = h[a:b] - (seat.centre_h_mm + gap * np.cos(alpha))
    angle = sign * np.degrees(np.arctan2(u[a:b] - seat.centre_u_mm, seat.centre_h_mm - h[a:b]))
    edges = _edges(arc, u, h, seat, sign)
    surface = flank_points(arc, angle, edges, _edge_noise_mm(arc))
    # Form and dust are told from these points; without one, later steps would find empty arrays.
    if not np.any(surface & arc.kept):
        raise TraceShapeError("no point of a flank lies between its ends")
    return Flank(
        arc=arc,
        u_mm=u[a:b],
        h_mm=h[a:b],
        angle_deg=angle,
        deviation_um=(nominal.flank_radius_mm - np.sqrt(from_u * from_u + from_h * from_h)) * 1e3,
        edges_deg=edges,
        surface=surface,
        stretches=left_out_stretches(arc, angle, surface),
    )


def _edge_noise_mm(arc: Arc) -> float:
    """Distance from the arc up to which a sample follows it."""
    return max(_EDGE_FLOOR_MM, _EDGE_NOISES * arc.noise_mm)


def _edges(arc: Arc, u: FloatArray, h: FloatArray, seat: Seat, sign: float) -> tuple[float, float]:
    """Angles at which the profile leaves the arc: toward the root (0 at least) and toward the land.

    The outermost stretch that follows the arc ends at the land: a grain on the flank leaves the
    arc too, but the profile comes back behind it.
    """
    # Beyond the ball's middle lies the other flank, which may meet this arc's continuation.
    here = sign * (u - seat.centre_u_mm) > 0.0
    uf, hf = (u[here], h[here]) if sign > 0 else (u[here][::-1], h[here][::-1])
    from_u, from_h = uf - arc.x_mm, hf - arc.y_mm
    close = np.abs(np.sqrt(from_u * from_u + from_h * from_h) - arc.radius_mm) < _edge_noise_mm(arc)
    # Median: a bridged gap of missing samples must not shorten the run.
    spacing = float(np.median(np.abs(np.diff(uf)))) if uf.size > 1 else _EDGE_RUN_MM
    # At least three samples, so that coarse traces do not take one stray sample for flank.
    run = max(3, round(_EDGE_RUN_MM / max(spacing, 1e-6)))
    total = np.concatenate([[0], np.cumsum(close)])
    if close.size < run:
        return 0.0, 0.0
    # Windows in which every sample follows the arc.
    whole = np.flatnonzero(total[run:] - total[:-run] == run)
    if whole.size == 0:
        return 0.0, 0.0
    ends = np.array([whole[0], whole[-1] + run - 1])
    inner, outer = np.degrees(np.arctan2(sign * (uf[ends] - seat.centre_u_mm), seat.centre_h_mm - hf[ends]))
    return max(float(inner), 0.0), float(outer)


def _profile_seat(left: Flank, right: Flank, nominal: Nominal, remarks: list[str]) -> ProfileSeat | None:
    """The ball on the profile itself, dust left out."""
    # A ball rests on the highest point there is: a grain that the arc leaves out would carry it.
    points = [np.stack([f.u_mm[f.arc.kept], f.h_mm[f.arc.kept]]) for f in (left, right)]
    try:
        return seat_on_profile(points[0], points[1], nominal.ball_radius_mm)
    except AgentError as error:
        remarks.append(f"no ball rests on the profile: {error}")
        return None


def _root(
    u: FloatArray, h: FloatArray, seat: Seat, nominal: Nominal, remarks: list[str]
) -> tuple[float | None, float | None]:
    """Root clearance and its standard uncertainty, um; the seat's height counts in full."""
    try:
        gap, spread = root_gap(
            u,
            h,
            (seat.centre_u_mm, seat.centre_h_mm),
            ball_radius_mm=nominal.ball_radius_mm,
            axis_turn_deg=seat.axis_turn_deg,
            cutoff_mm=nominal.form_cutoff_mm,
        )
    except TraceShapeError as error:
        remarks.append(f"no root clearance: {error}")
        return None, None
    # Flanks and root hardly share a sample: their errors are independent.
    return gap * 1e3, float(np.hypot(spread, seat.uncertainty["centre_h_mm"])) * 1e3


def even_residual(flank: Flank) -> tuple[FloatArray, float]:
    """The kept residual of a flank at even steps of arc length, um and mm; positive where material is proud.

    The axis of the profile runs from small to large x. Left-out stretches are bridged by a straight line.
    Steps are the median step of the flank, so that nothing shorter than a sample's width is invented.
    """
    kept = flank.arc.kept
    length = flank.length_mm[kept]
    order = np.argsort(length, kind="stable")
    length, residual = length[order], flank.arc.residual_mm[kept][order]
    spacing = float(np.median(np.diff(length)))
    even = np.arange(length[0], length[-1], spacing)
    # Residuals count away from the arc's centre, so into the material of a concave flank: hence the sign.
    return -np.interp(even, length, residual) * 1e3, spacing

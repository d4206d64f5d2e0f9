"""The nominal ball in a groove: seated on two arcs or on the measured points, and what follows from it.

All in the normal plane with u across the groove (along the part's axis, to the right) and h away from the
groove's root: h is the radial direction on a shaft and its opposite in a nut. Tip radius: with the locus of the
tip's centre instead of the surface, use arc radii and ball radius less the tip radius; centres, angles
and gaps come out the same.

Source of the relations: gothic-arch geometry, derived here; sensitivities against a table of their closed
forms in tests/analysis/test_ball.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeagent.analysis.texture.filters import gaussian_density
from edgeagent.errors import FitNotConvergedError, TraceRangeError, TraceShapeError
from edgeagent.model import FloatArray

CONSTRUCTIONS = ("radial-through-ball", "contact-normals", "arc-centres")
"""How the groove's axis is found; see `seat_measures`."""

# 1 nm on some mm: cut-off error and rounding (1e-16 · 1 mm / 1 nm) are both below 1e-6.
_STEP_MM = 1e-6


@dataclass(frozen=True, slots=True)
class Seat:
    """The ball seated on two arcs. ``uncertainty`` holds the standard uncertainties under the same names.

    ``centre_u_mm`` and ``centre_h_mm`` is the ball's centre; contact angles are counted from the groove's
    axis, positive on each side; ``separation_mm`` is the distance of the arc centres across the groove;
    heights are those of the arc centres over the ball's centre, away from the root.
    """

    centre_u_mm: float
    centre_h_mm: float
    contact_angle_left_deg: float
    contact_angle_right_deg: float
    separation_mm: float
    height_left_mm: float
    height_right_mm: float
    axis_turn_deg: float
    uncertainty: dict[str, float]


MEASURES = (
    "centre_u_mm",
    "centre_h_mm",
    "contact_angle_left_deg",
    "contact_angle_right_deg",
    "separation_mm",
    "height_left_mm",
    "height_right_mm",
    "axis_turn_deg",
)


def ball_centre(arcs: FloatArray, ball_radius_mm: float) -> FloatArray:
    """Centre of the ball that touches both arcs from inside, closed form.

    Parameters
    ----------
    arcs : shape (..., 2, 3), mm
        Left and right arc as (u, h, radius).
    ball_radius_mm : mm

    Returns
    -------
    shape (..., 2), mm
        The deeper of the two solutions; NaN where the ball does not touch both arcs (a radius not greater
        than the ball's, or centres so far apart that the ball falls through).
    """
    reach = arcs[..., 2] - ball_radius_mm
    left, right = arcs[..., 0, :2], arcs[..., 1, :2]
    across = left - right
    square = (across * across).sum(-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        # Along the line from the right to the left arc's centre, in shares of its length.
        share = (reach[..., 1] ** 2 - reach[..., 0] ** 2 + square) / (2.0 * square)
        depth = np.sqrt(reach[..., 1] ** 2 / square - share * share)
    # The perpendicular that points to smaller h when the left arc's centre lies to the right.
    turned = np.stack([across[..., 1], -across[..., 0]], axis=-1)
    centre = right + share[..., None] * across + depth[..., None] * turned
    # Left centre right of the right one: a groove; else the two arcs form a ridge, which holds no ball.
    possible = np.all(reach > 0.0, axis=-1) & (across[..., 0] > 0.0)
    return np.where(possible[..., None], centre, np.nan)


def seat_measures(
    arcs: FloatArray, ball_radius_mm: float, construction: str = "radial-through-ball"
) -> FloatArray:
    """All that follows from seating the ball on two arcs, for many grooves at once.

    Parameters
    ----------
    arcs : shape (..., 2, 3), mm
        Left and right arc as (u, h, radius).
    ball_radius_mm : mm
    construction : one of CONSTRUCTIONS
        The groove's axis runs through the seated ball's centre, and ``radial-through-ball``: perpendicular
        to the part's axis; ``contact-normals``: it bisects the two contact normals, so that both contact
        angles are equal; ``arc-centres``: perpendicular to the line through the arc centres.

    Returns
    -------
    shape (..., 8)
        In the order of MEASURES; NaN where the ball does not touch both arcs.
    """
    if construction not in CONSTRUCTIONS:
        raise TraceRangeError(f"unknown construction {construction!r}; expected one of {CONSTRUCTIONS}")
    centre = ball_centre(arcs, ball_radius_mm)
    to_arcs = arcs[..., :2] - centre[..., None, :]
    # A contact lies opposite to its arc's centre, seen from the ball.
    angle_left = np.arctan2(to_arcs[..., 0, 0], to_arcs[..., 0, 1])
    angle_right = np.arctan2(-to_arcs[..., 1, 0], to_arcs[..., 1, 1])
    across = to_arcs[..., 0, :] - to_arcs[..., 1, :]
    if construction == "contact-normals":
        # Half the difference on either side makes the two angles equal.
        turn = (angle_right - angle_left) / 2.0
    elif construction == "arc-centres":
        turn = np.arctan2(across[..., 1], across[..., 0])
    else:
        turn = np.zeros_like(angle_left)
    sine, cosine = np.sin(turn), np.cos(turn)
    heights = to_arcs[..., 1] * cosine[..., None] - to_arcs[..., 0] * sine[..., None]
    return np.stack(
        [
            centre[..., 0],
            centre[..., 1],
            np.degrees(angle_left + turn),
            np.degrees(angle_right - turn),
            np.abs(across[..., 0] * cosine + across[..., 1] * sine),
            heights[..., 0],
            heights[..., 1],
            np.degrees(turn),
        ],
        axis=-1,
    )


def seat_jacobian(arcs: FloatArray, ball_radius_mm: float, construction: str) -> FloatArray:
    """Derivatives (8, 6) of MEASURES by (u, h, radius) of left and right arc, by central differences."""
    steps = np.zeros((6, 2, 3))
    steps.reshape(6, 6)[np.arange(6), np.arange(6)] = _STEP_MM
    ahead = seat_measures(arcs + steps, ball_radius_mm, construction)
    behind = seat_measures(arcs - steps, ball_radius_mm, construction)
    return np.asarray((ahead - behind).T / (2.0 * _STEP_MM))


def seat_on_arcs(
    arcs: FloatArray,
    covariances: FloatArray,
    ball_radius_mm: float,
    construction: str = "radial-through-ball",
) -> Seat:
    """Seat the ball on one groove's arcs and carry their uncertainty through.

    Parameters
    ----------
    arcs, covariances : shapes (2, 3) and (2, 3, 3)
        Left and right arc as (u, h, radius), mm, and their covariances, mm²; the two are independent.

    Raises
    ------
    TraceRangeError
        The ball does not touch both arcs.

    Notes
    -----
    Sensitivity grows as 1 / (arc radius - ball radius): at a track conformity of 0.52 and 4 mm balls one
    micrometre of arc centre turns the contact by one degree.
    """
    measures = seat_measures(arcs, ball_radius_mm, construction)
    if not np.all(np.isfinite(measures)):
        raise TraceRangeError(
            f"a ball of {2 * ball_radius_mm:.4f} mm does not seat on both flanks of radius "
            f"{arcs[0, 2]:.4f} and {arcs[1, 2]:.4f} mm with centres {arcs[0, 0] - arcs[1, 0]:.4f} mm apart"
        )
    jacobian = seat_jacobian(arcs, ball_radius_mm, construction)
    variance = np.einsum("ij,jk,ik->i", jacobian[:, :3], covariances[0], jacobian[:, :3])
    variance += np.einsum("ij,jk,ik->i", jacobian[:, 3:], covariances[1], jacobian[:, 3:])
    spread = {name: float(np.sqrt(max(v, 0.0))) for name, v in zip(MEASURES, variance, strict=True)}
    u, h, left, right, separation, height_left, height_right, turn = (float(m) for m in measures)
    return Seat(u, h, left, right, separation, height_left, height_right, turn, uncertainty=spread)


@dataclass(frozen=True, slots=True)
class ProfileSeat:
    """The ball at rest on measured points: its centre and the two contact points, mm; angles from h."""

    centre_u_mm: float
    centre_h_mm: float
    contact_left_mm: tuple[float, float]
    contact_right_mm: tuple[float, float]
    contact_angle_left_deg: float
    contact_angle_right_deg: float


def seat_on_profile(left: FloatArray, right: FloatArray, ball_radius_mm: float) -> ProfileSeat:
    """The ball that rests on the highest point of each flank; needs no arc.

    Parameters
    ----------
    left, right : shapes (2, n) and (2, m), mm
        Points (u, h) of the two flanks, dust left out.
    ball_radius_mm : mm

    Raises
    ------
    TraceShapeError
        A flank has no point.
    TraceRangeError
        The flanks are farther apart than the ball's diameter.
    FitNotConvergedError
        No rest position was found.

    Notes
    -----
    Moving the ball to the right lifts it on the right flank and lowers it on the left one, so the position
    at which both ask for the same height is unique. Pairs of touching points are exchanged until no point
    lies inside the ball; bisection takes over where an exchange leaves the bracket.
    """
    if left.shape[1] == 0 or right.shape[1] == 0:
        raise TraceShapeError("a flank has no point on which a ball could rest")
    middle = (float(left[0, -1]) + float(right[0, 0])) / 2.0
    # Right of all left points and left of all right ones, but near enough to reach both with the ball.
    low = max(float(left[0].max()), float(right[0].max()) - ball_radius_mm)
    # Flanks that overlap (a nearly closed groove) would turn the bracket round; the middle always lies within.
    low, high = min(low, middle), max(min(float(right[0].min()), left[0].min() + ball_radius_mm), middle)
    at = middle
    for _ in range(200):
        i, height_left = _rest(left, at, ball_radius_mm)
        j, height_right = _rest(right, at, ball_radius_mm)
        # 0.01 pm: at the last digits the pair of points does not change any more.
        if abs(height_left - height_right) < 1e-11 or high - low < 1e-13:
            return _profile_seat(left[:, i], right[:, j], at, max(height_left, height_right))
        low, high = (at, high) if height_left > height_right else (low, at)
        # The exact seat on these two points; right at once if no other point of a flank carries the ball there.
        proposed = _between(left[:, i], right[:, j], ball_radius_mm)
        at = proposed if low < proposed < high else (low + high) / 2.0
    raise FitNotConvergedError("no position was found in which a ball rests on both flanks")


def _rest(points: FloatArray, at_mm: float, radius_mm: float) -> tuple[int, float]:
    """Which point carries the ball at this place across the groove, and the height of its centre."""
    under = radius_mm * radius_mm - np.square(points[0] - at_mm)
    height = np.where(under > 0.0, points[1] + np.sqrt(np.maximum(under, 0.0)), -np.inf)
    best = int(np.argmax(height))
    # No point lies under the ball: it would fall through.
    if not np.isfinite(height[best]):
        raise TraceRangeError("the flanks of the groove are farther apart than the ball is wide")
    return best, float(height[best])


def _between(p: FloatArray, q: FloatArray, radius_mm: float) -> float:
    """Where across the groove a ball touches two points, lying above them; NaN if it falls through."""
    du, dh = float(q[0] - p[0]), float(q[1] - p[1])
    square = du * du + dh * dh
    free = radius_mm * radius_mm - square / 4.0
    if free <= 0.0 or square == 0.0:
        return float("nan")
    return float((p[0] + q[0]) / 2.0 - dh * np.sqrt(free / square))


def _profile_seat(p: FloatArray, q: FloatArray, u_mm: float, h_mm: float) -> ProfileSeat:
    return ProfileSeat(
        centre_u_mm=u_mm,
        centre_h_mm=h_mm,
        contact_left_mm=(float(p[0]), float(p[1])),
        contact_right_mm=(float(q[0]), float(q[1])),
        contact_angle_left_deg=float(np.degrees(np.arctan2(u_mm - p[0], h_mm - p[1]))),
        contact_angle_right_deg=float(np.degrees(np.arctan2(q[0] - u_mm, h_mm - q[1]))),
    )


def root_gap(
    u_mm: FloatArray,
    h_mm: FloatArray,
    centre: tuple[float, float],
    *,
    ball_radius_mm: float,
    axis_turn_deg: float = 0.0,
    cutoff_mm: float = 0.08,
) -> tuple[float, float]:
    """Gap between the seated ball and the groove's root, on the groove's axis.

    Parameters
    ----------
    u_mm, h_mm : shape (n,), mm
        Profile about the root (locus of the tip's centre with the reduced ball radius, or surface).
    centre : mm
        The seated ball's centre.
    cutoff_mm : mm
        Wavelength that the Gaussian filter halves. Sparse profiles get up to twice that, until eight points lie
        on each side within one cut-off.

    Returns
    -------
    gap_mm, standard uncertainty in mm
        A line is laid through the gap on each side of the axis with the filter's weights (the straight ends of
        ISO 16610-28) and read on the axis; the mean of the two is the gap, so that the cusp of a gothic arch is
        neither cut nor exaggerated by noise. The uncertainty is that of readings without common texture.
        Curvature costs less than 10 nm at a difference of arc and ball radius of 0.1 mm.

    Raises
    ------
    TraceShapeError
        Fewer than four points on a side of the axis within two cut-offs.
    """
    du, dh = u_mm - centre[0], h_mm - centre[1]
    # What is certainly too far need not be looked at closely, wherever the axis points.
    far = (
        2.0 * cutoff_mm + ball_radius_mm * abs(float(np.sin(np.radians(axis_turn_deg)))) + 0.1 * ball_radius_mm
    )
    near_axis = np.abs(du) < far
    du, dh = du[near_axis], dh[near_axis]
    angle = np.degrees(np.arctan2(du, -dh)) - axis_turn_deg
    gap = np.hypot(du, dh) - ball_radius_mm
    length = np.radians(angle) * ball_radius_mm
    values, variances = [], []
    for sign in (-1.0, 1.0):
        away = sign * length
        near = np.sort(away[(away > 0.0) & (away <= 2.0 * cutoff_mm)])
        if near.size < 4:
            raise TraceShapeError(f"fewer than four points within {2 * cutoff_mm:g} mm of the groove's root")
        # The eighth nearest point, where there are so many.
        width = max(cutoff_mm, float(near[min(7, near.size - 1)]))
        here = (away > 0.0) & (away <= width)
        value, variance = _line_at_zero(away[here], gap[here], gaussian_density(away[here], width))
        values.append(value)
        variances.append(variance)
    return (values[0] + values[1]) / 2.0, float(np.sqrt(variances[0] + variances[1]) / 2.0)


def _line_at_zero(x: FloatArray, y: FloatArray, weight: FloatArray) -> tuple[float, float]:
    """A weighted straight line read at x = 0, with its variance; readings far off are left out once."""
    for last in (False, True):
        if float(np.ptp(x)) == 0.0:
            raise TraceShapeError("the points about the groove's root do not span any width")
        total = float(weight.sum())
        at_zero = line_weights(x, weight)
        value = float(at_zero @ y)
        # The second normal equation, with the intercept put in.
        slope = float((weight * x) @ (y - value)) / float(weight @ np.square(x))
        residual = y - value - slope * x
        scale = 1.4826 * float(np.median(np.abs(residual)))
        # 5 nm at least: on a noise-free profile the scale is 0 and all points would go.
        good = np.abs(residual) <= max(5.0 * scale, 5e-6)
        if last or np.all(good) or np.count_nonzero(good) < 4:
            break
        x, y, weight = x[good], y[good], weight[good]
    # Two parameters take more than two points' worth where the weights are uneven: effective numbers count.
    free = max(total * total / float(weight @ weight) - 2.0, 1.0)
    # Scatter of one reading; the weights tell importance, not precision, so that readings count alike in it.
    variance = float(weight @ np.square(residual)) / total * (free + 2.0) / free
    return value, variance * float(at_zero @ at_zero)


def line_weights(x: FloatArray, weight: FloatArray) -> FloatArray:
    """Weights of the readings at ``x`` (n,) in a weighted straight line's value at 0; they sum to 1."""
    zeroth, first, second = (float(weight @ x**p) for p in range(3))
    return np.asarray(weight * (second - first * x) / (zeroth * second - first * first))

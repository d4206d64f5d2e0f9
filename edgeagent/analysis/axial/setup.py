"""How the measuring plane lies beside the axis, from grooves that contradict one another.

A plane beside the axis shears the section of each groove (`plane`), on the top side one way and on the bottom
the other. Contact angles and radii of left and right flanks then differ between the sides as no thread's do.
By the least noisy combination of the four, each groove shows the plane's distance from the axis where it lies.
With three grooves and more on either side a yaw shows twice: in those distances, and as a pitch that is longer
on one side than on the other, which no rigid helix has. The two are weighted by what each scatters. Derived
here.

A part whose profile truly differs between two places half a turn apart is taken for an offset; what the offset
then takes out of its angles is this difference.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeagent.analysis.axial.plane import Plane
from edgeagent.analysis.groove.arcs import gauss_newton_step
from edgeagent.analysis.groove.ball import seat_jacobian, seat_measures
from edgeagent.analysis.groove.helicoid import to_axial, to_normal
from edgeagent.model import SIDE_TOP, FloatArray, IntArray

MIN_GROOVES = 3
"""Of both sides together, for an offset: one more than it takes, so that its scatter is seen."""
MIN_GROOVES_YAW = 3
"""Of each side."""
# Of the size that occurs. The response bends, which the repeated search for the plane takes up.
_STEP_MM = 0.02
# The nominal flank is smooth, so that more points would change nothing.
_POINTS = 40
# Gauss-Newton from the nominal arc: three steps settle to the last digit.
_SETTLE = 4
# Robust standard deviations, as in `arcs`.
_OUTLIER = 5.0


@dataclass(frozen=True, slots=True)
class Response:
    """Weights (4,) that turn a groove's shape into the plane's distance from the axis, mm, on the top side."""

    weights: FloatArray


def groove_shapes(arcs: FloatArray, ball_radius_mm: float) -> FloatArray:
    """Contact angles in deg and radii in mm, left and right, of arcs (n, 2, 3); shape (n, 4)."""
    seat = seat_measures(arcs, ball_radius_mm)
    return np.concatenate([seat[..., 2:4], arcs[..., 2]], axis=-1)


def shape_response(
    arcs: FloatArray,
    *,
    ball_radius_mm: float,
    zone_deg: tuple[float, float],
    facing: float,
    radius_mm: float,
    lead_mm: float,
) -> Response:
    """How a groove's shape follows the plane's distance from the axis, by finite differences.

    ``arcs`` (2, 3) are those of the groove about the ball at the origin, the rest as in `frame.Nominal`.
    """
    angle = np.radians(np.linspace(*zone_deg, _POINTS)) * np.array([[-1.0], [1.0]])
    # Angles about the ball as angles about the arc's own centre, from the sine rule.
    turn = angle - np.arcsin(
        arcs[:, :1] * np.cos(angle) / arcs[:, 2:3] + arcs[:, 1:2] * np.sin(angle) / arcs[:, 2:3]
    )
    u, h = arcs[:, :1] + arcs[:, 2:3] * np.sin(turn), arcs[:, 1:2] - arcs[:, 2:3] * np.cos(turn)
    x, rho = to_axial(u, facing * h, radius_mm=radius_mm, lead_mm=lead_mm)
    shapes, cofactor = [], np.zeros((2, 3, 3))
    for beside in (_STEP_MM, -_STEP_MM):
        plane = Plane(beside, 0.0, lead_mm / (2.0 * np.pi))
        at, across = plane.recorded_points(x, rho)
        centre, radius = plane.recorded_points(np.zeros(1), np.full(1, radius_mm))
        # Mapped as if the plane went through the axis, since that is what an uncorrected analysis does.
        seen = to_normal(at - centre[0], across, radius_mm=float(radius[0]), lead_mm=lead_mm)
        fitted = np.array(arcs)
        for _ in range(_SETTLE):
            step, cofactor, _ = gauss_newton_step(seen.u_mm, facing * seen.v_mm, np.ones_like(u), fitted)
            fitted = fitted + step
        shapes.append(groove_shapes(fitted[None], ball_radius_mm)[0])
    slope = (shapes[0] - shapes[1]) / (2.0 * _STEP_MM)
    jacobian = np.zeros((4, 6))
    jacobian[:2] = seat_jacobian(arcs, ball_radius_mm, "radial-through-ball")[2:4]
    # The two radii are measured themselves.
    jacobian[2, 2] = jacobian[3, 5] = 1.0
    # Left and right flank share no sample: two blocks.
    noise = np.zeros((6, 6))
    noise[:3, :3], noise[3:, 3:] = cofactor
    precise = np.linalg.solve(jacobian @ noise @ jacobian.T, slope)
    return Response(precise / float(slope @ precise))


def corrected_plane(
    plane: Plane,
    shapes: FloatArray,
    *,
    response: Response,
    along_mm: FloatArray,
    side: FloatArray,
    number: IntArray,
    start: IntArray,
    radius_mm: float,
) -> Plane | None:
    """The plane that makes the sides agree; None where a side has too few grooves to say.

    ``shapes`` (n, 4) are those seen with ``plane``; places, sides, numbers and starts (n,) are the grooves'.
    """
    top = side == SIDE_TOP
    count = int(min(np.count_nonzero(top), np.count_nonzero(~top)))
    if count == 0 or side.size < MIN_GROOVES or not np.all(np.isfinite(shapes)):
        return None
    beside = shapes @ response.weights
    yaw, yaw_u, middle = 0.0, None, 0.0
    if count >= MIN_GROOVES_YAW:
        by_shape = _last_of_line([np.ones(side.size), side, side * along_mm], beside)
        by_pitch = _yaw_by_pitch(along_mm, side, number, start)
        # A plane that is turned by yaw stretches one side by yaw · shift / radius and shrinks the other.
        scale = radius_mm / plane.shift_mm
        yaw, yaw_u = _weigh_both(by_shape, (by_pitch[0] * scale, by_pitch[1] * scale))
        middle = float(along_mm[top].mean() + along_mm[~top].mean()) / 2.0
    offset, offset_u = _last_of_line([np.ones(side.size), side], beside - yaw * side * along_mm)
    # The offset is that at x = 0, to which the yaw's error carries it from the middle of the grooves.
    offset_u = float(np.hypot(offset_u, middle * (yaw_u or 0.0)))
    return Plane(plane.offset_mm + offset, plane.yaw_rad + yaw, plane.shift_mm, offset_u, yaw_u)


def _yaw_by_pitch(
    along_mm: FloatArray, side: FloatArray, number: IntArray, start: IntArray
) -> tuple[float, float]:
    """Growth of the grooves' places on top against those on the bottom, per mm, and its uncertainty."""
    columns = [number.astype(np.float64), (side > 0).astype(np.float64), (side < 0).astype(np.float64)]
    # Each start has a place of its own, else an index error would pass for a pitch.
    columns += [(start == s).astype(np.float64) for s in range(1, int(start.max()) + 1)]
    return _last_of_line([*columns, side * (along_mm - along_mm.mean())], along_mm)


def _last_of_line(columns: list[FloatArray], values: FloatArray) -> tuple[float, float]:
    """Last coefficient of a least-squares fit and its standard uncertainty by the scatter about it.

    One groove far off the others does not turn the plane: it is left out once.
    """
    design = np.column_stack(columns)
    used = np.ones(values.size, dtype=bool)
    for last in (False, True):
        # pinv, since with few grooves the starts and the sides may be the same columns.
        inverse = np.linalg.pinv(design[used])
        residual = values - design @ (inverse @ values[used])
        scale = 1.4826 * float(np.median(np.abs(residual)))
        # The floor, below any scatter of a gauge, keeps rounding from counting as an outlier.
        kept = np.abs(residual) <= max(_OUTLIER * scale, 1e-12)
        if last or np.all(kept == used) or np.count_nonzero(kept) < design.shape[1] + 2:
            break
        used = kept
    free = max(int(np.count_nonzero(used)) - design.shape[1], 1)
    scatter = float(np.sqrt(np.sum(np.square(residual[used])) / free))
    return float(inverse[-1] @ values[used]), scatter * float(np.linalg.norm(inverse[-1]))


def _weigh_both(a: tuple[float, float], b: tuple[float, float]) -> tuple[float, float]:
    """Mean of two values by their uncertainties, and its own."""
    # Noise-free traces have no scatter: then both count, with the same share.
    va, vb = max(a[1] ** 2, 1e-30), max(b[1] ** 2, 1e-30)
    share = vb / (va + vb)
    return share * a[0] + (1.0 - share) * b[0], float(np.sqrt(va * share**2 + vb * (1.0 - share) ** 2))

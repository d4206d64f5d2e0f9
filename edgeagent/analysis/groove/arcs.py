"""Circular arcs through measured points: geometric fit, efficient for noise in one direction, robust.

The sum of squared distances *to the circle* is minimised (geometric or orthogonal-distance fit); the
algebraic fit is only a start, because on short arcs it is far off. Source of the method: least squares by
Gauss-Newton on centre and radius, in the axes of the arc itself, where the normal equations stay well
conditioned on arcs of a few degrees (derived here).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeagent.errors import FitNotConvergedError, TraceRangeError, TraceShapeError
from edgeagent.model import FloatArray

BoolArray = NDArray[np.bool_]

OUTLIER_SIGMAS = 5.0
"""A reading this many robust standard deviations off is no noise: 1 in 1.7 million under a normal law."""
DUST_FLOOR_MM = 2.5e-4
"""What rises less above the arc is form and texture of the flank, and stays in (decided here)."""
# Their mean scatters a quarter as much as a reading, so that skirts of a quarter of the noise are seen.
_SMOOTHED = 15
# The choice of points mostly stands after three; if two choices alternate, either will do.
_ROUNDS = 12
# Number of blocks, and the 97.5 % point of chi-square over its degrees of freedom, blocks less three.
_BLOCKS = ((24, 1.69), (12, 2.11), (8, 2.57))


@dataclass(frozen=True, slots=True)
class Circle:
    """A fitted circle; ``cofactor`` (3, 3) times the noise variance is the covariance of (x, y, radius)."""

    x_mm: float
    y_mm: float
    radius_mm: float
    cofactor: FloatArray


@dataclass(frozen=True, slots=True)
class Arc:
    """A flank's arc: fitted circle with what supports it.

    ``covariance`` (3, 3) of (x, y, radius) in mm². ``residual_mm`` (n,) is the distance from the arc's
    centre less the radius, for every point offered; ``kept`` (n,) says which points the fit used.
    ``noise_mm`` is the standard deviation of the reading noise behind the residuals; ``correlation``
    is the factor by which their variance grows when neighbours agree (1 for white noise).
    """

    x_mm: float
    y_mm: float
    radius_mm: float
    covariance: FloatArray
    residual_mm: FloatArray
    kept: BoolArray
    noise_mm: float
    correlation: float


def algebraic_circle(x_mm: FloatArray, y_mm: FloatArray) -> tuple[float, float, float]:
    """Centre and radius that minimise the sum of (squared distance - squared radius)²: a start, no result.

    Raises TraceShapeError with fewer than three points, FitNotConvergedError when they lie on a line.
    """
    if x_mm.size < 3:
        raise TraceShapeError(f"a circle needs three points; found {x_mm.size}")
    # About the mean: far from the origin the squares would lose the digits that bend the arc.
    x0, y0 = float(np.mean(x_mm)), float(np.mean(y_mm))
    u, v = x_mm - x0, y_mm - y0
    design = np.column_stack([2.0 * u, 2.0 * v, np.ones_like(u)])
    solution, _, rank, _ = np.linalg.lstsq(design, u * u + v * v, rcond=None)
    if rank < 3:
        raise FitNotConvergedError("the points lie on a line; no circle runs through them")
    a, b, c = (float(s) for s in solution)
    return a + x0, b + y0, float(np.sqrt(c + a * a + b * b))


def gauss_newton_step(
    x_mm: FloatArray, y_mm: FloatArray, weight: FloatArray, circle: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """One step of the weighted geometric fit, for many circles at once.

    Parameters
    ----------
    x_mm, y_mm, weight : shape (..., n)
        Points and the weights of their squared distances.
    circle : shape (..., 3)
        Centre x, centre y and radius now, mm.

    Returns
    -------
    step : shape (..., 3), mm
        To be added to ``circle``; NaN where the points do not determine a circle.
    cofactor : shape (..., 3, 3)
        Inverse normal matrix of (x, y, radius).
    residual : shape (..., n), mm
        Distance from the centre less the radius, before the step.
    """
    dx, dy = x_mm - circle[..., 0:1], y_mm - circle[..., 1:2]
    distance = np.sqrt(dx * dx + dy * dy)
    residual = distance - circle[..., 2:3]
    total = weight.sum(-1)
    with np.errstate(invalid="ignore", divide="ignore"):
        nx, ny = dx / distance, dy / distance
        mean_x, mean_y = (weight * nx).sum(-1) / total, (weight * ny).sum(-1) / total
        length = np.hypot(mean_x, mean_y)
        # A whole circle has no mean direction; any axes do there, as its normal equations are well conditioned.
        ex = np.where(length > 1e-6, mean_x / length, 1.0)
        ey = np.where(length > 1e-6, mean_y / length, 0.0)
    along = nx * ex[..., None] + ny * ey[..., None]
    across = ny * ex[..., None] - nx * ey[..., None]
    with np.errstate(invalid="ignore", divide="ignore"):
        middle = (weight * along).sum(-1) / total
    # Less its mean: on a short arc `along` is nearly the radius' column of ones, and their difference is the
    # bend.
    columns = np.stack([across, along - middle[..., None], np.ones_like(along)], axis=-2)
    weighted = columns * weight[..., None, :]
    inverse = _inverse(weighted @ np.swapaxes(columns, -1, -2))
    local = (inverse @ (weighted @ residual[..., None]))[..., 0]
    # Back from (across, along, radius + middle * along) to (x, y, radius).
    back = np.zeros((*circle.shape[:-1], 3, 3))
    back[..., 0, 0], back[..., 0, 1] = -ey, ex
    back[..., 1, 0], back[..., 1, 1] = ex, ey
    back[..., 2, 1], back[..., 2, 2] = -middle, 1.0
    step = (back @ local[..., None])[..., 0]
    return step, back @ inverse @ np.swapaxes(back, -1, -2), residual


def _inverse(matrix: FloatArray) -> FloatArray:
    """Inverse of symmetric (..., 3, 3) matrices, NaN where singular (three points on a line, no points)."""
    scale = np.einsum("...ii->...i", matrix)
    usable = np.all(np.isfinite(matrix), axis=(-1, -2)) & np.all(scale > 0.0, axis=-1)
    root = np.sqrt(np.where(usable[..., None], scale, 1.0))
    scaled = np.where(usable[..., None, None], matrix / (root[..., :, None] * root[..., None, :]), np.eye(3))
    # Of a matrix with ones on its diagonal, so that the bound depends neither on units nor on weights.
    usable &= np.abs(np.linalg.det(scaled)) > 1e-14
    scaled = np.where(usable[..., None, None], scaled, np.eye(3))
    inverse = np.linalg.inv(scaled) / (root[..., :, None] * root[..., None, :])
    return np.where(usable[..., None, None], inverse, np.nan)


def fit_circle(
    x_mm: FloatArray,
    y_mm: FloatArray,
    *,
    weight: FloatArray | None = None,
    start: tuple[float, float, float] | None = None,
    max_steps: int = 500,
) -> Circle:
    """Geometric least-squares circle.

    Parameters
    ----------
    x_mm, y_mm : shape (n,), n >= 3, mm
    weight : shape (n,), optional
        Of the squared distances; 1 / (noise of the distance)² makes the fit efficient.
    start : (x, y, radius), optional
        By default the algebraic fit.

    Returns
    -------
    Circle
        With the cofactor of (x, y, radius): covariance per unit of noise variance of unit weight.

    Raises
    ------
    TraceShapeError
        Fewer than three points.
    FitNotConvergedError
        The points lie on a line, or ``max_steps`` steps did not settle.

    Notes
    -----
    Against a published six-point example in which the algebraic start is 0.8 off (test_arcs.py). A step
    that does not lower the sum of squares is halved. Settled means a step below 1e-12 of the radius.
    """
    chosen = start if start is not None else algebraic_circle(x_mm, y_mm)
    if x_mm.size < 3:
        raise TraceShapeError(f"a circle needs three points; found {x_mm.size}")
    weights = np.ones_like(x_mm) if weight is None else weight
    circle = np.array(chosen, dtype=np.float64)
    cost = np.inf
    for _ in range(max_steps):
        step, cofactor, residual = gauss_newton_step(x_mm, y_mm, weights, circle)
        if not np.all(np.isfinite(step)):
            raise FitNotConvergedError("the points do not determine a circle")
        if np.max(np.abs(step)) < 1e-12 * abs(circle[2]):
            x, y, radius = circle + step
            return Circle(float(x), float(y), float(radius), cofactor)
        cost = float(weights @ (residual * residual))
        # Halved 30 times a step is a billionth: then rounding, not the step, keeps the sum from falling.
        for _ in range(30):
            trial = circle + step
            dx, dy = x_mm - trial[0], y_mm - trial[1]
            distance = np.sqrt(dx * dx + dy * dy) - trial[2]
            # The sum of squares is flat at its minimum: rounding must not look like a rise.
            if float(weights @ (distance * distance)) <= cost * (1.0 + 1e-9) + 1e-30:
                break
            step = step / 2.0
        circle = circle + step
    raise FitNotConvergedError(f"the circle did not settle in {max_steps} steps")


def robust_arc(
    x_mm: FloatArray,
    y_mm: FloatArray,
    *,
    gain: FloatArray,
    start: tuple[float, float, float],
    allowed: BoolArray | None = None,
) -> Arc:
    """Arc through a flank's points, with dust, burrs, chamfers and lands left out.

    Parameters
    ----------
    x_mm, y_mm : shape (n,), mm, in the order of the trace
    gain : shape (n,)
        Distance from the arc per unit of reading noise; weights are 1 / gain².
    start : (x, y, radius)
        A robust first arc, good to a few µm over most of the points.
    allowed : shape (n,), bool, optional
        Points that may be used at all.

    Returns
    -------
    Arc

    Raises
    ------
    TraceShapeError
        Fewer than five usable points.
    TraceRangeError
        More than half of the points do not belong to one arc.

    Notes
    -----
    Points farther than OUTLIER_SIGMAS robust standard deviations are left out together with their
    neighbourhood, both in the readings and in their running mean, which shows the skirts of a grain that
    drown in noise. The choice is repeated with the new arc until it stands still. On clean noise it
    leaves out less than one point in a million, so that the fit keeps its efficiency.
    """
    base = np.ones(x_mm.size, dtype=bool) if allowed is None else allowed
    base = base & np.isfinite(gain)
    # Not the outliers of the start arc: equal to `chosen` in the first round only if nothing is left out.
    kept = base
    weight = 1.0 / np.square(gain)
    circle = np.array(start, dtype=np.float64)
    for _ in range(_ROUNDS):
        _, _, residual = gauss_newton_step(x_mm, y_mm, weight, circle)
        chosen = base & ~_outliers(residual / gain, base)
        if chosen.sum() < 5:
            raise TraceShapeError(f"only {int(chosen.sum())} usable points on a flank; an arc needs five")
        settled = bool(np.array_equal(chosen, kept))
        kept = chosen
        # Fitted once more after the choice stands, so that cofactor and residual belong to these points.
        fitted = fit_circle(x_mm[kept], y_mm[kept], weight=weight[kept], start=tuple(circle), max_steps=60)
        circle = np.array([fitted.x_mm, fitted.y_mm, fitted.radius_mm])
        if settled:
            break
    # Medians give way at half: beyond that the arc may be that of the dirt.
    if 2 * kept.sum() < base.sum():
        raise TraceRangeError(
            f"{int(base.sum() - kept.sum())} of {int(base.sum())} points of a flank do not lie on one arc"
        )
    dx, dy = x_mm - circle[0], y_mm - circle[1]
    residual = np.sqrt(dx * dx + dy * dy) - circle[2]
    standard = (residual / gain)[kept]
    # Less three for centre and radius.
    variance = float(standard @ standard) / max(standard.size - 3, 1)
    correlation = neighbour_agreement(standard, variance)
    return Arc(
        x_mm=float(circle[0]),
        y_mm=float(circle[1]),
        radius_mm=float(circle[2]),
        covariance=fitted.cofactor * variance * correlation,
        residual_mm=residual,
        kept=kept,
        noise_mm=float(np.sqrt(variance)),
        correlation=correlation,
    )


def neighbour_agreement(residual: FloatArray, variance: float) -> float:
    """By how much the variance of a mean exceeds that of independent readings; 1 for white noise.

    ``residual`` (n,) in the order of the trace. Means of blocks are compared with what independent readings
    would give; the three parameters of the arc have taken their share. Short and long blocks see short
    and long waves; the largest excess counts, unless white noise shows as much in one flank of forty.
    Roughness and form make neighbours agree, and an uncertainty that ignored it would be too small. Derived
    here (batch means; thresholds are 97.5 % points of chi-square over its degrees of freedom).
    """
    worst = 1.0
    for blocks, threshold in _BLOCKS:
        length = residual.size // blocks
        # Below five readings a block's mean tells little but the noise itself.
        if length < 5 or variance <= 0.0:
            continue
        means = residual[: length * blocks].reshape(blocks, length).mean(axis=1)
        # Independent readings give 1: a mean's variance is that of a reading over the block's length.
        excess = float(means @ means) * length / ((blocks - 3) * variance)
        if excess > threshold:
            worst = max(worst, excess)
    return worst


def _outliers(standard: FloatArray, base: BoolArray) -> BoolArray:
    """Which of the standardised residuals (n,) are no noise, with their neighbourhood.

    A stretch must rise over DUST_FLOOR_MM somewhere: what stays below it is form, however quiet the rest is.
    """
    bad = _far(standard, base)
    # Of fewer means a robust scale would know little.
    if standard.size >= 4 * _SMOOTHED:
        half = _SMOOTHED // 2
        summed = np.concatenate([[0.0], np.cumsum(standard)])
        mean = (summed[_SMOOTHED:] - summed[:-_SMOOTHED]) / _SMOOTHED
        # The mean belongs to the middle of its readings; the ends have none of their own.
        bad[half : standard.size - half] |= _far(mean, base[half : standard.size - half])
    return _widen_runs(bad, np.abs(standard)) if bad.any() else bad


def _far(values: FloatArray, base: BoolArray) -> BoolArray:
    """Values beyond the limit. The scale comes from all points, robustly: taken from those in use it would
    shrink with each stretch left out, and waviness would be eaten up from its crests.
    """
    used = values[base]
    if used.size == 0:
        return np.zeros(values.size, dtype=bool)
    centre = np.median(used)
    scale = 1.4826 * np.median(np.abs(used - centre))
    return np.asarray(np.abs(values - centre) > OUTLIER_SIGMAS * scale)


def _widen_runs(bad: BoolArray, amount: FloatArray) -> BoolArray:
    """Each run of bad points that rises over the floor, grown by an eighth of its length and three points.

    A bell-shaped grain that is seen down to 1/200 of its height is then cut at 1/4,000 of it or less: every
    point more would cost more in certainty than it saves in error.
    """
    edges = np.flatnonzero(np.diff(np.concatenate([[False], bad, [False]]).astype(np.int8)))
    grown = np.zeros(bad.size + 1, dtype=np.int64)
    for first, last in zip(edges[::2], edges[1::2], strict=True):
        if amount[first:last].max() < DUST_FLOOR_MM:
            continue
        reach = (last - first) // 8 + 3
        grown[max(first - reach, 0)] += 1
        grown[min(last + reach, bad.size)] -= 1
    return np.asarray(np.cumsum(grown[:-1]) > 0)

"""Reference circles of a closed profile: minimum zone, minimum circumscribed, maximum inscribed (ISO 12181-1).

Deviations r(θ) of a few µm on a radius of mm make a circle about a centre that lies (a, b) off the curve R + a
cos θ + b sin θ: what is left, a²/2R, is 6e-5 nm at a = 1 µm, R = 9 mm. Each reference is then a linear
programme in R, a, b over all points:

    minimum zone           smallest  max(r - a cos θ - b sin θ) - min(r - a cos θ - b sin θ)
    minimum circumscribed  smallest R with R + a cos θ + b sin θ >= r everywhere
    maximum inscribed      largest R with R + a cos θ + b sin θ <= r everywhere

Its dual has three rows, four for the minimum zone, and a column for each point. The simplex method walks over
bases of three or four touching points and brings in the point that lies farthest outside, until none does: the
circle is then the best of all, not an iterate near it. Touching points that balance each other (two opposite
ones, say) leave the walk no choice of step; the right side is moved by some 1e-10 so that it never stands,
which changes no circle but only what is taken for touching. Derived here; against scipy's HiGHS and against
pairs and triples of points in tests/analysis/test_reference_circle.py.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import Literal

import numpy as np

from edgeagent.errors import FitNotConvergedError
from edgeagent.model import FloatArray, IntArray

ReferenceCircle = Literal["LSCI", "MZCI", "MCCI", "MICI"]
"""Least squares, minimum zone, minimum circumscribed, maximum inscribed."""

_OUTSIDE = 1e-12
"""A point that lies farther outside than this share of the profile's height is not enclosed."""
# The walk ends by itself; so many steps mean that rounding leads it in circles.
_STEPS_MAX = 500
_BALANCED = 1e-8
"""A touching point of less weight than this does not hold its circle."""
_MOVED = (3.1e-10, 5.7e-10)
"""What keeps touching points that balance each other from being exchanged in circles."""


@dataclass(frozen=True, slots=True)
class Enclosure:
    """Peak to valley of profiles about their reference circle, in µm, shape (b,), and what it hangs on.

    Its change to first order is ``weight`` times that of the profile at ``index``, both of shape (b, k).
    ``centre_um`` has shape (b, 2).
    """

    total_um: FloatArray
    index: IntArray
    weight: FloatArray
    centre_um: FloatArray


def enclose(profile_um: FloatArray, reference: ReferenceCircle) -> Enclosure:
    """Peak to valley about a reference circle of profiles at equal angles, shape (b, n), n >= 4.

    ``LSCI`` takes the profiles for those about their least-squares circle already. Raises FitNotConvergedError
    where the walk does not end, which no profile is known to cause.
    """
    rows = np.arange(len(profile_um))
    if reference == "LSCI":
        high, low = np.argmax(profile_um, axis=1), np.argmin(profile_um, axis=1)
        return Enclosure(
            profile_um[rows, high] - profile_um[rows, low],
            np.stack([high, low], axis=1),
            np.tile([1.0, -1.0], (len(rows), 1)),
            np.zeros((len(rows), 2)),
        )
    sign = -1.0 if reference == "MICI" else 1.0
    own = profile_um * sign
    touching = _zone(own) if reference == "MZCI" else _enclosing(own)
    if reference != "MZCI":
        # Two points alone hold these: the third has no weight, and the linear programme does not say where the
        # centre lies.
        for row in np.flatnonzero(touching.level.min(axis=1) < _BALANCED):
            touching.dual[row] = _between_two(own[row], touching, int(row), farthest=reference == "MICI")
    cosine, sine = _circle(own.shape[1])
    left = own - touching.dual[:, -2, None] * cosine - touching.dual[:, -1, None] * sine
    high, low = np.argmax(left, axis=1), np.argmin(left, axis=1)
    total = left[rows, high] - left[rows, low]
    centre = sign * touching.dual[:, -2:]
    if reference == "MZCI":
        outside = np.where(touching.inner, -1.0, 1.0)
        return Enclosure(total, touching.index, touching.level * outside, centre)
    beside = np.stack([np.ones(len(rows)), cosine[low], sine[low]], axis=1)
    # The far extreme moves against the circle that the touching points carry: their shares in that place.
    share = np.linalg.solve(touching.columns, beside[:, :, None])[:, :, 0]
    index = np.concatenate([touching.index, low[:, None]], axis=1)
    weight = sign * np.concatenate([share, -np.ones((len(rows), 1))], axis=1)
    return Enclosure(total, index, weight, centre)


@dataclass(frozen=True, slots=True)
class _Touching:
    """The last basis of each profile: its points, whether they lie on the inner circle, and the dual's values.

    ``index`` and ``inner`` have shape (b, k), ``level`` the weights of the touching points, ``columns`` shape
    (b, k, k), ``dual`` shape (b, k) with the centre last.
    """

    index: IntArray
    inner: IntArray
    level: FloatArray
    columns: FloatArray
    dual: FloatArray


@lru_cache(maxsize=8)
def _circle(points: int) -> tuple[FloatArray, FloatArray]:
    angle = 2 * np.pi * np.arange(points) / points
    return np.cos(angle), np.sin(angle)


def _enclosing(profile: FloatArray) -> _Touching:
    """Three points that the smallest circle around each profile touches."""
    count, points = profile.shape
    # A third of a turn apart: their weights are positive, which the walk needs to begin with.
    start = np.tile([0, points // 3, 2 * points // 3], (count, 1))
    return _walk(profile, start, np.zeros_like(start), np.array([1.0, *_MOVED]))


def _zone(profile: FloatArray) -> _Touching:
    """Four points that the two circles of the narrowest ring around each profile touch."""
    count, points = profile.shape
    start = np.tile([0, points // 2, points // 4, 3 * points // 4], (count, 1))
    inner = np.tile([0, 0, 1, 1], (count, 1))
    return _walk(profile, start, inner, np.array([1.0, 1.0, *_MOVED]))


def _between_two(profile: FloatArray, touching: _Touching, row: int, *, farthest: bool) -> FloatArray:
    """Radius and centre of the circle around a profile that two opposite points alone hold.

    It may move across their line until it touches another point. In the plane the radius grows with that by
    b²/2R: the smallest circle is the one with the least b, the largest inscribed one that with the largest.
    """
    held = np.argsort(touching.level[row])[1:]
    first, second = touching.index[row][held]
    cosine, sine = _circle(len(profile))
    along = np.array([cosine[first], sine[first]])
    radius, off = (profile[first] + profile[second]) / 2, (profile[first] - profile[second]) / 2
    own = cosine * along[0] + sine * along[1]
    across = sine * along[0] - cosine * along[1]
    # Points on the line itself bound no movement across it.
    side = np.abs(across) > 1e-9
    bound = (profile - radius - off * own)[side] / across[side]
    low, high = float(bound[across[side] > 0].max()), float(bound[across[side] < 0].min())
    moved = (low if abs(low) > abs(high) else high) if farthest else min(max(0.0, low), max(high, low))
    return np.array([radius, *(off * along + moved * np.array([-along[1], along[0]]))])


def _columns(index: IntArray, inner: IntArray, points: int, ring: bool) -> FloatArray:
    """The programme's columns of some points, shape (…, 3) or, for a ring, (…, 4)."""
    cosine, sine = _circle(points)
    x, y = cosine[index], sine[index]
    if not ring:
        return np.stack([np.ones_like(x), x, y], axis=-1)
    sign = np.where(inner, -1.0, 1.0)
    return np.stack([np.where(inner, 0.0, 1.0), np.where(inner, 1.0, 0.0), sign * x, sign * y], axis=-1)


def _walk(profile: FloatArray, index: IntArray, inner: IntArray, right: FloatArray) -> _Touching:
    """The simplex method on all profiles at once, each until no point of it lies outside."""
    count, points = profile.shape
    size, ring = len(right), len(right) == 4
    cosine, sine = _circle(points)
    basis = np.swapaxes(_columns(index, inner, points, ring), 1, 2)
    dual, level = np.zeros((count, size)), np.zeros((count, size))
    bound = _OUTSIDE * np.maximum(np.ptp(profile, axis=1), 1e-300)
    active = np.arange(count)
    for _ in range(_STEPS_MAX):
        rows = np.arange(len(active))
        # Profiles that have ended are left out of all further steps.
        at, own = index[active], profile[active] if len(active) < count else profile
        cost = own[rows[:, None], at] * np.where(inner[active], -1.0, 1.0)
        dual[active] = np.linalg.solve(np.swapaxes(basis[active], 1, 2), cost[:, :, None])[:, :, 0]
        left = own - dual[active, -2, None] * cosine - dual[active, -1, None] * sine
        entering = np.argmax(left, axis=1)
        outside, below = left[rows, entering] - dual[active, 0], np.zeros(len(active), dtype=np.int64)
        if ring:
            low = np.argmin(left, axis=1)
            under = -left[rows, low] - dual[active, 1]
            below = (under > outside).astype(np.int64)
            entering, outside = np.where(below, low, entering), np.maximum(outside, under)
        level[active] = np.linalg.solve(basis[active], right[:, None])[:, :, 0]
        going = outside > bound[active]
        if not np.any(going):
            return _Touching(index, inner, level, basis, dual)
        active, entering, below = active[going], entering[going], below[going]
        column = _columns(entering, below, points, ring)
        share = np.linalg.solve(basis[active], column[:, :, None])[:, :, 0]
        with np.errstate(divide="ignore", invalid="ignore"):
            # Only a point whose weight falls may leave; below 1e-9 its fall is rounding.
            ratio = np.where(share > 1e-9, level[active] / share, np.inf)
        leaving = np.argmin(ratio, axis=1)
        index[active, leaving], inner[active, leaving] = entering, below
        basis[active, :, leaving] = column
    raise FitNotConvergedError("no reference circle: the search among touching points did not end")

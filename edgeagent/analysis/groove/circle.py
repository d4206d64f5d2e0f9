"""Ball pitch circle diameter across the axis: mean, groove by groove, its variation and its taper.

Input are the centres of the seated balls in the frame of the axis. Terms of ISO 3408-1; the constructions are
derived here.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeagent.analysis.axial.extremes import range_uncertainty, unit_noise
from edgeagent.model import SIDE_TOP, FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Across:
    """Ball pitch circle diameter: mean of ``each_mm``, measured at the grooves ``place`` (their indices).

    ``weights`` (m, n) makes the m diameters from the n centres' distances from the axis; ``spread_mm`` (n,) is
    the standard uncertainty of those distances, and the centres are independent; ``common_mm`` is what all
    diameters have in common beside it.
    """

    diameter_mm: float
    uncertainty_mm: float
    each_mm: FloatArray
    place: IntArray
    weights: FloatArray
    spread_mm: FloatArray
    common_mm: float = 0.0

    @property
    def each_uncertainty_mm(self) -> FloatArray:
        """Standard uncertainty of each diameter, shape (m,)."""
        return np.asarray(np.sqrt(np.square(self.weights) @ np.square(self.spread_mm) + self.common_mm**2))


def ball_pitch_circle(
    along_mm: FloatArray,
    across_mm: FloatArray,
    side: FloatArray,
    *,
    pitch_mm: float,
    uncertainty_mm: FloatArray,
    common_mm: float = 0.0,
) -> Across | None:
    """Diameter across the axis from each ball centre that has a counterpart on the other side.

    Parameters
    ----------
    along_mm, across_mm, side, uncertainty_mm : shape (n,)
        Ball centres in the frame of the axis, code of their side, and the standard uncertainty across.
    pitch_mm : mm
    common_mm : mm
        Standard uncertainty that all diameters have in common, as that of the measuring plane.

    Returns
    -------
    Across or None
        None where no centre of one side faces a centre, or lies between two neighbours, of the other.

    Notes
    -----
    A centre that faces one (even starts, within a quarter pitch) is measured to that one, otherwise its
    distance is taken to the line through its two neighbours on the other side. With the centres in the
    frame of the axis that distance is measured perpendicular to the line. The uncertainty counts each
    centre with the weight that it has in the mean, since neighbours share centres.
    """
    rows, place = [], []
    for i in range(along_mm.size):
        weights = _counterpart(along_mm, side, i, pitch_mm)
        if weights is not None:
            rows.append(weights)
            place.append(i)
    if not rows:
        return None
    matrix = np.array(rows)
    signed = np.where(side == SIDE_TOP, across_mm, -across_mm)
    # Perpendicular to the line through the neighbours, which a taper inclines: 1/sqrt(1 + slope²).
    slope = [_slope(along_mm, signed, row) for row in matrix]
    each = (signed[place] + matrix @ signed) / np.sqrt(1.0 + np.square(slope))
    own = np.zeros_like(matrix)
    own[np.arange(len(place)), place] = 1.0
    weights = matrix + own
    # Mean of weights first, so that a centre that stands in several diameters counts once with its sum.
    spread = float(np.sqrt(np.sum(np.square(weights.mean(axis=0) * uncertainty_mm)) + common_mm**2))
    at = np.array(place, dtype=np.int64)
    return Across(float(each.mean()), spread, each, at, weights, uncertainty_mm, common_mm)


def _counterpart(along_mm: FloatArray, side: FloatArray, i: int, pitch_mm: float) -> FloatArray | None:
    """Weights of the centres of the other side that stand for the place opposite to centre i."""
    others = np.flatnonzero(side != side[i])
    if others.size == 0:
        return None
    weights = np.zeros(along_mm.size)
    away = along_mm[others] - along_mm[i]
    nearest = int(np.argmin(np.abs(away)))
    # Odd starts put the counterparts half a pitch away, even ones opposite: a quarter parts the two.
    if abs(away[nearest]) < pitch_mm / 4.0:
        weights[others[nearest]] = 1.0
        return weights
    # Outside the neighbours a line would be extrapolated: no value rather than a bad one.
    before, after = others[away < 0.0], others[away > 0.0]
    if before.size == 0 or after.size == 0:
        return None
    a, b = int(before[-1]), int(after[0])
    gap = float(along_mm[b] - along_mm[a])
    # A groove is missing between them; over two pitches a bent part no longer is a line.
    if gap > 1.5 * pitch_mm:
        return None
    weights[b] = float(along_mm[i] - along_mm[a]) / gap
    weights[a] = 1.0 - weights[b]
    return weights


def _slope(along_mm: FloatArray, signed_mm: FloatArray, weights: FloatArray) -> float:
    """Slope against the axis of the line that a row of weights describes; 0 for a single point."""
    used = np.flatnonzero(weights)
    if used.size < 2:
        return 0.0
    return float((signed_mm[used[1]] - signed_mm[used[0]]) / (along_mm[used[1]] - along_mm[used[0]]))


def circle_variation(across: Across) -> tuple[float, float] | None:
    """Largest less smallest of the grooves' diameters and its standard uncertainty, mm; None for one groove.

    One groove that is ground too deep hardly moves the mean of many: it is seen here.
    """
    if across.each_mm.size < 2:
        return None
    noise = unit_noise(across.spread_mm.size) * across.spread_mm @ across.weights.T
    return float(np.ptp(across.each_mm)), range_uncertainty(across.each_mm, noise)


def circle_taper(across: Across, along_mm: FloatArray) -> tuple[float, float] | None:
    """Change of diameter from the first to the last groove by the least-squares line, mm, and its uncertainty.

    ``along_mm`` (n,) are the places of all centres along the axis; positive where the part grows with x. None
    where the diameters lie at fewer than three places, which a line would always meet.
    """
    at = along_mm[across.place]
    arm = at - at.mean()
    spread = float(arm @ arm)
    if np.unique(at).size < 3 or spread == 0.0:
        return None
    # Weights of the least-squares slope, times the length from the first to the last groove.
    slope = arm * (float(np.ptp(at)) / spread)
    by_centre = slope @ across.weights
    return float(slope @ across.each_mm), float(np.sqrt(np.sum(np.square(by_centre * across.spread_mm))))

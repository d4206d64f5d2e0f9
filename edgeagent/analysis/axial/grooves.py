"""Finding the grooves of one side of an axial trace: a ball is rolled along it.

A ball of the nominal size that rolls over the profile sinks where a groove takes it up and nowhere else.
Lands, chamfers, burrs, dust and pits do not hold it, a tilted axis does not fool it, and it needs to know
neither where the trace starts nor how high it lies. Derived here; the rolling is a morphological closing by
a disk (ISO 16610-41 names the operation for filters).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeagent.errors import TraceShapeError
from edgeagent.model import FloatArray, IntArray

# How rough the rolled places are (`Rolled`); the cost of rolling grows with its square.
_CELLS_PER_RADIUS = 40
# The median of five survives two bad samples.
_SAMPLES_PER_CELL = 5
_MIN_SINK = 0.1
"""Of the ball's radius: what sinks less is waviness or wear and no groove."""
_HUG_WIDTH = 0.6
_HUG_FROM = 0.2
_HUG_GAP = 0.08
_HUG_SHARE = 0.775
"""A groove follows the ball within _HUG_GAP radii over _HUG_SHARE of its width between _HUG_FROM and _HUG_WIDTH
radii from its middle, which a valley of more than 2.6 ball radii in curvature does not. Nearer to the middle
the root may be relieved: a slot of up to 0.5 mm for a ball of 3.175 mm ends at 0.16 radii."""


@dataclass(frozen=True, slots=True)
class CleanSide:
    """One side of a trace, ready for analysis.

    ``x_mm`` strictly rising and ``z_mm``, shape (n,); ``missing`` samples were left out, ``reversed_order``
    says that the trace ran from large to small x, ``backward`` counts steps against the trace's direction.
    """

    side: float
    x_mm: FloatArray
    z_mm: FloatArray
    missing: int
    reversed_order: bool
    backward: int


@dataclass(frozen=True, slots=True)
class Rolled:
    """Where the ball sank, from small x to large x: its centre, coarse to about a fortieth of its radius.

    ``centre_x_mm`` and ``centre_height_mm``, shape (n,). ``cut_at_start`` and ``cut_at_end`` say that the
    trace begins or ends inside a groove that is not among them.
    """

    centre_x_mm: FloatArray
    centre_height_mm: FloatArray
    cut_at_start: bool
    cut_at_end: bool


def clean_side(side: float, x_mm: FloatArray, z_mm: FloatArray) -> CleanSide:
    """Drop missing samples and bring x into rising order.

    Parameters
    ----------
    side : SIDE_TOP or SIDE_BOTTOM
    x_mm, z_mm : shape (n,), mm
        As recorded; NaN for a missing sample.

    Raises
    ------
    TraceShapeError
        Fewer than three samples left.

    Notes
    -----
    A trace that ran from large to small x holds the same points and is turned round. Samples at an x that
    came before are left out and counted as backward steps.
    """
    good = np.isfinite(x_mm) & np.isfinite(z_mm)
    missing = int(x_mm.size - np.count_nonzero(good))
    if missing:
        x_mm, z_mm = x_mm[good], z_mm[good]
    if x_mm.size < 3:
        raise TraceShapeError(f"side {side_name(side)} has {x_mm.size} samples; a groove cannot be seen")
    # By the ends, since single steps may go either way.
    turned = bool(x_mm[-1] < x_mm[0])
    if turned:
        x_mm, z_mm = x_mm[::-1], z_mm[::-1]
    step = np.diff(x_mm)
    backward = int(np.count_nonzero(step <= 0.0))
    if backward:
        # Stable: of several readings at one x the first stays, whichever sort numpy has.
        order = np.argsort(x_mm, kind="stable")
        x_mm, z_mm = x_mm[order], z_mm[order]
        fresh = np.concatenate([[True], np.diff(x_mm) > 0.0])
        x_mm, z_mm = x_mm[fresh], z_mm[fresh]
    return CleanSide(side, x_mm, z_mm, missing, turned, backward)


def side_name(side: float) -> str:
    """Label of a side code."""
    return "top" if side > 0 else "bottom"


def roll_ball(x_mm: FloatArray, height_mm: FloatArray, *, ball_radius_mm: float, pitch_mm: float) -> Rolled:
    """Find the places where a ball sinks into a groove.

    Parameters
    ----------
    x_mm, height_mm : shape (n,), mm
        Rising x; height away from the material, so that a groove is a valley.
    ball_radius_mm : mm
        Of the nominal ball, less the tip radius if the heights are the tip centre's.
    pitch_mm : mm
        Nominal distance of neighbouring grooves; only half of it is trusted, as the room around a groove.

    Raises
    ------
    TraceShapeError
        Samples farther apart than a tenth of the ball's radius, so that no flank can be seen.

    Notes
    -----
    A valley counts as a groove if the ball sinks by a tenth of its radius and lies close to the profile over
    six tenths of its width, a relief of the root left aside, which it does not between two lands or in a notch.
    """
    # Median: gaps of missing samples do not make a dense trace sparse.
    spacing = float(np.median(np.diff(x_mm)))
    if spacing > ball_radius_mm / 10.0:
        raise TraceShapeError(
            f"samples lie {spacing:.4g} mm apart: fewer than the flank of a {2 * ball_radius_mm:.4g} mm ball "
            f"needs; at most {ball_radius_mm / 10.0:.4g} mm"
        )
    cell = ball_radius_mm / _CELLS_PER_RADIUS
    grid_x, grid = _coarse(x_mm, height_mm, cell)
    centre = _roll_disk(grid, ball_radius_mm, cell)
    # Below half a pitch, so that no neighbour's root competes, and nearly that, to see the lands beside the
    # groove.
    reach = max(int(0.45 * pitch_mm / cell), 2)
    sink = _MIN_SINK * ball_radius_mm
    left, right = _highest_within(centre, reach)
    lowest = _lowest_within(centre, reach)
    # On both sides: at a shoulder or the trace's end the ball sinks towards one side only.
    held = (centre <= lowest) & (left - centre > sink) & (right - centre > sink)
    places = np.flatnonzero(held).astype(np.int64)
    if places.size:
        # Neighbouring cells of one minimum: the first speaks for all.
        places = places[np.concatenate([[True], np.diff(places) > reach // 2])]
        places = places[_hugs_ball(grid, centre, places, ball_radius_mm, cell)]
    return Rolled(
        centre_x_mm=grid_x[places],
        centre_height_mm=centre[places],
        cut_at_start=_cuts_in(centre, places, reach, sink),
        cut_at_end=_cuts_in(centre[::-1], centre.size - 1 - places[::-1], reach, sink),
    )


def _coarse(x_mm: FloatArray, height_mm: FloatArray, cell_mm: float) -> tuple[FloatArray, FloatArray]:
    """Heights on a coarse grid, each the median of a few samples, so that a single spike is not seen."""
    count = max(int((x_mm[-1] - x_mm[0]) / cell_mm), 1)
    edges = x_mm[0] + cell_mm * np.arange(count + 1)
    at = np.searchsorted(x_mm, edges)
    share = (np.arange(_SAMPLES_PER_CELL) + 0.5) / _SAMPLES_PER_CELL
    picked = at[:-1, None] + (np.diff(at)[:, None] * share).astype(np.int64)
    heights = np.median(height_mm[np.minimum(picked, x_mm.size - 1)], axis=1)
    filled = np.flatnonzero(np.diff(at) > 0)
    # Cells without samples (missing readings) are bridged, as the ball would roll over the gap.
    grid_x = edges[:-1] + cell_mm / 2.0
    return grid_x, np.interp(grid_x, grid_x[filled], heights[filled])


def _roll_disk(grid: FloatArray, radius_mm: float, cell_mm: float) -> FloatArray:
    """Height of the centre of a disk that rests on the grid, by the highest of all touching places."""
    offset = cell_mm * np.arange(-_CELLS_PER_RADIUS + 1, _CELLS_PER_RADIUS)
    disk = np.sqrt(radius_mm**2 - offset**2)
    reach = _CELLS_PER_RADIUS - 1
    # Nothing lies beyond the trace's ends: there the disk rests on what was traced.
    padded = np.concatenate([np.full(reach, -np.inf), grid, np.full(reach, -np.inf)])
    return np.asarray(np.max(np.lib.stride_tricks.sliding_window_view(padded, disk.size) + disk, axis=1))


def _hugs_ball(
    grid: FloatArray, centre: FloatArray, places: IntArray, radius_mm: float, cell_mm: float
) -> NDArray[np.bool_]:
    """Whether the profile keeps close to the ball, as a groove made for it does."""
    offset = np.arange(round(_HUG_FROM * _CELLS_PER_RADIUS), int(_HUG_WIDTH * _CELLS_PER_RADIUS) + 1)
    offset = np.concatenate([-offset[::-1], offset])
    index = places[:, None] + offset
    inside = (index >= 0) & (index < grid.size)
    touching = centre[places][:, None] - np.sqrt(radius_mm**2 - (cell_mm * offset) ** 2)
    gap = touching - grid[np.clip(index, 0, grid.size - 1)]
    # A place outside the trace does not count as near: a groove that is cut there is none.
    return np.asarray(np.mean(inside & (gap < _HUG_GAP * radius_mm), axis=1) >= _HUG_SHARE)


def _highest_within(values: FloatArray, reach: int) -> tuple[FloatArray, FloatArray]:
    """Largest value among the ``reach`` places to the left, and to the right, the place itself included."""
    pad = np.full(reach, -np.inf)
    left = np.lib.stride_tricks.sliding_window_view(np.concatenate([pad, values]), reach + 1).max(axis=1)
    right = np.lib.stride_tricks.sliding_window_view(np.concatenate([values, pad]), reach + 1).max(axis=1)
    return left, right


def _lowest_within(values: FloatArray, reach: int) -> FloatArray:
    pad = np.full(reach, np.inf)
    padded = np.concatenate([pad, values, pad])
    return np.asarray(np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1).min(axis=1))


def _cuts_in(centre: FloatArray, places: IntArray, reach: int, sink: float) -> bool:
    """Whether the ball lies sunk at the first place without a groove found there."""
    # Only up to the first groove found: its own sinking is no cut groove.
    until = int(places[0]) if places.size else reach
    top = float(centre[: min(until, reach) + 1].max())
    return bool(top - centre[0] > sink)

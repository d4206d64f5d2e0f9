"""Along grooves: the part's axis, pitch and lead; `circle` holds the ball pitch circle across it.

Input are the centres of the seated balls in the frame of the trace. Terms of ISO 3408-1; the constructions are
derived here.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeagent.analysis.axial.plane import THROUGH_AXIS, Plane
from edgeagent.model import SIDE_TOP, FloatArray, IntArray


@dataclass(frozen=True, slots=True)
class Axis:
    """The part's axis in the frame of the trace.

    It runs through (0, ``offset_mm``) in the frame turned by ``tilt_rad``. ``tilt_uncertainty_rad`` is the
    standard uncertainty, NaN where none was asked for; None, with a tilt of zero, where the tilt was not
    fitted or no side holds two grooves. ``plane`` says how the measuring plane lies beside it.
    """

    tilt_rad: float
    offset_mm: float
    tilt_uncertainty_rad: float | None
    plane: Plane = THROUGH_AXIS

    def align_points(self, x_mm: FloatArray, z_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Along the axis, and across it with the axis at zero; any shape."""
        sine, cosine = np.sin(self.tilt_rad), np.cos(self.tilt_rad)
        return self.plane.section_points(
            x_mm * cosine + z_mm * sine, z_mm * cosine - x_mm * sine - self.offset_mm
        )

    def recorded_points(self, along_mm: FloatArray, across_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
        """The inverse of `align_points`."""
        sine, cosine = np.sin(self.tilt_rad), np.cos(self.tilt_rad)
        along_mm, across_mm = self.plane.recorded_points(along_mm, across_mm)
        across = across_mm + self.offset_mm
        return along_mm * cosine - across * sine, along_mm * sine + across * cosine


def fit_axis(
    x_mm: FloatArray,
    z_mm: FloatArray,
    side: FloatArray,
    *,
    nominal_radius_mm: float,
    align: bool = True,
    height_uncertainty_mm: FloatArray | None = None,
    plane: Plane = THROUGH_AXIS,
) -> Axis:
    """Axis from the ball centres of both sides, or of one.

    Parameters
    ----------
    x_mm, z_mm, side : shape (n,)
        Ball centres as recorded and the code of their side.
    nominal_radius_mm : mm
        Of the ball pitch circle; used only where one side alone was measured.
    align : bool
        False leaves the tilt at zero: the frame of the trace is taken as aligned.
    height_uncertainty_mm : shape (n,), optional
        Standard uncertainty of each centre across the axis.
    plane : Plane
        Measuring plane, handed on.

    Notes
    -----
    The centres of each side lie on a line parallel to the axis. Both lines get one common slope by least
    squares; the axis runs midway between them.
    """
    dx, dz = np.array(x_mm, dtype=np.float64), np.array(z_mm, dtype=np.float64)
    sides = np.unique(side)
    for code in sides:
        here = side == code
        # Each side about its own mean, so that one slope is fitted to two parallel lines.
        dx[here] -= dx[here].mean()
        dz[here] -= dz[here].mean()
    spread = float(dx @ dx)
    tilt, uncertainty = 0.0, None
    if spread > 0.0 and align:
        tilt = float(np.arctan(float(dx @ dz) / spread))
        if height_uncertainty_mm is not None:
            uncertainty = float(np.sqrt(np.sum(np.square(dx * height_uncertainty_mm)))) / spread
        else:
            # Not None: a tilt was fitted, and callers tell the two apart by that.
            uncertainty = float("nan")
    _, across = Axis(tilt, 0.0, None).align_points(x_mm, z_mm)
    # Each side's mean by itself: the sides may hold different numbers of grooves.
    levels = [float(across[side == code].mean()) for code in sides]
    if len(levels) == 2:
        offset = (levels[0] + levels[1]) / 2.0
    else:
        offset = levels[0] - (nominal_radius_mm if sides[0] == SIDE_TOP else -nominal_radius_mm)
    return Axis(tilt, offset, uncertainty, plane)


@dataclass(frozen=True, slots=True)
class PitchGrid:
    """Pitch and lead of a thread from its ball centres.

    ``pitch_mm`` is the mean distance of neighbours, None with no two grooves on a side. ``side_phase`` is
    the place of the bottom grooves between the top ones, in pitches from -0.5 to 0.5, None with one side.
    ``number`` (n,) counts each groove from the first one of its side. ``start`` (n,) is the start that
    each groove belongs to, from 0; ``index_error_mm`` (starts,) is each start's place against start 0.
    """

    pitch_mm: float | None
    pitch_uncertainty_mm: float | None
    side_phase: float | None
    number: IntArray
    start: IntArray
    index_error_mm: FloatArray | None
    index_uncertainty_mm: FloatArray | None


def fit_grid(
    along_mm: FloatArray,
    side: FloatArray,
    *,
    pitch_mm: float,
    starts: int,
    uncertainty_mm: FloatArray | None = None,
) -> PitchGrid:
    """Lay an even grid through the grooves of both sides.

    Parameters
    ----------
    along_mm, side : shape (n,)
        Ball centres along the axis, rising within each side; code of their side.
    pitch_mm, starts :
        Nominal pitch, to count the grooves that lie between two found ones, and number of starts.
    uncertainty_mm : shape (n,), optional
        Standard uncertainty of each centre along the axis.

    Notes
    -----
    Least squares with one pitch for all, a place of its own for each side (a plane of the trace beside the
    axis shifts the two sides against each other) and, with several starts, one for each start but
    the first. The same start comes up on the other side half a lead away, whatever the hand.
    """
    number = np.zeros(along_mm.size, dtype=np.int64)
    # Top (1) first, as the grooves are listed.
    codes = np.unique(side)[::-1]
    for code in codes:
        here = side == code
        # Gap by gap: over hundreds of grooves a rough pitch would miscount them from the first one on.
        number[here] = np.concatenate([[0], np.cumsum(np.rint(np.diff(along_mm[here]) / pitch_mm))]).astype(
            np.int64
        )
    phase = _side_phase(along_mm, side, number, pitch_mm) if codes.size == 2 else None
    start = _starts(along_mm, side, number, pitch_mm, starts)
    # One groove a side: no distance between neighbours anywhere.
    if not any(np.unique(number[side == code]).size > 1 for code in codes):
        return PitchGrid(None, None, phase, number, start, None, None)
    columns = [number.astype(np.float64)] + [(side == code).astype(np.float64) for code in codes]
    plain = np.column_stack(columns)
    extra = [(start == s).astype(np.float64) for s in range(1, starts)]
    full = np.column_stack([plain, *extra]) if extra else plain
    # Where each start was seen only on a side of its own, its place cannot be told from the side's.
    with_index = bool(extra) and np.linalg.matrix_rank(full) == full.shape[1]
    design = full if with_index else plain
    # pinv also serves two grooves that do not tell all columns apart; its squares carry the uncertainty
    # through.
    inverse = np.linalg.pinv(design)
    solution = inverse @ along_mm
    spread = np.sqrt((inverse**2) @ np.square(uncertainty_mm)) if uncertainty_mm is not None else None
    return PitchGrid(
        pitch_mm=float(solution[0]),
        pitch_uncertainty_mm=float(spread[0]) if spread is not None else None,
        side_phase=phase,
        number=number,
        start=start,
        index_error_mm=_index(solution, design, plain.shape[1]) if with_index else None,
        index_uncertainty_mm=_index(spread, design, plain.shape[1])
        if with_index and spread is not None
        else None,
    )


def _index(solution: FloatArray, design: FloatArray, first: int) -> FloatArray:
    """The starts' part of a solution, with start 0 at zero."""
    return np.concatenate([[0.0], solution[first : design.shape[1]]])


def _side_phase(along_mm: FloatArray, side: FloatArray, number: IntArray, pitch_mm: float) -> float:
    top, bottom = (np.mean((along_mm - pitch_mm * number)[side == code]) for code in (SIDE_TOP, -SIDE_TOP))
    shift = float(bottom - top) / pitch_mm
    # Whole pitches between the sides depend on where the trace began.
    return shift - float(np.rint(shift))


def _starts(along_mm: FloatArray, side: FloatArray, number: IntArray, pitch_mm: float, starts: int) -> IntArray:
    """Start of each groove, from 0 for the first groove of the first side."""
    if along_mm.size == 0:
        return number
    start = number.copy()
    for code in np.unique(side):
        here = side == code
        # Half a lead is starts/2 pitches.
        half_turn = 0.0 if code == side[0] else starts * pitch_mm / 2.0
        start[here] += round(float(along_mm[here][0] - along_mm[0] - half_turn) / pitch_mm)
    return np.asarray(start % starts)


@dataclass(frozen=True, slots=True)
class Step:
    """Distance of two neighbouring grooves (places in the list of grooves) along the axis."""

    first: int
    second: int
    pitch_mm: float
    uncertainty_mm: float


def neighbour_pitches(
    along_mm: FloatArray, side: FloatArray, number: IntArray, uncertainty_mm: FloatArray
) -> tuple[Step, ...]:
    """Pitch between each two neighbours of a side; a pair with a missing groove between gives none."""
    steps = []
    for i in range(along_mm.size - 1):
        if side[i] == side[i + 1] and number[i + 1] - number[i] == 1:
            spread = float(np.hypot(uncertainty_mm[i], uncertainty_mm[i + 1]))
            steps.append(Step(i, i + 1, float(along_mm[i + 1] - along_mm[i]), spread))
    return tuple(steps)


def cumulative_deviation(
    along_mm: FloatArray, side: FloatArray, number: IntArray, pitch_mm: float
) -> FloatArray:
    """Place of each groove against nominal pitches counted from the first groove of its side, mm, (n,)."""
    out = along_mm - pitch_mm * number
    for code in np.unique(side):
        here = side == code
        # Each side by itself: between the sides lies the plane's and the styli's place, which is no pitch
        # error.
        out[here] -= out[here][0]
    return np.asarray(out)


def largest(values: Sequence[float] | NDArray[np.float64]) -> float:
    """The value that is largest by amount, with its sign; 0 for none."""
    array = np.asarray(values, dtype=np.float64)
    return float(array[np.argmax(np.abs(array))]) if array.size else 0.0

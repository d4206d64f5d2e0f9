"""From the cleaned sides of an axial trace to its measured grooves."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from edgeagent.analysis.axial import checks
from edgeagent.analysis.axial.defects import Stretch, doubtful_stretches
from edgeagent.analysis.axial.flanks import Flank, Groove, measure_groove
from edgeagent.analysis.axial.form import (
    about_own_arc,
    bridged_points,
    cell_count,
    cell_numbers,
    common_and_rest,
    even_cells,
    flank_forms,
    outlying,
    root_variance,
)
from edgeagent.analysis.axial.frame import (
    MIN_FLANK_POINTS,
    Frame,
    Nominal,
    index_bounds,
    make_frame,
    recorded_centres,
    rough_pitch,
    seat_all,
    zone_bounds,
)
from edgeagent.analysis.axial.grooves import CleanSide, Rolled, roll_ball, side_name
from edgeagent.analysis.groove.arcs import BoolArray
from edgeagent.analysis.groove.helicoid import lead_angle_rad
from edgeagent.analysis.groove.pitch import fit_grid
from edgeagent.errors import AnalysisError, InputError, TraceShapeError
from edgeagent.model import FloatArray, IntArray, Thread

# 50 nm of radius change the place of a section's points by about 1 nm at the steepest lead angles.
_REMEASURE_MM = 5e-5
# One round is enough unless dust made the thinned sample differ from all points.
_REMEASURE_ROUNDS = 3
# A groove that lacks so little of its outer flank still has its arc.
_CUT_SHARE = 0.05
# Less than half of a flank may lie all on one end, where an arc is not determined.
_SEEN_SHARE = 0.5
# From the root to where a section turns vertical; at 90° neighbouring samples have no order along the flank.
_EDGE_ZONE_DEG = (0.0, 89.0)


@dataclass(frozen=True, slots=True)
class FoundGrooves:
    """Whole grooves of all sides in the order top, bottom, x rising; ``cut`` names those that are not."""

    frame: Frame
    number: IntArray
    names: tuple[str, ...]
    cut: tuple[str, ...]
    unusable: dict[str, str]


@dataclass(frozen=True, slots=True)
class MeasuredGrooves:
    """Grooves by name in the order of the frame's arrays; those that failed, with the reason."""

    frame: Frame
    number: IntArray
    grooves: dict[str, Groove]
    failed: dict[str, str]
    along_spread_mm: FloatArray
    height_spread_mm: FloatArray


def find_grooves(sides: Mapping[float, CleanSide], nominal: Nominal, thread: Thread) -> FoundGrooves:
    """Grooves of all sides with their names, the ones cut off by the ends listed separately."""
    rolled = {
        code: roll_ball(
            s.x_mm,
            # Height away from the material: z grows outward on top, inward on the bottom, and a nut is the
            # other way round.
            nominal.facing * code * s.z_mm,
            ball_radius_mm=nominal.ball_radius_mm,
            pitch_mm=thread.pitch_mm,
        )
        for code, s in sides.items()
    }
    checks.require_grooves(rolled, sides, thread, nominal.facing)
    x = np.concatenate([r.centre_x_mm for r in rolled.values()])
    z = np.concatenate([nominal.facing * c * r.centre_height_mm for c, r in rolled.items()])
    side = np.concatenate([np.full(r.centre_x_mm.size, c) for c, r in rolled.items()])
    frame = make_frame(x, z, side, nominal)
    cut, whole = _cut_by_ends(rolled, frame, sides, nominal)
    if not np.any(whole):
        return FoundGrooves(frame, np.zeros(0, dtype=np.int64), (), tuple(cut), {})
    # Anew: a cut groove's rolled place is false and would tilt the axis of the whole ones.
    frame = make_frame(x[whole], z[whole], side[whole], nominal)
    rough = rough_pitch(frame.along_mm, frame.side, thread.pitch_mm)
    number = fit_grid(frame.along_mm, frame.side, pitch_mm=rough, starts=thread.starts).number
    names = tuple(f"{side_name(s)}[{n + 1}]" for s, n in zip(frame.side, number, strict=True))
    return FoundGrooves(frame, number, names, tuple(cut), _too_few_points(names, frame, sides, nominal))


def _cut_by_ends(
    rolled: Mapping[float, Rolled], frame: Frame, sides: Mapping[float, CleanSide], nominal: Nominal
) -> tuple[list[str], Any]:
    """Places of grooves that the trace's ends cut, and which of the found grooves are whole."""
    cut = []
    for code, r in rolled.items():
        name, x = side_name(code), sides[code].x_mm
        cut += [f"{name} at the start, x {x[0]:.3f} mm"] if r.cut_at_start else []
        cut += [f"{name} at the end, x {x[-1]:.3f} mm"] if r.cut_at_end else []
    bounds = zone_bounds(frame, nominal, nominal.zone_deg)
    slack = _CUT_SHARE * (bounds[:, 0, 1] - bounds[:, 0, 0])
    first = np.array([sides[s].x_mm[0] for s in frame.side])
    last = np.array([sides[s].x_mm[-1] for s in frame.side])
    whole = (bounds[:, 0, 0] > first - slack) & (bounds[:, 1, 1] < last + slack)
    cut += [
        f"{side_name(s)} at x {x:.3f} mm" for s, x in zip(frame.side[~whole], frame.x_mm[~whole], strict=True)
    ]
    return cut, whole


def _too_few_points(
    names: tuple[str, ...], frame: Frame, sides: Mapping[float, CleanSide], nominal: Nominal
) -> dict[str, str]:
    """Grooves with a flank of which too little was traced, each with the reason."""
    bounds = zone_bounds(frame, nominal, nominal.zone_deg)
    index = index_bounds(bounds, frame, sides)
    spacing_mm = {code: float(np.median(np.diff(side.x_mm))) for code, side in sides.items()}
    reasons = {}
    for i, name in enumerate(names):
        spacing = spacing_mm[float(frame.side[i])]
        for flank, label in enumerate(("left", "right")):
            count = int(index[i, flank, 1] - index[i, flank, 0])
            # By the side's own spacing, so that a gap in one flank is seen in a dense trace and in a sparse
            # one.
            expected = float(bounds[i, flank, 1] - bounds[i, flank, 0]) / spacing
            needed = max(MIN_FLANK_POINTS, int(_SEEN_SHARE * expected))
            if count < needed:
                reasons[name] = f"the {label} flank has {count} points; {needed} are needed"
    return reasons


def measure_grooves(
    found: FoundGrooves, sides: Mapping[float, CleanSide], nominal: Nominal, construction: str
) -> MeasuredGrooves:
    """Settle the frame on thinned samples, then measure every groove on all points."""
    usable = np.array([name not in found.unusable for name in found.names])
    if not np.any(usable):
        raise TraceShapeError("; ".join(f"{k}: {v}" for k, v in found.unusable.items()))
    # Anew without the unusable grooves, as their places would pull at axis and pitch.
    start = make_frame(found.frame.x_mm[usable], found.frame.z_mm[usable], found.frame.side[usable], nominal)
    names = [n for n, good in zip(found.names, usable, strict=True) if good]
    number = found.number[usable]
    frame, arcs = seat_all(start, sides, nominal)
    failed = dict(found.unusable)
    for _ in range(_REMEASURE_ROUNDS):
        grooves = _measure_each(names, frame, arcs, sides, nominal, construction, failed)
        # What fails in one round stays out: values come from grooves that lasted to the end.
        good = np.array([name in grooves for name in names])
        if not np.any(good):
            raise TraceShapeError("; ".join(f"{k}: {v}" for k, v in failed.items()))
        measured = _seat_frame(frame, good, list(grooves.values()), nominal)
        moved = float(
            max(
                np.max(np.abs(measured[0].along_mm - frame.along_mm[good])),
                np.max(np.abs(measured[0].radius_mm - frame.radius_mm[good])),
            )
        )
        names, number, arcs = list(grooves), number[good], arcs[good]
        if moved < _REMEASURE_MM:
            break
        frame = measured[0]
    compared = compare_flanks(grooves, nominal)
    return MeasuredGrooves(measured[0], number, compared, failed, measured[1], measured[2])


def compare_flanks(grooves: Mapping[str, Groove], nominal: Nominal) -> dict[str, Groove]:
    """Grooves with what only the comparison of their flanks shows: dust from form, texture from form."""
    cutoff = nominal.form_cutoff_mm
    names = [[g.flanks[i] for g in grooves.values()] for i in (0, 1)]
    # One cell for all flanks, so that the cells of one lie at the places of the other.
    length = float(np.median([_length_mm(f) for flanks in names for f in flanks]))
    cells = cell_count(length, cutoff)
    marked, profiles, clean = zip(*(_without_dust(flanks, nominal, cells) for flanks in names), strict=True)
    profiles, clean = zip(*(about_own_arc(p, c) for p, c in zip(profiles, clean, strict=True)), strict=True)
    # Both flanks were cut alike: what is chance on one is so on the other.
    (common_left, chance_left), (common_right, chance_right) = (common_and_rest(c) for c in clean)
    chance = np.concatenate([chance_left, chance_right])
    cell = length / cells
    texture_um = float(np.sqrt(root_variance(chance, cell, cutoff)))
    lefts, rights = (
        [
            replace(f, form=form)
            for f, form in zip(m, flank_forms(p, c, shared, chance, cell, cutoff), strict=True)
        ]
        for m, p, c, shared in zip(marked, profiles, clean, (common_left, common_right), strict=True)
    )
    return {
        name: replace(groove, left=a, right=b, root_uncertainty_um=_with_texture(groove, texture_um))
        for (name, groove), a, b in zip(grooves.items(), lefts, rights, strict=True)
    }


def _without_dust(
    flanks: Sequence[Flank], nominal: Nominal, cells: int
) -> tuple[list[Flank], FloatArray, FloatArray]:
    """Flanks of one name with their doubtful stretches; their profiles as read, and with those bridged."""
    profiles = np.array([_profile(f, cells) for f in flanks])
    standing = [_find_standing_stretches(f, off) for f, off in zip(flanks, outlying(profiles), strict=True)]
    doubtful = doubtful_stretches(standing, starts=nominal.starts, cutoff_mm=nominal.form_cutoff_mm)
    marked = [replace(f, doubtful=d) for f, d in zip(flanks, doubtful, strict=True)]
    bridged = [_profile(f, cells) if f.doubtful else own for f, own in zip(marked, profiles, strict=True)]
    return marked, profiles, np.array(bridged)


def _length_mm(flank: Flank) -> float:
    """Length of a flank in the contact zone, along its arc."""
    ends = np.flatnonzero(flank.surface)[[0, -1]]
    turn = np.arctan2(flank.u_mm[ends] - flank.arc.x_mm, flank.arc.y_mm - flank.h_mm[ends])
    return float(flank.arc.radius_mm * abs(turn[1] - turn[0]))


def _profile(flank: Flank, cells: int) -> FloatArray:
    """A flank's residual in equal cells, um, proud positive; what may be dust is bridged."""
    at, proud = flank.length_mm[flank.surface], -1e3 * flank.arc.residual_mm[flank.surface]
    if flank.doubtful:
        proud = bridged_points(at, proud, flank.dust[flank.surface])
    return even_cells(at, proud, cells)


def _find_standing_stretches(flank: Flank, off: BoolArray) -> tuple[Stretch, ...]:
    """The stretches that reach a cell which stands off what the grooves have in common."""
    if not flank.stretches:
        return ()
    ends = flank.length_mm[flank.surface]
    cell = cell_numbers(flank.length_mm, off.size, (float(ends.min()), float(ends.max())))
    return tuple(s for s in flank.stretches if np.any(off[cell[s.first : s.last]]))


def _with_texture(groove: Groove, texture_um: float) -> float | None:
    """Root uncertainty: the readings' own or that of the flanks' texture, the larger, and the ball's place."""
    if groove.root_uncertainty_um is None:
        return None
    ball_um = groove.seat.uncertainty["centre_h_mm"] * 1e3
    # `flanks` has added the ball's place already; it must count once.
    own = np.sqrt(max(groove.root_uncertainty_um**2 - ball_um**2, 0.0))
    return float(np.hypot(max(float(own), texture_um), ball_um))


def _measure_each(
    names: list[str],
    frame: Frame,
    arcs: FloatArray,
    sides: Mapping[float, CleanSide],
    nominal: Nominal,
    construction: str,
    failed: dict[str, str],
) -> dict[str, Groove]:
    """Measure each groove; what fails goes to ``failed`` with its reason."""
    zone = index_bounds(zone_bounds(frame, nominal, nominal.zone_deg), frame, sides)
    reach = index_bounds(zone_bounds(frame, nominal, _EDGE_ZONE_DEG), frame, sides)
    grooves = {}
    for i, name in enumerate(names):
        try:
            grooves[name] = measure_groove(
                sides[float(frame.side[i])],
                frame,
                i,
                arcs[i],
                nominal,
                zone=zone[i],
                reach=reach[i],
                construction=construction,
            )
        except (AnalysisError, InputError) as error:
            failed[name] = str(error)
    return grooves


def _seat_frame(
    frame: Frame, good: Any, grooves: list[Groove], nominal: Nominal
) -> tuple[Frame, FloatArray, FloatArray]:
    """Frame of the finally seated balls, with their standard uncertainties along and across the axis."""
    kept = replace(
        frame,
        x_mm=frame.x_mm[good],
        z_mm=frame.z_mm[good],
        side=frame.side[good],
        along_mm=frame.along_mm[good],
        radius_mm=frame.radius_mm[good],
        number=frame.number[good],
        start=frame.start[good],
    )
    centre = np.array([[g.seat.centre_u_mm, g.seat.centre_h_mm] for g in grooves])
    spread_u = np.array([g.seat.uncertainty["centre_u_mm"] for g in grooves])
    height = np.array([g.seat.uncertainty["centre_h_mm"] for g in grooves])
    x, z = recorded_centres(kept, centre, nominal)
    # Across the groove, a step du moves the axial section's centre by du / cos(lead angle).
    along = spread_u / np.cos(lead_angle_rad(kept.radius_mm, kept.lead_mm))
    plane = kept.axis.plane
    return make_frame(x, z, kept.side, nominal, height_uncertainty_mm=height, plane=plane), along, height

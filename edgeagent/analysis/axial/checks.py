"""Is an axial trace fit to be judged? One function, one check, one sentence.

Allowed values are common practice unless the recipe sets them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from edgeagent.analysis.axial.flanks import Flank
from edgeagent.analysis.axial.grooves import CleanSide, Rolled, roll_ball, side_name
from edgeagent.analysis.axial.plane import Plane
from edgeagent.errors import TraceRangeError, TraceShapeError
from edgeagent.model import SIDE_BOTTOM, SIDE_TOP, FloatArray, IntArray, QualityCheck, Thread, TraceHeader

# In pitches: an odd number of starts for an even one shows as 0.5, far from what errors of pitch do.
MAX_SIDE_PHASE = 0.1
# Beyond the scatter of where a ground flank ends, well below the width of a zone (decided here).
MAX_SHORT_DEG = 3.0
# A slide that jitters at its turning points repeats a few samples; more means that x is not the path.
MAX_BACKWARD_SHARE = 0.005
# Far above any real error of pitch: another lead or number of starts, with which nothing is worth fitting.
MAX_GROSS_PITCH_ERROR = 0.05


def require_plausible_units(sides: Mapping[float, CleanSide], thread: Thread) -> None:
    """Raise TraceRangeError when lengths cannot be in mm, or the sides are swapped; nothing is rescaled."""
    for code, trace in sides.items():
        span = float(trace.x_mm[-1] - trace.x_mm[0])
        # Wide, since only a factor of 1,000 (um, m) is looked for: real traces have from less than one to some
        # hundred pitches.
        if not 0.1 * thread.pitch_mm <= span <= 1000.0 * thread.pitch_mm:
            raise TraceRangeError(
                f"x_mm of side {side_name(code)} spans {span:.6g} mm at a pitch of {thread.pitch_mm:.6g} mm: "
                f"x is hardly in mm (1000 times off would be {span / 1000:.6g} or {span * 1000:.6g} mm)"
            )
        # Percentiles, so that a spike of millimetres does not stand for a depth; 2,000 samples are enough for
        # them.
        low, high = np.percentile(trace.z_mm[:: max(trace.z_mm.size // 2000, 1)], [2.0, 98.0])
        depth, ball = float(high - low), thread.ball_diameter_mm
        # A groove is some tenths of a ball deep: in m it would be 1,000 times shallower, in um 1,000 times
        # deeper.
        if depth < 2e-3 * ball:
            raise TraceRangeError(
                f"z_mm of side {side_name(code)} varies by {depth:.6g} mm only, far less than a groove for a "
                f"{ball:.6g} mm ball: z is hardly in mm, or no groove was traced"
            )
        if depth > 20.0 * ball:
            raise TraceRangeError(
                f"z_mm of side {side_name(code)} varies by {depth:.6g} mm, far more than a groove for a "
                f"{ball:.6g} mm ball: z is hardly in mm"
            )
    if len(sides) == 2:
        _require_plausible_distance(sides, thread)


def _require_plausible_distance(sides: Mapping[float, CleanSide], thread: Thread) -> None:
    # Medians: lands and grooves differ by part of a ball only, dust and run-out ends not at all.
    top, bottom = (float(np.median(sides[code].z_mm)) for code in (SIDE_TOP, SIDE_BOTTOM))
    if top < bottom:
        raise TraceRangeError(
            f"the sides are swapped or z points the wrong way: top lies at {top:.6g} mm, below the bottom "
            f"at {bottom:.6g} mm; both sides need one common frame in which the top has the larger z"
        )
    ratio = (top - bottom) / thread.ball_pitch_circle_mm
    # Lands and roots lie within a ball of the circle; two frames with zeros of their own are far off this.
    if not 0.5 <= ratio <= 2.0:
        raise TraceRangeError(
            f"the sides lie {top - bottom:.6g} mm apart at a ball pitch circle of "
            f"{thread.ball_pitch_circle_mm:.6g} mm: z is hardly in mm, or the sides do not share one frame"
        )


def require_grooves(
    rolled: Mapping[float, Rolled], sides: Mapping[float, CleanSide], thread: Thread, facing: float
) -> None:
    """Raise TraceShapeError when no side shows a groove; says so when the profile is the other way up."""
    # One side with grooves is enough to go on: the other one is named by the checks that follow.
    if any(r.centre_x_mm.size for r in rolled.values()):
        return
    ball = thread.ball_diameter_mm
    for code, trace in sides.items():
        # Rolled on the profile's other face: grooves found there tell a mirrored z from a trace without
        # grooves.
        inverted = roll_ball(
            trace.x_mm, -facing * code * trace.z_mm, ball_radius_mm=ball / 2, pitch_mm=thread.pitch_mm
        )
        if inverted.centre_x_mm.size:
            way = "away from the axis" if thread.member == "nut" else "toward the axis"
            raise TraceShapeError(
                f"side {side_name(code)} has grooves on the wrong side of the profile: on a {thread.member} "
                f"they lead {way}; the part is no {thread.member}, or z is mirrored"
            )
    cut = any(r.cut_at_start or r.cut_at_end for r in rolled.values())
    raise TraceShapeError(
        f"no groove that takes up a ball of {ball:.6g} mm was found"
        + ("; the trace begins or ends inside a groove, which is not enough" if cut else "")
    )


def missing_samples(sides: Mapping[float, CleanSide], points: int, allowed: float) -> QualityCheck:
    """Samples that the gauge could not read."""
    count = sum(s.missing for s in sides.values())
    share = count / points
    return QualityCheck(
        "missing_samples", share <= allowed, share, allowed, "1",
        f"{count} of {points} samples are missing and were left out",
    )  # fmt: skip


def order_of_x(sides: Mapping[float, CleanSide], points: int, *, falling_allowed: bool) -> QualityCheck:
    """Direction of the trace; steps against it.

    A falling x was written by a gauge that came back, or is mirrored; only the recipe can say which.
    """
    backward = sum(s.backward for s in sides.values())
    turned = [side_name(code) for code, s in sides.items() if s.reversed_order]
    share = backward / points
    notes = []
    if turned:
        note = f"x ran from large to small on side {' and '.join(turned)} and was turned round"
        if not falling_allowed:
            note += (
                ": the gauge came back, or x is mirrored and left and right are exchanged; falling_x = true in "
                "the recipe says the former"
            )
        notes.append(note)
    if backward or not turned:
        notes.append(f"{backward} steps against the direction of the trace")
    ok = share <= MAX_BACKWARD_SHARE and (falling_allowed or not turned)
    return QualityCheck("order_of_x", ok, share, MAX_BACKWARD_SHARE, "1", "; ".join(notes))


def one_side(sides: Mapping[float, CleanSide]) -> QualityCheck:
    """A single side is allowed; then nothing can be measured across the axis."""
    names = " and ".join(side_name(code) for code in sides)
    note = f"measured: {names}"
    if len(sides) == 1:
        note += "; with one side there is no ball pitch circle, and its nominal diameter places the axis"
    return QualityCheck("sides", True, float(len(sides)), None, "1", note)


def hand_of_thread(thread: Thread, header: TraceHeader) -> QualityCheck:
    """The hand cannot be seen in an axial section; only a contradiction in the header can be found."""
    stated = header.extra.get("hand")
    # `extra` holds keys that nobody validated: anything but text says nothing of the hand.
    if isinstance(stated, str) and stated != thread.hand:
        note = f"the trace says {stated}-hand, the recipe {thread.hand}-hand"
        return QualityCheck("hand", False, None, None, "", note)
    note = "an axial section is the same for both hands and for x mirrored; neither can be checked in it"
    return QualityCheck("hand", True, None, None, "", note)


def cut_grooves(names: Sequence[str]) -> QualityCheck:
    """Grooves at the ends of the trace that are not whole."""
    note = f"not whole, not analysed: {', '.join(names)}" if names else "no groove is cut by the trace's ends"
    # Always passes: a trace has to begin and end somewhere; which groove is missing is what a reader needs.
    return QualityCheck("cut_grooves", True, float(len(names)), None, "1", note)


def failed_grooves(reasons: Mapping[str, str]) -> QualityCheck:
    """Whole grooves that could not be measured, each with its reason."""
    note = "; ".join(f"{name}: {why}" for name, why in reasons.items()) or "every whole groove was measured"
    return QualityCheck("failed_grooves", not reasons, float(len(reasons)), 0.0, "1", note)


def unbroken_sequence(number: IntArray, side: FloatArray) -> QualityCheck:
    """No groove missing between two found ones."""
    gaps = [
        f"{side_name(side[i])} between groove {number[i] + 1} and {number[i + 1] + 1}"
        for i in range(number.size - 1)
        # Numbers begin anew on the other side, so that only neighbours on one side tell a gap.
        if side[i] == side[i + 1] and number[i + 1] - number[i] != 1
    ]
    note = (
        f"grooves are missing, or the recipe's pitch is wrong: {', '.join(gaps)}"
        if gaps
        else "grooves follow one another without a gap"
    )
    return QualityCheck("groove_sequence", not gaps, float(len(gaps)), 0.0, "1", note)


def gross_pitch(
    found_mm: float, thread: Thread, allowed_percent: float, *, coarse: bool = False
) -> QualityCheck:
    """Distance of neighbouring grooves against the recipe; ``coarse`` before any ball is seated."""
    error = 100.0 * (found_mm / thread.pitch_mm - 1.0)
    ok = abs(error) <= allowed_percent
    found = f"about {found_mm:.3g}" if coarse else f"{found_mm:.6g}"
    note = f"neighbouring grooves lie {found} mm apart, the recipe has {thread.pitch_mm:.6g} mm"
    if not ok:
        note += f": lead {thread.lead_mm:.6g} mm or {thread.starts} starts are wrong for this part"
    return QualityCheck("pitch_against_recipe", ok, abs(error), allowed_percent, "%", note)


def stated_lead(thread: Thread, header: TraceHeader) -> tuple[QualityCheck, ...]:
    """Lead in the trace's header against the recipe, where the header has one."""
    if header.lead_mm is None:
        return ()
    # Two texts of one number: equal but for the rounding of its printing.
    ok = abs(header.lead_mm - thread.lead_mm) <= 1e-6 * thread.lead_mm
    note = f"the trace says lead {header.lead_mm:.6g} mm, the recipe {thread.lead_mm:.6g} mm"
    return (QualityCheck("stated_lead", ok, header.lead_mm, thread.lead_mm, "mm", note),)


def side_phase(phase: float, thread: Thread) -> QualityCheck:
    """Half a turn on, a groove lies half a lead on: between two grooves for odd starts, opposite for even."""
    expected = 0.5 * (thread.starts % 2)
    # The distance on a circle of one pitch: -0.5 and 0.5 are the same place.
    off = abs((phase - expected + 0.5) % 1.0 - 0.5)
    ok = off <= MAX_SIDE_PHASE
    place = "midway between the top ones" if thread.starts % 2 else "opposite to the top ones"
    note = f"bottom grooves lie {off:.3f} pitches off their place {place}"
    if not ok:
        note += f": {thread.starts} starts are wrong for this part, or the sides do not share one frame"
    return QualityCheck("side_phase", ok, off, MAX_SIDE_PHASE, "pitches", note)


def axis_tilt(tilt_deg: float | None, allowed_deg: float, *, trusted: bool) -> QualityCheck:
    """Tilt of the part's axis in the frame of the trace."""
    if tilt_deg is None:
        note = (
            "the frame of the trace is taken as aligned, as the recipe says"
            if trusted
            else "the tilt of the axis cannot be seen: it takes two grooves on a side"
        )
        return QualityCheck("axis_tilt", trusted, None, allowed_deg, "deg", note)
    ok = abs(tilt_deg) <= allowed_deg
    note = f"the axis is tilted by {tilt_deg:.4f}° in the plane of the trace" + (
        "" if ok else ": align the part"
    )
    return QualityCheck("axis_tilt", ok, abs(tilt_deg), allowed_deg, "deg", note)


def measuring_plane(plane: Plane, along_mm: FloatArray, allowed_mm: float) -> QualityCheck:
    """How the measuring plane lies against the axis; informational where the trace cannot show it.

    ``along_mm`` (n,) are the grooves' places: the one from whose crest the plane lies farthest decides.
    """
    if plane.offset_uncertainty_mm is None:
        note = "three grooves on both sides would show how the plane lies; what the station states is counted"
        return QualityCheck("measuring_plane", True, None, allowed_mm, "mm", note)
    # Not at x = 0: a gauge may count x from far outside the part, where a yaw has carried the plane away.
    beside = plane.offset_mm + along_mm * np.tan(plane.yaw_rad)
    farthest = float(beside[np.argmax(np.abs(beside))])
    note = f"the measuring plane lies {farthest:.4f} mm beside the axis"
    if plane.yaw_uncertainty_rad is not None:
        note += f", turned by {np.degrees(plane.yaw_rad):.4f}° against it"
    ok = abs(farthest) <= allowed_mm
    note += "; this is taken out of all values" if ok else ": set the stylus over the crest of the part"
    return QualityCheck("measuring_plane", ok, abs(farthest), allowed_mm, "mm", note)


def ball_circle(diameter_mm: float, thread: Thread) -> QualityCheck:
    """Ball circle against the recipe: a quarter of a ball off is another part, not a bad one."""
    # No wear or grinding error comes near this; a wrong recipe, or z of a radius for a diameter, goes beyond.
    allowed = thread.ball_diameter_mm / 4.0
    off = abs(diameter_mm - thread.ball_pitch_circle_mm)
    note = f"ball pitch circle {diameter_mm:.4f} mm, nominal {thread.ball_pitch_circle_mm:.6g} mm"
    return QualityCheck("ball_circle_against_recipe", off <= allowed, off, allowed, "mm", note)


def left_out_points(flanks: Mapping[str, Flank], allowed: float) -> QualityCheck:
    """Points that the arc leaves out and that may be dust: on one groove only; the worst flank decides."""
    found = [(s, name) for name, flank in flanks.items() for s in flank.doubtful]
    share = max((flank.dust_share for flank in flanks.values()), default=0.0)
    if not found:
        note = "no flank has a stretch that could be dust"
        return QualityCheck("left_out_points", True, share, allowed, "1", note)
    s, name = max(found, key=lambda each: abs(each[0].height_um))
    way = "high" if s.height_um > 0.0 else "deep"
    note = (
        f"{len(found)} {'stretch' if len(found) == 1 else 'stretches'} on single grooves, dust or defect: the "
        f"largest on {name} at {sum(s.angle_deg) / 2:.1f}°, {abs(s.height_um):.3g} µm {way}, "
        f"{s.width_mm * 1e3:.0f} µm wide; clean the part and measure again"
    )
    return QualityCheck("left_out_points", share <= allowed, share, allowed, "1", note)


def flank_ends(flanks: Mapping[str, Flank], allowed: float) -> QualityCheck:
    """How much of the contact zone lies beyond a flank's ends, on land or chamfer; the worst flank decides.

    A flank that ends far before the others of its name is chipped or was not seen.
    """
    share, worst = max(((f.land_share, name) for name, f in flanks.items()), default=(0.0, ""))
    note = f"{100 * share:.1f} % of the contact zone lies beyond the flank's ends"
    short = _short_flanks(flanks)
    if share > 0.0:
        note += f", most on {worst}"
    if short:
        note += f"; {', '.join(short)} end more than {MAX_SHORT_DEG:g}° before the others inside the zone"
    return QualityCheck("flank_ends", share <= allowed and not short, share, allowed, "1", note)


def _short_flanks(flanks: Mapping[str, Flank]) -> list[str]:
    found = []
    for label in ("left", "right"):
        same = {name: flank for name, flank in flanks.items() if name.endswith(label)}
        # Of two flanks nobody knows which one is short.
        if len(same) < 3:
            continue
        # Ends beyond the zone do not matter, however much they differ.
        last = {name: min(flank.edges_deg[1], float(flank.angle_deg.max())) for name, flank in same.items()}
        middle = float(np.median(list(last.values())))
        found += [name for name, end in last.items() if end < middle - MAX_SHORT_DEG]
    return found


def without_number(remarks: Sequence[str]) -> tuple[QualityCheck, ...]:
    """Optional values that could not be measured: informational; a limit on one still holds the part."""
    if not remarks:
        return ()
    return (QualityCheck("values_without_number", True, float(len(remarks)), None, "1", "; ".join(remarks)),)


def lacking(check: str, note: str, *, expected: bool) -> QualityCheck:
    """A value that cannot be had; no failure where the recipe expects a single groove."""
    return QualityCheck(check, expected, None, None, "", note)


def failed_check(check: str, note: str) -> QualityCheck:
    """A failure that has no number."""
    return QualityCheck(check, False, None, None, "", note)

"""How a gauge reads a track: along which direction, over which length, and whether trace and recipe agree."""

from __future__ import annotations

import numpy as np

from edgeagent.model import FloatArray, QualityCheck, Thread, Trace, TraceHeader


def normal_factor(
    header: TraceHeader, thread: Thread | None, surface_angle_deg: float | None, spiral: bool
) -> tuple[float, QualityCheck]:
    """Factor from the gauge's reading to the displacement normal to the surface, and the check of it.

    A point of the surface that moves by d along its normal is seen by a radial gauge as d / cos α and by an
    axial one as d / (sin α cos ψ), α the contact angle from the radial direction, ψ the lead angle (derived
    here: the normal is cos α along the radius and sin α along the binormal of the helix). On a circle α is
    ``surface_angle_deg``, the recipe's, 0 by default (a cylinder).
    """
    if header.sensing == "normal":
        return 1.0, QualityCheck("sensing", True, None, None, "", "read normal to the surface")
    lead_angle = thread.lead_angle_rad if thread is not None and spiral else 0.0
    angle_deg = surface_angle_deg
    if angle_deg is None:
        angle_deg = 0.0 if not spiral else thread.contact_angle_deg if thread is not None else None
    if angle_deg is None:
        note = f"read {header.sensing}, but the contact angle is not known: values are as the gauge read them"
        return 1.0, QualityCheck("sensing", False, None, None, "", note)
    angle = np.radians(angle_deg)
    factor = float(np.cos(angle) if header.sensing == "radial" else np.sin(angle) * np.cos(lead_angle))
    # Within 3° of the gauge's own plane a degree of contact angle changes the factor by a third.
    if factor < 0.05:
        note = f"a surface at {angle_deg:g} deg cannot be measured by {header.sensing} reading"
        return 1.0, QualityCheck("sensing", False, factor, 0.05, "1", note)
    note = f"read {header.sensing}, times {factor:.6f} for the surface at {angle_deg:g} deg"
    return factor, QualityCheck("sensing", True, factor, 0.05, "1", note)


def unwrapped_deg(angle_deg: FloatArray) -> FloatArray:
    """Angles that some instruments count anew each turn, 359 then 0, as one count over all turns; shape (n,).

    A step of more than half a turn against the way of most steps is such a new beginning. A wide gap on the way
    is none, and neither is a missing sample, which stays so.
    """
    if float(np.max(np.abs(np.diff(angle_deg)), initial=0.0)) <= 180.0:
        return angle_deg  # no new beginning, and none missing, which would make it NaN
    known = np.flatnonzero(np.isfinite(angle_deg))
    step = np.diff(angle_deg[known])
    if not len(step) or float(np.max(np.abs(step))) <= 180.0:
        return angle_deg
    # By the count of steps, not by their sum, which the jumps back by 359° take to nothing.
    way = 1.0 if np.count_nonzero(step > 0) >= np.count_nonzero(step < 0) else -1.0
    # Only against the way: a gap of missing samples may leap by more than half a turn along it.
    begun = np.concatenate(([0], np.cumsum(step * way < -180.0)))
    result = angle_deg.copy()
    result[known] += way * 360.0 * begun
    return result


def track_length_mm(header: TraceHeader, thread: Thread | None) -> float | None:
    """Length of the track over one turn: the helix at the stylus' diameter; None when unknown."""
    diameter = header.track_diameter_mm or (thread.contact_diameter_mm if thread is not None else None)
    if diameter is None:
        return None
    lead = thread.lead_mm if thread is not None and header.kind == "spiral" else 0.0
    return float(np.hypot(np.pi * diameter, lead))


def contradictions(trace: Trace, thread: Thread | None) -> list[QualityCheck]:
    """Does the trace fit the thread that the recipe describes?"""
    if thread is None:
        return []
    checks = []
    header = trace.header
    if header.track_diameter_mm is not None and header.kind == "spiral":
        # A ball touches a shaft inside its own circle, a nut outside.
        inward = -1.0 if thread.member == "shaft" else 1.0
        off = inward * (header.track_diameter_mm - thread.ball_pitch_circle_mm)
        # A contact lies less than a ball inside the circle; a twentieth is left for rounded diameters.
        ok = -0.05 * thread.ball_diameter_mm <= off <= thread.ball_diameter_mm
        note = f"the stylus runs at {header.track_diameter_mm:g} mm; the recipe's ball circle is "
        note += f"{thread.ball_pitch_circle_mm:g} mm and its track lies {'below' if inward < 0 else 'above'} it"
        checks.append(QualityCheck("track_diameter", ok, off, thread.ball_diameter_mm, "mm", note))
    lead = _measured_lead_mm(trace) if header.lead_mm is None else header.lead_mm
    if lead is not None and header.kind == "spiral":
        # Amounts: the sign says how the trace ran, and the hand is not judged here.
        off = abs(abs(lead) - thread.lead_mm)
        # No lead error is that large; a wrong recipe or a wrong number of starts is larger.
        allowed = 0.01 * thread.lead_mm
        note = f"the trace has a lead of {abs(lead):.4f} mm, the recipe {thread.lead_mm:g} mm"
        checks.append(QualityCheck("lead_agreement", off <= allowed, off, allowed, "mm", note))
    return checks


def _measured_lead_mm(trace: Trace) -> float | None:
    """Lead from the axial position over the angle, where the trace records it."""
    if "axial_mm" not in trace.columns:
        return None
    angle, axial = unwrapped_deg(trace.columns["angle_deg"]), trace.columns["axial_mm"]
    finite = np.isfinite(angle) & np.isfinite(axial)
    if np.count_nonzero(finite) < 2 or np.ptp(angle[finite]) <= 0:
        return None
    slope = np.polynomial.Polynomial.fit(angle[finite], axial[finite], 1).convert().coef
    return float(slope[1] * 360.0) if len(slope) > 1 else 0.0


def flank_of(feature: str) -> str | None:
    """``left`` or ``right`` where a feature's name says it, else None."""
    return next((side for side in ("left", "right") if side in feature), None)


def rise_mm_per_turn(trace: Trace, thread: Thread) -> float:
    """Growth of height in a turn of growing angle, in mm: as the trace recorded it, else by the hand."""
    nominal = thread.lead_mm if thread.hand == "right" else -thread.lead_mm
    return recorded_rise(trace, thread) or nominal


def recorded_rise(trace: Trace, thread: Thread) -> float:
    """Growth of the recorded axial position in a turn, in mm, 0 where there is none that fits the thread."""
    axial = trace.columns.get("axial_mm")
    if axial is None:
        return 0.0
    angle = unwrapped_deg(trace.columns["angle_deg"])
    finite = np.isfinite(axial) & np.isfinite(angle)
    if np.count_nonzero(finite) < 2 or np.ptp(angle[finite]) <= 0:
        return 0.0
    # Centred turns make the slope's sum blind to where the axial scale has its zero.
    turns = (angle[finite] - np.mean(angle[finite])) / 360.0
    slope = float(np.einsum("i,i->", turns, axial[finite]) / np.einsum("i,i->", turns, turns))
    # Half a lead in a turn: a column that hardly moves is a position on some other axis, not along the thread
    return slope if abs(slope) > 0.5 * thread.lead_mm else 0.0

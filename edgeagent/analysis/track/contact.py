"""The contact of a stylus with the track, from what trace and recipe say: whether eccentricity can be taken
out.

Radius, contact angle and flank decide. What lacks is not guessed: then the values stay as they are and what
eccentricity may have done to them counts in their uncertainty.
"""

from __future__ import annotations

import numpy as np

from edgeagent.analysis.track.eccentric import EccentricContact
from edgeagent.analysis.track.sensing import flank_of, rise_mm_per_turn
from edgeagent.model import RoundSurface, Thread, Trace

_RADIUS_ASSUMED_MM = 5.0
"""Where neither trace nor recipe gives a diameter: small, so that it rather counts too much."""
_ANGLE_ASSUMED_RAD = np.pi / 4


def contact_of(
    trace: Trace,
    thread: Thread | None,
    factor: float,
    *,
    flank: str | None,
    surface_angle_deg: float | None,
    spiral: bool,
    surface: RoundSurface | None = None,
) -> EccentricContact | None:
    """How an eccentric part turns the contact of this trace; None for a surface that lies across the axis.

    ``factor`` turns readings into displacements normal to the surface, ``flank`` is the recipe's, None for that
    of the feature's name. A reference artefact without a thread has a round ``surface``, the outside of a
    cylinder unless its certificate says otherwise.
    """
    if thread is None and trace.header.artefact is not None:
        return _on_round(trace, factor, surface or RoundSurface())
    if thread is None:
        return _without_thread(trace, factor, surface_angle_deg, spiral)
    if spiral:
        return _on_track(trace, thread, factor, flank or flank_of(trace.header.feature), surface_angle_deg)
    outward = 1.0 if thread.member == "shaft" else -1.0
    cosine = float(np.cos(np.radians(surface_angle_deg or 0.0)))
    diameter = trace.header.track_diameter_mm or thread.contact_diameter_mm
    tip_mm = trace.header.tip_radius_mm or 0.0
    if cosine < 0.05:
        return None
    return EccentricContact(
        radius_um=1000 * (diameter / 2 + outward * tip_mm * cosine),
        normal=(outward * cosine, 0.0),
        factor=factor,
    )


def _on_round(trace: Trace, factor: float, surface: RoundSurface) -> EccentricContact | None:
    """The contact with an artefact's surface of revolution, traced around or along a helix."""
    if not surface.turned:
        return None
    diameter = trace.header.track_diameter_mm or surface.diameter_mm
    if diameter is None:
        return _without_thread(trace, factor, surface.surface_angle_deg, spiral=False)
    outward = -1.0 if surface.inside else 1.0
    cosine = float(np.cos(np.radians(surface.surface_angle_deg)))
    if cosine < 0.05:
        return None
    tip_mm = trace.header.tip_radius_mm or 0.0
    return EccentricContact(
        radius_um=1000 * (diameter / 2 + outward * tip_mm * cosine),
        normal=(outward * cosine, 0.0),
        factor=factor,
    )


def _without_thread(
    trace: Trace, factor: float, surface_angle_deg: float | None, spiral: bool
) -> EccentricContact | None:
    """Without a thread neither inside and outside nor hand and flank are known: nothing is taken out."""
    diameter = trace.header.track_diameter_mm
    radius_mm = _RADIUS_ASSUMED_MM if diameter is None else diameter / 2
    angle = _ANGLE_ASSUMED_RAD if spiral else 0.0
    if surface_angle_deg is not None:
        angle = float(np.radians(surface_angle_deg))
    if np.cos(angle) < 0.05:
        return None
    return EccentricContact(
        radius_um=1000 * radius_mm, normal=(float(np.cos(angle)), 0.0), factor=factor, taken_out=False
    )


def _on_track(
    trace: Trace, thread: Thread, factor: float, flank: str | None, surface_angle_deg: float | None
) -> EccentricContact | None:
    """The contact with one flank of a thread; without the flank, its radial part with the doubt of that."""
    header = trace.header
    outward = 1.0 if thread.member == "shaft" else -1.0
    angle = np.radians(thread.contact_angle_deg if surface_angle_deg is None else surface_angle_deg)
    sin, cos, along = float(np.sin(angle)), float(np.cos(angle)), float(np.cos(thread.lead_angle_rad))
    if cos < 0.05:
        return None
    tip_mm = header.tip_radius_mm or 0.0
    diameter = header.track_diameter_mm or thread.contact_diameter_mm
    # The left flank faces larger x, so its normal's axial part is positive; 0 leaves the radial part alone.
    side = {"left": 1.0, "right": -1.0}.get(flank or "", 0.0)
    # D·T / D·N for a gauge that reads along N, the radius, or the axis; 0.05 as in `normal_factor`.
    slip = {"normal": 0.0, "radial": sin / cos, "axial": -cos / max(sin, 0.05)}[header.sensing]
    arc_mm = thread.track_conformity * thread.ball_diameter_mm - tip_mm
    return EccentricContact(
        radius_um=1000 * (diameter / 2 + outward * tip_mm * cos),
        normal=(outward * cos, side * sin * along),
        along=(outward * sin, -side * cos * along),
        rise_um=1000 * rise_mm_per_turn(trace, thread) / (2 * np.pi),
        slip=slip,
        factor=factor,
        # A tip as large as the flank's radius has no arc to slide on.
        arc_um=1000 * arc_mm if arc_mm > 0 else None,
        axial_unknown=0.0 if side else sin * along,
    )

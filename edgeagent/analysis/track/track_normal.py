"""Where a stylus touches a ball track and which way the surface faces there.

Angles are those of the trace about the part's axis, x and height are the same direction. The normal of the
track at the contact point lies in the plane normal to the ball-centre helix (derived here; a canal surface's
normal points to its centre line).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeagent.errors import TraceRangeError
from edgeagent.model import Thread


@dataclass(frozen=True, slots=True)
class SurfaceNormal:
    """Where the stylus touches and which way the surface faces there.

    ``gain`` is N_r - i N_t of the outward normal's radial and tangential part at the contact point,
    ``lever_mm`` its axial part times the radius. A cylinder's outside has gain 1 and no lever.
    """

    gain: complex
    lever_mm: float


def track_normal(
    thread: Thread, flank: str | None, *, rises: bool | None = None, tip_radius_mm: float = 0.0
) -> SurfaceNormal:
    """Normal of a thread's track at the contact point of its ``left`` or ``right`` flank, the left one lower.

    The normal lies in the plane normal to the helix at the ball: cos α along the radius (towards the axis in a
    nut), sin α along the binormal, whose parts are cos ψ along and sin ψ around the axis; the contact point
    lies ahead of that plane or behind it (derived here). Without a flank only the radial part counts; the
    direction is then wrong by about atan(tan α sin ψ), a few degrees. ``rises`` says whether height grows with
    the trace's angle along the thread; None takes the angle as counted so that it does on a right-hand thread.
    ``tip_radius_mm``: the trace's angle is that of the tip's centre, see ``normal_plane_shift_rad``.
    Raises TraceRangeError for any other flank.
    """
    angle = np.radians(thread.contact_angle_deg)
    outward = 1.0 if thread.member == "shaft" else -1.0
    radial = outward * float(np.cos(angle))
    if flank is None:
        return SurfaceNormal(complex(radial), 0.0)
    if flank not in ("left", "right"):
        raise TraceRangeError(f"flank {flank!r} must be left or right")
    towards = 1.0 if flank == "left" else -1.0
    shift_rad = normal_plane_shift_rad(thread, rises=rises, tip_radius_mm=tip_radius_mm)
    # The binormal's part around the axis has the sign of the helix, as the shift has.
    around = -np.sign(shift_rad) * towards * float(np.sin(angle) * np.sin(thread.lead_angle_rad))
    along = towards * float(np.sin(angle) * np.cos(thread.lead_angle_rad))
    # Turned to the radius at the contact itself, which lies ahead of the ball's plane or behind it.
    gain = complex(radial, -around) * complex(np.exp(1j * towards * shift_rad))
    # Over the cosine: the contact lies off the plane in which the diameter is counted.
    radius_mm = (thread.contact_diameter_mm / 2 + outward * tip_radius_mm * np.cos(angle)) / np.cos(shift_rad)
    return SurfaceNormal(gain, float(radius_mm * along))


def cylinder_normal(*, internal: bool) -> SurfaceNormal:
    """Normal of a cylinder's outside, or of a bore where material that stands proud lies further inside."""
    return SurfaceNormal(complex(-1.0 if internal else 1.0), 0.0)


def normal_plane_shift_rad(thread: Thread, *, rises: bool | None = None, tip_radius_mm: float = 0.0) -> float:
    """Angle from the plane of the ball's centre to its contact with the left flank, in rad, signed.

    Both contacts lie in the plane normal to the helix, r sin α off its middle along the binormal, whose part
    around the axis is sin ψ: atan2(r sin α sin ψ, Rp ∓ r cos α) on a shaft / in a nut (derived here). Positive
    where the left contact comes at the larger angle: where x grows with the angle along the thread (``rises``;
    None takes that for a right-hand thread). Right contact: the same with the other sign. A gauge's angle is
    that of its tip's centre, which lies ``tip_radius_mm`` nearer to the ball's on the same normal: r less the
    tip's radius stands for r (derived here); 0 is the contact point itself.
    """
    ball = thread.ball_diameter_mm / 2 - tip_radius_mm
    angle = np.radians(thread.contact_angle_deg)
    around = ball * np.sin(angle) * np.sin(thread.lead_angle_rad)
    inward = -1.0 if thread.member == "shaft" else 1.0
    size = np.arctan2(around, thread.ball_pitch_circle_mm / 2 + inward * ball * np.cos(angle))
    return float(size if (thread.hand == "right" if rises is None else rises) else -size)

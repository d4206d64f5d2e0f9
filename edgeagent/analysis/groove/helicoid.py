"""Axial section of a ball-screw thread <-> plane normal to the helix of the ball centres, exactly.

The design profile of a groove lives in the plane normal to the ball-centre helix; the gauge records a plane
through the axis. Both are cuts of one helicoid, so a point of one belongs to a point of the other.

Let Rp be the radius of the ball-centre helix, ψ its lead angle, tan ψ = lead / (2 π Rp), and let (u, v) be a
point of the normal plane, u along the binormal and v radially outward, with the ball centre as origin. The
point lies at the radius ρ = sqrt((Rp + v)² + (u sin ψ)²), turned by φ = atan2(u sin ψ, Rp + v) out of the
axial plane through the ball centre. The screw motion that brings it back shifts it by Rp tan ψ · φ, hence

    x = u cos ψ + Rp tan ψ · φ,    ρ sin φ = u sin ψ,    ρ cos φ = Rp + v.

The hand cancels: a left-hand thread turns the other way and also shifts the other way. An axial section
can therefore never show the hand of a thread.

Source: derived here; compared with a published kind of section (circular groove swept along a helix) and
with surfaces swept and cut numerically in tests/analysis/test_helicoid.py.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeagent.errors import FitNotConvergedError, TraceRangeError
from edgeagent.model import FloatArray

_STEP_LIMIT = 1e-7
"""rad; Newton's error after a step is less than half the step's square, 5e-15."""
# Newton needs below ten; with more it has left the branch.
_MAX_STEPS = 40


@dataclass(frozen=True, slots=True)
class NormalPlane:
    """Points of the normal plane, with what an axial reading error does to them.

    ``u_mm`` (binormal) and ``v_mm`` (radially outward), any one shape; ``du_dx``, ``dv_dx``, ``du_drho``,
    ``dv_drho`` are the partial derivatives by the axial coordinates, same shape.
    """

    u_mm: FloatArray
    v_mm: FloatArray
    du_dx: FloatArray
    dv_dx: FloatArray
    du_drho: FloatArray
    dv_drho: FloatArray


def lead_angle_rad(radius_mm: FloatArray | float, lead_mm: float) -> FloatArray:
    """Lead angle of a helix of this radius, in rad; shape of ``radius_mm``. Definition: ISO 3408-1."""
    return np.arctan2(lead_mm, 2.0 * np.pi * np.asarray(radius_mm, dtype=np.float64))


def to_axial(
    u_mm: FloatArray | float,
    v_mm: FloatArray | float,
    *,
    radius_mm: FloatArray | float,
    lead_mm: float,
) -> tuple[FloatArray, FloatArray]:
    """Where points of the normal plane appear in the axial section.

    Parameters
    ----------
    u_mm, v_mm : arrays that broadcast together, mm
        Along the binormal and radially outward from the ball centre.
    radius_mm, lead_mm : mm
        Radius of the ball-centre helix (> 0; broadcasts) and lead (> 0).

    Returns
    -------
    x_mm, rho_mm
        Axial distance from the ball centre and distance from the axis; broadcast shape.

    Examples
    --------
    >>> x, rho = to_axial(1.0, -1.0, radius_mm=10.0, lead_mm=20.0)
    >>> round(float(x), 6), round(float(rho), 6)
    (1.060125, 9.00511)
    """
    psi = lead_angle_rad(radius_mm, lead_mm)
    across = np.asarray(u_mm) * np.sin(psi)
    along = np.asarray(radius_mm) + np.asarray(v_mm)
    x_mm = np.asarray(u_mm) * np.cos(psi) + lead_mm / (2.0 * np.pi) * np.arctan2(across, along)
    return x_mm, np.hypot(along, across)


def to_normal(
    x_mm: FloatArray,
    rho_mm: FloatArray,
    *,
    radius_mm: FloatArray | float,
    lead_mm: float,
) -> NormalPlane:
    """The inverse of `to_axial`, by Newton on the turning angle φ (monotonic while cos φ > 0).

    Parameters
    ----------
    x_mm, rho_mm : arrays that broadcast together, mm
        Axial distance from the ball centre, and distance from the axis (> 0).
    radius_mm, lead_mm : mm
        Radius of the ball-centre helix (> 0; broadcasts) and lead (> 0).

    Raises
    ------
    TraceRangeError
        A radius or the lead is not positive.
    FitNotConvergedError
        The points lie so far from the groove that no normal plane holds them (|φ| beyond a quarter turn).

    Notes
    -----
    Round trip with `to_axial` better than 1e-12 mm for lead angles of 0.5° to 45° (test_helicoid.py).
    """
    rho = np.asarray(rho_mm, dtype=np.float64)
    if not lead_mm > 0.0 or np.any(np.asarray(radius_mm) <= 0.0) or np.any(rho <= 0.0):
        raise TraceRangeError("lead, ball-circle radius and distance from the axis must be greater than zero")
    psi = lead_angle_rad(radius_mm, lead_mm)
    sine, cosine = np.sin(psi), np.cos(psi)
    shift = lead_mm / (2.0 * np.pi)
    turn = _turning_angle(np.asarray(x_mm, dtype=np.float64), rho * (cosine / sine), shift)
    along = rho * np.cos(turn)
    u = rho * np.sin(turn) / sine
    # Inverse of the 2 x 2 matrix of partial derivatives; its determinant is (cos ψ · along + shift · sin ψ)/ρ.
    denominator = cosine * along + shift * sine
    return NormalPlane(
        u_mm=u,
        v_mm=along - np.asarray(radius_mm),
        du_dx=along / denominator,
        dv_dx=-u * sine * sine / denominator,
        du_drho=shift * u * sine / (rho * denominator),
        dv_drho=(cosine + shift * sine * along / (rho * rho)) * rho / denominator,
    )


def _turning_angle(x_mm: FloatArray, stretch_mm: FloatArray, shift_mm: float) -> FloatArray:
    """φ with stretch · sin φ + shift · φ = x."""
    # The equation for small angles, where sin φ is φ.
    turn = x_mm / (stretch_mm + shift_mm)
    for _ in range(_MAX_STEPS):
        step = (stretch_mm * np.sin(turn) + shift_mm * turn - x_mm) / (stretch_mm * np.cos(turn) + shift_mm)
        turn = turn - step
        if np.max(np.abs(step), initial=0.0) < _STEP_LIMIT:
            # Beyond a quarter turn sine falls again, and another root may have been found.
            if np.max(np.abs(turn), initial=0.0) < np.pi / 2.0:
                return turn
            break
    raise FitNotConvergedError("points lie too far from the groove to belong to its normal plane")


def to_normal_first_order(
    x_mm: FloatArray, rho_mm: FloatArray, *, radius_mm: float, lead_mm: float
) -> tuple[FloatArray, FloatArray]:
    """The customary correction, u = x cos ψ and v = ρ - Rp: kept only to show what it costs.

    Source: common practice. No analysis uses it; NUMERICS.md tabulates its error.
    """
    return np.asarray(x_mm) * np.cos(lead_angle_rad(radius_mm, lead_mm)), np.asarray(rho_mm) - radius_mm

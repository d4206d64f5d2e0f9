"""Contact of a ball with its track after Hertz: how large, how hard, how deep.

Elastic, frictionless, smooth, and small against the radii. The ellipse lies with its long axis across the
track (the flank's profile) and its short axis along it.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import special

from edgeagent.errors import TraceRangeError

STEEL_YOUNGS_MODULUS_GPA = 206.0
"""Young's modulus of hardened bearing steel; the value that common practice takes for ball screws."""

STEEL_POISSON_RATIO = 0.3
"""Poisson's ratio of steel; common practice."""

# Well beyond 8.3, the logarithm of the axis ratio for the largest difference that is taken, 0.999999.
_LOG_ELLIPTICITY_MAX = 25.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Curvature:
    """Sum of the four principal curvatures in 1/mm and their weighted difference F(rho), 0 to below 1."""

    sum_per_mm: float
    difference: float


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitContact:
    """Contact of unit size: the factors a*, b*, delta* that depend on the curvature difference alone."""

    semi_major: float
    semi_minor: float
    approach: float
    ellipticity: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Contact:
    """Contact ellipse, greatest pressure in its middle, and approach of the two bodies."""

    semi_major_mm: float
    semi_minor_mm: float
    pressure_max_mpa: float
    approach_um: float


def track_curvature(
    *,
    member: str,
    ball_diameter_mm: float,
    ball_pitch_circle_mm: float,
    track_conformity: float,
    contact_angle_deg: float,
    lead_angle_deg: float = 0.0,
) -> Curvature:
    """Curvature sum and difference of a ball on the track of a shaft or a nut.

    Parameters
    ----------
    member : {"shaft", "nut"}
    ball_diameter_mm, ball_pitch_circle_mm : float
        Ball diameter and diameter of the circle of the ball centres.
    track_conformity : float
        Flank radius over ball diameter, above 0.5.
    contact_angle_deg : float
        From the radial direction, 0 to 90.
    lead_angle_deg : float
        Lead angle on the ball pitch circle; 0 is a ring groove, as in a ball bearing.

    Returns
    -------
    Curvature

    Raises
    ------
    TraceRangeError
        A number outside what is said above, or a ball that does not fit its circle.

    Notes
    -----
    Hertz; with ``g = D * cos(contact angle) * cos(lead angle)**2 / Dpw`` the sum is
    ``(4 - 1/f + s*2g/(1 - s*g)) / D``, s = 1 for a shaft and -1 for a nut. For a lead angle of 0 this is the
    formula for bearings. The square of the cosine (derived here) is the curvature of the ball-centre helix,
    ``cos**2 / (Dpw/2)``: along the track a flank is a surface at a constant distance from that helix. The
    torsion of the helix, which turns the ellipse by a little, is left out.
    """
    if member not in ("shaft", "nut"):
        raise ValueError(f"member {member!r}")
    if not ball_diameter_mm > 0.0 or not ball_pitch_circle_mm > ball_diameter_mm:
        raise TraceRangeError(
            f"ball of {ball_diameter_mm:.6g} mm on a ball circle of {ball_pitch_circle_mm:.6g} mm does not fit"
        )
    if not track_conformity > 0.5:
        raise TraceRangeError(f"track conformity of {track_conformity:.6g} is not above 0.5")
    if not 0.0 <= contact_angle_deg <= 90.0 or not 0.0 <= lead_angle_deg < 90.0:
        raise TraceRangeError(
            f"contact angle {contact_angle_deg:.6g}° or lead angle {lead_angle_deg:.6g}° is outside 0° to 90°"
        )
    sign = 1.0 if member == "shaft" else -1.0
    cos_contact, cos_lead = np.cos(np.radians([contact_angle_deg, lead_angle_deg]))
    gamma = sign * ball_diameter_mm * float(cos_contact * cos_lead**2) / ball_pitch_circle_mm
    across = -1.0 / track_conformity
    # In units of 1/D, like the ball's own four: (2/D) · gamma / (1 - gamma) is the track's curvature along it.
    along = 2.0 * gamma / (1.0 - gamma)
    total = 4.0 + across + along
    return Curvature(sum_per_mm=total / ball_diameter_mm, difference=(along - across) / total)


def unit_contact(difference: float) -> UnitContact:
    """Dimensionless semi-axes, approach and axis ratio for one curvature difference.

    Parameters
    ----------
    difference : float
        F(rho), 0 (ball on a flat) to 0.999999.

    Returns
    -------
    UnitContact
        `ellipticity` is the long over the short semi-axis.

    Raises
    ------
    TraceRangeError
        `difference` outside its range.

    Notes
    -----
    Hertz, with complete elliptic integrals instead of an approximation. With k the axis ratio and m = 1 - 1/k²,
    ``F(rho) = ((k² + 1) E - 2 K) / ((k² - 1) E)`` is solved for k in the form ``2 B / E - 1``,
    ``B = (E - (1 - m) K) / m``, which does not lose digits near a circle.
    """
    if not 0.0 <= difference <= 0.999999:
        raise TraceRangeError(f"curvature difference {difference:.6g} is outside 0 to 0.999999")

    def excess(log_ellipticity: float) -> float:
        first, second, middle = _integrals(log_ellipticity)
        return 2.0 * middle / second - 1.0 - difference

    log_ellipticity = 0.0
    # For a circle the excess is 0 but for rounding: then there is no root to look for.
    if excess(0.0) < 0.0:
        log_ellipticity = _root(excess, 0.0, _LOG_ELLIPTICITY_MAX)
    ellipticity = float(np.exp(log_ellipticity))
    first, second, _ = _integrals(log_ellipticity)
    # a* = (2 k² E / pi)^(1/3), b* = a*/k, delta* = 2 K / (pi a*): Hertz's integrals in terms of k.
    size = (2.0 * ellipticity**2 * second / np.pi) ** (1.0 / 3.0)
    return UnitContact(
        semi_major=size,
        semi_minor=size / ellipticity,
        approach=2.0 * first / (np.pi * size),
        ellipticity=ellipticity,
    )


def _root(function: Callable[[float], float], low: float, high: float) -> float:
    """Where a growing function is 0, to the last digits: below 0 at ``low``, above at ``high``.

    Ridders' method. A library's would load its whole optimisation for this, half a second of each start.
    """
    at_low, at_high, before = function(low), function(high), math.inf
    while True:
        middle = 0.5 * (low + high)
        at_middle = function(middle)
        # The root's argument is positive, as the ends have opposite signs.
        found = middle - (middle - low) * at_middle / math.sqrt(at_middle**2 - at_low * at_high)
        at_found = function(found)
        if at_found == 0.0 or abs(found - before) <= 1e-15 * (1.0 + abs(found)) or not low < middle < high:
            return found
        for at, value in ((middle, at_middle), (found, at_found)):
            if value < 0.0 and at > low:
                low, at_low = at, value
            elif value > 0.0 and at < high:
                high, at_high = at, value
        before = found


def _integrals(log_ellipticity: float) -> tuple[float, float, float]:
    """Complete elliptic integrals K and E, and B = (E - (1 - m) K) / m, for the logarithm of the axis ratio."""
    # 1 - m = 1/k² directly: as a difference from 1 it would have no digits for long ellipses.
    complement = float(np.exp(-2.0 * log_ellipticity))
    first = float(special.elliprf(0.0, complement, 1.0))
    third = float(special.elliprd(0.0, complement, 1.0)) / 3.0  # (K - E) / m, Carlson's form
    middle = first - third
    return first, middle + complement * third, middle


def contact_ellipse(
    curvature: Curvature,
    load_n: float,
    *,
    youngs_modulus_gpa: float = STEEL_YOUNGS_MODULUS_GPA,
    poisson_ratio: float = STEEL_POISSON_RATIO,
) -> Contact:
    """Contact ellipse, pressure and approach of ball and track under a load.

    Parameters
    ----------
    curvature : Curvature
        Of the two bodies, from `track_curvature`.
    load_n : float
        Normal load of one ball on one flank, above 0.
    youngs_modulus_gpa, poisson_ratio : float
        Of both bodies; steel unless said otherwise.

    Returns
    -------
    Contact

    Raises
    ------
    TraceRangeError
        Load, curvature or material constant not usable.

    Notes
    -----
    Hertz: semi-axes ``a* (3 Q / (S E'))**(1/3)`` with ``E' = E / (1 - nu²)`` and S the curvature sum, approach
    ``delta* (3 Q / (S E'))**(2/3) S / 2``, pressure ``3 Q / (2 pi a b)``. Semi-axes grow with the cube root of
    the load, the approach with its power 2/3. Nothing is said of a load beyond the elastic limit (a pressure of
    4200 MPa is where ball bearings are counted as statically full, ISO 76).
    """
    if not load_n > 0.0:
        raise TraceRangeError(f"ball load of {load_n:.6g} N is not above 0")
    if not (curvature.sum_per_mm > 0.0 and youngs_modulus_gpa > 0.0 and -1.0 < poisson_ratio <= 0.5):
        raise TraceRangeError(
            f"curvature sum {curvature.sum_per_mm:.6g} 1/mm, E {youngs_modulus_gpa:.6g} GPa or "
            f"Poisson's ratio {poisson_ratio:.6g} is outside what Hertz's contact allows"
        )
    unit = unit_contact(curvature.difference)
    # GPa to MPa, N/mm², so that N and 1/mm give mm.
    modulus_mpa = 1e3 * youngs_modulus_gpa / (1.0 - poisson_ratio**2)
    scale_mm = (3.0 * load_n / (curvature.sum_per_mm * modulus_mpa)) ** (1.0 / 3.0)
    major_mm, minor_mm = unit.semi_major * scale_mm, unit.semi_minor * scale_mm
    return Contact(
        semi_major_mm=major_mm,
        semi_minor_mm=minor_mm,
        pressure_max_mpa=1.5 * load_n / (np.pi * major_mm * minor_mm),
        approach_um=1e3 * unit.approach * scale_mm**2 * curvature.sum_per_mm / 2.0,
    )

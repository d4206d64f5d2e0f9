"""Hertz contact against a textbook table, worked numbers and the surface itself.

Table: dimensionless contact parameters of a ball-bearing textbook (Harris, Rolling Bearing Analysis), figures
from memory and recomputed from complete elliptic integrals; the largest disagreement of the remembered figures
with the exact ones is 3.2e-4. Worked numbers: computed from Hertz's closed form by another hand, E = 206 GPa,
nu = 0.3, the last two with the dimensions of the textbook's 218 angular-contact bearing.
"""

from __future__ import annotations

import mpmath
import numpy as np
import pytest

from edgeagent.analysis.groove.contact import Curvature, contact_ellipse, track_curvature, unit_contact
from edgeagent.errors import TraceRangeError

# F(rho), a*, b*, delta* (textbook, from memory), axis ratio (exact elliptic integrals)
TABLE = [
    (0.0, 1.0, 1.0, 1.0, 1.0),
    (0.1075, 1.0760, 0.9318, 0.9974, 1.15472),
    (0.3204, 1.2623, 0.8114, 0.9761, 1.55566),
    (0.5916, 1.6440, 0.6687, 0.9077, 2.45865),
    (0.7332, 2.011, 0.5881, 0.8394, 3.42044),
    (0.83495, 2.494, 0.5186, 0.7602, 4.80972),
    (0.90999, 3.233, 0.4499, 0.6636, 7.18539),
    (0.93657, 3.738, 0.4166, 0.6112, 8.97112),
    (0.95738, 4.395, 0.3830, 0.5551, 11.47310),
    (0.990902, 8.062, 0.2814, 0.3745, 28.65439),
    (0.9989156, 17.974, 0.18822, 0.2106, 95.49274),
]

BALL_SCREW = {
    "ball_diameter_mm": 3.969,
    "ball_pitch_circle_mm": 33.0,
    "track_conformity": 0.52,
    "contact_angle_deg": 45.0,
}
BEARING = {
    "ball_diameter_mm": 22.225,
    "ball_pitch_circle_mm": 125.26,
    "track_conformity": 0.5232,
    "contact_angle_deg": 40.0,
}
# member, geometry, load N, sum 1/mm, F(rho), a mm, b mm, pressure MPa, approach um
WORKED = [
    ("shaft", BALL_SCREW, 100.0, 0.570124593, 0.932011452, 0.481187287, 0.056025828, 1771.083, 3.108110),
    ("nut", BALL_SCREW, 100.0, 0.483790244, 0.919878617, 0.474841263, 0.061342492, 1639.198, 3.058718),
    ("shaft", BEARING, 1000.0, 0.108134330, 0.926196854, 1.744166872, 0.213871466, 1279.972, 8.451348),
    ("nut", BEARING, 1000.0, 0.083211357, 0.904091772, 1.706228232, 0.247374021, 1131.228, 8.232271),
]


@pytest.mark.parametrize(("difference", "major", "minor", "approach", "ratio"), TABLE)
def test_unit_contact_agrees_with_the_textbook_table(difference, major, minor, approach, ratio):
    unit = unit_contact(difference)
    assert unit.semi_major == pytest.approx(major, rel=3.3e-4)
    assert unit.semi_minor == pytest.approx(minor, rel=3.3e-4)
    assert unit.approach == pytest.approx(approach, rel=3.3e-4)
    assert unit.ellipticity == pytest.approx(ratio, rel=6e-6)  # printed to five decimals


@pytest.mark.parametrize("difference", [1e-12, 1e-6, 0.01, 0.5, 0.95, 0.9999, 0.999999])
def test_axis_ratio_solves_the_defining_equation_in_high_precision(difference):
    ratio = mpmath.mpf(unit_contact(difference).ellipticity)
    with mpmath.workdps(40):
        m = 1 - 1 / ratio**2
        if m == 0:
            back = mpmath.mpf(0)
        else:
            first, second = mpmath.ellipk(m), mpmath.ellipe(m)
            back = ((ratio**2 + 1) * second - 2 * first) / ((ratio**2 - 1) * second)
    assert float(abs(back - difference)) < 1e-14


@pytest.mark.parametrize(("member", "geometry", "load", "total", "difference", "a", "b", "p", "d"), WORKED)
def test_worked_contacts_of_ball_and_track(member, geometry, load, total, difference, a, b, p, d):
    curvature = track_curvature(member=member, **geometry)
    assert curvature.sum_per_mm == pytest.approx(total, abs=6e-10)
    assert curvature.difference == pytest.approx(difference, abs=6e-10)
    contact = contact_ellipse(curvature, load)
    assert contact.semi_major_mm == pytest.approx(a, abs=1e-9)
    assert contact.semi_minor_mm == pytest.approx(b, abs=1e-9)
    assert contact.pressure_max_mpa == pytest.approx(p, abs=6e-4)
    assert contact.approach_um == pytest.approx(d, abs=6e-7)


def test_ball_on_a_flat():
    # worked number from Hertz's closed form: D = 10 mm, Q = 100 N
    contact = contact_ellipse(Curvature(sum_per_mm=0.4, difference=0.0), 100.0)
    assert contact.semi_major_mm == contact.semi_minor_mm == pytest.approx(0.149077401, abs=1e-9)
    assert contact.pressure_max_mpa == pytest.approx(2148.413, abs=6e-4)
    assert contact.approach_um == pytest.approx(4.444814, abs=6e-7)


@pytest.mark.parametrize(("member", "load"), [("shaft", 1333.617), ("nut", 1682.106)])
def test_load_for_the_static_pressure_of_ball_bearings(member, load):
    # 4200 MPa is ISO 76's pressure for ball bearings (from memory); loads from Hertz's closed form
    contact = contact_ellipse(track_curvature(member=member, **BALL_SCREW), load)
    assert contact.pressure_max_mpa == pytest.approx(4200.0, abs=2e-3)


def test_semi_axes_grow_with_the_cube_root_of_the_load():
    curvature = track_curvature(member="shaft", **BALL_SCREW)
    one, eight = contact_ellipse(curvature, 50.0), contact_ellipse(curvature, 400.0)
    assert eight.semi_major_mm == pytest.approx(2 * one.semi_major_mm, rel=1e-14)
    assert eight.approach_um == pytest.approx(4 * one.approach_um, rel=1e-14)
    assert eight.pressure_max_mpa == pytest.approx(2 * one.pressure_max_mpa, rel=1e-14)


def test_softer_bodies_touch_over_more():
    curvature = track_curvature(member="shaft", **BALL_SCREW)
    steel = contact_ellipse(curvature, 100.0)
    soft = contact_ellipse(curvature, 100.0, youngs_modulus_gpa=206.0 / 8)
    assert soft.semi_major_mm == pytest.approx(2 * steel.semi_major_mm, rel=1e-14)


@pytest.mark.parametrize("member", ["shaft", "nut"])
@pytest.mark.parametrize("lead_angle_deg", [0.0, 5.5, 20.0])
def test_curvature_along_the_track_is_that_of_the_helical_surface(member, lead_angle_deg):
    # principal curvatures of the pipe surface around the ball-centre helix, by differentiating its points
    alpha, ball, circle = 0.7, 3.969, 33.0
    inward = -1.0 if member == "shaft" else 1.0
    radius, rise = mpmath.mpf(circle / 2), mpmath.mpf(circle / 2 * float(np.tan(np.radians(lead_angle_deg))))

    def surface(t, a):
        c = mpmath.sqrt(radius**2 + rise**2)
        normal = (inward * mpmath.cos(t), inward * mpmath.sin(t), 0)
        binormal = (rise * mpmath.sin(t) / c, -rise * mpmath.cos(t) / c, radius / c)
        centre = (radius * mpmath.cos(t), radius * mpmath.sin(t), rise * t)
        return [
            centre[k] + ball / 2 * (mpmath.cos(a) * normal[k] + mpmath.sin(a) * binormal[k]) for k in range(3)
        ]

    def partial(n):
        with mpmath.workdps(40):
            return np.array(
                [float(mpmath.diff(lambda t, a, k=k: surface(t, a)[k], (0.3, alpha), n)) for k in range(3)]
            )

    d1, d2 = partial((1, 0)), partial((0, 1))
    normal = np.cross(d1, d2) / np.linalg.norm(np.cross(d1, d2))
    first = np.array([[d1 @ d1, d1 @ d2], [d1 @ d2, d2 @ d2]])
    mixed = partial((1, 1)) @ normal
    second = np.array([[partial((2, 0)) @ normal, mixed], [mixed, partial((0, 2)) @ normal]])
    curvatures = np.linalg.eigvals(np.linalg.solve(first, second)).real
    along = min(curvatures, key=lambda value: abs(abs(value) - 2 / ball) < 1e-6)
    curvature = track_curvature(
        member=member,
        ball_diameter_mm=ball,
        ball_pitch_circle_mm=circle,
        track_conformity=0.52,
        contact_angle_deg=float(np.degrees(alpha)),
        lead_angle_deg=lead_angle_deg,
    )
    found = curvature.sum_per_mm - (4 - 1 / 0.52) / ball
    assert np.sign(found) == -inward
    assert abs(found) == pytest.approx(abs(along), rel=1e-9)


@pytest.mark.parametrize(
    ("change", "word"),
    [
        ({"track_conformity": 0.5}, "conformity"),
        ({"ball_diameter_mm": 40.0}, "does not fit"),
        ({"ball_diameter_mm": float("nan")}, "does not fit"),
        ({"contact_angle_deg": 95.0}, "contact angle"),
        ({"lead_angle_deg": -1.0}, "lead angle"),
    ],
)
def test_geometry_that_cannot_be_is_named(change, word):
    with pytest.raises(TraceRangeError, match=word):
        track_curvature(member="shaft", **{**BALL_SCREW, **change})


def test_no_load_and_impossible_curvature_are_refused():
    curvature = track_curvature(member="shaft", **BALL_SCREW)
    with pytest.raises(TraceRangeError, match="load"):
        contact_ellipse(curvature, 0.0)
    with pytest.raises(TraceRangeError, match="outside 0"):
        unit_contact(1.0)
    with pytest.raises(TraceRangeError, match="Poisson"):
        contact_ellipse(curvature, 1.0, poisson_ratio=0.7)

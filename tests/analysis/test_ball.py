"""The seated ball against closed forms of the gothic arch, and against itself by other routes."""

from __future__ import annotations

import numpy as np
import pytest

from edgeagent.analysis.groove.ball import (
    MEASURES,
    ball_centre,
    root_gap,
    seat_jacobian,
    seat_measures,
    seat_on_arcs,
    seat_on_profile,
)
from edgeagent.errors import TraceRangeError, TraceShapeError

# Gothic-arch table computed from the closed forms e = (R - r) sin(alpha), clearance = sqrt(R² - e²) - r -
# (R - r) cos(alpha), d(alpha)/de = 1/((R - r) cos(alpha)), d(alpha)/dR = -tan(alpha)/(R - r),
# d(alpha)/dDw = tan(alpha)/(2 (R - r)); sensitivities in deg per µm.
# ball, conformity, alpha, e, apex clearance, per e, per R, per Dw
GOTHIC = [
    (3.969, 0.52, 45.0, 0.056130136, 0.022486453, 1.020767, -0.721791, 0.360896),
    (3.175, 0.53, 45.0, 0.067351921, 0.026549661, 0.850693, -0.601530, 0.300765),
    (6.35, 0.54, 45.0, 0.179605122, 0.069687943, 0.319010, -0.225574, 0.112787),
    (5.0, 0.515, 40.0, 0.048209071, 0.017095343, 0.997258, -0.641025, 0.320512),
]


def gothic(ball: float, conformity: float, offset: float) -> np.ndarray:
    radius = conformity * ball
    return np.array([[offset, 0.0, radius], [-offset, 0.0, radius]])


@pytest.mark.parametrize("row", GOTHIC)
def test_gothic_arch_gives_its_contact_angle_and_depth(row):
    ball, conformity, alpha, offset, *_ = row
    seat = seat_on_arcs(gothic(ball, conformity, offset), np.zeros((2, 3, 3)), ball / 2)
    gap = (conformity - 0.5) * ball
    # e is tabulated to nine decimals, hence 1e-9 mm times the sensitivity of 1.02e3 deg per mm.
    assert seat.contact_angle_left_deg == pytest.approx(alpha, abs=2e-6)
    assert seat.contact_angle_right_deg == pytest.approx(alpha, abs=2e-6)
    assert seat.height_left_mm == pytest.approx(gap * np.cos(np.radians(alpha)), abs=2e-9)
    assert seat.centre_h_mm == pytest.approx(-gap * np.cos(np.radians(alpha)), abs=2e-9)
    assert seat.separation_mm == pytest.approx(2 * offset, abs=1e-12)


def test_offset_of_56_um_turns_the_contact_as_published():
    """Round trip computed from the closed form: e 0.0560, R 2.0640, ball 3.969."""
    arcs = np.array([[0.056, 0.0, 2.064], [-0.056, 0.0, 2.064]])
    assert seat_measures(arcs, 3.969 / 2)[2] == pytest.approx(44.781294394, abs=1e-8)


@pytest.mark.parametrize("row", GOTHIC)
def test_sensitivities_agree_with_the_closed_forms(row):
    ball, conformity, _, offset, _, per_e, per_radius, per_ball = row
    arcs = gothic(ball, conformity, offset)
    jacobian = seat_jacobian(arcs, ball / 2, "radial-through-ball")
    left = jacobian[MEASURES.index("contact_angle_left_deg")]
    # Both arcs move apart, or grow, together.
    assert (left[0] - left[3]) * 1e-3 == pytest.approx(per_e, rel=2e-6)
    assert (left[2] + left[5]) * 1e-3 == pytest.approx(per_radius, rel=2e-6)
    step = 1e-6
    by_ball = seat_measures(arcs, ball / 2 + step)[2] - seat_measures(arcs, ball / 2 - step)[2]
    assert by_ball / (4 * step) * 1e-3 == pytest.approx(per_ball, rel=2e-6)


@pytest.mark.parametrize("row", GOTHIC)
def test_root_gap_of_a_gothic_arch_is_its_apex_clearance(row):
    ball, conformity, _, offset, clearance, *_ = row
    arcs = gothic(ball, conformity, offset)
    u = np.arange(-0.2, 0.2, 0.0005) + 1e-5
    height = np.maximum(*(c[1] - np.sqrt(c[2] ** 2 - (u - c[0]) ** 2) for c in arcs))
    gap, spread = root_gap(u, height, tuple(ball_centre(arcs, ball / 2)), ball_radius_mm=ball / 2)
    assert gap == pytest.approx(clearance, abs=1.2e-5)
    assert spread < 2e-6


def lopsided() -> np.ndarray:
    """Arcs of unlike radius that hold a 3 mm ball at (0.1, -0.2) with 41° left and 47° right."""
    out = []
    for sign, gap, angle in ((1.0, 0.09, 41.0), (-1.0, 0.12, 47.0)):
        out.append(
            [0.1 + sign * gap * np.sin(np.radians(angle)), -0.2 + gap * np.cos(np.radians(angle)), 1.5 + gap]
        )
    return np.array(out)


def test_unlike_flanks_are_taken_each_for_itself():
    seat = seat_on_arcs(lopsided(), np.zeros((2, 3, 3)), 1.5)
    found = (seat.centre_u_mm, seat.centre_h_mm, seat.contact_angle_left_deg, seat.contact_angle_right_deg)
    assert found == pytest.approx((0.1, -0.2, 41.0, 47.0), abs=1e-10)


def test_contact_normals_are_bisected():
    seat = seat_on_arcs(lopsided(), np.zeros((2, 3, 3)), 1.5, "contact-normals")
    assert seat.contact_angle_left_deg == pytest.approx(44.0, abs=1e-10)
    assert seat.contact_angle_right_deg == pytest.approx(44.0, abs=1e-10)
    assert seat.axis_turn_deg == pytest.approx(3.0, abs=1e-10)


def test_arc_centres_at_one_height_over_a_turned_groove():
    turned = np.radians(5.0)
    arcs = gothic(3.175, 0.53, 0.067351921)
    rotation = np.array([[np.cos(turned), -np.sin(turned)], [np.sin(turned), np.cos(turned)]])
    arcs[:, :2] = arcs[:, :2] @ rotation.T
    seat = seat_on_arcs(arcs, np.zeros((2, 3, 3)), 3.175 / 2, "arc-centres")
    assert seat.axis_turn_deg == pytest.approx(5.0, abs=1e-9)
    assert seat.contact_angle_left_deg == pytest.approx(45.0, abs=2e-6)
    assert seat.separation_mm == pytest.approx(2 * 0.067351921, abs=1e-12)
    radial = seat_on_arcs(arcs, np.zeros((2, 3, 3)), 3.175 / 2)
    assert radial.contact_angle_left_deg == pytest.approx(40.0, abs=2e-6)
    assert radial.contact_angle_right_deg == pytest.approx(50.0, abs=2e-6)


@pytest.mark.parametrize("construction", ["radial-through-ball", "contact-normals", "arc-centres"])
def test_carried_uncertainty_agrees_with_scattered_arcs(construction):
    covariance = 1e-10 * np.array([[[4, 1, -1], [1, 6, -4], [-1, -4, 5]], [[3, 0, 0], [0, 5, -3], [0, -3, 4]]])
    seat = seat_on_arcs(lopsided(), covariance, 1.5, construction)
    random = np.random.default_rng(5)
    scattered = np.stack([random.multivariate_normal(np.zeros(3), c, 20000) for c in covariance], axis=1)
    spread = seat_measures(lopsided() + scattered, 1.5, construction).std(axis=0)
    expected = [seat.uncertainty[name] for name in MEASURES]
    assert spread == pytest.approx(expected, rel=0.03)


def test_ball_that_fits_no_groove_is_refused():
    for arcs in (
        [[0.06, 0.0, 1.5], [-0.06, 0.0, 1.5]],
        [[0.3, 0.0, 1.65], [-0.3, 0.0, 1.65]],
        [[-0.06, 0.0, 1.65], [0.06, 0.0, 1.65]],
        [[0.0, 0.0, 1.65], [0.0, 0.0, 1.65]],
    ):
        with pytest.raises(TraceRangeError, match="does not seat"):
            seat_on_arcs(np.array(arcs), np.zeros((2, 3, 3)), 1.5875)


def flank_points(arc: np.ndarray, sign: float, step_deg: float = 0.01) -> np.ndarray:
    angle = np.radians(np.arange(20.0, 70.0, step_deg))[:: 1 if sign > 0 else -1]
    return np.stack([arc[0] + sign * arc[2] * np.sin(angle), arc[1] - arc[2] * np.cos(angle)])


def test_ball_on_dense_points_rests_where_the_arcs_hold_it():
    arcs = lopsided()
    seat = seat_on_profile(flank_points(arcs[0], -1.0), flank_points(arcs[1], 1.0), 1.5)
    assert (seat.centre_u_mm, seat.centre_h_mm) == pytest.approx((0.1, -0.2), abs=2e-8)
    assert seat.contact_angle_left_deg == pytest.approx(41.0, abs=0.02)
    assert seat.contact_angle_right_deg == pytest.approx(47.0, abs=0.02)


def test_no_point_of_a_rough_profile_lies_inside_the_resting_ball():
    random = np.random.default_rng(7)
    arcs = lopsided()
    for _ in range(30):
        left, right = (flank_points(a, s) for a, s in zip(arcs, (-1.0, 1.0), strict=True))
        left[1] += random.normal(0.0, 2e-4, left.shape[1])
        right[1] += random.normal(0.0, 2e-4, right.shape[1])
        seat = seat_on_profile(left, right, 1.5)
        both = np.concatenate([left, right], axis=1)
        distance = np.hypot(both[0] - seat.centre_u_mm, both[1] - seat.centre_h_mm)
        assert distance.min() >= 1.5 - 1e-9
        for contact in (seat.contact_left_mm, seat.contact_right_mm):
            touched = np.hypot(contact[0] - seat.centre_u_mm, contact[1] - seat.centre_h_mm)
            assert touched == pytest.approx(1.5, abs=1e-9)


def test_flank_without_points_and_flanks_too_wide_are_refused():
    right = flank_points(lopsided()[1], 1.0)
    with pytest.raises(TraceShapeError):
        seat_on_profile(np.empty((2, 0)), right, 1.5)
    with pytest.raises(TraceRangeError):
        seat_on_profile(np.array([[-9.0], [0.0]]), right, 1.5)


def test_root_without_points_is_refused():
    with pytest.raises(TraceShapeError, match="root"):
        root_gap(np.array([1.0, 2.0]), np.array([-1.0, -1.0]), (0.0, 0.0), ball_radius_mm=1.5)

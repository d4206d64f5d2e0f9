"""Geometric circle fit against published values, its covariance, and what dust may do to it."""

from __future__ import annotations

import numpy as np
import pytest

from edgeagent.analysis.groove.arcs import algebraic_circle, fit_circle, robust_arc
from edgeagent.errors import FitNotConvergedError, TraceShapeError

# Six points of Gander, Golub and Strebel, "Least-squares fitting of circles and ellipses", BIT 34 (1994)
# 558-578. Geometric fit published as 4.7398, 2.9835, 4.7142; more digits computed here from that minimum.
SIX_X = np.array([1.0, 2.0, 5.0, 7.0, 9.0, 3.0])
SIX_Y = np.array([7.0, 6.0, 8.0, 7.0, 5.0, 7.0])
GEOMETRIC = (4.7397824, 2.9835327, 4.7142260)


def arc_points(half_angle_deg: float, count: int, radius: float = 1.0, apex_deg: float = -90.0):
    angle = np.radians(apex_deg + np.linspace(-half_angle_deg, half_angle_deg, count))
    return radius * np.cos(angle), radius * np.sin(angle)


def test_published_six_points_give_the_geometric_circle():
    circle = fit_circle(SIX_X, SIX_Y)
    assert (circle.x_mm, circle.y_mm, circle.radius_mm) == pytest.approx(GEOMETRIC, abs=6e-8)
    residual = np.hypot(SIX_X - circle.x_mm, SIX_Y - circle.y_mm) - circle.radius_mm
    assert float(residual @ residual) == pytest.approx(1.227599078183654, abs=1e-12)


@pytest.mark.parametrize(
    "start", [(5.3794133172, 7.2531984768, 3.0370414583), (4.7423312883, 3.8351226994, 4.1087615223)]
)
def test_far_algebraic_starts_reach_the_same_circle(start):
    """The first start is the published algebraic fit (|u| = 1), the second the linear fit computed here."""
    circle = fit_circle(SIX_X, SIX_Y, start=start)
    assert (circle.x_mm, circle.y_mm, circle.radius_mm) == pytest.approx(GEOMETRIC, abs=6e-8)


def test_algebraic_start_is_far_from_the_geometric_circle():
    x, y, radius = algebraic_circle(SIX_X, SIX_Y)
    assert (x, y, radius) == pytest.approx((4.7423312883, 3.8351226994, 4.1087615223), abs=1e-9)
    assert abs(y - GEOMETRIC[1]) > 0.8


# Standard uncertainties times sqrt(N) per unit noise, N = 1001 even angles over ±half, and the correlation of
# apex direction and radius: inverse normal matrix of the closed-form derivatives, tabulated independently.
@pytest.mark.parametrize(
    ("half", "u_across", "u_along", "u_radius", "correlation"),
    [
        (10, 9.94432, 220.258, 219.141, -0.999990),
        (20, 5.01793, 55.4261, 54.3143, -0.999830),
        (30, 3.39683, 24.9043, 23.8007, -0.999117),
        (45, 2.34398, 11.3446, 10.2604, -0.995239),
        (90, 1.41351, 3.24399, 2.29270, -0.899866),
    ],
)
def test_covariance_of_a_partial_arc(half, u_across, u_along, u_radius, correlation):
    x, y = arc_points(half, 1001, apex_deg=90.0)
    cofactor = fit_circle(x, y).cofactor
    spread = np.sqrt(1001 * np.diag(cofactor))
    assert spread == pytest.approx([u_across, u_along, u_radius], rel=1e-5)
    assert cofactor[1, 2] / np.sqrt(cofactor[1, 1] * cofactor[2, 2]) == pytest.approx(correlation, abs=1e-6)


def test_full_circle_has_the_textbook_covariance():
    angle = 2 * np.pi * np.arange(1000) / 1000
    cofactor = fit_circle(np.cos(angle), np.sin(angle)).cofactor
    # Closed form: u(centre) = sigma sqrt(2/N), u(radius) = sigma / sqrt(N).
    assert np.sqrt(1000 * np.diag(cofactor)) == pytest.approx([np.sqrt(2), np.sqrt(2), 1.0], rel=1e-9)


def test_short_arc_far_from_the_origin_keeps_its_digits():
    x, y = arc_points(5.0, 500, radius=1.68275)
    circle = fit_circle(x + 1000.0, y + 10.0)
    assert circle.radius_mm == pytest.approx(1.68275, abs=1e-8)


def test_points_on_a_line_and_two_points_are_refused():
    line = np.arange(5.0)
    with pytest.raises(FitNotConvergedError):
        fit_circle(line, 2 * line)
    with pytest.raises(TraceShapeError, match="three points"):
        fit_circle(np.array([0.0, 1.0]), np.array([0.0, 1.0]))


def flank(seed: int, noise: float = 14e-6):
    x, y = arc_points(20.0, 2400, radius=1.68275, apex_deg=-45.0)
    distance = 1.0 + np.random.default_rng(seed).normal(0.0, noise, x.size) / 1.68275
    return x * distance, y * distance


def test_clean_noise_loses_no_point():
    kept = []
    for seed in range(40):
        x, y = flank(seed)
        kept.append(robust_arc(x, y, gain=np.ones_like(x), start=(0.0, 0.0, 1.68275)).kept.mean())
    assert np.mean(kept) > 0.9999


def test_grain_with_long_skirts_moves_the_radius_less_than_its_uncertainty():
    for seed in range(10):
        x, y = flank(seed)
        clean = robust_arc(x, y, gain=np.ones_like(x), start=(0.0, 0.0, 1.683))
        bump = 1.0 - 5e-3 * np.exp(-(((np.arange(x.size) - 700) / 25.0) ** 2)) / 1.68275
        dusty = robust_arc(x * bump, y * bump, gain=np.ones_like(x), start=(0.0, 0.0, 1.683))
        uncertainty = np.sqrt(clean.covariance[2, 2])
        assert abs(dusty.radius_mm - clean.radius_mm) < 1.5 * uncertainty
        assert 60 < np.count_nonzero(~dusty.kept) < 400


def test_land_inside_the_window_is_left_out():
    x, y = flank(3)
    y = np.where(np.arange(x.size) > 1900, y[1900], y)
    arc = robust_arc(x, y, gain=np.ones_like(x), start=(0.0, 0.0, 1.683))
    assert not arc.kept[1930:].any()
    assert abs(arc.radius_mm - 1.68275) < 4 * np.sqrt(arc.covariance[2, 2])


def test_reported_noise_and_uncertainty_follow_the_gain():
    scatter, reported, noise = [], [], []
    for seed in range(120):
        x, y = arc_points(20.0, 1500, radius=1.6, apex_deg=-45.0)
        gain = np.linspace(0.4, 0.9, x.size)
        distance = 1.0 + gain * np.random.default_rng(seed).normal(0.0, 20e-6, x.size) / 1.6
        arc = robust_arc(x * distance, y * distance, gain=gain, start=(0.0, 0.0, 1.6))
        scatter.append(arc.radius_mm)
        reported.append(arc.covariance[2, 2])
        noise.append(arc.noise_mm)
    assert np.mean(noise) == pytest.approx(20e-6, rel=0.01)
    assert np.sqrt(np.mean(reported)) == pytest.approx(np.std(scatter), rel=0.2)


def test_wavy_flank_admits_a_larger_uncertainty():
    x, y = flank(1)
    wave = 1.0 + 40e-6 * np.sin(np.arange(x.size) / 60.0)
    plain = robust_arc(x, y, gain=np.ones_like(x), start=(0.0, 0.0, 1.68275))
    wavy = robust_arc(x * wave, y * wave, gain=np.ones_like(x), start=(0.0, 0.0, 1.68275))
    assert plain.correlation == 1.0
    assert wavy.correlation > 10.0
    assert wavy.covariance[2, 2] > 50.0 * plain.covariance[2, 2]


def test_five_points_are_the_least():
    x, y = arc_points(20.0, 4)
    with pytest.raises(TraceShapeError, match="usable points"):
        robust_arc(x, y, gain=np.ones_like(x), start=(0.0, 0.0, 1.0))


def test_waviness_without_noise_is_form_and_stays_in():
    random = np.random.default_rng(2)
    for _ in range(20):
        x, y = flank(0, noise=0.0)
        angle = np.arange(x.size) / x.size
        wave = sum(random.normal(0.0, 30e-6) * np.cos(k * np.pi * angle) for k in range(2, 9))
        arc = robust_arc(
            x * (1 + wave / 1.68275), y * (1 + wave / 1.68275), gain=np.ones_like(x), start=(0.0, 0.0, 1.683)
        )
        assert arc.kept.all()

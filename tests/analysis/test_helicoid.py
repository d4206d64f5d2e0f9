"""Axial section and normal plane against a published kind of section and against swept surfaces."""

from __future__ import annotations

import doctest

import numpy as np
import pytest

from edgeagent.analysis.groove import helicoid
from edgeagent.analysis.groove.arcs import fit_circle
from edgeagent.analysis.groove.helicoid import to_axial, to_normal, to_normal_first_order
from edgeagent.demo import thread_surface as section
from edgeagent.errors import FitNotConvergedError, TraceRangeError

# Exact axial section of a circular groove swept along a helix (pipe surface): centre line radius 16.5, lead 10,
# groove radius 2.06375; angle in the normal plane from the inward radial direction, axial place, radius, phase.
# Computed independently of this project's code from the moving frame of the helix.
PIPE_RADIUS, PIPE_LEAD, PIPE_GROOVE = 16.5, 10.0, 2.06375
PIPE = [
    (0, 0.0, 14.436250000, 0.0),
    (15, 0.537296605, 14.506661225, 0.202551),
    (30, 1.037824904, 14.713073635, 0.385811),
    (45, 1.467375365, 15.041360950, 0.533715),
    (60, 1.796658514, 15.469076798, 0.635594),
    (75, 2.003298153, 15.967009330, 0.686808),
]


@pytest.mark.parametrize("sign", [-1.0, 1.0])
@pytest.mark.parametrize(("theta", "x", "rho", "_phase"), PIPE)
def test_pipe_surface_has_its_tabulated_axial_section(theta, x, rho, _phase, sign):
    angle = sign * np.radians(theta)
    u, v = PIPE_GROOVE * np.sin(angle), -PIPE_GROOVE * np.cos(angle)
    found = to_axial(u, v, radius_mm=PIPE_RADIUS, lead_mm=PIPE_LEAD)
    assert found == pytest.approx((sign * x, rho), abs=6e-10)


def pipe_flank() -> tuple[np.ndarray, np.ndarray]:
    theta = np.radians(np.linspace(15.0, 75.0, 2001))
    u, v = PIPE_GROOVE * np.sin(theta), -PIPE_GROOVE * np.cos(theta)
    return to_axial(u, v, radius_mm=PIPE_RADIUS, lead_mm=PIPE_LEAD)


def test_pipe_flank_shows_the_published_false_circles_without_correction_and_with_the_first_order_one():
    """Tabulated least-squares circles of the flank from 15° to 75°: radius, centre along, centre radius."""
    x, rho = pipe_flank()
    raw = fit_circle(x, rho)
    assert (raw.radius_mm, raw.x_mm, raw.y_mm) == pytest.approx(
        (2.066944951, 0.007887468, 16.504978999), abs=2e-9
    )
    u, v = to_normal_first_order(x, rho, radius_mm=PIPE_RADIUS, lead_mm=PIPE_LEAD)
    first = fit_circle(u, v + PIPE_RADIUS)
    assert (first.radius_mm, first.x_mm, first.y_mm) == pytest.approx(
        (2.062142621, 0.001664754, 16.498745927), abs=2e-9
    )


def test_pipe_flank_comes_back_as_the_true_circle():
    x, rho = pipe_flank()
    plane = to_normal(x, rho, radius_mm=PIPE_RADIUS, lead_mm=PIPE_LEAD)
    circle = fit_circle(plane.u_mm, plane.v_mm)
    assert (circle.radius_mm, circle.x_mm, circle.y_mm) == pytest.approx((PIPE_GROOVE, 0.0, 0.0), abs=1e-11)


@pytest.mark.parametrize("lead_angle", [0.5, 2.0, 10.0, 25.0, 45.0])
def test_there_and_back_again(lead_angle):
    radius = 10.0
    lead = 2 * np.pi * radius * np.tan(np.radians(lead_angle))
    u, v = np.meshgrid(np.linspace(-2.5, 2.5, 21), np.linspace(-2.0, 2.0, 17))
    x, rho = to_axial(u, v, radius_mm=radius, lead_mm=lead)
    plane = to_normal(x, rho, radius_mm=radius, lead_mm=lead)
    assert np.max(np.abs(plane.u_mm - u)) < 1e-12
    assert np.max(np.abs(plane.v_mm - v)) < 1e-12


def test_derivatives_agree_with_differences():
    x, rho, step = np.array([0.8, -1.2]), np.array([9.1, 9.4]), 1e-5
    plane = to_normal(x, rho, radius_mm=10.0, lead_mm=25.0)

    def moved(dx: float, drho: float) -> np.ndarray:
        p = to_normal(x + dx, rho + drho, radius_mm=10.0, lead_mm=25.0)
        return np.stack([p.u_mm, p.v_mm])

    by_x = (moved(step, 0) - moved(-step, 0)) / (2 * step)
    by_rho = (moved(0, step) - moved(0, -step)) / (2 * step)
    assert by_x == pytest.approx(np.stack([plane.du_dx, plane.dv_dx]), abs=1e-9)
    assert by_rho == pytest.approx(np.stack([plane.du_drho, plane.dv_drho]), abs=1e-9)


@pytest.mark.parametrize("member", ["shaft", "nut"])
@pytest.mark.parametrize("hand", ["right", "left"])
@pytest.mark.parametrize("lead_angle", [2.0, 13.0, 25.0])
@pytest.mark.parametrize("tip", [0.0, 0.05])
def test_swept_surface_touched_by_a_tip_comes_back_as_the_parallel_arc(member, hand, lead_angle, tip):
    """The tip taken out in the normal plane: at 25° and 0.05 mm this costs less than 0.1 nm."""
    lead = np.pi * 20.75 * np.tan(np.radians(lead_angle))
    part = section.Part(member=member, hand=hand, lead_mm=lead)
    flanks = (-1.0, 1.0)
    for arc, sign in zip(part.arcs(), flanks, strict=True):
        theta = np.radians(np.linspace(20.0, 70.0, 60)) * sign
        x, z = section._cross_plane(
            lambda t, a=arc, q=theta: section._tip_on_arc(part, a, tip, q, t), np.zeros(theta.size)
        )
        plane = to_normal(x, z, radius_mm=20.75 / 2, lead_mm=lead)
        h = plane.v_mm if member == "shaft" else -plane.v_mm
        off = np.hypot(plane.u_mm - arc[0], h - arc[1]) + tip - arc[2]
        assert np.max(np.abs(off)) < 1e-7


def test_points_and_lengths_that_belong_to_no_groove_are_refused():
    with pytest.raises(TraceRangeError):
        to_normal(np.array([0.1]), np.array([-1.0]), radius_mm=10.0, lead_mm=5.0)
    with pytest.raises(TraceRangeError):
        to_normal(np.array([0.1]), np.array([1.0]), radius_mm=10.0, lead_mm=0.0)
    with pytest.raises(FitNotConvergedError):
        to_normal(np.array([150.0]), np.array([9.0]), radius_mm=10.0, lead_mm=5.0)
    with pytest.raises(FitNotConvergedError):
        to_normal(np.array([np.nan]), np.array([9.0]), radius_mm=10.0, lead_mm=5.0)


def test_example_in_the_docstring_holds():
    assert doctest.testmod(helicoid).failed == 0
    assert doctest.testmod(helicoid).attempted > 0

"""A measuring plane beside the axis or askew to it: found from both sides, counted where it cannot be found."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from skew_section import Plane, traced
from test_axial import by_name, check, measured, thread_of, trace_of

from edgeagent.analysis.axial.plane import Plane as MeasuringPlane
from edgeagent.analysis.kinds import Request, axial
from edgeagent.demo.thread_surface import BOTTOM, TOP, Cut, Part, with_noise

STEEP = Part(lead_mm=20.0, starts=2, ball_pitch_circle_mm=16.6, land_mm=-0.4)
CUT_SHORT = Cut(x_start_mm=-2.6, x_end_mm=17.4, spacing_mm=0.004, tip_radius_mm=0.02)
CUT = Cut(x_start_mm=-3.0, x_end_mm=34.0, spacing_mm=0.004, tip_radius_mm=0.02)


def worst(result, name: str, true: float) -> float:
    found = by_name(result, name)
    assert found
    return max(abs(v - true) for v in found.values())


@pytest.mark.parametrize("member", ["shaft", "nut"])
@pytest.mark.parametrize("hand", ["right", "left"])
@pytest.mark.parametrize(("offset", "yaw"), [(0.1, 0.0), (-0.1, 0.02), (0.3, -0.05)])
def test_plane_is_found_and_taken_out_of_every_value(member, hand, offset, yaw):
    part = dataclasses.replace(STEEP, member=member, hand=hand)
    cut = dataclasses.replace(CUT, axis_tilt_deg=0.2, z_offset_mm=2.0)
    result = measured(part, cut, traced(part, cut, plane=Plane(offset, yaw)))
    sign = 1.0 if hand == "right" else -1.0
    assert by_name(result, "plane_offset")[""] == pytest.approx(sign * offset, abs=2e-4)
    assert by_name(result, "plane_yaw")[""] == pytest.approx(sign * yaw, abs=2e-4)
    for side in ("left", "right"):
        assert worst(result, f"contact_angle_{side}", 45.0) < 0.02
        assert worst(result, f"flank_radius_{side}", 0.53 * 3.175) < 2e-4
    assert worst(result, "ball_pitch_circle_diameter", 16.6) < 2e-4
    assert worst(result, "pitch", 10.0) < 5e-5
    assert max(abs(v) for v in by_name(result, "cumulative_pitch_deviation").values()) < 0.2
    assert [c.check for c in result.quality if not c.ok] == []


@pytest.mark.parametrize("offset", [0.2, 0.0])
def test_an_offset_that_noise_leaves_unsure_is_in_the_diameters(offset):
    exact = traced(Part(), CUT_SHORT, plane=Plane(offset))
    errors, stated = [], []
    for seed in range(16):
        result = measured(Part(), CUT_SHORT, with_noise(exact, 20.0, seed))
        for q in result.quantities:
            if q.name == "ball_pitch_circle_diameter" and q.instance == "":
                errors.append(1e3 * (q.value - 20.75))
                stated.append(1e3 * q.standard_uncertainty)
    assert 0.65 < np.mean(stated) / np.sqrt(np.mean(np.square(errors))) < 1.5  # a ninth without the offset's
    assert offset or max(stated) < 0.002


def test_without_the_correction_the_same_trace_is_two_degrees_off():
    trace = trace_of(traced(STEEP, CUT, plane=Plane(0.1)))
    nominal = axial.nominal_of(trace, thread_of(STEEP), axial.Options())
    fixed = dataclasses.replace(nominal, plane=MeasuringPlane(0.0, 0.0, 0.0))
    found = axial._analyse_steps(trace, thread_of(STEEP), axial.Options(), fixed)
    assert 2.0 < worst(found, "contact_angle_left", 45.0) < 4.0


def test_yaw_over_forty_grooves_leaves_no_cumulative_pitch_deviation():
    part = Part()
    cut = Cut(x_start_mm=-2.6, x_end_mm=198.0, spacing_mm=0.01, tip_radius_mm=0.02)
    result = measured(part, cut, with_noise(traced(part, cut, plane=Plane(0.0, 0.02), nodes=200), 20.0, 1))
    for q in result.quantities:
        if q.name == "cumulative_pitch_deviation":
            assert abs(q.value) < 0.02
            assert q.standard_uncertainty < 0.02
    assert by_name(result, "plane_yaw")[""] == pytest.approx(0.02, abs=1e-4)


def test_noise_does_not_turn_the_plane_and_angles_scatter_no_more_than_without_it():
    clean = traced(Part(), dataclasses.replace(CUT, x_end_mm=18.0))
    angles, offsets, stated = [], [], []
    for seed in range(25):
        result = measured(Part(), CUT, with_noise(clean, 20.0, seed))
        angles.append(by_name(result, "contact_angle_left")["top[2]"])
        offset = next(q for q in result.quantities if q.name == "plane_offset")
        offsets.append(offset.value)
        stated.append(offset.standard_uncertainty)
    own = next(
        q.standard_uncertainty
        for q in result.quantities
        if (q.name, q.instance) == ("contact_angle_left", "top[2]")
    )
    assert np.std(angles) < 1.35 * own
    assert np.sqrt(np.mean(np.square(offsets))) < 2e-3
    # 25 draws know a scatter to 14 %
    assert 0.6 < np.sqrt(np.mean(np.square(stated))) / np.std(offsets) < 1.6


@pytest.mark.parametrize("side", [TOP, BOTTOM])
@pytest.mark.parametrize("offset", [0.05, -0.08])
def test_one_side_alone_counts_what_the_station_states_of_its_plane(side, offset):
    cut = dataclasses.replace(CUT, sides=(side,))
    trace = trace_of(traced(STEEP, cut, plane=Plane(offset)))
    result = axial.analyse(trace, Request(thread_of(STEEP), axial.Options(), plane_offset_mm=0.05))
    assert by_name(result, "plane_offset") == {"": None}
    assert "counted" in check(result, "measuring_plane").note
    for name, true in (("contact_angle_left", 45.0), ("flank_radius_right", 0.53 * 3.175)):
        for q in result.quantities:
            if q.name == name:
                off = abs(q.value - true) / (abs(offset) / 0.05)
                # To first order the error of a plane one standard uncertainty off is one standard uncertainty.
                assert 0.8 < q.standard_uncertainty / off < 1.25
    trusted = Request(thread_of(STEEP), axial.Options(), plane_offset_mm=0.0, plane_yaw_deg=0.0)
    for q in axial.analyse(trace, trusted).quantities:
        if q.name == "contact_angle_left":
            assert q.standard_uncertainty < 0.1


def test_plane_farther_off_than_allowed_is_a_failure():
    built = traced(STEEP, CUT, plane=Plane(0.2))
    result = measured(STEEP, CUT, built, options=axial.Options(max_plane_offset_mm=0.15))
    assert not check(result, "measuring_plane").ok
    assert "set the stylus over the crest" in check(result, "measuring_plane").note


def test_unwrapping_and_wrapping_are_inverse_for_any_plane():
    rng = np.random.default_rng(3)
    plane = MeasuringPlane(0.4, 2e-3, 3.0)
    along, across = rng.uniform(-50, 50, 200), rng.uniform(5, 12, 200) * rng.choice([-1.0, 1.0], 200)
    back = plane.section_points(*plane.recorded_points(along, across))
    assert back[0] == pytest.approx(along, abs=1e-11)
    assert back[1] == pytest.approx(across, abs=1e-11)


@pytest.mark.parametrize("yaw", [0.02, -0.02])
def test_yaw_that_two_grooves_a_side_cannot_show_is_in_their_pitch(yaw):
    cut = dataclasses.replace(CUT, x_end_mm=17.0)
    trace = trace_of(traced(STEEP, cut, plane=Plane(0.1, yaw)))
    result = axial.analyse(trace, Request(thread_of(STEEP), axial.Options(), plane_yaw_deg=0.02))
    assert by_name(result, "plane_yaw") == {"": None}
    # 0.1 mm where x is 0; the grooves show the plane in their middle, 5 mm on, to which the yaw carries it
    (offset,) = (q for q in result.quantities if q.name == "plane_offset")
    assert 0.5 < abs(offset.value - 0.1) / offset.standard_uncertainty < 1.25
    errors = [q for q in result.quantities if q.name == "pitch_deviation"]
    assert {q.instance for q in errors} == {"top[1-2]", "bottom[1-2]"}
    for q in errors:
        assert 1.4 < abs(q.value) < 1.7
        assert q.standard_uncertainty == pytest.approx(abs(q.value), rel=0.1)


@pytest.mark.parametrize("error_um", [0.77, -0.77])
def test_yaw_counts_in_full_for_a_deviation_that_it_would_turn_into_its_opposite(error_um):
    cut = dataclasses.replace(CUT, x_end_mm=17.0, sides=(TOP,))
    part = dataclasses.replace(STEEP, lead_mm=20.0 + 2e-3 * error_um)
    request = Request(thread_of(STEEP), axial.Options(), plane_offset_mm=0.0, plane_yaw_deg=0.02)
    result = axial.analyse(trace_of(traced(part, cut)), request)
    for q in result.quantities:
        if q.name in ("pitch_deviation", "cumulative_pitch_deviation"):
            assert q.value == pytest.approx(error_um, abs=0.02)
            assert 1.4 < q.standard_uncertainty < 1.7


def test_offset_of_a_part_far_from_where_x_is_zero_has_the_uncertainty_of_the_yaw_in_it():
    built = traced(Part(), dataclasses.replace(CUT, x_end_mm=18.0))
    errors, stated = [], []
    for seed in range(12):
        trace = trace_of(with_noise(built, 20.0, seed))
        trace.columns["x_mm"][:] += 300.0
        found = next(
            q
            for q in axial.analyse(trace, Request(thread_of(Part()), axial.Options())).quantities
            if q.name == "plane_offset"
        )
        errors.append(found.value)
        stated.append(found.standard_uncertainty)
    # 12 draws know a scatter to 20 %
    assert 0.5 < np.sqrt(np.mean(np.square(stated))) / np.sqrt(np.mean(np.square(errors))) < 2.0


def test_plane_is_allowed_by_where_the_grooves_are():
    """0.1 mm at the grooves, which an axis counted from 500 mm off would show as 0.6 mm at its zero."""
    trace = trace_of(traced(STEEP, CUT, plane=Plane(0.1, 0.06)))
    trace.columns["x_mm"][:] += 500.0
    result = axial.analyse(trace, Request(thread_of(STEEP), axial.Options()))
    assert by_name(result, "plane_offset")[""] == pytest.approx(
        0.1 - 500.0 * np.tan(np.radians(0.06)), abs=0.02
    )
    assert check(result, "measuring_plane").ok
    assert check(result, "measuring_plane").value == pytest.approx(0.133, abs=0.005)

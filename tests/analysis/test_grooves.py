"""The rolled ball finds grooves, and only grooves, wherever the trace begins and ends."""

from __future__ import annotations

import numpy as np
import pytest

from edgeagent.analysis.axial.grooves import clean_side, roll_ball
from edgeagent.demo import thread_surface as section
from edgeagent.errors import TraceShapeError

PART = section.Part()
RADIUS = PART.ball_diameter_mm / 2


def rolled(part, *, start: float, end: float, tilt: float = 0.0, change=None):
    cut = section.Cut(x_start_mm=start, x_end_mm=end, spacing_mm=0.005, axis_tilt_deg=tilt, sides=(1.0,))
    trace = section.section(part, cut, nodes=400)
    x, z = trace.x_mm, trace.z_mm if change is None else change(trace.x_mm, trace.z_mm)
    facing = 1.0 if part.member == "shaft" else -1.0
    return roll_ball(x, facing * z, ball_radius_mm=part.ball_diameter_mm / 2, pitch_mm=part.pitch_mm)


@pytest.mark.parametrize("start", [-2.4, -1.9, 2.2, 3.0])
@pytest.mark.parametrize("tilt", [-0.5, 0.5])
@pytest.mark.parametrize("member", ["shaft", "nut"])
def test_every_whole_groove_is_found_where_it_lies(start, tilt, member):
    part = section.Part(member=member)
    found = rolled(part, start=start, end=22.6, tilt=tilt)
    turn = np.radians(tilt)
    places = 5.0 * np.arange(0 if start < 0 else 1, 5) * np.cos(turn) - 10.375 * np.sin(turn)
    assert found.centre_x_mm == pytest.approx(places, abs=0.06)
    assert not found.cut_at_start
    assert not found.cut_at_end


def test_trace_that_begins_and_ends_inside_grooves_says_so():
    found = rolled(PART, start=0.3, end=19.6)
    assert found.centre_x_mm == pytest.approx([5.0, 10.0, 15.0], abs=0.06)
    assert found.cut_at_start
    assert found.cut_at_end


@pytest.mark.parametrize("lead", [2.2, 20.0, 30.0])
def test_steep_and_flat_threads_of_many_starts(lead):
    part = section.Part(
        lead_mm=lead * 2, starts=4, ball_diameter_mm=min(3.175, lead / 3), land_mm=-0.12 * lead / 3
    )
    end = 5.4 * part.pitch_mm
    found = rolled(part, start=-0.5 * part.pitch_mm, end=end)
    assert found.centre_x_mm.size == 6


def test_spikes_pits_and_steps_of_dirt_are_no_grooves():
    def spoil(x: np.ndarray, z: np.ndarray) -> np.ndarray:
        spoilt = z.copy()
        spoilt[::97] += 1.5
        spoilt[40::101] -= 1.5
        return spoilt + 0.02 * np.exp(-(((x - 7.5) / 0.05) ** 2))

    found = rolled(PART, start=-2.4, end=22.6, change=spoil)
    assert found.centre_x_mm == pytest.approx([0, 5, 10, 15, 20], abs=0.06)


def test_plain_cylinder_notches_and_lands_hold_no_ball():
    x = np.arange(0.0, 20.0, 0.005)
    for z in (np.full(x.size, 10.0), 10.0 + 0.1 * np.sin(x), np.where(np.abs(x - 10) < 0.9, 8.0, 10.0)):
        assert roll_ball(x, z, ball_radius_mm=RADIUS, pitch_mm=5.0).centre_x_mm.size == 0


def test_sparse_samples_are_refused_with_the_spacing_needed():
    x = np.arange(0.0, 20.0, 0.5)
    with pytest.raises(TraceShapeError, match="apart"):
        roll_ball(x, np.zeros_like(x), ball_radius_mm=RADIUS, pitch_mm=5.0)


def test_missing_samples_leave_and_reversed_traces_turn():
    x, z = np.arange(10.0), np.arange(10.0) ** 2
    z[3] = np.nan
    side = clean_side(1.0, x[::-1], z[::-1])
    assert side.missing == 1
    assert side.reversed_order
    assert list(side.x_mm) == [0, 1, 2, 4, 5, 6, 7, 8, 9]
    assert side.z_mm[-1] == 81.0


def test_steps_back_are_put_in_order_and_counted():
    side = clean_side(1.0, np.array([0.0, 2.0, 1.0, 3.0, 3.0]), np.array([0.0, 4.0, 1.0, 9.0, 8.0]))
    assert side.backward == 2
    assert list(side.x_mm) == [0, 1, 2, 3]
    assert list(side.z_mm) == [0, 1, 4, 9]


def test_side_without_samples_is_refused():
    with pytest.raises(TraceShapeError, match="top"):
        clean_side(1.0, np.array([1.0, np.nan]), np.array([1.0, 2.0]))

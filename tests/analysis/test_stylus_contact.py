"""Two flanks and alignment against a spherical tip that touches a groove of two arcs, solved exactly."""

from __future__ import annotations

import numpy as np
import pytest
from stylus_contact import Groove

from edgeagent.analysis.kinds import Request, spiral
from edgeagent.analysis.track.alignment_advice import advise, run_out
from edgeagent.analysis.track.flank_pair import combine_flanks, judge_motion
from edgeagent.analysis.track.sensing import normal_factor
from edgeagent.analysis.track.track_normal import normal_plane_shift_rad, track_normal
from edgeagent.analysis.waves.harmonics import fit_harmonics
from edgeagent.model import Thread, Trace, TraceHeader

PARTS = [("shaft", 1), ("shaft", -1), ("nut", 1), ("nut", -1)]
SENSING = [("normal", 0.005), ("normal", 0.5), ("radial", 0.005), ("axial", 0.005), ("axial", 0.3)]
RADIAL_NM = {4: 150 * np.exp(1j), 37: 40 * np.exp(2j)}
AXIAL_NM = {7: 120 * np.exp(0.3j), 74: 25 * np.exp(1j)}


def thread_of(groove):
    return Thread(
        member=groove.member, hand="right" if groove.rises > 0 else "left", starts=1, lead_mm=groove.lead_mm,
        ball_diameter_mm=groove.ball_mm, ball_pitch_circle_mm=groove.circle_mm,
        contact_angle_deg=np.degrees(groove.angle_rad), track_conformity=groove.conformity,
    )  # fmt: skip


def waves(amplitudes_nm):
    return lambda theta: sum(1e-6 * abs(c) * np.cos(n * theta + np.angle(c)) for n, c in amplitudes_nm.items())


def header_of(flank, sensing, tip_mm):
    return TraceHeader(
        kind="spiral",
        feature=flank,
        measured_at=None,
        part="P",
        serial="1",
        sensing=sensing,
        tip_radius_mm=tip_mm,
    )


def pair_of(groove, sensing, tip_mm):
    thread, spectra = thread_of(groove), []
    for flank, start, turns in (("left", 0.4, 2), ("right", 2.0, 3)):
        angle = start + np.arange(turns * 400) * (2 * np.pi / 400)
        reading, _ = groove.reading(angle, flank, tip_mm=tip_mm, sensing=sensing)
        trace = Trace(
            header_of(flank, sensing, tip_mm), {"angle_deg": np.degrees(angle), "deviation_um": reading}
        )
        spectra.append(spiral.analyse(trace, Request(thread, spiral.Options(upr=(2, 120)))).spectrum)
    return combine_flanks(
        *spectra,
        contact_angle_deg=thread.contact_angle_deg,
        lead_angle_rad=thread.lead_angle_rad,
        shift_rad=normal_plane_shift_rad(thread, tip_radius_mm=tip_mm),
    )


@pytest.mark.parametrize(("sensing", "tip_mm"), SENSING)
@pytest.mark.parametrize(("member", "rises"), PARTS)
def test_radial_and_axial_motion_come_back_whatever_the_tip_and_the_gauges_direction(
    member, rises, sensing, tip_mm
):
    """Clamped 3 um off and leaning; the traces begin elsewhere and differ in turns. Second order: 1 %, 1 nm."""
    groove = Groove(member, rises=rises, radial=waves(RADIAL_NM), axial=waves(AXIAL_NM))
    groove.shift_mm, groove.lean_rad = 3e-3 * np.exp(2j), 60e-6 * np.exp(1j)
    found = pair_of(groove, sensing, tip_mm)
    for n in (4, 7, 37, 74):
        for amplitude, planted in (
            (found.radial_nm[n - 1], RADIAL_NM.get(n, 0.0)),
            (found.axial_nm[n - 1], AXIAL_NM.get(n, 0.0)),
        ):
            assert abs(amplitude - planted) < 1.0 + 0.01 * abs(planted), n


def test_planted_causes_are_named_and_no_other():
    """Spindle radial at 4, lead drive at 7, wheel out of round at 37, its wobble at 74, one side at 23."""
    groove = Groove(radial=waves(RADIAL_NM), axial=waves(AXIAL_NM), right=waves({23: 40.0}))
    found = judge_motion(pair_of(groove, "normal", 0.005), [4, 7, 23, 37, 74])
    assert [v.motion for v in found] == ["radial", "axial", "right", "radial", "axial"]


@pytest.mark.parametrize(("sensing", "tip_mm"), SENSING)
@pytest.mark.parametrize("flank", ["left", "right"])
@pytest.mark.parametrize(("member", "rises"), PARTS)
def test_part_pushed_and_tilted_as_advised_turns_about_its_own_axis(member, rises, flank, sensing, tip_mm):
    """The advice carried out in the model: eccentricity and its growth vanish; the other way they double."""
    groove = Groove(member, rises=rises, radial=waves({5: 200.0}), axial=waves({12: 50.0}), pivot_mm=8.0)
    shift, lean = 4e-3 * np.exp(1j * np.radians(191.5)), 60e-6 * np.exp(1j * np.radians(57.3))
    thread = thread_of(groove)
    factor, _ = normal_factor(header_of(flank, sensing, tip_mm), thread, None, True)
    angle = 1.0 + np.arange(3 * 180) * (2 * np.pi / 180)

    def measured():
        reading, height_mm = groove.reading(angle, flank, tip_mm=tip_mm, sensing=sensing)
        fit = fit_harmonics(angle, reading, upr_max=30, alignment=True)
        normal = track_normal(thread, flank, tip_radius_mm=tip_mm)
        return run_out(fit, factor, normal, height_mm=height_mm, rise_mm_per_turn=rises * groove.lead_mm)

    def clamped(sign):
        groove.shift_mm, groove.lean_rad = shift + sign * push, lean + sign * turn
        return measured()

    push = turn = 0j
    before = clamped(0)
    advice = advise([before], pivot_mm=8.0)
    push = 1e-3 * advice.shift_um * np.exp(1j * np.radians(advice.shift_direction_deg))
    turn = 1e-6 * advice.tilt_urad * np.exp(1j * np.radians(advice.tilt_direction_deg))
    after, wrong = clamped(-1), clamped(1)
    assert abs(after.vector_um) < 0.01 * abs(before.vector_um)
    assert abs(after.growth) < 0.03 * abs(before.growth)
    assert abs(wrong.vector_um) == pytest.approx(2 * abs(before.vector_um), rel=0.02)

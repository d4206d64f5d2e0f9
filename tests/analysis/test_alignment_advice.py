"""Advice to shift and tilt, against a rigid body that is moved in space."""

from __future__ import annotations

import math

import numpy as np
import pytest
from groove_motion import Track

from edgeagent.analysis.track.alignment_advice import (
    AlignmentAdvice,
    RunOut,
    advice_sentence,
    advise,
    own_offset,
    run_out,
)
from edgeagent.analysis.track.track_normal import SurfaceNormal, cylinder_normal, track_normal
from edgeagent.analysis.waves.harmonics import fit_harmonics
from edgeagent.errors import AnalysisError, TraceRangeError
from edgeagent.model import Thread

PER_TURN = 360
SHIFT = 4.0 * np.exp(1j * np.radians(191.5))  # um, towards 191.5 deg
TILT = 0.060 * np.exp(1j * np.radians(57.3))  # um/mm, that is 60 urad towards 57.3 deg


def thread_of(track, hand="right"):
    return Thread(
        member=track.member, hand=hand, starts=1, lead_mm=track.lead_mm, ball_diameter_mm=track.ball_mm,
        ball_pitch_circle_mm=track.circle_mm, contact_angle_deg=track.angle_deg, track_conformity=0.535,
    )  # fmt: skip


def rigid(shift, tilt, pivot_mm, base_mm=0.0):
    """Small motion of a rigid part: its axis displaced by ``shift`` at the pivot and leaning by ``tilt``."""
    rotation = np.array([0.0, -tilt.imag, tilt.real])

    def moved(_theta, point):
        lever = point + np.array([base_mm - pivot_mm, 0.0, 0.0])
        return np.array([0.0, shift.real, shift.imag]) + np.cross(rotation, lever)

    return moved


def spiral_run_out(track, flank, moved, *, turns=3, base_mm=0.0, hand="right", noise_um=0.0, seed=0, waves=()):
    angle = np.arange(turns * PER_TURN) * (2 * np.pi / PER_TURN)
    point, _ = track.contact(np.array([(angle[0] + angle[-1]) / 2 - track.lag(flank)]), flank)
    reading = track.reading(angle, flank, moved)
    for n, amplitude in waves:
        reading = reading + amplitude * np.cos(n * angle + n)
    reading = reading + np.random.default_rng(seed).normal(0.0, noise_um, len(angle))
    fit = fit_harmonics(angle, reading, upr_max=40, alignment=True)
    normal = track_normal(thread_of(track, hand), flank, rises=track.turning > 0)
    return run_out(
        fit, 1.0, normal, height_mm=base_mm + float(point[0, 0]), rise_mm_per_turn=track.turning * track.lead_mm
    )


def circle_run_out(height_mm, shift, tilt, *, internal=False, noise_um=0.0, seed=0):
    """A cylinder's cross-section: the displacement of the axis at its height, read along the radius."""
    angle = np.arange(PER_TURN) * (2 * np.pi / PER_TURN)
    off = shift + tilt * height_mm
    reading = (off.real * np.cos(angle) + off.imag * np.sin(angle)) * (-1.0 if internal else 1.0)
    reading = reading + 0.5 * np.cos(2 * angle + 1) + np.random.default_rng(seed).normal(0, noise_um, PER_TURN)
    fit = fit_harmonics(angle, reading, upr_max=40, alignment=False)
    return run_out(fit, 1.0, cylinder_normal(internal=internal), height_mm=height_mm)


def vector(size, direction_deg):
    return size * np.exp(1j * np.radians(direction_deg))


def assert_found(advice, shift=SHIFT, tilt=TILT, *, within_um=1e-6):
    assert vector(advice.shift_um, advice.shift_direction_deg) == pytest.approx(shift, abs=within_um)
    found = vector(advice.tilt_urad, advice.tilt_direction_deg)
    assert found == pytest.approx(1000 * tilt, abs=1000 * within_um)


# ---------------------------------------------------------------- what was planted comes back


@pytest.mark.parametrize("internal", [False, True])
def test_two_circles_give_shift_at_the_pivot_and_tilt(internal):
    low, high = (circle_run_out(h, SHIFT, TILT, internal=internal) for h in (12.0, 60.0))
    assert_found(advise([low, high], pivot_mm=0.0))
    middle = advise([low, high])
    assert middle.height_mm == 36.0
    assert_found(middle, shift=SHIFT + 36.0 * TILT)


def test_one_circle_gives_the_shift_at_its_height_alone():
    advice = advise([circle_run_out(12.0, SHIFT, TILT)])
    assert vector(advice.shift_um, advice.shift_direction_deg) == pytest.approx(SHIFT + 12 * TILT, abs=1e-9)
    assert (advice.tilt_urad, advice.tilt_direction_deg, advice.u_tilt_urad) == (None, None, None)
    assert "tells nothing of the tilt" in advice_sentence(advice)
    assert "at the trace's middle, from where" in advice_sentence(advice, "the trace's middle")


@pytest.mark.parametrize("flank", ["left", "right"])
@pytest.mark.parametrize(
    ("track", "hand"),
    [
        (Track(), "right"),
        (Track(member="nut"), "right"),
        (Track(turning=-1), "left"),
        (Track(lead_mm=20.0, circle_mm=16.6), "right"),
    ],
)
def test_one_spiral_on_a_moved_part_gives_shift_and_tilt(track, hand, flank):
    """Rigid motion of a helical track in space, read along its normal at the contact points."""
    found = spiral_run_out(track, flank, rigid(SHIFT, TILT, 5.0, base_mm=20.0), base_mm=20.0, hand=hand)
    assert_found(advise([found], pivot_mm=5.0), within_um=2e-6)
    offset, _ = own_offset(found, 5.0)
    assert offset == pytest.approx(SHIFT, abs=2e-6)


def test_two_spirals_at_two_heights_give_shift_and_tilt_whatever_waves_the_part_has():
    track = Track()
    waves = ((2, 1.0), (7, 0.3), (33, 0.1))
    pair = [
        spiral_run_out(track, "left", rigid(SHIFT, TILT, 0.0, base_mm=base), base_mm=base, waves=waves)
        for base in (10.0, 90.0)
    ]
    assert_found(advise(pair, pivot_mm=0.0), within_um=2e-6)


def test_following_the_advice_leaves_the_part_aligned():
    """The advised motion, taken back in space, leaves no eccentricity and no growth."""
    track = Track()
    advice = advise([spiral_run_out(track, "right", rigid(SHIFT, TILT, 8.0))], pivot_mm=8.0)
    shift = SHIFT - vector(advice.shift_um, advice.shift_direction_deg)
    tilt = TILT - vector(advice.tilt_urad, advice.tilt_direction_deg) / 1000
    left = spiral_run_out(track, "right", rigid(shift, tilt, 8.0))
    assert abs(left.vector_um) < 1e-5
    assert abs(left.growth) < 1e-6


def test_unknown_flank_costs_a_few_degrees_and_no_more():
    """Without the flank the direction is off by atan(tan α sin ψ), 4.4 deg here, the length by 0.3 %."""
    track = Track()
    angle = np.arange(3 * PER_TURN) * (2 * np.pi / PER_TURN)
    fit = fit_harmonics(angle, track.reading(angle, "left", rigid(SHIFT, 0j, 0.0)), upr_max=40, alignment=True)
    blind = advise([run_out(fit, 1.0, track_normal(thread_of(track), None), height_mm=0.0)])
    assert blind.shift_um == pytest.approx(4.0, rel=0.005)
    assert 3.0 < abs(blind.shift_direction_deg - 191.5) < 5.0


# ---------------------------------------------------------------- uncertainty


def test_stated_uncertainty_is_the_scatter_over_noisy_traces():
    """150 spirals and 150 pairs of circles with 20 nm of noise: the scatter of each Cartesian part."""
    track, moved = Track(), rigid(SHIFT, TILT, 0.0)
    spirals = [
        advise([spiral_run_out(track, "left", moved, noise_um=0.02, seed=s)], pivot_mm=6.0) for s in range(150)
    ]
    circles = [
        advise([circle_run_out(h, SHIFT, TILT, noise_um=0.02, seed=1000 * s + h) for h in (10, 60)])
        for s in range(150)
    ]
    for found in (spirals, circles):
        shifts = np.array([vector(a.shift_um, a.shift_direction_deg) for a in found])
        tilts = np.array([vector(a.tilt_urad, a.tilt_direction_deg) for a in found])
        for values, stated in (
            (shifts, [a.u_shift_um for a in found]),
            (tilts, [a.u_tilt_urad for a in found]),
        ):
            scatter = np.sqrt((np.var(values.real) + np.var(values.imag)) / 2)
            assert np.sqrt(np.mean(np.square(stated))) == pytest.approx(scatter, rel=0.15)
        assert abs(np.mean(shifts.real) - (SHIFT + TILT * found[0].height_mm).real) < 0.2 * np.std(shifts.real)


def test_more_noisy_trace_counts_less():
    sharp = [RunOut(h, SHIFT + TILT * h, 0.001, cylinder_normal(internal=False)) for h in (0.0, 50.0)]
    rough = RunOut(25.0, SHIFT + TILT * 25 + 1.0, 1.0, cylinder_normal(internal=False))
    assert_found(advise([*sharp, rough], pivot_mm=0.0), within_um=1e-5)


def test_scale_of_the_gauge_widens_shift_and_tilt_by_its_share():
    """One scale error is common to all traces: 2 % of 4 um are 80 nm, however many there are."""
    low, high = (circle_run_out(h, SHIFT, TILT) for h in (-30.0, 30.0))
    plain, wide = advise([low, high]), advise([low, high], scale_u=0.02)
    assert wide.u_shift_um == pytest.approx(np.hypot(plain.u_shift_um, 0.02 * 4.0), rel=1e-6)
    assert wide.u_tilt_urad == pytest.approx(np.hypot(plain.u_tilt_urad, 0.02 * 60.0), rel=1e-6)


def test_single_turn_of_a_spiral_tells_no_tilt():
    """Its slope and profile leave nothing of a tilt; none found is not a tilt of nought."""
    found = spiral_run_out(Track(), "left", rigid(SHIFT, TILT, 0.0), turns=1, noise_um=0.002)
    assert found.growth is None
    advice = advise([found])
    assert (advice.tilt_urad, advice.u_tilt_urad) == (None, None)
    with pytest.raises(AnalysisError, match="single turn"):
        own_offset(found, 0.0)


# ---------------------------------------------------------------- words and refusals


def test_sentence_can_be_acted_on():
    said = advice_sentence(
        AlignmentAdvice(
            height_mm=12.0, shift_um=4.0, shift_direction_deg=191.5, u_shift_um=0.05, tilt_urad=60.0,
            tilt_direction_deg=57.3, u_tilt_urad=2.0,
        )
    )  # fmt: skip
    assert said == (
        "Turn to angle 191.5 deg and push the part 4.00 ± 0.1 um at height 12 mm, from where the stylus "
        "touches towards the opposite side; turn to angle 57.3 deg and lean the part's upper end (greater "
        "height) 60.0 ± 4 urad, 6 um in 100 mm, about height 12 mm, from where the stylus touches towards the "
        "opposite side."
    )


def test_what_is_below_its_uncertainty_is_left_alone():
    said = advice_sentence(
        AlignmentAdvice(
            height_mm=0.0, shift_um=0.09, shift_direction_deg=10.0, u_shift_um=0.05, tilt_urad=3.0,
            tilt_direction_deg=1.0, u_tilt_urad=2.0,
        )
    )  # fmt: skip
    assert said == "Centred within 0.1 um at height 0 mm, no shift; upright within 4 urad, no tilt."


def test_nothing_is_guessed_from_too_little():
    with pytest.raises(TraceRangeError):
        advise([])
    with pytest.raises(TraceRangeError, match="left or right"):
        track_normal(thread_of(Track()), "top")
    with pytest.raises(AnalysisError):
        own_offset(circle_run_out(0.0, SHIFT, TILT), 0.0)
    with pytest.raises(AnalysisError, match="cannot be separated"):
        advise([RunOut(0.0, 1 + 0j, 0.1, SurfaceNormal(0j, 0.0))])


def test_two_circles_at_one_height_give_the_shift_alone():
    both = [circle_run_out(10.0, SHIFT, 0j, noise_um=0.01, seed=s) for s in (1, 2)]
    advice = advise(both)
    assert advice.tilt_urad is None
    assert advice.u_shift_um < advise(both[:1]).u_shift_um


def test_traces_at_one_height_that_contradict_each_other_are_said_and_counted():
    first, second = (
        RunOut(10.0, vector, 0.001, cylinder_normal(internal=False)) for vector in (6.0 + 0j, 0.6 + 0j)
    )
    advice = advise([first, second])
    assert advice.disagreement_um == pytest.approx(2.7)
    assert advice.u_shift_um == pytest.approx(2.7, rel=1e-3)
    said = advice_sentence(advice)
    assert said.startswith("The traces differ by 2.7 um from any one axis: measure again. ")
    agreeing = advise([first, RunOut(10.0, 6.05 + 0.01j, 0.001, cylinder_normal(internal=False))])
    assert (agreeing.disagreement_um, agreeing.u_shift_um) == (
        0.0,
        pytest.approx(0.001 / math.sqrt(2), rel=1e-6),
    )
    # With two heights nothing is spare: a tilt explains any two motions.
    assert (
        advise([first, RunOut(20.0, 0.6 + 0j, 0.001, cylinder_normal(internal=False))]).disagreement_um == 0.0
    )

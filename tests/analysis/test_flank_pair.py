"""Radial and axial motion of a groove from its two flanks, against a track that is moved in space."""

from __future__ import annotations

import numpy as np
import pytest
from groove_motion import Track

from edgeagent.analysis.kinds import Request, spiral
from edgeagent.analysis.track.flank_pair import (
    combine_flanks,
    datum_check,
    datum_doubt_rad,
    explain_pair,
    greatest_orders,
    judge_motion,
    trusted_upr,
)
from edgeagent.analysis.track.track_normal import normal_plane_shift_rad
from edgeagent.errors import TraceRangeError, TraceShapeError
from edgeagent.model import Running, Spectrum, Thread, Trace, TraceHeader

PER_TURN = 1800


def thread_of(track, hand="right"):
    return Thread(
        member=track.member, hand=hand, starts=1, lead_mm=track.lead_mm, ball_diameter_mm=track.ball_mm,
        ball_pitch_circle_mm=track.circle_mm, contact_angle_deg=track.angle_deg, track_conformity=0.535,
    )  # fmt: skip


def motion(radial_um, axial_um, member):
    """Displacement of the groove: waves {n: complex amplitude} out of the material and towards larger x."""
    outward = 1.0 if member == "shaft" else -1.0

    def moved(theta, _point):
        a = sum(np.real(c * np.exp(1j * n * theta)) for n, c in radial_um.items()) + 0 * theta
        b = sum(np.real(c * np.exp(1j * n * theta)) for n, c in axial_um.items()) + 0 * theta
        return np.stack((b, outward * a * np.cos(theta), outward * a * np.sin(theta)), axis=-1)

    return moved


def spectra_of(track, radial_um, axial_um, *, noise_um=0.0):
    """Both flanks' spectra as the analysis finds them in three turns."""
    angle = np.arange(3 * PER_TURN) * (2 * np.pi / PER_TURN)
    rng = np.random.default_rng(4)
    found = []
    for flank in ("left", "right"):
        reading = track.reading(angle, flank, motion(radial_um, axial_um, track.member))
        reading = reading + rng.normal(0, noise_um, len(angle))
        header = TraceHeader(kind="spiral", feature=flank, measured_at=None, part="P", serial="1")
        trace = Trace(header, {"angle_deg": np.degrees(angle), "deviation_um": reading})
        found.append(spiral.analyse(trace, Request(thread_of(track), spiral.Options(upr=(2, 250)))).spectrum)
    return found


def combined(track, spectra, **more):
    thread = thread_of(track)
    return combine_flanks(
        *spectra, contact_angle_deg=thread.contact_angle_deg, lead_angle_rad=thread.lead_angle_rad, **more
    )


RADIAL = {7: 0.10 * np.exp(0.4j), 37: 0.02 * np.exp(-1j), 200: 0.004 * np.exp(2j)}
AXIAL = {7: 0.03 * np.exp(-2j), 53: 0.05 * np.exp(0.7j), 200: 0.006 * np.exp(1j)}


@pytest.mark.parametrize("member", ["shaft", "nut"])
@pytest.mark.parametrize(("lead_mm", "angle_deg"), [(5.0, 45.0), (20.0, 38.0)])
def test_planted_motion_of_a_track_in_space_comes_back(member, lead_mm, angle_deg):
    """Forward model: every contact point displaced in space, read along the surface's normal."""
    track = Track(member=member, lead_mm=lead_mm, angle_deg=angle_deg)
    found = combined(
        track, spectra_of(track, RADIAL, AXIAL), shift_rad=normal_plane_shift_rad(thread_of(track))
    )
    for n in range(1, 251):
        assert found.radial_nm[n - 1] == pytest.approx(1000 * RADIAL.get(n, 0.0), abs=1e-4)
        assert found.axial_nm[n - 1] == pytest.approx(1000 * AXIAL.get(n, 0.0), abs=1e-4)


def test_left_hand_thread_shifts_the_other_way():
    track = Track(turning=-1)
    shift = normal_plane_shift_rad(thread_of(track, hand="left"))
    assert shift == pytest.approx(track.lag("left"), abs=1e-12)
    assert shift == pytest.approx(-normal_plane_shift_rad(thread_of(track)), abs=1e-15)
    assert normal_plane_shift_rad(thread_of(track), rises=False) == shift
    assert track.lag("right") == pytest.approx(-shift, abs=1e-12)
    found = combined(track, spectra_of(track, RADIAL, AXIAL), shift_rad=shift)
    assert found.axial_nm[52] == pytest.approx(1000 * AXIAL[53], abs=1e-4)


def test_low_orders_need_no_shift_and_the_formula_is_the_plain_sum_and_difference():
    """radial = (L + R) / (2 cos α), axial = (L - R) / (2 sin α cos ψ), by hand for 60° and ψ = 0."""
    left, right = flat({3: 30 * np.exp(0.3j)}), flat({3: 10 * np.exp(-0.2j)})
    found = combine_flanks(left, right, contact_angle_deg=60.0, lead_angle_rad=0.0)
    total, differing = 30 * np.exp(0.3j) + 10 * np.exp(-0.2j), 30 * np.exp(0.3j) - 10 * np.exp(-0.2j)
    assert found.radial_nm[2] == pytest.approx(total)  # 2 cos 60° = 1
    assert found.axial_nm[2] == pytest.approx(differing / np.sqrt(3))


def flat(waves, count=60, noise_nm=0.1):
    """A spectrum with complex amplitudes in nm and nothing else."""
    values = np.zeros(count, dtype=complex)
    for n, c in waves.items():
        values[n - 1] = c
    return Spectrum(
        np.arange(1, count + 1), np.abs(values), np.degrees(np.angle(values)), np.full(count, noise_nm)
    )


def test_stated_uncertainty_is_the_scatter_of_noisy_flanks_and_a_doubtful_contact_angle():
    """Monte Carlo (JCGM 101) with 4,000 draws: 0.5 nm noise a component, 1.5° of contact angle."""
    rng = np.random.default_rng(7)
    left, right = flat({9: 80 + 5j}, noise_nm=0.5), flat({9: 60 - 20j}, noise_nm=0.5)
    stated = combine_flanks(left, right, contact_angle_deg=45.0, lead_angle_rad=0.08, contact_angle_u_deg=1.5)
    radial, axial = [], []
    for _ in range(4000):
        a, b = (0.5 * (rng.normal() + 1j * rng.normal()) for _ in range(2))
        drawn = combine_flanks(
            flat({9: 80 + 5j + a}), flat({9: 60 - 20j + b}),
            contact_angle_deg=45.0 + 1.5 * rng.normal(), lead_angle_rad=0.08,
        )  # fmt: skip
        radial.append(abs(drawn.radial_nm[8]))
        axial.append(abs(drawn.axial_nm[8]))
    assert np.std(radial) == pytest.approx(stated.u_radial_nm[8], rel=0.05)
    assert np.std(axial) == pytest.approx(stated.u_axial_nm[8], rel=0.05)


def test_same_offset_passes_and_a_turned_one_is_found_with_its_angle():
    assert datum_check(4.0 + 1j, 4.0 + 1.1j, 0.01).ok
    turned = datum_check(4.0 + 1j, (4.0 + 1j) * np.exp(1j * np.radians(20.0)), 0.01)
    assert not turned.ok
    assert "turned by 20.00 deg" in turned.note
    assert "do not share their angle" in turned.note
    # 2 sin 10° of the length, less twice the uncertainty over it
    assert turned.value == pytest.approx(2 * np.sin(np.radians(10.0)) - 0.02 / abs(4 + 1j), rel=1e-12)


@pytest.mark.parametrize(("turned_deg", "upr", "ok"), [(0.1, 100, True), (1.0, 11, True), (1.0, 12, False),
                                                       (5.0, 2, True), (5.0, 3, False)])  # fmt: skip
def test_small_turn_of_the_datum_passes_only_for_orders_that_it_does_not_reach(turned_deg, upr, ok):
    """0.2 rad at the highest order asked for: 11.46 UPR at 1 deg, 2.29 at 5 deg."""
    check = datum_check(4.0 + 0j, 4.0 * np.exp(1j * np.radians(turned_deg)), 0.0, upr_needed=upr)
    assert check.ok is ok
    if not ok:
        assert check.value == pytest.approx(np.radians(turned_deg))
        assert check.value > check.allowed == pytest.approx(0.2 / upr)
        assert f"not near enough for {upr} UPR" in check.note


def test_uncertain_offsets_may_differ_by_twice_their_uncertainty():
    assert not datum_check(4.0 + 0j, 4.0 + 0.6j, 0.01).ok
    assert datum_check(4.0 + 0j, 4.0 + 0.6j, 0.15).ok


def test_eccentricity_in_the_noise_proves_no_datum():
    check = datum_check(0.5 + 0j, 0.5 + 0j, 0.1)
    assert (check.ok, check.value) == (False, None)
    assert "too small to tell" in check.note
    assert trusted_upr(datum_doubt_rad(0j, 0j, 0.0), 60) == 0


def test_trusted_order_falls_with_the_doubt_about_the_datum():
    """0.2 rad of phase over the angle and twice its uncertainty: 0.01 rad leaves 20 UPR, less for its noise."""
    assert trusted_upr(datum_doubt_rad(4.0 + 0j, 4.0 * np.exp(0.0101j), 0.0), 60) == 19
    assert trusted_upr(datum_doubt_rad(4.0 + 0j, 4.0 + 0j, 0.0), 60) == 60
    assert trusted_upr(datum_doubt_rad(4.0 + 0j, 4.0 * np.exp(0.01j), 0.02), 60) == 10


def pair_of(left, right, *, noise_nm=0.1):
    return combine_flanks(
        flat(left, noise_nm=noise_nm), flat(right, noise_nm=noise_nm), contact_angle_deg=45, lead_angle_rad=0
    )


def test_motions_are_told_apart():
    pair = pair_of({2: 10, 3: 10, 4: 10, 5: 10, 6: 0.1}, {2: 10, 3: -10, 5: 10j, 6: 10})
    found = judge_motion(pair, [2, 3, 4, 5, 6])
    assert [v.motion for v in found] == ["radial", "axial", "left", "both", "right"]


GROUND = Running(wheel_rpm=2220, work_rpm=60)


def sentences(running):
    left = {5: 60, 12: 50, 37: 40, 20: 30, 23: 30}
    right = {5: 60, 12: -50, 37: 40, 20: 0.5, 23: 30j}
    pair = pair_of(left, right)
    return explain_pair(pair, judge_motion(pair, list(left)), running)


def test_sentences_point_to_wheel_lead_drive_spindle_and_dressing_with_care():
    spindle, drive, wheel, dressing, mixed = sentences(GROUND)
    assert spindle.endswith(
        "both flanks together, as radial motion of the work spindle or chatter would leave it"
    )
    assert drive.endswith(
        "against each other, as the lead drive or axial play of the work spindle would leave it"
    )
    assert "as a wheel out of round, out of balance or dressed so would leave it" in wheel
    assert "37 UPR fits the turning of the wheel" in wheel
    assert "the left flank alone, as the dressing of that side of the wheel" in dressing
    assert dressing.endswith("though no multiple of the wheel's turning fits")
    assert "unsure where from, along both ways at once, no single source fits" in mixed


def test_without_the_wheels_speed_wheel_and_spindle_are_not_told_apart():
    spindle, _, wheel, dressing, _ = sentences(None)
    for said in (spindle, wheel):
        assert "the wheel or radial motion of the work spindle" in said
        assert "the wheel's speed would tell" in said
    assert dressing.endswith("as the dressing of that side of the wheel would leave it")


def test_opposite_flanks_at_the_wheels_frequency_are_its_wobble():
    pair = pair_of({37: 40}, {37: -40})
    (said,) = explain_pair(pair, judge_motion(pair, [37]), GROUND)
    assert "a wheel that wobbles along its axis" in said


@pytest.mark.parametrize(("motion", "right"), [("radial", 60), ("axial", -60), ("left", 0.0)])
def test_turned_datum_makes_a_motion_unsure_before_it_makes_it_wrong(motion, right):
    """The right flank turned by up to 20 deg, the doubt as large: right or unsure at every order."""
    for n in range(2, 60):
        for turn_deg in (0.0, 0.1, 1.0, 5.0, 20.0):
            turn = np.radians(turn_deg)
            pair = pair_of({n: 60}, {n: right * np.exp(1j * n * turn)})
            (found,) = judge_motion(pair, [n], doubt_rad=turn)
            assert found.motion in (motion, "unsure")
            if motion == "left" or n * turn < 0.4:
                assert found.motion == motion


def test_doubt_is_said_in_words():
    pair = pair_of({30: 60}, {30: 60})
    (found,) = judge_motion(pair, [30], doubt_rad=0.05)
    assert (found.motion, found.doubt) == ("unsure", "the shared angle is not proved this far up")
    (said,) = explain_pair(pair, [found], GROUND)
    assert "unsure where from, the shared angle is not proved this far up" in said
    assert "work spindle" not in said


def test_noise_makes_a_motion_unsure_and_hardly_ever_wrong():
    """2,000 pairs for each motion, 3 to 12 standard uncertainties high: at most 1 % wrong, clear ones named."""
    rng = np.random.default_rng(8)
    for motion, (a, b) in {"radial": (1, 1), "axial": (1, -1), "left": (1, 0), "both": (1, 1j)}.items():
        wrong, named, clear = 0, 0, 0
        for _ in range(2000):
            size = rng.uniform(3.0, 12.0)
            noise = rng.normal(size=4)
            pair = pair_of({5: size * a + noise[0] + 1j * noise[1]}, {5: size * b + noise[2] + 1j * noise[3]},
                           noise_nm=1.0)  # fmt: skip
            (found,) = judge_motion(pair, [5])
            wrong += found.motion not in (motion, "unsure")
            if size > 10:
                clear, named = clear + 1, named + (found.motion == motion)
        assert wrong <= 20, motion
        if motion in ("radial", "axial"):
            assert named > 0.9 * clear, motion


def test_orders_at_which_the_plane_of_comparison_decides_are_unsure():
    """At 200 UPR one radial wave of a whole ball's groove is 172 deg apart in a plane through the axis."""
    track = Track()
    spectra = spectra_of(track, {37: 0.05, 200: 0.02}, {})
    shift = normal_plane_shift_rad(thread_of(track))
    plain, normal = combined(track, spectra), combined(track, spectra, shift_rad=shift)
    assert [v.motion for v in judge_motion(plain, [37, 200])] == ["radial", "axial"]
    for pair, other in ((plain, normal), (normal, plain)):
        found = judge_motion(pair, [37, 200], elsewhere=other)
        assert [v.motion for v in found] == ["radial", "unsure"]
        assert "in this plane of comparison" in found[1].doubt


def test_scale_of_the_gauge_is_common_to_both_flanks():
    """Monte Carlo (JCGM 101): one scale error of 2 % on both readings, 20,000 draws."""
    rng = np.random.default_rng(9)
    left, right = 80 + 5j, 60 - 20j
    stated = combine_flanks(
        flat({9: left}, noise_nm=0), flat({9: right}, noise_nm=0), contact_angle_deg=45, lead_angle_rad=0.1,
        scale_u=0.02,
    )  # fmt: skip
    scale = 1 + 0.02 * rng.normal(size=20_000)
    radial = np.abs(scale * (left + right)) / (2 * np.cos(np.pi / 4))
    axial = np.abs(scale * (left - right)) / (2 * np.sin(np.pi / 4) * np.cos(0.1))
    assert np.std(radial) == pytest.approx(stated.u_radial_nm[8], rel=0.03)
    assert np.std(axial) == pytest.approx(stated.u_axial_nm[8], rel=0.03)


def test_greatest_orders_stand_out_of_the_noise_and_leave_eccentricity_out():
    pair = combine_flanks(
        flat({1: 5000, 4: 30, 30: 8, 50: 0.2}),
        flat({1: 5000, 4: 30, 30: 8}),
        contact_angle_deg=45,
        lead_angle_rad=0,
    )
    assert greatest_orders(pair, 5) == (30, 4)  # 8 nm at 30 UPR move faster than 30 nm at 4 UPR


@pytest.mark.parametrize(("angle", "lead"), [(0.0, 0.1), (90.0, 0.1), (45.0, -0.1), (45.0, 1.6)])
def test_angles_that_tell_nothing_are_refused(angle, lead):
    with pytest.raises(TraceRangeError):
        combine_flanks(flat({}), flat({}), contact_angle_deg=angle, lead_angle_rad=lead)
    empty = Spectrum(np.zeros(0, dtype=int), np.zeros(0), np.zeros(0), np.zeros(0))
    with pytest.raises(TraceShapeError):
        combine_flanks(empty, flat({}), contact_angle_deg=45, lead_angle_rad=0.1)

"""Spiral and circle traces from samples to quantities: the order of the steps, seen from outside."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest
from eccentric_part import CYLINDER, EccentricTrack
from eccentric_part import waves as surface
from scipy import stats

from edgeagent.analysis.kinds import Request, circle, find_kind, kind_names, require_columns, spiral
from edgeagent.analysis.texture.options import RoughnessOptions
from edgeagent.errors import TraceShapeError
from edgeagent.model import Thread, Trace, TraceHeader

PER_TURN = 3600
WAVES = {2: (0.6, 0.3), 18: (0.08, -1.0), 200: (0.01, 2.0)}
THREAD = Thread(
    member="shaft", hand="right", starts=1, lead_mm=5.0, ball_diameter_mm=3.175, ball_pitch_circle_mm=20.75,
    contact_angle_deg=45.0, track_conformity=0.535,
)  # fmt: skip
WHEN = datetime(2026, 3, 2, 9, 41, 7, tzinfo=UTC)


def samples(
    turns=3.0, *, noise_um=0.002, seed=1, kind="spiral", waves=WAVES, per_turn=PER_TURN, off_um=4.0, tilt_um=0.7
):
    """Angle in deg and deviation in um of an invented part that is read ``off_um`` off centre."""
    angle_deg = np.arange(round(turns * per_turn)) * (360.0 / per_turn)
    theta, turn = np.radians(angle_deg), angle_deg / 360.0
    track = EccentricTrack() if kind == "spiral" else CYLINDER
    reads = (off_um + (tilt_um * turn if kind == "spiral" else 0.0)) * np.exp(-0.2j)
    offset = reads * (track.offset_mm(np.exp(-0.2j)) / np.exp(-0.2j))
    deviation = track.reading_um(theta, surface(waves), offset)
    if kind == "spiral":
        deviation += 1.3 * turn
    return angle_deg, deviation + np.random.default_rng(seed).normal(0.0, noise_um, len(theta))


def trace_of(angle_deg, deviation_um, *, kind="spiral", axial_mm=None, **header):
    stated = {"tip_radius_mm": 0.005, "track_diameter_mm": 18.505} | header
    columns = {"angle_deg": angle_deg, "deviation_um": deviation_um}
    if axial_mm is not None:
        columns["axial_mm"] = axial_mm
    return Trace(
        TraceHeader(kind=kind, feature="left-flank", measured_at=WHEN, part="P", serial="1", **stated), columns
    )


def analysed(trace, *, thread=THREAD, judged_upr=500.0, **options):
    kind = spiral if trace.header.kind == "spiral" else circle
    return kind.analyse(trace, Request(thread, kind.Options(**options), judged_upr))


def failed(analysis):
    return {c.check: c for c in analysis.quality if not c.ok}


def check(analysis, name):
    return next(c for c in analysis.quality if c.check == name)


def value(analysis, name, instance=""):
    return next(q for q in analysis.quantities if (q.name, q.instance) == (name, instance)).value


def spread(analysis, name):
    return next(q for q in analysis.quantities if q.name == name).standard_uncertainty


# ---------------------------------------------------------------- a good trace


def test_a_good_spiral_passes_every_check_and_returns_what_was_planted():
    found = analysed(trace_of(*samples()), bands=((2, 15), (16, 50)))
    assert failed(found) == {}
    assert {c.check for c in found.quality} == {
        "missing_samples", "monotonic_angle", "whole_turns", "points_per_undulation", "regular_spacing",
        "widest_gap", "plausible_range", "gauge_saturation", "frozen_reading", "track_diameter", "sensing",
        "spikes", "turn_agreement", "tip_reach", "contact_point",
    }  # fmt: skip
    for upr, (amplitude, phase) in WAVES.items():
        u = found.spectrum.noise_nm[upr - 1]
        assert found.spectrum.amplitude_nm[upr - 1] == pytest.approx(1000 * amplitude, abs=4 * u)
        assert np.radians(found.spectrum.phase_deg[upr - 1]) == pytest.approx(
            phase, abs=4 * u / (1000 * amplitude)
        )
    # 2 nm of noise in 10,800 samples: an amplitude is known to sqrt(2 / 10800) of it
    assert found.spectrum.noise_nm[100] == pytest.approx(2.0 * math.sqrt(2 / 10_800), rel=0.5)
    assert value(found, "eccentricity") == pytest.approx(4.0, abs=0.001)
    assert value(found, "tilt") == pytest.approx(0.7, abs=0.001)
    assert value(found, "lead_mismatch") == pytest.approx(1.3, abs=0.001)
    assert value(found, "band_rms", "2-15") == pytest.approx(600 / math.sqrt(2), abs=0.2)
    assert value(found, "band_rms", "16-50") == pytest.approx(80 / math.sqrt(2), abs=0.2)
    square = sum((a * 2 ** -((n / 500) ** 2)) ** 2 for n, (a, _) in WAVES.items()) / 2
    assert value(found, "roundness_rms") == pytest.approx(math.sqrt(square), rel=1e-3)
    assert found.turns == pytest.approx(3.0)
    assert found.spectrum.upr.tolist() == list(range(1, 501))


def test_a_good_circle_passes_every_check_and_has_no_slope_or_tilt():
    found = analysed(trace_of(*samples(1.0, kind="circle"), kind="circle"), thread=None)
    assert failed(found) == {}
    assert check(found, "turn_agreement").value is None
    assert {q.name for q in found.quantities} == {
        "roundness_total",
        "roundness_peak",
        "roundness_valley",
        "roundness_rms",
        "eccentricity",
    }
    # without a thread outside and inside are the same to it: what eccentricity adds to 2 UPR counts
    assert found.spectrum.amplitude_nm[1] == pytest.approx(600.0, abs=2 * found.spectrum.noise_nm[1])
    assert "in the uncertainties" in check(found, "contact_point").note
    on_shaft = analysed(trace_of(*samples(1.0, kind="circle"), kind="circle", tip_radius_mm=0.0))
    assert on_shaft.spectrum.amplitude_nm[1] == pytest.approx(600.0, abs=0.2)
    assert set(circle.CHARACTERISTICS) == set(spiral.CHARACTERISTICS) - {"tilt", "lead_mismatch"}


def test_the_same_trace_gives_the_same_numbers_twice():
    one, other = (analysed(trace_of(*samples())) for _ in range(2))
    assert one.quantities == other.quantities
    assert np.array_equal(one.spectrum.amplitude_nm, other.spectrum.amplitude_nm)


def test_a_fraction_of_a_turn_to_spare_is_used():
    found = analysed(trace_of(*samples(3.4, noise_um=0.0)))
    assert failed(found) == {}
    other = np.delete(found.spectrum.amplitude_nm, [0, *(n - 1 for n in WAVES)])
    assert other.max() < 0.02


def test_stated_uncertainty_of_ronq_is_its_scatter_over_seeds():
    seeds = 30
    runs = [
        analysed(trace_of(*samples(2.0, noise_um=0.05, seed=s, per_turn=1000)), upr=(2, 100), judged_upr=100.0)
        for s in range(seeds)
    ]
    found = [value(run, "roundness_rms") for run in runs]
    clean = analysed(trace_of(*samples(2.0, noise_um=0.0, per_turn=1000)), upr=(2, 100), judged_upr=100.0)
    stated = np.mean([spread(run, "roundness_rms") ** 2 for run in runs])
    # stated besides: what noise lifts it by, what is not known of the contact, an allowance for few lines
    high = stats.chi2.ppf(1 - 5e-4, seeds) / seeds
    assert 0.25 < np.mean(np.square(np.array(found) - value(clean, "roundness_rms"))) / stated < high


def test_slope_and_tilt_carry_their_uncertainty_and_a_single_turn_says_what_it_cannot_tell():
    found = analysed(trace_of(*samples()))
    u = {q.name: q.standard_uncertainty for q in found.quantities}
    assert abs(value(found, "tilt") - 0.7) < 4 * u["tilt"] < 0.001
    assert abs(value(found, "lead_mismatch") - 1.3) < 4 * u["lead_mismatch"] < 0.001
    assert not any(c.check == "drift_in_one_turn" for c in found.quality)
    single = analysed(trace_of(*samples(1.0)))
    assert {q.name: q.standard_uncertainty for q in single.quantities}["tilt"] is None
    assert "the effect of tilt is not in the uncertainty" in check(single, "alignment").note
    assert "looks like the profile" in check(single, "drift_in_one_turn").note
    assert failed(single) == {}


def test_a_closed_profile_of_one_turn_says_how_well_it_closes():
    angle_deg, deviation = samples(1.0, kind="circle")
    closed = analysed(trace_of(angle_deg, deviation, kind="circle"), thread=None)
    assert "it closes within" in check(closed, "drift_in_one_turn").note
    drifted = analysed(trace_of(angle_deg, deviation + angle_deg / 360 * 0.1, kind="circle"), thread=None)
    assert check(drifted, "drift_in_one_turn").value == pytest.approx(0.1, rel=0.1)
    assert "counted in the uncertainties as drift" in check(drifted, "drift_in_one_turn").note
    assert failed(drifted) == {}
    assert drifted.spectrum.noise_nm[1] == pytest.approx(100 / (2 * math.pi), rel=0.1)


# ---------------------------------------------------------------- direction of reading


def test_readings_along_radius_or_axis_become_displacements_along_the_normal():
    # a surface that moves by d along its normal is read as d / cos(alpha) by a radial gauge and as
    # d / (sin(alpha) cos(psi)) by an axial one, psi the lead angle atan(lead / (pi * ball circle))
    angle_deg, deviation = samples(noise_um=0.0, off_um=0.0, tilt_um=0.0)
    psi = math.atan(5.0 / (math.pi * 20.75))
    for sensing, factor in (
        ("radial", math.cos(math.pi / 4)),
        ("axial", math.sin(math.pi / 4) * math.cos(psi)),
    ):
        found = analysed(trace_of(angle_deg, deviation / factor, sensing=sensing))
        assert failed(found) == {}
        assert found.spectrum.amplitude_nm[1] == pytest.approx(600.0, abs=1e-6)
        assert value(found, "roundness_total") == pytest.approx(
            value(analysed(trace_of(angle_deg, deviation)), "roundness_total"), rel=1e-9
        )
        assert found.details["factor"] == pytest.approx(factor)


def test_surface_angle_of_the_recipe_replaces_the_contact_angle():
    angle_deg, deviation = samples(noise_um=0.0, off_um=0.0, tilt_um=0.0)
    found = analysed(trace_of(angle_deg, deviation, sensing="radial"), surface_angle_deg=60.0)
    assert found.spectrum.amplitude_nm[1] == pytest.approx(300.0, abs=1e-6)
    round_part = analysed(
        trace_of(*samples(1.0, kind="circle", noise_um=0.0, off_um=0.0), kind="circle", sensing="radial"),
        thread=None,
    )
    assert round_part.spectrum.amplitude_nm[1] == pytest.approx(600.0, abs=1e-6)


def test_unknown_contact_angle_fails_the_check_and_says_so():
    found = analysed(trace_of(*samples(), sensing="radial"), thread=None)
    assert "contact angle is not known" in failed(found)["sensing"].note


def test_a_direction_that_sees_nothing_of_the_surface_fails():
    found = analysed(trace_of(*samples(), sensing="radial"), surface_angle_deg=89.0)
    assert "cannot be measured by radial reading" in failed(found)["sensing"].note
    cylinder = analysed(trace_of(*samples(1.0, kind="circle"), kind="circle", sensing="axial"), thread=None)
    assert "sensing" in failed(cylinder)


# ---------------------------------------------------------------- contradictions


@pytest.mark.parametrize(
    ("diameter_mm", "ok"), [(18.505, True), (20.75, True), (17.6, True), (21.5, False), (17.4, False)]
)
def test_track_of_a_shaft_lies_within_a_ball_below_the_ball_circle(diameter_mm, ok):
    found = analysed(trace_of(*samples(), track_diameter_mm=diameter_mm))
    assert ("track_diameter" not in failed(found)) is ok
    assert f"{diameter_mm:g} mm" in check(found, "track_diameter").note


def test_track_of_a_nut_lies_above_the_ball_circle():
    nut = Thread(
        member="nut", hand="right", starts=1, lead_mm=5.0, ball_diameter_mm=3.175, ball_pitch_circle_mm=20.75,
        contact_angle_deg=45.0, track_conformity=0.535,
    )  # fmt: skip
    assert failed(analysed(trace_of(*samples(), track_diameter_mm=22.9), thread=nut)) == {}
    assert "track_diameter" in failed(analysed(trace_of(*samples(), track_diameter_mm=18.5), thread=nut))


@pytest.mark.parametrize(("lead_mm", "ok"), [(5.0, True), (5.04, True), (5.06, False), (10.0, False)])
def test_lead_stated_or_recorded_must_be_that_of_the_recipe(lead_mm, ok):
    angle_deg, deviation = samples()
    stated = analysed(trace_of(angle_deg, deviation, lead_mm=lead_mm))
    recorded = analysed(trace_of(angle_deg, deviation, axial_mm=7.0 - angle_deg / 360.0 * lead_mm))
    for found in (stated, recorded):
        assert ("lead_agreement" not in failed(found)) is ok
        assert f"{lead_mm:.4f} mm" in check(found, "lead_agreement").note


def test_missing_axial_samples_do_not_hide_the_lead():
    angle_deg, deviation = samples()
    axial = angle_deg / 360.0 * 10.0
    axial[::7] = np.nan
    assert "lead_agreement" in failed(analysed(trace_of(angle_deg, deviation, axial_mm=axial)))


# ---------------------------------------------------------------- defects of the trace


def test_missing_samples_are_dropped_and_counted():
    angle_deg, deviation = samples(noise_um=0.0)
    deviation[[5, 900, 950, 10_799]] = [np.nan, np.inf, -np.inf, np.nan]
    angle_deg = angle_deg.copy()
    angle_deg[3000] = np.nan
    found = analysed(trace_of(angle_deg, deviation))
    assert failed(found) == {}
    assert check(found, "missing_samples").note.startswith("5 of 10800")
    assert found.spectrum.amplitude_nm[1] == pytest.approx(600.0, abs=1e-4)


def test_too_many_missing_samples_fail_the_check_and_not_the_fit():
    angle_deg, deviation = samples(noise_um=0.0)
    deviation[np.random.default_rng(4).choice(len(deviation), 90, replace=False)] = np.nan
    found = analysed(trace_of(angle_deg, deviation))
    assert set(failed(found)) == {"missing_samples"}
    assert found.spectrum.amplitude_nm[1] == pytest.approx(600.0, abs=1e-4)


@pytest.mark.parametrize("kept", [0, 1, 2, 15, 40])
def test_a_trace_with_hardly_any_samples_has_no_value_and_says_why(kept):
    angle_deg, deviation = samples()
    deviation[kept:] = np.nan
    found = analysed(trace_of(angle_deg, deviation))
    assert {"missing_samples", "harmonic_fit"} <= set(failed(found))
    assert {q.value for q in found.quantities} == {None}
    assert found.spectrum is None


@pytest.mark.parametrize("size_um", [0.2, 3.0, 100.0])
def test_spikes_leave_the_amplitudes_alone_and_fail_their_check(size_um):
    angle_deg, deviation = samples(noise_um=0.002)
    clean = analysed(trace_of(angle_deg, deviation))
    dirty = deviation.copy()
    places = np.random.default_rng(5).choice(len(dirty), 12, replace=False)
    dirty[places] += size_um * np.array([1.0, -0.8] * 6)
    found = analysed(trace_of(angle_deg, dirty))
    assert set(failed(found)) == {"spikes"}
    assert failed(found)["spikes"].value == 12
    # the fit lacks 12 of 10,800 samples: it may move by less than the noise of an amplitude
    moved = np.abs(found.spectrum.amplitude_nm - clean.spectrum.amplitude_nm)
    assert moved.max() < 2.0 * math.sqrt(2 / 10_800)
    assert value(found, "roundness_total") == pytest.approx(value(clean, "roundness_total"), abs=5e-4)


@pytest.mark.parametrize("place", [0, 1, -2, -1])
def test_a_spike_at_the_end_of_a_single_turn_is_left_out_like_any_other(place):
    angle, deviation = samples(1.0, kind="circle")
    band = {"judged_upr": 150.0, "upr": (2, 150)}
    clean = analysed(trace_of(angle, deviation, kind="circle"), **band)
    dirty = deviation.copy()
    dirty[place] += 5.0
    found = analysed(trace_of(angle, dirty, kind="circle"), **band)
    assert failed(found)["spikes"].value == 1
    assert value(found, "roundness_total") == pytest.approx(value(clean, "roundness_total"), abs=0.002)
    stated = [
        next(q.standard_uncertainty for q in of.quantities if q.name == "roundness_total")
        for of in (found, clean)
    ]
    assert stated[0] == pytest.approx(stated[1], rel=0.1)


def test_a_clipped_crest_leaves_no_number_that_could_be_believed():
    # 0.6 um lobes on 4 um eccentricity, cut 0.5 um below the highest reading of one turn
    angle_deg, deviation = samples(1.0, kind="circle", noise_um=0.002)
    clipped = np.minimum(deviation, deviation.max() - 0.5)
    found = analysed(trace_of(angle_deg, clipped, kind="circle"), thread=None)
    assert "gauge_saturation" in failed(found)
    assert value(found, "roundness_total") is None
    assert found.spectrum is None


def test_a_gauge_that_sticks_for_a_while_fails_and_does_not_move_the_amplitudes():
    angle_deg, deviation = samples(3.0, noise_um=0.002)
    deviation[7000:7300] = deviation[7000]
    found = analysed(trace_of(angle_deg, deviation))
    assert "frozen_reading" in failed(found)
    assert found.spectrum.amplitude_nm[1] == pytest.approx(600.0, abs=0.5)


def test_angle_that_turns_back_fails():
    angle_deg, deviation = samples()
    angle_deg = angle_deg.copy()
    angle_deg[[700, 701]] = angle_deg[[701, 700]]
    assert "monotonic_angle" in failed(analysed(trace_of(angle_deg, deviation)))


@pytest.mark.parametrize("turns", [1.0, 3.0])
@pytest.mark.parametrize("start_deg", [0.0, 123.456])
def test_angles_that_begin_anew_each_turn_give_the_values_of_those_that_go_on(turns, start_deg):
    angle_deg, deviation = samples(turns)
    axial = 5.0 * angle_deg / 360.0
    going_on = analysed(trace_of(angle_deg + start_deg, deviation, axial_mm=axial))
    wrapped = np.round((angle_deg + start_deg) % 360.0, 9)
    wrapped[700], deviation = np.nan, deviation.copy()
    anew = analysed(trace_of(wrapped, deviation, axial_mm=axial))
    assert failed(anew) == failed(going_on) == {}
    assert value(anew, "roundness_total") == pytest.approx(value(going_on, "roundness_total"), rel=5e-3)
    falling = analysed(trace_of(-wrapped % 360.0, deviation))
    assert set(failed(falling)) == {"monotonic_angle"}
    assert falling.turns == pytest.approx(turns, abs=0.01)


def test_a_gap_of_more_than_half_a_turn_is_no_new_beginning():
    angle_deg, deviation = samples(3.0)
    kept = (angle_deg < 400) | (angle_deg > 640)
    found = analysed(trace_of(angle_deg[kept], deviation[kept]))
    assert found.turns == pytest.approx(3.0, abs=0.01)
    assert check(found, "monotonic_angle").ok


def test_too_few_points_for_the_judged_undulations_fail():
    found = analysed(trace_of(*samples(per_turn=2000)))
    assert "4.0 points per undulation at 500 UPR" in failed(found)["points_per_undulation"].note
    assert failed(analysed(trace_of(*samples(per_turn=2000)), judged_upr=200.0, upr=(2, 200))) == {}


def test_turns_that_disagree_fail():
    angle_deg, deviation = samples()
    second = (angle_deg >= 360) & (angle_deg < 720)
    deviation[second] += 0.7 * np.cos(5 * np.radians(angle_deg[second]))
    found = analysed(trace_of(angle_deg, deviation))
    assert "turn_agreement" in failed(found)
    # an RMS of 0.7 / sqrt(2) in one of three turns: what differs is that of 2/3, -1/3, -1/3 of it
    assert failed(found)["turn_agreement"].value == pytest.approx(
        0.7 / math.sqrt(2) * math.sqrt(2 / 9), rel=0.3
    )


def test_even_noise_is_in_the_uncertainties_and_no_disagreement_of_turns():
    # 0.6 um of noise a sample: 0.32 um within the band, against a profile of 0.43 um RMS
    found = analysed(trace_of(*samples(noise_um=0.6)))
    assert check(found, "turn_agreement").ok
    assert found.spectrum.noise_nm[50] == pytest.approx(600 * math.sqrt(2 / 10_800), rel=0.3)


@pytest.mark.parametrize("turns", [2.0, 3.0, 5.0])
def test_a_wave_of_one_turn_alone_is_off_by_what_the_check_of_the_turns_says(turns):
    # A / T of it is in the values, A (T - 1) / T is not: (T - 1) sqrt(2 / T) times the RMS that the check finds
    angle_deg, deviation = samples(turns, noise_um=0.0005)
    second = (angle_deg >= 360) & (angle_deg < 720)
    deviation[second] += 0.12 * np.cos(40 * np.radians(angle_deg[second]))
    found = analysed(trace_of(angle_deg, deviation))
    hidden = 120.0 - found.spectrum.amplitude_nm[39]
    assert hidden == pytest.approx(120.0 * (1 - 1 / turns), rel=0.02)
    seen_nm = 1000 * check(found, "turn_agreement").value
    assert hidden == pytest.approx((turns - 1) * math.sqrt(2 / turns) * seen_nm, rel=0.05)


def test_a_tip_that_is_too_large_fails():
    steep = {**WAVES, 480: (0.3, 0.0)}
    found = analysed(trace_of(*samples(waves=steep), tip_radius_mm=2.0))
    assert "480 UPR" in failed(found)["tip_reach"].note
    assert failed(analysed(trace_of(*samples(waves=steep), tip_radius_mm=0.5))) == {}


def test_millimetres_instead_of_micrometres_fail():
    angle_deg, deviation = samples()
    assert "plausible_range" in failed(analysed(trace_of(angle_deg, 1000 * deviation)))


def test_fewer_turns_than_the_recipe_wants_fail():
    found = analysed(trace_of(*samples(2.0)), turns_min=3.0)
    assert "fewer than the 3 needed" in failed(found)["whole_turns"].note


def test_less_than_a_turn_has_no_value():
    found = analysed(trace_of(*samples(0.9)))
    assert {"whole_turns", "harmonic_fit"} <= set(failed(found))
    assert value(found, "roundness_total") is None


def test_band_beyond_the_sampling_has_no_value():
    found = analysed(
        trace_of(*samples(per_turn=600)), bands=((2, 15), (100, 400)), judged_upr=50.0, upr=(2, 50)
    )
    assert value(found, "band_rms", "2-15") is not None
    assert value(found, "band_rms", "100-400") is None


# ---------------------------------------------------------------- roughness along the track


def test_flank_roughness_of_a_sine_along_the_track():
    # Ra = 2 A / pi, Rq = A / sqrt(2), Rz = 2 A of a sine; 470 waves a turn are 0.124 mm long, of which the
    # cut-off of 0.8 mm takes 2**-((0.8 / 0.124)**2), nothing
    wave = {470: (0.5, 0.0)}
    found = analysed(
        trace_of(*samples(waves=wave, noise_um=0.0, per_turn=12_000)),
        roughness=RoughnessOptions(lambda_c_mm=0.8),
    )
    assert value(found, "flank_roughness_ra") == pytest.approx(2 * 0.5 / math.pi, rel=2e-3)
    assert value(found, "flank_roughness_rq") == pytest.approx(0.5 / math.sqrt(2), rel=2e-3)
    assert value(found, "flank_roughness_rz") == pytest.approx(1.0, rel=1e-2)
    # three turns of 58 mm hold 218 sections; each holds another part of the wave, so the scatter is small
    heights = ("flank_roughness_ra", "flank_roughness_rq", "flank_roughness_rz")
    rough = [q for q in found.quantities if q.name in heights]
    assert [q.degrees_of_freedom for q in rough] == [217.0] * 3
    assert all(0 < q.standard_uncertainty < 1e-3 for q in rough)


def test_every_roughness_parameter_of_a_sine_along_the_track():
    # closed forms of a sine of amplitude A and length L: Rt = 2 A, Rsk = 0, Rku = 1.5, Rsm = L,
    # Rmr(c) = arccos(c / A) / pi; the Rk family as in test_material_ratio.py
    found = analysed(
        trace_of(*samples(waves={470: (0.5, 0.0)}, noise_um=0.0, per_turn=24_000)),
        roughness=RoughnessOptions(lambda_c_mm=0.8, rmr_c_um=0.25),
    )
    wanted = {
        "rt": (1.0, 2e-3), "rsk": (0.0, 2e-3), "rku": (1.5, 2e-3), "rmr": (100 / 3, 0.1),
        "rsm": (1e3 * math.hypot(math.pi * 18.505, THREAD.lead_mm) / 470, 1e-2), "rk": (0.5 * 1.765, 0.02),
    }  # fmt: skip
    for name, (true, within) in wanted.items():
        assert value(found, f"flank_roughness_{name}") == pytest.approx(true, abs=within), name
    named = {q.name for q in found.quantities if q.name.startswith("flank_roughness_")}
    assert named == {n for n in spiral.CHARACTERISTICS if n.startswith("flank_roughness_")}
    assert all(q.standard_uncertainty is not None for q in found.quantities if q.name in named)


def test_roughness_without_a_diameter_has_no_value_and_says_why():
    found = analysed(
        trace_of(*samples(), track_diameter_mm=None), thread=None,
        roughness=RoughnessOptions(lambda_c_mm=0.8),
    )  # fmt: skip
    assert "track diameter" in failed(found)["flank_roughness"].note
    assert value(found, "flank_roughness_ra") is None


def test_roughness_needs_a_track_of_the_wanted_sections():
    found = analysed(
        trace_of(*samples(1.0, kind="circle"), kind="circle"), thread=None,
        roughness=RoughnessOptions(lambda_c_mm=80.0),
    )  # fmt: skip
    assert "flank_roughness" in failed(found)


# ---------------------------------------------------------------- kinds


def test_kinds_are_found_by_name_and_others_refused():
    assert {"spiral", "circle", "axial", "travel"} <= set(kind_names())
    assert find_kind("spiral") is spiral
    with pytest.raises(TraceShapeError, match="unknown kind of trace 'helix'; expected one of axial, circle"):
        find_kind("helix")


def test_columns_that_lack_or_do_not_belong_are_named():
    angle_deg, deviation = samples()
    with pytest.raises(TraceShapeError, match="needs column deviation_um; found angle_deg"):
        require_columns(Trace(trace_of(angle_deg, deviation).header, {"angle_deg": angle_deg}), spiral)
    both = {"angle_deg": angle_deg, "deviation_um": deviation, "z_mm": deviation}
    with pytest.raises(TraceShapeError, match="column z_mm does not belong"):
        require_columns(Trace(trace_of(angle_deg, deviation).header, both), spiral)


@pytest.mark.parametrize("options", [{"upr": (50, 2)}, {"bands": ((15, 15),)}])
def test_bands_that_do_not_rise_are_refused(options):
    with pytest.raises(ValueError, match="must rise from low to high"):
        spiral.Options(**options)

"""Axial traces built forward from the swept surface come back as the part that was built."""

from __future__ import annotations

import dataclasses
import datetime
import json

import msgspec
import numpy as np
import pytest

from edgeagent.analysis.axial.quantities import arc_length
from edgeagent.analysis.groove.contact import contact_ellipse, track_curvature
from edgeagent.analysis.kinds import Request, axial, find_kind, require_columns
from edgeagent.demo import thread_surface as section
from edgeagent.errors import AnalysisError, TraceRangeError, TraceShapeError
from edgeagent.model import Thread, Trace, TraceHeader

Part, Cut = section.Part, section.Cut
CUT = Cut(x_end_mm=18.0, spacing_mm=0.004, tip_radius_mm=0.02)


def thread_of(part, **changes) -> Thread:
    given = {
        "member": part.member,
        "hand": part.hand,
        "starts": part.starts,
        "lead_mm": part.lead_mm,
        "ball_diameter_mm": part.ball_diameter_mm,
        "ball_pitch_circle_mm": part.ball_pitch_circle_mm,
        "contact_angle_deg": 45.0,
        "track_conformity": 0.53,
    }
    return Thread(**{**given, **changes})


def trace_of(built, *, tip: float | None = 0.02, **header) -> Trace:
    return Trace(
        TraceHeader(
            kind="axial",
            feature="profile",
            measured_at=datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC),
            part="DEMO",
            serial="1",
            tip_radius_mm=tip,
            **header,
        ),
        built.columns(),
    )


PLANE_KNOWN = {"plane_offset_mm": 0.0, "plane_yaw_deg": 0.0}
"""A plane without doubt, for simulations of something else: else two grooves a side cost three analyses."""


def measured(part, cut, built=None, *, options=None, thread=None, plane=None, **header):
    built = section.section(part, cut, nodes=700) if built is None else built
    request = Request(thread or thread_of(part), options or axial.Options(), **(plane or {}))
    return axial.analyse(trace_of(built, tip=cut.tip_radius_mm, **header), request)


def by_name(result, name: str) -> dict[str, float | None]:
    return {q.instance: q.value for q in result.quantities if q.name == name}


def check(result, name: str):
    return next(c for c in result.quality if c.check == name)


def assert_is_the_part(result, part) -> None:
    """The accuracy asked of a noise-free trace."""
    arcs = part.arcs()
    expected = {
        "contact_angle_left": (part.contact_angle_deg[0], 0.01),
        "contact_angle_right": (part.contact_angle_deg[1], 0.01),
        "flank_radius_left": (arcs[0][2], 1e-4),
        "flank_radius_right": (arcs[1][2], 1e-4),
        "arc_centre_separation": (arcs[0][0] - arcs[1][0], 1e-4),
        "arc_centre_height_left": (arcs[0][1], 1e-4),
        "arc_centre_height_right": (arcs[1][1], 1e-4),
        "ball_pitch_circle_diameter": (part.ball_pitch_circle_mm, 1e-4),
        "pitch": (part.pitch_mm, 5e-5),
        "lead": (part.lead_mm, 5e-5 * part.starts),
        "lead_angle": (part.lead_angle_deg, 1e-4),
    }
    for name, (value, allowed) in expected.items():
        found = by_name(result, name)
        assert found, name
        assert max(abs(v - value) for v in found.values()) < allowed, name
    assert [c.check for c in result.quality if not c.ok] == []


@pytest.mark.parametrize("member", ["shaft", "nut"])
@pytest.mark.parametrize(
    ("lead_angle", "starts", "hand", "tilt", "tip"),
    [
        (2.0, 1, "right", 0.0, 0.05),
        (4.4, 1, "left", 0.5, 0.02),
        (7.0, 2, "right", -0.5, 0.0),
        (12.0, 3, "left", 0.2, 0.05),
        (17.0, 3, "right", -0.3, 0.01),
        (25.0, 4, "right", 0.5, 0.05),
        (25.0, 4, "left", 0.0, 0.0),
    ],
)
def test_noise_free_trace_gives_the_part_it_was_cut_from(member, lead_angle, starts, hand, tilt, tip):
    lead = np.pi * 20.75 * np.tan(np.radians(lead_angle))
    ball = min(3.175, 0.62 * lead / starts)
    part = Part(
        member=member, hand=hand, starts=starts, lead_mm=lead, ball_diameter_mm=ball, land_mm=-0.13 * ball
    )
    cut = Cut(
        x_start_mm=-0.55 * part.pitch_mm,
        x_end_mm=3.6 * part.pitch_mm,
        spacing_mm=0.004,
        tip_radius_mm=tip,
        axis_tilt_deg=tilt,
        z_offset_mm=3.0,
    )
    result = measured(part, cut)
    assert_is_the_part(result, part)
    assert by_name(result, "axis_tilt")[""] == pytest.approx(tilt, abs=1e-6)


def test_fine_trace_of_half_a_micrometre_gives_the_part():
    part = Part(lead_mm=20.0, starts=2, ball_pitch_circle_mm=16.6, land_mm=-0.4)
    cut = Cut(x_start_mm=-3.0, x_end_mm=24.0, spacing_mm=0.0005, tip_radius_mm=0.05, axis_tilt_deg=0.5)
    assert_is_the_part(measured(part, cut), part)


def test_unlike_flanks_and_shifted_starts_are_told_apart():
    part = Part(
        starts=2,
        lead_mm=10.0,
        contact_angle_deg=(43.0, 46.0),
        track_conformity=(0.54, 0.525),
        index_error_um=(0.0, 4.0),
    )
    result = measured(part, CUT)
    assert all(v == pytest.approx(43.0, abs=0.01) for v in by_name(result, "contact_angle_left").values())
    assert all(v == pytest.approx(46.0, abs=0.01) for v in by_name(result, "contact_angle_right").values())
    assert all(v == pytest.approx(0.54, abs=3e-5) for v in by_name(result, "track_conformity_left").values())
    assert all(v == pytest.approx(0.525, abs=3e-5) for v in by_name(result, "track_conformity_right").values())
    assert by_name(result, "start_index_error") == {"start[2]": pytest.approx(4.0, abs=0.05)}
    deviations = by_name(result, "pitch_deviation")
    assert deviations["top[1-2]"] == pytest.approx(4.0, abs=0.05)
    assert deviations["top[2-3]"] == pytest.approx(-4.0, abs=0.05)
    assert by_name(result, "cumulative_pitch_deviation")["top"] == pytest.approx(4.0, abs=0.05)


def test_construction_of_the_grooves_axis_is_the_recipes_choice():
    part = Part(contact_angle_deg=(43.0, 46.0))
    built = section.section(part, CUT, nodes=700)
    normals = measured(part, CUT, built, options=axial.Options(groove_axis="contact-normals"))
    for side in ("left", "right"):
        assert by_name(normals, f"contact_angle_{side}")["top[1]"] == pytest.approx(44.5, abs=0.01)
    centres = measured(part, CUT, built, options=axial.Options(groove_axis="arc-centres"))
    # Arcs of one radius: centres at one height over an axis that bisects the contact normals, too.
    assert by_name(centres, "contact_angle_left")["top[1]"] == pytest.approx(44.5, abs=0.01)


def test_root_clearance_and_ball_on_the_profile_follow_the_gothic_arch():
    """Closed form: clearance = sqrt(R² - e²) - r - (R - r) cos(alpha), 26.5497 µm for this groove."""
    result = measured(Part(), dataclasses.replace(CUT, tip_radius_mm=0.0, spacing_mm=0.001))
    assert all(v == pytest.approx(26.549661, abs=0.02) for v in by_name(result, "root_clearance").values())
    assert all(abs(v) < 0.01 for v in by_name(result, "profile_seat_height").values())
    assert all(abs(v) < 0.02 for v in by_name(result, "profile_deviation_left").values())
    assert all(v < 0.001 for v in by_name(result, "flank_form_left").values())


def test_deviation_from_the_nominal_profile_is_measured_against_its_band():
    """Nominal 0.53 but cut with 0.54: at ±20° the flank lies 1.91 µm deeper; R' - R - gap' cos + gap cos."""
    part = Part(track_conformity=(0.54, 0.54))
    options = axial.Options(profile_band_um=(-1.0, 1.0))
    thread = thread_of(part, track_conformity=0.53)
    result = measured(part, CUT, options=options, thread=thread)
    r, nominal, actual = 3.175 / 2, 0.53 * 3.175, 0.54 * 3.175
    # Points of the actual arc seen from the nominal arc's centre, both arcs touching the ball at 45°.
    turn = np.radians(20.0)
    delta = turn - np.arcsin((actual - r) * np.sin(turn) / actual)
    apart = actual - nominal
    expected = (nominal - np.hypot(actual * np.sin(delta), actual * np.cos(delta) - apart)) * 1e3
    found = by_name(result, "profile_deviation_left")["top[1]"]
    assert found == pytest.approx(expected, rel=0.02)
    excess = by_name(result, "profile_band_excess_left")["top[1]"]
    assert excess == pytest.approx(-1.0 - expected, abs=0.05)


def test_dust_burr_and_dropouts_do_not_move_a_result():
    cut = dataclasses.replace(CUT, spacing_mm=0.001)
    clean = section.with_noise(section.section(Part(), cut, nodes=700), 20.0, 3)
    dirty = section.with_bump(clean, 1.0, 5.0 + 1.0, 5.0, 0.01)
    dirty = section.with_bump(dirty, 1.0, 5.0 + 1.567, 10.0, 0.02)
    dirty = section.with_dropout(dirty, -1.0, 6.3, 6.35)
    before, after = measured(Part(), cut, clean), measured(Part(), cut, dirty)
    as_read = {(n, "top[2]") for n in ("flank_form_right", "profile_deviation_right")}
    for a, b in zip(before.quantities, after.quantities, strict=True):
        assert (a.name, a.instance) == (b.name, b.instance)
        if (a.name, a.instance) in as_read:
            # the grain is judged as it was read, and its height is doubtful
            assert abs(b.value) > 1.5
            assert b.standard_uncertainty > 0.9 * (abs(b.value) - abs(a.value))
        elif a.standard_uncertainty is not None:
            # of a deviation its amount: which of two nearly equal extremes is larger is chance
            change = abs(abs(a.value) - abs(b.value) if "deviation" in a.name else a.value - b.value)
            assert change < 3.0 * a.standard_uncertainty, a
    assert check(before, "left_out_points").value == 0.0
    assert 0.0 < check(after, "left_out_points").value < 0.2
    assert not check(after, "left_out_points").ok
    assert "top[2] right" in check(after, "left_out_points").note
    assert check(after, "missing_samples").value > 0.0


def test_land_inside_the_contact_zone_is_left_out():
    part = Part(land_mm=-0.8)
    result = measured(part, dataclasses.replace(CUT, spacing_mm=0.001))
    assert_is_the_part(result, part)
    assert check(result, "left_out_points").value == 0.0
    assert check(result, "flank_ends").value > 0.05


def test_uncertainty_is_stated_and_covers_the_error():
    cut = dataclasses.replace(CUT, spacing_mm=0.001)
    built = section.with_noise(section.section(Part(), cut, nodes=700), 20.0, 4)
    result = measured(Part(), cut, built)
    for name, true in (("contact_angle_left", 45.0), ("flank_radius_right", 1.68275), ("pitch", 5.0)):
        for q in result.quantities:
            if q.name == name:
                assert q.standard_uncertainty > 0.0
                assert abs(q.value - true) < 4.5 * q.standard_uncertainty


def test_roughness_and_contact_ellipse_are_given_when_asked_for():
    cut = dataclasses.replace(CUT, spacing_mm=0.001)
    built = section.with_noise(section.section(Part(), cut, nodes=700), 100.0, 5)
    options = msgspec.convert({"roughness": {"lambda_c_mm": 0.08}, "ball_load_n": 50.0}, axial.Options)
    result = measured(Part(), cut, built, options=options)
    rq = list(by_name(result, "profile_roughness_rq_left").values())
    # Noise of 100 nm in z is between 42 and 91 nm normal to flanks of 25° to 65°.
    assert all(0.04 < v < 0.095 for v in rq)
    margins = list(by_name(result, "contact_ellipse_margin_right").values())
    assert all(0.2 < m < 0.9 for m in margins)
    heavy = measured(Part(), cut, built, options=axial.Options(ball_load_n=5000.0))
    assert min(by_name(heavy, "contact_ellipse_margin_right").values()) < min(margins) - 0.5


def test_every_roughness_parameter_of_a_flank_is_given():
    # a sine in z, 0.016 mm long in x: along the arc of 25° to 65° longer, and lower along the normal, by the
    # same factor; half of it lies above its mean line
    cut = dataclasses.replace(CUT, spacing_mm=0.0005)
    built = wavy_flanks(section.with_noise(section.section(Part(), cut, nodes=700), 1.0, 6), 1.0, 0.016)
    options = msgspec.convert({"roughness": {"lambda_c_mm": 0.16, "rmr_c_um": 0.0}}, axial.Options)
    result = measured(Part(), cut, built, options=options)
    named = {q.name for q in result.quantities if q.name.startswith("profile_roughness_")}
    assert named == {n for n in axial.CHARACTERISTICS if n.startswith("profile_roughness_")}
    for side in ("left", "right"):
        assert all(
            16 / np.cos(np.radians(25)) < v < 16 / np.cos(np.radians(65))
            for v in by_name(result, f"profile_roughness_rsm_{side}").values()
        )
        assert all(abs(v - 50) < 3 for v in by_name(result, f"profile_roughness_rmr_{side}").values())
        for core, peaks, valleys, total in zip(
            *(by_name(result, f"profile_roughness_{n}_{side}").values() for n in ("rk", "rpk", "rvk", "rt")),
            strict=True,
        ):
            assert 0 < core < total
            assert 0 <= peaks < total
            assert 0 <= valleys < total


def test_flank_too_short_for_the_cut_off_is_said():
    options = msgspec.convert({"roughness": {"lambda_c_mm": 0.8, "section_count": 5}}, axial.Options)
    result = measured(Part(), CUT, options=options)
    assert set(by_name(result, "profile_roughness_ra_left").values()) == {None}
    assert not check(result, "asked_without_number").ok
    assert "roughness" in check(result, "asked_without_number").note


def wavy_flanks(built, amplitude_um, wavelength_mm):
    """A wave along x on both sides; normal to the flank it is lower by the cosine of the flank's angle."""
    wave = amplitude_um * 1e-3 * np.sin(2 * np.pi * built.x_mm / wavelength_mm)
    return dataclasses.replace(built, z_mm=built.z_mm + built.side * wave)


def test_long_waves_of_a_flank_are_waviness_and_short_ones_roughness():
    """A wave in z is lower along the normal by the cosine of the flank's angle, 25° to 65°, and longer along
    the arc by the same factor: Wq of a wave well above the cut-off lies between those of both zone ends."""
    part, cut = Part(lead_mm=2.0 * 5.0, starts=2), dataclasses.replace(CUT, spacing_mm=0.001)
    options = msgspec.convert({"roughness": {"lambda_c_mm": 0.08}}, axial.Options)
    built = section.with_noise(section.section(part, cut, nodes=700), 2.0, 6)
    long = measured(part, cut, wavy_flanks(built, 1.0, 0.15), options=options)
    plain = measured(part, cut, built, options=options)
    for side in ("left", "right"):
        waves = list(by_name(long, f"profile_waviness_wq_{side}").values())
        assert all(np.cos(np.radians(65)) < v * np.sqrt(2) < np.cos(np.radians(25)) for v in waves)
        assert max(by_name(plain, f"profile_waviness_wq_{side}").values()) < 0.002
        assert max(by_name(long, f"profile_roughness_rq_{side}").values()) < 0.15 * min(waves)
        for arithmetic, total, rms in zip(
            by_name(long, f"profile_waviness_wa_{side}").values(),
            by_name(long, f"profile_waviness_wt_{side}").values(),
            waves,
            strict=True,
        ):
            assert arithmetic < rms < total
    short = measured(part, cut, wavy_flanks(built, 1.0, 0.016), options=options)
    assert max(by_name(short, "profile_waviness_wq_left").values()) < 0.1
    assert min(by_name(short, "profile_roughness_rq_left").values()) > 0.3


def test_flank_long_enough_for_roughness_but_not_for_waviness_says_so_and_spoils_nothing():
    options = msgspec.convert({"roughness": {"lambda_c_mm": 0.8}}, axial.Options)
    result = measured(Part(), dataclasses.replace(CUT, spacing_mm=0.001), options=options)
    assert None not in by_name(result, "profile_roughness_rq_left").values()
    assert set(by_name(result, "profile_waviness_wt_left").values()) == {None}
    assert "top[1]: no waviness of the left flank" in check(result, "values_without_number").note
    assert all(c.ok for c in result.quality)


def test_waviness_is_given_only_where_roughness_is_asked_for():
    assert by_name(measured(Part(), CUT), "profile_waviness_wq_left") == {}


def scatter_and_stated(part, built, name, **given):
    """Scatter of the amount over seeds of 20 nm noise, and the mean of what is stated."""
    cut = dataclasses.replace(CUT, spacing_mm=0.002)
    runs = [measured(part, cut, section.with_noise(built, 20.0, seed), **given) for seed in range(12)]
    values = [[(abs(q.value), q.standard_uncertainty) for q in r.quantities if q.name == name] for r in runs]
    found, stated = np.moveaxis(np.array(values), 2, 0)
    return float(np.sqrt(np.mean(np.var(found, axis=0, ddof=1)))), float(np.mean(stated))


def test_uncertainty_of_form_and_deviation_is_an_upper_bound_of_their_scatter():
    cut = dataclasses.replace(CUT, spacing_mm=0.002)
    wavy = wavy_flanks(section.section(Part(), cut, nodes=700), 0.4, 0.3)
    # Waves that differ from groove to groove count as texture, so here noise is not all of it.
    scatter, stated = scatter_and_stated(Part(), wavy, "flank_form_left")
    assert scatter < stated
    # Waves also enlarge the ball's stated place, for they move it; noise does not, so only the bound is asked.
    scatter, stated = scatter_and_stated(Part(), wavy, "profile_deviation_right")
    assert scatter < stated
    other = Part(track_conformity=(0.54, 0.54))
    deep = section.section(other, cut, nodes=700)
    scatter, stated = scatter_and_stated(other, deep, "profile_deviation_right", thread=thread_of(Part()))
    assert scatter < stated < 4.0 * scatter


def test_partial_grooves_at_the_ends_are_counted_and_not_analysed():
    cut = dataclasses.replace(CUT, x_start_mm=-1.0, x_end_mm=16.0)
    result = measured(Part(), cut)
    assert set(by_name(result, "contact_angle_left")) == {
        "top[1]",
        "top[2]",
        "bottom[1]",
        "bottom[2]",
        "bottom[3]",
    }
    assert check(result, "cut_grooves").value == 2
    assert check(result, "cut_grooves").ok


def test_one_side_alone_has_pitch_and_angles_but_no_ball_pitch_circle():
    part = Part()
    for side in (1.0, -1.0):
        result = measured(part, dataclasses.replace(CUT, sides=(side,)))
        assert by_name(result, "ball_pitch_circle_diameter") == {"": None}
        assert max(abs(v - 5.0) for v in by_name(result, "pitch").values()) < 5e-5
        assert max(abs(v - 45.0) for v in by_name(result, "contact_angle_left").values()) < 0.01
        assert check(result, "sides").ok
        assert "no ball pitch circle" in check(result, "sides").note


def test_reversed_trace_is_turned_and_gives_the_same_numbers_but_is_fit_only_where_expected():
    built = section.section(Part(contact_angle_deg=(43.0, 46.0)), CUT, nodes=700)
    back = section.Section(built.side[::-1], built.x_mm[::-1], built.z_mm[::-1], {})
    forward, backward = measured(Part(), CUT, built), measured(Part(), CUT, back)
    assert forward.quantities == backward.quantities
    assert not check(backward, "order_of_x").ok
    assert "falling_x = true" in check(backward, "order_of_x").note
    expected = measured(Part(), CUT, back, options=axial.Options(falling_x=True))
    assert expected.quantities == forward.quantities
    assert check(expected, "order_of_x").ok
    assert "top and bottom and was turned round" in check(expected, "order_of_x").note


def test_mirrored_x_exchanges_left_and_right_and_the_hand_check_says_why_it_cannot_be_seen():
    built = section.section(Part(contact_angle_deg=(43.0, 46.0)), CUT, nodes=700)
    mirrored = dataclasses.replace(built, x_mm=-built.x_mm)
    result = measured(Part(), CUT, mirrored)
    assert by_name(result, "contact_angle_left")["top[1]"] == pytest.approx(46.0, abs=0.01)
    assert "same for both hands and for x mirrored" in check(result, "hand").note


def test_x_that_goes_back_and_forth_is_not_fit():
    built = section.section(Part(), CUT, nodes=700)
    shuffled = built.x_mm + np.where(np.arange(built.x_mm.size) % 20 == 0, 0.006, 0.0)
    result = measured(Part(), CUT, dataclasses.replace(built, x_mm=shuffled))
    assert not check(result, "order_of_x").ok


def test_stated_hand_and_lead_that_contradict_the_recipe_are_failures():
    result = measured(Part(), CUT, lead_mm=10.0, extra={"hand": "left"})
    assert not check(result, "stated_lead").ok
    assert not check(result, "hand").ok


@pytest.mark.parametrize("lead", [4.0, 6.0])
def test_wrong_lead_gives_no_value_and_says_so(lead):
    result = measured(Part(), CUT, thread=thread_of(Part(), lead_mm=lead))
    assert {q.value for q in result.quantities} == {None}
    failure = check(result, "pitch_against_recipe")
    assert not failure.ok
    assert "wrong for this part" in failure.note


def test_half_the_lead_is_seen_as_missing_grooves():
    result = measured(Part(), CUT, thread=thread_of(Part(), lead_mm=2.5))
    assert not check(result, "groove_sequence").ok


def test_wrong_number_of_starts_is_seen_between_the_sides():
    result = measured(Part(), CUT, thread=thread_of(Part(), lead_mm=10.0, starts=2))
    failure = check(result, "side_phase")
    assert not failure.ok
    assert "2 starts are wrong" in failure.note


def test_slightly_wrong_pitch_is_a_result_and_beyond_one_percent_a_failure():
    result = measured(Part(), CUT, thread=thread_of(Part(), lead_mm=4.995))
    assert check(result, "pitch_against_recipe").ok
    assert by_name(result, "pitch_deviation")["top[1-2]"] == pytest.approx(5.0, abs=0.05)
    result = measured(Part(), CUT, thread=thread_of(Part(), lead_mm=5.08))
    assert not check(result, "pitch_against_recipe").ok


def test_more_tilt_than_the_recipe_allows_is_a_failure():
    cut = dataclasses.replace(CUT, axis_tilt_deg=0.3)
    result = measured(Part(), cut, options=axial.Options(max_axis_tilt_deg=0.2))
    assert not check(result, "axis_tilt").ok
    assert check(result, "axis_tilt").value == pytest.approx(0.3, abs=1e-6)


def test_single_groove_has_angles_and_says_what_it_lacks():
    cut = dataclasses.replace(CUT, x_end_mm=2.4)
    result = measured(Part(), cut)
    assert by_name(result, "contact_angle_left")["top[1]"] == pytest.approx(45.0, abs=0.01)
    assert by_name(result, "axis_tilt") == {"": None}
    assert not check(result, "axis_tilt").ok
    assert not check(result, "pitch").ok
    trusted = measured(Part(), cut, options=axial.Options(alignment="as-recorded"))
    assert check(trusted, "axis_tilt").ok
    assert by_name(trusted, "pitch") == {"": None}
    assert all(c.ok for c in trusted.quality)


def test_root_that_was_not_seen_has_no_clearance_and_spoils_nothing_else():
    built = section.with_dropout(section.section(Part(), CUT, nodes=700), 1.0, 4.8, 5.2)
    result = measured(Part(), CUT, built)
    assert by_name(result, "root_clearance")["top[2]"] is None
    assert by_name(result, "contact_angle_left")["top[2]"] == pytest.approx(45.0, abs=0.01)
    assert "top[2]: no root clearance" in check(result, "values_without_number").note
    assert all(c.ok for c in result.quality)


def test_groove_that_was_hardly_seen_is_left_out_with_its_reason():
    built = section.with_dropout(section.section(Part(), CUT, nodes=700), 1.0, 5.7, 6.4)
    result = measured(Part(), CUT, built)
    assert by_name(result, "contact_angle_left")["top[2]"] is None
    assert by_name(result, "contact_angle_left")["top[3]"] == pytest.approx(45.0, abs=0.01)
    failure = check(result, "failed_grooves")
    assert not failure.ok
    assert "top[2]: the right flank has" in failure.note
    assert not check(result, "groove_sequence").ok


@pytest.mark.parametrize(
    ("change", "error", "words"),
    [
        (lambda b: {"x_mm": b.x_mm * 1000}, TraceRangeError, "hardly in mm"),
        (lambda b: {"x_mm": b.x_mm / 1000}, TraceRangeError, "hardly in mm"),
        (lambda b: {"z_mm": b.z_mm * 1000}, TraceRangeError, "hardly in mm"),
        (lambda b: {"z_mm": b.z_mm / 1000}, TraceRangeError, "hardly in mm"),
        (lambda b: {"x_mm": b.x_mm * 1000, "z_mm": b.z_mm * 1000}, TraceRangeError, "hardly in mm"),
        (lambda b: {"side": -b.side}, TraceRangeError, "sides are swapped"),
        (lambda b: {"z_mm": -b.z_mm}, TraceRangeError, "sides are swapped"),
        (lambda b: {"z_mm": np.abs(b.z_mm)}, TraceRangeError, "apart"),
        (lambda b: {"side": b.side * 3}, TraceShapeError, "neither to side top nor"),
        (lambda b: {"z_mm": b.side * 10.0 + 0.02 * np.sin(b.x_mm)}, TraceShapeError, "no groove"),
        (lambda b: {"z_mm": np.full(b.x_mm.size, np.nan)}, TraceShapeError, "0 samples"),
        (lambda b: {"z_mm": b.side * 21.5 - b.z_mm}, TraceShapeError, "the part is no shaft"),
    ],
)
def test_input_that_cannot_be_a_trace_of_the_part_is_refused_in_a_sentence(change, error, words):
    built = section.section(Part(), CUT, nodes=300)
    spoilt = dataclasses.replace(built, **change(built))
    with pytest.raises(error, match=words):
        measured(Part(), CUT, spoilt)


def test_nut_under_the_recipe_of_a_shaft_is_refused():
    with pytest.raises(TraceShapeError, match="the part is no shaft"):
        measured(Part(member="nut"), CUT, thread=thread_of(Part()))


def test_flank_of_fewer_than_two_points_is_refused():
    cut = dataclasses.replace(CUT, spacing_mm=0.9)
    with pytest.raises(TraceShapeError, match=r"samples lie 0\.9 mm apart"):
        measured(Part(), cut)


def test_unknown_tip_and_missing_thread_are_refused():
    built = section.section(Part(), CUT, nodes=300)
    request = Request(thread_of(Part()), axial.Options())
    with pytest.raises(TraceShapeError, match="tip_radius_mm"):
        axial.analyse(trace_of(built, tip=None), request)
    with pytest.raises(TraceRangeError, match="does not fit"):
        axial.analyse(trace_of(built, tip=2.0), request)
    with pytest.raises(AnalysisError, match="thread"):
        axial.analyse(trace_of(built), Request(None, axial.Options()))


def test_corrected_trace_needs_no_tip():
    built = section.section(Part(), dataclasses.replace(CUT, tip_radius_mm=0.0), nodes=700)
    result = axial.analyse(trace_of(built, tip_corrected=True), Request(thread_of(Part()), axial.Options()))
    assert_is_the_part(result, Part())


def test_ball_that_does_not_enter_the_groove_finds_none():
    with pytest.raises(TraceShapeError, match="no groove that takes up a ball"):
        measured(Part(), CUT, thread=thread_of(Part(), ball_diameter_mm=3.175 * 1.1))


def test_ball_larger_than_the_flanks_has_no_seat_and_no_value():
    part = Part(land_mm=-0.8)
    result = measured(part, CUT, thread=thread_of(part, ball_diameter_mm=3.175 * 1.07))
    assert {q.value for q in result.quantities} == {None}
    assert any(not c.ok and "does not seat" in c.note for c in result.quality)


def test_kind_keeps_its_promises_to_the_rest():
    assert find_kind("axial") is axial
    built = section.section(Part(), CUT, nodes=300)
    require_columns(trace_of(built), axial)
    result = measured(Part(), CUT, built, options=axial.Options(ball_load_n=10.0, profile_band_um=(-1, 1)))
    for q in result.quantities:
        assert axial.CHARACTERISTICS[q.name] == q.unit
        assert q.value is None or np.isfinite(q.value)
        assert q.standard_uncertainty is None or np.isfinite(q.standard_uncertainty)
    assert len(json.dumps(result.details, allow_nan=False)) < 150_000
    json.dumps([[c.check, c.ok, c.value, c.allowed, c.unit, c.note] for c in result.quality], allow_nan=False)
    with pytest.raises(msgspec.ValidationError):
        msgspec.convert({"zone_half_width": 20.0}, axial.Options)
    with pytest.raises(msgspec.ValidationError, match="lower below upper"):
        msgspec.convert({"profile_band_um": [1.0, -1.0]}, axial.Options)


def test_same_trace_gives_the_same_numbers():
    built = section.with_noise(section.section(Part(), CUT, nodes=300), 20.0, 9)
    assert measured(Part(), CUT, built) == measured(Part(), CUT, built)


def test_uncertainty_of_the_contact_pressure_is_an_upper_bound_of_its_scatter():
    part, rng = Part(), np.random.default_rng(3)
    cut = dataclasses.replace(CUT, x_end_mm=8.0, spacing_mm=0.01)
    built = section.section(part, cut, nodes=700)
    pairs = []
    for _ in range(40):
        columns = built.columns()
        columns["z_mm"] = columns["z_mm"] + rng.normal(0, 50e-6, columns["z_mm"].size)
        trace = dataclasses.replace(trace_of(built), columns=columns)
        asked = Request(thread_of(part), axial.Options(ball_load_n=100.0), **PLANE_KNOWN)
        result = axial.analyse(trace, asked)
        pairs += [
            (q.value, q.standard_uncertainty)
            for q in result.quantities
            if q.name == "contact_pressure_right" and q.instance == "top[1]"
        ]
    values, stated = np.array(pairs).T
    assert len(pairs) == 40
    # 40 seeds know a scatter to 11 %
    assert 0.75 * values.std() < stated.mean() < 1.8 * values.std()


@pytest.mark.parametrize(("tip", "spacing", "starts"), [(0.0, 0.01, 16), (0.05, 0.001, 3)])
def test_uncertainty_of_the_ellipse_margin_tells_how_far_the_edge_may_be_from_the_last_sample(
    tip, spacing, starts
):
    # The land's edge is that of the built part: seen from the ball, then along the flank to the contact.
    part, rng = Part(), np.random.default_rng(8)
    u0, h0, radius = part.arcs()[1]
    edge = section._edge_angle(part, (u0, h0, radius), 1.0)
    seen = np.degrees(np.arctan2(u0 + radius * np.sin(edge), radius * np.cos(edge) - h0))
    load_n = 100.0
    options = axial.Options(ball_load_n=load_n, alignment="as-recorded")
    ellipse = contact_ellipse(
        track_curvature(
            member=part.member,
            ball_diameter_mm=part.ball_diameter_mm,
            ball_pitch_circle_mm=part.ball_pitch_circle_mm,
            track_conformity=part.track_conformity[1],
            contact_angle_deg=part.contact_angle_deg[1],
            lead_angle_deg=part.lead_angle_deg,
        ),
        load_n,
    )
    length = arc_length(seen - part.contact_angle_deg[1], radius, radius - part.ball_diameter_mm / 2)
    errors, stated = [], []
    for _ in range(starts):
        first = -2.6 + rng.uniform(0, spacing)
        cut = Cut(x_start_mm=first, x_end_mm=3.5, spacing_mm=spacing, tip_radius_mm=tip)
        result = measured(part, cut, options=options)
        for q in result.quantities:
            if q.name == "contact_ellipse_margin_right":
                errors.append(q.value - (length - ellipse.semi_major_mm))
                stated.append(q.standard_uncertainty)
    error = np.sqrt(np.mean(np.square(errors)))
    assert len(errors) >= starts
    assert error / 1.2 < np.mean(stated) < 2.0 * error

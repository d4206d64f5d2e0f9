"""What instrument errors do to values: formulas, forward models with the error built in, Monte Carlo."""

from __future__ import annotations

import dataclasses
import datetime
import math
from statistics import NormalDist

import GTC
import numpy as np
import pytest

from edgeagent.analysis.budget.contributions import Known, contributions
from edgeagent.analysis.budget.wave_influences import complex_amplitudes_um, tip_shape_um
from edgeagent.analysis.groove.ball import ball_centre
from edgeagent.analysis.kinds import Request, axial, circle, spiral, travel
from edgeagent.demo import thread_surface as section
from edgeagent.model import InstrumentUncertainty, PartUncertainty, Spectrum, Thread, Trace, TraceHeader
from edgeagent.rules.budget import combine

BOTH = frozenset({"length_scale", "tip_radius_mm"})
TIP_MM = 0.02


def header(kind, **changes):
    given = {"part": "DEMO", "serial": "1", "measured_at": datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)}
    return TraceHeader(**{"kind": kind, "feature": "f", **given, **changes})


def thread_of(part):
    return Thread(
        member=part.member,
        hand=part.hand,
        starts=part.starts,
        lead_mm=part.lead_mm,
        ball_diameter_mm=part.ball_diameter_mm,
        ball_pitch_circle_mm=part.ball_pitch_circle_mm,
        contact_angle_deg=45.0,
        track_conformity=0.53,
    )


def axial_trace(part, tip_mm=TIP_MM, spacing_mm=0.01, **changes):
    cut = section.Cut(x_end_mm=13.0, spacing_mm=spacing_mm, tip_radius_mm=tip_mm)
    columns = section.section(part, cut, nodes=700).columns()
    return Trace(header("axial", tip_radius_mm=TIP_MM, **changes), columns)


def values_of(analysis):
    return {(q.name, q.instance): q.value for q in analysis.quantities if q.value is not None}


@pytest.fixture(scope="module", params=["shaft", "nut"])
def grooves(request):
    part = section.Part(member=request.param)
    trace = axial_trace(part)
    asked = Request(thread_of(part), axial.Options(), plane_offset_mm=0.0, plane_yaw_deg=0.0)
    analysis = axial.analyse(trace, asked)
    return part, trace, asked, analysis, axial.influences(trace, asked, analysis, BOTH)


def test_axial_sensitivities_are_those_of_the_closed_formulas(grooves):
    # derived here: with R the flank radius, r the ball's, sin a = (s/2)/(R - r), s the arc centres' separation:
    # da/de = -tan a r/(R - r), da/dR = -tan a/(R - r), h = (R - r) cos a, dh/de = (R - (R - r) sin² a)/cos a,
    # dh/dR = 1/cos a; the arc centres keep their places when the tip is wrong, and the ball sinks by dh. The
    # scale acts on the path of the tip's centre: R and r are less by the tip radius there.
    part, _, _, _, found = grooves
    ball, radius, alpha = part.ball_diameter_mm / 2, 0.53 * part.ball_diameter_mm, np.radians(45.0)
    gap = radius - ball
    by_scale = (radius - TIP_MM - gap * np.sin(alpha) ** 2) / np.cos(alpha)
    inward = -1.0 if part.member == "shaft" else 1.0
    arcs = part.ball_pitch_circle_mm / 2 - inward * gap * np.cos(alpha)
    circle_by_scale = 2 * (arcs + inward * by_scale)
    psi = np.radians(part.lead_angle_deg)
    turned = np.degrees(np.sin(2 * psi) / 2) * (1 - circle_by_scale / part.ball_pitch_circle_mm)
    wanted = {
        "contact_angle_left": (
            np.degrees(-np.tan(alpha) * (ball - TIP_MM) / gap),
            np.degrees(-np.tan(alpha) / gap),
        ),
        "flank_radius_right": (radius - TIP_MM, 1.0),
        "track_conformity_left": ((radius - TIP_MM) / part.ball_diameter_mm, 1 / part.ball_diameter_mm),
        "arc_centre_height_right": (by_scale, 1 / np.cos(alpha)),
        "arc_centre_separation": (2 * gap * np.sin(alpha), 0.0),
        "pitch": (part.pitch_mm, 0.0),
        "pitch_deviation": (1000 * part.pitch_mm, 0.0),
        "lead": (part.lead_mm, 0.0),
        "ball_pitch_circle_diameter": (circle_by_scale, 2 * inward / np.cos(alpha)),
        "lead_angle": (turned, None),
    }
    for name, (scale, tip) in wanted.items():
        at = [key for key in found.length_scale if key[0] == name]
        assert at, name
        for key in at:
            assert found.length_scale[key] == pytest.approx(scale, rel=0.01, abs=2e-3 * part.pitch_mm), key
            if tip is not None:
                assert found.tip_radius_mm[key] == pytest.approx(tip, rel=0.01, abs=0.01), key


def test_wrong_tip_radius_moves_every_value_as_stated(grooves):
    # The part is traced with a tip 1 µm larger than its header says: the swept surface knows no formula.
    part, trace, asked, analysis, found = grooves
    wrong = axial.analyse(axial_trace(part, TIP_MM + 1e-3), asked)
    before, after = values_of(analysis), values_of(wrong)
    names = ("contact_angle_left", "flank_radius_left", "ball_pitch_circle_diameter", "root_clearance",
             "profile_deviation_left", "arc_centre_height_left")  # fmt: skip
    for at in [key for key in before if key[0] in names and key in found.tip_radius_mm]:
        change = after[at] - before[at]
        # A larger tip on the part is to the analysis as a smaller one in the header.
        assert change == pytest.approx(-1e-3 * found.tip_radius_mm[at], rel=0.03, abs=2e-5), at
    assert {key[0] for key in found.tip_radius_mm} >= set(names)


def test_value_at_a_kink_has_the_sensitivity_of_its_steeper_side(grooves):
    # On a part of nominal shape a tip error to either side brings the profile nearer its band's edge, and the
    # worst deviation has one sign or the other: the swept surface is traced with a tip 1 µm larger and smaller.
    part, trace, _, _, _ = grooves
    asked = Request(thread_of(part), axial.Options(profile_band_um=(-4.0, 4.0)))
    analysis = axial.analyse(trace, asked)
    found = axial.influences(trace, asked, analysis, BOTH)
    own = values_of(analysis)
    larger, smaller = (
        values_of(axial.analyse(axial_trace(part, TIP_MM + change), asked)) for change in (1e-3, -1e-3)
    )
    excess = [key for key in own if key[0].startswith("profile_band_excess")]
    assert excess
    for at in excess:
        changes = larger[at] - own[at], smaller[at] - own[at]
        assert min(changes) > 0.1, at
        assert abs(1e-3 * found.tip_radius_mm[at]) == pytest.approx(max(changes), rel=0.1), at
        deviation = (at[0].replace("band_excess", "deviation"), at[1])
        reached = max(abs(larger[deviation]), abs(smaller[deviation]))
        assert abs(1e-3 * found.tip_radius_mm[deviation]) == pytest.approx(reached, rel=0.1), deviation


def test_trace_that_the_instrument_corrected_for_its_tip_has_the_same_sensitivity(grooves):
    part, _, asked, analysis, found = grooves
    corrected = axial_trace(part, 0.0, tip_corrected=True)
    there = axial.influences(corrected, asked, axial.analyse(corrected, asked), BOTH)
    for at, value in found.tip_radius_mm.items():
        if at[0] in ("contact_angle_left", "flank_radius_right", "ball_pitch_circle_diameter"):
            assert there.tip_radius_mm[at] == pytest.approx(value, rel=0.03), at


def test_budget_of_contact_angle_and_ball_circle_agrees_with_monte_carlo_over_whole_traces(grooves):
    # JCGM 101: errors of tip and scale are drawn and put through the whole analysis; 40 draws, evenly over the
    # probability and in pairs of opposite sign of one input, so that the two are uncorrelated, and stretched to
    # the standard deviations of their distributions.
    _, trace, asked, analysis, found = grooves
    tip_mm, scale, draws = 0.0005, 5e-5, 20
    rng = np.random.default_rng(4)
    normal = np.array([NormalDist().inv_cdf((i + 0.5) / draws) for i in range(draws)])
    normal /= normal.std()
    drawn = []
    first, second = tip_mm * rng.permutation(normal), scale * rng.permutation(normal)
    for t, e in [*zip(first, second, strict=True), *zip(first, -second, strict=True)]:
        columns = {**trace.columns, **{n: trace.columns[n] * (1 + e) for n in ("x_mm", "z_mm")}}
        changed = dataclasses.replace(trace.header, tip_radius_mm=TIP_MM + t)
        drawn.append(values_of(axial.analyse(Trace(changed, columns), asked)))
    instrument = InstrumentUncertainty(length_scale=scale, tip_radius_mm=tip_mm)
    known = Known(found, instrument, PartUncertainty())
    checked = 0
    for q in analysis.quantities:
        if q.name in ("contact_angle_left", "contact_angle_right", "ball_pitch_circle_diameter"):
            stated = combine(contributions(dataclasses.replace(q, standard_uncertainty=None), known))
            scatter = float(np.std([d[q.name, q.instance] for d in drawn]))
            assert stated.standard_uncertainty == pytest.approx(scatter, rel=0.05), (q.name, q.instance)
            checked += 1
    assert checked >= 9


def test_an_independent_calculator_finds_the_same_budget_of_angle_and_ball_circle(grooves):
    # GTC (a general GUM calculator) differentiates the geometry by itself and counts degrees of freedom.
    part, _, _, analysis, found = grooves
    ball, radius, angle = part.ball_diameter_mm / 2, 0.53 * part.ball_diameter_mm, math.radians(45.0)
    half, height = (radius - ball) * math.sin(angle), (radius - ball) * math.cos(angle)
    outward = 1.0 if part.member == "shaft" else -1.0
    scale, tip = GTC.ureal(1.0, 2e-5, 12), GTC.ureal(TIP_MM, 3e-4, 5)
    gap = (radius - TIP_MM) * scale + tip - ball
    alpha = GTC.asin(half * scale / gap)
    across = 2 * ((part.ball_pitch_circle_mm / 2 + outward * height) * scale - outward * gap * GTC.cos(alpha))
    instrument = InstrumentUncertainty(
        length_scale=2e-5, length_scale_dof=12, tip_radius_mm=3e-4, tip_radius_dof=5
    )
    known = Known(found, instrument, PartUncertainty())
    for name, at, theirs in (
        ("contact_angle_left", "top[1]", alpha * 180 / math.pi),
        ("ball_pitch_circle_diameter", "", across),
    ):
        q = next(q for q in analysis.quantities if (q.name, q.instance) == (name, at))
        ours = combine(contributions(dataclasses.replace(q, standard_uncertainty=None), known))
        assert q.value == pytest.approx(theirs.x, abs=1e-3)
        assert ours.standard_uncertainty == pytest.approx(theirs.u, rel=0.01)
        assert ours.degrees_of_freedom == pytest.approx(theirs.df, rel=0.02)


@pytest.mark.parametrize(("tip_mm", "scale"), [(0.0005, 1e-6), (1e-7, 1e-4), (0.0003, 5e-5)])
def test_budget_agrees_with_monte_carlo_of_many_draws_through_the_seated_ball(grooves, tip_mm, scale):
    # JCGM 101 with 200,000 draws through the seat of the ball on two arcs alone.
    part, _, _, analysis, found = grooves
    rng = np.random.default_rng(7)
    ball, radius = part.ball_diameter_mm / 2, 0.53 * part.ball_diameter_mm
    side = (radius - ball) * np.sqrt(0.5)
    larger, tip = 1 + rng.normal(0, scale, 200_000), TIP_MM + rng.normal(0, tip_mm, 200_000)
    arcs = np.zeros((200_000, 2, 3))
    arcs[:, 0, 0], arcs[:, 1, 0] = side * larger, -side * larger
    arcs[:, 0, 1] = arcs[:, 1, 1] = side * larger
    arcs[:, :, 2] = ((radius - TIP_MM) * larger + tip)[:, None]
    centre = ball_centre(arcs, ball)
    angle = np.degrees(np.arctan2(arcs[:, 0, 0] - centre[:, 0], arcs[:, 0, 1] - centre[:, 1]))
    outward = 1.0 if part.member == "shaft" else -1.0
    place = (part.ball_pitch_circle_mm / 2 + outward * side) * larger
    diameter = 2.0 * (place - outward * (arcs[:, 0, 1] - centre[:, 1]))
    known = Known(found, InstrumentUncertainty(length_scale=scale, tip_radius_mm=tip_mm), PartUncertainty())
    for name, instance, drawn in (
        ("contact_angle_left", "top[1]", angle),
        ("ball_pitch_circle_diameter", "", diameter),
    ):
        q = next(q for q in analysis.quantities if (q.name, q.instance) == (name, instance))
        u = combine(
            contributions(dataclasses.replace(q, standard_uncertainty=None), known)
        ).standard_uncertainty
        assert u == pytest.approx(float(drawn.std()), rel=0.05), name


def rolled(surface_um, step_um, tip_um):
    """Path of a tip's centre on a periodic surface: the highest of all places where it may touch."""
    reach = int(0.03 * tip_um / step_um)
    offsets = np.arange(-reach, reach + 1)
    ball = np.sqrt(tip_um**2 - (offsets * step_um) ** 2) - tip_um
    return np.max([np.roll(surface_um, -k) + b for k, b in zip(offsets, ball, strict=True)], axis=0)


def test_tip_on_waves_changes_harmonics_as_a_rolled_sphere_does():
    # A sphere rolled over the waves point by point, against (r/2) y'² (derived in wave_influences).
    n, length_mm, tip_mm = 96_000, 12.0, 0.5
    angle = np.arange(n) * 2 * np.pi / n
    waves = {12: 0.5, 20: 0.25, 32: 0.08}
    valley = tip_mm * sum(0.001 * a * (2 * np.pi * k / length_mm) ** 2 for k, a in waves.items())
    assert valley < 0.04, "the tip is small against every valley"
    surface = sum(a * np.cos(k * angle + k) for k, a in waves.items())
    seen = rolled(surface, 1000 * length_mm / n, 1000 * tip_mm)
    order = np.arange(1, 81)

    def spectrum_of(y):
        c = 2 * np.fft.rfft(y)[1:81] / n
        return Spectrum(order, 1000 * np.abs(c), np.degrees(np.angle(c)), np.zeros(80))

    true, read = (complex_amplitudes_um(spectrum_of(y)) for y in (surface, seen))
    stated = tip_shape_um(read, tip_mm, length_mm)
    for k in (8, 12, 20, 24, 32, 40, 44, 52):
        change = 2000 * abs(read[k] - true[k])
        assert change > 0.1, k
        # The next order is smaller by the ratio of tip and valley radius; the rolled sphere touches within
        # 0.06 µm, which is 0.004 nm of height.
        assert 2000 * abs(read[k] - true[k] - stated[k]) < 2 * valley * change + 0.004, k


def displaced_circle(kind, eccentricity_um, radius_mm, tip_mm=None, waves=None):
    angle = np.arange(3600) * np.radians(0.1)
    e, r = eccentricity_um, 1000 * radius_mm
    reading = e * np.cos(angle - 0.7) + np.sqrt(r**2 - (e * np.sin(angle - 0.7)) ** 2) - r
    for k, a in (waves or {}).items():
        reading = reading + a * np.cos(k * angle)
    columns = {"angle_deg": np.degrees(angle), "deviation_um": reading}
    return Trace(header(kind, tip_radius_mm=tip_mm, track_diameter_mm=2 * radius_mm), columns)


@pytest.mark.parametrize(("e_um", "ellipse_nm"), [(20.0, 10.811), (100.0, 270.27)])
def test_eccentric_circle_states_the_ellipse_that_it_makes(e_um, ellipse_nm):
    # A displaced circle, exactly; e²/4R of 20 µm on 9.25 mm is 10.8 nm (common practice calls it a limaçon)
    asked = Request(None, circle.Options(upr=(2, 150)))
    spectrum = circle.analyse(displaced_circle("circle", e_um, 9.25), asked).spectrum
    assert spectrum.amplitude_nm[1] == pytest.approx(ellipse_nm, rel=1e-3)
    assert spectrum.noise_nm[1] == pytest.approx(ellipse_nm, rel=1e-3)
    assert np.all(spectrum.noise_nm[3:] < 1e-3 * ellipse_nm)


def test_waves_without_tip_or_track_have_their_scale_only():
    trace = displaced_circle("circle", 20.0, 9.25)
    nowhere = dataclasses.replace(trace, header=header("circle"))
    asked = Request(None, circle.Options(upr=(2, 150), bands=((2, 15),)))
    analysis = circle.analyse(nowhere, asked)
    found = circle.influences(nowhere, asked, analysis, frozenset())
    assert found.uncorrected == {}
    assert found.gauge_scale == values_of(analysis)
    assert ("band_rms", "2-15") in found.gauge_scale


def test_lead_mismatch_grows_with_the_part():
    # A right-handed thread of 5 mm lead, 24 K warm: 5 mm · 11.5e-6 · 24 = 1.38 µm a turn along the axis
    part = section.Part()
    thread = thread_of(part)
    angle = np.arange(0, 3 * 360, 0.1)
    across = np.sin(np.radians(45.0)) * np.cos(thread.lead_angle_rad)
    for sensing, share in (("normal", across), ("axial", 1.0), ("radial", across / np.cos(np.radians(45.0)))):
        slope = 1.38 * share / 360 * angle
        columns = {"angle_deg": angle, "deviation_um": slope + 0.1 * np.cos(7 * np.radians(angle))}
        trace = Trace(header("spiral", sensing=sensing, track_diameter_mm=18.5), columns)
        asked = Request(thread, spiral.Options(upr=(2, 150)))
        analysis = spiral.analyse(trace, asked)
        found = spiral.influences(trace, asked, analysis, frozenset({"length_scale"}))
        grown = 11.5e-6 * 24 * found.length_scale["lead_mismatch", ""]
        assert values_of(analysis)["lead_mismatch", ""] == pytest.approx(grown, rel=1e-6), sensing


def test_travel_takes_the_length_scale_over_the_useful_travel_and_variations_do_not():
    mm = np.arange(0.0, 800.5, 0.5)
    wave = 3.0 * np.sin(2 * np.pi * mm / 400)
    asked = Request(
        thread_of(section.Part()), travel.TravelOptions(excess_mm=20.0, travel_compensation_um=-5.0)
    )

    def analysed(strain, gain=1.0):
        return travel.analyse(
            Trace(header("travel"), {"travel_mm": mm, "deviation_um": gain * (wave + 1000 * strain * mm)}),
            asked,
        )

    plain, warm, loud = analysed(1e-6), analysed(1e-6 + 2e-5), analysed(1e-6, 1.01)
    found = travel.influences(None, asked, plain, frozenset({"length_scale"}))
    assert found.length_scale == {("mean_travel_deviation", ""): pytest.approx(760_000.0)}
    before, after, louder = values_of(plain), values_of(warm), values_of(loud)
    for at, value in before.items():
        stated = found.length_scale.get(at, 0.0) * 2e-5
        assert after[at] - value == pytest.approx(stated, rel=1e-6, abs=1e-6), at
        assert louder[at] - value == pytest.approx(0.01 * found.gauge_scale[at], rel=1e-6), at
    e = next(q for q in plain.quantities if q.name == "mean_travel_deviation")
    assert e.degrees_of_freedom == np.count_nonzero((mm >= 20) & (mm <= 780)) - 2

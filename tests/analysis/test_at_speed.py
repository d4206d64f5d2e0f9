"""Kinematics, band velocities, resonances and peaks. All spectra are invented."""

from __future__ import annotations

import math

import numpy as np
import pytest

from edgeagent.analysis.around import at_speed
from edgeagent.analysis.around.at_speed import (
    ball_set_response,
    band_velocities,
    band_velocity,
    excited_harmonics,
    hertz_per_upr,
    kinematics,
    pass_frequencies,
    resonance_amplitudes,
    thread_kinematics,
    touching_balls,
)
from edgeagent.analysis.around.peaks import described_peaks, explain_peaks, find_peaks, machine_fit
from edgeagent.analysis.kinds import Request, spiral
from edgeagent.codec.configuration.recipe import parse_recipe
from edgeagent.errors import ConfigError, TraceRangeError
from edgeagent.judging.configuration import describe_kind
from edgeagent.model import Running, Spectrum, Thread, Trace, TraceHeader, Verdict
from edgeagent.rules.decision import judge

SCREW = Thread(
    member="shaft", hand="right", starts=1, lead_mm=10.0, ball_diameter_mm=3.969, ball_pitch_circle_mm=33.0,
    contact_angle_deg=45.0, track_conformity=0.52,
)  # fmt: skip
NUT = Thread(
    member="nut", hand="right", starts=1, lead_mm=10.0, ball_diameter_mm=3.969, ball_pitch_circle_mm=33.0,
    contact_angle_deg=45.0, track_conformity=0.54,
)  # fmt: skip
TURN_HZ = 60.0
"""Turning frequency at 3600 rpm."""


def running(low=3600.0, high=None, **more):
    return Running(speed_rpm=(low, low if high is None else high), **more)


def flat(count=400, amplitude_nm=2.0, noise_nm=0.1):
    return np.full(count, amplitude_nm), np.full(count, noise_nm)


def spectrum(lines=None, *, count=500, exponent=-1.5, noise_nm=0.02, seed=0, raised=None):
    """A falling floor of random amplitudes (Rayleigh) with noise, and lines on it."""
    rng = np.random.default_rng(seed)
    n = np.arange(1, count + 1)
    scale = 300.0 * n**exponent
    if raised is not None:
        scale[raised[0] - 1 : raised[1]] *= raised[2]
    draws = rng.normal(size=(4, count))
    amplitude = np.abs(scale * (draws[0] + 1j * draws[1]) + noise_nm * (draws[2] + 1j * draws[3]))
    for upr, value in (lines or {}).items():
        amplitude[upr - 1] = value
    return Spectrum(n, amplitude, np.zeros(count), np.full(count, noise_nm))


# ---------------------------------------------------------------- kinematics


def test_bearing_multiples_are_those_of_the_public_6205_data_set():
    """Public bearing data set, type 6205: 9 balls of 0.3126 in on 1.537 in, contact angle 0 (remembered)."""
    inch = 25.4
    found = pass_frequencies(kinematics(0.3126 * inch, 1.537 * inch, 0.0), 60.0, 9)
    assert found.shaft_spot_hz == pytest.approx(5.4152, abs=5e-5)
    assert found.nut_spot_hz == pytest.approx(3.5848, abs=5e-5)
    assert found.ball_set_hz == pytest.approx(0.39828, abs=5e-5)  # printed so; the relation gives 0.39831
    assert found.ball_spot_hz == pytest.approx(4.7135, abs=1e-4)  # printed so; the relation gives 4.71344
    assert found.turning_hz == 1.0


def test_ball_screw_ratios_agree_with_their_closed_form():
    """Dpw 33, Dw 3.969, 45°, lead 10: γ, orbit and touching balls computed apart, to nine decimals."""
    ratios = thread_kinematics(SCREW)
    assert ratios.gamma == pytest.approx(0.084652766, abs=5e-10)
    assert ratios.ball_set == pytest.approx(0.457673617, abs=5e-10)
    assert touching_balls(SCREW) == pytest.approx(26.241806, abs=5e-7)


def test_shaft_and_nut_ratio_share_one_turn():
    """What passes the ball on one side and on the other is the whole relative turn."""
    ratios = thread_kinematics(SCREW)
    assert ratios.shaft_wave + ratios.nut_wave == pytest.approx(1.0, abs=1e-15)
    assert hertz_per_upr(SCREW, 3600) == pytest.approx(TURN_HZ * (1 + ratios.gamma) / 2)
    assert hertz_per_upr(NUT, 3600) == pytest.approx(TURN_HZ * (1 - ratios.gamma) / 2)


def test_rolling_a_ball_step_by_step_gives_the_orbit_and_the_spin():
    """Forward model: no slip at both contacts of a planar bearing, solved for the two unknown speeds."""
    ball, circle, angle = 5.0, 40.0, math.radians(30.0)
    inner = circle / 2 - ball / 2 * math.cos(angle)
    outer = circle / 2 + ball / 2 * math.cos(angle)
    # Unknown: orbit and the ball's own speed seen from the orbit, about an axis square to the contact normal.
    equations = np.array([[inner, -ball / 2], [outer, ball / 2]])
    orbit, spin = np.linalg.solve(equations, np.array([inner * 1.0, 0.0]))
    found = kinematics(ball, circle, 30.0)
    assert found.ball_set == pytest.approx(orbit, rel=1e-12)
    assert found.ball_spin == pytest.approx(-spin, rel=1e-12)  # it turns against its orbit


def orbit_without_slip_along_the_helix(ball, circle, angle, lead_angle):
    """Turns of the ball set per turn of the shaft, the nut sliding along the axis without turning.

    Velocities of ball, shaft and nut as vectors at both contacts; unknown are the orbit and the ball's roll.
    """
    axis, out, around = np.eye(3)
    along = np.cos(lead_angle) * around + np.sin(lead_angle) * axis
    across = np.cos(lead_angle) * axis - np.sin(lead_angle) * around
    to_shaft = -np.cos(angle) * out + np.sin(angle) * across
    centre, rise = circle / 2 * out, circle / 2 * np.tan(lead_angle)
    rolling = np.cross(along, to_shaft)

    def slip(orbit, roll):
        found = []
        for side in (1.0, -1.0):
            arm = side * ball / 2 * to_shaft
            of_ball = orbit * np.cross(axis, centre) + rise * (orbit - 1) * axis + np.cross(roll * rolling, arm)
            of_member = np.cross(axis, centre + arm) if side > 0 else -rise * axis
            found.append(along @ (of_ball - of_member))
        return np.array(found)

    start = slip(0.0, 0.0)
    equations = np.stack((slip(1.0, 0.0) - start, slip(0.0, 1.0) - start), axis=1)
    return float(np.linalg.solve(equations, -start)[0])


@pytest.mark.parametrize(
    ("ball", "circle", "angle_deg", "lead_mm", "within"),
    [
        (5.0, 40.0, 30.0, 0.0, 1e-12),
        (3.969, 33.0, 45.0, 10.0, 0.0005),
        (3.175, 20.75, 45.0, 5.0, 0.0004),
        (3.5, 16.6, 38.0, 20.0, 0.013),
    ],
)
def test_ball_rolling_in_two_helices_passes_the_waves_as_often_as_said(
    ball, circle, angle_deg, lead_mm, within
):
    """Forward model in space: exact without lead; with it cos² ψ stands for cos ψ."""
    angle, lead_angle = math.radians(angle_deg), math.atan2(lead_mm, math.pi * circle)
    orbit = orbit_without_slip_along_the_helix(ball, circle, angle, lead_angle)
    bearing = ball * math.cos(angle) / circle
    assert orbit == pytest.approx((1 - bearing * math.cos(lead_angle) ** 2) / 2, abs=1e-12)
    found = kinematics(ball, circle, angle_deg, lead_angle)
    assert found.shaft_wave == pytest.approx(1 - orbit, rel=within)
    assert found.nut_wave == pytest.approx(orbit, rel=within)
    # the docstring's difference, to the next order
    assert found.shaft_wave - (1 - orbit) == pytest.approx(bearing * lead_angle**2 / 4, rel=0.2, abs=1e-12)


def test_time_signal_of_a_ball_on_a_wavy_shaft_has_its_line_where_it_is_said():
    """Forward model in time: the ball's angle on the shaft, its motion sampled, an FFT, no formula of ours."""
    turns_hz, waves, seconds, rate = 50.0, 37, 4.0, 20_000
    orbit = orbit_without_slip_along_the_helix(3.175, 20.75, math.radians(45), 0.0)
    time = np.arange(int(seconds * rate)) / rate
    on_shaft = 2 * np.pi * turns_hz * (orbit - 1) * time
    on_nut = 2 * np.pi * turns_hz * orbit * time
    for member, angle in (("shaft", on_shaft), ("nut", on_nut)):
        power = np.abs(np.fft.rfft(np.cos(waves * angle) * np.hanning(len(time))))
        line_hz = np.argmax(power) / seconds
        said = waves * turns_hz * kinematics(3.175, 20.75, 45.0).wave(member)
        assert line_hz == pytest.approx(said, abs=0.5 / seconds)


@pytest.mark.parametrize("wrong", [(0.0, 20.0, 45.0, 0.0), (20.0, 20.0, 45.0, 0.0), (3.0, 20.0, 90.0, 0.0),
                                   (3.0, 20.0, 45.0, -0.1)])  # fmt: skip
def test_impossible_geometry_is_refused(wrong):
    with pytest.raises(TraceRangeError):
        kinematics(*wrong)


@pytest.mark.parametrize("count", [7, 9])
def test_whole_ball_sets_answer_axially_to_kz_and_radially_to_kz_plus_or_minus_one(count):
    """Selection rules for Z equally spaced balls (Wardle 1988, remembered; identity of the sums)."""
    upr = np.arange(2, 4 * count)
    axial, radial = ball_set_response(upr.astype(float), count)
    np.testing.assert_allclose(axial, (upr % count == 0).astype(float), atol=1e-12)
    np.testing.assert_allclose(radial, np.isin(upr % count, (1, count - 1)).astype(float), atol=1e-12)


def test_balls_that_do_not_fill_a_turn_leave_something_of_every_order():
    axial, radial = ball_set_response(np.arange(2.0, 60.0), 26.24, 66)
    assert axial.min() > 1e-4
    assert radial.min() > 1e-4
    assert np.argmax(axial[:38]) + 2 == 26  # the order nearest to the number of balls


# ---------------------------------------------------------------- frequency and resonance


def test_harmonic_meets_a_resonance_within_half_its_width_only():
    per_upr = hertz_per_upr(SCREW, 3600)  # 32.54 Hz
    found = excited_harmonics([36, 37, 38], SCREW, running(resonances_hz=((37 * per_upr + 9.9, 20.0),)))
    assert [bool(e.resonances_hz) for e in found] == [False, True, False]
    found = excited_harmonics([36, 37, 38], SCREW, running(resonances_hz=((37 * per_upr + 10.1, 20.0),)))
    assert not any(e.resonances_hz for e in found)


def test_range_of_speeds_sweeps_harmonics_over_a_resonance():
    found = excited_harmonics(range(2, 100), SCREW, running(1800.0, 3600.0, resonances_hz=((1000.0, 10.0),)))
    slow, fast = hertz_per_upr(SCREW, 1800), hertz_per_upr(SCREW, 3600)
    for e in found:
        speeds = np.linspace(1800, 3600, 20001)
        frequencies = e.upr * speeds * fast / 3600
        assert bool(e.resonances_hz) == bool(np.any(np.abs(frequencies - 1000.0) <= 5.0))
        assert (e.low_hz, e.high_hz) == pytest.approx((e.upr * slow, e.upr * fast))


def test_resonance_amplitude_is_the_greatest_harmonic_that_meets_it():
    amplitude, noise = flat()
    amplitude[40], amplitude[43] = 9.0, 30.0  # 41 and 44 UPR
    per_upr = hertz_per_upr(SCREW, 3600)
    wanted = running(resonances_hz=((41 * per_upr, 3 * per_upr), (60.5 * per_upr, 0.2 * per_upr), (5e5, 10.0)))
    one, none, beyond = resonance_amplitudes(amplitude, noise, SCREW, wanted)
    assert (one.instance, one.value, one.standard_uncertainty) == (f"41@{41 * per_upr:g}", 9.0, 0.1)
    assert (none.instance.split("@")[0], none.value) == ("none", 0.0)
    assert (beyond.instance.split("@")[0], beyond.value) == ("?", None)


def test_resonance_between_harmonics_is_met_by_none_wherever_the_spectrum_ends():
    """Narrow, at 120.5 UPR of a spectrum of 100: no harmonic could meet it, so nothing is missing."""
    amplitude, noise = flat(100)
    per_upr = hertz_per_upr(SCREW, 3600)
    (between,) = resonance_amplitudes(amplitude, noise, SCREW, running(resonances_hz=((120.5 * per_upr, 5.0),)))
    assert (between.instance.split("@")[0], between.value) == ("none", 0.0)
    (on,) = resonance_amplitudes(amplitude, noise, SCREW, running(resonances_hz=((120.0 * per_upr, 5.0),)))
    assert (on.instance.split("@")[0], on.value) == ("?", None)


@pytest.mark.parametrize("seed", range(6))
def test_resonances_and_bands_agree_with_every_harmonic_tried_at_many_speeds(seed):
    """50 random threads, speeds and resonances each, half of them with a harmonic exactly on the edge."""
    rng = np.random.default_rng(seed)
    for _ in range(50):
        low = rng.uniform(100, 3000)
        high = low * rng.choice([1.0, rng.uniform(1, 2)])
        slow, fast = hertz_per_upr(NUT, low), hertz_per_upr(NUT, high)
        width = rng.uniform(0.5, 60)
        centre = rng.choice([int(rng.integers(2, 120)) * slow + width / 2, rng.uniform(width, 4000)])
        amplitude = np.abs(rng.normal(size=100)) * 10
        (found,) = resonance_amplitudes(
            amplitude, amplitude, NUT, running(low, high, resonances_hz=((centre, width),))
        )
        reach = width / 2 + 1e-9 * centre
        met = [n for n in range(2, 4000) if n * slow <= centre + reach and n * fast >= centre - reach]
        if not met:
            assert found.value == 0.0
        elif met[-1] > 100:
            assert found.value is None
        else:
            assert found.value == max(amplitude[n - 1] for n in met)


# ---------------------------------------------------------------- band velocity


def test_band_velocity_is_the_rms_of_the_derivative_of_the_motion():
    """Forward model: a ball moved by the waves in time, differentiated numerically over one whole period."""
    amplitude, noise = flat(100, 0.0)
    amplitude[[4, 9, 29]] = 100.0, 40.0, 7.0  # 5, 10, 30 UPR at 100, 200, 600 Hz
    per_upr = 20.0
    step = 1 / per_upr / 100_000
    t = np.arange(100_000) * step
    motion_um = sum(1e-3 * amplitude[n - 1] * np.cos(2 * np.pi * n * per_upr * t + n) for n in (5, 10))
    velocity_um_s = (np.roll(motion_um, -1) - np.roll(motion_um, 1)) / (2 * step)
    value, u = band_velocity(amplitude, noise, (50.0, 300.0), (per_upr, per_upr))
    assert value == pytest.approx(np.sqrt(np.mean(velocity_um_s**2)), rel=1e-6)
    assert 0 < u < 0.01 * value


def test_eccentricity_moves_no_band_and_the_upper_edge_belongs_to_the_band_below():
    amplitude, noise = flat(100, 0.0, 0.0)
    amplitude[[0, 4]] = 5000.0, 100.0
    assert band_velocity(amplitude, noise, (10.0, 50.0), (20.0, 20.0))[0] == 0.0
    assert band_velocity(amplitude, noise, (50.0, 100.0), (20.0, 20.0))[0] > 0
    assert band_velocity(amplitude, noise, (100.0, 300.0), (20.0, 20.0))[0] == 0.0


def test_stated_uncertainty_of_a_band_velocity_is_its_scatter():
    """2,000 spectra of the same waves with complex noise; the scatter of the value is what is stated."""
    rng = np.random.default_rng(3)
    clean, noise = np.linspace(40.0, 5.0, 60), np.full(60, 0.5)
    draws = clean + 0.5 * (rng.normal(size=(2000, 60)) + 1j * rng.normal(size=(2000, 60)))
    values = [band_velocity(np.abs(d), noise, (300.0, 900.0), (25.0, 25.0))[0] for d in draws]
    assert np.std(values) == pytest.approx(
        band_velocity(clean, noise, (300.0, 900.0), (25.0, 25.0))[1], rel=0.1
    )


def test_range_of_speeds_gives_the_greatest_velocity_of_any_speed_in_it():
    rng = np.random.default_rng(5)
    amplitude, noise = np.abs(rng.normal(size=200)) * 10, np.zeros(200)
    value, _ = band_velocity(amplitude, noise, (300.0, 1800.0), (12.0, 31.0))
    tried = [band_velocity(amplitude, noise, (300.0, 1800.0), (s, s))[0] for s in np.linspace(12.0, 31.0, 4001)]
    assert max(tried) <= value
    assert max(tried) == pytest.approx(value, rel=2e-3)  # the grid misses the best speed by 5e-3 Hz at most


def test_band_beyond_the_last_harmonic_has_no_value():
    amplitude, noise = flat(100)
    assert band_velocity(amplitude, noise, (300.0, 1800.0), (18.0, 18.0)) is not None
    assert band_velocity(amplitude, noise, (300.0, 1818.0), (17.9, 18.0)) is None
    with pytest.raises(TraceRangeError):
        band_velocity(amplitude, noise, (300.0, 50.0), (18.0, 18.0))


def test_velocity_bands_are_named_and_without_a_speed_refused():
    amplitude, noise = flat()
    bands = ((50.0, 300.0), (300.0, 1800.0), (1800.0, 10000.0))
    found = band_velocities(amplitude, noise, bands, SCREW, running())
    assert [(q.name, q.instance, q.unit) for q in found] == [
        ("band_velocity", name, "um/s") for name in ("50-300", "300-1800", "1800-10000")
    ]
    for call in (band_velocities, lambda *a: resonance_amplitudes(a[0], a[1], a[3], a[4])):
        with pytest.raises(TraceRangeError, match="speed"):
            call(amplitude, noise, bands, SCREW, Running())


# ---------------------------------------------------------------- through recipe, analysis and decision

RECIPE = """part = "P"
revision = "A"
[thread]
member = "shaft"
hand = "right"
starts = 1
lead_mm = 10.0
ball_diameter_mm = 3.969
ball_pitch_circle_mm = 33.0
contact_angle_deg = 45.0
track_conformity = 0.52
[running]
speed_rpm = 1800
ball_count = 26
resonances_hz = [[1204.0, 20.0]]
wheel_rpm = 2220
work_rpm = 60
[[measurement]]
feature = "left-flank"
kind = "spiral"
velocity_bands_hz = [[50, 300], [300, 1800]]
  [[measurement.limit]]
  characteristic = "band_velocity"
  instance = "300-1800"
  upper = 200.0
  [[measurement.limit]]
  characteristic = "resonance_amplitude"
  upper = 20.0
"""


def recipe(text=RECIPE):
    return parse_recipe(text.encode(), "r.toml", {}, describe_kind)


def judged(text, waves_um):
    angle_deg = np.arange(3 * 3600) / 10.0
    theta = np.radians(angle_deg)
    deviation = sum(a * np.cos(n * theta + n) for n, a in waves_um.items())
    deviation = deviation + np.random.default_rng(2).normal(0, 0.002, len(theta))
    asked = recipe(text)
    plan = asked.plan("left-flank")
    header = TraceHeader(
        kind="spiral", feature="left-flank", measured_at=None, part="P", serial="1", tip_radius_mm=0.005,
        track_diameter_mm=30.2,
    )  # fmt: skip
    trace = Trace(header, {"angle_deg": angle_deg, "deviation_um": deviation})
    analysis = spiral.analyse(trace, Request(asked.thread, plan.options, None, asked.running))
    return analysis, judge(analysis, plan, "guarded")


def characteristic(judgement, name, instance=None):
    return next(c for c in judgement.characteristics if c.name == name and instance in (None, c.instance))


def test_recipe_limits_velocity_and_resonance_like_anything_else():
    """74 UPR lies at 74 x 16.27 = 1204 Hz; 50 nm there break both limits, 5 nm none."""
    analysis, bad = judged(RECIPE, {1: 4.0, 37: 0.02, 74: 0.05})
    on_it = characteristic(bad, "resonance_amplitude")
    assert on_it.instance == "74@1204"
    assert on_it.value == pytest.approx(50.0, abs=1.0)
    assert (on_it.unit, on_it.verdict) == ("nm", Verdict.NONCONFORMING)
    fast = characteristic(bad, "band_velocity", "300-1800")
    per_upr = hertz_per_upr(SCREW, 1800)
    planted = math.hypot(37 * 20.0, 74 * 50.0) * 2e-3 * math.pi * per_upr / math.sqrt(2)
    assert fast.value == pytest.approx(planted, rel=0.02)
    assert fast.verdict is Verdict.NONCONFORMING
    assert characteristic(bad, "band_velocity", "50-300").verdict is Verdict.UNJUDGED
    (check,) = [c for c in analysis.quality if c.check == "at_speed"]
    assert check.ok
    _, good = judged(RECIPE, {1: 4.0, 37: 0.005, 74: 0.005})
    assert good.disposition.value == "accept"


def test_recipe_that_does_not_ask_gets_nothing_of_it():
    plain = RECIPE.replace("velocity_bands_hz = [[50, 300], [300, 1800]]", "").split("  [[measurement.limit]]")[
        0
    ]
    plain = plain.replace("resonances_hz = [[1204.0, 20.0]]", "")
    analysis, _ = judged(plain, {1: 4.0, 37: 0.02})
    assert not {"band_velocity", "resonance_amplitude"} & {q.name for q in analysis.quantities}
    assert "at_speed" not in {c.check for c in analysis.quality}


def test_band_that_the_trace_cannot_reach_holds_the_part_and_says_so():
    text = RECIPE.replace("[300, 1800]]", "[300, 60000]]").replace('"300-1800"', '"300-60000"')
    analysis, found = judged(text, {1: 4.0})
    assert found.disposition.value == "hold"
    assert "band_velocity 300-60000" in next(c.note for c in analysis.quality if c.check == "at_speed")


def test_running_takes_one_speed_or_a_range_and_stays_unknown_without_keys():
    assert recipe().running == Running(
        speed_rpm=(1800.0, 1800.0), ball_count=26, resonances_hz=((1204.0, 20.0),), wheel_rpm=2220, work_rpm=60
    )
    ranged = recipe(RECIPE.replace("speed_rpm = 1800", "speed_rpm = [600, 3000]"))
    assert ranged.running.speed_rpm == (600, 3000)
    assert ranged.speed_rpm == 3000
    plain = RECIPE.split("[running]")[0] + '[[measurement]]\nfeature = "f"\nkind = "circle"\n'
    assert (recipe(plain).running, recipe(plain).speed_rpm) == (None, None)


@pytest.mark.parametrize(
    ("old", "new", "complaint"),
    [
        ("speed_rpm = 1800", "speed_rpm = [3000, 600]", "must rise"),
        ("speed_rpm = 1800", "speed_rpm = [600]", "speed_rpm"),
        ("speed_rpm = 1800", 'speed_rpm = "fast"', "speed_rpm"),
        ("speed_rpm = 1800", "speed_rpm = -1", "speed_rpm"),
        ("speed_rpm = 1800", "", "speed_rpm"),
        ("[[1204.0, 20.0]]", "[[1204.0, 0.0]]", "resonances_hz"),
        ("[[1204.0, 20.0]]", "[[1204.0]]", "resonances_hz"),
        ("ball_count = 26", "ball_count = 0", "ball_count"),
        ("wheel_rpm = 2220", "wheel = 2220", "did you mean 'wheel_rpm'"),
        ("[[50, 300], [300, 1800]]", "[[300, 50]]", "must rise"),
        ("[[50, 300], [300, 1800]]", "[[0, 50]]", "velocity_bands_hz"),
    ],
)
def test_mistakes_in_running_are_named_with_file_and_key(old, new, complaint):
    with pytest.raises(ConfigError) as raised:
        recipe(RECIPE.replace(old, new))
    assert complaint in str(raised.value)
    assert str(raised.value).startswith("r.toml")


def test_velocity_bands_or_resonances_without_a_thread_are_a_mistake_of_the_recipe():
    head, _, rest = RECIPE.partition("[thread]")
    text = head + "[running]" + rest.partition("[running]")[2]
    with pytest.raises(ConfigError, match="velocity_bands_hz: needs"):
        recipe(text)
    with pytest.raises(ConfigError, match=r"running.resonances_hz: needs \[thread\]"):
        recipe(text.replace("velocity_bands_hz = [[50, 300], [300, 1800]]", ""))


# ---------------------------------------------------------------- peaks

GROUND = Running(wheel_rpm=2220.0, work_rpm=60.0)


def test_comb_lone_line_and_raised_floor_are_told_apart():
    lines = {37: 30.0, 74: 20.0, 111: 10.0, 148: 6.0, 211: 5.0}
    comb, line = find_peaks(spectrum(lines))
    assert (comb.pattern, comb.upr, comb.spacing) == ("comb", (37, 74, 111, 148), 37)
    assert (line.pattern, line.upr) == ("line", (211,))
    (floor,) = find_peaks(spectrum(raised=(100, 180, 6.0)))
    assert floor.pattern == "floor"
    assert 80 < floor.upr[0] < 125
    assert 150 < floor.upr[1] < 210


def test_comb_whose_fundamental_is_hidden_keeps_its_spacing():
    (comb,) = find_peaks(spectrum({74: 20.0, 111: 10.0, 148: 6.0, 185: 5.0}))
    assert (comb.upr, comb.spacing) == ((74, 111, 148, 185), 37)


def test_series_that_does_not_start_at_nought_is_a_comb_of_its_step():
    (comb,) = find_peaks(spectrum({50: 30.0, 63: 30.0, 76: 20.0, 89: 10.0}))
    assert (comb.pattern, comb.upr, comb.spacing) == ("comb", (50, 63, 76, 89), 13)


def test_pure_chance_finds_hardly_anything():
    """200 spectra of a falling random floor: 100,000 orders at one in a million each."""
    found = [g for seed in range(200) for g in find_peaks(spectrum(seed=seed))]
    assert len(found) <= 3


def test_noise_alone_is_no_peak_whatever_its_shape():
    rng = np.random.default_rng(8)
    for _ in range(50):
        draws = rng.normal(size=(2, 500)) * 0.3
        noise = Spectrum(np.arange(1, 501), np.hypot(*draws), np.zeros(500), np.full(500, 0.3))
        assert explain_peaks(noise, GROUND) == ()


def test_machine_frequency_that_fits_is_named_and_one_that_does_not_is_not():
    (fits,) = explain_peaks(spectrum({37: 30.0, 74: 20.0, 111: 10.0}), GROUND)
    assert "comb of equal spacing 37 UPR" in fits
    assert "37 Hz while ground at 60 rpm, which fits the wheel's 37 Hz" in fits
    (other,) = explain_peaks(spectrum({50: 30.0}), GROUND)
    assert "50 Hz while ground" in other
    assert "no multiple of the wheel's 37 Hz fits" in other
    assert "ground" not in explain_peaks(spectrum({50: 30.0}), None)[0]
    assert machine_fit(111, GROUND) == (3, 111.0)
    assert machine_fit(112, GROUND) is None
    assert machine_fit(111, Running(wheel_rpm=2220.0)) is None


def test_wheel_that_does_not_turn_a_whole_number_of_times_fits_the_nearest_order():
    assert machine_fit(37, Running(wheel_rpm=2200.0, work_rpm=60.0))[1] == pytest.approx(36.667, abs=1e-3)


def test_slow_wheel_does_not_fit_everything():
    """At 3.3 turns of the wheel per turn of the part a random order fits in one case of five at most."""
    slow = Running(wheel_rpm=198.0, work_rpm=60.0)
    fitting = [n for n in range(2, 34) if machine_fit(n, slow) is not None]
    assert machine_fit(33, slow)[0] == 10
    assert len(fitting) <= 0.2 * 32 + 1


def test_lines_at_random_orders_are_hardly_ever_called_a_comb():
    """200 spectra with ten equal lines at random orders: three at multiples of one spacing are rare."""
    rng = np.random.default_rng(11)
    combs = 0
    for seed in range(200):
        lines = dict.fromkeys(rng.choice(np.arange(20, 500), 10, replace=False).tolist(), 80.0)
        combs += sum(g.pattern == "comb" for g in find_peaks(spectrum(lines, seed=seed)))
    assert combs <= 6


def test_sentence_names_frequency_at_speed_and_the_resonance():
    both = Running(speed_rpm=(3600.0, 3600.0), resonances_hz=((1204.0, 20.0),))
    (said,) = explain_peaks(spectrum({37: 30.0}), both, SCREW)
    assert f"moves a ball at {37 * hertz_per_upr(SCREW, 3600):.4g} Hz at 3600 rpm" in said
    assert "on the resonance at 1204 Hz" in said


def test_short_spectrum_says_nothing_and_described_peaks_are_json_values():
    short = Spectrum(np.arange(1, 11), np.ones(10), np.zeros(10), np.full(10, 0.01))
    assert find_peaks(short) == ()
    (one,) = described_peaks(spectrum({50: 30.0}), None)
    assert (one["pattern"], one["upr"], one["amplitude_nm"], one["spacing"]) == ("line", [50], [30.0], 0)


def test_bands_of_the_bearing_standard_are_multiples_of_its_turning_frequency():
    """ISO 15242-2: 50-300, 300-1800, 1800-10000 Hz at 1800 rpm (remembered), 1.67 to 333 times 30 Hz."""
    edges = (
        np.array([50.0, 300.0, 1800.0, 10000.0]) / pass_frequencies(kinematics(5, 40, 0), 1800, 9).turning_hz
    )
    np.testing.assert_allclose(edges, [1.67, 10.0, 60.0, 333.3], rtol=3e-3)
    assert at_speed.band_name(1800.0, 10000.0) == "1800-10000"

"""Waves that do not close in one turn: found, refined between the lines, judged, and nothing where there is
none."""

from __future__ import annotations

import math

import numpy as np
import pytest
from eccentric_part import EccentricTrack, waves
from test_eccentric import analysed, check, thread_of

from edgeagent.analysis.around.at_speed import hertz_per_upr
from edgeagent.analysis.kinds import Request, spiral
from edgeagent.analysis.waves.orders import find_orders
from edgeagent.model import CurveLimit, Disposition, MeasurementPlan, Running, Trace, TraceHeader, Verdict
from edgeagent.rules.decision import judge

BASE = {2: (0.150, 0.3), 20: (0.020, 0.0), 37: (0.010, 1.0)}


def readings(turns, extra, *, off_um=4.0, noise_um=0.002, per_turn=3600, seed=1, jitter=0.0, begin_deg=0.0):
    """Angles in rad and readings in µm of an eccentric thread whose waves need not close in a turn."""
    rng = np.random.default_rng(seed)
    count = round(turns * per_turn)
    angle = (np.arange(count) + rng.uniform(-jitter, jitter, count)) * (2 * np.pi / per_turn)
    angle += math.radians(begin_deg)
    track = EccentricTrack()
    reading = track.reading_um(angle, waves({**BASE, **extra}), np.full(count, track.offset_mm(off_um + 0j)))
    return angle, reading + 1.3 * angle / (2 * np.pi) + rng.normal(0, noise_um, count)


def found(turns, extra, *, upr=500, **more):
    return analysed(*readings(turns, extra, **more), thread=thread_of(), upr=upr)


@pytest.mark.parametrize(
    ("turns", "upr"),
    [(2, 110.5), (2, 37.4), (3, 37 + 1 / 3), (3, 37.5), (3, 100 + 1 / 3), (3.4, 37.33), (5, 480.6)],
)
@pytest.mark.parametrize("off_um", [0.5, 15.0])
def test_a_wave_between_whole_orders_comes_back_with_its_order_and_amplitude(turns, upr, off_um):
    one = found(turns, {upr: (0.050, 0.2)}, off_um=off_um)
    assert len(one.orders.upr) == 1
    u = one.orders.noise_nm[0]
    assert one.orders.upr[0] == pytest.approx(upr, abs=0.001)
    assert one.orders.amplitude_nm[0] == pytest.approx(50.0, abs=4 * u + 0.05)
    assert math.cos(np.radians(one.orders.phase_deg[0]) - 0.2) > 0.99
    # the whole orders beside it keep their own, and so does their noise
    none = found(turns, {}, off_um=off_um)
    near = slice(int(upr) - 3, int(upr) + 3)
    assert np.abs(one.spectrum.amplitude_nm - none.spectrum.amplitude_nm)[near].max() < 0.2
    assert one.spectrum.noise_nm[int(upr)] < 1.5 * none.spectrum.noise_nm[int(upr)] + 0.01


@pytest.mark.parametrize(
    ("turns", "upr"),
    [(2, 28.16), (2, 239.186), (2, 13.796), (3, 183.12), (2.5, 129.18), (5, 9.06), (2.5, 27.18)],
)
def test_a_wave_that_almost_closes_comes_back_too_with_what_its_neighbour_costs_it(turns, upr):
    one = found(turns, {upr: (0.050, 0.2)}, per_turn=1200, upr=330)
    assert one.orders.upr.tolist() == pytest.approx([upr], abs=0.03)
    u = one.orders.noise_nm[0]
    assert 0 < u < 5.0
    assert one.orders.amplitude_nm[0] == pytest.approx(50.0, abs=4 * u)
    beside = (
        round(upr) - 1
    )  # the whole order next to it has no wave of its own, and says how well it knows that
    assert one.spectrum.amplitude_nm[beside] < 5 * one.spectrum.noise_nm[beside]


@pytest.mark.parametrize("upr", [6.92, 7.79])
def test_a_low_wave_comes_back_as_far_as_its_uncertainty_goes(upr):
    one = found(2, {upr: (0.050, 0.2)}, per_turn=1200, upr=330)
    assert one.orders.upr.tolist() == pytest.approx([upr], abs=0.01)
    assert one.orders.amplitude_nm[0] == pytest.approx(50.0, abs=4 * one.orders.noise_nm[0])


@pytest.mark.parametrize("planted", [(3.4,), (22.05,), (6.92, 7.79)])
def test_what_two_turns_cannot_tell_from_whole_orders_is_in_their_uncertainty(planted):
    one = found(2, {upr: (0.050, 0.2 + upr) for upr in planted}, per_turn=1200, upr=330)
    assert len(one.orders.upr) == 0
    for upr in planted:
        beside = slice(round(upr) - 1, round(upr) + 1)
        assert (one.spectrum.amplitude_nm + 2 * one.spectrum.noise_nm)[beside].max() > 50.0


@pytest.mark.parametrize("pair", [(72.3, 112.3), (72.3, 72.9)])
def test_two_waves_over_two_turns_come_back_and_hardly_anything_beside_them(pair):
    one = found(2, {pair[0]: (0.050, 0.2), pair[1]: (0.050, 1.2)}, per_turn=1200, upr=330)
    strongest = np.argsort(-one.orders.amplitude_nm)[:2]
    assert np.sort(one.orders.upr[strongest]).tolist() == pytest.approx(pair, abs=0.01)
    assert one.orders.amplitude_nm[strongest].tolist() == pytest.approx((50.0, 50.0), abs=3.0)
    # the last step may not have found all of a wave: what is left of it is one more, hardly there
    assert np.delete(one.orders.amplitude_nm, strongest).max(initial=0.0) < 1.0


PAIR_AND_MORE = {60.348: (0.164, 0.581), 61.137: (0.142, 4.863), 91.539: (0.009, 5.874), 91.74: (0.006, 0.173)}
PAIR_AND_ONE = {106.02: (0.065, 0.565), 169.183: (0.091, 0.769), 169.865: (0.152, 3.863)}


@pytest.mark.parametrize(
    ("planted", "per_turn", "seed"), [(PAIR_AND_MORE, 360, 35), (PAIR_AND_ONE, 720, 42)], ids=["four", "three"]
)
def test_waves_too_near_each_other_for_two_turns_leave_the_estimate_that_held(planted, per_turn, seed):
    one = found(2, planted, upr=per_turn // 3, noise_um=0.02, per_turn=per_turn, seed=seed)
    assert check(one, "turn_agreement").value is not None
    assert np.all(np.isfinite(one.orders.amplitude_nm))
    assert np.all(np.isfinite(one.spectrum.noise_nm))


@pytest.mark.parametrize(("turns", "pair"), [(3, (72.3, 72.7)), (2.5, (72.3, 72.8)), (5, (72.3, 72.55))])
def test_two_waves_a_line_apart_come_back_and_nothing_beside_them(turns, pair):
    one = found(turns, {pair[0]: (0.050, 0.2), pair[1]: (0.050, 1.2)}, per_turn=1200, upr=330)
    at = np.argsort(one.orders.upr)
    assert one.orders.upr[at].tolist() == pytest.approx(pair, abs=0.002)
    assert one.orders.amplitude_nm[at].tolist() == pytest.approx((50.0, 50.0), abs=0.2)


def test_uneven_angles_do_not_make_many_waves_of_one():
    turns, upr = 3, 110 + 1 / 3
    angle = np.arange(turns * 1200) * (2 * np.pi / 1200)
    uneven = angle + 0.002 * np.sin(angle)
    rest = np.cos(upr * uneven)
    lines = np.exp(-1j * np.outer(np.arange(1, 400 * turns), uneven / turns)) @ rest
    orders = find_orders(lines, turns, 1e-12)
    assert orders == pytest.approx((upr,), abs=1e-3)


@pytest.mark.parametrize("turns", [2, 3])
def test_a_wave_that_grows_over_the_turns_is_no_such_wave(turns):
    angle, reading = readings(turns, {}, per_turn=1200)
    grows = 0.03 * angle / angle[-1] * np.cos(41 * angle + 0.4)
    assert len(analysed(angle, reading + grows, thread=thread_of(), upr=330).orders.upr) == 0


def test_jittered_steps_and_several_waves_do_no_harm():
    planted = {37 + 1 / 3: 0.050, 74 + 2 / 3: 0.020, 112.0: 0.008, 149 + 1 / 3: 0.004}
    one = found(3, {n: (a, 0.5) for n, a in planted.items()}, jitter=0.3)
    assert one.orders.upr.tolist() == pytest.approx([37 + 1 / 3, 74 + 2 / 3, 149 + 1 / 3], abs=0.002)
    assert one.orders.amplitude_nm.tolist() == pytest.approx([50.0, 20.0, 4.0], abs=0.15)
    assert one.spectrum.amplitude_nm[111] == pytest.approx(8.0, abs=0.15)


@pytest.mark.parametrize("turns", [2, 3, 5])
def test_noise_alone_has_no_such_wave(turns):
    for seed in range(25):
        assert len(found(turns, {}, seed=seed, per_turn=1500, upr=200, noise_um=0.05).orders.upr) == 0


@pytest.mark.parametrize("turns", [2, 3])
def test_a_drift_has_no_such_wave(turns):
    angle, reading = readings(turns, {}, per_turn=1500)
    for seed in range(15):
        walk = np.cumsum(np.random.default_rng(seed).normal(0, 0.005, len(angle)))
        one = analysed(angle, reading + walk, thread=thread_of(), upr=200)
        assert len(one.orders.upr) == 0


def test_stated_uncertainty_is_the_scatter_over_seeds():
    runs = [
        found(3, {37.4: (0.050, 0.2)}, seed=s, per_turn=1200, upr=150, noise_um=0.02).orders for s in range(40)
    ]
    scatter = np.std([r.amplitude_nm[0] for r in runs])
    assert 0.7 < np.mean([r.noise_nm[0] for r in runs]) / scatter < 1.4


def test_a_wave_of_one_turn_alone_is_no_such_wave_and_still_fails_the_turns():
    angle, reading = readings(3, {})
    second = (angle >= 2 * np.pi) & (angle < 4 * np.pi)
    reading[second] += 0.7 * np.cos(5 * angle[second])
    one = analysed(angle, reading, thread=thread_of(), upr=500)
    assert len(one.orders.upr) == 0
    assert not check(one, "turn_agreement").ok


def test_a_single_turn_cannot_tell_and_says_none():
    assert found(1, {37 + 1 / 3: (0.050, 0.2)}).orders is None


@pytest.mark.parametrize("share", [-0.45, -0.2, 0.12, 0.33, 0.5])
@pytest.mark.parametrize(
    ("turns", "begin_deg"),
    [(1, 0.0), (1, 71.0), (1.1, 0.0), (1.5, 0.0), (1.5, 90.0), (1.75, 180.0), (1.9, 33.0)],
)
def test_less_than_two_turns_count_what_a_wave_that_does_not_close_may_lack(turns, begin_deg, share):
    one = found(turns, {87 + share: (0.050, 0.2)}, begin_deg=begin_deg)
    at = 84 + int(np.argmax(one.spectrum.amplitude_nm[84:91]))
    lacks = 50.0 - one.spectrum.amplitude_nm[at]
    assert lacks > 0.8
    assert one.spectrum.noise_nm[at] == pytest.approx(lacks, rel=0.15, abs=0.3)


@pytest.mark.parametrize(("turns", "pair"), [(1.4, (87.3, 89.9)), (1.6, (87.5, 88.2)), (1.8, (87.3, 91.6))])
def test_two_waves_in_less_than_two_turns_are_seen_by_what_the_second_turn_has_otherwise(turns, pair):
    one = found(turns, {pair[0]: (0.050, 0.2), pair[1]: (0.040, 1.2)}, begin_deg=20.0)
    near = slice(83, 94)
    assert (one.spectrum.amplitude_nm + 1.65 * one.spectrum.noise_nm)[near].max() > 50.0
    assert np.median(one.spectrum.noise_nm[200:]) < 2.0


@pytest.mark.parametrize(
    "pair",
    [
        {12.61: (0.050, 5.8), 16.69: (0.038, 0.9)},
        {9.4: (0.050, 4.0), 11.68: (0.040, 2.7)},
        {18.27: (0.050, 0.4), 22.48: (0.033, 5.0)},
    ],
)
def test_two_low_waves_do_not_hide_each_other_in_what_the_second_turn_has_otherwise(pair):
    one = found(1.4, pair)
    low, high = (int(upr) for upr in pair)
    assert (one.spectrum.amplitude_nm + 1.65 * one.spectrum.noise_nm)[low - 3 : high + 3].max() > 50.0


ALONE = {64: (0.050, 0.2), 120: (0.030, 1.0)}
AMONG_OTHERS = {
    60: (0.016, 4.8), 61: (0.010, 1.7), 62: (0.001, 0.4), 63: (0.015, 2.8), 64: (0.050, 0.2),
    65: (0.018, 5.9), 66: (0.009, 2.8), 67: (0.005, 1.9),
}  # fmt: skip


@pytest.mark.parametrize("surface", [ALONE, AMONG_OTHERS], ids=["alone", "among others"])
@pytest.mark.parametrize(("turns", "begin_deg"), [(1, 0.0), (1, 71.0), (1.5, 0.0), (1.9, 33.0)])
def test_less_than_two_turns_doubt_no_wave_that_closes(surface, turns, begin_deg):
    one = found(turns, surface, begin_deg=begin_deg)
    assert one.spectrum.amplitude_nm[63] == pytest.approx(50.0, abs=0.5)
    assert one.spectrum.noise_nm[63] < 0.3


@pytest.mark.parametrize("turns", [1.3, 1.6, 1.95])
def test_a_drift_over_less_than_two_turns_is_no_wave_that_does_not_close(turns):
    for seed in range(5):
        angle, reading = readings(turns, {}, per_turn=1800, seed=seed, begin_deg=50.0 * seed)
        walk = np.cumsum(np.random.default_rng(seed).normal(0, 0.005, len(angle)))
        one = analysed(angle, reading + walk, thread=thread_of(), upr=250)
        assert one.spectrum.noise_nm[50:].max() < 1.5 * np.percentile(one.spectrum.noise_nm[50:80], 90)


def plan(limit_nm):
    curve = CurveLimit(np.array([2.0, 500.0]), np.array([300.0, limit_nm]), None)
    return MeasurementPlan("left-flank", "spiral", spiral.Options(), (), (curve,))


def test_the_curve_of_the_whole_orders_judges_it_too():
    one = found(3, {300 + 1 / 3: (0.050, 0.2)})
    bad, good = judge(one, plan(5.0), "guarded"), judge(one, plan(200.0), "guarded")
    assert bad.disposition == Disposition.REJECT
    (worst,) = [c for c in bad.characteristics if c.verdict == Verdict.NONCONFORMING]
    assert (worst.name, worst.instance) == ("harmonic_amplitude", "300.33")
    assert good.disposition == Disposition.ACCEPT
    assert judge(found(3, {}), plan(5.0), "guarded").disposition == Disposition.ACCEPT


def test_bands_and_values_at_speed_see_it():
    thread = thread_of()
    angle, reading = readings(3, {37 + 1 / 3: (0.050, 0.2)})
    hertz = (37 + 1 / 3) * hertz_per_upr(thread, 3000.0)
    running = Running(speed_rpm=(3000.0, 3000.0), resonances_hz=((hertz, 5.0),))
    options = spiral.Options(upr=(2, 500), bands=((30, 40),), velocity_bands_hz=((0.9 * hertz, 1.1 * hertz),))
    header = TraceHeader(
        kind="spiral", feature="left-flank", measured_at=None, part="P", serial="1", tip_radius_mm=0.005
    )
    trace = Trace(header, {"angle_deg": np.degrees(angle), "deviation_um": reading})
    analysis = spiral.analyse(trace, Request(thread, options, 500.0, running))
    value = {q.name: (q.instance, q.value) for q in analysis.quantities}
    assert value["band_rms"][1] == pytest.approx(math.hypot(50.0, 10.0) / math.sqrt(2), rel=1e-2)
    own = math.hypot((37 + 1 / 3) * 50.0, 37 * 10.0) / (37 + 1 / 3)
    assert value["band_velocity"][1] == pytest.approx(2e-3 * math.pi * hertz * own / math.sqrt(2), rel=1e-2)
    assert value["resonance_amplitude"][0] == f"37.33@{hertz:g}"
    assert value["resonance_amplitude"][1] == pytest.approx(50.0, abs=0.2)

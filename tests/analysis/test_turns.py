"""Each turn of a spiral is another surface: one turn's dent counts at its own height, noise alone rejects
none."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from eccentric_part import EccentricTrack, waves
from test_eccentric import thread_of

from edgeagent.analysis.around import turns
from edgeagent.analysis.kinds import Request, spiral
from edgeagent.judging.evaluation.evaluate import Rulebook, request_for
from edgeagent.model import (
    Analysis,
    Disposition,
    MeasurementPlan,
    Quantity,
    ScalarLimit,
    Trace,
    TraceHeader,
    Verdict,
)
from edgeagent.rules.decision import judge

PER_TURN = 1800
LOBES = {3: (0.35, 0.0), 40: (0.010, 0.5)}


def trace_of(turns, *, dents=(), noise_um=0.01, seed=1, off_um=4.0, swing_deg=0.0, jitter=0.0):
    """An eccentric thread; ``dents`` are (turn, place in deg, half width in deg, depth in µm) of one turn
    each. The spindle's angle swings about even steps, and lies ``jitter`` steps off them."""
    step = 2 * np.pi / PER_TURN
    even = np.arange(turns * PER_TURN) * step
    off = step * jitter * np.random.default_rng(seed + 1000).uniform(-1.0, 1.0, len(even))
    angle = even + np.radians(swing_deg) * np.sin(even / turns * 2) + off - off[0]
    track = EccentricTrack()

    def surface(phi):
        height = waves(LOBES)(phi)
        for turn, at, wide, depth in dents:
            off = np.degrees(phi) - 360 * (turn - 1) - at
            height = height - depth * np.exp(-0.5 * (off / wide) ** 2)
        return height

    reading = track.reading_um(angle, surface, np.full(len(angle), track.offset_mm(off_um + 0j)))
    reading = reading + 1.3 * angle / (2 * np.pi)
    reading += np.random.default_rng(seed).normal(0, noise_um, len(angle))
    header = TraceHeader(
        kind="spiral", feature="left-flank", measured_at=None, part="P", serial="1", tip_radius_mm=0.005
    )
    return Trace(header, {"angle_deg": np.degrees(angle), "deviation_um": reading})


def analysed(trace, **options):
    return spiral.analyse(trace, Request(thread_of(), spiral.Options(upr=(2, 100), **options), 100.0))


def turns_of(analysis):
    return [q for q in analysis.quantities if q.name == "roundness_total" and q.instance]


def true_ront(dents, points=20_000):
    """Peak to valley of one turn's surface about its mean and first harmonic, after the Gaussian, by
    numpy.fft."""
    phi = 2 * np.pi * np.arange(points) / points
    height = waves(LOBES)(phi)
    for at, wide, depth in dents:
        height = height - depth * np.exp(-0.5 * ((np.degrees(phi) - at) / wide) ** 2)
    c = np.fft.rfft(height)
    n = np.arange(len(c))
    passed = np.where(n < 2, 0.0, 0.5 ** ((n / 100) ** 2))
    return float(np.ptp(np.fft.irfft(c * passed, points)))


@pytest.mark.parametrize("turns", [2, 3, 5])
@pytest.mark.parametrize("off_um", [0.5, 15.0])
def test_a_dent_of_one_turn_counts_at_its_own_depth(turns, off_um):
    # 60° lies at a valley of the three lobes
    analysis = analysed(trace_of(turns, dents=[(2, 60.0, 8.0, 0.3)], off_um=off_um, noise_um=0.05))
    found = turns_of(analysis)
    assert [q.instance for q in found] == [f"turn[{k}]" for k in range(1, turns + 1)]
    whole, dented = true_ront([]), true_ront([(60.0, 8.0, 0.3)])
    for k, q in enumerate(found, 1):
        assert q.value == pytest.approx(dented if k == 2 else whole, abs=2 * q.standard_uncertainty), k
    assert not [c for c in analysis.quality if not c.ok]


@pytest.mark.parametrize(("swing_deg", "jitter"), [(8.0, 0.0), (0.0, 0.3)])
def test_uneven_angles_lend_nothing_to_a_turns_dent(swing_deg, jitter):
    for turn, at, wide in ((1, 240.0, 9.0), (3, 60.0, 3.0), (2, 200.0, 15.0)):
        trace = trace_of(3, dents=[(turn, at, wide, 1.8)], swing_deg=swing_deg, jitter=jitter)
        found = turns_of(analysed(trace))[turn - 1]
        assert found.value == pytest.approx(true_ront([(at, wide, 1.8)]), abs=0.01)


def test_jitter_lends_no_noise_to_the_high_orders_of_a_dent():
    rng = np.random.default_rng(1)
    step = 2 * np.pi / 3600
    for jitter in (0.0, 0.3):
        angle = np.arange(3600) * step + step * jitter * rng.uniform(-1.0, 1.0, 3600)
        own = -np.exp(-0.5 * ((angle - 3.0) / 0.2) ** 2)
        found = turns._harmonics(angle, own, 1400, 0.005)
        order = np.arange(1401)
        # the transform of a Gaussian whose width in radians is 0.2
        true = -0.2 / np.sqrt(2 * np.pi) * np.exp(-0.5 * (0.2 * order) ** 2 - 3j * order)
        assert np.max(np.abs(found - true)[:500]) < 1e-6


def plan(upper):
    limit = ScalarLimit(characteristic="roundness_total", upper=upper)
    return MeasurementPlan("left-flank", "spiral", spiral.Options(upr=(2, 100)), (limit,))


def test_a_part_whose_mean_hides_a_dent_is_not_accepted_for_that_turn():
    trace = trace_of(3, dents=[(2, 60.0, 8.0, 0.3)], noise_um=0.04)
    judged = judge(analysed(trace), plan(0.94), "guarded")
    verdicts = {c.instance: c.verdict for c in judged.characteristics if c.name == "roundness_total"}
    # what differs between turns is noise to the mean, so that the dented turn is not proved either way
    assert verdicts[""] == verdicts["turn[1]"] == verdicts["turn[3]"] == Verdict.CONFORMING
    assert verdicts["turn[2]"] == Verdict.INCONCLUSIVE
    assert judged.disposition == Disposition.HOLD
    mean = analysed(trace, turns="mean")
    assert turns_of(mean) == []
    assert judge(mean, plan(0.94), "guarded").disposition == Disposition.ACCEPT


@pytest.mark.parametrize(
    ("u", "verdict"), [(0.05, Verdict.NONCONFORMING), (0.08, Verdict.INCONCLUSIVE), (0.2, Verdict.INCONCLUSIVE)]
)
def test_one_turn_of_three_rejects_only_with_the_certainty_of_a_family(u, verdict):
    # 0.16 over the limit: 2 u of 0.08 would do for one value (1.65), not for the worst of three (2.12)
    turns = [Quantity("roundness_total", v, "um", f"turn[{k}]", u) for k, v in ((1, 0.4), (2, 1.36), (3, 0.4))]
    judged = judge(Analysis((), tuple(turns)), plan(1.2), "guarded")
    assert judged.characteristics[1].verdict == verdict


def test_good_parts_with_ordinary_noise_are_neither_held_nor_rejected():
    for seed in range(60):
        judged = judge(analysed(trace_of(3, seed=seed)), plan(0.80), "guarded")
        assert judged.disposition == Disposition.ACCEPT


def test_turns_at_their_limit_are_rejected_no_more_often_than_stated():
    limit = true_ront([])
    rejected = sum(
        judge(analysed(trace_of(5, seed=seed, noise_um=0.03)), plan(limit), "guarded").disposition
        == Disposition.REJECT
        for seed in range(60)
    )
    assert rejected <= 8  # 5 % of 60 are 3; 8 or fewer in 99 of 100 cases


@pytest.mark.parametrize(
    ("judged_upr", "turns_judged", "curves", "held"),
    [
        (None, False, (), True),
        (100.0, False, (), False),
        (None, True, (), False),
        (None, False, ((2.0, 20.0), (30.0, 50.0)), False),
        (None, False, ((2.0, 30.0), (40.0, 100.0)), True),
    ],
)
def test_wave_that_does_not_close_holds_where_neither_a_curve_nor_turns_judge_it(
    judged_upr, turns_judged, curves, held
):
    trace = trace_of(3)
    chatter = 0.2 * np.cos(np.radians(trace.columns["angle_deg"]) * (37 + 1 / 3))
    chattered = replace(
        trace, columns={**trace.columns, "deviation_um": trace.columns["deviation_um"] + chatter}
    )
    options = spiral.Options(upr=(2, 100), turns="each" if turns_judged else "mean")
    request = Request(thread_of(), options, judged_upr, turns_judged=turns_judged, curves_upr=curves)
    for surface, fails in ((chattered, held), (trace, False)):
        failed = [c.check for c in spiral.analyse(surface, request).quality if not c.ok]
        assert ("turn_agreement" in failed) is fails, failed


def test_one_turn_has_its_mean_alone():
    assert turns_of(analysed(trace_of(1))) == []


@pytest.mark.parametrize("turns", [2, 3, 5])
@pytest.mark.parametrize(("wide", "depth"), [(1.2, 1.0), (4.6, 3.0), (4.6, -1.0)])
def test_a_smooth_dent_of_one_turn_is_surface_and_rejects_by_its_own_depth_alone(turns, wide, depth):
    analysis = analyse_turns(trace_of(turns, dents=[(2, 60.0, wide, depth)], noise_um=0.005))
    dented, whole = true_ront([(60.0, wide, depth)]), true_ront([])
    for k, q in enumerate(turns_of(analysis), 1):
        assert q.value == pytest.approx(dented if k == 2 else whole, abs=0.015), k
        assert q.standard_uncertainty < 0.02
    assert [c.check for c in analysis.quality if not c.ok] == []
    assert judge(analysis, plan((dented + whole) / 2), "guarded").disposition == Disposition.REJECT
    assert judge(analysis, plan(dented + 0.1), "guarded").disposition == Disposition.ACCEPT


def analyse_turns(trace):
    """Where nothing but the roundness of each turn is limited."""
    options = spiral.Options(upr=(2, 100))
    return spiral.analyse(trace, Request(thread_of(), options, limits_by_turn=True, turns_judged=True))


def test_turns_that_differ_hold_where_a_limit_is_on_the_mean_alone():
    failed = [c.check for c in analysed(trace_of(3, dents=[(2, 60.0, 4.6, 3.0)])).quality if not c.ok]
    assert "turn_agreement" in failed


NARROW = (2, 60.0, 0.6, 1.0)
"""Too narrow for the agreement of the turns, and in the mean a third of its depth."""


def planned(upper, turns, limit="roundness_total", instance=None):
    """What `evaluate` asks for such a recipe, and the recipe."""
    limits = (ScalarLimit(characteristic=limit, upper=upper, instance=instance),)
    asked = MeasurementPlan("left-flank", "spiral", spiral.Options(upr=(2, 100), turns=turns), limits)
    rules = Rulebook("guarded", {}, {}, {})
    return replace(request_for(spiral, asked, None, rules), thread=thread_of()), asked


@pytest.mark.parametrize(
    ("turns", "limit", "instance"),
    [("mean", "roundness_total", None), ("each", "roundness_rms", None), ("each", "roundness_total", "")],
)
def test_a_narrow_dent_holds_where_the_mean_surface_alone_is_judged(turns, limit, instance):
    asked, recipe = planned(2.0, turns, limit, instance)
    analysis = spiral.analyse(trace_of(3, dents=[NARROW], noise_um=0.005), asked)
    assert [c.check for c in analysis.quality if not c.ok] == ["spikes"]
    assert judge(analysis, recipe, "guarded").disposition == Disposition.HOLD
    whole = spiral.analyse(trace_of(3, noise_um=0.005), asked)
    assert judge(whole, recipe, "guarded").disposition == Disposition.ACCEPT


def test_a_narrow_dent_is_judged_by_its_depth_where_each_turn_is():
    asked, recipe = planned(true_ront([NARROW[1:]]) + 0.1, "each")
    analysis = spiral.analyse(trace_of(3, dents=[NARROW], noise_um=0.005), asked)
    assert judge(analysis, recipe, "guarded").disposition == Disposition.ACCEPT
    asked, recipe = planned((true_ront([NARROW[1:]]) + true_ront([])) / 2, "each")
    assert judge(analysis, recipe, "guarded").disposition == Disposition.REJECT


@pytest.mark.parametrize("turns", [2, 3, 5])
@pytest.mark.parametrize("height", [[2.0], [0.5, 1.0, 0.6], [0.7, 1.4, 1.9, 2.0, 1.9, 1.4, 0.7]])
def test_a_grain_that_stands_out_is_dust_however_smooth_it_looks(turns, height):
    trace = trace_of(turns, noise_um=0.005)
    trace.columns["deviation_um"][2500 : 2500 + len(height)] += height
    analysis = analyse_turns(trace)
    assert "spikes" in [c.check for c in analysis.quality if not c.ok]
    assert judge(analysis, plan(true_ront([]) + 0.05), "guarded").disposition == Disposition.HOLD


@pytest.mark.parametrize("turns", [3, 5])
def test_a_warm_up_is_no_surface_of_the_first_turn(turns):
    trace = trace_of(turns, noise_um=0.005)
    warm = 0.5 * np.exp(-np.arange(trace.points) / PER_TURN)
    trace.columns["deviation_um"][:] += warm
    analysis = analyse_turns(trace)
    whole = true_ront([])
    for q in turns_of(analysis):
        assert q.value == pytest.approx(whole, abs=0.03)  # a sixteenth of the warm-up
        assert abs(q.value - whole) < 2.5 * q.standard_uncertainty
    assert judge(analysis, plan(whole), "guarded").disposition != Disposition.REJECT

"""Styli, drive and drift of an axial trace: closed forms, and the scatter over traces that were set up so."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from test_axial import CUT, Part, section

from edgeagent.analysis.budget.axial_setup import SOURCES
from edgeagent.analysis.budget.hysteresis import lagging
from edgeagent.analysis.kinds import Request, axial
from edgeagent.judging.evaluation.budget import apply_budget
from edgeagent.model import SIDE_BOTTOM, SIDE_TOP, InstrumentUncertainty, Thread, Trace, TraceHeader

THREAD = Thread(
    member="shaft", hand="right", starts=1, lead_mm=5.0, ball_diameter_mm=3.175, ball_pitch_circle_mm=20.75,
    contact_angle_deg=45.0, track_conformity=0.53,
)  # fmt: skip
COLUMNS = section.section(Part(), dataclasses.replace(CUT, spacing_mm=0.004), nodes=500).columns()
TIP_MM = CUT.tip_radius_mm


def trace_of(columns):
    header = TraceHeader(
        kind="axial", feature="profile", measured_at=None, part="P", serial="1", tip_radius_mm=TIP_MM
    )
    return Trace(header, {key: np.array(v, dtype=float) for key, v in columns.items()})


def values_of(columns):
    found = axial.analyse(trace_of(columns), Request(THREAD, axial.Options()))
    return {(q.name, q.instance): q.value for q in found.quantities if q.value is not None}


def effects(columns=COLUMNS, **stated):
    instrument = InstrumentUncertainty(**stated)
    trace = trace_of(columns)
    request = Request(THREAD, axial.Options(), instrument=instrument)
    found = apply_budget(axial.analyse(trace, request), trace, axial, request, instrument, None, frozenset())
    sources = {source for source, _ in SOURCES.values()}
    return {
        at: sum(c.effect for c in budget.contributions if c.source in sources)
        for at, budget in found.budgets.items()
    }


def test_distance_of_two_styli_is_in_the_ball_circle_one_to_one_and_in_no_angle():
    found = effects(styli_z_mm=0.002)
    assert found["ball_pitch_circle_diameter", ""] == pytest.approx(0.002, rel=0.02)
    assert found["contact_angle_left", "top[1]"] < 0.01
    assert found["pitch", ""] < 1e-6


@pytest.mark.parametrize("share", [0.25, -0.25])
def test_drift_counts_in_full_for_a_pitch_deviation_that_it_would_turn_into_its_opposite(share):
    # Half of one side's drift is seen as pitch: from a quarter of it below 0 to a quarter above.
    drift_um = 20.0
    growth = 1.0 + share * 1e-3 * drift_um / float(np.ptp(COLUMNS["x_mm"]))
    found = effects({**COLUMNS, "x_mm": COLUMNS["x_mm"] * growth}, drift_um=drift_um)
    deviations = [at for at in found if at[0] == "pitch_deviation"]
    assert deviations
    for at in deviations:
        assert found[at] == pytest.approx(1e3 * found["pitch", at[1]], rel=1e-3)
        assert found[at] > 3.0


def test_a_drive_out_of_square_turns_left_and_right_against_each_other():
    found = effects(squareness_deg=0.05)
    # sheared flanks of 45°: each turns by about half of it, on both sides alike
    for side in ("left", "right"):
        assert 0.01 < found[f"contact_angle_{side}", "top[1]"] < 0.06


@pytest.mark.parametrize(
    ("key", "u", "names"),
    [
        ("drift_um", 2.0, ("ball_pitch_circle_diameter", "pitch", "axis_tilt")),
        ("straightness_um", 1.0, ("contact_angle_left", "ball_pitch_circle_variation")),
        ("styli_x_mm", 0.003, ("axis_tilt", "plane_yaw")),
    ],
)
def test_stated_effects_are_the_scatter_of_traces_that_were_set_up_so(key, u, names):
    rng = np.random.default_rng(5)
    stated, base, rows = effects(**{key: u}), values_of(COLUMNS), []
    x, z, side = (np.array(COLUMNS[n], dtype=float) for n in ("x_mm", "z_mm", "side"))
    for _ in range(24):
        moved_x, moved_z = x.copy(), z.copy()
        if key == "styli_x_mm":
            moved_x[side == SIDE_BOTTOM] += rng.normal(0, u)
        elif key == "drift_um":
            for code in (SIDE_TOP, SIDE_BOTTOM):
                here = side == code
                way = np.linspace(0, 1, np.count_nonzero(here))
                moved_x[here] += rng.normal(0, 1e-3 * u) * way
                moved_z[here] += rng.normal(0, 1e-3 * u) * way
        else:  # a random bow and a random double bow, together of the stated RMS on average
            at = (x - x.min()) / (x.max() - x.min())
            bow, double = (6 * at**2 - 6 * at + 1) * 5**0.5, (2 * at - 1) * (10 * at**2 - 10 * at + 1) * 7**0.5
            moved_z += 1e-3 * u / 2**0.5 * (rng.normal() * bow + rng.normal() * double)
        rows.append(values_of({"x_mm": moved_x, "z_mm": moved_z, "side": side}))
    for at, true in base.items():
        if at[0] not in names or at not in stated:
            continue
        scatter = float(np.sqrt(np.mean([(row[at] - true) ** 2 for row in rows if at in row])))
        if scatter > 1e-9 and at[0] != "ball_pitch_circle_variation":
            assert 0.55 < stated[at] / scatter < 1.8, (at, stated[at], scatter)
    assert any(stated[at] > 0 for at in stated if at[0] in names)


def test_hysteresis_pulls_both_flanks_apart():
    found = effects(hysteresis_um=1.0)
    assert found["ball_pitch_circle_diameter", ""] > 0
    assert found["contact_angle_left", "top[1]"] > 0.01


def test_nothing_stated_counts_nothing():
    assert set(effects(gauge_scale=0.001).values()) == {0.0}


def test_a_gauge_with_a_gap_follows_late_and_skips_what_is_missing():
    found = lagging(np.array([0.0, 1.0, 0.8, float("nan"), 0.2, 1.0]), 0.5)
    assert found[[0, 1, 2, 4, 5]].tolist() == [0.0, 0.75, 0.75, 0.45, 0.75]
    assert np.isnan(found[3])

"""Ball circle groove by groove: what the mean of many grooves hides has its own characteristic and limit."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from skew_section import traced
from test_axial import by_name, measured

from edgeagent.analysis.groove.circle import ball_pitch_circle, circle_taper, circle_variation
from edgeagent.analysis.kinds import axial
from edgeagent.demo.thread_surface import Cut, Part, with_noise
from edgeagent.model import MeasurementPlan, ScalarLimit, Verdict
from edgeagent.rules.decision import judge

CUT = Cut(x_end_mm=28.0, spacing_mm=0.004, tip_radius_mm=0.02)
CIRCLE = ScalarLimit(characteristic="ball_pitch_circle_diameter", lower=20.745, upper=20.755)
VARIATION = ScalarLimit(characteristic="ball_pitch_circle_variation", upper=5.0)
TAPER = ScalarLimit(characteristic="ball_pitch_circle_taper", lower=-4.0, upper=4.0)


def one_deep_groove(side, groove):
    return 8.0 if side > 0 and groove == 2 else 0.0


def disposition(result, *limits):
    plan = MeasurementPlan(
        feature="profile", kind="axial", options=axial.Options(), scalar_limits=limits, curve_limits=()
    )
    return judge(result, plan, "guarded")


def test_one_groove_8_um_deep_is_seen_where_the_mean_diameter_hides_it():
    result = measured(Part(), CUT, with_noise(traced(Part(), CUT, depth_um=one_deep_groove), 20.0, 1))
    each = by_name(result, "ball_pitch_circle_diameter")
    assert abs(each[""] - 20.75) < 0.0025
    assert each["top[3]"] == pytest.approx(20.742, abs=2e-4)
    assert by_name(result, "ball_pitch_circle_variation")[""] == pytest.approx(8.0, abs=0.2)
    for limit in (CIRCLE, VARIATION):
        found = disposition(result, limit)
        assert found.disposition == "reject"
        bad = [c for c in found.characteristics if c.verdict == Verdict.NONCONFORMING]
        assert {c.name for c in bad} == {limit.characteristic}


def test_even_grooves_are_accepted_by_the_same_limits():
    result = measured(Part(), CUT, with_noise(traced(Part(), CUT), 20.0, 2))
    assert disposition(result, CIRCLE, VARIATION, TAPER).disposition == "accept"


@pytest.mark.parametrize("member", ["shaft", "nut"])
def test_taper_is_the_change_of_diameter_over_the_grooves_measured(member):
    # 1 µm of radius a groove, on the bottom half a groove on; diameters from x 2.5 mm to 22.5 mm.
    sign = 1.0 if member == "shaft" else -1.0
    part = Part(member=member)

    def cone(side, groove):
        return -sign * (groove + (0.0 if side > 0 else 0.5))

    result = measured(part, CUT, traced(part, CUT, depth_um=cone))
    each = by_name(result, "ball_pitch_circle_diameter")
    tops = [each[f"top[{n}]"] for n in range(2, 6)]
    assert np.diff(tops) == pytest.approx(2e-3, abs=1e-5)
    assert by_name(result, "ball_pitch_circle_taper")[""] == pytest.approx(8.0, abs=0.01)
    assert disposition(result, TAPER).disposition == "reject"


def test_variation_and_taper_have_no_value_where_nothing_faces_and_one_groove_varies_not():
    result = measured(Part(), dataclasses.replace(CUT, sides=(1.0,)))
    assert by_name(result, "ball_pitch_circle_variation") == {"": None}
    assert by_name(result, "ball_pitch_circle_taper") == {"": None}
    along, side = np.array([0.0, 2.5, 5.0]), np.array([1.0, -1.0, 1.0])
    found = ball_pitch_circle(along, side * 10.0, side, pitch_mm=5.0, uncertainty_mm=np.ones(3))
    assert circle_variation(found) is None
    assert circle_taper(found, along) is None


def test_stated_uncertainties_of_each_diameter_variation_and_taper_agree_with_their_scatter():
    along = np.arange(12) * 2.5
    side = np.where(np.arange(12) % 2 == 0, 1.0, -1.0)
    order = np.argsort(-side, kind="stable")
    along, side = along[order], side[order]
    rng = np.random.default_rng(5)
    spread = rng.uniform(0.5e-3, 2e-3, 12)
    each, variations, tapers = [], [], []
    for _ in range(1500):
        across = ball_pitch_circle(
            along, side * (10.0 + rng.normal(0.0, spread)), side, pitch_mm=5.0, uncertainty_mm=spread
        )
        each.append(across.each_mm)
        variations.append(circle_variation(across))
        tapers.append(circle_taper(across, along))
    assert across.each_uncertainty_mm == pytest.approx(np.std(each, axis=0), rel=0.08)
    for found in (np.array(variations), np.array(tapers)):
        assert 0.8 <= found[:, 1].mean() / found[:, 0].std() <= 1.25

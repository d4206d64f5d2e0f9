"""Peaks of invented spectra, planted by chance: what is found against what was planted, in 100 runs each."""

from __future__ import annotations

import numpy as np
import pytest

from edgeagent.analysis.around.peaks import described_peaks, find_peaks
from edgeagent.model import Running, Spectrum, Thread

RUNS = 100
RAYLEIGH_MEDIAN = float(np.sqrt(2 * np.log(2)))
SCREW = Thread(
    member="shaft", hand="right", starts=1, lead_mm=10.0, ball_diameter_mm=3.969, ball_pitch_circle_mm=33.0,
    contact_angle_deg=45.0, track_conformity=0.52,
)  # fmt: skip


def drawn(rng, *, count=500, lines=(), exponent=None, scale=None, raised=None, noise_nm=0.02):
    """A surface whose floor falls as a power, measurement noise on it, and lines 8 to 40 times the floor."""
    n = np.arange(1.0, count + 1)
    floor = (rng.uniform(100, 1000) if scale is None else scale) * n ** (
        rng.uniform(-2.2, -0.5) if exponent is None else exponent
    )
    if raised is not None:
        floor[raised[0] - 1 : raised[1]] *= raised[2]
    draws = rng.normal(size=(4, count))
    amplitude = floor * (draws[0] + 1j * draws[1]) + noise_nm * (draws[2] + 1j * draws[3])
    for upr in lines:
        height = rng.uniform(8, 40) * RAYLEIGH_MEDIAN * np.hypot(floor[upr - 1], noise_nm)
        amplitude[upr - 1] += height * np.exp(2j * np.pi * rng.random())
    return Spectrum(np.arange(1, count + 1), np.abs(amplitude), np.zeros(count), np.full(count, noise_nm))


def tally(draw, right, seed):
    """In how many of 100 drawn spectra what was found is ``right``; ``draw`` gives spectrum and truth."""
    rng = np.random.default_rng(seed)
    return sum(right(find_peaks(spectrum), truth) for spectrum, truth in (draw(rng) for _ in range(RUNS)))


@pytest.mark.parametrize("count", [50, 150, 500])
@pytest.mark.parametrize("exponent", [None, 0.0, -3.0])
def test_surface_without_peaks_has_none_however_steeply_it_falls(count, exponent):
    found = tally(
        lambda rng: (drawn(rng, count=count, exponent=exponent), None), lambda groups, _: not groups, 1
    )
    assert found >= 98


def test_measurement_noise_alone_has_none():
    assert tally(lambda rng: (drawn(rng, scale=1e-9), None), lambda groups, _: not groups, 2) == RUNS


@pytest.mark.parametrize("missing", [0, 1, 2])
def test_comb_has_its_spacing_whichever_teeth_are_missing(missing):
    def draw(rng):
        spacing = int(rng.integers(8, 60))
        teeth = [spacing * k for k in range(1, int(rng.integers(5 + missing, 9)))]
        for _ in range(missing):
            teeth.pop(int(rng.integers(0, len(teeth))))
        return drawn(rng, lines=teeth), (spacing, set(teeth))

    def right(groups, truth):
        return len(groups) == 1 and groups[0].spacing == truth[0] and set(groups[0].upr) <= truth[1]

    assert tally(draw, right, 3 + missing) >= 93


def test_second_tooth_of_a_comb_may_be_missing():
    """1, 3, 4, 5 times 28: the step between the first two teeth is not the spacing."""
    (comb,) = find_peaks(drawn(np.random.default_rng(1), lines=(28, 84, 112, 140)))
    assert (comb.spacing, comb.upr) == (28, (28, 84, 112, 140))


def test_two_combs_between_one_another_are_two():
    def draw(rng):
        a, b = sorted(rng.choice(np.array([23, 29, 31, 37, 41, 43, 47, 53, 59]), 2, replace=False).tolist())
        lines = {s * k for s in (a, b) for k in range(1, 5)}
        return drawn(rng, lines=sorted(lines)), {a, b}

    assert tally(draw, lambda groups, truth: {g.spacing for g in groups} == truth, 7) >= 93


def test_lone_line_is_found_alone():
    def draw(rng):
        upr = int(rng.integers(2, 495))
        return drawn(rng, lines=(upr,)), upr

    assert tally(draw, lambda groups, upr: [(g.pattern, g.upr) for g in groups] == [("line", (upr,))], 8) >= 95


def raised_floor(rng):
    first = int(rng.integers(40, 300))
    return first, int(first * rng.uniform(1.3, 1.6)), rng.uniform(6, 12)


def covers(groups, raised):
    """Exactly one raised floor, its ends within an eighth of those planted."""
    floors = [g for g in groups if g.pattern == "floor"]
    return len(floors) == 1 and np.allclose(floors[0].upr, raised[:2], rtol=0.125)


def test_raised_floor_is_found_and_its_ends_are_no_lines():
    def draw(rng):
        raised = raised_floor(rng)
        return drawn(rng, raised=raised), raised

    assert tally(draw, lambda groups, raised: covers(groups, raised) and len(groups) == 1, 9) >= 80
    assert tally(draw, lambda groups, _: all(g.pattern == "floor" for g in groups), 9) >= 97


def test_line_on_a_raised_floor_is_told_from_it():
    def draw(rng):
        raised = raised_floor(rng)
        upr = int(rng.integers(raised[0] + 3, raised[1] - 2))
        return drawn(rng, raised=raised, lines=(upr,)), (raised, upr)

    def right(groups, truth):
        lines = [g.upr for g in groups if g.pattern != "floor"]
        return covers(groups, truth[0]) and lines == [(truth[1],)]

    assert tally(draw, right, 10) >= 80


def test_few_orders_are_enough_or_say_nothing():
    for count in range(2, 40):
        flat = Spectrum(np.arange(1, count + 1), np.full(count, 0.5), np.zeros(count), np.full(count, 0.1))
        assert find_peaks(flat) == ()


# ---------------------------------------------------------------- frequencies


GROUND = Running(
    speed_rpm=(1500.0, 3000.0), resonances_hz=((1000.0, 20.0), (2000.0, 20.0)), wheel_rpm=2220.0, work_rpm=60.0
)


def test_comb_names_every_tooth_that_meets_a_resonance():
    """γ of this screw is 0.084653: 1 UPR moves a ball at 13.56 to 27.12 Hz, 37 UPR at 502 to 1003 Hz."""
    (comb,) = described_peaks(drawn(np.random.default_rng(2), lines=(37, 74, 111)), GROUND, SCREW)
    assert comb["speed_hz"] == pytest.approx([37 * 25 * 1.084653 / 2, 37 * 50 * 1.084653 / 2], rel=1e-6)
    assert {r["hz"] for r in comb["resonances"]} == {1000.0, 2000.0}
    assert {r["upr"] for r in comb["resonances"]} <= {37, 74, 111}
    assert (comb["ground_hz"], comb["wheel_multiple"]) == ([37.0, 37.0], 1)
    assert "UPR on the resonance at 2000 Hz" in comb["sentence"]


def test_raised_floor_has_a_range_of_frequencies_and_no_wheel():
    spectrum = drawn(np.random.default_rng(3), raised=(100, 150, 10.0))
    (floor,) = described_peaks(spectrum, GROUND, SCREW)
    first, last = floor["upr"]
    assert floor["ground_hz"] == [first, last]
    assert floor["speed_hz"] == pytest.approx([first * 25 * 1.084653 / 2, last * 50 * 1.084653 / 2], rel=1e-6)
    assert floor["wheel_multiple"] is None
    assert f"{first} to {last} Hz while ground at 60 rpm" in floor["sentence"]
    assert "on the resonance at 2000 Hz" in floor["sentence"]


def test_nothing_is_said_of_speeds_that_the_recipe_does_not_give():
    (line,) = described_peaks(drawn(np.random.default_rng(4), lines=(211,)), None, SCREW)
    assert (line["speed_hz"], line["ground_hz"], line["wheel_multiple"], line["resonances"]) == (
        None,
        None,
        None,
        [],
    )
    assert "Hz" not in line["sentence"]


def test_lone_line_without_any_floor_is_a_line_of_finite_ratio():
    amplitude = np.zeros(200)
    amplitude[36] = 50.0
    (found,) = find_peaks(Spectrum(np.arange(1, 201), amplitude, np.zeros(200), np.zeros(200)))
    assert (found.pattern, found.upr, np.isfinite(found.ratio)) == ("line", (37,), True)

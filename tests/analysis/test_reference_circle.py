"""Reference circles: against scipy's HiGHS, against plane geometry of point pairs and triples, closed forms.

ISO 12181-1 names the circles; the geometry below works on points in the plane, not on deviations.
"""

from __future__ import annotations

import math
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import linprog
from test_spiral import analysed, trace_of, value

from edgeagent.analysis.around.reference_circle import enclose
from edgeagent.analysis.around.roundness import roundness

CIRCLES = ("MZCI", "MCCI", "MICI")


def angles(points):
    return 2 * np.pi * np.arange(points) / points


def by_linear_programme(profile, circle):
    """What HiGHS minimises: the width of the ring, the radius, the negative radius of the inscribed circle."""
    cosine, sine, one = np.cos(angles(len(profile))), np.sin(angles(len(profile))), np.ones(len(profile))
    if circle == "MZCI":
        rows = np.r_[np.c_[-one, 0 * one, -cosine, -sine], np.c_[0 * one, one, cosine, sine]]
        return linprog([1, -1, 0, 0], rows, np.r_[-profile, profile], bounds=[(None, None)] * 4).fun
    sign = 1.0 if circle == "MCCI" else -1.0
    return linprog([1, 0, 0], np.c_[-one, -cosine, -sine], -sign * profile, bounds=[(None, None)] * 3).fun


def about(profile, centre):
    return profile - centre[0] * np.cos(angles(len(profile))) - centre[1] * np.sin(angles(len(profile)))


def total(profile, circle):
    return float(enclose(profile[None, :].copy(), circle).total_um[0])


@settings(max_examples=80, deadline=None)
@given(st.integers(0, 2**31), st.integers(4, 400), st.sampled_from(CIRCLES), st.booleans())
def test_every_circle_is_the_one_of_linear_programming(seed, points, circle, rough):
    rng = np.random.default_rng(seed)
    profile = rng.normal(size=points)
    if not rough:
        profile = sum(rng.normal() * np.cos(n * angles(points) + rng.normal()) / n for n in range(2, 9))
    found = enclose(profile[None, :], circle)
    left = about(profile, found.centre_um[0])
    assert found.total_um[0] == pytest.approx(np.ptp(left), abs=1e-12)
    reached = {"MZCI": np.ptp(left), "MCCI": left.max(), "MICI": -left.min()}[circle]
    assert reached == pytest.approx(by_linear_programme(profile, circle), abs=1e-7)


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**31), st.sampled_from(CIRCLES))
def test_points_that_a_circle_hangs_on_tell_how_it_changes(seed, circle):
    # an odd number of points has no two opposite ones, on which a circle could balance
    rng = np.random.default_rng(seed)
    profile, change = rng.normal(size=(2, 63))
    found = enclose(profile[None, :], circle)
    after = enclose(profile[None, :] + 1e-7 * change, circle)
    wanted = 1e-7 * change[found.index[0]] @ found.weight[0]
    assert after.total_um[0] - found.total_um[0] == pytest.approx(wanted, rel=1e-3, abs=1e-12)


@pytest.mark.parametrize("circle", CIRCLES)
@pytest.mark.parametrize(("lobes", "points"), [(2, 480), (2, 4096), (3, 480), (4, 480), (5, 4096), (16, 480)])
def test_equal_lobes_have_their_height_about_every_circle(circle, lobes, points):
    # touching points balance each other exactly: where a search that chooses badly would go round in circles
    assert total(np.cos(lobes * angles(points) + 0.3), circle) == pytest.approx(2.0, abs=0.012)
    assert total(np.zeros(points), circle) == 0.0


def circles_through(points, members):
    """Centres and radii of the circles through triples of points in the plane."""
    a, b, c = (points[list(m)] for m in zip(*members, strict=True))
    u, v = b - a, c - a
    across = 2 * np.imag(np.conj(u) * v)
    centre = a + 1j * (np.abs(u) ** 2 * v - np.abs(v) ** 2 * u) / across * -1
    return centre, np.abs(centre - a)


@pytest.mark.parametrize("seed", range(4))
def test_circles_are_those_of_points_in_the_plane(seed):
    # 26 points at 9.25 mm with some µm of form; every pair and triple is tried
    rng, radius_um = np.random.default_rng(seed), 9250.0
    angle = angles(26)
    profile = rng.normal(0, 1.0, 26)
    plane = (radius_um + profile) * np.exp(1j * angle)
    triples = list(combinations(range(26), 3))
    centre, size = circles_through(plane, triples)
    far = np.abs(plane[None, :] - centre[:, None])
    around = np.flatnonzero(np.all(far <= size[:, None] + 1e-7, axis=1))
    pairs = np.array(list(combinations(range(26), 2)))
    middle = (plane[pairs[:, 0]] + plane[pairs[:, 1]]) / 2
    reach = np.abs(plane[None, :] - middle[:, None])
    half = np.abs(plane[pairs[:, 0]] - middle)
    both = np.flatnonzero(np.all(reach <= half[:, None] + 1e-7, axis=1))
    best = min(
        [(size[k], np.ptp(far[k])) for k in around] + [(half[k], np.ptp(reach[k])) for k in both],
        key=lambda found: found[0],
    )
    assert total(profile, "MCCI") == pytest.approx(best[1], abs=2e-3)
    within = np.flatnonzero(np.all(far >= size[:, None] - 1e-7, axis=1) & (np.abs(centre) < 100))
    largest = max(within, key=lambda k: size[k])
    assert total(profile, "MICI") == pytest.approx(float(np.ptp(far[largest])), abs=2e-3), seed
    # narrowest ring: two points on each circle, the centre where both bisectors meet
    first, second = (np.repeat(pairs, len(pairs), 0), np.tile(pairs, (len(pairs), 1)))
    chord_1, chord_2 = (plane[p[:, 1]] - plane[p[:, 0]] for p in (first, second))
    right = np.stack(
        [
            np.real(np.conj(c) * (plane[p[:, 0]] + plane[p[:, 1]])) / 2
            for c, p in ((chord_1, first), (chord_2, second))
        ]
    )
    turn = np.real(chord_1) * np.imag(chord_2) - np.imag(chord_1) * np.real(chord_2)
    usable = np.abs(turn) > 1e-6 * radius_um**2
    x = (right[0] * np.imag(chord_2) - right[1] * np.imag(chord_1))[usable] / turn[usable]
    y = (right[1] * np.real(chord_1) - right[0] * np.real(chord_2))[usable] / turn[usable]
    rings = np.abs(plane[None, :] - (x + 1j * y)[:, None])
    assert total(profile, "MZCI") == pytest.approx(float(np.ptp(rings, axis=1).min()), abs=2e-3)


def coefficients(waves, upr_max):
    found = np.zeros(upr_max + 1, dtype=complex)
    for upr, (amplitude, phase) in waves.items():
        found[upr] = 0.5 * amplitude * np.exp(1j * phase)
    return found


def test_peak_and_valley_of_lobes_with_sharp_crests_in_closed_form():
    # a cos 3x + b cos 6x with u = cos 3x: highest a + b at u = 1, lowest -a²/8b - b at u = -a/4b
    a, b = 1.0, 0.6
    found = roundness(coefficients({3: (a, 0.0), 6: (b, 0.0)}, 300), np.zeros(301), upr_low=2, upr_high=10**6)
    assert found.ron_p_um == pytest.approx(a + b, abs=1e-5)
    assert found.ron_v_um == pytest.approx(a * a / (8 * b) + b, abs=1e-5)
    assert found.ron_t_um == pytest.approx(found.ron_p_um + found.ron_v_um, abs=1e-12)


def test_no_circle_is_narrower_than_the_minimum_zone():
    rng = np.random.default_rng(3)
    for _ in range(20):
        c = coefficients({n: (rng.uniform(0, 1 / n), rng.uniform(0, 6)) for n in range(2, 60)}, 180)
        none = np.zeros(181)
        heights = {
            circle: roundness(c, none, upr_low=2, upr_high=60, reference=circle).ron_t_um
            for circle in ("LSCI", *CIRCLES)
        }
        assert heights["MZCI"] == min(heights.values())
        assert heights["LSCI"] > heights["MZCI"] + 1e-6


@pytest.mark.parametrize("circle", CIRCLES)
@pytest.mark.parametrize("waves", [{2: (0.6, 0.0)}, {2: (0.3, 0.4), 3: (0.2, 1.0), 5: (0.1, 2.0)}, {}])
def test_stated_uncertainty_is_the_error_from_the_truth(circle, waves):
    noise_um = 0.02
    rng, seeds, upr_max = np.random.default_rng(6), 30, 180
    u = np.full(upr_max + 1, noise_um * math.sqrt(2 / 3600))
    clean = coefficients(waves, upr_max)
    truth = roundness(clean, 0 * u, upr_low=2, upr_high=60, reference=circle)
    runs = []
    for _ in range(seeds):
        noise = (rng.normal(size=upr_max + 1) + 1j * rng.normal(size=upr_max + 1)) * u / 2
        runs.append(roundness(clean + noise, u, upr_low=2, upr_high=60, reference=circle))
    for name in ("t", "p", "v"):
        error = [getattr(r, f"ron_{name}_um") - getattr(truth, f"ron_{name}_um") for r in runs]
        stated = [getattr(r, f"u_ron_{name}_um") for r in runs]
        ratio = math.sqrt(np.mean(np.square(stated)) / np.mean(np.square(error)))
        # 30 errors tell their own RMS to 13 %; scatter and lift are added where both count. An ellipse's circle
        # touches two opposite points: its centre hangs on the slopes there, so the first order is too large.
        at_most = 2.5 if circle != "MZCI" and len(waves) == 1 and name == "t" else 2.0
        assert 0.8 < ratio < at_most, name


def test_a_recipe_chooses_the_circle_of_roundness_total_alone():
    # lobes that no circle about the least-squares centre suits best
    angle_deg = np.arange(3 * 1200) * 0.3
    phi = np.radians(angle_deg)
    deviation = 0.3 * np.cos(2 * phi) + 0.2 * np.cos(3 * phi + 1.0) + 0.1 * np.cos(5 * phi + 2.0)
    found = {
        circle: analysed(trace_of(angle_deg, deviation), upr=(2, 50), judged_upr=50.0, reference_circle=circle)
        for circle in ("LSCI", *CIRCLES)
    }
    dense = angles(2**15)
    truth = sum(
        a * 2 ** -((n / 50) ** 2) * np.cos(n * dense + p) for n, a, p in ((2, 0.3, 0), (3, 0.2, 1), (5, 0.1, 2))
    )
    for circle in CIRCLES:
        assert value(found[circle], "roundness_total") == pytest.approx(total(truth[::32], circle), abs=1e-4)
        for name in ("roundness_peak", "roundness_valley", "roundness_rms"):
            assert value(found[circle], name) == value(found["LSCI"], name)
        each = [q.value for q in found[circle].quantities if q.name == "roundness_total" and q.instance]
        assert each == pytest.approx([value(found[circle], "roundness_total")] * 3, abs=1e-4)
        assert [c for c in found[circle].quality if c.check == "reference_circle"]
    assert value(found["LSCI"], "roundness_total") == pytest.approx(float(np.ptp(truth)), abs=1e-5)
    assert value(found["LSCI"], "roundness_peak") == pytest.approx(float(truth.max()), abs=1e-5)
    assert value(found["LSCI"], "roundness_valley") == pytest.approx(float(-truth.min()), abs=1e-5)

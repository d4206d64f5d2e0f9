"""Recipes from bytes to limits: points, power law and file give curves, shares and wave depth as amplitudes."""

from __future__ import annotations

import gc

import numpy as np
import pytest

from edgeagent.codec.configuration.recipe import parse_recipe, referenced_files
from edgeagent.errors import ConfigError
from edgeagent.judging.configuration import describe_kind
from edgeagent.rules.limits import curve_at

THREAD = """
[thread]
member = "shaft"
hand = "right"
starts = 2
lead_mm = 10.0
ball_diameter_mm = 3.175
ball_pitch_circle_mm = 20.75
contact_angle_deg = 45.0
track_conformity = 0.535
"""


def recipe(limit: str, files=None, *, thread=THREAD, upr="[2, 500]"):
    text = f'part = "KX"\nrevision = "B"\n{thread}\n[[measurement]]\nfeature = "left-flank"\nkind = "spiral"\n'
    text += f"upr = {upr}\n[[measurement.limit]]\n{limit}\n"
    return parse_recipe(text.encode(), "recipes/KX.toml", files or {}, describe_kind)


def curve(limit: str, files=None, **options):
    (found,) = recipe('characteristic = "harmonic_amplitude"\n' + limit, files, **options).measurements
    (only,) = found.curve_limits
    return only


def test_thread_of_several_starts_has_its_pitch_and_contact_diameter():
    thread = recipe('characteristic = "roundness_total"\nupper = 1.2').thread
    assert thread.pitch_mm == 5.0
    assert thread.contact_diameter_mm == pytest.approx(20.75 - 3.175 * np.sqrt(0.5))
    assert np.tan(thread.lead_angle_rad) == pytest.approx(10.0 / (np.pi * 20.75))


def test_approval_is_who_and_why_and_may_be_left_out():
    limit = 'characteristic = "roundness_total"\nupper = 1.2'
    assert (recipe(limit).approved_by, recipe(limit).approved_for) == ("", "")
    thread = THREAD + '\n[approval]\nby = "A. N."\nreason = "protocol 17"\n'
    approved = recipe(limit, thread=thread)
    assert (approved.approved_by, approved.approved_for) == ("A. N.", "protocol 17")
    for half in ('by = "A. N."', 'reason = "x"', 'by = ""\nreason = "x"', 'by = "x"\nreason = "y"\nwho = "z"'):
        with pytest.raises(ConfigError, match="approval"):
            recipe(limit, thread=f"{THREAD}\n[approval]\n{half}\n")


def test_scalar_limit_reads_as_written():
    (plan,) = recipe('characteristic = "tilt"\nlower = -1.0\nupper = 2.0\ncaution = 0.5').measurements
    (limit,) = plan.scalar_limits
    assert (limit.characteristic, limit.instance, limit.lower, limit.upper, limit.caution) == (
        "tilt", None, -1.0, 2.0, 0.5,
    )  # fmt: skip


def test_points_are_amplitudes_in_nanometres():
    found = curve("points = [[2, 300.0], [20, 60.0], [500, 3.0]]\ncaution = 0.75")
    assert found.upr.tolist() == [2, 20, 500]
    assert found.upper_nm.tolist() == [300, 60, 3]
    assert found.caution_nm.tolist() == [225, 45, 2.25]


def test_power_law_holds_over_the_whole_band():
    found = curve("power = { upr = 20, nm = 60.0, exponent = -1.5 }", upr="[1, 500]")
    upper, caution = curve_at([found], np.array([1.0, 2.0, 20.0, 77.0, 500.0]))
    assert np.isnan(upper[0])  # 1 UPR is eccentricity and never judged
    assert upper[1:] == pytest.approx([60 * (n / 20) ** -1.5 for n in (2, 20, 77, 500)], rel=1e-12)
    assert np.isnan(caution).all()


def test_wave_depth_is_twice_the_amplitude():
    plain = curve("points = [[2, 300.0], [500, 3.0]]\ncaution = 0.5")
    deep = curve('points = [[2, 300.0], [500, 3.0]]\ncaution = 0.5\nexpress = "wave_depth"')
    assert deep.upper_nm.tolist() == (plain.upper_nm / 2).tolist()
    assert deep.caution_nm.tolist() == (plain.caution_nm / 2).tolist()


def test_curve_from_a_file_with_its_own_caution():
    files = {"c.csv": b"upr,upper_nm,caution_nm\r\n2,300,200\r\n500,3,2\r\n"}
    found = curve('file = "c.csv"\ncaution = 0.9', files)
    assert found.caution_nm.tolist() == [200, 2]
    plain = curve('file = "c.csv"\ncaution = 0.9', {"c.csv": b"upr,upper_nm\n2,300\n500,3\n"})
    assert plain.caution_nm.tolist() == [270, 2.7]


@pytest.mark.parametrize(("share", "wanted"), [("0.5", [150, 1.5]), ("0.9", [200, 2]), ("0.667", [200, 2])])
def test_of_a_share_and_a_column_of_cautions_the_lower_one_counts(share, wanted):
    files = {"c.csv": b"upr,upper_nm,caution_nm\r\n2,300,200\r\n500,3,2\r\n"}
    found = curve(f'file = "c.csv"\ncaution = {share}', files)
    assert found.caution_nm.tolist() == wanted


def test_files_that_a_recipe_refers_to_are_named():
    text = b'[[measurement]]\n[[measurement.limit]]\nfile = "b.csv"\n[[measurement.limit]]\nfile = "a.csv"\n'
    assert referenced_files(text, "x") == ("a.csv", "b.csv")
    assert referenced_files(b"part = 1\n", "x") == ()


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"", "columns"), (b"upr;upper_nm\n2;3\n", "columns"), (b"upr,upper_nm\n2,abc\n5,1\n", "not a number"),
        (b"upr,upper_nm\n2,1\n5,-1\n", "above 0"), (b"upr,upper_nm\n2,nan\n5,1\n", "not a number"),
        (b"upr,upper_nm\n5,1\n2,1\n", "must rise"), (b"upr,upper_nm\n2,1\n", "two points"),
        (b"upr,upper_nm\n2,1,3\n5,1\n", "c.csv"), (b"upr,upper_nm\n2,1\n900,1\n", "upr ends at 500"),
        (b"upr,upper_nm\n1,1\n5,1\n", "2 or more"), (b"\xff\xfe\x00", "columns"),
    ],
)  # fmt: skip
def test_file_of_a_curve_that_is_no_curve_is_refused(body, words):
    with pytest.raises(ConfigError, match=words):
        curve('file = "c.csv"', {"c.csv": body})


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        ('characteristic = "harmonic_amplitude"\nupper = 3.0', "judged by a curve"),
        ('characteristic = "roundness_total"\npoints = [[2, 3.0], [5, 1.0]]', "only harmonic_amplitude"),
        ('characteristic = "roundness_total"', "lower, upper or both"),
        ('characteristic = "roundness_total"\nlower = 2.0\nupper = 1.0', "below upper"),
        ('characteristic = "roundnes_total"\nupper = 1.0', "did you mean 'roundness_total'"),
        ('characteristic = "harmonic_amplitude"\npoints = [[2, 3.0], [5, 1.0]]\nfile = "x"', "one of"),
        ('characteristic = "roundness_total"\nupper = 1.0\nexpress = "wave_depth"', "only a harmonic curve"),
        ('characteristic = "roundness_total"\nupper = inf', "finite"),
        ('characteristic = "roundness_total"\nupper = 1.0\ncaution = 1.5', "caution"),
        ('characteristic = "harmonic_amplitude"\nfile = "gone.csv"', "cannot be read"),
        ('grade = 5\ncharacteristic = "roundness_total"\nupper = 1.0', "stands alone"),
        ("grade = 5\n[[measurement.limit]]\ngrade = 7", "stands alone"),
    ],
)  # fmt: skip
def test_a_limit_that_contradicts_itself_is_refused(limit, words):
    with pytest.raises(ConfigError, match=words):
        recipe(limit)


def with_resonances(text):
    head = 'part = "p"\nrevision = "A"\n[thread]\nmember = "shaft"\nhand = "right"\nstarts = 1\nlead_mm = 5.0\n'
    head += "ball_diameter_mm = 3.175\nball_pitch_circle_mm = 20.75\ncontact_angle_deg = 45.0\n"
    head += f"track_conformity = 0.535\n[running]\nspeed_rpm = 3000\nresonances_hz = {text}\n"
    body = f'{head}[[measurement]]\nfeature = "f"\nkind = "spiral"\n'
    return parse_recipe(body.encode(), "p.toml", {}, describe_kind).running.resonances_hz


def test_resonance_is_a_frequency_or_a_centre_with_its_full_width():
    assert with_resonances("[1200, [2400.0, 60.0]]") == ((1200.0, 60.0), (2400.0, 60.0))
    assert with_resonances("[[800, 1000]]") == ((900.0, 200.0),), "no resonance is wider than its frequency"
    gc.collect()  # a union of bounded numbers and tuples of fixed length once crashed here (msgspec 0.22)
    assert with_resonances("[]") == ()


@pytest.mark.parametrize("text", ["[0]", "[-5]", "[[1200, 0]]", "[[1200]]", "[[1200, 5, 5]]", '["x"]'])
def test_resonance_that_cannot_be_is_refused_with_its_key(text):
    with pytest.raises(ConfigError, match=r"p.toml: line 1[234]: .*(running|resonances_hz)"):
        with_resonances(text)

"""Which values a failed check touches: the table against the checks and characteristics that there are."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from edgeagent.analysis.kinds import find_kind
from edgeagent.rules.touched import TOUCHED, touching

PACKAGE = Path(__file__).parents[2] / "edgeagent"
KINDS = ("spiral", "circle", "axial", "travel", "torque")
NAMES = sorted({name for kind in KINDS for name in find_kind(kind).CHARACTERISTICS})


def checks_in_the_source():
    """First argument of every QualityCheck, and names that are put together there."""
    found = {"forward_stroke", "return_stroke"}
    for path in (*PACKAGE.glob("analysis/**/*.py"), *PACKAGE.glob("judging/**/*.py")):
        found |= set(re.findall(r'\bQualityCheck\(\s*"(\w+)"', path.read_text(encoding="utf-8")))
    return found


def test_every_check_of_the_table_exists():
    assert set(TOUCHED) <= checks_in_the_source()


@pytest.mark.parametrize(("check", "beginning"), [(c, b) for c, some in TOUCHED.items() for b in some])
def test_every_beginning_of_the_table_names_a_value(check, beginning):
    assert any(name.startswith(beginning.partition("[")[0]) for name in NAMES), check


@pytest.mark.parametrize("name", NAMES)
def test_check_that_is_not_in_the_table_touches_every_value(name):
    assert touching(["spikes", "a_new_one"], name, "") == ("spikes", "a_new_one")


@pytest.mark.parametrize(
    ("check", "name", "instance", "touched"),
    [
        ("tip_reach", "harmonic_amplitude", "37", True),
        ("tip_reach", "lead_mismatch", "", False),
        ("at_speed", "band_velocity", "50-300", True),
        ("at_speed", "roundness_total", "", False),
        ("flank_roughness", "roundness_total", "", False),
        ("left_out_points", "profile_deviation_left", "top[1]", True),
        ("left_out_points", "cumulative_pitch_deviation", "", False),
        ("return_stroke", "drag_torque_mean", "forward", False),
        ("return_stroke", "drag_torque_mean", "return", True),
        ("limit_without_value", "roundness_total", "", False),
        ("whole_turns", "roundness_total", "", True),
        # turns that differ are in every uncertainty, and a turn's own form is judged as that turn
        ("turn_agreement", "roundness_total", "turn[2]", False),
        ("turn_agreement", "harmonic_amplitude", "37", False),
        ("spikes", "roundness_total", "turn[2]", True),
    ],
)
def test_check_touches_what_it_speaks_of(check, name, instance, touched):
    assert bool(touching([check], name, instance)) is touched


def test_each_check_is_named_once():
    assert touching(["spikes", "tip_reach", "spikes"], "tilt", "") == ("spikes",)

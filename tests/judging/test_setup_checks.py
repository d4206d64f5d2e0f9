"""A number of the set-up that the recipe contradicts, or that cannot be, holds the part. Invented parts."""

from __future__ import annotations

import hashlib
import shutil
from pathlib import Path

import numpy as np
import pytest

from edgeagent.errors import ConfigError, InputError
from edgeagent.judging.evaluation.evaluate import Evaluation, Rulebook, evaluate
from edgeagent.judging.evaluation.setup_checks import _impossible
from edgeagent.model import Thread
from edgeagent.store.configuration import load_configuration

ROOT = Path(__file__).resolve().parents[2]
SIDE = b"""kind = "spiral"
part = "KX-2005-R"
serial = "000412"
feature = "left-flank"
measured_at = 2026-03-02T09:41:07Z
track_diameter_mm = 18.5
tip_radius_mm = 0.005
"""
SETUP = "setup = { tip_radius_mm = 0.005, track_diameter_mm = 18.5 }\n"


def rules_with(tmp_path, setup: str = "") -> Rulebook:
    """The example station, with a set-up stated for the left flank."""
    folder = Path(shutil.copytree(ROOT / "config", tmp_path / "config"))
    path = folder / "recipes" / "KX-2005-R.toml"
    before, mark, after = path.read_text().partition("upr = [2, 500]")
    path.write_text(before + setup + mark + after)
    return Rulebook.of(load_configuration(folder / "agent.toml"))


def profile() -> bytes:
    """Three turns around a track of 18.5 mm as SMD text: a wave of 50 nm, few points for a quick analysis."""
    step_mm = np.pi * 18.5 * 3 / 1200
    heights = 0.05 * np.cos(2 * np.pi * 5 * np.arange(1200) / 400)
    lines = ["ISO 5436 - 2000\0invented\0", "PRF\0 0 ISO0000\0", f"CX\0I\x001200\0mm\x001.0\0D\0{step_mm!r}",
             "CZ\0A\x001200\0um\x001.0\0D", "\x03", "DATE -\0", "\x03"]  # fmt: skip
    body = "".join(f"{line}\r\n" for line in (*lines, *map(repr, heights.tolist()), "\x03")).encode()
    return body + b"%d\r\n\x03\r\n" % (sum(body) % 65535)


def doubts(rules: Rulebook, side: bytes) -> list[str]:
    result = evaluate("a.smd", profile(), side, rules).result
    found = [q["note"] for q in result["quality"] if q["check"] in ("setup", "side_file") and not q["ok"]]
    assert not found or result["disposition"] == "hold" or result["disposition"] == "reject"
    return found


def values_and_doubts(evaluation: Evaluation) -> tuple[dict[tuple[str, str], float | None], list[str]]:
    values = {(q.name, q.instance): q.value for q in evaluation.analysis.quantities}
    checks = [q for q in evaluation.analysis.quality if q.check in ("setup", "side_file")]
    return values, [q.note for q in checks if not q.ok]


def sealed(side: bytes) -> bytes:
    return side + b'checksum = "' + hashlib.sha256(side).hexdigest().encode() + b'"\n'


def test_setup_that_agrees_with_the_recipe_raises_no_doubt(tmp_path):
    assert doubts(rules_with(tmp_path, SETUP), SIDE) == []


def test_side_file_that_says_alone_what_decides_and_has_no_checksum_holds_the_part_and_says_what_to_do(
    tmp_path,
):
    rules = rules_with(tmp_path)
    found = doubts(rules, SIDE)
    assert [text.partition(" =")[0] for text in found] == ["tip_radius_mm", "track_diameter_mm"]
    assert all(
        "seal the side file with a checksum, or state it in the recipe's setup" in text for text in found
    )
    assert doubts(rules, sealed(SIDE)) == []
    half = rules_with(tmp_path / "half", "setup = { tip_radius_mm = 0.005 }\n")
    assert [text.partition(" =")[0] for text in doubts(half, SIDE)] == ["track_diameter_mm"]


@pytest.mark.parametrize("recipe", ["says nothing", "states the set-up"])
def test_no_flipped_bit_of_a_side_file_is_accepted_with_another_value(tmp_path, recipe):
    """Sealed, or stated in the recipe: no bit of a decisive line can be turned over and the part pass."""
    rules = rules_with(tmp_path, SETUP if recipe == "states the set-up" else "")
    data, side = profile(), SIDE if recipe == "states the set-up" else sealed(SIDE)
    values, none = values_and_doubts(evaluate("a.smd", data, side, rules))
    assert none == []
    for bit in range(8 * side.index(b"track_diameter_mm"), 8 * len(SIDE), 3):
        damaged = bytearray(side)
        damaged[bit // 8] ^= 1 << bit % 8
        try:
            found = evaluate("a.smd", data, bytes(damaged), rules)
        except InputError:
            continue
        changed, said = values_and_doubts(found)
        assert changed == values or said, bit


@pytest.mark.parametrize(
    ("old", "new", "key"),
    [
        (b"18.5", b"98.5", "track_diameter_mm"),
        (b"18.5", b"1.85", "track_diameter_mm"),
        (b"0.005", b"5.005", "tip_radius_mm"),
        (b"tip_radius_mm", b"lead_mm = 4.0\ntip_radius_mm", "lead_mm"),
        (b"tip_radius_mm", b"temperature_c = 84.0\ntip_radius_mm", "temperature_c"),
        (b"tip_radius_mm", b"degrees_per_mm = 2.1\ntip_radius_mm", "degrees_per_mm"),
    ],
)
def test_number_that_the_thread_cannot_have_holds_the_part(tmp_path, old, new, key):
    rules = rules_with(tmp_path)
    side = SIDE.replace(old, new)
    found = [text for text in doubts(rules, side) if "in the side file alone" not in text]
    assert len(found) == 1
    assert found[0].startswith(key)
    assert "not possible on this thread" in found[0]
    assert doubts(rules, sealed(side)) == []  # whoever seals a side file has looked at it


def test_difference_from_the_stated_setup_holds_the_part_whatever_seals_it(tmp_path):
    rules = rules_with(tmp_path, SETUP)
    wrong = SIDE.replace(b"0.005", b"0.004")
    for side in (wrong, sealed(wrong)):
        assert doubts(rules, side) == ["tip_radius_mm: the trace says 0.004, the recipe's setup 0.005"]
    missing = SIDE.replace(b"tip_radius_mm = 0.005\n", b"")
    assert doubts(rules, missing) == ["tip_radius_mm: the trace says nothing of it, the recipe's setup 0.005"]


def test_number_that_the_recipe_states_itself_is_not_called_impossible(tmp_path):
    rules = rules_with(tmp_path, SETUP.replace("0.005", "5.0"))
    assert doubts(rules, SIDE.replace(b"0.005", b"5.0")) == []


def test_no_flipped_bit_of_a_side_file_changes_a_value_under_a_stated_setup(tmp_path):
    rules = rules_with(tmp_path, SETUP)
    data = profile()
    values, none = values_and_doubts(evaluate("a.smd", data, SIDE, rules))
    assert none == []
    begin = SIDE.index(b"track_diameter_mm")
    for bit in range(8 * begin, 8 * len(SIDE)):
        damaged = bytearray(SIDE)
        damaged[bit // 8] ^= 1 << bit % 8
        try:
            found = evaluate("a.smd", data, bytes(damaged), rules)
        except InputError:
            continue
        changed, said = values_and_doubts(found)
        assert changed == values or said, bit


@pytest.mark.parametrize("setup", ["setup = 3\n", "setup = []\n", "setup = { tip_radius = 0.005 }\n"])
def test_setup_that_is_no_table_of_known_keys_is_refused(tmp_path, setup):
    with pytest.raises(ConfigError, match="setup"):
        rules_with(tmp_path, setup)


@pytest.mark.parametrize(
    ("key", "inside", "outside"),
    [
        # A ball of 3.175 mm on a circle of 20.75 mm: the track lies between 17.575 and 23.925 mm.
        ("track_diameter_mm", (17.58, 23.92), (17.57, 23.93)),
        ("degrees_per_mm", (360 / (np.pi * 23.92), 360 / (np.pi * 17.58)), (360 / (np.pi * 23.94), 6.53)),
        ("lead_mm", (4.9951, 5.0049), (4.9949, 5.0051)),
        ("tip_radius_mm", (0.0, 0.001, 1.528), (-1e-6, 1.53)),
        ("temperature_c", (0.0, 50.0), (-0.1, 50.1)),
    ],
)
def test_numbers_are_possible_up_to_what_the_thread_allows(key, inside, outside):
    thread = Thread(
        member="shaft", hand="right", starts=1, lead_mm=5.0, ball_diameter_mm=3.175,
        ball_pitch_circle_mm=20.75, contact_angle_deg=45.0, track_conformity=0.535,
    )  # fmt: skip
    assert [value for value in inside if list(_impossible({key: value}, thread))] == []
    for value in outside:
        (check,) = _impossible({key: value}, thread)
        # The bound that it is beyond stands with it
        nearest = min(inside) if value < min(inside) else max(inside)
        assert check.allowed == pytest.approx(nearest, rel=1e-3)

"""Axial files that are no usable trace of the part: each gets its own sentence, and none is ever accepted.

Every case goes the whole way, from the bytes of a trace file and a recipe to a disposition. Invented parts.
"""

from __future__ import annotations

import dataclasses
import re

import numpy as np
import pytest

from edgeagent.demo import thread_surface as section
from edgeagent.errors import InputError
from edgeagent.judging.configuration import Document, recipe_from_documents
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate

PART = section.Part(contact_angle_deg=(44.0, 46.0))
CUT = section.Cut(x_end_mm=18.0, spacing_mm=0.004, tip_radius_mm=0.02)

RECIPE = """
part = "DEMO"
revision = "A"

[thread]
member = "shaft"
hand = "right"
starts = {starts}
lead_mm = {lead}
ball_diameter_mm = 3.175
ball_pitch_circle_mm = 20.75
contact_angle_deg = 45.0
track_conformity = 0.53

[[measurement]]
feature = "profile"
kind = "axial"
{options}

  [[measurement.limit]]
  characteristic = "contact_angle_left"
  lower = 40.0
  upper = 50.0

  [[measurement.limit]]
  characteristic = "contact_angle_right"
  lower = 40.0
  upper = 50.0
"""
CIRCLE_LIMIT = """
  [[measurement.limit]]
  characteristic = "ball_pitch_circle_diameter"
  lower = 20.73
  upper = 20.77
"""


@pytest.fixture(scope="module")
def sound():
    """A noise-free trace of both sides, as a gauge would export it."""
    return section.section(PART, CUT, nodes=500)


def written(trace, header: str = "") -> bytes:
    lines = [
        'trace = 1\n# kind = "axial"\n# part = "DEMO"\n# serial = "1"\n# feature = "profile"',
        'measured_at = 2026-01-01T00:00:00Z\n# tip_radius_mm = 0.02\n# remark = "invented data"',
        *([header] if header else []),
    ]
    head = "".join(f"# {line}\n" for line in lines)
    rows = "\n".join(
        f"{'top' if s > 0 else 'bottom'},{x:.9g},{'' if np.isnan(z) else format(z, '.12g')}"
        for s, x, z in zip(trace.side.tolist(), trace.x_mm.tolist(), trace.z_mm.tolist(), strict=True)
    )
    return f"{head}side,x_mm,z_mm\n{rows}\n".encode()


def judged(trace, *, header="", lead=5.0, starts=1, options="", limits=""):
    text = RECIPE.format(lead=lead, starts=starts, options=options) + limits
    recipe = recipe_from_documents(Document("recipes/DEMO.toml", text.encode()), {})
    return evaluate("a.txt", written(trace, header), None, Rulebook("guarded", {"DEMO": recipe}, {}, {})).result


def held_for(result, check: str) -> str:
    """The note of a failed check that holds the file and stands among its reasons."""
    assert result["disposition"] == "hold"
    found = next(c for c in result["quality"] if c["check"] == check)
    assert not found["ok"]
    assert f"{check.replace('_', ' ')}: {found['note']}".replace(" um", " µm") in result["reasons"]
    return found["note"]


def values(result, name: str) -> list[float | None]:
    return [c["value"] for c in result["characteristics"] if c["name"] == name]


def test_the_sound_trace_that_the_others_are_made_from_is_accepted(sound):
    result = judged(sound, limits=CIRCLE_LIMIT)
    assert result["disposition"] == "accept"
    assert result["reasons"] == []


def test_trace_without_a_groove_is_refused(sound):
    plain = dataclasses.replace(sound, z_mm=sound.side * 10.0 + 0.02 * np.sin(sound.x_mm))
    with pytest.raises(InputError, match=r"no groove that takes up a ball of 3\.175 mm was found"):
        judged(plain)


def test_trace_of_a_smooth_cylinder_is_refused(sound):
    with pytest.raises(InputError, match="z is hardly in mm, or no groove was traced"):
        judged(dataclasses.replace(sound, z_mm=sound.side * 10.0))


def test_trace_that_holds_only_cut_grooves_is_never_accepted(sound):
    part_of_one = (sound.x_mm > 4.9) & (sound.x_mm < 6.4) & (sound.side > 0)
    trace = section.Section(sound.side[part_of_one], sound.x_mm[part_of_one], sound.z_mm[part_of_one], {})
    with pytest.raises(InputError, match="begins or ends inside a groove, which is not enough"):
        judged(trace)


def test_flank_of_which_one_point_was_read_is_no_flank(sound):
    gone = section.with_dropout(section.with_dropout(sound, 1.0, 5.3, 6.0), 1.0, 6.003, 6.9)
    note = held_for(judged(gone), "failed_grooves")
    assert note.startswith("top[2]: the right flank has 1 points;")
    assert None in values(judged(gone), "contact_angle_right")


def test_samples_too_far_apart_for_any_flank_are_refused():
    few = section.section(PART, dataclasses.replace(CUT, spacing_mm=0.9), nodes=500)
    with pytest.raises(InputError, match=r"samples lie 0\.9 mm apart: fewer than the flank .* needs"):
        judged(few)


@pytest.mark.parametrize("lead", [4.0, 4.7, 5.3, 6.0, 7.5])
def test_wrong_lead_in_the_recipe_holds_with_both_numbers(sound, lead):
    result = judged(sound, lead=lead)
    note = held_for(result, "pitch_against_recipe")
    # Before any ball is seated the distance is known to a fortieth of the ball's radius only.
    said = re.fullmatch(
        r"neighbouring grooves lie about (\S+) mm apart, the recipe has (\S+) mm: lead .*", note
    )
    assert abs(float(said[1]) - 5.0) < 3.175 / 2 / 40
    assert float(said[2]) == lead
    assert note.endswith(f"lead {lead:g} mm or 1 starts are wrong for this part")
    assert set(values(result, "contact_angle_left")) == {None}


def test_half_the_lead_in_the_recipe_is_seen_as_missing_grooves(sound):
    assert "the recipe's pitch is wrong" in held_for(judged(sound, lead=2.5), "groove_sequence")


def test_twice_the_lead_in_the_recipe_is_never_accepted(sound):
    note = held_for(judged(sound, lead=10.0), "pitch_against_recipe")
    assert "the recipe has 10 mm: lead 10 mm or 1 starts are wrong for this part" in note


def test_lead_in_the_header_that_the_recipe_contradicts_holds(sound):
    note = held_for(judged(sound, header="lead_mm = 10.0"), "stated_lead")
    assert note == "the trace says lead 10 mm, the recipe 5 mm"


def test_wrong_number_of_starts_is_seen_between_the_sides(sound):
    result = judged(sound, lead=10.0, starts=2)
    # Taken for a steeper helix the angles are wrong, too; the check throws doubt on them: nothing is rejected.
    assert result["disposition"] == "hold"
    assert any(
        r.startswith("side phase: ") and "2 starts are wrong for this part" in r for r in result["reasons"]
    )


def test_hand_in_the_header_that_the_recipe_contradicts_holds(sound):
    note = held_for(judged(sound, header='hand = "left"'), "hand")
    assert note == "the trace says left-hand, the recipe right-hand"
    assert judged(sound, header='hand = "right"')["disposition"] == "accept"


def test_one_side_only_is_held_where_the_ball_circle_is_asked_for_and_says_what_it_lacks(sound):
    for code in (1.0, -1.0):
        here = sound.at_side(code)
        alone = section.Section(sound.side[here], sound.x_mm[here], sound.z_mm[here], {})
        result = judged(alone, limits=CIRCLE_LIMIT)
        assert result["disposition"] == "hold"
        assert result["reasons"] == ["ball pitch circle diameter: no value, though the recipe limits it"]
        note = next(c["note"] for c in result["quality"] if c["check"] == "sides")
        assert "with one side there is no ball pitch circle" in note
        # Where nothing across the axis is asked for, one side is a whole measurement.
        assert judged(alone)["disposition"] == "accept"


def test_swapped_sides_are_refused(sound):
    with pytest.raises(InputError, match="the sides are swapped or z points the wrong way: top lies at"):
        judged(dataclasses.replace(sound, side=-sound.side))


def test_mirrored_z_is_refused(sound):
    with pytest.raises(InputError, match="the sides are swapped or z points the wrong way"):
        judged(dataclasses.replace(sound, z_mm=-sound.z_mm))


def test_one_side_that_bears_the_other_ones_name_is_refused(sound):
    top = sound.at_side(1.0)
    misnamed = section.Section(-sound.side[top], sound.x_mm[top], sound.z_mm[top], {})
    with pytest.raises(InputError, match="side bottom has grooves on the wrong side of the profile"):
        judged(misnamed)


def test_x_running_backwards_is_held_until_the_recipe_expects_it(sound):
    back = section.Section(sound.side[::-1], sound.x_mm[::-1], sound.z_mm[::-1], {})
    result = judged(back)
    note = held_for(result, "order_of_x")
    assert "x ran from large to small on side top and bottom" in note
    assert "or x is mirrored and left and right are exchanged" in note
    expected = judged(back, options="falling_x = true")
    assert expected["disposition"] == "accept"
    assert values(expected, "contact_angle_left") == values(judged(sound), "contact_angle_left")


def test_one_side_traced_on_the_way_back_is_named(sound):
    top = sound.at_side(1.0)
    order = np.concatenate([np.flatnonzero(top), np.flatnonzero(~top)[::-1]])
    there_and_back = section.Section(sound.side[order], sound.x_mm[order], sound.z_mm[order], {})
    assert "on side bottom and was turned" in held_for(judged(there_and_back), "order_of_x")
    assert judged(there_and_back, options="falling_x = true")["disposition"] == "accept"


def test_x_that_goes_back_and_forth_is_held(sound):
    shaken = sound.x_mm + np.where(np.arange(sound.x_mm.size) % 20 == 0, 0.006, 0.0)
    note = held_for(judged(dataclasses.replace(sound, x_mm=shaken)), "order_of_x")
    assert "steps against the direction of the trace" in note


@pytest.mark.parametrize("factor", [1000.0, 0.001])
@pytest.mark.parametrize("column", ["x_mm", "z_mm"])
def test_one_column_off_by_a_thousand_is_refused_by_its_name(sound, column, factor):
    spoilt = dataclasses.replace(sound, **{column: getattr(sound, column) * factor})
    with pytest.raises(InputError, match=f"{column} of side top .*{column[0]} is hardly in mm"):
        judged(spoilt)


@pytest.mark.parametrize("factor", [1000.0, 0.001])
def test_both_columns_off_by_a_thousand_are_refused(sound, factor):
    with pytest.raises(InputError, match="x is hardly in mm"):
        judged(dataclasses.replace(sound, x_mm=sound.x_mm * factor, z_mm=sound.z_mm * factor))


def test_nut_under_the_recipe_of_a_shaft_is_refused():
    nut = section.section(section.Part(member="nut"), CUT, nodes=500)
    with pytest.raises(InputError, match="the part is no shaft, or z is mirrored"):
        judged(nut)

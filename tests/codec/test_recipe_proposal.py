"""Proposed recipes: accepted by the recipe reader, limits as their comments say."""

import math
import re
from dataclasses import replace

import numpy as np
import pytest

from edgeagent.codec.configuration.recipe import parse_recipe
from edgeagent.codec.proposals.recipe import RecipeData, propose_recipe, remarks
from edgeagent.errors import ConfigError
from edgeagent.judging.configuration import describe_kind
from edgeagent.model import Thread

THREAD = Thread(
    member="shaft", hand="right", starts=1, lead_mm=5.0, ball_diameter_mm=3.175, ball_pitch_circle_mm=20.75,
    contact_angle_deg=45.0, track_conformity=0.535,
)  # fmt: skip
ALL_KINDS = (("left-flank", "spiral"), ("outside", "circle"), ("profile", "axial"), ("travel", "travel"))


def parsed(data):
    return parse_recipe(propose_recipe(data, describe_kind).encode(), "r.toml", {}, describe_kind)


def limits(recipe, feature):
    return {limit.characteristic: limit for limit in recipe.plan(feature).scalar_limits}


@pytest.mark.parametrize("member", ["shaft", "nut"])
@pytest.mark.parametrize("hand", ["right", "left"])
@pytest.mark.parametrize(
    ("starts", "lead", "ball", "circle", "angle", "conformity"),
    [(1, 5.0, 3.175, 20.75, 45.0, 0.535), (2, 20.0, 3.969, 21.1, 40.0, 0.52), (4, 40.0, 6.35, 41.8, 50.0, 0.56),
     (1, 1.0, 0.8, 6.2, 45.0, 0.505), (1, 10.0, 7.144, 41.8, 2.0, 0.75)],
)  # fmt: skip
def test_recipe_of_any_thread_is_read_back_with_its_thread(
    member, hand, starts, lead, ball, circle, angle, conformity
):
    thread = Thread(
        member=member, hand=hand, starts=starts, lead_mm=lead, ball_diameter_mm=ball,
        ball_pitch_circle_mm=circle, contact_angle_deg=angle, track_conformity=conformity,
    )  # fmt: skip
    recipe = parsed(RecipeData(part="P-1", thread=thread, speed_rpm=1500.0, features=ALL_KINDS))
    assert recipe.thread == thread
    assert recipe.speed_rpm == 1500.0
    assert [(m.feature, m.kind) for m in recipe.measurements] == list(ALL_KINDS)
    for limit in limits(recipe, "profile").values():
        assert limit.lower is None or limit.lower < limit.upper


def test_limits_of_the_profile_lie_about_the_nominal_values():
    found = limits(parsed(RecipeData(part="P", thread=THREAD)), "profile")
    assert (found["contact_angle_left"].lower, found["contact_angle_left"].upper) == (42.0, 48.0)
    assert (found["track_conformity_right"].lower, found["track_conformity_right"].upper) == (0.525, 0.545)
    assert (found["ball_pitch_circle_diameter"].lower, found["ball_pitch_circle_diameter"].upper) == (
        20.73,
        20.77,
    )


@pytest.mark.parametrize("speed", [500.0, 3000.0, 8000.0])
def test_limit_of_waviness_is_one_velocity_at_every_undulation(speed):
    curve = parsed(RecipeData(part="P", thread=THREAD, speed_rpm=speed)).plan("left-flank").curve_limits[0]
    # velocity amplitude of A cos(n w t) is A n w; derived here
    velocity_mm_s = curve.upper_nm * 1e-6 * curve.upr * 2 * math.pi * speed / 60
    np.testing.assert_allclose(velocity_mm_s, 0.4, rtol=0.05)  # two significant digits are kept
    assert list(curve.upr) == [2.0, 500.0]


def test_recipe_without_speed_says_which_speed_its_limits_assume():
    text = propose_recipe(RecipeData(part="P", thread=THREAD), describe_kind)
    assert parsed(RecipeData(part="P", thread=THREAD)).speed_rpm is None
    assert "# speed_rpm = 3000" in text


def test_grade_of_a_travel_is_left_to_the_drawing():
    data = RecipeData(part="P", thread=THREAD, features=(("lead", "travel"),))
    assert "The grade is the drawing's to say" in propose_recipe(data, describe_kind)
    assert parsed(data).plan("lead").grade == 5


def test_every_limit_stands_below_a_comment_that_says_where_it_comes_from():
    text = propose_recipe(RecipeData(part="P", thread=THREAD, features=ALL_KINDS), describe_kind)
    for block in text.split("[[measurement]]")[1:]:
        first = block.index("[[measurement.limit]]")
        assert re.search(r"#.*(common practice|our own choice|drawing's)", block[:first], re.IGNORECASE), block
    assert 'revision = "proposed"' in text


@pytest.mark.parametrize("part", ["P 1", 'q"uote', "back\\slash", "'", "a'\"b", "Ø-7", "x" * 128])
def test_part_number_of_any_characters_is_kept(part):
    assert parsed(RecipeData(part=part, thread=THREAD)).part == part


def test_line_break_in_a_part_number_cannot_add_a_key():
    text = propose_recipe(RecipeData(part='P"\nrevision = "evil', thread=THREAD), describe_kind)
    assert parse_recipe(text.encode(), "r", {}, describe_kind).revision == "proposed"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"lead_mm": 0.0}, "thread.lead_mm"), ({"starts": 0}, "thread.starts"),
        ({"starts": 99}, "thread.starts"),
        ({"member": "rod"}, "allowed: nut, shaft"), ({"hand": "up"}, "allowed: left, right"),
        ({"ball_diameter_mm": 30.0}, "ball_diameter_mm must be smaller"), ({"track_conformity": 0.5}, "> 0.5"),
        ({"contact_angle_deg": 90.0}, "thread.contact_angle_deg"),
        ({"lead_mm": float("nan")}, "thread.lead_mm"),
        ({"lead_mm": float("inf")}, "thread.lead_mm"),
    ],
)  # fmt: skip
def test_thread_that_no_recipe_may_have_is_refused(change, words):
    with pytest.raises(ConfigError, match=words):
        propose_recipe(RecipeData(part="P", thread=replace(THREAD, **change)), describe_kind)


def test_feature_named_twice_and_unknown_kind_are_refused():
    with pytest.raises(ConfigError, match="measured twice"):
        propose_recipe(RecipeData(part="P", thread=THREAD, features=(("a", "spiral"),) * 2), describe_kind)
    with pytest.raises(ConfigError, match="allowed: spiral, circle, axial, travel"):
        propose_recipe(RecipeData(part="P", thread=THREAD, features=(("a", "helix"),)), describe_kind)


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"ball_diameter_mm": 6.0}, "not smaller than the pitch"),
        ({"starts": 4}, "not smaller than the pitch"),
        ({"contact_angle_deg": 20.0}, "common 45 deg"), ({"track_conformity": 0.7}, "range 0.51 to 0.60"),
        ({"lead_mm": 40.0}, "lead that of one start"),
        ({"ball_pitch_circle_mm": 5.0}, "half the ball pitch circle"),
    ],
)  # fmt: skip
def test_unusual_thread_is_remarked(change, words):
    assert remarks(RecipeData(part="P", thread=THREAD)) == ()
    found = remarks(RecipeData(part="P", thread=replace(THREAD, **change)))
    assert any(re.search(words, remark) for remark in found), found

"""A commented recipe from thread data: a text for a person to complete, with limits to be decided.

Every limit in it is a starting value after a rule of thumb that its comment states. None of them comes from a
standard, and none is a recommendation for a particular part.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from edgeagent.codec.configuration.recipe import DescribeKind, parse_recipe
from edgeagent.codec.configuration.toml_text import plain, toml_value
from edgeagent.errors import ConfigError
from edgeagent.model import Thread

VELOCITY_MM_S = 0.4
"""Velocity amplitude from which the starting limit of waviness is derived; our own choice."""
ASSUMED_SPEED_RPM = 3000.0
"""Speed that the limit of waviness is derived for where none is given; our own choice."""
# What each of these is (common practice, our own choice) is said in the recipe that is proposed.
CONTACT_ANGLE_HALF_WIDTH_DEG = 3.0
CONFORMITY_HALF_WIDTH = 0.01
ROUNDNESS_PER_BALL_DIAMETER = 4e-4
FLANK_FORM_PER_BALL_DIAMETER = 6e-4
BALL_CIRCLE_HALF_WIDTH_MM = 0.02
UPR = (2, 500)


@dataclass(frozen=True, slots=True, kw_only=True)
class RecipeData:
    """What a recipe is proposed from: part number, thread, speed, and (feature, kind) of each measurement."""

    part: str
    thread: Thread
    speed_rpm: float | None = None
    features: tuple[tuple[str, str], ...] = (
        ("left-flank", "spiral"),
        ("right-flank", "spiral"),
        ("profile", "axial"),
    )


def propose_recipe(data: RecipeData, describe: DescribeKind) -> str:
    """The text of a recipe that ``parse_recipe`` accepts.

    ``describe`` gives options and characteristics of a kind, as for ``parse_recipe``. Raises ConfigError for
    thread data that no recipe may have, a feature named twice or a kind that does not exist.
    """
    blocks = [_head(data), _thread(data.thread), _running_lines(data.speed_rpm)]
    blocks += [_measurement(feature, kind, data) for feature, kind in data.features]
    text = "\n".join(blocks)
    # Read back before it is shown: what a person is given to complete must be valid.
    parse_recipe(text.encode("utf-8"), "recipe", {}, describe)
    return text


def remarks(data: RecipeData) -> tuple[str, ...]:
    """What is unusual about thread data that a recipe may have, in plain words."""
    thread = data.thread
    found = []
    if thread.ball_diameter_mm >= thread.pitch_mm:
        found.append(
            f"the ball is not smaller than the pitch, {thread.ball_diameter_mm:g} mm against "
            f"{thread.pitch_mm:g} mm: neighbouring grooves would run into one another"
        )
    if thread.ball_diameter_mm > 0.5 * thread.ball_pitch_circle_mm:
        found.append("the ball is larger than half the ball pitch circle")
    if not 30.0 <= thread.contact_angle_deg <= 60.0:
        found.append(f"a contact angle of {thread.contact_angle_deg:g} deg is far from the common 45 deg")
    if not 0.51 <= thread.track_conformity <= 0.6:
        found.append(f"a conformity of {thread.track_conformity:g} is outside the common range 0.51 to 0.60")
    lead_angle = math.degrees(thread.lead_angle_rad)
    if lead_angle > 20.0:
        found.append(f"the lead angle is {lead_angle:.1f} deg: is the lead that of one start?")
    return tuple(found)


def _head(data: RecipeData) -> str:
    return f"""# Recipe of {plain(data.part)}, proposed from its thread data.
# The limits are starting values for a person to set: each comment says the rule of thumb behind it. They are
# common practice or a choice of ours where it says so, never the requirement of a standard or of a drawing.
part = {toml_value(data.part)}
revision = "proposed"           # results carry it; give it your own when the limits are decided
"""


def _thread(thread: Thread) -> str:
    angle = math.degrees(thread.lead_angle_rad)
    return f"""[thread]                        # nominal geometry, terms of ISO 3408-1
member = {toml_value(thread.member)}
hand = {toml_value(thread.hand)}
starts = {thread.starts}
lead_mm = {toml_value(thread.lead_mm)}  # travel in one turn, all starts: lead angle {angle:.2f} deg
ball_diameter_mm = {toml_value(thread.ball_diameter_mm)}
ball_pitch_circle_mm = {toml_value(thread.ball_pitch_circle_mm)}
contact_angle_deg = {toml_value(thread.contact_angle_deg)}  # the ball touches at diameter {
        thread.contact_diameter_mm:.3f} mm
track_conformity = {toml_value(thread.track_conformity)}  # flank radius / ball diameter: flank radius {
        thread.track_conformity * thread.ball_diameter_mm:.4f} mm
"""


def _running_lines(speed_rpm: float | None) -> str:
    if speed_rpm is None:
        lines = (
            "# [running]",
            f"# speed_rpm = {ASSUMED_SPEED_RPM:g}  # not given; the limit of waviness assumes it",
            "",
        )
        return "\n".join(lines)
    return f"[running]\nspeed_rpm = {toml_value(speed_rpm)}\n"


def _measurement(feature: str, kind: str, data: RecipeData) -> str:
    head = f"[[measurement]]\nfeature = {toml_value(feature)}  # the name that the trace's header uses\n"
    head += f"kind = {toml_value(kind)}\n"
    limits = {
        "spiral": _round_limits,
        "circle": _round_limits,
        "axial": _axial_limits,
        "travel": _travel_limits,
    }
    if kind not in limits:
        raise ConfigError(
            "recipe", "measurement.kind", "no limits can be proposed", value=kind, allowed=", ".join(limits)
        )
    return head + limits[kind](data)


def _round_limits(data: RecipeData) -> str:
    speed = data.speed_rpm or ASSUMED_SPEED_RPM
    roundness = _round(1e3 * ROUNDNESS_PER_BALL_DIAMETER * data.thread.ball_diameter_mm)
    # A = v / (2 pi f), f of the 20 UPR at which the curve is anchored; 1e6 nm in a mm.
    amplitude = _round(1e6 * VELOCITY_MM_S / (2 * math.pi * 20 * speed / 60))
    # Seven points a wave: below that a harmonic's own check for points per undulation fails.
    return f"""upr = [{UPR[0]}, {UPR[1]}]  # band of undulations; needs {7 * UPR[1]} points a turn

  # Starting value, our own choice: {1e3 * ROUNDNESS_PER_BALL_DIAMETER:g} um per mm of ball diameter.
  [[measurement.limit]]
  characteristic = "roundness_total"
  upper = {toml_value(roundness)}
  caution = 0.75                # share of the limit from which a value is cautioned

  # Common practice: the limit falls with 1/UPR, since a wave of n UPR moves the ball with a velocity amplitude
  # of 2 pi n times turning frequency times amplitude. The level is our own choice: {VELOCITY_MM_S:g} mm/s
  # at {speed:g} rpm.
  [[measurement.limit]]
  characteristic = "harmonic_amplitude"
  power = {{ upr = 20, nm = {toml_value(amplitude)}, exponent = -1.0 }}
  express = "amplitude"         # or "wave_depth", which is twice the amplitude
  caution = 0.75
"""


def _axial_limits(data: RecipeData) -> str:
    thread = data.thread
    # Never more than half of what is left to 0 and 90 degrees, so that the limits stay possible angles.
    half = min(
        CONTACT_ANGLE_HALF_WIDTH_DEG, 0.5 * thread.contact_angle_deg, 0.5 * (90 - thread.contact_angle_deg)
    )
    low, high = (_plain_number(thread.contact_angle_deg + sign * half) for sign in (-1, 1))
    # A conformity of 0.5 is a ball that fits its groove exactly: the lower limit must stay above.
    width = min(CONFORMITY_HALF_WIDTH, 0.5 * (thread.track_conformity - 0.5))
    tight, wide = (_plain_number(thread.track_conformity + sign * width) for sign in (-1, 1))
    form = _round(1e3 * FLANK_FORM_PER_BALL_DIAMETER * thread.ball_diameter_mm)
    small, large = (_plain_number(thread.ball_pitch_circle_mm + s * BALL_CIRCLE_HALF_WIDTH_MM) for s in (-1, 1))
    text = f"""# Contact angle: nominal +- {half:g} deg, common practice.
# Track conformity: nominal +- {width:g}, common practice.
# Flank form: {1e3 * FLANK_FORM_PER_BALL_DIAMETER:g} um per mm of ball diameter, our own choice.
# Ball pitch circle: nominal +- {BALL_CIRCLE_HALF_WIDTH_MM:g} mm, our own choice.
"""
    for side in ("left", "right"):
        text += _limit(f"contact_angle_{side}", low, high)
    for side in ("left", "right"):
        text += _limit(f"track_conformity_{side}", tight, wide)
    for side in ("left", "right"):
        text += _limit(f"flank_form_{side}", None, form)
    return text + _limit("ball_pitch_circle_diameter", small, large)


def _travel_limits(_data: RecipeData) -> str:
    return """
  # The grade is the drawing's to say; 5 only stands in for it. Its limits are those of ISO 3408-3.
  [[measurement.limit]]
  grade = 5
"""


def _limit(characteristic: str, lower: float | None, upper: float | None) -> str:
    lines = ["", "  [[measurement.limit]]", f"  characteristic = {toml_value(characteristic)}"]
    lines += [f"  {key} = {toml_value(v)}" for key, v in (("lower", lower), ("upper", upper)) if v is not None]
    return "\n".join(lines) + "\n"


def _plain_number(value: float) -> float:
    """Without the last bits that adding leaves."""
    return float(f"{value:.10g}")


def _round(value: float) -> float:
    """To two significant digits, as a starting value deserves."""
    return float(f"{value:.1e}")

"""Pictures of an axial trace: each groove in its normal plane with the seated ball, and the pitch."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from edgeagent.codec.records.archived_result import ArchivedResult
from edgeagent.model import FloatArray
from edgeagent.model.records import JudgedValue, given
from edgeagent.printable import NARROW_SPACE
from edgeagent.report.closeness import has_limit, order_key
from edgeagent.report.pictures.draw import (
    COMPARED,
    GREY,
    INK,
    KEY_IN,
    LEFT,
    LEFT_MARK,
    LIMIT,
    MEASURED,
    MEASURED_MARK,
    NOMINAL,
    PALE,
    RIGHT,
    RIGHT_MARK,
    UNCERTAINTY,
    Picture,
    halo,
    key_above,
    limit_lines,
    picture,
)
from edgeagent.report.words import printable, value_text

GROOVES_MAX = 12
# Large enough to see, small enough that left and right flank stay apart.
_RESIDUAL_SHARE = 0.16
_FLANKS = (("left", -1.0, LEFT, LEFT_MARK), ("right", 1.0, RIGHT, RIGHT_MARK))

Groove = Mapping[str, Any]


def groove_pictures(
    result: ArchivedResult,
    name: str,
    sections: Mapping[str, tuple[FloatArray, FloatArray]],
    others: Sequence[ArchivedResult | None] = (),
) -> tuple[list[Picture], int]:
    """Grooves in the normal plane, nearest to their limits where there are too many; how many more.

    ``sections`` are the measured sections by groove, ``others`` what ``COMPARED`` names, in its order.
    """
    grooves = _grooves_of(result)
    by_groove: dict[str, list[JudgedValue]] = {}
    for c in result.characteristics:
        by_groove.setdefault(c.instance, []).append(c)

    def worst(groove: Groove) -> tuple[int, float, float]:
        judged = [order_key(c) for c in by_groove.get(groove["instance"], []) if has_limit(c)]
        return min(judged, default=(2, 0.0, 0.0))

    # The worst are chosen and then drawn in the order of the part, as the reader will look for them.
    first = sorted(range(len(grooves)), key=lambda i: worst(grooves[i]))[:GROOVES_MAX]
    chosen = [grooves[i] for i in sorted(first)]
    # One for all, so that grooves can be compared by eye.
    gain = _magnification(chosen)
    second = [{g["instance"]: g for g in ([] if o is None else _grooves_of(o))} for o in others]
    found = []
    for i, groove in enumerate(chosen):
        instance = groove["instance"]
        beside = [s.get(instance) for s in second]
        values = by_groove.get(instance, [])
        found.append(_groove_picture(groove, values, gain, f"{name}-{i}", sections.get(instance), beside))
    return found, len(grooves) - len(found)


def _grooves_of(result: ArchivedResult) -> Sequence[Groove]:
    found: Sequence[Groove] = result.details.get("axial", {}).get("grooves", [])
    return found


def _ball_mm(groove: Groove) -> float:
    """Radius of the seated ball: from its centre to a contact point."""
    (u0, h0), (u, h) = groove["centre_mm"], groove["left"]["contact_mm"]
    return float(np.hypot(u - u0, h - h0))


def _magnification(grooves: Sequence[Groove]) -> float:
    """A round number, the same for all grooves, that makes the largest residual a part of the ball's radius."""
    # Without what was left out as dust: one speck would flatten every groove.
    kept = [
        float(np.max(np.abs(np.delete(g[s]["residual_um"], g[s]["left_out"])), initial=0.0))
        for g in grooves
        for s in ("left", "right")
    ]
    residual = max(kept, default=0.0)
    if residual <= 0:
        return 1.0
    wanted = _RESIDUAL_SHARE * _ball_mm(grooves[0]) / (residual * 1e-3)
    power = 10.0 ** np.floor(np.log10(wanted))
    return float(power * max(k for k in (1, 2, 5) if k * power <= wanted))


def _groove_picture(
    groove: Groove,
    values: Sequence[JudgedValue],
    gain: float,
    name: str,
    section: tuple[FloatArray, FloatArray] | None,
    beside: Sequence[Groove | None],
) -> Picture:
    """The groove as it was measured on the left, its flanks' residuals magnified on the right."""
    ball = _ball_mm(groove)
    angles = {s: _find(values, f"contact_angle_{s}") for s in ("left", "right")}

    def paint(figure: Figure) -> None:
        true, magnified = figure.subplots(1, 2, gridspec_kw={"wspace": 0.04})
        for axes in (true, magnified):
            axes.set_aspect("equal")
            axes.set_axis_off()
            turn = np.linspace(0, 2 * np.pi, 121)
            axes.plot(ball * np.cos(turn), ball * np.sin(turn), **NOMINAL)
            axes.plot([0, 0], [-1.25 * ball, 0.1 * ball], color=GREY, linewidth=0.6)
            axes.plot([0], [0], "+", color=INK, markersize=7)
            # the same room in every groove so that they can be compared
            axes.set_xlim(-1.36 * ball, 1.36 * ball)
            axes.set_ylim(-1.36 * ball, 0.36 * ball)
        _as_measured(true, groove, section, _find(values, "root_clearance"), ball)
        for side, sign, style, mark in _FLANKS:
            for (thin, _), other in zip(COMPARED, beside, strict=False):
                if other is not None:
                    _residual(
                        magnified, other[side], groove[side]["arc"], groove["centre_mm"], gain, thin, ball
                    )
            _flank(magnified, groove[side], groove["centre_mm"], gain, style, mark, ball)
            _angle(magnified, angles[side], sign, ball, float(groove["axis_turn_deg"]), style)

    instance = printable(groove["instance"])
    shown = f"{gain:,.0f}".replace(",", NARROW_SPACE)
    return picture(
        f"Groove {instance}",
        f"Residuals magnified {shown} times.",
        paint,
        name=name,
        size_in=(5.6, 1.8),
    )


def _as_measured(
    axes: Axes,
    groove: Groove,
    section: tuple[FloatArray, FloatArray] | None,
    clearance: JudgedValue | None,
    ball: float,
) -> None:
    """Section, arcs and contacts at one scale, and the gap at the root by its number."""
    u0, h0 = groove["centre_mm"]
    if section is not None:
        u, h = section
        axes.plot(u - u0, h - h0, **{**MEASURED, "linewidth": 2.0})
        axes.fill_between(u - u0, h - h0, -1.36 * ball, facecolor=UNCERTAINTY["color"], alpha=0.35, linewidth=0)
    for side, sign, style, mark in _FLANKS:
        arc = groove[side]["arc"]
        angle = np.radians(np.linspace(0.0, 90.0, 60)) * sign
        radius = arc["radius_mm"]
        x, y = arc["u_mm"] - u0 + radius * np.sin(angle), arc["h_mm"] - h0 - radius * np.cos(angle)
        inside = np.abs(x) < 1.3 * ball
        axes.plot(x[inside], y[inside], **{**style, "linewidth": 0.9})
        contact = np.array(groove[side]["contact_mm"]) - (u0, h0)
        axes.plot(*contact, mark, color=style["color"], markersize=9, markeredgecolor="white", zorder=6)
    if clearance is not None and clearance.value is not None:
        text = value_text(clearance.value, clearance.expanded_uncertainty, (clearance.lower, clearance.upper))
        axes.annotate(
            f"root {text} µm", (0, -ball), xytext=(0, -0.45 * ball), ha="center", va="center", color=INK,
            arrowprops={"arrowstyle": "-", "color": GREY, "linewidth": 0.6}, path_effects=halo(),
        )  # fmt: skip


def _flank(
    axes: Axes,
    flank: Mapping[str, Any],
    origin: Sequence[float],
    gain: float,
    style: Mapping[str, Any],
    mark: str,
    ball: float,
) -> None:
    """Best-fit arc, measured flank with its residual magnified along the arc's normal, contact."""
    _residual(axes, {**flank, "residual_um": [0.0] * len(flank["u_mm"])}, flank["arc"], origin, gain,
              {"color": PALE, "linewidth": 1.2, "zorder": 1}, ball)  # fmt: skip
    _residual(axes, flank, flank["arc"], origin, gain, {**style, "linewidth": 1.0}, ball)
    contact = np.array(flank["contact_mm"]) - origin
    axes.plot(*contact, mark, color=style["color"], markersize=10, markeredgecolor="white", zorder=6)


def _residual(
    axes: Axes,
    flank: Mapping[str, Any],
    arc: Mapping[str, float],
    origin: Sequence[float],
    gain: float,
    style: Mapping[str, Any],
    ball: float,
) -> None:
    """A flank's residual from its own arc, magnified along the normal of the arc that is drawn."""
    own = flank["arc"]
    angle = np.arctan2(np.array(flank["u_mm"]) - own["u_mm"], own["h_mm"] - np.array(flank["h_mm"]))
    # material that stands proud lies nearer to the arc's centre
    proud = np.array(flank["residual_um"]) * 1e-3 * gain
    kept = np.ones(proud.size, dtype=bool)
    kept[np.array(flank["left_out"], dtype=int)] = False
    # Cut off at half a ball, or a fault that dwarfs the rest would be drawn over the other flank.
    radius = arc["radius_mm"] - np.where(kept, np.clip(proud, -ball / 2, ball / 2), np.nan)
    x = arc["u_mm"] - origin[0] + radius * np.sin(angle)
    y = arc["h_mm"] - origin[1] - radius * np.cos(angle)
    axes.plot(x, y, **style)


def _angle(
    axes: Axes, c: JudgedValue | None, sign: float, ball: float, turn_deg: float, style: Mapping[str, Any]
) -> None:
    """The contact angle as a ray and a number, its limits as short heavy rays where the ball's circle ends."""
    if c is None or c.value is None:
        return

    def ray(degrees: float, near: float, far: float, **how: Any) -> None:
        a = np.radians(degrees + sign * turn_deg)
        x, y = sign * np.sin(a), -np.cos(a)
        axes.plot([near * ball * x, far * ball * x], [near * ball * y, far * ball * y], **how)

    ray(c.value, 0.0, 1.0, color=style["color"], linewidth=0.9)
    for bound in (c.lower, c.upper):
        if bound is not None:
            ray(bound, 1.2, 1.34, **LIMIT)
    ray(c.value, 1.2, 1.3, color=MEASURED["color"], linewidth=1.2)
    noise_only = given(c.noise_only, False)
    text = value_text(c.value, c.expanded_uncertainty, (c.lower, c.upper), noise_only=noise_only)
    axes.text(sign * 0.45 * ball, 0.1 * ball, f"{text}°", ha="center", va="bottom", color=INK)


def _find(values: Sequence[JudgedValue], name: str) -> JudgedValue | None:
    return next((c for c in values if c.name == name), None)


def pitch_picture(
    result: ArchivedResult, name: str, others: Sequence[ArchivedResult | None] = ()
) -> Picture | None:
    """Pitch deviation of each pair with its limits, and how it sums up; None for a single groove.

    ``others`` are what ``COMPARED`` names, in its order.
    """
    details = result.details.get("axial", {})
    pairs = _pitch_pairs(result)
    sums: Sequence[Mapping[str, Any]] = details.get("cumulative_deviation", [])
    if not pairs:
        return None
    sides = [s for s in ("top", "bottom") if any(c.instance.startswith(s) for c in pairs)]

    def paint(figure: Figure) -> None:
        every = figure.subplots(1, len(sides), sharey=True, squeeze=False)[0]
        for axes, side in zip(every, sides, strict=True):
            axes.grid(visible=True, axis="y")
            here = [c for c in pairs if c.instance.startswith(side)]
            cumulated = [
                (_number(s["instance"]), s["deviation_um"]) for s in sums if s["instance"].startswith(side)
            ]
            # Sums stand at the groove that they reach.
            if cumulated:
                x, y = np.array(sorted(cumulated)).T
                axes.plot(x, y, label="summed up", color=GREY, linewidth=1.0, marker="x", markersize=5)
            # Between the two grooves whose distance it is.
            middle = [_number(c.instance) + 0.5 for c in here]
            spread = [c.expanded_uncertainty or 0.0 for c in here]
            axes.errorbar(
                middle, [c.value for c in here], yerr=spread, fmt=MEASURED_MARK, color=MEASURED["color"],
                ecolor=GREY, capsize=3, markersize=5, label="of a pair",
            )  # fmt: skip
            for other, (thin, label) in zip(others, COMPARED, strict=False):
                theirs = [c for c in _pitch_pairs(other) if c.instance.startswith(side)]
                if theirs:
                    x = [_number(c.instance) + 0.5 for c in theirs]
                    axes.plot(x, [c.value for c in theirs], label=label, **thin)
            axes.set_xlabel(f"groove, {side}")
            axes.xaxis.get_major_locator().set_params(integer=True)
            axes.margins(x=0.12)
        every[0].set_ylabel("pitch deviation in µm")
        _with_limits(every, pairs[0])
        key_above(every[0], 5)

    caption = "Actual less nominal pitch of neighbouring grooves, and the sum from the first groove on."
    return picture(
        "Pitch",
        caption,
        paint,
        name=name,
        shape="wide" if len(sides) > 1 else "",
        size_in=(3.2 * len(sides), 3.0),
        top_in=KEY_IN,
    )


def _pitch_pairs(result: ArchivedResult | None) -> list[JudgedValue]:
    """The pitch deviations of pairs that have a value."""
    values = () if result is None else result.characteristics
    return [c for c in values if c.name == "pitch_deviation" and c.instance and c.value is not None]


def _with_limits(every: Sequence[Axes], c: JudgedValue) -> None:
    """The same range for all sides, the limits in it."""
    bounds = [b for b in (c.lower, c.upper) if b is not None]
    low, high = every[0].get_ylim()
    low, high = min([low, *(1.2 * b for b in bounds)]), max([high, *(1.2 * b for b in bounds)])
    every[0].set_ylim(low, high)
    for axes in every:
        limit_lines(axes, c.lower, c.upper)


def _number(instance: str) -> float:
    """The groove's number in ``top[2]``, or the first of ``top[2-3]``."""
    inside = instance.partition("[")[2].rstrip("]")
    return float(inside.split("-")[0]) if inside.split("-")[0].isdigit() else 0.0

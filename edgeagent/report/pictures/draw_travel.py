"""Picture of a lead test: travel deviation, its mean line, the band about it and the worst windows."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from edgeagent.codec.records.archived_result import ArchivedResult
from edgeagent.model.records import JudgedValue
from edgeagent.report.pictures.draw import (
    COMPARED,
    GREY,
    KEY_IN,
    LIMIT,
    MEASURED,
    NOMINAL,
    PALE,
    Picture,
    key_above,
    picture,
)
from edgeagent.report.words import value_text

_WINDOWS = {"travel_variation_300": "300 mm", "travel_variation_turn": "one turn"}


def travel_picture(
    result: ArchivedResult, name: str, others: Sequence[ArchivedResult | None] = ()
) -> Picture | None:
    """The travel curve with what was found in it; None where the trace yielded no curve.

    ``others`` are what ``COMPARED`` names, in its order.
    """
    details = result.details
    if "curve" not in details:
        return None
    travel = np.array(details["curve"]["travel_mm"])
    deviation = np.array(details["curve"]["deviation_um"])
    ends = np.array(details["mean_line"]["travel_mm"])
    line = np.array(details["mean_line"]["deviation_um"])
    low, high = details["band_um"]
    by_name = {c.name: c for c in result.characteristics}
    variation = by_name.get("travel_variation")
    allowed = variation.upper if variation is not None else None

    def paint(figure: Figure) -> None:
        axes = figure.add_subplot()
        axes.grid(visible=True)
        axes.plot(travel, deviation, label="measured", **{**MEASURED, "linewidth": 0.8})
        for other, (style, label) in zip(others, COMPARED, strict=False):
            curve = {} if other is None else other.details.get("curve", {})
            if curve:
                axes.plot(curve["travel_mm"], curve["deviation_um"], label=label, **style)
        axes.plot(ends, line, label="mean travel", **{**NOMINAL, "linewidth": 1.6})
        if allowed is not None:
            # Variation is a width about the mean line: the limit is drawn where the band lies in it.
            middle = (low + high) / 2
            axes.plot(ends, line + middle + allowed / 2, label="limit of the variation", **LIMIT)
            axes.plot(ends, line + middle - allowed / 2, **LIMIT)
        bottom, top = axes.get_ylim()
        height = top - bottom
        # Room for the brackets below the curve.
        axes.set_ylim(bottom - 0.32 * height, top)
        for row, window in enumerate(details["windows"]):
            _bracket(axes, window, by_name.get(window["name"]), bottom - (0.05 + 0.13 * row) * height)
        axes.set_xlabel("travel in mm")
        axes.set_ylabel("deviation in µm")
        key_above(axes, 5)

    caption = (
        "Actual less nominal travel within the useful travel. Brackets show where the variation within a "
        "window is largest; the variation is measured about the mean travel."
    )
    return picture(
        "Travel deviation", caption, paint, name=name, size_in=(8.2, 3.6), shape="wide", top_in=KEY_IN
    )


def mean_travel_picture(result: ArchivedResult, name: str) -> Picture | None:
    """The curve inside the fan that the limits of the mean travel deviation allow; None without such limits."""
    details = result.details
    mean = next((c for c in result.characteristics if c.name == "mean_travel_deviation"), None)
    if "mean_line" not in details or mean is None or mean.value is None or mean.upper is None:
        return None
    start, end = details["mean_line"]["travel_mm"]
    first, last = details["mean_line"]["deviation_um"]
    aim = (last - first) - mean.value  # what the part is meant to gain over the useful travel

    def paint(figure: Figure) -> None:
        axes = figure.add_subplot()
        axes.grid(visible=True)
        axes.plot(
            [start, end], [0, last - first], label="mean travel, measured", **{**MEASURED, "linewidth": 1.8}
        )
        axes.plot([start, end], [0, aim], label="wanted", **NOMINAL)
        bounds = [aim + b for b in (mean.lower, mean.upper) if b is not None]
        for i, bound in enumerate(bounds):
            axes.plot([start, end], [0, bound], label=None if i else "limit", **LIMIT)
        # From the limits and the value, so that a slope far outside is still in the picture.
        reach = 1.35 * max(abs(v) for v in (*bounds, last - first))
        axes.fill_between([start, end], [0, max(bounds)], [reach, reach], facecolor="none", edgecolor=PALE,
                          hatch="////", linewidth=0)  # fmt: skip
        axes.fill_between([start, end], [0, min(bounds)], [-reach, -reach], facecolor="none", edgecolor=PALE,
                          hatch="////", linewidth=0)  # fmt: skip
        axes.set_ylim(-reach, reach)
        axes.set_xlabel("travel in mm")
        axes.set_ylabel("mean deviation in µm")
        key_above(axes, 3)

    caption = (
        "Slope of the mean travel from the start of the useful travel, against the slopes that are allowed."
    )
    return picture("Mean travel", caption, paint, name=name, top_in=KEY_IN)


def _bracket(axes: Axes, window: Mapping[str, Any], c: JudgedValue | None, y: float) -> None:
    """A window with its variation, printed as everywhere else on the page."""
    start, end = window["start_mm"], window["end_mm"]
    axes.plot([start, end], [y, y], color=GREY, linewidth=1.4, marker="|", markersize=8)
    known = (None, ()) if c is None else (c.expanded_uncertainty, (c.lower, c.upper))
    judged = window["variation_um"] if c is None or c.value is None else c.value
    value = value_text(judged, *known)
    words = f"{_WINDOWS.get(window['name'], '')}: {value} µm"
    axes.annotate(
        words, ((start + end) / 2, y), xytext=(0, -3), textcoords="offset points", ha="center", va="top"
    )

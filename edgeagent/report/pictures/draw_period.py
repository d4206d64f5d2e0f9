"""Picture of one characteristic over a period, with its limits as they were at each time."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib import dates
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from edgeagent.codec.plain_text import count_text
from edgeagent.model import FloatArray
from edgeagent.report.period_series import AT, BAD, UPPER, VALUE, ValueSeries
from edgeagent.report.pictures.draw import CAUTION, GREY, LIMIT, MEASURED, MEASURED_MARK, PALE, Picture, picture
from edgeagent.report.words import feature_text, name_text, printable, unit_text

_DATES: Any = dates
_DAY_S = 86400.0


def series_picture(series: ValueSeries, name: str) -> Picture:
    """Values over time with uncertainty, caution and limits; undulations as a share of their limit."""
    relative = series.name == "harmonic_amplitude"
    at = series.points[:, AT] / _DAY_S
    bad = series.points[:, BAD] > 0
    table = series.points[:, VALUE:BAD].copy()
    if relative:
        # A copy, since the divisor is a column of what is divided.
        table /= table[:, UPPER - VALUE, None].copy()
    value, spread, lower, upper, caution, caution_low = table.T

    def paint(figure: Figure) -> None:
        axes = figure.add_subplot()
        axes.grid(visible=True, axis="y")
        # One moment alone gets half an hour on each side: an axis needs a width.
        span = [at[0], at[-1]] if at[-1] > at[0] else [at[0] - 0.02, at[0] + 0.02]
        room = 0.03 * (span[1] - span[0])
        axes.set_xlim(span[0] - room, span[1] + room)
        known = np.isfinite(spread)
        axes.errorbar(at[known], value[known], yerr=spread[known], fmt="none", ecolor=GREY, elinewidth=1.0)
        axes.plot(at, value, MEASURED_MARK, color=MEASURED["color"], markersize=4.5, label="measured")
        if np.any(bad):
            axes.plot(
                at[bad], value[bad], MEASURED_MARK, markersize=10, markerfacecolor="none",
                markeredgecolor="#000000", label="not conforming",
            )  # fmt: skip
        _bounds(axes, at, lower, upper, room)
        for line in (caution, caution_low):
            if np.any(np.isfinite(line)):
                axes.plot(*_steps(at, line, room), label=None if line is caution_low else "caution", **CAUTION)
        unit = unit_text(series.unit)
        axes.set_ylabel("share of the limit" if relative else f"value in {unit}" if unit else "value")
        locator = _DATES.AutoDateLocator(minticks=2, maxticks=6)
        axes.xaxis.set_major_locator(locator)
        axes.xaxis.set_major_formatter(_DATES.ConciseDateFormatter(locator))

    what = name_text(series.name, series.instance)
    title = f"{printable(series.subject)}, {feature_text(series.feature)}: {what}"
    nearest = " The undulation nearest to its limit in each trace." if relative else ""
    caption = f"{count_text(series.count, 'value')}.{nearest}"
    return picture(title, caption, paint, name=name, size_in=(5.2, 2.7))


def _steps(at: FloatArray, line: FloatArray, room: float) -> tuple[Any, Any]:
    """A line that keeps its height until the next point, from edge to edge of the plot."""
    return np.concatenate(([at[0] - room], at, [at[-1] + room])), np.concatenate(([line[0]], line, [line[-1]]))


def _bounds(axes: Axes, at: FloatArray, lower: FloatArray, upper: FloatArray, room: float) -> None:
    """Limits as heavy steps, hatched beyond; the range of the plot reaches over them."""
    low, high = axes.get_ylim()
    known = [b[np.isfinite(b)] for b in (lower, upper)]
    if known[1].size:
        high = max(high, float(known[1].max()))
        low = min(low, 0.0) if not known[0].size else low
    if known[0].size:
        low = min(low, float(known[0].min()))
    height = high - low
    low, high = (low - 0.12 * height if known[0].size else low), high + 0.12 * height
    for bound, end, has in ((lower, low, known[0].size), (upper, high, known[1].size)):
        if has:
            x, y = _steps(at, bound, max(room, 0.02))
            axes.plot(x, y, drawstyle="steps-post", **LIMIT)
            axes.fill_between(
                x, y, end, step="post", facecolor="none", edgecolor=PALE, hatch="////", linewidth=0
            )
    axes.set_ylim(low, high)

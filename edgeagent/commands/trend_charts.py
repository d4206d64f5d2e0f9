"""Charts of a trend: as characters for any terminal, as a picture where the extra is installed."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from edgeagent.codec.plain_text import clean, number
from edgeagent.commands.trend_capability import index_words
from edgeagent.errors import AgentError, UsageError
from edgeagent.judging.studies.trend import Trend
from edgeagent.rules.control_charts import ControlChart

_PICTURES_MAX = 8
"""Rows of a picture: more could not be read on a sheet."""
_WIDTH, _HEIGHT = 64, 11
_LIMIT_COLOUR, _SIGNAL_COLOUR = "#0b5d6b", "#1c2733"
"""Colours of a picture: those of the report."""


def plot_chart(values: Sequence[float], chart: ControlChart, marked: set[int], unit: str) -> list[str]:
    """Values over their order as characters: ``o`` for a value, ``X`` for one beyond a limit.

    Dashes are the limits, dots the centre. Of a series longer than the chart is wide the newest are shown.
    """
    begin = max(0, len(values) - _WIDTH)
    shown = values[begin:]
    lines_at = (chart.lower[-1], chart.centre, chart.upper[-1])
    low, high = min((*shown, *lines_at)), max((*shown, *lines_at))
    # Never 0: a baseline without spread has no chart, so that its limits lie apart.
    step = (high - low) / (_HEIGHT - 1)

    def row_of(value: float) -> int:
        return min(_HEIGHT - 1, max(0, math.floor((high - value) / step + 0.5)))

    rows = [[" "] * len(shown) for _ in range(_HEIGHT)]
    for level, mark in zip(lines_at, "-.-", strict=True):
        # Lines first: a value on its limit must cover it.
        rows[row_of(level)] = [mark] * len(shown)
    for column, value in enumerate(shown):
        rows[row_of(value)][column] = "X" if begin + column in marked else "o"
    names = {row_of(chart.upper[-1]): chart.upper[-1], row_of(chart.centre): chart.centre}
    names[row_of(chart.lower[-1])] = chart.lower[-1]
    labels = [number(names[r]) if r in names else "" for r in range(_HEIGHT)]
    left = max(len(label) for label in labels) + 2
    lines = [f"  {clean(unit)}"]
    lines += [f"{label:>{left}} |{''.join(row)}".rstrip() for label, row in zip(labels, rows, strict=True)]
    return [*lines, f"{'':>{left}} +{'-' * len(shown)} values {begin + 1} to {len(values)}"]


def draw_trends(trends: Sequence[Trend], path: Path) -> None:
    """The three charts of each series in a row of one picture."""
    drawable = [t for t in trends if t.baseline is not None]
    if not drawable:
        raise AgentError(f"{path}: no picture: no series has a spread to judge by")
    if len(drawable) > _PICTURES_MAX:
        raise UsageError(
            f"--picture draws {_PICTURES_MAX} series at most, these are {len(drawable)}: narrow them down with "
            "--characteristic, --part or --instrument"
        )
    try:
        from matplotlib.figure import Figure
    except ImportError as error:
        raise AgentError('--picture needs the extra "report": pip install "edgeagent[report]"') from error
    figure = Figure(figsize=(13, 0.4 + 2.6 * len(drawable)), layout="constrained")
    grid = figure.subplots(len(drawable), 3, squeeze=False)
    for row, one in zip(grid, drawable, strict=True):
        _draw_row(row, one)
    try:
        figure.savefig(path, dpi=110)
    except (OSError, ValueError) as error:
        raise AgentError(f"{path}: no picture: {error}") from error


def _draw_row(row: Any, one: Trend) -> None:
    assert one.individuals is not None
    assert one.ewma is not None
    assert one.cusum is not None
    last = one.series.found[-1]
    numbers = range(1, len(one.series.found) + 1)
    for axes, (name, chart) in zip(row, (("individuals", one.individuals), ("EWMA", one.ewma)), strict=False):
        axes.plot(numbers, chart.statistic, "-o", color="black", markersize=2.5, linewidth=0.7)
        axes.plot(numbers, chart.upper, "--", numbers, chart.lower, "--", color="0.45", linewidth=0.9)
        axes.axhline(chart.centre, color="0.7", linewidth=0.8)
        _mark(axes, [s.index + 1 for s in chart.signals], [s.statistic for s in chart.signals])
        axes.set_title(name, fontsize=9)
    _tolerance(row[0], (last.lower, last.upper))
    row[0].set_ylabel(clean(last.unit))
    row[0].set_xlabel(
        f"values of {clean(one.series.found[0].measured_at[:10])} to {clean(last.measured_at[:10])}",
        fontsize=8,
    )
    row[0].set_title(f"{clean(one.series.title)}: individuals", fontsize=9)
    if one.capability is not None:
        shown = "shown in control" if one.capability.in_control else "control not shown"
        row[1].set_title(f"EWMA\n{index_words(one.capability)}, {shown}: {one.capability.reason}", fontsize=7)
    cusum, axes = one.cusum, row[2]
    axes.plot(numbers, cusum.high, "-", color="black", linewidth=1.0, label="rising")
    # Drawn downwards, so that both sums are read as directions.
    axes.plot(numbers, [-v for v in cusum.low], "-", color="0.4", linewidth=1.0, label="falling")
    for level in (cusum.decision, -cusum.decision):
        axes.axhline(level, color="0.45", linestyle="--", linewidth=0.9)
    signed = [(s.index + 1, s.statistic if s.side == "rising" else -s.statistic) for s in cusum.signals]
    _mark(axes, [x for x, _ in signed], [y for _, y in signed])
    axes.set_title("CUSUM", fontsize=9)
    axes.legend(fontsize=7, loc="best")
    for axes in row:
        axes.grid(True, linewidth=0.3)
        axes.tick_params(labelsize=8)


def _tolerance(axes: Any, limits: Sequence[float | None]) -> None:
    """Limits of the recipe as solid lines, unless they lie so far off that nothing else could be seen."""
    low, high = axes.get_ylim()
    for limit in limits:
        if limit is not None and low - (high - low) < limit < high + (high - low):
            axes.axhline(limit, color=_LIMIT_COLOUR, linewidth=1.4)


def _mark(axes: Any, across: Sequence[float], up: Sequence[float]) -> None:
    """A ring about each signal."""
    if across:
        axes.plot(across, up, "o", color=_SIGNAL_COLOUR, markersize=8, markerfacecolor="none")

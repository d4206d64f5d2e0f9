"""One appearance for each thing that a plot can show, and a figure as SVG text.

measured   solid petrol line or filled circle        limit      heavy black line, hatched beyond
caution    long-dashed grey line                     nominal    thin dotted grey line
left       solid blue line, triangle to the left     right      dash-dotted violet line, triangle to the right
uncertainty  grey interval                           last good part, earlier measurement: thin lines

Line styles, markers and hatching carry the meaning; colours only help. Texts of a plot are numbers, units and
names of characteristics; texts of a file never get into one.
"""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import matplotlib as mpl
import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from matplotlib.patheffects import withStroke
from matplotlib.ticker import FuncFormatter, LogLocator, NullFormatter

from edgeagent.model import FloatArray, IntArray

INK = "#1c2733"
GREY = "#5f6b76"
PALE = "#c9d0d6"
MEASURED: Mapping[str, Any] = {"color": "#0b5d6b", "linestyle": "-", "linewidth": 1.2}
LIMIT: Mapping[str, Any] = {"color": "#000000", "linestyle": "-", "linewidth": 2.2, "zorder": 8}
"""Above all else, so that no label hides it."""
CAUTION: Mapping[str, Any] = {"color": GREY, "linestyle": (0, (7, 3)), "linewidth": 1.3}
NOMINAL: Mapping[str, Any] = {"color": GREY, "linestyle": (0, (1, 2)), "linewidth": 1.0}
LEFT: Mapping[str, Any] = {"color": "#1f55a5", "linestyle": "-", "linewidth": 1.4}
RIGHT: Mapping[str, Any] = {"color": "#7d3c8c", "linestyle": (0, (6, 2, 1.5, 2)), "linewidth": 1.4}
LEFT_MARK, RIGHT_MARK, MEASURED_MARK = "<", ">", "o"
GOOD: Mapping[str, Any] = {"color": "#a34a00", "linestyle": "-", "linewidth": 0.8, "zorder": 1.8}
BEFORE: Mapping[str, Any] = {"color": "#4a4a4a", "linestyle": (0, (4, 1.6)), "linewidth": 0.8, "zorder": 1.8}
COMPARED = ((GOOD, "last good part"), (BEFORE, "measured before"))
"""Appearance and name of what a trace is compared with."""
UNCERTAINTY: Mapping[str, Any] = {"color": PALE, "linewidth": 0}

_RC: Mapping[str, Any] = {
    # Letters as text: searchable, read aloud, and smaller than their outlines.
    "svg.fonttype": "none",
    # A name with dollar signs is a name, no formula.
    "text.parse_math": False,
    "font.family": "sans-serif",
    "font.sans-serif": ["DejaVu Sans"],
    "font.size": 10,
    "axes.edgecolor": GREY,
    "axes.labelcolor": INK,
    "axes.linewidth": 0.8,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.titlesize": 10,
    "axes.titlelocation": "left",
    "axes.unicode_minus": True,
    "xtick.color": INK,
    "ytick.color": INK,
    "text.color": INK,
    "hatch.color": PALE,
    "hatch.linewidth": 0.8,
    "legend.frameon": True,
    "legend.framealpha": 0.92,
    "legend.edgecolor": "none",
    "legend.borderpad": 0.2,
    "legend.fontsize": 9,
    "grid.color": "#e3e7ea",
    "grid.linewidth": 0.6,
}
KEY_IN = 0.3
"""Room above a field for its key, one line."""
_LONG_NUMBER = re.compile(r"-?\d+\.\d{3,}")
_SVG = "http://www.w3.org/2000/svg"
_XLINK = "http://www.w3.org/1999/xlink"
ET.register_namespace("", _SVG)
ET.register_namespace("xlink", _XLINK)


@dataclass(frozen=True, slots=True)
class Picture:
    """A drawn figure: what it is called, its SVG element, one or two sentences on how to read it.

    ``shape`` is ``wide`` for the page's whole width, ``tall`` for two rows' height, else empty.
    """

    title: str
    svg: str
    caption: str
    shape: str = ""


def picture(
    title: str,
    caption: str,
    paint: Callable[[Figure], None],
    *,
    name: str,
    size_in: tuple[float, float] = (5.2, 3.3),
    shape: str = "",
    top_in: float = 0.1,
) -> Picture:
    """Paint a figure in the house's style; ``name`` keeps its element ids apart from other figures'.

    The margins are fixed, so that plots above one another line up; ``top_in`` is the upper one.
    """
    # The settings of the process stay as they are: a command may draw other charts too.
    with mpl.rc_context(_style(name)):
        # Without pyplot, which keeps every figure until it is closed and looks for a screen.
        figure = Figure(figsize=size_in)
        paint(figure)
        if any(axes.axison for axes in figure.axes):
            width, height = size_in
            figure.subplots_adjust(
                0.78 / width, 0.5 / height, 1 - 0.14 / width, 1 - top_in / height, wspace=0.1
            )
        else:
            figure.subplots_adjust(0.01, 0.01, 0.99, 0.99)
        buffer = io.StringIO()
        canvas: Any = FigureCanvasSVG(figure)
        # the date would make the same store give another file each time
        canvas.print_svg(buffer, metadata={"Date": None, "Creator": None})
    return Picture(title, _inline(buffer.getvalue(), title), caption, shape)


def _style(name: str) -> Any:
    return {**_RC, "svg.hashsalt": name}


def _inline(document: str, title: str) -> str:
    """The svg element alone, scalable, with a name for those who cannot see it and without idle ids."""
    # Our own SVG, from a library and not from a file.
    root = ET.fromstring(document)
    used = set()
    # Ids that something refers to must stay; all others only make the page larger.
    for element in root.iter():
        for value in element.attrib.values():
            if "url(#" in value:
                used.add(value.split("url(#", 1)[1].split(")", 1)[0])
            elif value.startswith("#"):
                used.add(value[1:])
    for element in root.iter():
        if element.get("id") not in used:
            element.attrib.pop("id", None)
        if "d" in element.attrib:
            element.set("d", _LONG_NUMBER.sub(_shorten, element.attrib["d"]))
    for child in [c for c in root if c.tag == f"{{{_SVG}}}metadata"]:
        root.remove(child)
    # Without a size of its own the picture takes the width that the page gives it.
    for key in ("width", "height", "version"):
        root.attrib.pop(key, None)
    root.set("role", "img")
    root.set("aria-label", title)
    return ET.tostring(root, encoding="unicode")


def _shorten(number: re.Match[str]) -> str:
    """A coordinate to a hundredth of a point: more digits cannot be seen."""
    return f"{float(number.group()):.2f}".rstrip("0").rstrip(".")


def plain_log(axes: Axes, *, x: bool = False, y: bool = False) -> None:
    """Logarithmic axes with plain numbers and light lines at the decades."""
    for wanted, axis, scale in ((x, axes.xaxis, axes.set_xscale), (y, axes.yaxis, axes.set_yscale)):
        if wanted:
            scale("log")
            axis.set_major_locator(LogLocator(base=10))
            axis.set_major_formatter(FuncFormatter(lambda v, _: f"{v:g}"))
            axis.set_minor_locator(LogLocator(base=10, subs=(2, 5)))
            axis.set_minor_formatter(NullFormatter())
    axes.grid(visible=True, which="major")
    axes.set_axisbelow(True)


def key_above(axes: Axes, ncols: int = 4) -> None:
    """The key above the field, where it hides nothing; ``picture`` needs ``top_in=KEY_IN`` for it."""
    if axes.get_legend_handles_labels()[1]:
        axes.legend(
            loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=ncols, frameon=False, borderaxespad=0.1,
            columnspacing=1.2, handlelength=1.8,
        )  # fmt: skip


def halo() -> list[Any]:
    """A thin white edge about letters, for labels on lines."""
    return [withStroke(linewidth=2.2, foreground="white")]


def limit_above(axes: Axes, x: FloatArray, upper: FloatArray, top: float, label: str | None = "limit") -> None:
    """An upper limit as a line over x, hatched up to ``top``."""
    axes.plot(x, upper, label=label, **LIMIT)
    axes.fill_between(
        x, upper, np.maximum(upper, top), facecolor="none", edgecolor=PALE, hatch="////", linewidth=0
    )


def limit_lines(axes: Axes, lower: float | None, upper: float | None, label: str | None = "limit") -> None:
    """Constant limits across a plot whose vertical range is already set; hatched outside."""
    low, high = axes.get_ylim()
    for bound, end in ((lower, low), (upper, high)):
        if bound is not None:
            axes.axhline(bound, label=label, **LIMIT)
            label = None
            if (end - bound) * (1 if end == high else -1) > 0:
                axes.axhspan(bound, end, facecolor="none", edgecolor=PALE, hatch="////", linewidth=0)
    axes.set_ylim(low, high)


def thin_samples(height: FloatArray, stretches: int) -> IntArray:
    """Numbers of the samples that keep highest and lowest of each of so many stretches, in order."""
    if height.size <= 2 * stretches:
        return np.arange(height.size, dtype=np.int64)
    # Rounded up, so that no sample is left over behind the last stretch.
    width = -(-height.size // stretches)
    blocks = np.pad(height, (0, width * stretches - height.size), mode="edge").reshape(stretches, width)
    first = np.arange(stretches) * width
    # Highest and lowest of each stretch: a single spike is what a picture must not lose.
    kept = np.unique(np.concatenate((first + blocks.argmin(axis=1), first + blocks.argmax(axis=1))))
    return kept[kept < height.size]

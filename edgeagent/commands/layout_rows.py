"""First rows of an export as its writer wrote them, beside the same rows as its layout reads them."""

from __future__ import annotations

from edgeagent.codec.plain_text import align_rows, clean
from edgeagent.codec.traces.delimited import rows_as_written
from edgeagent.codec.traces.layout import Layout
from edgeagent.model import SIDE_TOP, Trace

_ROWS = 3
_LINE_MAX = 60


def first_rows(layout: Layout, data: bytes, trace: Trace) -> list[str]:
    """Lines of text; of a file with several traces, those of the one trace."""
    written, first = rows_as_written(layout, data, _ROWS, trace.header.feature)
    names = list(trace.columns)
    lines = [f"  first rows as written (from line {first})"]
    lines += [f"    {clean(line.expandtabs(2))[:_LINE_MAX]}" for line in written]
    lines.append(f"  first rows as read by layout {clean(layout.layout)!r}")
    rows: list[tuple[str, ...]] = [("", *names)]
    rows += [
        ("", *(_text(name, float(trace.columns[name][k])) for name in names))
        for k in range(min(_ROWS, trace.points))
    ]
    return [*lines, *align_rows(rows), ""]


def _text(name: str, value: float) -> str:
    if name == "side":
        return "top" if value == SIDE_TOP else "bottom"
    # NaN is unequal to itself; "nan" would be no word to whoever set the instrument up.
    return f"{value:.6g}" if value == value else "lost"

"""Bytes of any file the intake may find, to a Trace: one place that decides which format it is."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from edgeagent.codec.traces.bounds import require_bounds
from edgeagent.codec.traces.delimited import claims, parse_with_layout
from edgeagent.codec.traces.delimited import trace_names as names_by_layout
from edgeagent.codec.traces.layout import Layout
from edgeagent.codec.traces.side_file import SideFile
from edgeagent.codec.traces.trace_text import looks_like_trace_text, parse_trace_text
from edgeagent.errors import TraceFormatError
from edgeagent.model import Trace

SIDE_FILE_SUFFIX = ".meta.toml"
"""A file of an open format has its header in NAME + this suffix."""
READ_NAMES = ("*.txt", "*.x3p", "*.smd")
"""Names that exports commonly have where no layout says otherwise; trace text is known by its content."""


@dataclass(frozen=True, slots=True)
class ReadTrace:
    """A trace, the layout that explained it and the side file that it came with; None where there is none."""

    trace: Trace
    layout: str | None = None
    side: SideFile | None = None


def needs_side_file(name: str) -> bool:
    """Whether a file's format carries no header of its own, so that its side file must be there too."""
    return name.lower().endswith((".x3p", ".smd"))


def trace_names(name: str, data: bytes, layouts: Mapping[str, Layout]) -> tuple[str, ...]:
    """The names under which the traces of a file are read: its own, or one for each trace where it has several.

    What more than one layout claims, or none, is one trace; reading it says what is wrong.
    """
    several = [layout for layout in layouts.values() if layout.traces is not None]
    # Most stations have no such layout: then no file is searched for what would claim it.
    if not several or needs_side_file(name) or not data:
        return (name,)
    claiming = [layout for layout in layouts.values() if claims(layout, name, data)]
    return names_by_layout(claiming[0], name) if len(claiming) == 1 else (name,)


def read_trace(name: str, data: bytes, side: bytes | None, layouts: Mapping[str, Layout]) -> ReadTrace:
    """A Trace from a file's bytes.

    ``name`` is the file's relative path, or that of one of its traces (``trace_names``), ``side`` the bytes of
    its side file or None, ``layouts`` the layouts by file name. Raises TraceFormatError when nothing or more
    than one thing explains the file, TraceIncompleteError when its writer may still be at work,
    TraceRangeError and TraceShapeError for numbers that are no trace.
    """
    found = _read(name, data, side, layouts)
    require_bounds(found.trace)
    return found


def _read(name: str, data: bytes, side: bytes | None, layouts: Mapping[str, Layout]) -> ReadTrace:
    if not data:
        raise TraceFormatError("the file is empty", expected="a trace")
    # By its name, before any layout: the bytes of a zip archive may match a careless pattern.
    if needs_side_file(name):
        from edgeagent.codec.traces.open_formats import read_open_format

        trace, side_file = read_open_format(name, data, side)
        return ReadTrace(trace, side=side_file)
    claiming = [key for key, layout in layouts.items() if claims(layout, name, data)]
    if len(claiming) > 1:
        raise TraceFormatError(
            f"layouts {', '.join(sorted(claiming))} all claim it",
            expected="one of them; narrow the names or contains of [match] in them",
        )
    if claiming:
        return ReadTrace(parse_with_layout(layouts[claiming[0]], name, data), claiming[0])
    # After the layouts: a station may have described files that begin with "#" in its own way.
    if looks_like_trace_text(data):
        return ReadTrace(parse_trace_text(data))
    raise TraceFormatError(
        "no layout claims it and it is not trace text",
        line=1,
        expected="a first line '# trace = 1', or a layout whose match.names fits the file's name",
    )

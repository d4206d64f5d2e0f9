"""Trace text, the project's own plain format: ``#`` lines hold one TOML document, then named columns."""

from __future__ import annotations

import re
from collections.abc import Mapping

import numpy as np

from edgeagent.codec.limits import COLUMNS_MAX, HEADER_BYTES_MAX
from edgeagent.codec.traces.header import header_from_mapping, read_header_toml, require_declared_points
from edgeagent.codec.traces.table import read_numbers
from edgeagent.errors import TraceFormatError, TraceIncompleteError
from edgeagent.model import SIDE_BOTTOM, SIDE_TOP, FloatArray, Trace

_BOM = b"\xef\xbb\xbf"
SIDE_LABELS = {"top": SIDE_TOP, "bottom": SIDE_BOTTOM}


def looks_like_trace_text(data: bytes) -> bool:
    """Whether the first bytes are those of the format: a ``#`` line that sets ``trace``."""
    return re.match(rb"(\xef\xbb\xbf)?#(.*\n#)*\s*trace\s*=", data[:65536]) is not None


def parse_trace_text(data: bytes) -> Trace:
    """A Trace from the bytes of a trace text file.

    Raises TraceFormatError with the line and what was expected there.
    """
    data = data.removeprefix(_BOM)
    head, names, body, first_line = _split(data)
    table = read_header_toml(head, "header")
    header = header_from_mapping(table)
    trace = Trace(header, named_columns(names, body, first_line))
    require_declared_points(table.get("points"), trace.points)
    return trace


def named_columns(names: list[str], body: bytes | memoryview, first_line: int) -> Mapping[str, FloatArray]:
    """Columns of comma-separated rows by name; the label column ``side`` becomes its code."""
    if len(set(names)) != len(names) or not all(names):
        raise TraceFormatError(
            f"column names {', '.join(names)[:200]!r}",
            line=first_line - 1,
            expected="different, non-empty names",
        )
    # A copy of all rows, which only traces with labels pay for.
    if "side" in names:
        body = code_labels(bytes(body))
    rows = read_numbers(body, columns=len(names), first_line=first_line)
    # Copies: views of a column would keep the whole table in memory and be read with strides by every analysis.
    return {name: np.ascontiguousarray(rows[:, i]) for i, name in enumerate(names)}


def code_labels(body: bytes) -> bytes:
    """The labels of the ``side`` column as numbers; a word that is no label stays and fails as a number."""
    for label, code in SIDE_LABELS.items():
        # The whole body at once, which is quick: in any other column these words are no number either way.
        body = body.replace(label.encode(), str(int(code)).encode())
    return body


def _split(data: bytes) -> tuple[str, list[str], memoryview, int]:
    """Header text, column names, rows and the line number of the first row."""
    lines: list[str] = []
    position = 0
    # Line by line instead of one pattern, so that no header is copied before its length is known.
    while data.startswith(b"#", position):
        if position > HEADER_BYTES_MAX:
            allowed = f"at most {HEADER_BYTES_MAX} bytes of it"
            raise TraceFormatError("the header does not end", line=len(lines) + 1, expected=allowed)
        end = data.find(b"\n", position)
        end = len(data) if end < 0 else end
        try:
            lines.append(data[position + 1 : end].decode("utf-8").rstrip("\r"))
        except UnicodeDecodeError as error:
            raise TraceFormatError("header is not UTF-8 text", line=len(lines) + 1) from error
        position = end + 1
    if not lines:
        raise TraceFormatError("no header", line=1, expected="lines that start with '#'")
    end = data.find(b"\n", position)
    if end < 0:
        # The writer has not come to the rows yet: the file is looked at again, not quarantined.
        raise TraceIncompleteError(
            "the file ends after its header", line=len(lines) + 1, expected="column names"
        )
    # Counted before they are split: a line of a million commas would become a million texts.
    if data.count(b",", position, end) >= COLUMNS_MAX:
        raise TraceFormatError("too many columns", line=len(lines) + 1, expected=f"at most {COLUMNS_MAX}")
    try:
        names = [name.strip() for name in data[position:end].decode("utf-8").split(",")]
    except UnicodeDecodeError as error:
        raise TraceFormatError("column names are not UTF-8 text", line=len(lines) + 1) from error
    # A view, since a slice would copy the rows, nearly the whole file.
    return "\n".join(lines), names, memoryview(data)[end + 1 :], len(lines) + 2

"""Delimited exports to traces, as their layout says.

A layout may say that a file holds several traces. Each of them then has a name of its own, that of the file
with ``#`` and the trace's feature behind it, under which it is read, recorded and computed again.
"""

from __future__ import annotations

import codecs
import fnmatch
import re
from typing import Any

import numpy as np
from msgspec.structs import replace

from edgeagent.codec.numbers import parse_number
from edgeagent.codec.traces.header import header_from_mapping
from edgeagent.codec.traces.layout import (
    NUMERIC_KEYS,
    Column,
    HeaderSource,
    Layout,
    convert_header_values,
    parse_moment,
    unit_factor,
)
from edgeagent.codec.traces.row_cells import CELL_MARK, is_row_of, needs_cells, plain_rows
from edgeagent.codec.traces.table import read_numbers
from edgeagent.codec.traces.trace_text import SIDE_LABELS
from edgeagent.errors import TraceFormatError
from edgeagent.model import FloatArray, Trace

_BOMS = ((codecs.BOM_UTF8, "utf-8"), (codecs.BOM_UTF16_LE, "utf-16-le"), (codecs.BOM_UTF16_BE, "utf-16-be"))
# As much as trace text may have before its rows; patterns are tried over no more, since they may be slow.
_HEADER_BYTES_MAX = 65536


def claims(layout: Layout, name: str, data: bytes) -> bool:
    """Whether a layout claims a file by its base name and, where asked, by its first lines.

    The name may be that of one of several traces of a file.
    """
    base = _file_and_feature(layout, name)[0].rsplit("/", 1)[-1].lower()
    if not any(fnmatch.fnmatchcase(base, pattern.lower()) for pattern in layout.match.names):
        return False
    if layout.match.contains is None:
        return True
    # A character may be cut in two at the end, and a wrong encoding must say "not mine" here, not raise.
    head = data[:_HEADER_BYTES_MAX].decode(_encoding(layout, data), errors="replace").replace("\r", "")
    return re.search(layout.match.contains, head.removeprefix("\ufeff"), re.MULTILINE) is not None


def trace_names(layout: Layout, name: str) -> tuple[str, ...]:
    """The names of the traces that a file holds by its layout: the file's own, or one for each feature."""
    if layout.traces is None:
        return (name,)
    return tuple(f"{name}#{feature}" for feature in layout.traces.names)


def file_of_trace(name: str) -> str:
    """The file that a trace's name may stand for: the name without ``#`` and what follows it."""
    return name.rpartition("#")[0] or name


def parse_with_layout(layout: Layout, name: str, data: bytes) -> Trace:
    """A Trace from a delimited export. Raises TraceFormatError with the line and what was expected.

    Of a file with several traces, ``name`` says which one.
    """
    file, feature = _file_and_feature(layout, name)
    if layout.traces is not None and feature is None:
        known = ", ".join(trace_names(layout, name.rsplit("/", 1)[-1]))
        raise TraceFormatError("the file holds several traces", expected=f"the name of one: {known}"[:300])
    head, body, first_line = _split(layout, _as_lines(layout, data))
    header = header_from_mapping(_header(layout, file, head, feature))
    rows, fields = _rows(layout, body, first_line, feature)
    return Trace(
        header, {c.name: _column(_of_feature(layout, c, feature), rows, fields) for c in layout.column}
    )


def rows_as_written(layout: Layout, data: bytes, count: int, feature: str) -> tuple[list[str], int]:
    """The first rows of one trace as its writer wrote them, and the line number of the first."""
    _, body, first_line = _split(layout, _as_lines(layout, data))
    by_rows = layout.traces is not None and layout.traces.field is not None
    found: list[str] = []
    first = first_line
    lines = (body if by_rows else body[:_HEADER_BYTES_MAX]).decode("utf-8", errors="replace").split("\n")
    for number, line in enumerate(lines, first_line):
        if not line.strip() or (by_rows and not is_row_of(layout, line, feature)):
            continue
        # Rows of other traces may stand before it: the number is that of the first row shown.
        first = first if found else number
        found.append(line)
        if len(found) == count:
            break
    return found, first


def _file_and_feature(layout: Layout, name: str) -> tuple[str, str | None]:
    """The file's own name, and which of its traces is meant where its layout knows several."""
    file, mark, feature = name.rpartition("#")
    # A file's own name may hold a "#": only what the layout names as a feature is one.
    if layout.traces is None or not mark or feature not in layout.traces.names:
        return name, None
    return file, feature


def _of_feature(layout: Layout, column: Column, feature: str | None) -> Column:
    if layout.traces is None or feature is None or column.name != layout.traces.of or not layout.traces.fields:
        return column
    return replace(column, field=layout.traces.fields[feature])


def _rows(layout: Layout, body: bytes, first_line: int, feature: str | None) -> tuple[FloatArray, int]:
    """The numbers of all rows, or of those of one trace, and how many fields a row has."""
    columns = [_of_feature(layout, c, feature) for c in layout.column]
    side = next((c for c in columns if c.name == "side"), None)
    if needs_cells(layout):
        body, fields = plain_rows(layout, columns, body, first_line, feature), layout.data.fields
        delimiter = CELL_MARK
    else:
        body, delimiter = _remove_quotes(body, _delimiter(layout), layout.text.decimal)
        fields = layout.data.fields
    # Where the layout says nothing the first row counts; every other one must then have as many.
    fields = fields or _count_fields(body, delimiter, first_line)
    return read_numbers(
        _code_sides(body, delimiter, side) if side is not None and side.field is not None else body,
        columns=fields,
        delimiter=delimiter,
        decimal=layout.text.decimal,
        first_line=first_line,
        missing=frozenset(m.lower() for m in layout.text.missing),
        used=frozenset(c.field - 1 for c in columns if c.field is not None),
    ), fields


def _column(column: Column, rows: FloatArray, fields: int) -> FloatArray:
    if column.per_turn is not None:
        # Multiplied, not summed up: a million added steps would drift by their rounding.
        return np.arange(len(rows), dtype=np.float64) * float(360.0 / column.per_turn)
    if column.step is not None:
        raw = np.arange(len(rows), dtype=np.float64) * column.step
    else:
        assert column.field is not None
        if column.field > fields:
            raise TraceFormatError(
                f"{fields} fields a line", expected=f"a field {column.field} for {column.name}"
            )
        # A copy: a view of one column would keep the whole table in memory as long as the trace lives.
        raw = np.ascontiguousarray(rows[:, column.field - 1])
    if column.scale != 1.0 or column.offset != 0.0:
        raw = raw * column.scale + column.offset
    factor = unit_factor(column.name, column.unit)
    if factor != 1.0:
        raw = raw * factor
    # Last, since a turn is 360 of the column's own unit, degrees, only from here on.
    return _join_turns(raw) if column.unwrap else raw


def _code_sides(body: bytes, delimiter: str, side: Column) -> bytes:
    """The labels in the field of ``side`` as numbers: ``top``, ``bottom`` and the layout's words for them."""
    codes = {label: b"%d" % code for label, code in SIDE_LABELS.items()}
    # All words at once: one after the other, a station that calls the top "bottom" would have one side only.
    codes |= {word: codes[label] for word, label in side.words.items()}
    coded = {word.encode("utf-8"): code for word, code in codes.items()}
    mark, before = re.escape(delimiter.encode()), int(side.field or 1) - 1
    # Only the field of the sides is looked at: a word such as 1 is a reading in any other.
    blank = rb"[ ]" if delimiter == "\t" else rb"[ \t]"  # a tab that delimits is none: it ends an empty cell
    head, end = rb"(?:[^%b\n]*%b){%d}%b*" % (mark, mark, before, blank), rb"%b*(?:$|%b)" % (blank, mark)
    if delimiter == " ":
        head, end = rb"[ \t]*(?:[^ \t\n]+[ \t]+){%d}" % before, rb"[ \t]|$"
    # Blanks are matched in one place alone, so that a line of 40,000 of them takes no square of that.
    words = b"|".join(map(re.escape, coded))
    cell = re.compile(rb"^(%b)(%b)(?=%b)" % (head, words, end), re.MULTILINE)
    return cell.sub(lambda found: found[1] + coded[found[2]], body)


def _join_turns(angle_deg: FloatArray) -> FloatArray:
    """Turns joined: a step back or forth of more than half a turn is the beginning of the next turn."""
    joined = angle_deg.copy()
    finite = np.isfinite(angle_deg)
    # Missing samples are stepped over: one NaN would make NaN of all angles behind it.
    joined[finite] = np.unwrap(angle_deg[finite], period=360.0)
    return joined


def _remove_quotes(body: bytes, delimiter: str, decimal: str) -> tuple[bytes, str]:
    """Rows without quotation marks; quoted numbers may use the comma for both, then a bar takes its place."""
    if b'"' not in body:
        if delimiter == decimal:
            raise TraceFormatError(
                "the comma is both delimiter and decimal mark", expected="quoted numbers, or another delimiter"
            )
        return body, delimiter
    if delimiter == decimal:
        # Only what stands between two quoted cells is a delimiter; the comma within them is a decimal mark.
        return body.replace(b'","', b"|").replace(b'"', b""), "|"
    return body.replace(b'"', b""), delimiter


def _delimiter(layout: Layout) -> str:
    return {"comma": ",", "semicolon": ";", "tab": "\t", "blanks": " ", "bar": "|"}[layout.text.delimiter]


def _encoding(layout: Layout, data: bytes) -> str:
    for mark, encoding in _BOMS:
        if data.startswith(mark):
            return encoding
    # Python's own "utf-16" without a mark follows the machine's byte order; exports come from Windows.
    return "utf-16-le" if layout.text.encoding == "utf-16" else layout.text.encoding


def _as_lines(layout: Layout, data: bytes) -> bytes:
    """The file as UTF-8 without a byte order mark, its lines ended by a line feed alone."""
    text = _as_utf8(layout, data)
    if b"\r" not in text:
        return text
    # CR LF leaves LF, so that lines keep their numbers; CR alone ends lines only where there is no LF at all.
    return text.replace(b"\r", b"") if b"\n" in text else text.replace(b"\r", b"\n")


def _as_utf8(layout: Layout, data: bytes) -> bytes:
    encoding = _encoding(layout, data)
    for mark, _ in _BOMS:
        data = data.removeprefix(mark)
    if encoding == "utf-8":
        try:
            # Rows must be numbers or words of the layout to be read, so that the header alone needs proof.
            data[:_HEADER_BYTES_MAX].decode("utf-8")
        except UnicodeDecodeError as error:
            if error.start < _HEADER_BYTES_MAX - 4:  # a character may be cut in two there
                raise TraceFormatError(f"not UTF-8 text at byte {error.start}", expected="utf-8") from error
        return data
    try:
        return data.decode(encoding).encode("utf-8")
    except UnicodeDecodeError as error:
        raise TraceFormatError(f"not {encoding} text at byte {error.start}", expected=encoding) from error


def _split(layout: Layout, data: bytes) -> tuple[str, bytes, int]:
    """Header text, the bytes of the rows, and the line number of the first row."""
    # Found without splitting: a list of all lines would take several times the memory of the file.
    if layout.data.first_line is not None:
        position = 0
        for skipped in range(layout.data.first_line - 1):
            position = data.find(b"\n", position) + 1
            if position == 0:
                raise TraceFormatError(f"the file ends at line {skipped + 1}", expected="data after it")
    else:
        # Data that begin later than this are not looked for: the pattern would run over megabytes of rows.
        head = data[:_HEADER_BYTES_MAX].decode("utf-8", errors="replace")
        found = re.search(str(layout.data.after), head, re.MULTILINE)
        if found is None:
            raise TraceFormatError("no line starts the data", expected=f"a line matching {layout.data.after!r}")
        lines = head.count("\n", 0, found.end())
        position = 0
        for _ in range(lines + 1):
            position = data.find(b"\n", position) + 1
            if position == 0:
                raise TraceFormatError("the file ends after its header", line=lines + 1)
    body = data[position:]
    if layout.data.until is not None:
        end = re.search(layout.data.until.encode("utf-8"), body, re.MULTILINE)
        # No end is no error: a file may stop where its rows do.
        body = body[: end.start()] if end else body
    # Replaced characters can do no harm: a header value with one matches no part and no recipe.
    return data[:position].decode("utf-8", errors="replace"), body, data.count(b"\n", 0, position) + 1


def _count_fields(body: bytes, delimiter: str, first_line: int) -> int:
    """Fields of the first row; empty lines may come before it."""
    lead = len(body) - len(body.lstrip(b" \n"))
    first = body[lead:].split(b"\n", 1)[0].decode("utf-8", errors="replace").strip(" ")
    if not first.strip():
        raise TraceFormatError("no data where they should start", line=first_line, expected="numbers")
    cells = first.split() if delimiter == " " else first.split(delimiter)
    # A delimiter at the end of each line makes no field.
    return len(cells) - (1 if len(cells) > 1 and not cells[-1].strip() else 0)


def _header(layout: Layout, name: str, head: str, feature: str | None) -> dict[str, Any]:
    # Constants first: what the file itself says of a key goes before what the layout assumes.
    found: dict[str, Any] = {"trace": 1, **layout.constants}
    if feature is not None:
        found["feature"] = feature
    if layout.file_name is not None:
        base = name.rsplit("/", 1)[-1]
        match = re.search(layout.file_name, base)
        if match is None:
            raise TraceFormatError(f"file name {base!r}", expected=f"a name matching {layout.file_name!r}")
        found.update({k: v for k, v in match.groupdict().items() if v is not None})
    for source in layout.header:
        if source.pattern is None:
            continue
        match = re.search(source.pattern, head, re.MULTILINE)
        groups = [group.strip() for group in match.groups() if group is not None] if match else []
        if not groups:
            if source.required:
                raise TraceFormatError(
                    f"header {source.key} not found", expected=f"a line matching {source.pattern!r}"
                )
            continue
        # A date and a time of day in two groups become one text for one format.
        found[source.key] = " ".join(groups)
    for source in layout.header:
        # After all sources, so that groups of the file's name are scaled and translated like those of a line.
        if isinstance(found.get(source.key), str):
            found[source.key] = _header_value(source, found[source.key], layout.text.decimal)
    return convert_header_values(found, layout.text.decimal)


def _header_value(source: HeaderSource, text: str, decimal: str) -> Any:
    if source.words:
        # An unknown word is never passed on: a direction of sensing by its own name would be taken for another.
        if text not in source.words:
            raise TraceFormatError(f"header {source.key}: {text!r}", expected=", ".join(source.words))
        text = source.words[text]
    if source.key == "measured_at":
        return parse_moment(text, source.format, source.zone)
    if source.key in NUMERIC_KEYS:
        return parse_number(text, decimal) * source.scale
    return text

"""Rows whose cells are no plain numbers yet: fields of fixed width, grouped digits, units behind numbers, and
rows that belong to one of several traces.

Cell by cell and strict: a group of digits that is none, a unit that is another one or a value that the layout
does not name makes the file unreadable. Lines keep their numbers, so that a complaint names the line.
"""

from __future__ import annotations

import csv
import re
from collections.abc import Sequence

from edgeagent.codec.numbers import MISSING_WORDS, NUMBER, parse_plain_number
from edgeagent.codec.traces.layout import Column, Layout, TextForm
from edgeagent.errors import TraceFormatError, TraceIncompleteError

CELL_MARK = "\x1f"
"""Between the cells of a row that is plain now: the unit separator of ASCII, which no export has in a cell."""
_MARKS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
_BLANKS = ("\u00a0", "\u202f", "\u2009")
"""Blanks that do not break and narrow ones: they group digits as a blank does."""


def needs_cells(layout: Layout) -> bool:
    """Whether rows must be taken apart cell by cell before their numbers can be read."""
    by_rows = layout.traces is not None and layout.traces.field is not None
    dressed = layout.text.thousands is not None or any(c.suffix is not None for c in layout.column)
    return by_rows or dressed or layout.text.delimiter == "fixed"


def plain_rows(
    layout: Layout, columns: Sequence[Column], body: bytes, first_line: int, feature: str | None
) -> bytes:
    """The rows with plain cells and CELL_MARK between them; a row of another trace is an empty line.

    Raises TraceFormatError with the line.
    """
    # The side's cell is left as it is: its words are translated later, in the rows as a whole.
    used = {c.field - 1: c for c in columns if c.field is not None and c.name != "side"}
    chosen = _Chooser(layout, feature)
    lines = body.decode("utf-8", errors="replace").split("\n")
    found, fields = [], 0
    for number, line in enumerate(lines, first_line):
        try:
            cells = cut_cells(line, layout.text, fields, number) if line.strip() else []
            # Once this is known, an empty cell at the end is a lost sample where the row would else be short.
            fields = fields or len(cells)
            # Rows of other traces are looked at too: a value without a feature makes the file unreadable.
            taken = bool(cells) and chosen.takes(cells, number)
            plain = [_plain(c, used.get(k), layout.text, number) for k, c in enumerate(cells)] if taken else []
        except TraceFormatError as error:
            if number < first_line + len(lines) - 1:
                raise
            # Only the last line can lack its end: the writer stopped within it, or has not written it yet.
            raise TraceIncompleteError(
                f"the last line is cut off: {error.message}", line=number, expected=error.expected
            ) from error
        found.append(CELL_MARK.join(plain))
    # After all rows: a writer stopped between two traces leaves a file that is whole by every line.
    chosen.require_rows()
    # An empty line for each row of another trace, so that complaints further on name the file's own line.
    return "\n".join(found).encode("utf-8", errors="replace")


def is_row_of(layout: Layout, line: str, feature: str) -> bool:
    """Whether a line is a row of that trace, in a file whose rows say whose they are; else every line is."""
    try:
        return _Chooser(layout, feature).takes(cut_cells(line, layout.text), 0)
    except TraceFormatError:
        return False


def cut_cells(line: str, form: TextForm, fields: int = 0, number: int | None = None) -> list[str]:
    """The cells of one line; a delimiter at its end makes none, unless it would have fewer than ``fields``.

    Raises TraceFormatError for a line beyond its widths.
    """
    if form.widths:
        if len(line.rstrip()) > sum(form.widths):
            expected = f"at most {sum(form.widths)} characters"
            raise TraceFormatError(f"{len(line.rstrip())} characters", line=number, expected=expected)
        ends = [sum(form.widths[: k + 1]) for k in range(len(form.widths))]
        return [line[end - width : end].strip() for end, width in zip(ends, form.widths, strict=True)]
    if form.delimiter == "blanks":
        return line.replace('"', "").split()
    mark = _MARKS[form.delimiter]
    if '"' in line:
        # Only with quotation marks, within which a delimiter may stand: csv is slower than a split.
        try:
            cells = [cell.strip() for cell in next(csv.reader([line], delimiter=mark))]
        except csv.Error as error:  # a cell beyond the reader's own limit of 131,072 characters
            raise TraceFormatError(f"the line cannot be cut: {error}", line=number) from error
    else:
        cells = [cell.strip() for cell in line.split(mark)]
    return cells[:-1] if len(cells) > max(1, fields) and not cells[-1] else cells


def without_grouping(cell: str, thousands: str, decimal: str) -> str:
    """A number without the signs that group its digits; a cell that is no such number stays as it is."""
    text = cell
    if thousands == " ":
        for blank in _BLANKS:
            text = text.replace(blank, " ")
    if thousands not in text:
        return cell
    groups = rf"[+-]?[0-9]{{1,3}}(?:{re.escape(thousands)}[0-9]{{3}})+(?:{re.escape(decimal)}[0-9]*)?"
    return text.replace(thousands, "") if re.fullmatch(groups, text) else cell


def _plain(cell: str, column: Column | None, form: TextForm, number: int) -> str:
    if column is None or cell.lower() in MISSING_WORDS or cell in form.missing:
        # An empty cell at the end would be taken for a delimiter at the end of the line.
        return "-" if cell == "" else cell.replace(CELL_MARK, "?")
    if column.suffix is not None:
        # Another unit in one row is a factor of 1000 in one sample.
        if not cell.endswith(column.suffix):
            raise TraceFormatError(
                f"{cell[:40]!r} in the field of {column.name}",
                line=number,
                expected=f"a number and {column.suffix!r} behind it",
            )
        cell = cell[: -len(column.suffix)].strip()
    return cell if form.thousands is None else without_grouping(cell, form.thousands, form.decimal)


class _Chooser:
    """Which rows belong to the trace that is read; every value must be one that the layout names."""

    def __init__(self, layout: Layout, feature: str | None) -> None:
        self._traces = layout.traces if layout.traces is not None and layout.traces.field is not None else None
        self._feature, self._decimal = feature, layout.text.decimal
        known = layout.traces.features if layout.traces is not None else {}
        self._known = {self._same(value): name for value, name in known.items()}
        self._seen: set[str] = set()

    def takes(self, cells: list[str], number: int) -> bool:
        """Whether a row is one of the trace. Raises TraceFormatError for a value without a feature."""
        if self._traces is None:
            return True
        place = int(self._traces.field or 1) - 1
        value = cells[place] if place < len(cells) else ""
        name = self._known.get(self._same(value))
        if name is None:
            raise TraceFormatError(
                f"field {place + 1} holds {value[:40]!r}, which traces.features does not name",
                line=number,
                expected=", ".join(self._traces.features)[:200],
            )
        self._seen.add(name)
        return name == self._feature

    def require_rows(self) -> None:
        """Raise TraceFormatError where one of the file's traces has no row."""
        missing = sorted(set(self._known.values()) - self._seen) if self._traces is not None else []
        if missing:
            raise TraceFormatError(
                f"no rows of {', '.join(missing)}"[:200], expected="every trace that the layout names"
            )

    def _same(self, value: str) -> str:
        """A number by its value, so that 10 and 10.0 are one; any other text as it is."""
        text = value.strip().replace(",", ".") if self._decimal == "," else value.strip()
        return repr(parse_plain_number(text)) if NUMBER.fullmatch(text) else value.strip()

"""Rows of an unknown export whose cells are no plain numbers: grouped digits, units behind numbers, fields that
touch. What such rows say in plain numbers, and what a layout must say to read them.

A dressing is taken only where it makes more rows readable than none does. What could be read in two ways, such
as digits of two fields without a gap, is none.
"""

from __future__ import annotations

import contextlib
import csv
import math
import re
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from functools import partial
from itertools import product

from edgeagent.codec.configuration.toml_text import plain
from edgeagent.codec.numbers import MISSING_WORDS
from edgeagent.codec.proposals.findings import Finding
from edgeagent.codec.proposals.table_form import (
    MARKS,
    ROWS_MIN,
    SAMPLE_LINES,
    TableForm,
    best_form,
    number_pattern,
)
from edgeagent.codec.proposals.written_units import unit_of
from edgeagent.codec.traces.row_cells import without_grouping
from edgeagent.errors import TraceFormatError

_MORE_ROWS = 2
"""A dressing must explain more rows than this beyond the plain reading: results may be dressed too."""
_SUFFIX = r"[^\W\d_eE]|[^\W\d_][^\d\s;|,]{1,9}|[°%′\"'][^\d\s;|,]{0,4}"


@dataclass(frozen=True, slots=True)
class Dressing:
    """What a layout must say of the cells: the sign that groups digits, texts behind numbers, widths."""

    thousands: str | None = None
    suffixes: Mapping[int, str] = field(default_factory=dict)
    widths: tuple[int, ...] = ()


def plain_table(lines: list[str]) -> tuple[list[str], TableForm, Dressing]:
    """The lines with plain rows, the form of their table, and how the rows were dressed.

    Raises TraceFormatError where neither plain nor dressed rows make a table.
    """
    sample = lines[:SAMPLE_LINES]
    best: TableForm | None = None
    problem: TraceFormatError | None = None
    try:
        best = best_form(lines)
    except TraceFormatError as error:
        problem = error
    after = [line for line in sample[best.first + best.rows :] if line.strip()] if best is not None else sample
    # Plain rows to the end: nothing is left for a dressing to explain.
    if best is not None and len(after) <= _MORE_ROWS:
        return lines, best, Dressing()
    found, dressing = lines, Dressing()
    tried = {tuple(sample)}
    for undress, dressed in _dressings(sample):
        plain = [undress(line) for line in sample]
        # Several dressings may leave the same rows: the first one explains them.
        if (rows := tuple(plain)) in tried:
            continue
        tried.add(rows)
        try:
            form = best_form(plain)
        except TraceFormatError:
            continue
        if best is None or form.rows > best.rows + _MORE_ROWS:
            best, dressing = form, dressed
            found = [undress(line) for line in lines]
    if best is None:
        raise problem or AssertionError
    # The header stays as it is written, since patterns are made from it.
    return [*lines[: best.first], *found[best.first :]], best, dressing


def dressing_findings(dressing: Dressing) -> list[Finding]:
    """What was taken off the cells, in words."""
    found = []
    if dressing.thousands is not None:
        why = "every group behind it has three digits; a layout refuses any other"
        found.append(Finding("digit grouping", repr(dressing.thousands), True, why))
    for at, suffix in sorted(dressing.suffixes.items()):
        why = "it stands behind every number; a layout refuses a row with another"
        found.append(Finding(f"text behind field {at + 1}", plain(suffix), True, why))
    return found


def units_behind(
    units: tuple[tuple[str, float] | None, ...], dressing: Dressing
) -> tuple[tuple[str, float] | None, ...]:
    """The units of the fields with those that stand behind their numbers; two that differ are asked about."""
    found = list(units)
    for at, suffix in dressing.suffixes.items():
        behind = unit_of(suffix)
        if at >= len(found) or behind is None:
            continue
        found[at] = behind if found[at] in (None, behind) else (behind[0], math.nan)
    return tuple(found)


def _dressings(sample: list[str]) -> Iterator[tuple[Callable[[str], str], Dressing]]:
    """Each way to undress a line, and what a layout says for it."""
    for delimiter, decimal in product(MARKS, ".,"):
        if delimiter == "comma" and decimal == ",":
            continue
        for thousands in (None, *(t for t in ",.' " if t != decimal)):
            # Units behind blanks would be cells of their own, and groups of digits fields.
            if delimiter == "blanks" and thousands in (None, " "):
                continue
            suffixes = _suffixes(sample, delimiter, decimal, thousands)
            if suffixes or thousands is not None:
                dressing = Dressing(thousands, suffixes)
                yield partial(_undress, delimiter=delimiter, decimal=decimal, dressing=dressing), dressing
    for decimal in ".,":
        length, widths = _fixed_widths(sample, decimal)
        if widths is not None and len(widths) > 1:
            yield partial(_separate, length=length, widths=widths), Dressing(widths=tuple(widths))


def _undress(line: str, *, delimiter: str, decimal: str, dressing: Dressing) -> str:
    mark = MARKS[delimiter]
    cells = _cells(line, mark)
    plain = [_plain(c, dressing.suffixes.get(k), decimal, dressing.thousands) for k, c in enumerate(cells)]
    # Unchanged lines stay as they are, so that "nothing was undressed" can be seen by comparison.
    return line if plain == cells else mark.join(plain)


def _separate(line: str, *, length: int, widths: list[int]) -> str:
    if len(line) != length or not re.fullmatch(r"[0-9+\-., ]*", line):
        return line
    return " ".join(piece.strip() or "-" for piece in _pieces(line, widths))


def _cells(line: str, mark: str) -> list[str]:
    if mark == " ":
        return line.split()
    if '"' in line:
        with contextlib.suppress(csv.Error):  # a cell beyond the reader's own limit: a line that is no row
            return [c.strip() for c in next(csv.reader([line], delimiter=mark), [])]
    return [c.strip() for c in line.split(mark)]


def _plain(cell: str, suffix: str | None, decimal: str, thousands: str | None) -> str:
    if suffix is not None and cell.endswith(suffix):
        cell = cell[: -len(suffix)].strip()
    return cell if thousands is None else without_grouping(cell, thousands, decimal)


def _suffixes(lines: list[str], delimiter: str, decimal: str, thousands: str | None) -> dict[int, str]:
    """The one text behind all numbers of each field; none of a field that has several."""
    number = number_pattern(decimal).pattern
    group = (
        rf"|[+-]?\d{{1,3}}(?:{re.escape(thousands)}\d{{3}})+(?:{re.escape(decimal)}\d*)?" if thousands else ""
    )
    dressed = re.compile(rf"(?:{number}{group})\s*({_SUFFIX})")
    seen: dict[int, dict[str, int]] = {}
    bare: dict[int, int] = {}
    plain = re.compile(number)
    for line in lines:
        cells = _cells(line, MARKS[delimiter])
        for k, cell in enumerate(cells):
            if found := dressed.fullmatch(cell):
                texts = seen.setdefault(k, {})
                texts[found[1]] = texts.get(found[1], 0) + 1
            elif plain.fullmatch(cell) and cell.lower() not in MISSING_WORDS:
                bare[k] = bare.get(k, 0) + 1
    suffixes = {}
    for k, texts in seen.items():
        text, count = max(texts.items(), key=lambda item: item[1])
        # Two odd cells may be results below the table; more are another text in the same field.
        if count >= ROWS_MIN and sum(texts.values()) - count <= 2 and bare.get(k, 0) <= 2:
            suffixes[k] = text
    return suffixes


def _fixed_widths(lines: list[str], decimal: str) -> tuple[int, list[int] | None]:
    """Length of the rows and widths of their fields, by where the decimal marks stand; else None."""
    run = _equal_lines(lines, decimal)
    if len(run) < ROWS_MIN:
        return 0, None
    rows = [lines[n] for n in run]
    return len(rows[0]), _widths(rows, decimal)


def _equal_lines(lines: list[str], decimal: str) -> range:
    """The longest run of lines of one length that hold nothing but numbers."""
    pattern = re.compile(rf"[0-9+\-{re.escape(decimal)} ]*[0-9]")
    best = range(0)
    begin = 0
    for n in range(len(lines) + 1):
        line = lines[n] if n < len(lines) else ""
        fits = bool(line) and decimal in line and pattern.fullmatch(line) is not None
        if not fits or len(line) != len(lines[begin]):
            if n - begin > len(best):
                best = range(begin, n)
            begin = n if fits else n + 1
    return best


def _widths(rows: list[str], decimal: str) -> list[int] | None:
    """Widths of right-aligned fields with fixed decimals; None where the digits could be cut in two ways."""
    places = [{row[k] for row in rows} for k in range(len(rows[0]))]
    marks = [k for k, seen in enumerate(places) if decimal in seen]
    # A mark in some rows only: the fields are not aligned by their decimals.
    if not marks or any(places[k] != {decimal} for k in marks):
        return None
    ends = _leading_ends(places, marks[0])
    for mark, following in zip(marks, [*marks[1:], len(places)], strict=True):
        end = mark
        # Digits that every row has behind its mark are decimals; a blank or sign there begins the next field.
        while end + 1 < following and all(c.isdigit() for c in places[end + 1]):
            end += 1
        if following == len(places):
            ends.append(following)
            # Something behind the last decimals: no field of fixed width ends there.
            if end != following - 1:
                return None
        elif end == following - 1:
            return None  # nothing but digits up to the next mark: they could be cut anywhere
        else:
            ends.append(end + 1)
    widths = [end - begin for begin, end in zip([0, *ends], ends, strict=False)]
    whole = re.compile(rf" *[+-]?(?:\d+(?:{re.escape(decimal)}\d*)?|{re.escape(decimal)}\d+)")
    # Every piece must be one number: a cut within one would give two that look right.
    return widths if all(whole.fullmatch(c) for row in rows for c in _pieces(row, widths)) else None


def _leading_ends(places: list[set[str]], mark: int) -> list[int]:
    """Ends of whole numbers before the first decimal mark: where a gap stands in all rows."""
    gaps = [k for k in range(mark) if places[k] == {" "}]
    return [k for k in gaps if k and places[k - 1] != {" "} and any(places[j] != {" "} for j in range(k))]


def _pieces(row: str, widths: list[int]) -> list[str]:
    ends = [sum(widths[: k + 1]) for k in range(len(widths))]
    return [row[end - width : end] for end, width in zip(ends, widths, strict=True)]

"""How the lines of an unknown export fall into rows of cells: delimiter, decimal mark, first and last row."""

from __future__ import annotations

import re
from collections import Counter
from dataclasses import dataclass, replace
from itertools import pairwise

from edgeagent.codec.numbers import MISSING_WORDS
from edgeagent.errors import TraceFormatError

ROWS_MIN = 8
"""Fewer rows of numbers than these are no trace; our own choice."""
# Enough for the longest header with its first rows; every delimiter and mark is tried on them.
SAMPLE_LINES = 4000
# In the order of preference where several fit equally well: blanks separate almost anything.
MARKS = {"tab": "\t", "semicolon": ";", "bar": "|", "comma": ",", "blanks": " "}
_DAY = r"[0-9]{4}([-./])[0-9]{1,2}\1[0-9]{1,2}|[0-9]{1,2}([-./])[0-9]{1,2}\2[0-9]{2,4}"
_CLOCK = (
    r"[0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:[.,:][0-9]{1,9})?)?(?: ?[AaPp][Mm])?(?:Z| ?[+-][0-9]{2}:?[0-9]{2})?"
)
_LABEL = re.compile(
    rf"[^\W\d_][\w.#/*-]{{0,15}}|[*#?!<>]{{1,12}}|#(?:N/A|NUM!|VALUE!|REF!|DIV/0!)"
    rf"|(?:{_DAY})(?:[T ] ?{_CLOCK})?|{_CLOCK}"
)
"""A cell that is no number and may stand in a row all the same: a word, a mark, a date, a time of day."""
_TEXT = re.compile(r"[^\W\d_][^\n]{0,60}")
"""A cell of several words, which may stand beside two others, one of them a number."""


@dataclass(frozen=True, slots=True)
class TableForm:
    """One way to cut lines into numbers, and the run of rows that it finds among the first lines."""

    delimiter: str
    decimal: str
    first: int
    rows: int
    fields: int
    numeric: tuple[bool, ...]


def number_pattern(decimal: str) -> re.Pattern[str]:
    """What a number with this decimal mark looks like, in the digits 0 to 9."""
    d = re.escape(decimal)
    return re.compile(rf"[+-]?(?:\d+(?:{d}\d*)?|{d}\d+)(?:[eE][+-]?\d+)?", re.ASCII)


def cells_of(line: str, delimiter: str, decimal: str, fields: int = 0) -> list[str]:
    """The cells of a line without quotation marks.

    A delimiter at the end of a line makes no cell, unless the row would then have fewer than ``fields``.
    """
    mark = MARKS[delimiter]
    if '"' in line:
        # With the comma as both, only the one between quotation marks is a delimiter.
        line = line.replace('","', "\x1f") if mark == decimal else line
        line = line.replace('"', "")
        mark = "\x1f" if mark == decimal else mark
    cells = line.split() if mark == " " else [c.strip() for c in line.split(mark)]
    return cells[:-1] if len(cells) > max(1, fields) and not cells[-1] else cells


def best_form(lines: list[str]) -> TableForm:
    """The reading with the longest run of rows; of equals the one with more fields, tab before blanks."""
    sample = lines[:SAMPLE_LINES]
    quoted = any('"' in line for line in sample)
    # Without a comma both marks read the same numbers, and the point would be taken.
    decimals = (".", ",") if any("," in line for line in sample) else (".",)
    found = [
        reading
        for delimiter in _delimiters(sample)
        for decimal in decimals
        if (delimiter != "comma" or decimal == "." or quoted)
        if (reading := find_run(sample, delimiter, decimal)) is not None
    ]
    if not found:
        raise TraceFormatError(
            "no table of numbers was found", expected=f"at least {ROWS_MIN} rows of numbers with one delimiter"
        )
    longest = max(r.rows for r in found)
    best = max(
        # A few rows less are allowed: results below the table may be cut by another reading too.
        (r for r in found if r.rows >= 0.9 * longest),
        key=lambda r: (sum(r.numeric), -list(MARKS).index(r.delimiter), r.rows),
    )
    return with_lost_rows(lines, best)


def _delimiters(lines: list[str]) -> list[str]:
    """What to cut at: the blanks, each mark that stands in a line, and one of those that stand in none."""
    there = [name for name, mark in MARKS.items() if name == "blanks" or any(mark in line for line in lines)]
    # Without a delimiter each line is one cell, whichever it is: only the first can be preferred.
    absent = next((name for name in MARKS if name not in there), None)
    return [name for name in MARKS if name in there or name == absent]


def with_lost_rows(lines: list[str], reading: TableForm) -> TableForm:
    """The reading from the lost samples on that stand above its first numbers; a ruled line is none."""
    first = reading.first
    while first > 0:
        cells = cells_of(lines[first - 1], reading.delimiter, reading.decimal)
        if len(cells) != reading.fields or not all(c.isalpha() and c.lower() in MISSING_WORDS for c in cells):
            break
        first -= 1
    return replace(reading, first=first)


def find_run(lines: list[str], delimiter: str, decimal: str) -> TableForm | None:
    """The longest run of rows among the lines, None where there is none of ROWS_MIN rows."""
    number = number_pattern(decimal)
    best: TableForm | None = None
    begin = 0
    patterns: list[tuple[bool, ...]] = []  # begins with a row of numbers; words and blanks may follow
    for position in range(len(lines) + 1):
        fields = len(patterns[0]) if patterns else 0
        line = lines[position] if position < len(lines) else ""
        pattern = row_pattern(line, delimiter, decimal, number, fields)
        # An empty line may stand between turns; it counts as a row so that the run goes on.
        blank = position < len(lines) and not lines[position].strip() and bool(patterns)
        if blank or (pattern is not None and patterns and len(pattern) == len(patterns[0])):
            patterns.append(pattern if pattern is not None else patterns[-1])
            continue
        best = _longer(best, delimiter, decimal, begin, patterns)
        begin, patterns = position, [pattern] if pattern is not None and any(pattern) else []
    return best


def _longer(
    best: TableForm | None, delimiter: str, decimal: str, begin: int, patterns: list[tuple[bool, ...]]
) -> TableForm | None:
    while patterns and not any(patterns[-1]):
        patterns = patterns[:-1]
    if len(patterns) < ROWS_MIN:
        return best
    common = Counter(patterns).most_common(1)[0][0]
    # Rows before it of another pattern are entries or units that look like rows.
    lead = next(i for i, p in enumerate(patterns) if p == common)
    rows = len(patterns) - lead
    if rows < ROWS_MIN or (best is not None and best.rows >= rows):
        return best
    return TableForm(delimiter, decimal, begin + lead, rows, len(common), common)


def row_pattern(
    line: str, delimiter: str, decimal: str, number: re.Pattern[str], fields: int = 0
) -> tuple[bool, ...] | None:
    """Which cells are numbers; None when the line is no row: a cell is neither number nor short word."""
    if not line.strip():
        return None
    cells = cells_of(line, delimiter, decimal, fields)
    pattern = tuple(number.fullmatch(c) is not None for c in cells)
    # Cut at blanks, a sentence is a row of words; in two cells it is an entry with its value.
    texts = delimiter != "blanks" and len(cells) > 2 and any(pattern)
    for cell, numeric in zip(cells, pattern, strict=True):
        if numeric or cell.lower() in MISSING_WORDS or _LABEL.fullmatch(cell):
            continue
        if not texts or not _TEXT.fullmatch(cell):
            return None
    return pattern


def last_row(lines: list[str], reading: TableForm) -> int:
    """Number of the line that is the table's last row; what sums it up is none."""
    number = number_pattern(reading.decimal)
    last = reading.first
    for position in range(reading.first, len(lines)):
        if not lines[position].strip():
            continue
        pattern = row_pattern(lines[position], reading.delimiter, reading.decimal, number, reading.fields)
        if pattern is None or len(pattern) != reading.fields:
            break
        if not lines[position].strip("".join(MARKS.values()) + '"'):
            continue  # a spreadsheet writes rows of empty cells below its last one
        numbers = sum(seen and common for seen, common in zip(pattern, reading.numeric, strict=True))
        lost = all(
            c.lower() in MISSING_WORDS
            for c in cells_of(lines[position], reading.delimiter, reading.decimal, reading.fields)
        )
        # A row with fewer than half of its numbers sums something up.
        last = position if lost or 2 * numbers >= sum(reading.numeric) else last
    return _without_summary(lines, reading, last)


def _without_summary(lines: list[str], reading: TableForm, last: int) -> int:
    """The last row before lines that sum the table up: a word where numbers stand, or a few rows set apart.

    A word that stands within the table as well is a lost sample and no name of a result.
    """
    rows = [n for n in range(reading.first, last + 1) if lines[n].strip()]
    gaps = [n for n, after in pairwise(rows) if after > n + 1]
    # A few rows behind the only gap are results; many, or several gaps, are turns.
    if len(gaps) == 1 and len(rows) - rows.index(gaps[0]) <= ROWS_MIN < rows.index(gaps[0]):
        rows = rows[: rows.index(gaps[0]) + 1]
    # Without the last rows, which are the ones in question.
    before = "\n".join(lines[reading.first : rows[-1] - ROWS_MIN + 1]) if len(rows) > 2 * ROWS_MIN else ""
    while before and rows[-1] > reading.first + ROWS_MIN and _has_new_word(lines[rows[-1]], reading, before):
        rows.pop()
    return rows[-1]


def _has_new_word(line: str, reading: TableForm, before: str) -> bool:
    cells = cells_of(line, reading.delimiter, reading.decimal)
    number = number_pattern(reading.decimal)
    lacks = any(common and not cell for cell, common in zip(cells, reading.numeric, strict=False))
    if lacks and any(
        word not in before
        for cell, common in zip(cells, reading.numeric, strict=False)
        for word in re.findall(r"[^\W\d_]{2,}", cell)
        if not common
    ):
        return True  # the name of a result in a column of labels, with a number missing beside it
    return any(
        common and not number.fullmatch(cell) and cell.lower() not in MISSING_WORDS and cell not in before
        for cell, common in zip(cells, reading.numeric, strict=False)
    )

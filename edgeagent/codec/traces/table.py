"""Delimited numbers to float64 columns, fast where the text is plain and exact about lines where it is not.

Plain text (digits, one delimiter, equal rows) becomes one JSON array and with it float64, every decimal number
rounded correctly. Where that fails, block after block is tried, and a block that is not plain is read line by
line, so that a missing sample costs little and a complaint names its line.
"""

from __future__ import annotations

import io
from array import array
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeagent.codec.numbers import MISSING_WORDS, NUMBER, parse_number
from edgeagent.codec.traces.bounds import require_points
from edgeagent.codec.traces.json_numbers import json_numbers
from edgeagent.errors import TraceFormatError, TraceIncompleteError
from edgeagent.model import FloatArray

_NEWLINE, _COMMA = 10, 44
# Small enough that one odd cell costs little, large enough that calls do not count beside the reading.
_BLOCK_BYTES = 65536


@dataclass(frozen=True, slots=True)
class _CellForm:
    """How a row is cut into cells and what the cells hold; see ``read_numbers``."""

    columns: int
    delimiter: str
    decimal: str
    missing: frozenset[str]
    used: frozenset[int] | None


def read_numbers(
    body: bytes | memoryview,
    *,
    columns: int,
    delimiter: str = ",",
    decimal: str = ".",
    first_line: int = 1,
    missing: frozenset[str] = frozenset(),
    used: frozenset[int] | None = None,
) -> FloatArray:
    """All rows of ``body`` (ASCII-compatible bytes) as an array of shape (rows, columns).

    ``delimiter`` is one character, or ``" "`` for any run of blanks. ``first_line`` is the line number of the
    first row in its file. ``missing`` are further cell texts (lower case) that stand for a missing sample,
    which becomes NaN. Of fields that are not ``used`` (from 0; None for all) nothing is asked, not even that
    they are numbers. Raises TraceFormatError with the line.
    """
    newline = np.frombuffer(body, dtype=np.uint8) == _NEWLINE
    require_points(int(np.count_nonzero(newline)))
    form = _CellForm(columns, delimiter, decimal, MISSING_WORDS | missing, used)
    # A word for a missing sample that is a number itself, such as -9999, must be seen cell by cell.
    plain_words = not any(NUMBER.fullmatch(word.replace(decimal, ".")) for word in missing)
    quick = delimiter != " " and plain_words
    found = _fast(body, form, newline) if quick else None
    if found is None:
        # Only when the first try failed: most exports have no CR, and looking for it is a copy of the file.
        plain = bytes(body).replace(b"\r", b"")
        found = _fast(plain, form) if quick else None
    if found is None:
        found = _by_blocks(plain, form, first_line, quick=quick)
    # The end alone, 22 lines of up to 370 bytes: no second pass over the file.
    if _cut_off(bytes(body[-8192:]), delimiter, decimal):
        raise TraceIncompleteError(
            "the last line is cut off",
            line=first_line + len(found) - 1,
            expected="as many decimals as before it",
        )
    if not len(found):
        raise TraceFormatError("no rows of numbers", line=first_line, expected=f"{columns} numbers a line")
    return found


def _cut_off(end: bytes, delimiter: str, decimal: str) -> bool:
    """Whether the last line ends in the middle of its number: no line end, and fewer decimals than all before.

    Only where the lines before it agree in their decimals, as a writer with a fixed format has them.
    """
    if end.endswith(b"\n") or not end.strip():
        return False
    # The first piece may begin within a line.
    cells = [line.rsplit(delimiter.encode(), 1)[-1].strip() for line in end.split(b"\n")[1:]]
    decimals = [len(cell.partition(decimal.encode())[2]) for cell in cells]
    # Twenty lines that agree are a fixed format; fewer may agree by chance, as 0.5 and 1.5 do.
    return len(decimals) > 20 and len(set(decimals[-21:-1])) == 1 and decimals[-1] < decimals[-2]


def _fast(
    body: bytes | memoryview, form: _CellForm, newline: NDArray[np.bool_] | None = None
) -> FloatArray | None:
    """The rows when the text is plain JSON numbers with equal rows, else None.

    ``newline`` marks the bytes that end a line, where they are known already.
    """
    columns, delimiter, decimal = form.columns, form.delimiter, form.decimal
    text = np.frombuffer(body, dtype=np.uint8)
    # Empty lines at the end would be empty cells, which are no JSON.
    while len(text) and text[-1] == _NEWLINE:
        text = text[:-1]
    if not len(text):
        return None
    newline = text == _NEWLINE if newline is None else newline[: len(text)]
    line_ends = np.flatnonzero(newline)
    # First: in one flat array a cell too many in one row and too few in the next would not be noticed.
    if not _equal_rows(np.flatnonzero(text == ord(delimiter)), line_ends, columns):
        return None
    json = np.empty(len(text) + 2, dtype=np.uint8)
    json[0], json[-1] = ord("["), ord("]")
    # Every line feed becomes a comma by one addition, without a mask and without a copy of the text.
    np.add(text, newline.view(np.uint8) * np.uint8(_COMMA - _NEWLINE), out=json[1:-1])
    if delimiter != "," or decimal == ",":
        inside = json[1:-1]
        if decimal == ",":
            # A point beside a decimal comma groups digits or is wrong: never the decimal mark of this file.
            if np.any(inside == ord(".")):
                return None
            inside[text == _COMMA] = ord(".")
        inside[text == ord(delimiter)] = _COMMA
    numbers = json_numbers(json.tobytes())
    rows = len(line_ends) + 1
    return numbers.reshape(rows, columns) if numbers is not None and len(numbers) == rows * columns else None


def _equal_rows(marks: NDArray[np.int64], line_ends: NDArray[np.int64], columns: int) -> bool:
    """Whether every line holds exactly ``columns - 1`` delimiters."""
    rows = len(line_ends) + 1
    if len(marks) != rows * (columns - 1):
        return False
    if columns == 1:
        return True
    by_row = marks.reshape(rows, columns - 1)
    # Last delimiter before its line's end, first one behind it: with the count that holds for every row.
    return bool(np.all(by_row[:-1, -1] < line_ends) and np.all(by_row[1:, 0] > line_ends))


def _by_blocks(body: bytes, form: _CellForm, first_line: int, *, quick: bool) -> FloatArray:
    """The rows of a text that is not plain as a whole, each block of lines in the quickest way that fits it."""
    found: list[FloatArray] = []
    position, line = 0, first_line
    while position < len(body):
        end = body.find(b"\n", position + _BLOCK_BYTES) + 1 or len(body)
        block = body[position:end]
        rows = _fast(block, form) if quick else None
        found.append(_careful(block, form, line) if rows is None else rows)
        position, line = end, line + block.count(b"\n")
    return np.concatenate(found) if found else np.empty((0, form.columns))


def _careful(body: bytes, form: _CellForm, first_line: int) -> FloatArray:
    found = array("d")  # lists of a million rows would take ten times the memory of the file
    for number, row in enumerate(io.BytesIO(body), start=first_line):
        # Any byte decodes, so that what is no number is named in the complaint.
        line = row.decode("latin-1").removesuffix("\n")
        if not line.strip():
            continue
        try:
            found.extend(_numbers(line, form, number))
        except TraceFormatError as error:
            if row.endswith(b"\n"):
                raise
            # Only the last line can lack its end: the writer stopped within it, or has not written it yet.
            raise TraceIncompleteError(
                f"the last line is cut off: {error.message}", line=number, expected=error.expected
            ) from error
    return np.frombuffer(found, dtype=np.float64).reshape(-1, form.columns)


def _numbers(line: str, form: _CellForm, number: int) -> list[float]:
    """The numbers of one row, NaN for a missing one and for a field that nobody reads."""
    cells = line.split() if form.delimiter == " " else line.split(form.delimiter)
    if len(cells) == form.columns + 1 and not cells[-1].strip():
        cells.pop()  # a delimiter at the end of each line
    if len(cells) != form.columns:
        expected = f"{form.columns} separated by {_name_delimiter(form.delimiter)}"
        raise TraceFormatError(f"{len(cells)} fields", line=number, expected=expected)
    return [
        parse_number(cell, form.decimal, form.missing, number)
        if form.used is None or k in form.used
        else np.nan
        for k, cell in enumerate(cells)
    ]


def _name_delimiter(delimiter: str) -> str:
    return {"\t": "tab", " ": "blanks"}.get(delimiter, repr(delimiter))

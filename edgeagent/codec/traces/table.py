"""Delimited numbers to float64 columns, fast where the text is plain and exact about lines where it is not.

Plain text (digits, one delimiter, equal rows) becomes one JSON array, which simdjson turns into float64
without a Python object per number, every decimal number rounded correctly; anything else is read line by
line, so that a complaint names the line.
"""

from __future__ import annotations

import numpy as np
import simdjson
from numpy.typing import NDArray

from edgeagent.codec.numbers import MISSING_WORDS, NUMBER, parse_number
from edgeagent.errors import TraceFormatError
from edgeagent.model import FloatArray

_NEWLINE, _COMMA = 10, 44


def read_numbers(
    body: bytes | memoryview,
    *,
    columns: int,
    delimiter: str = ",",
    decimal: str = ".",
    first_line: int = 1,
    missing: frozenset[str] = frozenset(),
) -> FloatArray:
    """All rows of ``body`` (ASCII-compatible bytes) as an array of shape (rows, columns).

    ``delimiter`` is one character, or ``" "`` for any run of blanks. ``first_line`` is the line number of the
    first row in its file. ``missing`` are further cell texts (lower case) that stand for a missing sample,
    which becomes NaN. Raises TraceFormatError with the line.
    """
    # A word for a missing sample that is a number itself, such as -9999, must be seen cell by cell.
    plain_words = not any(NUMBER.fullmatch(word.replace(decimal, ".")) for word in missing)
    quick = delimiter != " " and plain_words
    found = _fast(body, columns, delimiter, decimal) if quick else None
    if found is None:
        plain = bytes(body).replace(b"\r", b"")
        found = _fast(plain, columns, delimiter, decimal) if quick else None
    if found is None:
        found = _careful(plain, columns, delimiter, decimal, first_line, missing)
    if _cut_off(bytes(body[-8192:]), delimiter, decimal):
        raise TraceFormatError(
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
    cells = [line.rsplit(delimiter.encode(), 1)[-1].strip() for line in end.split(b"\n")[1:]]
    decimals = [len(cell.partition(decimal.encode())[2]) for cell in cells]
    return len(decimals) > 20 and len(set(decimals[-21:-1])) == 1 and decimals[-1] < decimals[-2]


def _fast(body: bytes | memoryview, columns: int, delimiter: str, decimal: str) -> FloatArray | None:
    """The rows when the text is plain JSON numbers with equal rows, else None."""
    text = np.frombuffer(body, dtype=np.uint8)
    while len(text) and text[-1] == _NEWLINE:
        text = text[:-1]
    if not len(text) or (columns < 2 and delimiter != ","):
        return None
    newline = text == _NEWLINE
    line_ends = np.flatnonzero(newline)
    if not _equal_rows(np.flatnonzero(text == ord(delimiter)), line_ends, columns):
        return None
    json = np.empty(len(text) + 2, dtype=np.uint8)
    json[0], json[-1] = ord("["), ord("]")
    np.add(text, newline.view(np.uint8) * np.uint8(_COMMA - _NEWLINE), out=json[1:-1])
    if delimiter != "," or decimal == ",":
        inside = json[1:-1]
        if decimal == ",":
            if np.any(inside == ord(".")):
                return None
            inside[text == _COMMA] = ord(".")
        inside[text == ord(delimiter)] = _COMMA
    try:
        found = simdjson.Parser().parse(json.tobytes())
        assert isinstance(found, simdjson.Array)
        numbers = np.frombuffer(found.as_buffer(of_type="d"), dtype=np.float64)
    except (ValueError, TypeError, RuntimeError):
        return None
    rows = len(line_ends) + 1
    return numbers.reshape(rows, columns) if len(numbers) == rows * columns else None


def _equal_rows(marks: NDArray[np.int64], line_ends: NDArray[np.int64], columns: int) -> bool:
    """Whether every line holds exactly ``columns - 1`` delimiters."""
    rows = len(line_ends) + 1
    if len(marks) != rows * (columns - 1):
        return False
    if columns == 1:
        return True
    by_row = marks.reshape(rows, columns - 1)
    return bool(np.all(by_row[:-1, -1] < line_ends) and np.all(by_row[1:, 0] > line_ends))


def _careful(
    body: bytes, columns: int, delimiter: str, decimal: str, first_line: int, missing: frozenset[str]
) -> FloatArray:
    rows: list[list[float]] = []
    absent = MISSING_WORDS | missing
    for number, line in enumerate(body.decode("latin-1").split("\n"), start=first_line):
        if not line.strip():
            continue
        cells = line.split() if delimiter == " " else line.split(delimiter)
        if len(cells) == columns + 1 and not cells[-1].strip():
            cells.pop()  # a delimiter at the end of each line
        if len(cells) != columns:
            raise TraceFormatError(
                f"{len(cells)} fields",
                line=number,
                expected=f"{columns} separated by {_name_delimiter(delimiter)}",
            )
        rows.append([parse_number(cell, decimal, absent, number) for cell in cells])
    return np.array(rows, dtype=np.float64).reshape(len(rows), columns)


def _name_delimiter(delimiter: str) -> str:
    return {"\t": "tab", " ": "blanks"}.get(delimiter, repr(delimiter))

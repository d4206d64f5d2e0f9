"""Delimited numbers to float64 columns, fast where the text is plain and exact about lines where it is not.

Plain text (digits, one delimiter, equal rows) is turned into one JSON array and decoded by msgspec, which
rounds every decimal number correctly; anything else is read line by line, so that a complaint names the line.
"""

from __future__ import annotations

import re

import msgspec
import numpy as np

from edgeagent.errors import TraceFormatError
from edgeagent.model import FloatArray

_NUMBERS = msgspec.json.Decoder(list[float])
_NEWLINE = 10
_MISSING = frozenset({"", "nan", "-", "--", "---", "n/a", "na", "null"})


def read_numbers(
    body: bytes,
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
    plain = body.replace(b"\r", b"") if b"\r" in body else body
    found = None if delimiter == " " or missing else _fast(plain, columns, delimiter, decimal)
    if found is None:
        found = _careful(plain, columns, delimiter, decimal, first_line, missing)
    if not len(found):
        raise TraceFormatError("no rows of numbers", line=first_line, expected=f"{columns} numbers a line")
    return found


def _fast(body: bytes, columns: int, delimiter: str, decimal: str) -> FloatArray | None:
    """The rows when the text is plain JSON numbers with equal rows, else None."""
    body = body.strip(b"\n")
    if not body:
        return None
    mark = ord(delimiter)
    shape = np.frombuffer(body, dtype=np.uint8)
    ends = shape[(shape == mark) | (shape == _NEWLINE)]
    if (len(ends) + 1) % columns:
        return None
    rows = (len(ends) + 1) // columns
    pattern = np.append(ends, _NEWLINE).reshape(rows, columns) == _NEWLINE
    if not (pattern[:, -1].all() and not pattern[:, :-1].any()):
        return None
    if decimal == ",":
        body = body.translate(bytes.maketrans(delimiter.encode() + b",\n", b",.,"))
    else:
        body = body.translate(bytes.maketrans(delimiter.encode() + b"\n", b",,"))
    try:
        numbers = _NUMBERS.decode(b"[" + body + b"]")
    except msgspec.DecodeError:
        return None
    if len(numbers) != rows * columns:
        return None
    return np.fromiter(numbers, dtype=np.float64, count=len(numbers)).reshape(rows, columns)


def _careful(
    body: bytes, columns: int, delimiter: str, decimal: str, first_line: int, missing: frozenset[str]
) -> FloatArray:
    rows: list[list[float]] = []
    absent = _MISSING | missing
    for number, line in enumerate(body.decode("latin-1").split("\n"), start=first_line):
        if not line.strip():
            continue
        cells = line.split() if delimiter == " " else line.split(delimiter)
        if len(cells) == columns + 1 and not cells[-1].strip():
            cells.pop()  # a delimiter at the end of each line
        if len(cells) != columns:
            raise TraceFormatError(
                f"{len(cells)} fields", line=number, expected=f"{columns} separated by {_spoken(delimiter)}"
            )
        rows.append([parse_number(cell, decimal, absent, number) for cell in cells])
    return np.array(rows, dtype=np.float64).reshape(len(rows), columns)


_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?|[+-]?inf(inity)?", re.ASCII | re.IGNORECASE)


def parse_number(cell: str, decimal: str, missing: frozenset[str] = _MISSING, line: int | None = None) -> float:
    """One number with its decimal mark; NaN for a missing one. Raises TraceFormatError."""
    text = cell.strip()
    if text.lower() in missing:
        return float("nan")
    if decimal == ",":
        text = text.replace(".", "?").replace(",", ".")
    if not _NUMBER.fullmatch(text):
        raise TraceFormatError(
            f"{cell.strip()[:40]!r} is not a number", line=line, expected=f"a number with decimal {decimal!r}"
        )
    return float(text)


def _spoken(delimiter: str) -> str:
    return {"\t": "tab", " ": "blanks"}.get(delimiter, repr(delimiter))

"""One written number to a float, and the words that stand where a number is missing."""

from __future__ import annotations

import re

from edgeagent.errors import TraceFormatError

MISSING_WORDS = frozenset({"", "nan", "-", "--", "---", "n/a", "na", "null"})
"""Cells (lower case) that stand for a sample that was not measured."""
NUMBER = re.compile(r"[+-]?(\d+(\.\d*)?|\.\d+)([eE][+-]?\d+)?|[+-]?inf(inity)?", re.ASCII | re.IGNORECASE)
"""No two ways to match the same digits: else a cell of 40,000 of them takes a minute to be refused."""


def parse_plain_number(text: str) -> float:
    """A number with a decimal point in ASCII digits. Raises ValueError.

    ``float`` alone also takes digits of other scripts and underscores, which no instrument means.
    """
    if not NUMBER.fullmatch(text):
        raise ValueError(f"not a number: {text[:40]!r}")
    return float(text)


def parse_number(
    cell: str, decimal: str, missing: frozenset[str] = MISSING_WORDS, line: int | None = None
) -> float:
    """One number with its decimal mark; NaN for a missing one. Raises TraceFormatError."""
    text = cell.strip()
    if text.lower() in missing:
        return float("nan")
    if decimal == ",":
        text = text.replace(".", "?").replace(",", ".")
    if not NUMBER.fullmatch(text):
        raise TraceFormatError(
            f"{cell.strip()[:40]!r} is not a number", line=line, expected=f"a number with decimal {decimal!r}"
        )
    return float(text)

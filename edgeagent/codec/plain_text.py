"""Texts, numbers and tables for a terminal."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal

from edgeagent.printable import clean as clean


def number(value: float | None) -> str:
    """Five significant digits, never in exponent form; a dash for nothing."""
    if value is None:
        return "-"
    # "or" turns -0.0 into 0.0, which would print as -0.
    text = f"{value or 0.0:.5g}"
    # Decimal writes all digits of an exponent form without adding any of the float's own.
    return f"{Decimal(text):f}" if "e" in text else text


def probability(value: float | None) -> str:
    """A probability to four decimals; a smaller one as what it lies below."""
    return "< 0.0001" if value is not None and value < 1e-4 else number(value)


def count_text(count: int, one: str, many: str = "") -> str:
    """A count with its noun."""
    return f"{count} {one if count == 1 else many or one + 's'}"


def align_rows(rows: Sequence[tuple[str, ...]], indent: str = "  ") -> list[str]:
    """Rows of texts as lines with columns of one width, cleaned."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        (indent + "  ".join(clean(c).ljust(w) for c, w in zip(row, widths, strict=True))).rstrip()
        for row in rows
    ]

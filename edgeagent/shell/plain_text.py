"""Texts, numbers and tables for a terminal."""

from __future__ import annotations

from collections.abc import Sequence


def number(value: float | None) -> str:
    """Five significant digits, a dash for nothing."""
    return "-" if value is None else f"{value:.5g}"


def clean(text: object) -> str:
    """Text of a file without anything that a terminal would obey."""
    return "".join(c if c.isprintable() else "?" for c in str(text))


def aligned(rows: Sequence[tuple[str, ...]], indent: str = "  ") -> list[str]:
    """Rows of texts as lines with columns of one width, cleaned."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        (indent + "  ".join(clean(c).ljust(w) for c, w in zip(row, widths, strict=True))).rstrip()
        for row in rows
    ]

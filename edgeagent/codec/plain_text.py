"""Texts, numbers and tables for a terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any


def number(value: float | None) -> str:
    """Five significant digits, a dash for nothing."""
    return "-" if value is None else f"{value:.5g}"


def clean(text: object, keep: str = "") -> str:
    """Text of a file without anything that a terminal would obey; unprintable characters of ``keep`` stay."""
    return "".join(c if c.isprintable() or c in keep else "?" for c in str(text))


def verification_text(body: Mapping[str, Any]) -> str:
    """The outcome of a verification in a word or two, by its record.

    One file of a set is neither passed nor failed; what is no verification leaves the gate as it is.
    """
    if body["passed"]:
        return "passed"
    if not body.get("counts", True):
        return "disregarded"
    return "incomplete" if body.get("incomplete") else "failed"


def align_rows(rows: Sequence[tuple[str, ...]], indent: str = "  ") -> list[str]:
    """Rows of texts as lines with columns of one width, cleaned."""
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return [
        (indent + "  ".join(clean(c).ljust(w) for c, w in zip(row, widths, strict=True))).rstrip()
        for row in rows
    ]

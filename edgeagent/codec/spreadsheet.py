"""Cells of comma-separated text (RFC 4180) that no spreadsheet takes for a formula.

A text that begins like a formula gets an apostrophe in front, and so does one that begins with an apostrophe: a
file must not be able to run something on the desk of whoever opens it. Numbers are not texts and stay as
they are. Nothing is an empty cell, an empty text is ``""``.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime
from functools import lru_cache
from typing import Any

_ESCAPE = "'"
_BEGINNINGS = frozenset("=+-@\t\r\n＝＋－＠'")
"""What spreadsheets take for the beginning of a formula, full-width signs among it, and the escape itself."""


@lru_cache(maxsize=10_000)  # most texts of a table stand in many rows
def text_cell(text: str) -> str:
    """A text as a quoted cell; control characters that readers choke on become U+FFFD."""
    kept = text
    if not text.isprintable():
        # Through UTF-8, since file names may hold lone surrogates, which no file in UTF-8 can.
        kept = "".join("\ufffd" if _is_control(c) else c for c in text).encode("utf-8", "replace").decode()
    # Spreadsheets pass over blanks before a formula.
    if kept.lstrip(" ")[:1] in _BEGINNINGS:
        kept = _ESCAPE + kept
    return '"' + kept.replace('"', '""') + '"'


def _is_control(char: str) -> bool:
    return (char < " " and char not in "\t\n\r") or char == "\x7f"


@lru_cache(maxsize=1000)
def time_cell(moment: datetime) -> str:
    """A time in UTC as RFC 3339 with microseconds."""
    return moment.strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def plain_cell(value: Any) -> str:
    """Any value of a row as a cell: numbers in their shortest exact form, times as RFC 3339 in UTC."""
    if value is None:
        return ""
    # Before the numbers: True is an int.
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, datetime):
        return time_cell(value)
    return repr(value) if isinstance(value, int | float) else text_cell(str(value))


def csv_line(values: Iterable[Any]) -> str:
    """One line with its end."""
    return ",".join(map(plain_cell, values)) + "\r\n"

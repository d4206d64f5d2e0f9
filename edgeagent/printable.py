"""Texts that others wrote, made fit to be shown: one cleaning for terminal, report, page, journal and line."""

from __future__ import annotations

NARROW_SPACE = "\u202f"
"""Between a number and its unit, where a line must not break."""


def clean(text: object, keep: str = "") -> str:
    """Text of a file without anything that a terminal would obey; unprintable characters of ``keep`` stay.

    Control, format (direction marks, zero width), separator, private and unassigned characters and lone
    surrogates become a question mark each; letters, signs and the plain space of any script stay.
    """
    return "".join(c if c.isprintable() or c in keep else "?" for c in str(text))

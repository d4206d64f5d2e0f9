"""What a proposal has found out, how sure it is, and what it leaves to a person."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass
from typing import Any


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was found out: what, its value in words, whether it is sure, and why."""

    what: str
    value: str
    sure: bool
    why: str


@dataclass(frozen=True, slots=True)
class OpenValue:
    """A value that a person must fill in: the likeliest one, and why the file does not say it."""

    guess: Any
    why: str
    likely: bool = True
    """Whether the guess is worth telling; False where it only stands in for something unknown."""


def regex_text(text: str) -> str:
    """A text as a regular expression that matches it and stays readable."""
    escaped = "".join("\\" + c if c in r"\.^$*+?{}[]|()" else c for c in text)
    escaped = escaped.replace("\t", r"\t")
    # Blanks of any width stay, being part of a name; what cannot be shown matches any one character.
    return "".join(c if c.isprintable() or unicodedata.category(c) == "Zs" else "." for c in escaped)

"""TOML text to a table, with nesting, keys and numbers bounded before the parser sees them.

The standard library's parser calls itself for every bracket, takes time with the square of a dotted key's
parts, and makes whole numbers of any length, which later refuse to be written down.
"""

from __future__ import annotations

import math
import re
import sys
import tomllib
from typing import Any

from edgeagent.codec.limits import DIGITS_MAX, KEY_PARTS_MAX, NESTING_MAX

_WHOLE_MAX = 2**63
_TOKEN = re.compile(
    r'"""(?:\\.|[^\\])*?(?:"""|\Z)' r"|'''.*?(?:'''|\Z)" r'|"(?:\\.|[^"\\\n])*"' r"|'[^'\n]*'" r"|#[^\n]*"
    rf"|(?P<number>(?<![\w-])[+-]?[0-9][0-9A-Fa-f_xo]{{{DIGITS_MAX},}})|(?P<mark>[.=,\n\[\]{{}}])",
    re.DOTALL,
)  # fmt: skip
"""Texts and comments are stepped over whole, so that brackets in them do not count.

A text that never ends is stepped over to the end: looking for its end again behind each of its quotation marks
would take the square of the length."""


class TomlError(Exception):
    """A text that is not TOML or beyond what is allowed; the caller turns it into its own error.

    ``message`` is a predicate, such as "has a number of 5000 digits"; that of a text that is no TOML at all is
    what the parser says, and ``syntax`` is True.
    """

    def __init__(
        self, message: str, *, line: int | None = None, allowed: str = "", syntax: bool = False
    ) -> None:
        self.message = message
        self.line = line
        self.allowed = allowed
        self.syntax = syntax
        super().__init__(message)


def read_toml(text: str) -> dict[str, Any]:
    """The table that ``text`` holds. Raises TomlError, with the line where it is known."""
    _refuse_heavy(text)
    try:
        table = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        line = re.search(r"at line ([0-9]+)", str(error))
        raise TomlError(str(error), line=int(line[1]) if line else None, syntax=True) from error
    except (
        ValueError,
        RecursionError,
    ) as error:  # none is known to pass the bounds; a reader must not die of it
        raise TomlError(type(error).__name__, syntax=True) from error
    _refuse_numbers(table, "")
    return table


def _refuse_heavy(text: str) -> None:
    """Refuse what the parser would choke on, by one pass over brackets, dots and digits."""
    depth = dots = 0
    for token in _TOKEN.finditer(text):
        mark = token["mark"]
        if token["number"]:
            allowed = f"at most {DIGITS_MAX}"
            raise _refusal(text, token.start(), f"has a number of {len(token['number'])} digits", allowed)
        if mark is None:
            continue
        if mark == ".":
            dots += 1
            if dots >= KEY_PARTS_MAX:
                raise _refusal(
                    text, token.start(), "has a key of too many names", f"at most {KEY_PARTS_MAX} names"
                )
            continue
        dots = 0
        # Not refused below zero: what closes without an opening is for the parser to name.
        depth += (mark in "[{") - (mark in "]}")
        if depth > NESTING_MAX:
            raise _refusal(text, token.start(), "has brackets nested too deep", f"at most {NESTING_MAX} deep")


def _refusal(text: str, position: int, message: str, allowed: str) -> TomlError:
    return TomlError(message, line=text.count("\n", 0, position) + 1, allowed=allowed)


def _refuse_numbers(found: Any, key: str) -> None:
    """Refuse numbers that neither a float64 nor a 64-bit integer holds: they end in errors elsewhere."""
    if isinstance(found, dict):
        for name, value in found.items():
            _refuse_numbers(value, f"{key}.{name}" if key else name)
    elif isinstance(found, list):
        for number, value in enumerate(found):
            _refuse_numbers(value, f"{key}[{number}]")
    elif isinstance(found, int) and not -_WHOLE_MAX <= found < _WHOLE_MAX:
        raise TomlError(
            f"has a whole number of more than 64 bits at {key}", allowed="at most 9223372036854775807"
        )
    elif isinstance(found, float) and math.isfinite(found) and 0.0 < abs(found) < sys.float_info.min:
        raise TomlError(
            f"has {found!r}, too small for a number, at {key}",
            allowed=f"0, or at least {sys.float_info.min:.3g}",
        )

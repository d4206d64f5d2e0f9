"""Values as TOML text, for the proposals that are written for a person to complete."""

from __future__ import annotations

import json
from collections.abc import Mapping
from typing import Any


def toml_value(value: Any) -> str:
    """A text, number, truth value, list or flat mapping as it stands on the right of ``=`` in TOML 1.0.

    Texts become literal strings where possible, so that regular expressions stay readable.
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return toml_text(value)
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return f"{value:.15g}" if value == float(f"{value:.15g}") else repr(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{toml_text(k)} = {toml_value(v)}" for k, v in value.items()) + " }"
    return "[" + ", ".join(toml_value(v) for v in value) + "]"


def toml_text(text: str) -> str:
    """A TOML string: literal where it holds a backslash or a quotation mark and may be, else basic."""
    printable = all(c.isprintable() for c in text)
    if printable and "'" not in text and ("\\" in text or '"' in text):
        return f"'{text}'"
    quoted = json.dumps(text, ensure_ascii=not printable)
    # JSON escapes a character beyond the basic plane as two surrogates, which TOML does not know
    surrogates = not printable and any(c > "\uffff" for c in text)
    return json.dumps(text.encode("ascii", "replace").decode()) if surrogates else quoted


def plain(text: str, width: int = 60) -> str:
    """A text from a file for a comment or a terminal: one line, nothing that could act, cut to ``width``."""
    shown = "".join(c if c.isprintable() else " " if c in "\t\n\r" else "?" for c in text)
    return shown if len(shown) <= width else shown[: width - 1] + "…"

"""Runs function blocks of IEC 61131-3 structured text, as far as the shipped example uses the language.

A block's text is turned into Python statement by statement. What is not known here is an error, never skipped.
Timers run on the time that the caller gives.
"""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

_STATEMENT = re.compile(
    r"\s*(?:(IF|ELSIF)\b(.*?)\bTHEN|(ELSE)\b|(END_IF)\s*;|(\w+)\s*:=(.*?);|(\w+)\s*\((.*?)\)\s*;)", re.S
)
_VARIABLE = re.compile(r"\s*(\w+)\s*:\s*(\w+)\s*(?::=\s*([^;]+?))?\s*;", re.S)
_ZERO: dict[str, Any] = {"BOOL": False, "INT": 0, "DINT": 0, "LINT": 0, "STRING": "", "TIME": 0.0}


class OnDelay:
    """TON: the output follows a true input after the preset time, and a false one at once."""

    def __init__(self) -> None:
        self.Q = False
        self._since: float | None = None

    def call(self, now: float, *, IN: bool, PT: float) -> None:
        if not IN:
            self._since = None
        elif self._since is None:
            self._since = now
        self.Q = self._since is not None and now - self._since >= PT


class FunctionBlock:
    """One instance of a function block; variables are read and written as attributes."""

    def __init__(self, path: Path, name: str) -> None:
        text = re.sub(r"\(\*.*?\*\)", "", path.read_text(encoding="utf-8"), flags=re.S)
        found = re.search(rf"FUNCTION_BLOCK {name}\b(.*?)END_FUNCTION_BLOCK", text, re.S)
        if found is None:
            raise LookupError(name)
        parts = re.split(r"\bVAR(?:_INPUT|_OUTPUT)?\b(.*?)\bEND_VAR\b", found.group(1), flags=re.S)
        self.__dict__["variables"] = _variables("".join(parts[1::2]))
        self.__dict__["_code"] = compile(_python(parts[-1]), name, "exec")

    def __getattr__(self, name: str) -> Any:
        try:
            return self.__dict__["variables"][name]
        except KeyError:
            raise AttributeError(name) from None

    def __setattr__(self, name: str, value: Any) -> None:
        if name not in self.variables:
            raise AttributeError(name)
        self.variables[name] = value

    def cycle(self, now: float, **inputs: Any) -> None:
        """One call at time ``now``; inputs not given keep their value."""
        for name, value in inputs.items():
            setattr(self, name, value)
        space = {"__builtins__": {}, "now": now, **self.variables}
        exec(self.__dict__["_code"], space)
        for name in self.variables:
            self.variables[name] = space[name]


def _variables(text: str) -> dict[str, Any]:
    made: dict[str, Any] = {}
    for name, kind, initial in _each(_VARIABLE, text):
        if kind == "TON":
            made[name] = OnDelay()
        else:
            made[name] = eval(_expression(initial), {"__builtins__": {}}) if initial else _ZERO[kind]
    return made


def _each(pattern: re.Pattern[str], text: str) -> list[tuple[str, ...]]:
    """All matches one behind the other; anything in between is an error."""
    found, at = [], 0
    while text[at:].strip():
        match = pattern.match(text, at)
        if match is None:
            raise SyntaxError(f"not understood: {text[at : at + 60].strip()!r}")
        found.append(match.groups(default=""))
        at = match.end()
    return found


def _python(body: str) -> str:
    lines, depth = [], 0
    for branch, condition, other, end, target, value, timer, arguments in _each(_STATEMENT, body):
        if end:
            depth -= 1
            continue
        if branch == "ELSIF" or other:
            depth -= 1
        if branch or other:
            word = {"IF": "if", "ELSIF": "elif"}.get(branch, "else")
            lines.append("    " * depth + f"{word} {_expression(condition)}:".replace(" :", ":"))
            depth += 1
        elif target:
            lines.append("    " * depth + f"{target} = {_expression(value)}")
        else:
            given = ", ".join(_argument(a) for a in arguments.split(","))
            lines.append("    " * depth + f"{timer}.call(now, {given})")
    return "\n".join(lines)


def _argument(text: str) -> str:
    name, _, value = text.partition(":=")
    return f"{name.strip()}={_expression(value)}"


def _expression(text: str) -> str:
    text = re.sub(r"T#(\d+)s", r"\1.0", text.strip())
    text = text.replace("<>", "!=")
    text = re.sub(r"(?<![<>!:])=", "==", text)
    for word, python in (("NOT", "not"), ("AND", "and"), ("OR", "or"), ("TRUE", "True"), ("FALSE", "False")):
        text = re.sub(rf"\b{word}\b", python, text)
    return text

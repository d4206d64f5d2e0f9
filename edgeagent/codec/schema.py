"""TOML bytes to frozen structures; a complaint names file, line, key, what was found and what is allowed."""

from __future__ import annotations

import difflib
import re
import tomllib
from collections.abc import Mapping
from typing import Any, TypeVar

import msgspec

from edgeagent.errors import ConfigError

T = TypeVar("T")


def toml_table(data: bytes, file: str) -> dict[str, Any]:
    """The TOML document in ``data`` (UTF-8, with or without BOM). Raises ConfigError naming ``file``."""
    try:
        return tomllib.loads(data.decode("utf-8-sig"))
    except UnicodeDecodeError as error:
        raise ConfigError(file, "", f"not UTF-8 text at byte {error.start}") from error
    except tomllib.TOMLDecodeError as error:
        raise ConfigError(file, "", f"not valid TOML: {error}") from error


def convert(table: Mapping[str, Any], target: type[T], file: str, *, text: str = "", prefix: str = "") -> T:
    """A table as ``target``, a ``msgspec.Struct`` that forbids unknown fields.

    ``text`` is the document's text, to say the line; ``prefix`` the key path of ``table`` in the document.
    Raises ConfigError.
    """
    try:
        return msgspec.convert(table, target)
    except msgspec.ValidationError as error:
        raise _explained(str(error), table, target, file, text, prefix) from error


def line_of(text: str, key: str) -> int | None:
    """Line of the first place where the last part of a dotted key path is set, after its table's heading.

    A help for the reader, not a parser: None when it cannot be found.
    """
    names = [re.sub(r"\[\d+\]", "", part) for part in key.split(".") if part]
    if not names or not text:
        return None
    start = 0
    for table in names[:-1]:
        heading = re.search(rf"^\s*\[\[?[^\]\n]*\b{re.escape(table)}\]\]?", text[start:], re.MULTILINE)
        start += heading.start() if heading else 0
    last = re.escape(names[-1])
    found = re.search(rf"""^\s*(\[\[?[^\]\n]*\b)?["']?{last}["']?\s*(=|\])""", text[start:], re.MULTILINE)
    return text.count("\n", 0, start + found.end()) + 1 if found else None


def _explained(
    message: str, table: Mapping[str, Any], target: type[Any], file: str, text: str, prefix: str
) -> ConfigError:
    complaint, _, path = message.partition(" - at `$")
    path = path.rstrip("`").lstrip(".")
    unknown = re.match(r"Object contains unknown field `(.*)`", complaint)
    missing = re.match(r"Object missing required field `(.*)`", complaint)
    value, allowed = _value_at(table, path), ""
    if unknown or missing:
        name = (unknown or missing).group(1)  # type: ignore[union-attr]
        fields = _field_names(target, path)
        path = f"{path}.{name}" if path else name
        if unknown:
            near = difflib.get_close_matches(name, fields, 1)
            complaint = "unknown key" + (f", did you mean {near[0]!r}?" if near else "")
            allowed, value = ", ".join(fields), None
        else:
            complaint, value = "this key is required", None
    elif complaint.startswith("Invalid enum value"):
        complaint = "not one of the allowed values"
        allowed = ", ".join(str(v) for v in _literal_values(target, path))
    key = ".".join(p for p in (prefix, path) if p)
    line = line_of(text, key) if not missing else None
    where = f"{file}: line {line}" if line else file
    return ConfigError(where, key or "(document)", complaint, value=value, allowed=allowed)


def _steps(path: str) -> list[str | int]:
    return [int(number) if number else name for name, number in re.findall(r"([^.\[\]]+)|\[(\d+)\]", path)]


def _value_at(table: Any, path: str) -> Any:
    found = table
    for step in _steps(path):
        try:
            found = found[step]
        except (KeyError, IndexError, TypeError):
            return None
    return found if not isinstance(found, dict | list) or len(str(found)) < 80 else None


def _type_at(target: type[Any], path: str) -> Any:
    from msgspec import inspect

    def plain(kind: Any) -> Any:
        if isinstance(kind, inspect.UnionType):
            return next((t for t in kind.types if not isinstance(t, inspect.NoneType)), kind)
        return kind

    found: Any = inspect.type_info(target)
    for step in _steps(path):
        found = plain(found)
        if isinstance(found, inspect.StructType):
            found = next((f.type for f in found.fields if f.encode_name == step), None)
        else:
            found = getattr(found, "item_type", None) or getattr(found, "value_type", None)
    return plain(found)


def _field_names(target: type[Any], path: str) -> list[str]:
    return [f.encode_name for f in getattr(_type_at(target, path), "fields", ())]


def _literal_values(target: type[Any], path: str) -> tuple[Any, ...]:
    return tuple(getattr(_type_at(target, path), "values", ()))

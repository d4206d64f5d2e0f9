"""TOML bytes to frozen structures; a complaint names file, line, key, what was found and what is allowed."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Mapping
from typing import Any, TypeVar

import msgspec

from edgeagent.codec.limits import CONFIGURATION_BYTES_MAX
from edgeagent.codec.toml_reader import TomlError, read_toml
from edgeagent.errors import ConfigError

T = TypeVar("T")


def toml_table(data: bytes, file: str) -> dict[str, Any]:
    """The TOML document in ``data`` (UTF-8, with or without BOM), without ``nan`` and ``inf``.

    A limit that is not a number would never be exceeded. Raises ConfigError naming ``file``.
    """
    if len(data) > CONFIGURATION_BYTES_MAX:
        raise ConfigError(file, "", f"{len(data)} bytes", allowed=f"at most {CONFIGURATION_BYTES_MAX}")
    try:
        text = data.decode("utf-8-sig")
        table = read_toml(text)
    except UnicodeDecodeError as error:
        raise ConfigError(file, "", f"not UTF-8 text at byte {error.start}") from error
    except TomlError as error:
        where = f"{file}: line {error.line}" if error.line and not error.syntax else file
        complaint = f"not valid TOML: {error.message}" if error.syntax else f"the file {error.message}"
        raise ConfigError(where, "", complaint, allowed=error.allowed) from error
    _refuse_not_finite(table, file, text, "")
    return table


def _refuse_not_finite(found: Any, file: str, text: str, key: str) -> None:
    if isinstance(found, dict):
        for name, value in found.items():
            _refuse_not_finite(value, file, text, f"{key}.{name}" if key else name)
    elif isinstance(found, list):
        for number, value in enumerate(found):
            _refuse_not_finite(value, file, text, f"{key}[{number}]")
    elif isinstance(found, float) and not math.isfinite(found):
        raise ConfigError(place_of_key(file, text, key), key, "not a finite number", value=found)


def convert(
    table: Mapping[str, Any], target: type[T], file: str, *, text: str = "", prefix: str = "",
    also: tuple[str, ...] = (), last: tuple[str, ...] = (),
) -> T:  # fmt: skip
    """A table as ``target``, a ``msgspec.Struct`` that forbids unknown fields.

    ``text`` is the document's text, to say the line; ``prefix`` the key path of ``table`` in the document;
    ``also`` and ``last`` are keys allowed before and after those of ``target``, for the message alone. Raises
    ConfigError.
    """
    try:
        return msgspec.convert(table, target)
    except msgspec.ValidationError as error:
        raise _explain(str(error), table, target, file, text, prefix, (also, last)) from error


def place_of_key(file: str, text: str, key: str) -> str:
    """The file's name with the line of a key where that can be found."""
    line = line_of(text, key)
    return f"{file}: line {line}" if line else file


def line_of(text: str, key: str) -> int | None:
    """Line where a dotted key path such as ``measurement[1].limit[0].upper`` is set in a TOML text.

    The line of the innermost table or value on the way where the key itself is not there. A help for the
    reader, not a parser: None when nothing of it can be found.
    """
    begin, end, best = 0, len(text), None
    steps = [(name, int(number or 0)) for name, number in re.findall(r"([^.\[\]]+)(?:\[(\d+)\])?", key)]
    for name, number in steps:
        word = rf"""["']?{re.escape(name)}["']?"""
        # Keys of a table stand before its first sub-table: behind that a key of the same name is another one's.
        own = re.compile(r"^[ \t]*\[", re.MULTILINE).search(text, begin, end)
        value = re.compile(rf"^[ \t]*{word}[ \t]*[=.]", re.MULTILINE).search(
            text, begin, own.start() if own else end
        )
        if value is not None:
            return text.count("\n", 0, value.end()) + 1
        # Any prefix before the last name: [[measurement.limit]] and [[limit]] are found alike.
        heading = re.compile(rf"^[ \t]*\[\[?[ \t]*(?:[^\]\n]*\.[ \t]*)?{word}[ \t]*\]", re.MULTILINE)
        found = list(heading.finditer(text, begin, end))
        if number >= len(found):
            break
        begin = found[number].end()
        end = found[number + 1].start() if number + 1 < len(found) else end
        best = text.count("\n", 0, begin) + 1
    return best


def _explain(
    message: str,
    table: Mapping[str, Any],
    target: type[Any],
    file: str,
    text: str,
    prefix: str,
    beside: tuple[tuple[str, ...], tuple[str, ...]],
) -> ConfigError:
    complaint, _, path = message.partition(" - at `$")
    path = path.rstrip("`").lstrip(".")
    unknown = re.match(r"Object contains unknown field `(.*)`", complaint)
    missing = re.match(r"Object missing required field `(.*)`", complaint)
    value, allowed = _value_at(table, path), ""
    if unknown or missing:
        name = (unknown or missing).group(1)  # type: ignore[union-attr]
        # Only at the top of the table do the caller's own keys stand.
        before, after = beside if not path else ((), ())
        fields = [*before, *_field_names(target, path), *after]
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
    return ConfigError(
        place_of_key(file, text, key), key or "(document)", complaint, value=value, allowed=allowed
    )


def _steps(path: str) -> list[str | int]:
    return [int(number) if number else name for name, number in re.findall(r"([^.\[\]]+)|\[(\d+)\]", path)]


def _value_at(table: Any, path: str) -> Any:
    found = table
    for step in _steps(path):
        try:
            found = found[step]
        except (KeyError, IndexError, TypeError):
            return None
    # A whole table or a long list would bury the complaint.
    return found if not isinstance(found, dict) and len(str(found)) < 80 else None


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

"""What changed between two configurations, readable: file, key, the value before and the value now."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from edgeagent.codec.configuration.schema import toml_table
from edgeagent.codec.evidence.approvals import SUFFIX
from edgeagent.codec.plain_text import clean
from edgeagent.errors import ConfigError

_NAMED_BY = ("feature", "characteristic", "upr", "artefact", "name", "kind")
"""Members that name the tables of a list, so that one inserted above is no change of all below."""
_VALUE_MAX = 60


def configuration_changes(before: Mapping[str, bytes], after: Mapping[str, bytes]) -> tuple[str, ...]:
    """One line for each key that is new, gone or other, in files by their names in a manifest.

    A file that is no TOML document, such as a table of limits, is compared as a whole.
    """
    found: list[str] = []
    for name in sorted(before.keys() | after.keys()):
        old, new = before.get(name), after.get(name)
        if old == new:
            continue
        if old is None or new is None:
            found.append(f"{clean(name)}: {'new file' if old is None else 'taken away'}")
        else:
            found += [f"{clean(name)}: {line}" for line in _file_changes(name, old, new)]
    return tuple(found)


def _file_changes(name: str, old: bytes, new: bytes) -> Iterator[str]:
    if name.endswith(SUFFIX):
        yield "approved anew"
        return
    try:
        if not name.endswith(".toml"):
            raise ConfigError(name, "", "no TOML document")
        was, now = dict(_keys(toml_table(old, name), "")), dict(_keys(toml_table(new, name), ""))
    except ConfigError:
        # Also for a file that is no TOML any more: the change must be on record, whatever it is.
        was_lines, now_lines = set(old.splitlines()), set(new.splitlines())
        yield f"{len(now_lines - was_lines)} lines new or other, {len(was_lines - now_lines)} gone"
        return
    changed = [key for key in (*was, *(k for k in now if k not in was)) if was.get(key) != now.get(key)]
    if not changed:
        # The bytes differ, and with them the digest on record: no line would look like a mistake.
        yield "comments or spaces alone"
    for key in changed:
        yield f"{key}: {_brief(was.get(key))} → {_brief(now.get(key))}"


def _keys(value: Any, at: str) -> Iterator[tuple[str, Any]]:
    """Every key with its value; tables of a list by what names them."""
    if isinstance(value, dict) and value:
        for key, inner in value.items():
            yield from _keys(inner, f"{at}.{key}" if at else str(key))
    elif isinstance(value, list) and value and all(isinstance(each, dict) for each in value):
        taken: set[str] = set()
        for number, each in enumerate(value):
            named = next((str(each[m]) for m in _NAMED_BY if m in each), str(number))
            # Two limits of one characteristic have the same name: without a number one would hide the other.
            named = named if named not in taken else f"{named}#{number}"
            taken.add(named)
            yield from _keys(each, f"{at}[{named}]")
    else:
        yield at, value


def _brief(value: Any) -> str:
    text = "absent" if value is None else clean(str(value))
    return text if len(text) <= _VALUE_MAX else text[: _VALUE_MAX - 1] + "…"

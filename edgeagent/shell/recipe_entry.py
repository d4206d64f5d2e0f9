"""The repeatability entry of a recipe, set in its text without touching anything else."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Mapping
from pathlib import Path

from edgeagent.codec.toml_text import toml_value
from edgeagent.errors import ConfigError
from edgeagent.shell.files import write_synced


def write_repeatability(
    path: Path, values: Mapping[str, float], remark: str, check: Callable[[bytes], None]
) -> None:
    """Set ``repeatability`` under ``[uncertainty]`` of a recipe, all else to the letter as it was.

    Earlier entries of other characteristics stay. ``check`` raises ConfigError for a recipe that could not be
    used. Raises ConfigError; the file is then unchanged.
    """
    try:
        path = path.resolve(strict=True)
        data = path.read_bytes()
        changed = with_repeatability(data.decode("utf-8-sig"), values, remark, path.name).encode("utf-8")
        check(changed)
        write_synced(path, changed, mode=path.stat().st_mode & 0o777)
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(path.name, "", f"cannot be changed: {error}") from error


def with_repeatability(text: str, values: Mapping[str, float], remark: str, file: str) -> str:
    """The text of a recipe with the entry set; comments and order stay. Raises ConfigError where that fails."""
    before = tomllib.loads(text)
    table = before.get("uncertainty", {})
    merged = {**table.get("repeatability", {}), **values}
    line = entry(merged, remark)
    heading = re.search(r"^[ \t]*\[[ \t]*uncertainty[ \t]*\][^\n]*$", text, re.MULTILINE)
    if heading is None:
        changed = f"{text.rstrip()}\n\n[uncertainty]\n{line}\n"
    else:
        following = re.compile(r"^[ \t]*\[", re.MULTILINE).search(text, heading.end())
        end = following.start() if following else len(text)
        own = text[heading.end() : end]
        old = re.search(r"^[ \t]*repeatability[ \t]*=[^\n]*$", own, re.MULTILINE)
        own = f"\n{line}{own}" if old is None else own[: old.start()] + line + own[old.end() :]
        changed = text[: heading.end()] + own + text[end:]
    try:
        after = tomllib.loads(changed)
    except tomllib.TOMLDecodeError:
        after = {}
    if after != {**before, "uncertainty": {**table, "repeatability": merged}}:
        raise ConfigError(file, "uncertainty.repeatability", "written in a way that has to be changed by hand")
    return changed


def entry(values: Mapping[str, float], remark: str) -> str:
    """The line that sets ``repeatability``, the remark behind it."""
    pairs = ", ".join(
        f"{k if re.fullmatch(r'[A-Za-z0-9_-]+', k) else toml_value(k)} = {toml_value(v)}"
        for k, v in values.items()
    )
    return f"repeatability = {{ {pairs} }}  # {remark}"

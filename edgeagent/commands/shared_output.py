"""What all commands write with: JSON lines, progress on stderr, new files."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Any, TypeVar

import click

from edgeagent.codec.records.result import encode
from edgeagent.errors import AgentError, UsageError
from edgeagent.store.files import write_synced

T = TypeVar("T")


def json_line(value: Any) -> str:
    """A value as one line of JSON."""
    return encode(value).decode()


def show_progress(items: Iterable[T], label: str, *, hidden: bool = False) -> Iterator[T]:
    """The items, with progress on stderr where that is a terminal; ``hidden`` for short work."""
    # A script that reads stderr is to find errors there and nothing else
    if hidden or not sys.stderr.isatty():
        yield from items
        return
    began, done = time.monotonic(), 0
    with click.progressbar(
        items,
        label=label,
        file=sys.stderr,
        show_pos=True,
        show_eta=True,
        item_show_func=lambda _: f"{done / max(time.monotonic() - began, 1e-3):.0f}/s",
    ) as bar:
        for item in bar:
            done += 1
            yield item


def refuse_existing(out: Path | None, *, force: bool = False, offer: str = "") -> None:
    """Raise UsageError where the file to be written is there already, unless ``force`` asks to replace it."""
    # A person may have corrected it since: a second call must not undo an hour of work
    if out is not None and out.exists() and not force:
        raise UsageError(f"{out} exists already; it is kept as it is{offer}")


def write_new(out: Path, text: str) -> None:
    """Write a text in one step. Raises AgentError."""
    try:
        write_synced(out, text.encode("utf-8"))
    except OSError as error:
        raise AgentError(f"{out}: cannot be written: {error.strerror}") from error

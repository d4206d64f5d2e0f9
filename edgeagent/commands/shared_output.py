"""What all commands write with: JSON lines, progress on stderr, tables."""

from __future__ import annotations

import sys
import time
from collections.abc import Iterable, Iterator
from typing import Any, TypeVar

import click

from edgeagent.codec.records.result import encode

T = TypeVar("T")


def json_line(value: Any) -> str:
    """A value as one line of JSON."""
    return encode(value).decode()


def show_progress(items: Iterable[T], label: str, *, hidden: bool = False) -> Iterator[T]:
    """The items, with progress on stderr where that is a terminal; ``hidden`` for short work."""
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

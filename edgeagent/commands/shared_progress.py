"""Progress of long work on a terminal: how many of how many, how fast, and the time that is left."""

from __future__ import annotations

import shutil
import sys
import time
from collections.abc import Iterable, Iterator, Sized
from typing import TextIO, TypeVar

from edgeagent.codec.plain_text import clean

T = TypeVar("T")
_FIRST_AFTER_S = 1.0
"""Work that is done by then needs no line."""
_EVERY_S = 0.2
_WIPE = "\r\x1b[2K"


def show_progress(items: Iterable[T], label: str, total: int | None = None) -> Iterator[T]:
    """The items, with one line on stderr that is drawn anew, and is gone at the end.

    Nothing is written where stderr is no terminal, nor for work of less than a second. ``label`` names what is
    counted, in the plural; ``total`` is their number where the items do not say it, None where nobody knows.
    """
    # A script that reads stderr is to find errors there and nothing else
    if not sys.stderr.isatty():
        yield from items
        return
    if total is None and isinstance(items, Sized):
        total = len(items)
    line, began = _ProgressLine(sys.stderr), time.monotonic()
    try:
        line.draw(0.0, label, 0, total)
        for done, item in enumerate(items, 1):
            yield item
            line.draw(time.monotonic() - began, label, done, total)
    finally:
        line.wipe()


def progress_words(label: str, done: int, total: int | None, elapsed_s: float) -> str:
    """One line: ``records: 1,200 of 45,000 (2 %), 311 a second, 2 min 20 s left``."""
    # Over all of it, not the last moments: a rate that jumps gives no time left.
    rate = done / elapsed_s if elapsed_s > 0 else 0.0
    if done == 0:
        known = f" of {total:,}" if total else ""
        return f"{label}: 0{known}"
    shown = f"{rate:,.0f} a second" if rate >= 10 else f"{rate:.1f} a second"
    if rate < 0.5:
        shown = f"{1 / rate:.0f} s each"
    if total is None:
        return f"{label}: {done:,}, {shown}"
    # A store that is being written to may have grown since its records were counted
    total = max(total, done)
    left = f"{duration_words((total - done) / rate)} left"
    return f"{label}: {done:,} of {total:,} ({100 * done // total} %), {shown}, {left}"


def duration_words(seconds: float) -> str:
    """A time to wait, as coarse as an estimate deserves: ``8 s``, ``2 min 20 s``, ``3 h 5 min``."""
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 600:
        return f"{whole // 60} min {whole % 60 // 10 * 10} s"
    if whole < 3600:
        return f"{whole // 60} min"
    return f"{whole // 3600} h {whole % 3600 // 60} min"


class _ProgressLine:
    """The terminal's last line, drawn at most five times a second."""

    def __init__(self, out: TextIO) -> None:
        self._out = out
        self._next_s = _FIRST_AFTER_S
        self._drawn = False

    def draw(self, elapsed_s: float, label: str, done: int, total: int | None) -> None:
        if elapsed_s < self._next_s:
            return
        self._next_s, self._drawn = elapsed_s + _EVERY_S, True
        # One less: a full line would wrap, and the wipe takes back one line alone.
        width = shutil.get_terminal_size().columns - 1
        self._write(_WIPE + clean(progress_words(label, done, total, elapsed_s))[:width])

    def wipe(self) -> None:
        # What the command prints next must not stand behind half a line of progress
        if self._drawn:
            self._drawn = False
            self._write(_WIPE)

    def _write(self, text: str) -> None:
        self._out.write(text)
        self._out.flush()

"""When is a file complete? What was seen of it and a time, in; whether it may be read, and is whole, out."""

from __future__ import annotations

import fnmatch
import re
from collections.abc import Collection
from dataclasses import dataclass, replace
from functools import lru_cache


@dataclass(frozen=True, slots=True)
class Look:
    """What one ``stat`` says of a file: anything that changes while somebody writes."""

    size: int
    mtime_ns: int
    ctime_ns: int
    inode: int


@dataclass(frozen=True, slots=True)
class Patience:
    """How long a file is waited for: unchanged (``settle_s``), empty, and with its writer still at it."""

    settle_s: float
    empty_s: float
    unclosed_s: float


@dataclass(frozen=True, slots=True)
class Signs:
    """What the watch saw of a file since the last look at it."""

    created: bool = False
    writing: bool = False
    closed: bool = False
    renamed: bool = False

    def then(self, later: Signs) -> Signs:
        """These and later ones: content written after a close takes its word back, a close ends the writing."""
        # Inotify reports a write after a close where the file was opened again: it is not whole any more.
        if later.writing:
            return Signs(self.created or later.created, writing=True)
        ends = later.closed or later.renamed
        return Signs(
            self.created or later.created,
            writing=self.writing and not ends,
            closed=self.closed or later.closed,
            renamed=self.renamed or later.renamed,
        )


@dataclass(frozen=True, slots=True)
class UnsettledFile:
    """A file that is not settled yet: its last look and since when that look has not changed (monotonic).

    The watch saw the rest: ``writing`` that content was written and no close since, ``closed`` a writer's close
    or an arrival from elsewhere, ``renamed`` a rename inside the folder.
    """

    look: Look
    since_s: float
    writing: bool = False
    closed: bool = False
    renamed: bool = False
    looks: int = 1


def take_look(waiting: UnsettledFile | None, look: Look, now_s: float) -> UnsettledFile:
    """The waiting state after another look."""
    if waiting is None:
        return UnsettledFile(look, now_s)
    if waiting.look != look:
        # Somebody writes on: an earlier close or rename says nothing any more.
        return UnsettledFile(look, now_s, writing=waiting.writing)
    return replace(waiting, looks=waiting.looks + 1)


def take_sign(waiting: UnsettledFile, signs: Signs, *, regular: bool) -> UnsettledFile:
    """The waiting state after what the watch saw.

    A regular file that was created and is empty is about to be written, and its close will come; a link or a
    pipe is created and never closed.
    """
    # Creation and first write may be reported apart: between the two the empty file must not count as settled.
    begun = signs.created and regular and waiting.look.size == 0
    if signs.writing or (begun and not (signs.closed or signs.renamed)):
        return replace(waiting, writing=True, closed=False, renamed=False)
    if signs.closed or signs.renamed:
        closed, renamed = waiting.closed or signs.closed, waiting.renamed or signs.renamed
        return replace(waiting, writing=False, closed=closed, renamed=renamed)
    return waiting


def is_settled(waiting: UnsettledFile, now_s: float, patience: Patience) -> bool:
    """Whether a file may be read.

    Not while the watch waits for its close, but then, after ``unclosed_s`` without a change, all the same. A
    rename inside the folder settles at once: the name appears when the content is whole. With ``settle_s`` 0
    the writer's close is trusted, and where no close was seen two equal looks must do. An empty file is
    most likely one that is about to be written.
    """
    free = not (waiting.writing or waiting.renamed) and waiting.look.size > 0
    if free and patience.settle_s == 0:
        return waiting.closed or waiting.looks >= 2
    return now_s >= settles_at(waiting, patience)


def settles_at(waiting: UnsettledFile, patience: Patience) -> float:
    """Earliest monotonic time at which the file can be read if nothing changes any more."""
    if waiting.writing:
        # A writer that crashed never closes, and its file must not wait for ever.
        return waiting.since_s + max(patience.unclosed_s, patience.settle_s)
    if waiting.look.size == 0:
        return waiting.since_s + max(patience.empty_s, patience.settle_s)
    return waiting.since_s + (0.0 if waiting.renamed else patience.settle_s)


def whole(waiting: UnsettledFile, now_s: float, patience: Patience) -> bool:
    """Whether a file that does not read as a whole one is one all the same: nobody is going to add to it.

    Somebody closed it or renamed it; or it has not changed for ``unclosed_s``.
    """
    return waiting.closed or waiting.renamed or now_s - waiting.since_s >= patience.unclosed_s


def matches(name: str, patterns: Collection[str]) -> bool:
    """Whether a base name fits one of these patterns (shell style, upper and lower case alike)."""
    return _one_pattern(tuple(patterns)).match(name) is not None


@lru_cache(maxsize=16)
def _one_pattern(patterns: tuple[str, ...]) -> re.Pattern[str]:
    """All patterns in one: a listing of a hundred thousand names asks for each of them."""
    # "(?!)" matches nothing: an empty alternative would match every name.
    return re.compile("|".join(fnmatch.translate(p) for p in patterns) or r"(?!)", re.IGNORECASE)

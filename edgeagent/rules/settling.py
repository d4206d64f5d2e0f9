"""When is a file complete? Two looks at a folder and a time, in; names of settled files, out."""

from __future__ import annotations

import fnmatch
from collections.abc import Sequence
from dataclasses import dataclass, replace


@dataclass(frozen=True, slots=True)
class Look:
    """What one ``stat`` says of a file: anything that changes while somebody writes."""

    size: int
    mtime_ns: int
    ctime_ns: int
    inode: int


@dataclass(frozen=True, slots=True)
class Waiting:
    """A file that is not settled yet: its last look and since when that look has not changed (monotonic).

    ``closed`` is set by a writer's close, ``renamed`` by a rename inside the folder, both seen by the watch.
    """

    look: Look
    since_s: float
    closed: bool = False
    renamed: bool = False
    looks: int = 1


def looked(waiting: Waiting | None, look: Look, now_s: float) -> Waiting:
    """The waiting state after another look."""
    if waiting is None:
        return Waiting(look, now_s)
    if waiting.look != look:
        return Waiting(look, now_s)  # somebody writes on: an earlier close or rename says nothing any more
    return replace(waiting, looks=waiting.looks + 1)


def settled(waiting: Waiting, now_s: float, settle_s: float, empty_s: float) -> bool:
    """Whether a file is complete.

    A rename inside the folder settles at once: the name appears when the content is whole. With
    ``settle_s`` 0 the writer's close is trusted, and where no close was seen two equal looks must do.
    An empty file is usually one that is about to be written: it waits ``empty_s``.
    """
    if settle_s == 0 and waiting.look.size > 0 and not waiting.renamed:
        return waiting.closed or waiting.looks >= 2
    return now_s >= settles_at(waiting, settle_s, empty_s)


def settles_at(waiting: Waiting, settle_s: float, empty_s: float) -> float:
    """Earliest monotonic time at which the file can be settled if nothing changes any more."""
    if waiting.look.size == 0:
        return waiting.since_s + max(empty_s, settle_s)
    return waiting.since_s + (0.0 if waiting.renamed else settle_s)


def ignored(name: str, patterns: Sequence[str]) -> bool:
    """Whether a base name is temporary by pattern (shell style, upper and lower case alike)."""
    return any(fnmatch.fnmatchcase(name.lower(), pattern.lower()) for pattern in patterns)

"""The thread of one folder and its watch, exchanged for new ones when the folder's file system hangs."""

from __future__ import annotations

import os
from collections.abc import Callable, Collection
from pathlib import Path
from typing import Any

from edgeagent.service.folders.disk import Listing, list_folder
from edgeagent.service.folders.errands import Alive, Errand, Errands
from edgeagent.service.folders.watch import FolderWatch, Hint
from edgeagent.store.clock import Clock

_AT_ONCE = 2
"""Errands with the thread at a time: one under way, and one so that it need not wait for the loop."""
_HUNG_MAX = 2
"""Threads that may hang in one folder; with so many nothing more is tried until one of them ends."""
_SECOND_LOOK_S = 0.5
"""Between doubt and certainty that a folder hangs: time for a thread of a machine that slept to report."""
_FAREWELL_S = 2.0
"""At the end a thread that answers has so long to end its watch in order."""


class Hands:
    """Does errands on one folder. All methods are for the loop's thread, and none of them waits for the folder.

    A thread that gives no sign of life for ``answer_s`` is left behind with its watch. Another one tries again
    at once, since a share may have come back under a new mount while the old one hangs for ever.
    """

    def __init__(
        self,
        path: Path,
        label: str,
        hint: Callable[[Hint], None],
        clock: Clock,
        wake: Callable[[], None],
        *,
        native: bool,
        answer_s: float,
    ) -> None:
        self._path, self._label, self._hint = path, label, hint
        self._clock, self._wake = clock, wake
        self._native, self._answer_s = native, answer_s
        self._hung: list[Errands] = []
        self._doubted_at: float | None = None
        self._watch, self._errands = self._begin()

    def _begin(self) -> tuple[FolderWatch, Errands | None]:
        watch = FolderWatch(self._path, self._label, self._hint, native=self._native)
        # The thread that made the watch also ends it: both are calls that may hang.
        return watch, Errands(f"folder-{self._label}", self._clock, self._wake, watch.stop)

    @property
    def has_hints(self) -> bool:
        """Whether a watch is there that can hint."""
        return self._watch.hints

    @property
    def free(self) -> bool:
        """Whether another errand can be given."""
        return self._errands is not None and self._errands.outstanding < _AT_ONCE

    def submit(self, errand: Errand) -> None:
        """Give an errand; only when ``free``."""
        assert self._errands is not None
        self._errands.submit(errand)

    def listing(self, patterns: Collection[str]) -> Callable[[Alive], Listing]:
        """The errand that lists the folder and keeps its watch alive; without a folder there is no watch."""
        path, watch = self._path, self._watch

        def errand(_alive: Alive) -> Listing:
            try:
                return list_folder(path, watch, patterns)
            except OSError:
                # The path may be a new folder when it is back; a watch of the old one would hint at nothing.
                watch.stop()
                raise

        return errand

    def names_now(self) -> frozenset[str]:
        """Names in the folder, none where it does not say in time. Waits, and is for the start alone."""
        # Its first errand hangs: to ask another one would wait behind it.
        if self._errands is None or self._errands.outstanding:
            return frozenset()
        found = self._errands.ask(lambda _alive: _names(self._path), self._answer_s)
        return found if isinstance(found, frozenset) else frozenset()

    def results(self) -> list[Any]:
        """What the errands brought."""
        # The share answered at last: the place is free for another try.
        self._hung = [errands for errands in self._hung if not errands.ended]
        if self._errands is None and len(self._hung) < _HUNG_MAX:
            self._watch, self._errands = self._begin()
        return self._errands.results() if self._errands is not None else []

    def hung(self) -> str | None:
        """That the folder does not answer, once, when the thread was left behind; else None. After ``results``.

        It takes two looks: a machine that was asleep, or an agent that was stopped, is no share that hangs.
        """
        errands, now = self._errands, self._clock.monotonic()
        if errands is None or errands.stuck_s() < self._answer_s:
            self._doubted_at = None
            return None
        self._doubted_at = now if self._doubted_at is None else self._doubted_at
        if now - self._doubted_at < _SECOND_LOOK_S:
            return None
        self._doubted_at = None
        errands.abandon()
        self._hung.append(errands)
        self._errands = None
        threads = f"{len(self._hung)} of at most {_HUNG_MAX} threads wait for it"
        return f"does not answer for {self._answer_s:g} s; {threads}"

    def next_deadline(self) -> float | None:
        """When ``hung`` should be asked again; None when nothing is outstanding."""
        if self._errands is None or not self._errands.outstanding:
            return None
        return self._clock.monotonic() + max(self._answer_s - self._errands.stuck_s(), _SECOND_LOOK_S)

    def close(self) -> None:
        """End watch and thread; what hangs is left behind."""
        if self._errands is not None:
            self._errands.close(_FAREWELL_S if self._errands.stuck_s() < self._answer_s else 0.0)


def _names(path: Path) -> frozenset[str]:
    return frozenset(os.listdir(path))

"""The watch of one folder: a source of hints that may die at any time and is rebuilt when it has.

watchdog's thread turns the kernel's events into hints, each at most once for as long as it holds: a file that
is being written gives one hint at its first change and one at its close, however many writes lie between them.
"""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from edgeagent.service.folders import inotify
from edgeagent.service.folders.inotify import FolderEvent, FolderEvents

_RENAMES_MAX = 1000
"""Halves of renames that are remembered: the other half of an older one will not come any more."""
_TRY_AGAIN_SCANS = 60
"""Scans between two attempts at a watch that could not be made: about a minute, as scans are then frequent."""


@dataclass(frozen=True, slots=True)
class Hint:
    """Something happened in a folder; ``name`` None means: scan it.

    ``created``: the name is new in the folder. ``writing``: content changed and no close was seen since.
    ``closed``: a writer closed it, or it was moved in from elsewhere. ``renamed``: it had another name in this
    folder before. ``lost``: other hints were dropped, so that nothing follows from a close that was not seen.
    """

    folder: str
    name: str | None
    created: bool = False
    writing: bool = False
    closed: bool = False
    renamed: bool = False
    lost: bool = False


class _Translator:
    """Turns the events of one folder into hints."""

    def __init__(self, label: str, hint: Callable[[Hint], None]) -> None:
        self._label, self._hint = label, hint
        self._writing: set[str] = set()
        self._renames: OrderedDict[int, str] = OrderedDict()

    def take(self, event: FolderEvent) -> None:
        """Hint at what follows from an event, if anything does; called from watchdog's thread."""
        hint = self.hint_of(event)
        if hint is not None:
            self._hint(hint)

    def hint_of(self, event: FolderEvent) -> Hint | None:
        """The hint that follows from an event, None where nothing does."""
        mask, name = event.mask, event.name
        # Closes may be among what was dropped: nothing that was seen before says any more who is writing.
        if mask & inotify.OVERFLOW:
            self._writing.clear()
            return Hint(self._label, None, lost=True)
        if not name or mask & inotify.IS_FOLDER:
            return Hint(self._label, None) if not name else None
        if mask & inotify.MODIFY:
            # A hint a write would flood the mailbox: a file of 30 MB is written in thousands of pieces.
            if name in self._writing:
                return None
            self._writing.add(name)
            return Hint(self._label, name, writing=True)
        self._writing.discard(name)
        if mask & inotify.MOVED_FROM:
            self._renames[event.cookie] = name
            while len(self._renames) > _RENAMES_MAX:
                self._renames.popitem(last=False)
            return None
        if mask & inotify.MOVED_TO:
            # Both halves seen: its writer named it when it was done. From another folder it comes whole.
            inside = self._renames.pop(event.cookie, None) is not None
            return Hint(self._label, name, renamed=inside, closed=not inside)
        return Hint(
            self._label, name, created=bool(mask & inotify.CREATE), closed=bool(mask & inotify.CLOSE_WRITE)
        )


class FolderWatch:
    """Owns the watch of one folder. ``ensure`` is called at every scan and rebuilds what died."""

    def __init__(self, path: Path, label: str, hint: Callable[[Hint], None], *, native: bool) -> None:
        self._path, self._label, self._hint = path, label, hint
        self._native = native
        self._watching: FolderEvents | None = None
        self._watched: tuple[int, int] | None = None
        self._failed: str | None = None
        self._scans_blind = 0

    @property
    def hints(self) -> bool:
        """Whether a watch is there that can hint; without one the scan alone is in charge."""
        return self._watching is not None

    def ensure(self, identity: tuple[int, int], *, remote: bool = False) -> tuple[str, str] | None:
        """Watch the folder with this device and inode; a ``remote`` one cannot be watched.

        Returns an event name and a reason when a watch had to be rebuilt or cannot be made (no inotify
        left, a network share), None when nothing had to be done. What cannot be made is tried again from
        time to time: whoever used up the limit may be gone.
        """
        if not self._native:
            return None
        reason = self._trouble(identity)
        if self._watching is not None and reason is None:
            return None
        if self._watching is None and self._failed is not None:
            self._scans_blind += 1
            if remote or self._scans_blind % _TRY_AGAIN_SCANS:
                return None
        had, before = self._watching is not None, self._failed
        self.stop()
        try:
            if remote:
                raise OSError(0, "events of other hosts are not seen on a network share")
            watching = FolderEvents(self._path, _Translator(self._label, self._hint).take)
        except OSError as error:
            self._failed = f"{error.strerror}: the folder is listed more often instead"
            # Reported once, not at each attempt.
            return ("watch-impossible", self._failed) if self._failed != before else None
        self._watching, self._watched = watching, identity
        return ("watch-rebuilt", reason or before or "") if had or before is not None else None

    def _trouble(self, identity: tuple[int, int]) -> str | None:
        if self._watching is None:
            return None
        if self._watching.ended:
            return self._watching.ended
        # Another folder under the same path: inotify follows the inode, not the name.
        if self._watched != identity:
            return "the folder was exchanged for another"
        return None

    def stop(self) -> None:
        """Give the watch up; the next ``ensure`` makes a new one."""
        watching, self._watching, self._watched = self._watching, None, None
        self._failed = None
        if watching is not None:
            watching.close()

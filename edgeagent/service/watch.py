"""The watch of one folder: a source of hints that may die at any time and is rebuilt when it has.

The only module that imports watchdog. Its handler puts a name into a queue and returns: an exception in a
handler would end watchdog's dispatcher for good.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from watchdog.events import (
    DirDeletedEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer
from watchdog.observers.api import BaseObserver

_REMOTE = ("cifs", "smb", "nfs", "fuse", "9p", "vboxsf", "afs", "ceph", "glusterfs")


@dataclass(frozen=True, slots=True)
class Hint:
    """Something happened in a folder; ``name`` None means: scan it."""

    folder: str
    name: str | None
    closed: bool = False
    renamed: bool = False


class _Handler(FileSystemEventHandler):
    def __init__(self, folder: Path, label: str, hint: Callable[[Hint], None]) -> None:
        self._folder = os.fspath(folder)
        self._label = label
        self._hint = hint

    def dispatch(self, event: FileSystemEvent) -> None:
        if event.is_directory:
            if isinstance(event, DirDeletedEvent):
                self._hint(Hint(self._label, None))
            return
        moved = isinstance(event, FileMovedEvent)
        if moved and event.dest_path:
            name = self._inside(event.dest_path)
            inside = name is not None and self._inside(event.src_path) is not None
            if name is not None:
                self._hint(Hint(self._label, name, renamed=inside))
        elif isinstance(event, FileClosedEvent | FileCreatedEvent):
            name = self._inside(event.src_path)
            if name is not None:
                self._hint(Hint(self._label, name, closed=isinstance(event, FileClosedEvent)))

    def _inside(self, path: bytes | str) -> str | None:
        """The name within the folder, None for a path that is not directly in it."""
        head, name = os.path.split(os.fsdecode(path))
        return name if head == self._folder and name else None


class FolderWatch:
    """Owns one watchdog observer. ``ensure`` is called at every scan and rebuilds what died."""

    def __init__(self, path: Path, label: str, hint: Callable[[Hint], None], *, native: bool) -> None:
        self._path = path
        self._handler = _Handler(path, label, hint)
        self._native = native
        self._observer: BaseObserver | None = None
        self._watched: tuple[int, int] | None = None
        self._failed: str | None = None

    @property
    def hints(self) -> bool:
        """Whether a watch is there that can hint; without one the scan alone is in charge."""
        return self._observer is not None

    def ensure(self, identity: tuple[int, int]) -> tuple[str, str] | None:
        """Watch the folder with this device and inode.

        Returns an event name and a reason when a watch had to be rebuilt or cannot be made (no inotify
        left, a network share), None when nothing had to be done.
        """
        if not self._native:
            return None
        if self._observer is None and self._failed is not None:
            return None
        reason = self._trouble(identity)
        if self._observer is not None and reason is None:
            return None
        had = self._observer is not None
        self.stop()
        if _is_remote(self._path):
            self._failed = "network share: events of other hosts are not seen, polling instead"
            return "watch-impossible", self._failed
        observer = Observer()
        try:
            observer.schedule(self._handler, os.fspath(self._path))
            observer.start()
        except OSError as error:
            self._failed = f"no watch possible ({error.strerror}), polling instead"
            return "watch-impossible", self._failed
        self._observer, self._watched = observer, identity
        return ("watch-rebuilt", reason or "") if had else None

    def _trouble(self, identity: tuple[int, int]) -> str | None:
        observer = self._observer
        if observer is None:
            return None
        if self._watched != identity:
            return "the folder was exchanged for another"
        if not observer.is_alive():
            return "the dispatcher died"
        emitters = list(observer.emitters)
        if not emitters or not all(e.is_alive() for e in emitters):
            return "the emitter died"
        return None

    def stop(self) -> None:
        """Give the watch up; the next ``ensure`` makes a new one."""
        observer, self._observer, self._watched = self._observer, None, None
        self._failed = None
        if observer is not None:
            observer.stop()
            if observer.is_alive():
                observer.join(timeout=2)


def _is_remote(path: Path) -> bool:
    """Whether the folder lies on a network file system, where inotify sees nothing of other hosts."""
    try:
        mounts = Path("/proc/self/mountinfo").read_text(encoding="utf-8").splitlines()
    except OSError:
        return False
    best, kind = "", ""
    real = os.path.realpath(path)
    for line in mounts:
        fields = line.split(" ")
        if " - " not in line or len(fields) < 5:
            continue
        point = fields[4].encode().decode("unicode_escape")
        if (real == point or real.startswith(point.rstrip("/") + "/")) and len(point) >= len(best):
            best, kind = point, line.split(" - ", 1)[1].split(" ", 1)[0]
    return kind.startswith(_REMOTE)

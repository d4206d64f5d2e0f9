"""The kernel's folder events, inotify(7), as plain values; the only module that imports watchdog.

watchdog's observers turn events into ones that hold for every system. What they leave out decides here whether
a file is whole: dropped events, an unmounted folder, which half of a rename was seen. So its inotify thread is
asked, which they are built on. Constants are those of the Linux manual page.
"""

from __future__ import annotations

import errno
import os
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from watchdog.observers.inotify_c import CallbackId, InotifyFD, Mask

MODIFY, CLOSE_WRITE, MOVED_FROM, MOVED_TO, CREATE = 0x2, 0x8, 0x40, 0x80, 0x100
DELETE_SELF, MOVE_SELF, UNMOUNT, OVERFLOW = 0x400, 0x800, 0x2000, 0x4000
IS_FOLDER = 0x40000000
_ONLY_FOLDER = 0x01000000
_WANTED = MODIFY | CLOSE_WRITE | MOVED_FROM | MOVED_TO | CREATE | DELETE_SELF | MOVE_SELF
"""Nothing that reading a file gives rise to: the agent must not wake itself."""
_STOP_S = 2.0
"""watchdog's thread reads from a pipe of its own to end; it waits for no folder."""


@dataclass(frozen=True, slots=True)
class FolderEvent:
    """One event; ``cookie`` joins the two halves of a rename. The name is empty for the folder itself."""

    mask: int
    cookie: int = 0
    name: str = ""


class FolderEvents:
    """One inotify instance on one folder, read by a thread of watchdog's that calls ``take`` with each event.

    ``ended`` says why no more events come, empty while they do. ``take`` must not raise: that would end the
    thread. Raises OSError on making it: the limit of instances (EMFILE) or of watches
    (ENOSPC), no such folder.
    """

    def __init__(self, folder: Path, take: Callable[[FolderEvent], None]) -> None:
        self._take = take
        self._ended = ""
        self._thread = InotifyFD()
        self._thread.name = f"watch-{folder.name}"
        self._thread.start()  # before the watch: a thread that never ran would not give its files back
        try:
            watch = self._thread.add_callback(
                os.fsencode(folder), Mask(_WANTED | _ONLY_FOLDER), self, CallbackId(1)
            )
            if watch < 0:  # the one error that watchdog passes over
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        except OSError:
            self.close()
            raise

    @property
    def ended(self) -> str:
        """Why no more events come, empty while they do."""
        return self._ended if self._ended or self._thread.is_alive() else "the watching thread died"

    def on_event(self, event: Any) -> None:
        """watchdog's thread saw an event in the folder."""
        if event.mask & UNMOUNT:
            self._ended = "the folder was unmounted"
        # fsdecode keeps bytes that are no UTF-8, so that the name opens the same file again.
        self._take(FolderEvent(event.mask, event.cookie, os.fsdecode(event.name)))

    def on_watch_deleted(self, _wd: int) -> None:
        """The kernel took the watch away."""
        self._ended = self._ended or "the folder was deleted"

    def on_queue_overflow(self) -> None:
        """The kernel dropped events."""
        self._take(FolderEvent(OVERFLOW))

    def close(self) -> None:
        """End the thread, and give the kernel its watch back."""
        self._thread.stop()
        self._thread.join(_STOP_S)

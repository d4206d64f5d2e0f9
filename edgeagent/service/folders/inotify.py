"""The kernel's folder events, inotify(7), read as plain values; the only module that calls libc.

Constants and the layout of an event are those of the Linux manual page. A system without inotify raises
OSError, as one does that has no instance or no watch left.
"""

from __future__ import annotations

import ctypes
import errno
import os
import select
import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

MODIFY, CLOSE_WRITE, MOVED_FROM, MOVED_TO, CREATE = 0x2, 0x8, 0x40, 0x80, 0x100
DELETE_SELF, MOVE_SELF, UNMOUNT, OVERFLOW, IGNORED = 0x400, 0x800, 0x2000, 0x4000, 0x8000
IS_FOLDER = 0x40000000
_ONLY_FOLDER = 0x01000000
_WANTED = MODIFY | CLOSE_WRITE | MOVED_FROM | MOVED_TO | CREATE | DELETE_SELF | MOVE_SELF
"""Nothing that reading a file gives rise to: the agent must not wake itself."""
_HEAD = struct.Struct("iIII")
_BUFFER_BYTES = 1 << 18


@dataclass(frozen=True, slots=True)
class Event:
    """One event; ``cookie`` joins the two halves of a rename. The name is empty for the folder itself."""

    mask: int
    cookie: int
    name: str


class FolderEvents:
    """One inotify instance on one folder. ``read`` blocks until there is something or ``stop`` was called.

    Raises OSError on making it: no inotify here, the limit of instances (EMFILE) or of watches (ENOSPC), no
    such folder. ``stop`` may come from any thread; ``close`` must come after the last ``read``.
    """

    def __init__(self, folder: Path) -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        if not hasattr(libc, "inotify_init1"):
            raise OSError(errno.ENOSYS, "this system has no inotify")
        self._fd = libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        if self._fd < 0:
            raise _last_error("no inotify instance")
        if libc.inotify_add_watch(self._fd, os.fsencode(folder), _WANTED | _ONLY_FOLDER) < 0:
            failed = _last_error("no inotify watch")
            os.close(self._fd)
            raise failed
        self._stopped, self._stop = os.pipe2(os.O_NONBLOCK | os.O_CLOEXEC)
        self._poll = select.poll()
        self._poll.register(self._fd, select.POLLIN)
        self._poll.register(self._stopped, select.POLLIN)

    def read(self) -> list[Event] | None:
        """All events that are there, at least one; None once stopped."""
        while True:
            ready = {fd for fd, _ in self._poll.poll()}
            if self._stopped in ready:
                return None
            try:
                return list(_events(os.read(self._fd, _BUFFER_BYTES)))
            except BlockingIOError:
                continue

    def stop(self) -> None:
        """Let ``read`` return None."""
        os.write(self._stop, b"x")

    def close(self) -> None:
        """Give the kernel its watch back."""
        for fd in (self._fd, self._stopped, self._stop):
            os.close(fd)


def _events(data: bytes) -> Iterator[Event]:
    at = 0
    while at < len(data):
        _, mask, cookie, length = _HEAD.unpack_from(data, at)
        at += _HEAD.size + length
        yield Event(mask, cookie, os.fsdecode(data[at - length : at].rstrip(b"\0")))


def _last_error(what: str) -> OSError:
    number = ctypes.get_errno()
    return OSError(number, f"{what}: {os.strerror(number)}")

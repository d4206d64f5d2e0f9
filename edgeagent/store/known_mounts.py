"""Which folders lay on which mounts: what a start must know to miss a share that did not come up with it."""

from __future__ import annotations

import contextlib
from pathlib import Path

import msgspec

from edgeagent.store.files import make_folder, write_synced


class KnownMounts:
    """A small file of folder names and mount points. Used from the service loop only.

    It can be removed at any time: the folders are then taken as they are found. One that cannot be read is
    taken as none.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        try:
            self._points = msgspec.json.decode(path.read_bytes(), type=dict[str, str])
        except (OSError, ValueError):
            self._points = {}

    def get(self, folder: str) -> str | None:
        """Where the folder's file system was mounted when it was last listed; None where nothing is known."""
        return self._points.get(folder)

    def note(self, folder: str, point: str) -> None:
        """The folder was listed, and its file system is mounted here.

        A disk that refuses this is not the end: it only costs what a later start would know, and whatever must
        be durable meets the same disk and says so.
        """
        # Asked at every scan: only a change is worth a sync.
        if self._points.get(folder) == point:
            return
        points = {**self._points, folder: point}
        with contextlib.suppress(OSError):
            make_folder(self._path.parent)
            write_synced(self._path, msgspec.json.encode(points))
            # Last, so that a refused write is tried again with the next listing.
            self._points = points

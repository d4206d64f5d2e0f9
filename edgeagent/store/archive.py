"""Content by its digest: sources, recipes, certificates, layouts and full results."""

from __future__ import annotations

import re
import threading
from collections import Counter
from collections.abc import Iterable, Sequence
from pathlib import Path

from edgeagent.codec.records.digest import digest_of
from edgeagent.errors import JournalCorruptError, JournalWriteError
from edgeagent.rules.disk import Grown
from edgeagent.store.files import make_folder, sync_folder, write_synced

_BLOCK_BYTES = 4096
"""What a file takes of the disk is a multiple of this on common file systems."""
_DIGEST = re.compile(r"[0-9a-f]{64}")


class Archive:
    """The folder of everything that decisions were made from, named by the SHA-256 of the content.

    Promise: when ``put`` or ``put_all`` returns, the content is durable. Content is checked against its
    name on every ``get``. Files are written once and never changed or removed by the agent. Several threads may
    put content at the same time, the same content too. ``grown`` is what they have added since this was made.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._known: set[str] = set()
        self._synced = False
        self._in_hand: Counter[str] = Counter()
        self._lock = threading.Lock()
        self.grown = Grown()

    def put(self, data: bytes) -> str:
        """Store content; returns its digest. Raises JournalWriteError."""
        return self.put_all((data,))[0]

    def put_all(self, contents: Iterable[bytes]) -> list[str]:
        """Store several contents with one sync of the folder; returns their digests in order.

        Raises JournalWriteError when the disk refuses; what was stored until then stays.
        """
        contents = tuple(contents)
        digests = [digest_of(data) for data in contents]
        with self._lock:
            self._in_hand.update(digests)
        try:
            self._put(contents, digests)
        finally:
            with self._lock:
                self._in_hand.subtract(digests)
                for digest in digests:
                    if not self._in_hand[digest]:
                        del self._in_hand[digest]
        return digests

    def _put(self, contents: Sequence[bytes], digests: Sequence[str]) -> None:
        # Names that a killed predecessor made may not be durable yet: the first call syncs the folder anyway.
        fresh = not self._synced
        try:
            make_folder(self.folder)
            for data, digest in zip(contents, digests, strict=True):
                path = self.folder / digest
                if digest in self._known:
                    continue
                if self._stored(path, len(data)):
                    # Another thread may have made the name a moment ago and not synced it yet.
                    fresh = fresh or self._in_hand[digest] > 1
                    continue
                write_synced(path, data, mode=0o444, sync_name=False)
                fresh = True
                with self._lock:
                    self.grown += Grown(-(-len(data) // _BLOCK_BYTES) * _BLOCK_BYTES, 1)
            if fresh:
                sync_folder(self.folder)
                self._synced = True
        except OSError as error:
            raise JournalWriteError(f"archive {self.folder}: {error}") from error

    def remember(self, digest: str) -> None:
        """Skip the look at the disk for content that is put again and again, such as recipes."""
        self._known.add(digest)

    @staticmethod
    def _stored(path: Path, size: int) -> bool:
        """A file of the same name and size is the same content, or a damaged one that is not replaced."""
        try:
            return path.stat().st_size == size
        except OSError:
            return False

    def get(self, digest: str) -> bytes:
        """The content of a digest. Raises JournalCorruptError when it is missing or does not fit its name."""
        if not _DIGEST.fullmatch(digest):
            raise JournalCorruptError(str(self.folder), 0, f"{digest[:80]!r} is not a digest")
        path = self.folder / digest
        try:
            data = path.read_bytes()
        except OSError as error:
            raise JournalCorruptError(f"archive/{digest}", 0, f"cannot be read: {error.strerror}") from error
        if digest_of(data) != digest:
            raise JournalCorruptError(
                f"archive/{digest}", 0, "the content does not fit its name: it was changed"
            )
        return data

"""Content by its digest: sources, recipes, certificates, layouts and full results.

An object lies in ``ab/abcd….zst``: named by the SHA-256 of the content as it was before it was compressed, in
a folder of the name's first two digits. Objects of older versions lie uncompressed beside these folders, under
the digest alone, and stay where they are.
"""

from __future__ import annotations

import contextlib
import re
import threading
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path
from typing import Protocol

from edgeagent.codec.records.digest import digest_of
from edgeagent.errors import JournalCorruptError, JournalWriteError
from edgeagent.rules.disk import Grown
from edgeagent.store.files import make_folder, sync_folder, write_synced

_BLOCK_BYTES = 4096
"""What a file takes of the disk is a multiple of this on common file systems."""
DIGEST = re.compile(r"[0-9a-f]{64}")
SUFFIX = ".zst"
CONTENT_BYTES_MAX = 1_000_000_000
"""Largest content of an object; a frame that states more is refused."""
# The longest header of a frame (RFC 8878, 3.1.1: magic number and 14 bytes): enough to learn the content's
# size.
_HEADER_BYTES = 18
_LEVEL = 1
"""Of numbers in text this level makes the smallest objects of the fast ones, 1 MB in 3 ms."""


class Elsewhere(Protocol):
    """Contents that are not in the folder, such as those in sealed files."""

    def get(self, digest: str) -> bytes | None:
        """A content, None where it is not at hand."""
        ...

    def knows(self, digest: str) -> bool:
        """Whether it is known where the content went, at hand or not."""
        ...

    def is_away(self, digest: str) -> bool:
        """Whether it is known where the content went, and it is not at hand."""
        ...


class Archive:
    """The folder of everything that decisions were made from, named by the SHA-256 of the content.

    Promise: when ``put`` or ``put_all`` returns, the content is durable. Content is checked against its
    name on every ``get``. Files are written once and never changed or removed by the agent. Several threads may
    put content at the same time, the same content too. ``grown`` is what they have added since this was made.
    ``elsewhere`` has what was taken out of the folder.
    """

    def __init__(self, folder: Path, elsewhere: Elsewhere | None = None) -> None:
        self.folder = folder
        self._elsewhere = elsewhere
        self._known: set[str] = set()
        self._made = False
        # Folders of which this process knows that all the names in them are durable.
        self._synced: set[Path] = set()
        self._in_hand: Counter[str] = Counter()
        self._lock = threading.Lock()
        self.grown = Grown()

    def put(self, data: bytes) -> str:
        """Store content; returns its digest. Raises JournalWriteError."""
        return self.put_all((data,))[0]

    def put_all(self, contents: Iterable[bytes], known: Sequence[str] = ()) -> list[str]:
        """Store several contents, each folder synced once; returns their digests in order.

        ``known`` are the digests of the first of them, where the caller has computed them from the same bytes.
        Raises JournalWriteError when the disk refuses; what was stored until then stays.
        """
        contents = tuple(contents)
        digests = [*known, *(digest_of(data) for data in contents[len(known) :])]
        # Noted before any of it is on the disk: another thread with the same content must not rely on an
        # unsynced name.
        with self._lock:
            self._in_hand.update(digests)
        try:
            self._put(contents, digests)
        finally:
            with self._lock:
                self._in_hand.subtract(digests)
                for digest in digests:
                    if not self._in_hand[digest]:
                        # A counter keeps its zeros: without this it would grow by every content for the life of
                        # the process.
                        del self._in_hand[digest]
        return digests

    def _put(self, contents: Sequence[bytes], digests: Sequence[str]) -> None:
        fresh: set[Path] = set()
        try:
            make_folder(self.folder)
            if not self._made:
                self._make_folders()
                self._made = True
            for data, digest in zip(contents, digests, strict=True):
                # Recipes, layouts and certificates come with every start and reload: no look at the disk for
                # each.
                if digest in self._known:
                    continue
                path = self.path_of(digest)
                # By its size alone: comparing would read every object again, and `get` finds any damage.
                place = self._stored(digest, len(data))
                if place is not None:
                    # A killed predecessor, or another thread a moment ago, may not have synced the name yet.
                    if place.parent not in self._synced or self._in_hand[digest] > 1:
                        fresh.add(place.parent)
                    continue
                packed = compress(data)
                # Made in the archive's own folder, the one that a start sweeps of halves; read-only against
                # slips of the hand.
                write_synced(path, packed, mode=0o444, sync_name=False, made_in=self.folder)
                fresh.add(path.parent)
                with self._lock:
                    # Whole blocks: it is how fast the disk fills that is asked for.
                    self.grown += Grown(-(-len(packed) // _BLOCK_BYTES) * _BLOCK_BYTES, 1)
            # Behind all files: contents of a part that share a folder share its sync.
            for folder in sorted(fresh):
                sync_folder(folder)
            self._synced |= fresh
        except OSError as error:
            # Names of these folders may be lost in a power cut: whoever finds one must sync it again.
            self._synced -= fresh
            raise JournalWriteError(f"archive {self.folder}: {error}") from error

    def _make_folders(self) -> None:
        """All of them at the first start: a part's result must not wait for a new folder's sync."""
        made = 0
        for number in range(256):
            with contextlib.suppress(FileExistsError):
                (self.folder / f"{number:02x}").mkdir()
                made += 1
        # One sync covers the names of all 256.
        if made:
            sync_folder(self.folder)

    def remember(self, digest: str) -> None:
        """Skip the look at the disk for content that is put again and again, such as recipes."""
        self._known.add(digest)

    def path_of(self, digest: str) -> Path:
        """Where an object lies that is stored now."""
        return self.folder / digest[:2] / f"{digest}{SUFFIX}"

    def _stored(self, digest: str, size: int) -> Path | None:
        """Where content of this name and size lies already, damaged or not; None where it does not."""
        path, plain = self.path_of(digest), self.folder / digest
        # A file that a power cut left empty or short has no such header, and is written again.
        with contextlib.suppress(OSError), path.open("rb") as file:
            if _content_size(file.read(_HEADER_BYTES)) == size:
                return path
        try:
            return plain if plain.stat().st_size == size else None
        except OSError:
            return None

    def get(self, digest: str) -> bytes:
        """The content of a digest. Raises JournalCorruptError when it is missing or does not fit its name."""
        if not DIGEST.fullmatch(digest):
            raise JournalCorruptError(str(self.folder), 0, f"{digest[:80]!r} is not a digest")
        data = self._read(digest)
        if digest_of(data) != digest:
            raise JournalCorruptError(
                f"archive/{digest}", 0, "the content does not fit its name: it was changed"
            )
        return data

    def _read(self, digest: str) -> bytes:
        # Tried one after the other without asking first: the object may be sealed away between a look and the
        # reading.
        for path in (self.path_of(digest), self.folder / digest):
            try:
                data = path.read_bytes()
            except FileNotFoundError:
                continue
            except OSError as error:
                raise JournalCorruptError(
                    f"archive/{digest}", 0, f"cannot be read: {error.strerror}"
                ) from error
            return data if path.name == digest else decompress(data, digest)
        elsewhere = self._elsewhere.get(digest) if self._elsewhere is not None else None
        if elsewhere is None:
            raise JournalCorruptError(f"archive/{digest}", 0, "cannot be read: it is not there")
        return elsewhere

    def has(self, digest: str) -> bool:
        """Whether the folder itself has a content, whatever is elsewhere."""
        return self.path_of(digest).exists() or (self.folder / digest).exists()

    def knows_of(self, digest: str) -> bool:
        """Whether a content that is not in the folder is known to be elsewhere."""
        return self._elsewhere is not None and self._elsewhere.knows(digest)

    def is_away(self, digest: str) -> bool:
        """Whether a content is known to be elsewhere and is not at hand."""
        # The folder first: what was sealed without being removed is still at hand.
        return not self.has(digest) and self._elsewhere is not None and self._elsewhere.is_away(digest)

    def objects(self) -> Iterator[tuple[str, Path]]:
        """Every object in the folder by its digest, with its file; files of other names are passed over."""
        if not self.folder.is_dir():
            return
        for path in sorted(self.folder.iterdir()):
            if path.is_dir() and len(path.name) == 2:
                for each in sorted(path.iterdir()):
                    if each.suffix == SUFFIX and DIGEST.fullmatch(each.stem):
                        yield each.stem, each
            elif DIGEST.fullmatch(path.name):
                yield path.name, path


def compress(data: bytes) -> bytes:
    """Content as an object's file holds it: one Zstandard frame (RFC 8878) that says how long it is."""
    import zstandard

    return zstandard.ZstdCompressor(level=_LEVEL, write_content_size=True).compress(data)


def decompress(data: bytes, digest: str) -> bytes:
    """The content of an object's file. Raises JournalCorruptError for one that is damaged or says too much."""
    import zstandard

    size = _content_size(data[:_HEADER_BYTES])
    try:
        # The library reserves as much memory as the header asks for, before it has checked anything else.
        if not 0 <= size <= CONTENT_BYTES_MAX:
            raise zstandard.ZstdError("it does not say how long its content is, or it is too long")
        return zstandard.ZstdDecompressor().decompress(data, max_output_size=size, allow_extra_data=False)
    except zstandard.ZstdError as error:
        raise JournalCorruptError(f"archive/{digest}", 0, f"it was changed: {error}") from error


def _content_size(header: bytes) -> int:
    """How long a frame says its content is; -1 where it does not, or is no frame."""
    import zstandard

    try:
        return int(zstandard.frame_content_size(header))
    except zstandard.ZstdError:
        return -1

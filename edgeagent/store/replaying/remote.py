"""Stores that lie behind a URL: archives read object by object, journals fetched whole (fsspec, extra cluster).

A journal is some 2 % of its archive, and every reader needs all of it in order. What lies in sealed files
there is not read.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path, PurePosixPath
from typing import Any

import fsspec

from edgeagent.errors import AgentError, JournalCorruptError, UsageError
from edgeagent.store.archive import DIGEST, SUFFIX, Archive, decompress

_FETCHED = ("journal", "state")


class RemoteArchive(Archive):
    """The archive below a URL, for reading. Objects are checked against their names as everywhere.

    An object that is not there is a JournalCorruptError, a file system that does not answer an AgentError: the
    one is a finding about the store, the other about nothing.
    """

    def __init__(self, url: str) -> None:
        super().__init__(Path("archive"))
        self._url = url
        self._fs, root = open_url(url)
        self._root = f"{root}/archive"

    def _read(self, digest: str) -> bytes:
        for name in (f"{digest[:2]}/{digest}{SUFFIX}", digest):
            try:
                data: bytes = self._fs.cat_file(f"{self._root}/{name}")
            except FileNotFoundError:
                continue
            except Exception as error:
                raise AgentError(f"{self._url}: cannot be read: {_words(error)}") from error
            return data if name == digest else decompress(data, digest)
        raise JournalCorruptError(f"archive/{digest}", 0, "cannot be read: it is not there")

    def is_away(self, digest: str) -> bool:
        """Never: what is not in the archive of a URL is missing."""
        del digest
        return False

    def objects(self) -> Iterator[tuple[str, Path]]:
        """Every object by its digest, with its path below the URL."""
        try:
            found: list[str] = self._fs.find(self._root)
        except FileNotFoundError:
            return
        # Sorted, as a listing of objects comes in any order.
        for path in map(PurePosixPath, sorted(found)):
            digest = path.name.removesuffix(SUFFIX)
            if DIGEST.fullmatch(digest):
                yield digest, Path(path)


def open_url(url: str) -> tuple[Any, str]:
    """The file system of a URL and the path on it. Raises UsageError where no library knows such URLs."""
    try:
        fs, root = fsspec.core.url_to_fs(url)
    except (ImportError, ValueError) as error:
        raise UsageError(f"{url}: {_words(error)}") from error
    return fs, str(root).rstrip("/")


def fetch_journal(url: str, into: Path) -> None:
    """Copy a store's journal and state from a URL. Raises UsageError where there is none, AgentError."""
    fs, root = open_url(url)
    try:
        # Listings are cached within a process, and a store behind a URL may have grown since the last run.
        fs.invalidate_cache()
        names = sorted(path for part in _FETCHED for path in fs.find(f"{root}/{part}"))
        # Only what the agent names: other tools leave their files in buckets.
        segments = [name for name in names if re.search(r"/journal/\d+\.jsonl$", name)]
        if not segments:
            raise UsageError(f"{url}: there is no journal here")
        # The state first: it may name no record that was written after the segments were fetched.
        wanted = [*(name for name in names if name.endswith("/state/publisher.json")), *segments]
        for name in wanted:
            path = into / PurePosixPath(name).parent.name / PurePosixPath(name).name
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(fs.cat_file(name))
    except UsageError:
        raise
    except FileNotFoundError as error:
        raise UsageError(f"{url}: there is no journal here") from error
    except Exception as error:
        raise AgentError(f"{url}: cannot be read: {_words(error)}") from error


def _words(error: BaseException) -> str:
    return " ".join(f"{type(error).__name__}: {error}".split())[:200]

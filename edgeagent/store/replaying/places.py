"""Where a store lies, for whoever computes: a folder that all processes see, or a URL."""

from __future__ import annotations

import os
import tempfile
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from edgeagent.errors import AgentError, UsageError
from edgeagent.store.archive import Archive
from edgeagent.store.copies.sealed import SealedFiles
from edgeagent.store.journal import JournalReader
from edgeagent.store.verify import journal_folder

NEEDS_CLUSTER = "needs the extra cluster: pip install 'edgeagent[cluster]'"


@dataclass(frozen=True, slots=True)
class StorePlace:
    """A store by its absolute folder or its URL, and sealed files beside those in it.

    ``run`` names the command's run, so that nothing that was opened for an earlier one is used again.
    """

    root: str
    sealed: tuple[str, ...] = ()
    run: str = ""

    @staticmethod
    def of(root: str | Path, sealed: Sequence[Path] = ()) -> StorePlace:
        """The place of a folder or URL, for one run."""
        text = os.fspath(root)
        where = text.rstrip("/") if is_url(text) else os.path.abspath(text)
        # Absolute, as other processes need not have this one's folder.
        return StorePlace(where, tuple(os.path.abspath(path) for path in sealed), uuid.uuid4().hex)

    def archive(self) -> Archive:
        """The archive, opened once a process and run. Raises AgentError where this process does not see it."""
        return _opened(self)


def is_url(root: str) -> bool:
    """Whether a store is named by a URL."""
    return "://" in root


@lru_cache(maxsize=64)
def _opened(place: StorePlace) -> Archive:
    if is_url(place.root):
        try:
            from edgeagent.store.replaying.remote import RemoteArchive
        except ImportError as error:
            raise UsageError(f"{place.root} {NEEDS_CLUSTER}") from error
        # Opened in each process: connections do not survive being sent to another one.
        return RemoteArchive(place.root)
    folder = Path(place.root)
    if not (folder / "archive").is_dir():
        # Said apart from single objects: to a worker without the share all of them would be missing
        raise AgentError(f"{place.root}: no archive is seen by process {os.getpid()} on {os.uname().nodename}")
    return Archive(folder / "archive", SealedFiles(folder, tuple(Path(p) for p in place.sealed)))


@contextmanager
def journal_of(place: StorePlace) -> Iterator[Path]:
    """A folder with the store's ``journal`` and ``state``: the store itself, or copies of those behind a URL.

    Raises UsageError where there is no journal, AgentError.
    """
    if not is_url(place.root):
        journal = journal_folder(Path(place.root))
        if not journal.is_dir() or not JournalReader(journal).segments():
            raise UsageError(f"{place.root}: there is no journal here")
        yield Path(place.root)
        return
    try:
        from edgeagent.store.replaying.remote import fetch_journal
    except ImportError as error:
        raise UsageError(f"{place.root} {NEEDS_CLUSTER}") from error
    with tempfile.TemporaryDirectory(prefix="edgeagent-") as folder:
        fetch_journal(place.root, Path(folder))
        yield Path(folder)

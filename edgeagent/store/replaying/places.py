"""Where a store lies, for whoever computes: a folder that all processes see, or a URL."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

from edgeagent.store.archive import Archive
from edgeagent.store.copies.sealed import SealedFiles


@dataclass(frozen=True, slots=True)
class StorePlace:
    """A store by its absolute folder, and sealed files beside those in it.

    ``run`` names the command's run, so that nothing that was opened for an earlier one is used again.
    """

    root: str
    sealed: tuple[str, ...] = ()
    run: str = ""

    def archive(self) -> Archive:
        """The archive, opened once a process and run."""
        return _opened(self)


@lru_cache(maxsize=64)
def _opened(place: StorePlace) -> Archive:
    folder = Path(place.root)
    return Archive(folder / "archive", SealedFiles(folder, tuple(Path(p) for p in place.sealed)))

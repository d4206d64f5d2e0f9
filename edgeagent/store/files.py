"""Durable verbs on files. When one returns, its effect survives a power cut (as far as the disk is honest)."""

from __future__ import annotations

import contextlib
import os
import tempfile
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable. Raises OSError."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def make_folder(folder: Path) -> None:
    """Create a folder and its parents, durably. Raises OSError."""
    if folder.is_dir():
        return
    make_folder(folder.parent)
    with contextlib.suppress(FileExistsError):
        folder.mkdir()
    sync_folder(folder.parent)


def write_all(fd: int, data: bytes) -> None:
    """Write everything or raise OSError; a short write, as on a full disk, is an error."""
    written = 0
    while written < len(data):
        count = os.write(fd, data[written:])
        if count <= 0:
            raise OSError(f"only {written} of {len(data)} bytes were written")
        written += count


def write_synced(path: Path, data: bytes, *, mode: int = 0o644, sync_name: bool = True) -> None:
    """Put ``data`` under ``path`` in one step: a new name, synced, renamed over the old one.

    ``sync_name`` False leaves the folder's sync to the caller, who has more names to make. Raises OSError;
    the old content then stands unharmed.
    """
    fd, temporary = tempfile.mkstemp(prefix=".", suffix=".tmp", dir=path.parent)
    try:
        try:
            write_all(fd, data)
            os.fchmod(fd, mode)
            os.fsync(fd)
        finally:
            os.close(fd)
        os.rename(temporary, path)
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    if sync_name:
        sync_folder(path.parent)

"""Durable verbs on files. When one returns, its effect survives a power cut (as far as the disk is honest)."""

from __future__ import annotations

import contextlib
import errno
import os
import stat
import tempfile
from pathlib import Path


def sync_folder(folder: Path) -> None:
    """Make the names in a folder durable. Raises OSError."""
    fd = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(fd)
    finally:
        os.close(fd)


def sync_tree(folder: Path) -> None:
    """Make a folder durable with everything below it. Raises OSError."""

    def refuse(error: OSError) -> None:
        raise error

    # From below: a name that is durable before its content may stand for an empty file after a power cut.
    for path, _, names in os.walk(folder, topdown=False, onerror=refuse):
        for name in names:
            # Opened for reading: read-only files are among them, and that is enough to sync one.
            fd = os.open(os.path.join(path, name), os.O_RDONLY)
            try:
                os.fsync(fd)
            finally:
                os.close(fd)
        sync_folder(Path(path))


def make_folder(folder: Path) -> None:
    """Create a folder and its parents, durably. Raises OSError."""
    if folder.is_dir():
        return
    # The parents first: a name that is durable in a parent which is not would be lost with it.
    make_folder(folder.parent)
    with contextlib.suppress(FileExistsError):
        folder.mkdir()
    # Also where somebody else made it a moment ago: the other process may not have synced the name yet.
    sync_folder(folder.parent)


def write_all(fd: int, data: bytes) -> None:
    """Write everything or raise OSError; a short write, as on a full disk, is an error."""
    written = 0
    while written < len(data):
        # A disk that fills up takes a part first and refuses only the next call.
        count = os.write(fd, data[written:])
        if count <= 0:
            raise OSError(f"only {written} of {len(data)} bytes were written")
        written += count


def read_at_most(path: Path, limit: int) -> bytes:
    """The bytes of a regular file of at most ``limit`` bytes.

    Raises OSError: for a larger one (EFBIG) by its size alone, so that a sparse file costs nothing, and for a
    pipe, a device or a folder, which could keep the reader waiting for ever.
    """
    # Non-blocking, as the open of a pipe without a writer would wait; the descriptor, not the name, is looked
    # at then.
    fd = os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    with os.fdopen(fd, "rb") as file:
        found = os.fstat(fd)
        if not stat.S_ISREG(found.st_mode):
            raise OSError(errno.EINVAL, "not a regular file", os.fspath(path))
        # One byte more, since a file may grow between the look at its size and the end of reading.
        data = file.read(limit + 1) if found.st_size <= limit else b""
    if found.st_size > limit or len(data) > limit:
        complaint = f"it has {max(found.st_size, len(data))} bytes, at most {limit} are read"
        raise OSError(errno.EFBIG, complaint, os.fspath(path))
    return data


def write_synced(
    path: Path, data: bytes, *, mode: int = 0o644, sync_name: bool = True, made_in: Path | None = None
) -> None:
    """Put ``data`` under ``path`` in one step: a new name, synced, renamed over the old one.

    ``sync_name`` False leaves the folder's sync to the caller, who has more names to make. The new file is made
    in ``made_in``, a folder of the same file system, by default that of ``path``. Raises OSError; the old
    content then stands unharmed.
    """
    # Made with mode 0600: no moment at which others could read a private key that is written here.
    fd, temporary = tempfile.mkstemp(prefix=".", suffix=".tmp", dir=made_in or path.parent)
    try:
        try:
            write_all(fd, data)
            os.fchmod(fd, mode)
            # Before the rename: some file systems write names sooner than contents, and a power cut leaves an
            # empty file.
            os.fsync(fd)
        finally:
            os.close(fd)
        # Of one file system, so that the old content or the new one stands there at every moment.
        os.rename(temporary, path)
    # Also at an interrupt: nobody else knows the temporary name.
    except BaseException:
        with contextlib.suppress(OSError):
            os.unlink(temporary)
        raise
    if sync_name:
        sync_folder(path.parent)


def exchange(path: Path, data: bytes, *, mode: int = 0o644) -> None:
    """Put ``data`` under ``path`` in one step, as `write_synced` does, for what need not survive a power cut.

    Costs no sync. Raises OSError; the old content then stands unharmed.
    """
    # The process's number keeps two processes apart, and a fixed name means one leftover at most after a kill.
    temporary = path.with_name(f".{path.name}.{os.getpid()}.tmp")
    try:
        temporary.write_bytes(data)
        temporary.chmod(mode)
        temporary.rename(path)
    except OSError:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)
        raise


def sweep_temporaries(folder: Path) -> int:
    """Remove what `write_synced` left in a folder when it was killed; returns how many.

    Only where nobody else writes, such as before the first write of a start. Raises OSError.
    """
    swept = 0
    with os.scandir(folder) as entries:
        for entry in entries:
            if (
                entry.name.startswith(".")
                and entry.name.endswith(".tmp")
                and entry.is_file(follow_symlinks=False)
            ):
                os.unlink(entry.path)
                swept += 1
    return swept

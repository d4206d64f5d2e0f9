"""What an export folder and its files look like, and their bytes: system calls only, no decision.

Every function here may hang with the share that the folder lies on. They run in the folder's own thread, and
call ``alive`` between two system calls.
"""

from __future__ import annotations

import errno
import hashlib
import itertools
import os
import stat
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

from edgeagent.codec.limits import SIDE_FILE_BYTES_MAX
from edgeagent.codec.traces.reader import SIDE_FILE_SUFFIX, needs_side_file
from edgeagent.errors import InputError, TraceFormatError
from edgeagent.rules.files.settling import Look, Signs, matches
from edgeagent.service.folders.errands import Alive
from edgeagent.service.folders.mounts import Mount, mount_of
from edgeagent.service.folders.watch import FolderWatch

_PIECE_BYTES = 1 << 18
"""Bytes between two signs of life: a slow share must not look like one that hangs."""


@dataclass(frozen=True, slots=True)
class Listing:
    """One listing: where the folder is mounted, the names worth a look, all names, and news of the watch."""

    mount: Mount | None
    names: tuple[str, ...]
    everything: frozenset[str]
    watch_news: tuple[str, str] | None


@dataclass(frozen=True, slots=True)
class SeenFile:
    """How one file looks, None where there is none; ``regular`` is False for links, pipes and devices.

    ``at_s`` is the monotonic time of the look, where somebody asked for it.
    """

    name: str
    look: Look | None
    regular: bool = True
    at_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Content:
    """What came of reading one file that looked like ``look``.

    Not ``regular``: it is a link, a pipe or a device. ``moved``: it looks otherwise now. ``lacks_side``: its
    side file is not there. ``problem``: it was read, and is unusable. ``failed``: it could not be read.
    ``sha256`` is that of ``data``.
    """

    name: str
    look: Look
    regular: bool = True
    data: bytes = b""
    side: bytes | None = None
    sha256: str | None = None
    problem: InputError | None = None
    failed: OSError | None = None
    moved: bool = False
    lacks_side: bool = False


@dataclass(frozen=True, slots=True)
class MoveFailed:
    """A finished file could not be moved aside, and why."""

    name: str
    reason: str


@dataclass(frozen=True, slots=True)
class Growth:
    """Whether a file begins with what it was before; ``sha256`` is of that."""

    name: str
    sha256: str
    grown: bool


def main_name(name: str) -> str:
    """A side file speaks for the file that it belongs to."""
    return name.removesuffix(SIDE_FILE_SUFFIX)


def list_folder(path: Path, watch: FolderWatch, patterns: Collection[str]) -> Listing:
    """List a folder and keep its watch alive. Raises OSError."""
    info, mount = os.stat(path), mount_of(path)
    # Before the listing: what comes between the two is then seen by one of them.
    news = watch.ensure((info.st_dev, info.st_ino), remote=mount is not None and mount.remote)
    everything = frozenset(os.listdir(path))
    # Under the main file's name: two entries for a profile and its side file would be read as two measurements.
    names = {main_name(n) for n in everything if not matches(n, patterns)}
    return Listing(mount, tuple(sorted(names)), everything, news)


@dataclass(frozen=True, slots=True)
class Looks:
    """How files looked, with what the watch had seen of them before these looks."""

    files: list[SeenFile]
    signs: Mapping[str, Signs]


def see_all(path: Path, names: Sequence[str], now: Callable[[], float], alive: Alive) -> list[SeenFile]:
    """How these files look, and when: one time for all, that of the last look.

    Their quiet times then end together. With a time for each, whichever is looked at first would be read first,
    and that is the newest one.
    """
    found = []
    for name in names:
        alive()
        found.append(see(path / name))
    at_s = now()
    return [replace(seen, at_s=at_s) for seen in found]


def see(path: Path) -> SeenFile:
    """How a file looks, and its side file with it where its format has one: a change of either counts."""
    look, regular = _look_at(path)
    if look is None or not needs_side_file(path.name):
        return SeenFile(path.name, look, regular)
    side, _ = _look_at(path.with_name(path.name + SIDE_FILE_SUFFIX))
    if side is None:
        return SeenFile(path.name, look, regular)
    times = max(look.mtime_ns, side.mtime_ns), max(look.ctime_ns, side.ctime_ns)
    # The size stays the file's own, as limits are on it; the inodes mixed show either file exchanged.
    return SeenFile(path.name, Look(look.size, *times, look.inode ^ side.inode), regular)


def read_file(path: Path, look: Look, bytes_max: float, *, wait_for_side: bool, alive: Alive) -> Content:
    """Read a file that should look like ``look`` before and after, its side file with it."""
    name = path.name
    if see(path).look != look:
        return Content(name, look, moved=True)
    # Before opening: a sparse file of a terabyte must cost neither memory nor time.
    if look.size > bytes_max:
        limit = f"at most {bytes_max / 1e6:g} MB"
        problem = TraceFormatError(f"the file has {look.size / 1e6:.0f} MB", expected=limit)
        return Content(name, look, problem=problem)
    side_path = path.with_name(name + SIDE_FILE_SUFFIX)
    # Instruments write the profile first: without its side file it would be quarantined as incomplete.
    if wait_for_side and needs_side_file(name) and _look_at(side_path)[0] is None:
        return Content(name, look, lacks_side=True)
    try:
        data = _read_whole(path, alive)
        if data is None:
            odd = TraceFormatError("not a regular file", expected="a file")
            return Content(name, look, regular=False, problem=odd)
        side, side_look = None, _look_at(side_path)[0] if needs_side_file(name) else None
        if side_look is not None and side_look.size > SIDE_FILE_BYTES_MAX:  # a sparse one costs no disk
            limit = f"at most {SIDE_FILE_BYTES_MAX} bytes"
            problem = TraceFormatError(f"the side file has {side_look.size} bytes", expected=limit)
            return Content(name, look, problem=problem)
        if side_look is not None:
            side = _read_whole(side_path, alive)
    except _Moving:
        return Content(name, look, moved=True)
    except OSError as error:
        return Content(name, look, failed=error)
    if see(path).look != look:
        return Content(name, look, moved=True)
    return Content(name, look, data=data, side=side, sha256=hashlib.sha256(data).hexdigest())


def begins_with(path: Path, size: int, sha256: str, alive: Alive) -> Growth:
    """Whether a file's first ``size`` bytes are what was decided before: then it grew, and is no new one."""
    digest, left = hashlib.sha256(), size
    try:
        fd = _open(path)
        try:
            while left > 0 and (piece := os.read(fd, min(left, _PIECE_BYTES))):
                alive()
                digest.update(piece)
                left -= len(piece)
        finally:
            os.close(fd)
    except OSError:
        return Growth(path.name, sha256, grown=False)
    return Growth(path.name, sha256, left == 0 and digest.hexdigest() == sha256)


def move_aside(path: Path, look: Look, target_folder: Path, *, with_side: bool) -> MoveFailed | None:
    """Move a finished file into another folder, never over another one; what looks otherwise now stays."""
    try:
        # Without parents: a folder under a lost mount must not be made anew on the local disk.
        target_folder.mkdir(exist_ok=True)
        target = target_folder / path.name
        for again in itertools.count():
            if not os.path.lexists(target):
                break
            # A time is not enough: names come again, and a copy keeps the time of its original.
            target = target_folder / f"{look.mtime_ns}{f'.{again}' if again else ''}-{path.name}"
        if see(path).look != look:
            return None
        os.rename(path, target)
        # After the file: left behind alone, a side file is read as nothing.
        side = path.with_name(path.name + SIDE_FILE_SUFFIX)
        if with_side and side.exists():
            os.rename(side, target.with_name(target.name + SIDE_FILE_SUFFIX))
    except OSError as error:
        return MoveFailed(path.name, str(error))
    return None


class _Moving(Exception):
    """The file changed while it was read."""


def _look_at(path: Path) -> tuple[Look | None, bool]:
    try:
        # Not stat: a link could lead out of the export folder, or to a device that never ends.
        found = os.lstat(path)
    except OSError:
        return None, True
    if stat.S_ISDIR(found.st_mode):
        return None, True
    look = Look(found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino)
    return look, stat.S_ISREG(found.st_mode)


def _open(path: Path) -> int:
    # NONBLOCK: opening a pipe without a writer would block for ever. NOFOLLOW: a link put in since the look.
    return os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)


def _read_whole(path: Path, alive: Alive) -> bytes | None:
    """The bytes of a regular file that looks the same before and after; None for a link, pipe or device.

    Raises _Moving when it changed, OSError when it cannot be read.
    """
    before, _ = _look_at(path)
    if before is None:
        raise _Moving
    try:
        fd = _open(path)
    except OSError as error:
        # A link, and a socket: neither will ever be a file.
        if error.errno in (errno.ELOOP, errno.ENXIO):
            return None
        raise
    try:
        # Asked of what is open: the name may stand for something else since the look.
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            return None
        # One byte more than it had: what was appended meanwhile shows without reading to its end.
        data = _read_pieces(fd, before.size + 1, alive)
    finally:
        os.close(fd)
    # Also the length: some shares report times of a whole second, within which a file can grow.
    if len(data) != before.size or _look_at(path)[0] != before:
        raise _Moving
    return data


def _read_pieces(fd: int, wanted: int, alive: Callable[[], None]) -> bytes:
    """Up to so many bytes, in pieces: a slow share gives signs of life on the way."""
    pieces = []
    while wanted > 0 and (piece := os.read(fd, min(wanted, _PIECE_BYTES))):
        alive()
        pieces.append(piece)
        wanted -= len(piece)
    return b"".join(pieces)


def spell_out(name: str) -> str:
    """A name as text; bytes that are not UTF-8 are spelt out."""
    return os.fsencode(name).decode("utf-8", "backslashreplace")

"""Folder watch (a hint) and folder scan (the truth): hands out complete files one at a time, live ones first.

The watch only puts names into a bounded queue. Scans run on a timer of their own; each compares the
folder's device and inode with those that are watched and rebuilds the watch when anything about it died. A
folder that cannot be listed is unavailable, never empty.
"""

from __future__ import annotations

import errno
import heapq
import os
import stat
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from edgeagent.codec.configuration.settings import IntakeSettings
from edgeagent.codec.limits import SIDE_FILE_BYTES_MAX
from edgeagent.codec.traces.reader import SIDE_FILE_SUFFIX, needs_side_file
from edgeagent.errors import InputError, SourceUnavailableError, TraceFormatError
from edgeagent.judging.found_file import FoundFile
from edgeagent.rules.availability import unavailable_reason
from edgeagent.rules.settling import Look, Waiting, ignored, looked, settled, settles_at
from edgeagent.service.mounts import mount_of
from edgeagent.service.watch import FolderWatch, Hint
from edgeagent.store.clock import Clock

_RESTAT_SLICE = 2000
"""Names of finished files that one scan looks at again; the rest waits for the next scans."""


@dataclass(slots=True)
class _Folder:
    """State of one watched folder."""

    label: str
    path: Path
    watch: FolderWatch
    waiting: dict[str, Waiting] = field(default_factory=dict)
    done: dict[str, Look] = field(default_factory=dict)
    backlog: set[str] = field(default_factory=set)
    live: set[str] = field(default_factory=set)
    heap: list[tuple[float, int, int, str]] = field(default_factory=list)
    heap_backlog: list[tuple[float, int, int, str]] = field(default_factory=list)
    retry: dict[str, tuple[float, float]] = field(default_factory=dict)
    available: bool | None = None
    fresh: bool = True
    mounted_at: str | None = None
    cursor: int = 0


class Intake:
    """Owns the watched folders. Used from the service loop only.

    ``report`` is called with an event name and details when a folder is lost or found again and when a
    watch is rebuilt; the caller journals it.
    """

    def __init__(
        self,
        settings: IntakeSettings,
        base: Path,
        clock: Clock,
        hint: Callable[[Hint], None],
        report: Callable[[str, dict[str, Any]], None],
    ) -> None:
        self._settings = settings
        self._clock = clock
        self._report = report
        self._counter = 0
        self._next_scan = 0.0
        native = settings.observer == "native"
        self._folders = [
            _Folder(label, base / label, FolderWatch(base / label, label, hint, native=native))
            for label in settings.folders
        ]

    def remember(self, folder: str, name: str, look: Look) -> None:
        """Tell, before the first scan, what a finished file looked like, so that it need not be read again."""
        for state in self._folders:
            if state.label == folder:
                state.done[name] = look

    def present(self) -> Mapping[str, frozenset[str]]:
        """Names that are in each folder now; an unavailable folder has none."""
        found = {}
        for state in self._folders:
            try:
                found[state.label] = frozenset(os.listdir(state.path))
            except OSError:
                found[state.label] = frozenset()
        return found

    def unavailable(self) -> tuple[str, ...]:
        """Folders that could not be listed at the last scan."""
        return tuple(s.label for s in self._folders if s.available is False)

    def waiting_count(self) -> int:
        """Files that are seen and not handed out yet."""
        return sum(len(s.waiting) for s in self._folders)

    def close(self) -> None:
        """Stop all watches."""
        for state in self._folders:
            state.watch.stop()

    def hinted(self, hints: Iterable[Hint]) -> None:
        """Look now at the names that the watch mentions; lost hints bring the next scan forward."""
        now = self._clock.monotonic()
        for hint in hints:
            state = next((s for s in self._folders if s.label == hint.folder), None)
            if state is None:
                continue
            if hint.name is None:
                self._next_scan = min(self._next_scan, now)
            elif not self._ignored(hint.name):
                self._look(state, self._main_name(hint.name), now, closed=hint.closed, renamed=hint.renamed)

    def scan_if_due(self) -> None:
        """List every folder when the timer says so."""
        now = self._clock.monotonic()
        if now < self._next_scan:
            return
        for state in self._folders:
            self._scan(state, now)
        blind = any(not s.watch.hints for s in self._folders)
        interval = self._settings.scan_interval_s
        self._next_scan = self._clock.monotonic() + (min(interval, 1.0) if blind else interval)

    def next_deadline(self) -> float:
        """Monotonic time at which ``take`` or ``scan_if_due`` can have something to do."""
        due = [self._next_scan]
        for state in self._folders:
            due += [heap[0][0] for heap in (state.heap, state.heap_backlog) if heap]
        return min(due)

    def take(self) -> FoundFile | None:
        """The next complete file, read and checked against its state on disk; None when there is none."""
        now = self._clock.monotonic()
        for heap_name in ("heap", "heap_backlog"):
            for state in self._folders:
                heap: list[tuple[float, int, int, str]] = getattr(state, heap_name)
                while heap and heap[0][0] <= now:
                    _, _, _, name = heapq.heappop(heap)
                    found = self._try(state, name, now)
                    if found is not None:
                        return found
        return None

    def finished(self, file: FoundFile) -> None:
        """The file's record is in the journal: do not read it again while it looks the same."""
        state = next(s for s in self._folders if s.label == file.folder)
        state.done[file.entry or file.name] = file.look
        if self._settings.move_to is not None and file.problem is None:
            self._move(state, file)

    def _ignored(self, name: str) -> bool:
        base = name.rsplit("/", 1)[-1]
        return base == self._settings.marker or ignored(base, self._settings.ignore)

    @staticmethod
    def _main_name(name: str) -> str:
        """A side file speaks for the file that it belongs to."""
        return name.removesuffix(SIDE_FILE_SUFFIX)

    def _scan(self, state: _Folder, now: float) -> None:
        try:
            info, mount = os.stat(state.path), mount_of(state.path)
            # Before the listing: what comes between the two is then seen by one of them.
            remote = mount is not None and mount.remote
            rebuilt = state.watch.ensure((info.st_dev, info.st_ino), remote=remote)
            names = os.listdir(state.path)
        except OSError as error:
            self._lost(state, error.strerror or str(error))
            return
        point = mount.point if mount is not None else None
        reason = unavailable_reason(state.mounted_at, point, self._missing_marker(names))
        if reason is not None:
            self._lost(state, reason)
            return
        state.mounted_at = point
        if rebuilt is not None:
            self._report(rebuilt[0], {"folder": state.label, "reason": rebuilt[1]})
        if state.available is False:
            self._report("source-available", {"folder": state.label})
            state.fresh = True
        state.available = True
        present = set(names)
        for gone in [n for n in state.done if n not in present]:
            del state.done[gone]
        for gone in [n for n in state.waiting if n not in present]:
            self._forget(state, gone)
        for name in self._worth_a_look(state, names):
            self._look(state, name, now)
        state.fresh = False

    def _worth_a_look(self, state: _Folder, names: list[str]) -> list[str]:
        """Unfinished names, and a rolling slice of the finished ones: content may change under an old name."""
        names = sorted({self._main_name(n) for n in names if not self._ignored(n)})
        finished = [n for n in names if n in state.done]
        start = state.cursor if state.cursor < len(finished) else 0
        again = finished[start : start + _RESTAT_SLICE]
        state.cursor = start + len(again)
        return [n for n in names if n not in state.done] + again

    def _missing_marker(self, names: list[str]) -> str | None:
        marker = self._settings.marker
        return marker if marker is not None and marker not in names else None

    def _lost(self, state: _Folder, reason: str) -> None:
        if state.available is not False:
            problem = SourceUnavailableError(f"{state.path}: {reason}")
            self._report("source-unavailable", {"folder": state.label, "reason": str(problem)})
        state.available = False
        state.watch.stop()
        state.waiting.clear()
        state.heap.clear()
        state.heap_backlog.clear()

    def _look(
        self, state: _Folder, name: str, now: float, *, closed: bool = False, renamed: bool = False
    ) -> None:
        look = _seen(state.path / name)
        if look is None or state.done.get(name) == look:
            if look is None:
                self._forget(state, name)
            return
        if name not in state.waiting and (state.fresh or state.available is not True):
            state.backlog.add(name)
        before = state.waiting.get(name)
        waiting = looked(before, look, now)
        waiting = replace(waiting, closed=waiting.closed or closed, renamed=waiting.renamed or renamed)
        if closed or renamed:
            state.backlog.discard(name)
        state.waiting[name] = waiting
        # One place in the queue is enough: whoever waits unchanged has one already.
        if before is None or closed or renamed or before.look != look:
            self._schedule(state, name, self._due(waiting, now))

    def _due(self, waiting: Waiting, now: float) -> float:
        due = settles_at(waiting, self._settings.settle_s, self._settings.empty_s)
        if self._settings.settle_s == 0 and not (waiting.closed or waiting.renamed) and waiting.looks < 2:
            return max(due, now + min(self._settings.scan_interval_s, 0.5))
        return due

    def _schedule(self, state: _Folder, name: str, due: float) -> None:
        """Queue a file; of those that are due together the one written first comes first.

        After a pause that is the order of measurement: a verification before the parts that it covers.
        """
        self._counter += 1
        heap = state.heap_backlog if name in state.backlog else state.heap
        waiting = state.waiting.get(name)
        written_ns = waiting.look.mtime_ns if waiting is not None else 0
        heapq.heappush(heap, (due, written_ns, self._counter, name))

    def _forget(self, state: _Folder, name: str) -> None:
        state.waiting.pop(name, None)
        state.backlog.discard(name)
        state.retry.pop(name, None)

    def _try(self, state: _Folder, name: str, now: float) -> FoundFile | None:
        """Read a file whose time has come, unless it moved meanwhile."""
        waiting = state.waiting.get(name)
        if waiting is None:
            return None
        path = state.path / name
        look = _seen(path)
        if look is None:
            self._forget(state, name)
            return None
        waiting = state.waiting[name] = looked(waiting, look, now)
        if not settled(waiting, now, self._settings.settle_s, self._settings.empty_s):
            self._schedule(state, name, max(self._due(waiting, now), now + 0.001))
            return None
        if _lacks_side_file(path) and now - waiting.since_s < self._settings.locked_s:
            self._schedule(state, name, waiting.since_s + self._settings.locked_s)
            return None
        try:
            data, side, problem = self._read(path, look)
        except _Moving:
            state.waiting[name] = replace(waiting, since_s=now, closed=False, renamed=False, looks=1)
            self._schedule(state, name, now + max(self._settings.settle_s, 0.05))
            return None
        except OSError as error:
            again = self._again_later(state, name, now, error)
            if again:
                return None
            data, side = b"", None
            problem = TraceFormatError(f"cannot be read: {error.strerror}", expected="a readable file")
        from_backlog = name in state.backlog
        self._forget(state, name)
        wall = self._clock.now().timestamp()
        # It may have settled long ago and waited behind others: its lateness counts from then.
        queued_s = now - min(now, settles_at(waiting, self._settings.settle_s, self._settings.empty_s))
        settled_at = wall - queued_s
        if from_backlog:
            settled_at = min(settled_at, look.ctime_ns / 1e9 + self._settings.settle_s)
        read = self._clock.monotonic()
        text = os.fsencode(name).decode("utf-8", "backslashreplace")
        return FoundFile(state.label, text, data, side, look, settled_at, problem, now, read, name)

    def _read(self, path: Path, look: Look) -> tuple[bytes, bytes | None, InputError | None]:
        if look.size > self._settings.file_mb_max * 1e6:
            limit = f"at most {self._settings.file_mb_max:g} MB"
            return b"", None, TraceFormatError(f"the file has {look.size / 1e6:.0f} MB", expected=limit)
        main = _look_at(path)
        if main is None:
            raise _Moving
        data = _read_whole(path, main)
        if data is None:
            return b"", None, TraceFormatError("not a regular file", expected="a file")
        side = None
        if needs_side_file(path.name):
            side_path = path.with_name(path.name + SIDE_FILE_SUFFIX)
            side_look = _look_at(side_path)
            if side_look is not None and side_look.size > SIDE_FILE_BYTES_MAX:  # a sparse one costs no disk
                limit = f"at most {SIDE_FILE_BYTES_MAX} bytes"
                return b"", None, TraceFormatError(f"the side file has {side_look.size} bytes", expected=limit)
            side = _read_whole(side_path, side_look) if side_look is not None else None
        if _seen(path) != look:
            raise _Moving
        return data, side, None

    def _again_later(self, state: _Folder, name: str, now: float, error: OSError) -> bool:
        """Whether to retry a file that is locked or forbidden at the moment, with growing pauses."""
        if error.errno in (errno.ENOENT, errno.ENOTDIR):
            self._forget(state, name)
            return True
        first, pause = state.retry.get(name, (now, 0.1))
        if now - first >= self._settings.locked_s:
            return False
        state.retry[name] = first, min(2 * pause, 5.0)
        self._schedule(state, name, now + pause)
        return True

    def _move(self, state: _Folder, file: FoundFile) -> None:
        """Move a finished file aside, as the configuration says; its content is in the archive."""
        source = state.path / (file.entry or file.name)
        target_folder = state.path.parent / str(self._settings.move_to)
        try:
            target_folder.mkdir(exist_ok=True)
            target = target_folder / source.name
            if target.exists():
                target = target_folder / f"{file.look.mtime_ns}-{source.name}"
            if _seen(source) == file.look:
                os.rename(source, target)
                side = source.with_name(source.name + SIDE_FILE_SUFFIX)
                if file.side is not None and side.exists():
                    os.rename(side, target.with_name(target.name + SIDE_FILE_SUFFIX))
        except OSError as error:
            self._report("move-failed", {"folder": state.label, "name": file.name, "reason": str(error)})


class _Moving(Exception):
    """The file changed while it was read."""


def _look_at(path: Path) -> Look | None:
    try:
        found = os.lstat(path)
    except OSError:
        return None
    if stat.S_ISDIR(found.st_mode):
        return None
    return Look(found.st_size, found.st_mtime_ns, found.st_ctime_ns, found.st_ino)


def _seen(path: Path) -> Look | None:
    """How a file looks, and its side file with it where its format has one: a change of either counts."""
    look = _look_at(path)
    if look is None or not needs_side_file(path.name):
        return look
    side = _look_at(path.with_name(path.name + SIDE_FILE_SUFFIX))
    if side is None:
        return look
    times = max(look.mtime_ns, side.mtime_ns), max(look.ctime_ns, side.ctime_ns)
    return Look(look.size, *times, look.inode ^ side.inode)


def _lacks_side_file(path: Path) -> bool:
    return needs_side_file(path.name) and _look_at(path.with_name(path.name + SIDE_FILE_SUFFIX)) is None


def _read_whole(path: Path, look: Look) -> bytes | None:
    """The bytes of a regular file that looks the same before and after; None for a link, pipe or device.

    Raises _Moving when it changed, OSError when it cannot be read.
    """
    try:
        fd = os.open(path, os.O_RDONLY | os.O_NOFOLLOW | os.O_NONBLOCK | os.O_CLOEXEC)
    except OSError as error:
        if error.errno in (errno.ELOOP, errno.ENXIO):
            return None
        raise
    try:
        if not stat.S_ISREG(os.fstat(fd).st_mode):
            return None
        with os.fdopen(fd, "rb", closefd=False) as file:
            data = file.read(look.size + 1)
    finally:
        os.close(fd)
    if len(data) != look.size or _look_at(path) != look:
        raise _Moving
    return data

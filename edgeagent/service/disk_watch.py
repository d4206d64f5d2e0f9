"""Room on the store's disk: what is free, how fast the store grows, and an alarm before it is full."""

from __future__ import annotations

import contextlib
import os
from collections.abc import Callable
from pathlib import Path

import msgspec

from edgeagent.codec.configuration.settings import StoreSettings
from edgeagent.model.records import Recovery
from edgeagent.model.status import DiskNow
from edgeagent.rules.disk import (
    DiskLevel,
    Grown,
    Room,
    days_left,
    disk_level,
    disk_sentence,
    flat_hours,
    growth_rate,
    hours_of,
    with_growth,
)
from edgeagent.store.clock import Clock
from edgeagent.store.files import exchange

_EVERY_S = 30.0
"""Seconds between two looks: a disk that fills within that is beyond any warning."""
_WHAT = {DiskLevel.ROOM: "disk-has-room", DiskLevel.WARNING: "disk-warning", DiskLevel.ALARM: "disk-filling"}


class _Kept(msgspec.Struct):
    """The growth by hour as it outlives a restart; ``began`` is when watching began."""

    began: float
    hours: list[tuple[int, int, int]]


class DiskWatch:
    """Used from the service loop only. ``grown`` says what was written since the process began.

    What it remembers of growth lies unsynced in ``state/growth.json``: without it the rate is learnt anew.
    """

    def __init__(self, store: Path, settings: StoreSettings, clock: Clock, grown: Callable[[], Grown]) -> None:
        self._store, self._settings, self._clock, self._grown = store, settings, clock, grown
        self._path = store / "state" / "growth.json"
        self._look_at = clock.monotonic()
        self._counted = Grown()
        self._kept: _Kept | None = None
        self.level = DiskLevel.ROOM
        self.now: DiskNow | None = None
        """What the last look saw; None before the first."""

    def look(self) -> list[Recovery]:
        """Look, at most twice a minute; a record when the level changes, mostly none."""
        at = self._clock.monotonic()
        if at < self._look_at:
            return []
        self._look_at = at + _EVERY_S
        try:
            room, wall = room_of(self._store), self._clock.now().timestamp()
        except OSError:  # where the store itself is gone, the next record ends the agent
            return []
        rate = growth_rate(*self._growth_watched(wall), wall)
        left = days_left(room, rate)
        before = self.level
        # By the last level, too, so that a disk at the limit does not raise one alarm after another.
        self.level = disk_level(
            room, left, before, free_min=self._settings.free_min, days_min=self._settings.days_min
        )
        self.now = DiskNow(
            free_mb=room.size_bytes // 1_000_000,
            free_share=round(room.share, 4),
            level=self.level.value,
            grown_per_day_mb=None if rate is None else round(rate.bytes_per_day / 1e6, 3),
            days_left=None if left is None else round(left, 2),
        )
        # On record only when it changes: twice a minute for ten years would fill the journal by itself.
        if self.level is before:
            return []
        return [Recovery(what=_WHAT[self.level], reason=disk_sentence(self.level, room, left))]

    def _growth_watched(self, wall: float) -> tuple[dict[int, Grown], float]:
        """The growth by hour with what came since the last look, and since when it is watched."""
        if self._kept is None:
            self._kept = _read(self._path) or _Kept(wall, [])
        total = self._grown()
        # The counters begin at 0 with the process; only their differences belong to an hour.
        new = Grown(total.size_bytes - self._counted.size_bytes, total.entries - self._counted.entries)
        self._counted = total
        hours = with_growth(hours_of(self._kept.hours), wall, new)
        # A clock that was set back must not make the time watched negative.
        self._kept = _Kept(min(self._kept.began, wall), flat_hours(hours))
        with contextlib.suppress(OSError):  # a full disk has its alarm already
            exchange(self._path, msgspec.json.encode(self._kept))
        return hours, self._kept.began


def room_of(folder: Path) -> Room:
    """What is free to us on the disk of a folder. Raises OSError."""
    found = os.statvfs(folder)
    # f_bavail, not f_bfree: what is reserved for root is not ours, and the agent is not root.
    size_share = found.f_bavail / found.f_blocks if found.f_blocks else 1.0
    size_bytes = found.f_bavail * found.f_frsize
    if not found.f_files:  # some file systems do not count them
        return Room(size_bytes, size_share)
    return Room(size_bytes, size_share, found.f_favail, found.f_favail / found.f_files)


def _read(path: Path) -> _Kept | None:
    try:
        return msgspec.json.decode(path.read_bytes(), type=_Kept)
    # Missing or damaged (msgspec's errors are ValueErrors): the rate is learnt anew.
    except (OSError, ValueError):
        return None

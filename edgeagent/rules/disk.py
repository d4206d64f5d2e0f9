"""When the store's disk will be full: from what is free, and from how fast the store grew of late.

Growth is kept by the hour, so that it outlives a restart in a few numbers. The rate is that of the last seven
days at the most: a week has its quiet days in it, and a cell that began yesterday is judged by yesterday.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

HOUR_S, DAY_S = 3600.0, 86400.0
WINDOW_H = 7 * 24
WATCHED_MIN_S = HOUR_S
"""No rate is stated from less: the first minutes of a backlog are not how a cell grows."""
AT_ONCE_SHARE = 7
"""Below this fraction of the days that are warned about the warning becomes an alarm."""
_ENOUGH = 1.2
"""A level is left at this multiple of its limit: a disk at the limit must not raise an alarm a minute."""


class DiskLevel(StrEnum):
    """How urgent it is to make room."""

    ROOM = "room"
    WARNING = "warning"
    ALARM = "alarm"


@dataclass(frozen=True, slots=True)
class Grown:
    """What the store grew by: bytes, and file entries."""

    size_bytes: int = 0
    entries: int = 0

    def __add__(self, more: Grown) -> Grown:
        return Grown(self.size_bytes + more.size_bytes, self.entries + more.entries)


@dataclass(frozen=True, slots=True)
class Room:
    """What is free to us. ``entries`` is None where the file system does not count them."""

    size_bytes: int
    size_share: float
    entries: int | None = None
    entries_share: float = 1.0

    @property
    def share(self) -> float:
        """The smaller share that is free, from 0 to 1."""
        return min(self.size_share, self.entries_share)

    @property
    def scarce(self) -> str:
        """Of what that is."""
        return "space" if self.size_share <= self.entries_share else "file entries"


@dataclass(frozen=True, slots=True)
class Rate:
    """How much the store grows a day."""

    bytes_per_day: float
    entries_per_day: float


def with_growth(hours: Mapping[int, Grown], now: float, grown: Grown) -> dict[int, Grown]:
    """The growth by hour (POSIX hours) with what was written up to ``now`` (POSIX seconds) added.

    Hours outside the window are forgotten, and so are those that a wall clock which was set back left ahead.
    """
    this = int(now // HOUR_S)
    # Hours ahead of now come from a clock that was wrong; kept, they would count as growth for days.
    kept = {hour: was for hour, was in hours.items() if this - WINDOW_H < hour <= this}
    kept[this] = kept.get(this, Grown()) + grown
    return kept


def growth_rate(hours: Mapping[int, Grown], began: float, now: float) -> Rate | None:
    """The store's rate over the hours that are kept; None while it was watched for less than an hour.

    ``began`` (POSIX seconds) is when watching began: the first hour is mostly not a whole one.
    """
    since = max(began, (int(now // HOUR_S) - WINDOW_H + 1) * HOUR_S)
    watched_s = now - since
    if watched_s < WATCHED_MIN_S:
        return None
    # The hour in which watching began counts too, with what was written in it.
    total = sum((g for hour, g in hours.items() if hour * HOUR_S > since - HOUR_S), Grown())
    return Rate(total.size_bytes * DAY_S / watched_s, total.entries * DAY_S / watched_s)


def days_left(room: Room, rate: Rate | None) -> float | None:
    """Days until the first of space and file entries is used up; None where unknown or never."""
    if rate is None:
        return None
    ends = [room.size_bytes / rate.bytes_per_day] if rate.bytes_per_day > 0 else []
    if room.entries is not None and rate.entries_per_day > 0:
        ends.append(room.entries / rate.entries_per_day)
    return min(ends, default=None)


def disk_level(
    room: Room, left_days: float | None, before: DiskLevel, *, free_min: float, days_min: float
) -> DiskLevel:
    """How urgent it is.

    An alarm where less than ``free_min`` is free or the days left are less than a seventh of ``days_min``, a
    warning where they are less than ``days_min``. What is warned of is over only with a fifth more room.
    """
    levels = (DiskLevel.ROOM, DiskLevel.WARNING, DiskLevel.ALARM)

    def below(value: float | None, limit: float, level: DiskLevel) -> bool:
        # Hysteresis on the way out only: a disk that fills up must be reported at its limit, not behind it.
        held = levels.index(before) >= levels.index(level)
        return value is not None and value < limit * (_ENOUGH if held else 1.0)

    if below(room.share, free_min, DiskLevel.ALARM):
        return DiskLevel.ALARM
    if below(left_days, days_min / AT_ONCE_SHARE, DiskLevel.ALARM):
        return DiskLevel.ALARM
    return DiskLevel.WARNING if below(left_days, days_min, DiskLevel.WARNING) else DiskLevel.ROOM


def disk_sentence(level: DiskLevel, room: Room, left_days: float | None) -> str:
    """The disk's state in one sentence for a person."""
    words = f"{100 * room.share:.0f} % of the {room.scarce} of the store's disk are free"
    if left_days is not None:
        words += f"; at the store's present rate that is enough for {days_text(left_days)}"
    return words if level is DiskLevel.ROOM else f"{words}: when it is full, the agent stops"


def room_text(level: str, free_mb: int, free_share: float, days_left: float | None) -> str:
    """What is free and for how long, for a status line; ``level`` is the value of a DiskLevel."""
    words = f"{free_mb:,} MB free, {100 * free_share:.0f} %"
    words += "" if days_left is None else f", enough for {days_text(days_left)}"
    urgent = {DiskLevel.WARNING: "warning, full soon: ", DiskLevel.ALARM: "alarm, almost full: "}
    return next((text for known, text in urgent.items() if known == level), "") + words


def days_text(days: float) -> str:
    """Days as a person says them."""
    if days >= 3650:
        return "more than ten years"
    if days >= 1.5:
        return f"{days:.0f} days"
    return f"{24 * days:.0f} hours"


def flat_hours(hours: Mapping[int, Grown]) -> list[tuple[int, int, int]]:
    """The growth by hour as plain numbers for a file: hour, bytes, entries."""
    return [(hour, g.size_bytes, g.entries) for hour, g in sorted(hours.items())]


def hours_of(flat: Sequence[tuple[int, int, int]]) -> dict[int, Grown]:
    """The growth by hour out of plain numbers."""
    return {hour: Grown(size_bytes, entries) for hour, size_bytes, entries in flat}

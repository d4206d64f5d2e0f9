"""When an incomplete part set runs out of time: by a clock that only goes forward, whatever the wall clock
does."""

from __future__ import annotations

from collections.abc import Mapping

SetKey = tuple[str, str]
"""Part number and serial."""


class SetTimers:
    """Counts the time of each waiting set. Wall times in POSIX seconds, monotonic ones in seconds, both given.

    A set's records say by the wall clock when it began to wait. That is read once, when the set is first seen,
    and all that is right about it for a set of before the start; from then on the monotonic clock counts.
    """

    def __init__(self) -> None:
        self._ends_at: dict[tuple[SetKey, float], float] = {}

    def overdue(
        self, began: Mapping[SetKey, float], timeout_s: float, wall_s: float, now_s: float
    ) -> list[SetKey]:
        """The sets, of those that began to wait at these wall times, whose time is up at ``now_s``."""
        before, self._ends_at = self._ends_at, {}
        for key, since in began.items():
            # The whole time-out at most: a set that began ahead of the wall clock would wait for that too.
            left_s = min(max(since + timeout_s - wall_s, 0.0), timeout_s)
            # With the beginning in the key: a set that begins anew gets a new time.
            self._ends_at[key, since] = before.get((key, since), now_s + left_s)
        return sorted(key for (key, _), ends_at in self._ends_at.items() if now_s >= ends_at)

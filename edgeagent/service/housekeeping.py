"""What the loop looks after once in a while: part sets that run out of time, and room on the disk."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

from edgeagent.judging.configuration import Configuration
from edgeagent.judging.memory import Memory
from edgeagent.judging.part_decisions import Entries, decision_entries
from edgeagent.model.records import Recovery
from edgeagent.rules.part_set import expires_at
from edgeagent.rules.set_timers import SetTimers
from edgeagent.store.clock import Clock

_DISK_EVERY_S = 30.0
_ENOUGH = 1.2
"""The alarm is over at this multiple of the smallest room: a disk at the limit must not raise one a minute."""


class Housekeeping:
    """Used from the service loop only, once a second."""

    def __init__(self, store: Path, free_min: float, clock: Clock) -> None:
        self._store, self._free_min, self._clock = store, free_min, clock
        self._timers = SetTimers()
        self._disk_at = clock.monotonic()
        self._filling = False

    def overdue_sets(self, memory: Memory, configuration: Configuration) -> Iterator[Entries]:
        """The records for each part whose set is incomplete and out of time."""
        timeout_s = configuration.settings.decision.set_timeout_s
        waiting = {key: memory.sets[key] for key in memory.waiting_sets}
        began = {k: s.since for k, s in waiting.items() if expires_at(s, timeout_s) is not None}
        now = self._clock.now().timestamp()
        for key in self._timers.overdue(began, timeout_s, now, self._clock.monotonic()):
            # However the wall clock was set meanwhile, the set's time is up.
            up = max(now, memory.sets[key].since + timeout_s)
            yield decision_entries(memory.sets[key], memory, configuration, up)

    def disk_records(self) -> list[Recovery]:
        """A record when the disk of the store begins to run full, or no longer does; mostly none."""
        now = self._clock.monotonic()
        if now < self._disk_at:
            return []
        self._disk_at = now + _DISK_EVERY_S
        free, of = free_share(self._store)
        filling = free < self._free_min * (_ENOUGH if self._filling else 1.0)
        if filling == self._filling:
            return []
        self._filling = filling
        what = "disk-filling" if filling else "disk-has-room"
        reason = f"{100 * free:.0f} % of the {of} of the store's disk are free"
        if filling:
            reason += ": when it is full, the agent stops"
        return [Recovery(what=what, reason=reason)]


def free_share(folder: Path) -> tuple[float, str]:
    """Smallest share that is free to us, and of what: space or file entries. Raises OSError."""
    found = os.statvfs(folder)
    shares = [(found.f_bavail / found.f_blocks, "space")] if found.f_blocks else []
    if found.f_files:  # some file systems do not count them
        shares.append((found.f_favail / found.f_files, "file entries"))
    return min(shares, default=(1.0, "space"))

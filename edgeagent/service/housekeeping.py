"""What the loop looks after once in a while: part sets that run out of time."""

from __future__ import annotations

from collections.abc import Iterator

from edgeagent.judging.configuration import Configuration
from edgeagent.judging.memory import Memory
from edgeagent.judging.part_decisions import Entries, decision_entries
from edgeagent.rules.part_set import expires_at
from edgeagent.rules.set_timers import SetTimers
from edgeagent.store.clock import Clock


class Housekeeping:
    """Used from the service loop only, once a second."""

    def __init__(self, clock: Clock) -> None:
        self._clock, self._timers = clock, SetTimers()

    def overdue_sets(self, memory: Memory, configuration: Configuration) -> Iterator[Entries]:
        """The records for each part whose set is incomplete and out of time."""
        timeout_s = configuration.settings.decision.set_timeout_s
        waiting = {key: memory.sets[key] for key in memory.waiting_sets}
        # A part that was decided before and is measured again keeps its disposition: nothing runs out of time.
        began = {k: s.since for k, s in waiting.items() if expires_at(s, timeout_s) is not None}
        now = self._clock.now().timestamp()
        for key in self._timers.overdue(began, timeout_s, now, self._clock.monotonic()):
            # However the wall clock was set meanwhile, the set's time is up.
            up = max(now, memory.sets[key].since + timeout_s)
            yield decision_entries(memory.sets[key], memory, configuration, up)

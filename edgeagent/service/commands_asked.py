"""What commands on this machine ask of the running service: to release a part, to acknowledge a record."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from pathlib import Path
from typing import Any

from edgeagent.codec.records.record import Record
from edgeagent.judging.part_decisions import open_reason
from edgeagent.judging.release import take_up
from edgeagent.model.records import AnyBody
from edgeagent.service.broker.line import Line
from edgeagent.service.broker.station import Known
from edgeagent.store.clock import Clock
from edgeagent.store.requests import RequestFolder


class CommandsAsked:
    """Used from the service loop only, once a second. ``append`` writes records."""

    def __init__(
        self,
        store: Path,
        clock: Clock,
        log: Any,
        append: Callable[[Sequence[AnyBody]], list[Record]],
        known: Known,
        line: Line,
    ) -> None:
        self._folder = RequestFolder(store)
        self._clock, self._log, self._append = clock, log, append
        self._known, self._line = known, line

    def open(self, group: str | None) -> None:
        """Make the folder the service's own; what of it is not as it must be stands in the log."""
        problem = self._folder.own(group)
        if problem is not None:
            self._log.warning("requests-folder", reason=problem)

    def take(self) -> None:
        """Do what was asked for, or put on record why not; answer either way."""
        for path in self._folder.waiting():
            # Anew for each: what was just released or acknowledged changes what the next request finds.
            memory, configuration, _, _ = self._known()
            now = self._clock.now().timestamp()
            taken = take_up(
                path.name,
                partial(self._folder.read, path, now),
                memory,
                partial(open_reason, memory=memory, configuration=configuration, now=now),
                waits=self._line.waits,
                now=now,
                live_s=configuration.settings.intake.live_s,
                two_persons=configuration.settings.release.two_persons,
            )
            # On record before lamp and answer: a crash between them loses the answer, never the act.
            records = self._append(taken.entries)
            if taken.acknowledges:
                self._line.acknowledged(taken.acknowledges, records[-1])
            (self._log.info if taken.refusal is None else self._log.warning)(taken.event, **taken.details)
            # Last, since the command that waits takes the answer as proof that it is done.
            self._folder.answer(path, taken.answer(records[-1].seq))

"""What the line acknowledges: on record first, then the lamp."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from edgeagent.rules.acknowledgements import Asked, Unmatched, sort_out, take_count
from edgeagent.service.publisher import Publisher
from edgeagent.store.clock import Clock

Append = Callable[[list[tuple[str, Mapping[str, Any]]]], Any]


class Acknowledgements:
    """Takes the line's acknowledgements. ``append`` writes records; a failing disk ends the caller."""

    def __init__(self, publisher: Publisher, clock: Clock, log: Any, append: Append) -> None:
        self._publisher, self._clock, self._log, self._append = publisher, clock, log, append
        self._unmatched = Unmatched()

    def take(self, asked: Sequence[Asked]) -> None:
        """All that came since the last turn, with one sync however many they are."""
        waiting, now = {w.seq for w in self._publisher.delivery.lamp.waiting}, self._clock.monotonic()
        self._unmatched, recorded = sort_out(self._unmatched, asked, waiting, now)
        if recorded:
            self._append([_entry(one, matched) for one, matched in recorded])
        for one, matched in recorded:
            self._publisher.acknowledge(one.seq)
            self._log.info("acknowledged", seq=one.seq, matched=matched)

    def report_count(self) -> None:
        """Put on record how many of the last period named nothing that waits, once it is over."""
        self._unmatched, count = take_count(self._unmatched, self._clock.monotonic())
        if count:
            reason = f"{count} more messages on acknowledge named nothing that waits for it"
            self._append([("recovery", {"what": "acknowledgements-refused", "reason": reason})])
            self._log.warning("acknowledgements-refused", count=count)


def _entry(one: Asked, matched: bool) -> tuple[str, Mapping[str, Any]]:
    return "acknowledgement", {"seq": one.seq, "who": one.who, "matched": matched}

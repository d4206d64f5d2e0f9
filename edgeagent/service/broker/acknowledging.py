"""What the line acknowledges: on record first, then the lamp."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from edgeagent.codec.records.record import Record
from edgeagent.judging.line_messages import answer_to_line
from edgeagent.model.records import Acknowledgement, AnyBody, Recovery
from edgeagent.rules.line.acknowledgements import (
    Asked,
    Unmatched,
    acknowledged_seq,
    result_of,
    sort_out,
    take_count,
)
from edgeagent.rules.line.delivery_state import Acknowledged, Aside
from edgeagent.service.broker.client import MqttEvent
from edgeagent.service.broker.publisher import Publisher
from edgeagent.store.clock import Clock

Append = Callable[[Sequence[AnyBody]], list[Record]]


class Acknowledgements:
    """Handles the line's acknowledgements. ``append`` writes records; a failing disk ends the caller."""

    def __init__(self, publisher: Publisher, clock: Clock, log: Any, append: Append) -> None:
        self._publisher, self._clock, self._log, self._append = publisher, clock, log, append
        self._unmatched = Unmatched()
        self._early: list[MqttEvent] = []

    def take(self, new: Sequence[MqttEvent]) -> None:
        """All that came since the last turn, with one sync however many they are.

        What comes before the session is ready may be what the broker kept: until then it is not known for whom.
        """
        if not self._publisher.delivery.ready:
            # Not confirmed either: at QoS 1 the broker keeps them, and sends no more than its window meanwhile.
            self._early += new
            return
        # Those of a session that ended come again: the broker has no confirmation of them.
        early = [m for m in self._early if m.client == self._publisher.generation]
        self._early = []
        if early and self._publisher.delivery.before:
            self._leave(early)
            early = []
        if early or new:
            self._take([*early, *new])

    def _leave(self, messages: Sequence[MqttEvent]) -> None:
        """Acknowledgements that were kept for another store's agent name that one's records, not ours."""
        other = self._publisher.delivery.before[:12]
        reason = f"{len(messages)} acknowledgements were kept for store {other} and are not taken"
        self._append([Recovery(what="acknowledgements-of-another-store", reason=reason)])
        self._log.warning("acknowledgements-of-another-store", count=len(messages), store=other)
        for message in messages:
            # Confirmed though not used: the broker would bring them to this session at every connection.
            self._publisher.confirm(message)

    def _take(self, messages: Sequence[MqttEvent]) -> None:
        """All of the line; what is dealt with is confirmed to the broker."""
        self.take_asked(
            [Asked(acknowledged_seq(message.payload), message.who or "line") for message in messages]
        )
        for message in messages:
            self._publisher.confirm(message)

    def take_asked(self, asked: Sequence[Asked]) -> None:
        """The same of acknowledgements that came another way, with one sync however many they are."""
        waiting, now = {w.seq for w in self._publisher.delivery.lamp.waiting}, self._clock.monotonic()
        self._unmatched, recorded = sort_out(self._unmatched, asked, waiting, now)
        bodies = [Acknowledgement(seq=a.seq, who=a.who, matched=matched) for a, matched in recorded]
        # On record before the lamp goes out: after a crash between the two it is lit again, never forgotten.
        records = self._append(bodies) if bodies else []
        for record, (one, matched) in zip(records, recorded, strict=True):
            self._publisher.tell(Acknowledged, one.seq)
            self._log.info("acknowledged", seq=one.seq, matched=matched)
            answer = {"acknowledges": one.seq, "result": result_of(one, matched), "who": one.who}
            self._answer(record, answer)

    def acknowledged(self, seq: int, record: Record) -> None:
        """Record ``seq`` was acknowledged by a command, and ``record`` says so: now the lamp, and the line."""
        assert isinstance(record.body, Acknowledgement)
        self._publisher.tell(Acknowledged, seq)
        self._answer(record, {"acknowledges": seq, "result": "acknowledged", "who": record.body.who})

    def report_count(self) -> None:
        """Put on record how many of the last period named nothing that waits, once it is over."""
        self._unmatched, count = take_count(self._unmatched, self._clock.monotonic())
        if count:
            reason = f"{count} more messages on acknowledge named nothing that waits for it"
            (record,) = self._append([Recovery(what="acknowledgements-refused", reason=reason)])
            self._answer(record, {"result": "refused", "count": count})
            self._log.warning("acknowledgements-refused", count=count)

    def _answer(self, record: Record, content: Mapping[str, Any]) -> None:
        answer = answer_to_line("acknowledge/result", record, self._publisher.delivery, content)
        # At once: the person at the button waits, while a record in order may wait behind others.
        self._publisher.tell(Aside, answer)

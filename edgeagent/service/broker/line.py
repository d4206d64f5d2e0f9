"""The service's side towards the line: what it acknowledges, what holds the lamp, and how the agent stands."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from typing import Any

from edgeagent.codec.records.record import Record, utc_text
from edgeagent.judging.line_gate import line_gate_closed
from edgeagent.judging.line_messages import state_message
from edgeagent.judging.line_state import line_state
from edgeagent.model.status import DiskNow
from edgeagent.rules.line.acknowledgements import Asked
from edgeagent.rules.line.delivery_state import Aside
from edgeagent.rules.line.lamp import GATE_CLOSED
from edgeagent.service.broker.acknowledging import Acknowledgements, Append
from edgeagent.service.broker.client import MqttEvent
from edgeagent.service.broker.publisher import Publisher
from edgeagent.service.broker.station import Known, StationHandshake, set_holding
from edgeagent.store.clock import Clock

_STATE_S = 5.0
"""``state`` is sent at least so often: another agent below the same prefix shows by it, however quiet it is."""


class Line:
    """Owned by the service loop. ``known`` gives memory, configuration and the journal's end (seq, hash),
    ``disk`` what was last seen of the store's disk.
    """

    def __init__(
        self,
        publisher: Publisher,
        clock: Clock,
        log: Any,
        disk: Callable[[], DiskNow | None],
        append: Append,
        known: Known,
    ) -> None:
        self._publisher, self._clock, self._disk, self._known = publisher, clock, disk, known
        self._acknowledgements = Acknowledgements(publisher, clock, log, append)
        self._station = StationHandshake(publisher, clock, log, known)
        self._sent: Mapping[str, Any] | None = None
        self._sent_at = 0.0
        self._number = 0
        self._state_asked = False

    def take(self, messages: Sequence[MqttEvent]) -> None:
        """What the line acknowledged, announced and asked for since the last turn."""
        # Also without new ones: those that came before the session was ready wait in there.
        acknowledged = [message for message in messages if message.topic == "acknowledge"]
        self._acknowledgements.take(acknowledged)
        announced = [message for message in messages if message.topic in ("expect", "expect/text")]
        if announced:
            self._station.take(announced)
        # Only noted: however many ask, one `state` a second is the answer.
        self._state_asked |= any(message.topic == "state/request" for message in messages)

    def take_asked(self, asked: Sequence[Asked]) -> None:
        """What was acknowledged by Sparkplug since the last turn."""
        self._acknowledgements.take_asked(asked)

    def waits(self, seq: int) -> bool:
        """Whether record ``seq`` waits for its acknowledgement."""
        return self._publisher.delivery.lamp.waits(seq)

    def acknowledged(self, seq: int, record: Record) -> None:
        """A person acknowledged record ``seq`` from a terminal, by ``record``: lamp and line learn it."""
        self._acknowledgements.acknowledged(seq, record)

    def beat(self) -> None:
        """Once a second: count what was refused, look at the gate, and say how we stand where that is new."""
        self._acknowledgements.report_count()
        self._station.report_count()
        self.show()
        self._send_state()

    def show(self) -> None:
        """Hold the lamp while the gate is closed, or the part at the station undecided."""
        memory, configuration, _, _ = self._known()
        closed = line_gate_closed(memory, configuration, self._clock.now().timestamp())
        set_holding(self._publisher, GATE_CLOSED, closed)
        self._station.show()

    def _send_state(self) -> None:
        """Also after each connection: the broker may have kept one from before, or none."""
        delivery, now = self._publisher.delivery, self._clock.monotonic()
        # Nothing counts as sent in a session that is not up: the next one begins with a whole `state`.
        if not delivery.ready:
            self._sent = None
            return
        if delivery.awaits("state"):  # the next one has the newest news: two would take places of the lamp's
            return
        memory, configuration, seq, head = self._known()
        wall, disk = self._clock.now(), self._disk()
        state = line_state(memory, configuration, delivery, wall.timestamp(), disk)
        # What is free changes with every file; only how urgent it is, is news
        news = {**state, "free_disk_mb": None, "disk": None if disk is None else disk.level}
        changed = news != self._sent
        if changed or self._state_asked or now - self._sent_at >= _STATE_S:
            # Before the message is made: what sending it changes must not look like news again.
            self._sent, self._sent_at = news, now
            self._number += 1
            self._state_asked = False
            content = {"number": self._number, "seq": seq, "head": head, "time": utc_text(wall), **state}
            self._publisher.tell(Aside, state_message(delivery, content))

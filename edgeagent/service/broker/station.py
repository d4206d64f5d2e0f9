"""The part at the station: the line announces it, and the agent answers with the same nonce."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from edgeagent.judging.configuration import Configuration
from edgeagent.judging.line_messages import station_messages
from edgeagent.judging.memory import Memory
from edgeagent.rules.line.delivery_state import Aside, Holding
from edgeagent.rules.line.handshake import Expected, decision_on, read_expected, read_expected_text, station_of
from edgeagent.rules.line.lamp import UNDECIDED
from edgeagent.service.broker.client import MqttEvent
from edgeagent.service.broker.publisher import Publisher
from edgeagent.store.clock import Clock

Known = Callable[[], tuple[Memory, Configuration, int, str]]


def set_holding(publisher: Publisher, name: str, present: bool) -> None:
    """Set or clear something that holds the lamp, other than a record."""
    if (name in publisher.delivery.lamp.holding) != present:
        publisher.tell(Holding, name, present)


class StationHandshake:
    """Does nothing unless the configuration asks for the handshake. Used from the service loop only.

    What was announced is not kept over a restart: the line announces the part again when ``boot`` changes.
    """

    def __init__(self, publisher: Publisher, clock: Clock, log: Any, known: Known) -> None:
        self._publisher, self._clock, self._log, self._known = publisher, clock, log, known
        self._expected: Expected | None = None
        self._sent: Any = None

    def take(self, announced: MqttEvent) -> None:
        """The newest announcement since the last turn."""
        if not self._known()[1].settings.line.handshake:
            return
        read = read_expected if announced.topic == "expect" else read_expected_text
        self._expected, self._sent = read(announced.payload, self._clock.now().timestamp()), None
        if self._expected.problem is not None:
            self._log.warning("expect-refused", reason=self._expected.problem)
        self.show()

    def show(self) -> None:
        """Hold the lamp until the part is decided, and publish what is known of it when that changes."""
        expected = self._expected
        if expected is None:
            return
        memory, configuration, _, _ = self._known()
        known = memory.part_set(expected.part, expected.serial)
        now, live_s = self._clock.now().timestamp(), configuration.settings.intake.live_s
        decided = decision_on(expected, known, now, live_s)
        set_holding(self._publisher, UNDECIDED, decided is None)
        content = station_of(expected, known, decided)
        delivery, problem = self._publisher.delivery, expected.problem is not None
        if delivery.ready and (content, decided) != self._sent:
            self._sent = content, decided
            ends = decided[1] if decided is not None else None
            self._publisher.tell(Aside, station_messages(delivery, content, problem, ends, now))

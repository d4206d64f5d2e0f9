"""The part at the station: the line announces it, and the agent answers with the same nonce."""

from __future__ import annotations

from collections.abc import Callable, Sequence
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


_READ = {"expect": read_expected, "expect/text": read_expected_text}
_ANSWER_EVERY_S, _SAID_EVERY_S = 1.0, 60.0
"""What is not understood in the same way again is answered, and said in the log, at most so often."""


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
        self._sent_at = self._said_at = -_SAID_EVERY_S
        self._refused, self._why = 0, ""

    def take(self, announced: Sequence[MqttEvent]) -> None:
        """What was announced since the last turn: the newest of it holds, earlier parts have left.

        The newest that is understood is answered also where rubbish came behind it, however much.
        """
        # Read each time: a reload may switch it on.
        if not self._known()[1].settings.line.handshake:
            return
        now = self._clock.now().timestamp()
        found = [_READ[one.topic](one.payload, now) for one in announced]
        good = [one for one in found if one.problem is None]
        if good:
            # None: also the same part announced again is answered, with its own nonce.
            self._expected, self._sent = good[-1], None
            self.show()
        problem = found[-1].problem
        if problem is not None:
            self._refused, self._why = self._refused + len(found) - len(good), problem
            # What was not understood may have been a new part: the one before it must not keep the lamp clear.
            self._expected = found[-1]
            if self._clock.monotonic() - self._sent_at >= _ANSWER_EVERY_S:
                self._sent = None
            self.show()
        else:
            self._refused += len(found) - len(good)
        self.report_count()

    def report_count(self) -> None:
        """Say in the log what was not understood: the first at once, the rest as a count once a minute."""
        if self._refused and self._clock.monotonic() - self._said_at >= _SAID_EVERY_S:
            self._log.warning("expect-refused", reason=self._why, count=self._refused)
            self._refused, self._said_at = 0, self._clock.monotonic()

    def show(self) -> None:
        """Hold the lamp until the part is decided, and publish what is known of it when that changes."""
        expected = self._expected
        if expected is None:
            return
        memory, configuration, _, _ = self._known()
        known = memory.part_set(expected.part, expected.serial)
        now, live_s = self._clock.now().timestamp(), configuration.settings.intake.live_s
        # Held before the answer is published: a line that reads the answer first must not see the old lamp.
        decided = decision_on(expected, known, now, live_s)
        set_holding(self._publisher, UNDECIDED, decided is None)
        content = station_of(expected, known, decided)
        delivery, problem = self._publisher.delivery, expected.problem is not None
        # Not only the content: the same words with a later decision expire later.
        if delivery.ready and (content, decided) != self._sent:
            self._sent, self._sent_at = (content, decided), self._clock.monotonic()
            ends = decided[1] if decided is not None else None
            self._publisher.tell(Aside, station_messages(delivery, content, problem, ends, now))

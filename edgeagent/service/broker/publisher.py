"""What the service loop sees of MQTT: a reader of the journal whose durable position moves on PUBACK alone."""

from __future__ import annotations

import math
import uuid
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

from edgeagent.codec.configuration.settings import Mqtt
from edgeagent.codec.records.record import Place, Record, utc_text_of
from edgeagent.errors import JournalWriteError
from edgeagent.model.records import PartDisposition
from edgeagent.rules.line import delivery_state as ask
from edgeagent.rules.line.acknowledgements import Asked, acknowledged_seq
from edgeagent.rules.line.delivery import BEATS_PER_BOOT
from edgeagent.rules.line.expiry import with_expiry
from edgeagent.rules.line.handshake import station_text
from edgeagent.rules.line.lamp import Lamp, Waiting
from edgeagent.rules.line.outbox import Outgoing, messages
from edgeagent.service.broker.client import MqttEvent
from edgeagent.service.broker.feed import Feed
from edgeagent.service.broker.session import Session
from edgeagent.store.clock import Clock
from edgeagent.store.journal import JournalReader
from edgeagent.store.state import State, waiting_of, write_state

_READ_S = 0.1
"""Reading ahead gives way to the rest of the loop after so long."""
_LAST_WORDS_S, _LAST_LAMP_S = 3.0, 1.0


class Publisher:
    """Owns the session and the delivery position. Used from the service loop only.

    ``post`` puts an MqttEvent into the loop's queue from any thread. ``report`` is called with an event name
    and details for the log. Delivery problems never raise: what is not acknowledged stays undelivered.
    """

    def __init__(
        self,
        settings: Mqtt,
        prefix: str,
        base: Path,
        state_path: Path,
        clock: Clock,
        *,
        live_s: float,
        latches: bool,
        post: Callable[[MqttEvent], None],
        report: Callable[[str, dict[str, Any]], None],
    ) -> None:
        self._session = Session(settings, prefix, base, clock, latches=latches, post=post, report=report)
        self._state_path, self._clock, self._live_s = state_path, clock, live_s
        self._saved: State | None = None
        self._boot, self._run = 0, uuid.uuid4().hex[:16]
        self.state_asked = False
        self.announced: tuple[str, bytes] | None = None

    @property
    def delivery(self) -> ask.Delivery:
        """How delivery stands: phase, lamp, position."""
        return self._session.delivery

    @property
    def unfinished(self) -> bool:
        """Whether something is undelivered and on its way."""
        return self.delivery.ready and self.delivery.undelivered > 0

    def start(
        self,
        reader: JournalReader,
        boot: int,
        state: State,
        cursor: Place | None,
        last: Record | None,
        answered: Iterable[int] = (),
    ) -> None:
        """Begin to deliver what lies behind ``state.position``; ``cursor`` is that record's place.

        ``last`` is the last disposition that was delivered, to be published again on each connect, and
        ``answered`` are rejects behind the position that the line has acknowledged. Raises ConfigError for
        certificates or passwords that cannot be read.
        """
        self._boot, self._saved = boot, state
        self._session.feed = Feed(reader, self._messages)
        lamp = Lamp(tuple(Waiting(*one) for one in state.waiting), passing=state.passing)
        store = reader.read_from(None, 1)[0][0].hash
        start = ask.Start(
            self._clock.monotonic(),
            state.position,
            cursor,
            lamp,
            frozenset(answered),
            last,
            boot,
            store,
            self._run,
        )
        self._session.take(start)

    def appended(self, records: Sequence[Record], decided: int) -> None:
        """The journal has grown by these records; ``decided`` is its newest disposition, 0 for none."""
        composed = tuple((r.seq, message) for r in records for message in self._messages(r))
        self._session.take(ask.Appended(self._clock.monotonic(), records[-1].seq, decided, composed))

    def set_fault(self, name: str, present: bool) -> None:
        """Set or clear a fault by name and show it."""
        self._session.take(ask.Fault(self._clock.monotonic(), name, present))

    def set_holding(self, name: str, present: bool) -> None:
        """Set or clear something that holds the lamp, other than a record."""
        if (name in self.delivery.lamp.holding) != present:
            self._session.take(ask.Holding(self._clock.monotonic(), name, present))

    def acknowledge(self, seq: int) -> None:
        """The line acknowledged a disposition: release its latch."""
        self._session.take(ask.Acknowledged(self._clock.monotonic(), seq))

    def heartbeat(self) -> None:
        """Count once more on the heartbeat topic; called by the loop that does the work."""
        self._session.take(ask.Beat(self._clock.monotonic()))

    def publish_aside(self, record: Record) -> None:
        """Publish a record's messages at once, beside the ordered delivery, which repeats them later."""
        self._session.take(ask.Aside(self._clock.monotonic(), self._messages(record)))

    def pump(self) -> bool:
        """Watch the session's health and send what has room; True while there is more to read at once."""
        session, clock = self._session, self._clock
        until = clock.monotonic() + _READ_S
        session.take(ask.Tick(clock.monotonic()))
        while session.wanted is not None and session.feed is not None and clock.monotonic() < until:
            wanted, session.wanted = session.wanted, None
            entries = session.feed.take(wanted.room, lambda: clock.monotonic() < until)
            session.take(ask.Found(clock.monotonic(), entries))
        return session.wanted is not None

    def handle(self, event: MqttEvent) -> Asked | None:
        """Take one event of the client's thread; returns what the line acknowledged with it, if it did."""
        topic = self._session.take_message(event)
        self.state_asked = self.state_asked or topic == "state/request"
        if topic in ("expect", "expect/text"):
            self.announced = topic, event.payload
        if topic != "acknowledge":
            return None
        return Asked(acknowledged_seq(event.payload), event.who or "line", (event.client, event.mid))

    def confirm(self, asked: Asked) -> None:
        """What the line asked for is on record: the broker need not keep it any longer."""
        self._session.connection.confirm(asked.receipt)

    def answer(self, topic: str, record: Record, content: Mapping[str, Any]) -> None:
        """Answer the line at once, with the record that the answer rests on."""
        outgoing = Outgoing(topic, {**self._stamp(record), **content}, retain=False)
        self._session.take(ask.Aside(self._clock.monotonic(), (outgoing,)))

    def publish_state(self, content: Mapping[str, Any]) -> None:
        """Publish how the agent stands, retained."""
        self.state_asked = False
        who = {"store": self.delivery.store, "run": self._run, "boot": self._boot}
        outgoing = Outgoing("state", {**who, **content}, retain=True)
        self._session.take(ask.Aside(self._clock.monotonic(), (outgoing,)))

    def publish_station(self, content: Mapping[str, Any], problem: bool, expires_at: float | None) -> None:
        """Publish what is known of the part at the station, retained until it ceases to act."""
        now, delivery = self._clock.now().timestamp(), self.delivery
        left = 0 if expires_at is None else math.floor(expires_at - now)
        beat = delivery.boot * BEATS_PER_BOOT + delivery.beat + left
        who = {"store": delivery.store, "boot": self._boot}
        until = {} if expires_at is None else {"expires_at": utc_text_of(expires_at), "expires_beat": beat}
        text: Any = station_text(content, problem, beat)
        outgoing = (
            Outgoing("station", {**who, **content, **until}, retain=True, expires_at=expires_at),
            Outgoing("station/text", text, retain=True, expires_at=expires_at),
        )
        self._session.take(ask.Aside(self._clock.monotonic(), outgoing))

    def save(self, end: int, head: str) -> None:
        """Make position, lamp and the journal's end durable when they changed. Raises JournalWriteError."""
        lamp = self.delivery.lamp
        state = State(self.delivery.position, waiting_of(lamp), lamp.passing, end=end, head=head)
        if state != self._saved:
            try:
                write_state(self._state_path, state)
            except OSError as error:
                raise JournalWriteError(f"{self._state_path}: {error}") from error
            self._saved = state

    def stop(self, *, fault: bool, drain: Callable[[float], None]) -> None:
        """Show fault on the lamp (a stopped agent watches nothing) and disconnect.

        ``drain`` handles events for so many seconds, so that the last acknowledgements arrive. With
        ``fault`` the connection is dropped so that the broker publishes the will as well; where delivery never
        began, a connection is made for that alone: a lamp retained from before must not stay clear.
        """
        session = self._session
        if fault and session.feed is None:
            session.take(ask.LastWords(self._clock.monotonic()))
            self._drain_while(lambda: not self.delivery.connected, _LAST_WORDS_S, drain)
        session.take(ask.Stop(self._clock.monotonic()))
        self._drain_while(lambda: any(o.topic == "lamp" for o in self.delivery.open), _LAST_LAMP_S, drain)
        session.connection.drop(polite=not fault)

    def _drain_while(self, goes_on: Callable[[], bool], seconds: float, drain: Callable[[float], None]) -> None:
        until = self._clock.monotonic() + seconds
        while goes_on() and self._session.connection.exists and self._clock.monotonic() < until:
            drain(0.05)
            self._session.take(ask.Tick(self._clock.monotonic()))

    def _messages(self, record: Record) -> tuple[Outgoing, ...]:
        now = self._clock.now().timestamp()
        found = messages(record.body, self._stamp(record), now=now, live_s=self._live_s)
        if not isinstance(record.body, PartDisposition):
            return found
        beat = self.delivery.boot * BEATS_PER_BOOT + self.delivery.beat
        ends = record.body.settled_at + self._live_s
        return with_expiry(found, ends, now=now, beat=beat, store=self.delivery.store)

    def _stamp(self, record: Record) -> dict[str, Any]:
        return {"boot": self._boot, "seq": record.seq, "head": record.hash, "time": record.time}

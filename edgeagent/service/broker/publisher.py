"""The delivery machine's I/O: what happens becomes an event, and what the machine then asks for is done.

What to do is decided in ``rules.line.delivery``, a pure table, and what messages say in
``judging.line_messages``; nothing is decided here.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Sequence
from typing import Any, Concatenate, ParamSpec

from edgeagent.codec.records.record import Record
from edgeagent.errors import ConfigError
from edgeagent.judging.line_messages import record_messages
from edgeagent.rules.line import delivery_state as ask
from edgeagent.rules.line.delivery import step
from edgeagent.rules.line.outbox import Outgoing
from edgeagent.service.broker.broker_events import translate
from edgeagent.service.broker.client import COSIGNED, KEPT, MqttClient, MqttEvent
from edgeagent.service.broker.feed import Feed
from edgeagent.store.clock import Clock

_READ_S = 0.1
"""Reading ahead gives way to the rest of the loop after so long."""
P = ParamSpec("P")


class Publisher:
    """Owns the machine's state and the client of the session at hand. Used from the service loop only.

    ``new_client`` begins a session: (its number, the store's identity, whether the broker is to forget what it
    kept for us); ``generation`` is its number. ``report`` is called with an event name and details for the log
    and must not raise. ``feed`` is what records are read from, once there is a journal. Delivery problems never
    raise: what is not acknowledged stays undelivered.
    """

    def __init__(
        self,
        new_client: Callable[[int, str, bool], MqttClient],
        clock: Clock,
        delivery: ask.Delivery,
        *,
        live_s: float,
        report: Callable[[str, dict[str, Any]], None],
    ) -> None:
        self._new_client, self._clock, self._live_s, self._report = new_client, clock, live_s, report
        self.delivery = delivery
        self.feed: Feed | None = None
        self.client: MqttClient | None = None
        self.generation, self._subscribed = 0, False
        self._wanted: ask.Read | None = None
        self._events: deque[ask.DeliveryEvent] = deque()

    def tell(
        self, event: Callable[Concatenate[float, P], ask.DeliveryEvent], *about: P.args, **more: P.kwargs
    ) -> None:
        """Give an event of now to the machine, and do what it asks for.

        Raises ConfigError at the start, for certificates or a password that cannot be read.
        """
        self._take(event(self._clock.monotonic(), *about, **more))

    def appended(self, records: Sequence[Record], decided: int) -> None:
        """The journal has grown by these records; ``decided`` is its newest disposition, 0 for none."""
        composed = tuple((r.seq, message) for r in records for message in self.compose(r))
        self.tell(ask.Appended, records[-1].seq, decided, composed)

    def compose(self, record: Any) -> tuple[Outgoing, ...]:
        """A record's messages as they read now."""
        return record_messages(record, self.delivery, now=self._clock.now().timestamp(), live_s=self._live_s)

    def pump(self) -> bool:
        """Watch the session's health and send what has room; True while there is more to read at once."""
        until = self._clock.monotonic() + _READ_S
        self.tell(ask.Tick)
        while self._wanted is not None and self.feed is not None and self._clock.monotonic() < until:
            wanted, self._wanted = self._wanted, None
            self.tell(ask.RecordsRead, self.feed.take(wanted.room, lambda: self._clock.monotonic() < until))
        return self._wanted is not None

    def handle(self, event: MqttEvent) -> MqttEvent | None:
        """Take one event of the client's thread; messages come back, retained ones only on our own topics."""
        if self.client is None or event.client != self.generation:
            return None  # of a closed client: its PUBACKs are about packet numbers of another session
        sent = self.client.take_sent(event.mid) if event.what == "acked" else None
        self._take(translate(event, sent, self._clock.monotonic(), version5=self.client.version5))
        # A retained acknowledgement would be taken anew at every connection.
        kept = event.topic in KEPT or event.topic.startswith(COSIGNED)
        return event if event.what == "message" and (kept or not event.retained) else None

    def confirm(self, event: MqttEvent) -> None:
        """What this message asked for is on record: the broker need not keep it for us any longer."""
        if self.client is not None and event.client == self.generation:
            self.client.confirm(event.mid)

    def drop(self, *, polite: bool = True) -> None:
        """End the session with all that the client holds; not ``polite`` leaves the will to the broker."""
        client, self.client = self.client, None
        if client is not None:
            client.close(polite=polite)

    def _take(self, event: ask.DeliveryEvent) -> None:
        """One event after the other: what doing an action brings about waits until its event is dealt with."""
        self._events.append(event)
        if len(self._events) > 1:  # called from within `_do`: the call under way deals with it
            return
        try:
            while self._events:
                self.delivery, actions = step(self.delivery, self._events[0])
                for action in actions:
                    self._do(action)
                self._events.popleft()
        finally:
            self._events.clear()  # what failed here ends the service; its last words start from nothing

    def _do(self, action: ask.Action) -> None:
        match action:
            case ask.Publish() if self.client is not None:  # else it stays open, for the next session
                self.client.publish(action, self._clock.now().timestamp())
            case ask.Read():
                self._wanted = action
            case ask.Rewind():
                self._wanted = None
                if self.feed is not None:
                    self.feed.rewind(action.seq, action.place)
            case ask.Report():
                self._report(action.event, dict(action.details))
            case ask.Subscribe() if self.client is not None:
                self._subscribed = True
                self.client.subscribe()
            case ask.Repeat():
                self.tell(ask.Aside, self.compose(action.source)[:1])
            case ask.Connect():
                self._connect()
            case ask.Drop():
                self.drop()

    def _connect(self) -> None:
        """A new client. Certificates are exchanged while the service runs: a missing file must not end it."""
        self.drop()
        self.generation += 1
        clean = self.delivery.boot <= 1 and not self._subscribed  # what was kept for an earlier store goes
        try:
            self.client = self._new_client(self.generation, self.delivery.store, clean)
        except ConfigError as error:
            if isinstance(self._events[0], ask.StartDelivery):  # somebody is there who reads the error
                raise
            self.tell(ask.Unreachable, str(error))

"""The MQTT session: a reader of the journal whose durable position moves on PUBACK alone.

The client's thread only puts events into the service's mailbox; everything else happens in the service loop.
The client never holds more than a small window of messages, so that what is undelivered is always derived
from the journal, in order, whatever dies.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import msgspec

from edgeagent.codec.configuration.settings import Mqtt
from edgeagent.codec.records.record import Place, Record
from edgeagent.errors import ConfigError, JournalWriteError
from edgeagent.model import Disposition
from edgeagent.rules.lamp import Lamp, acknowledged, shown, with_fault
from edgeagent.rules.outbox import Outgoing, messages
from edgeagent.service.client import MqttClient, MqttEvent
from edgeagent.store.clock import Clock
from edgeagent.store.files import make_folder, write_synced
from edgeagent.store.journal import JournalReader
from edgeagent.store.state import State

WINDOW = 16
"""Messages of records and lamp with paho at a time, at the most; brokers commonly allow 20 in flight."""
_SELFTEST_S = 5.0
_ACK_S = 15.0
_PAUSE_MAX_S = 10
_REFUSED_PAUSE_S = 30.0
_REFUSED = "mqtt-refused"
_BEHIND = "catching-up"
_STABLE_S = 10.0
_STEP = 64
_LAST_WORDS_S = 3.0


@dataclass(slots=True)
class _Entry:
    """One journal record on its way: its messages' ids that are not acknowledged yet."""

    record: Record
    place: Place
    open: set[int] = field(default_factory=set)
    sent: bool = False
    shows: Disposition | None = None


class Publisher:
    """Owns the MQTT client, the lamp and the delivery position. Used from the service loop only.

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
        self._settings, self._prefix, self._base = settings, prefix, base
        self._state_path, self._clock = state_path, clock
        self._live_s, self._latches = live_s, latches
        self._post, self._report = post, report
        self._generation = 0
        self._client: MqttClient | None = None
        self._reader: JournalReader | None = None
        self._entries: deque[_Entry] = deque()
        self._cursor: Place | None = None
        self._end = 0
        self._lamp_mids: set[int] = set()
        self._side_mids: set[int] = set()
        self._names: dict[int, str] = {}
        self._connected = False
        self._selftest_due: float | None = None
        self._last_traffic = 0.0
        self._last_sent = 0.0
        self._position = 0
        self._saved: State | None = None
        self._retained: Outgoing | None = None
        self._counter = 0
        self._connect_at: float | None = None
        self._connected_at = 0.0
        self._pause = 0.0
        self.boot = 0
        self.lamp = Lamp()
        self.ready = False
        self.refused: str | None = None
        self._refused_at = 0
        self._decided = self._behind_to = 0
        self._told: set[str] = set()
        self._answered: set[int] = set()
        self._counter_at_ready = 0
        self._unreachable: str | None = None

    @property
    def position(self) -> int:
        """Number of the last record whose messages are all acknowledged by the broker."""
        return self._position

    @property
    def connected(self) -> bool:
        """Whether the broker answered and has been heard lately."""
        return self._connected

    def undelivered(self) -> int:
        """Records behind the position."""
        return self._end - self._position

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
        ``answered`` are rejects behind the position that the line has acknowledged: sent again, they do not
        latch again. Raises ConfigError for certificates or passwords that cannot be read.
        """
        self._reader, self.boot, self._cursor = reader, boot, cursor
        self._position, self._retained = state.position, self._messages(last)[0] if last else None
        self.lamp = Lamp(state.base, frozenset(state.latched))
        self._answered = set(answered)
        self._saved = state
        self._connect()

    def appended(self, seq: int, decided: int) -> None:
        """The journal has grown to record ``seq``; ``decided`` is its newest disposition, 0 for none."""
        self._end, self._decided = seq, decided

    def set_fault(self, name: str, present: bool) -> None:
        """Set or clear a fault by name and show it."""
        before = self.lamp.value
        self.lamp = with_fault(self.lamp, name, present)
        if self.lamp.value != before:
            self._show()

    def acknowledge(self, seq: int) -> None:
        """The line acknowledged a disposition: release its latch."""
        before = self.lamp.value
        if seq in self.lamp.latched and seq > self._position:
            self._answered.add(seq)
        self.lamp = acknowledged(self.lamp, seq)
        if self.lamp.value != before:
            self._show()

    def heartbeat(self) -> None:
        """Count once more on the heartbeat topic; called by the loop that does the work."""
        self._counter += 1
        if self._connected:
            self._send("heartbeat", str(self._counter).encode(), retain=False, into=self._side_mids)

    def pump(self) -> None:
        """Hand the next records to paho while the window has room, and watch the session's health."""
        now = self._clock.monotonic()
        self._supervise(now)
        if not self.ready:
            return
        while self._in_flight() < WINDOW:
            entry = next((e for e in self._entries if not e.sent), None)
            if entry is None:
                if self._entries or not self._read_more():
                    break
                continue
            self._send_entry(entry)
        self._end_catching_up()
        self._settle_position()
        self._absolve()

    def handle(self, event: MqttEvent) -> tuple[int, str] | None:
        """Take one event of paho's thread.

        Returns (seq, who) of an acknowledgement that the line sent, for the journal; else None.
        """
        if event.client != self._generation:
            return None
        self._last_traffic = self._clock.monotonic()
        if event.what == "connect":
            self._on_connect(event)
        elif event.what == "disconnect":
            self._on_disconnect(event.words)
        elif event.what == "acked":
            self._on_acked(event)
        elif event.what == "failed":
            self._report("mqtt-callback-failed", {"reason": event.words})
        elif event.what == "unreachable":
            self._on_unreachable(event.words)
        elif event.topic == self._topic("acknowledge") and not event.retained:
            return _acknowledgement(event.payload), event.who or "line"
        elif event.topic == self._topic("lamp") and not event.retained:
            self._selftest_seen(event.payload)
        return None

    def save(self, end: int, head: str) -> None:
        """Make position, lamp and the journal's end durable when they changed. Raises JournalWriteError."""
        state = State(self._position, self.lamp.base, tuple(sorted(self.lamp.latched)), end, head)
        if state == self._saved:
            return
        try:
            make_folder(self._state_path.parent)
            write_synced(self._state_path, msgspec.json.encode(state))
        except OSError as error:
            raise JournalWriteError(f"{self._state_path}: {error}") from error
        self._saved = state

    def stop(self, *, fault: bool, drain: Callable[[float], None]) -> None:
        """Show fault on the lamp (a stopped agent watches nothing) and disconnect.

        ``drain`` handles events for so many seconds, so that the last acknowledgements arrive. With
        ``fault`` the connection is dropped so that the broker publishes the will as well; where delivery never
        began, a connection is made for that alone: a lamp retained from before must not stay clear.
        """
        if fault and self._reader is None:
            self._connect_for_fault(drain)
        client = self._client
        if client is None:
            return
        if self._connected:
            self.lamp = with_fault(self.lamp, "stopped", True)
            self._show()
            until = self._clock.monotonic() + 1.0
            while self._lamp_mids and self._clock.monotonic() < until:
                drain(0.05)
        self._generation += 1
        client.close(polite=not fault)
        self._client = None

    def _connect_for_fault(self, drain: Callable[[float], None]) -> None:
        """Try for a few seconds; the exit must not wait long for a broker that is not there."""
        try:
            self._connect()
        except ConfigError as error:
            self._report("connection-failed", {"url": self._settings.url, "reason": str(error)})
            return
        until = self._clock.monotonic() + _LAST_WORDS_S
        while self._client is not None and not self._connected and self._clock.monotonic() < until:
            drain(0.05)

    def _topic(self, name: str) -> str:
        return f"{self._prefix}/{name}"

    def _in_flight(self) -> int:
        return sum(len(e.open) for e in self._entries) + len(self._lamp_mids)

    def _connect(self) -> None:
        """A new client; the old one, if any, is dropped with everything in it."""
        self._drop()
        self._last_traffic = self._clock.monotonic()
        self._connect_at = None
        self._client = MqttClient(
            self._settings, self._prefix, self._base, self._generation, self._post, window=WINDOW + 4
        )

    def _reconnect(self) -> None:
        """A new client; certificates or a password that cannot be read now may be there at the next attempt.

        They are exchanged while the service runs, and a file that is missing for a moment must not end it.
        """
        try:
            self._connect()
        except ConfigError as error:
            self._on_unreachable(str(error))

    def _longer_pause(self) -> float:
        self._pause = min(max(2 * self._pause, 0.5), _PAUSE_MAX_S)
        return self._pause

    def _lost(self) -> None:
        """Forget everything that was with the old session: it will be sent again."""
        self._connected = self.ready = False
        self._selftest_due = None
        self._lamp_mids.clear()
        self._side_mids.clear()
        self._names.clear()
        for entry in self._entries:
            entry.open.clear()
            entry.sent = False
            entry.shows = None

    def _supervise(self, now: float) -> None:
        """Judge the session by traffic, not by what paho believes; replace a client that is dead."""
        if self._connect_at is not None:
            if now >= self._connect_at:
                self._reconnect()
            return
        if not self._connected:
            return
        if self._selftest_due is not None and now > self._selftest_due:
            self._selftest_due = None
            self._refuse("the agent's own lamp message does not come back: subscription or topic refused")
        waits = self._in_flight() + len(self._side_mids)
        silent = now - self._last_traffic
        if waits and silent > max(_ACK_S, 3 * self._settings.keep_alive_s):
            self._report("mqtt-silent", {"seconds": round(silent, 1)})
            self._reconnect()

    def _connect_later(self, pause: float) -> None:
        """Drop the client, with all that it still holds, and make a new one after a pause."""
        self._drop()
        self._connect_at = self._clock.monotonic() + pause

    def _drop(self) -> None:
        client, self._client = self._client, None
        self._generation += 1
        self._lost()
        if client is not None:
            client.close(polite=True)

    def _on_connect(self, event: MqttEvent) -> None:
        if event.reason >= 0x80 or (self._settings.version != "5" and event.reason != 0):
            if self.refused != event.words:
                self._report("connection-refused", {"reason": event.words})
            self.refused = event.words
            return
        self._lost()
        self._connected = True
        self._unreachable = None
        self._connected_at = self._clock.monotonic()
        if _REFUSED not in self.lamp.faults:
            self.refused = None
        self._report("mqtt-connected", {"url": self._settings.url})
        assert self._client is not None
        self._client.subscribe((self._topic("lamp"), self._topic("acknowledge")))
        self._selftest_due = self._clock.monotonic() + _SELFTEST_S
        # Among what is undelivered there can be a reject, even one that showed before: never clear over it.
        self._behind_to = self._decided
        self.lamp = with_fault(self.lamp, _BEHIND, self._decided > self._position)
        self._show()

    def _on_disconnect(self, words: str) -> None:
        """A new client at once, or after a growing pause when connections do not last.

        Never paho's own reconnection: it would repeat what it still holds, old lamp values among it.
        """
        if self._connected:
            self._report("mqtt-disconnected", {"reason": words})
        lasted = self._connected and self._clock.monotonic() - self._connected_at > _STABLE_S
        if lasted:
            self._pause = 0.0
        self._connect_later(0.0 if lasted else self._longer_pause())

    def _on_unreachable(self, words: str) -> None:
        """No connection came about: tell the reason once, and try again later with files read anew."""
        if self._unreachable != words:
            self._report("connection-failed", {"url": self._settings.url, "reason": words})
        self._unreachable = words
        self._connect_later(self._longer_pause())

    def _selftest_seen(self, payload: bytes) -> None:
        if self._selftest_due is None or payload != str(self.lamp.value).encode():
            return
        self._selftest_due = None
        self.ready, self._counter_at_ready = True, self._counter
        if self._retained is not None:
            self._publish_outgoing(self._retained, self._side_mids)
        self._report("ready", {"lamp": self.lamp.value, "undelivered": self.undelivered()})

    def _on_acked(self, event: MqttEvent) -> None:
        name = self._names.pop(event.mid, "")
        if event.reason >= 0x80:
            self._refuse(f"the broker refused a message on {self._topic(name)}: {event.words}")
            return
        self._lamp_mids.discard(event.mid)
        self._side_mids.discard(event.mid)
        for entry in self._entries:
            if event.mid in entry.open:
                entry.open.discard(event.mid)
                break
        self._settle_position()

    def _refuse(self, words: str) -> None:
        """A refusal is an alarm and a fault, never a success; delivery rests until the next connection."""
        first = words not in self._told
        self._told.add(words)
        self.refused, self.ready = words, False
        self._refused_at = self._end
        self.set_fault(_REFUSED, True)
        self._connect_at = self._clock.monotonic() + _REFUSED_PAUSE_S
        if first:
            self._report("publish-refused", {"reason": words})

    def _absolve(self) -> None:
        """End the fault once the broker took what it refused before: a new connection alone proves nothing.

        Everything that waited at the refusal must be acknowledged, and a heartbeat after the self-test.
        """
        if _REFUSED not in self.lamp.faults or not self.ready or self._side_mids:
            return
        if self._position >= self._refused_at and self._counter > self._counter_at_ready:
            self.refused = None
            self._told.clear()
            self.set_fault(_REFUSED, False)

    def _end_catching_up(self) -> None:
        """Let the lamp speak once the dispositions that were undelivered at the connection have been sent."""
        if _BEHIND in self.lamp.faults:
            sent = max((e.record.seq for e in self._entries if e.sent), default=self._position)
            if sent >= self._behind_to:
                self.set_fault(_BEHIND, False)

    def tell_now(self, record: Record) -> None:
        """Publish a record's messages at once, beside the ordered delivery, which repeats them later."""
        for outgoing in self._messages(record):
            self._publish_outgoing(outgoing, self._side_mids)

    def _messages(self, record: Record) -> tuple[Outgoing, ...]:
        stamp = {"boot": self.boot, "seq": record.seq, "head": record.hash, "time": record.time}
        now = self._clock.now().timestamp()
        return messages(record.kind, record.body, stamp, now=now, live_s=self._live_s)

    def _settle_position(self) -> None:
        while self._entries and self._entries[0].sent and not self._entries[0].open:
            self._position = self._entries.popleft().record.seq
            self._answered.discard(self._position)

    def _read_more(self) -> bool:
        """Read the next records from the journal; False when there are none."""
        seen = self._entries[-1].record.seq if self._entries else self._position
        if self._reader is None or seen >= self._end:
            return False
        found = self._reader.read_from(self._cursor, _STEP)
        for record, place in found:
            self._cursor = place
            if record.seq > seen:
                self._entries.append(_Entry(record, place))
        return bool(found)

    def _send_entry(self, entry: _Entry) -> None:
        record = entry.record
        for outgoing in self._messages(record):
            if outgoing.shows is not None:
                self.lamp = shown(self.lamp, outgoing.shows, record.seq, latches=self._latches)
                if record.seq in self._answered:
                    self.lamp = acknowledged(self.lamp, record.seq)
                self._show()
            if outgoing.topic == "disposition":
                self._retained = outgoing
            self._publish_outgoing(outgoing, entry.open)
        entry.sent = True

    def _publish_outgoing(self, outgoing: Outgoing, into: set[int]) -> None:
        self._send(outgoing.topic, msgspec.json.encode(outgoing.payload), retain=outgoing.retain, into=into)

    def _show(self) -> None:
        """Publish the lamp as it is now."""
        if self._connected:
            self._send("lamp", str(self.lamp.value).encode(), retain=True, into=self._lamp_mids)

    def _send(self, topic: str, payload: bytes, *, retain: bool, into: set[int]) -> None:
        if self._client is None or not self._connected:
            return
        mid = self._client.publish(self._topic(topic), payload, retain=retain)
        self._names[mid] = topic
        into.add(mid)


def _acknowledgement(payload: bytes) -> int:
    """The record number that the line acknowledges: plain digits; anything else is 0, which matches nothing."""
    text = payload[:64].decode("utf-8", errors="replace").strip()
    return int(text) if text.isascii() and text.isdigit() and len(text) < 16 else 0

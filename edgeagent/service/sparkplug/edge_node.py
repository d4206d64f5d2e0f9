"""The edge node's I/O: events go into the pure machine, and what it asks for is done.

What to do is decided in ``rules.sparkplug.node``. Owned by the service loop; whatever goes wrong in here ends
the session, is reported and tried again a minute later.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from edgeagent.codec.configuration.settings import Mqtt
from edgeagent.codec.records.record import Place, Record
from edgeagent.codec.sparkplug.payload import decode_payload, encode_payload
from edgeagent.errors import ConfigError, JournalCorruptError
from edgeagent.model.records import Measurement
from edgeagent.model.sparkplug import Metric
from edgeagent.rules.sparkplug import node_state as say
from edgeagent.rules.sparkplug.node import death, step
from edgeagent.rules.sparkplug.node_values import with_basics
from edgeagent.rules.sparkplug.record_metrics import metrics_of
from edgeagent.rules.sparkplug.topics import Names, topic_id
from edgeagent.service.sparkplug.sparkplug_client import SessionEvent, SparkplugClient, Will
from edgeagent.store.clock import Clock
from edgeagent.store.journal import JournalReader
from edgeagent.store.sparkplug_state import Reached, SparkplugState, read_sparkplug_state, write_sparkplug_state

_EVENTS_MAX = 2000
"""Messages beyond these are dropped until the loop has caught up: a flood of commands fills no memory."""
_STEP = 256
"""Journal records folded at once: some milliseconds."""
_SAVE_S = 5.0
"""Seconds between two saved states; what was sent since is sent again, as history, after a kill."""
_REST_S = 60.0
"""Pause after a failure: one that comes back must not fill the log or take the loop's time."""
_NEVER = float("inf")


@dataclass(frozen=True, slots=True)
class Outside:
    """What the edge node gets from the service.

    ``wake`` rings the loop from any thread, ``report`` takes an event's name and details for the log.
    """

    settings: Mqtt
    base: Path
    state: Path
    journal: Path
    clock: Clock
    wake: Callable[[], None]
    report: Callable[[str, Mapping[str, Any]], None]


class EdgeNode:
    """Used from the service loop only: ``start`` once, ``turn`` often, ``show`` each second, ``stop`` once."""

    def __init__(self, outside: Outside, names: Names, station: str, grace_s: float) -> None:
        self._outside, self._clock = outside, outside.clock
        self._node = say.Node(names, topic_id(station), grace_s if names.host is not None else 0.0)
        self._reader = JournalReader(outside.journal)
        self._events: deque[SessionEvent] = deque()
        self._waiting: deque[say.Event] = deque()
        self._client: SparkplugClient | None = None
        self._session = 0
        self._store = ""
        self._standing: tuple[Metric, ...] = ()
        self._folders: dict[str, str] = {}
        self._acknowledged: list[int] = []
        self._saved: SparkplugState | None = None
        self._save_at = _NEVER
        self._rest_until = 0.0
        self._loaded = self._forgotten = False

    @property
    def node(self) -> say.Node:
        """The machine's state, for tests and the terminal."""
        return self._node

    @property
    def host(self) -> str | None:
        """The primary host, None where none is waited for."""
        return self._node.names.host

    def start(self, end: int, store: str, metrics: Iterable[Metric]) -> None:
        """Begin with a journal of ``end`` records whose identity is ``store``; ``metrics`` as in ``show``."""
        self._store, self._standing = store, tuple(metrics)
        self.turn(end)

    def turn(self, end: int) -> list[int]:
        """Do what is due; ``end`` is the journal's last record. Returns what the host acknowledged."""
        if self._clock.monotonic() < self._rest_until:
            # What comes meanwhile is about a session that was dropped.
            self._events.clear()
            return []
        try:
            self._work(end)
        except Exception as error:  # noqa: BLE001 - a mistake here must not end what works beside it
            self._fail(error)
        # Also after a failure: what the host acknowledged before it stays acknowledged.
        found, self._acknowledged = self._acknowledged, []
        return found

    def show(self, metrics: Iterable[Metric], lost_folders: Iterable[str]) -> None:
        """How the agent stands now, and which folders are lost."""
        gone, self._standing = set(lost_folders), tuple(metrics)
        lost = frozenset(device for device, folder in self._folders.items() if folder in gone)
        try:
            if self._loaded:
                self._take(say.Stands, self._standing, lost)
        except Exception as error:  # noqa: BLE001 - as in turn
            self._fail(error)

    def now_ms(self) -> int:
        """The wall clock as Sparkplug writes it."""
        return round(self._clock.now().timestamp() * 1000)

    def stop(self) -> None:
        """Say NDEATH, leave in order and keep the state."""
        try:
            if self._loaded:
                self._take(say.LeaveInOrder)
                self._save()
        except Exception as error:  # noqa: BLE001 - as in turn
            self._fail(error)

    def _load(self, end: int) -> None:
        found = read_sparkplug_state(self._outside.state)
        # A state beyond the journal's end is of another journal, or of one that was cut.
        if found is None or found.folded.seq > end or self._forgotten:
            if self._outside.state.exists():
                self._outside.report("sparkplug-state-lost", {"reason": "it is damaged or of another journal"})
            # Kept even then: by a bdSeq that repeats, an old NDEATH could end the new session (Sparkplug 3.0).
            bdseq = found.bdseq if found is not None else -1
            # From the end: values of ten years sent as history would drown the host.
            begin = Reached(end, self._end_place())
            found = SparkplugState(bdseq, begin, begin)
        self._folders = dict(found.folders)
        sent = say.JournalMark(found.sent.seq, found.sent.place)
        node = replace(
            self._node,
            bdseq=found.bdseq,
            sent=sent,
            read=sent,
            folded=say.JournalMark(found.folded.seq, found.folded.place),
            own={m.name: m for m in found.own},
            devices={d: {m.name: m for m in metrics} for d, metrics in found.devices.items()},
        )
        self._node = with_basics(node)
        self._loaded, self._forgotten = True, False
        self._take(say.Stands, self._standing)
        self._save_at = self._clock.monotonic() + _SAVE_S

    def _end_place(self) -> Place | None:
        segments = self._reader.segments()
        return Place(segments[-1].name, segments[-1].stat().st_size) if segments else None

    def _work(self, end: int) -> None:
        if not self._loaded:
            self._load(end)
        if self._node.phase == say.NodePhase.IDLE:
            self._take(say.Begin)
        # As many as there are now: a flood must not keep the loop in here.
        for _ in range(len(self._events)):
            self._hear(self._events.popleft())
        while self._node.folded.seq < end:
            place = self._node.folded.place
            assert place is None or isinstance(place, Place)
            entries = self._entries(self._reader.read_from(place, _STEP))
            if not entries:
                break
            self._take(say.Recorded, entries)
        self._take(say.NodeTick)
        if self._clock.monotonic() >= self._save_at:
            self._save()

    def _hear(self, event: SessionEvent) -> None:
        # A dropped client's thread may still post.
        if event.session != self._session:
            return
        match event.what:
            case "letin":
                self._take(say.LetIn)
            case "unreached":
                self._take(say.Unreached, event.words)
            case "ended":
                self._take(say.SessionEnded, event.words)
            case "subscribed":
                self._take(say.Subscribed, event.ticket, event.refused)
            case _ if event.topic == self._node.names.state_topic:
                self._take(say.StateSaid, event.topic, event.payload)
            case _:
                self._take(say.Commanded, event.topic, decode_payload(event.payload), event.retained)

    def _entries(self, found: list[tuple[Record, Place]]) -> tuple[say.JournalEntry, ...]:
        entries = []
        for record, place in found:
            at_ms = round(datetime.fromisoformat(record.time).timestamp() * 1000)
            if isinstance(record.body, Measurement):
                # Which device a lost folder takes away is known from the last file that came through it.
                self._folders[topic_id(record.body.instrument)] = record.body.source.folder
            entries.append(say.JournalEntry(record.seq, place, metrics_of(record.body, record.seq, at_ms)))
        return tuple(entries)

    def _take(self, kind: Callable[..., say.Event], *members: object) -> None:
        """Give an event to the machine and do what it asks for; what that brings about waits for its turn."""
        self._waiting.append(kind(self._clock.monotonic(), self.now_ms(), *members))
        if len(self._waiting) > 1:
            return
        while self._waiting:
            # The event stays in the queue until it is dealt with, so that calls from within only append theirs.
            self._node, actions = step(self._node, self._waiting[0])
            for action in actions:
                self._do(action)
            self._waiting.popleft()

    def _do(self, action: say.Action) -> None:
        match action:
            case say.OpenSession():
                self._connect(action.bdseq)
            case say.Leave():
                self._drop(polite=action.polite)
            case say.SubscribeTopics() if self._client is not None:
                self._client.subscribe(action.topics, action.ticket)
            case say.Send() if self._client is not None:
                self._client.publish(action.topic, encode_payload(action.payload), action.qos)
            case say.ReadJournal():
                place = action.after.place
                assert place is None or isinstance(place, Place)
                entries = self._entries(self._reader.read_from(place, action.count))
                self._take(say.Remembered, entries)
            case say.Acknowledge():
                self._acknowledged.append(action.seq)
            case say.NodeReport():
                details = {"reason": action.words} if action.words else {}
                self._outside.report(action.event, details)

    def _connect(self, bdseq: int) -> None:
        """A new client; its number is durable before the broker gets it. Certificates are read anew."""
        # The old session's NDEATH goes out before a birth of the new one can.
        self._drop(polite=True)
        self._save()
        names = self._node.names
        will = Will(names.topic("NDEATH"), encode_payload(death(bdseq)))
        client_id = f"sparkplug-{names.group}-{names.node}-{self._store[:12]}"
        outside = self._outside
        try:
            self._client = SparkplugClient(
                outside.settings, outside.base, client_id, will, self._session, self._post
            )
        except ConfigError as error:
            self._take(say.Unreached, str(error))

    def _post(self, event: SessionEvent) -> None:
        # The session's own events are never dropped: the machine would wait for one for ever.
        if event.what != "message" or len(self._events) < _EVENTS_MAX:
            self._events.append(event)
        self._outside.wake()

    def _drop(self, *, polite: bool) -> None:
        client, self._client = self._client, None
        self._session += 1
        if client is not None:
            client.close(polite=polite)

    def _save(self) -> None:
        self._save_at = self._clock.monotonic() + _SAVE_S
        node = self._node
        # Only of devices that there are: an instrument's name is free text, and each would stay for ever.
        self._folders = {d: self._folders[d] for d in node.devices if d in self._folders}
        state = SparkplugState(
            node.bdseq,
            _sent_up_to(node.sent),
            _sent_up_to(node.folded),
            tuple(node.own.values()),
            {device: tuple(values.values()) for device, values in node.devices.items()},
            dict(self._folders),
        )
        if state != self._saved:
            write_sparkplug_state(self._outside.state, state)
            self._saved = state

    def _fail(self, error: Exception) -> None:
        """Begin anew in a minute, from the last sure place, or from the journal's end if it cannot be read."""
        if isinstance(error, JournalCorruptError):
            # The place does not fit the journal: going back to it would fail every minute.
            self._loaded, self._forgotten = False, True
        self._waiting.clear()
        self._drop(polite=False)
        self._rest_until = self._clock.monotonic() + _REST_S
        node = self._node
        self._node = replace(
            node,
            phase=say.NodePhase.IDLE,
            born={},
            # What was sent and not acknowledged is sent again as history.
            read=node.sent,
            reading=False,
            open=None,
            answered=(),
            rebirth=False,
        )
        reason = f"{type(error).__name__}: {error}"[:500]
        self._outside.report("sparkplug-failed", {"reason": reason, "again_s": _REST_S})


def _sent_up_to(mark: say.JournalMark) -> Reached:
    assert mark.place is None or isinstance(mark.place, Place)
    return Reached(mark.seq, mark.place)

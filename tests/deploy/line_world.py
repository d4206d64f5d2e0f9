"""A cell on a fake clock: agents made of the delivery machine, a broker with its memory, the PLC's model.

What a plant does to them can be done here: kill, freeze, restart, a broker with an old database, links and
queues that hold messages back, a second agent below the same prefix, clocks that differ.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from plc_model import Disposition as Said
from plc_model import Inputs, PlcModel

from edgeagent.model import Disposition
from edgeagent.rules.line import delivery_state as d
from edgeagent.rules.line.delivery import initial, step
from edgeagent.rules.line.expiry import with_expiry
from edgeagent.rules.line.lamp import Lamp
from edgeagent.rules.line.outbox import Outgoing

TICK_S, LIVE_S, KEEP_ALIVE_S, STATE_S = 0.2, 20.0, 5.0, 5.0


@dataclass
class Link:
    """One client's connection: what the broker has sent it and it has not read yet."""

    client: str
    will: tuple[str, Any] | None = None
    wanted: Callable[[str], bool] = lambda _: True
    inbox: deque[tuple[float, str, Any, bool]] = field(default_factory=deque)
    delay_s: float = 0.0
    silent_since: float | None = None
    proved: bool = False
    """Whether a live state of our store came over it."""


class FakeBroker:
    """Retained messages with their expiry, sessions that keep acknowledgements, wills."""

    def __init__(self) -> None:
        self.up = True
        self.retained: dict[str, tuple[Any, float | None]] = {}
        self.links: dict[str, Link] = {}
        self.kept: dict[str, list[tuple[str, Any]]] = {}
        self.sent: list[tuple[str, Any]] = []
        """What our agent said on the topics that a queue could bring again."""

    def connect(self, now: float, link: Link) -> None:
        self.links[link.client] = link  # a client of the same id is thrown out, without its will
        for topic, (payload, ends) in self.retained.items():
            if link.wanted(topic) and (ends is None or now < ends):
                link.inbox.append((now, topic, payload, True))
        for topic, payload in self.kept.pop(link.client, []):
            link.inbox.append((now, topic, payload, False))

    def publish(
        self, now: float, topic: str, payload: Any, *, retain: bool, ends: float | None = None, who: str = ""
    ) -> None:
        if retain:
            self.retained[topic] = (payload, ends)
        if who == "ours" and topic in ("heartbeat", "disposition"):
            self.sent.append((topic, payload))
        for link in self.links.values():
            if link.wanted(topic):
                link.inbox.append((now, topic, payload, False))
        if topic == "acknowledge" and "ours" not in self.links:
            self.kept.setdefault("ours", []).append((topic, payload))

    def lose(self, now: float, link: Link, *, will: bool) -> None:
        if self.links.get(link.client) is link:
            del self.links[link.client]
            if will and link.will is not None and self.up:
                self.publish(now, *link.will, retain=True)

    def stop(self) -> None:
        self.up = False
        self.links.clear()


@dataclass(frozen=True)
class Decided:
    """A journal record: a part's disposition, or an acknowledgement with ``what`` = ack."""

    seq: int
    what: str
    serial: str
    settled_at: float


class Agent:
    """An agent's durable part and, while it runs, its process. Its wall clock is ``offset_s`` ahead."""

    def __init__(self, broker: FakeBroker, name: str, store: str, offset_s: float = 0.0) -> None:
        self.broker, self.name, self.store, self.offset_s = broker, name, store, offset_s
        self.journal: list[Decided] = []
        self.saved: tuple[int, Lamp] = (0, Lamp())
        self.boot = 0
        self.machine: d.Delivery | None = None
        self.link: Link | None = None
        self.frozen = False

    # --- its life

    def start(self, now: float) -> None:
        self.boot += 1
        self.frozen = False
        self.machine = initial(latches=True, keep_alive_s=KEEP_ALIVE_S)
        self._events: deque[d.DeliveryEvent] = deque()
        self._cursor, self._connect_at = 0, None
        self._beat_at = self._stated_at = now
        self._stated: Any = None
        self.asked = False
        position, lamp = self.saved
        later = {r.seq for r in self.journal if r.seq > position}
        answered = frozenset(int(r.serial) for r in self.journal if r.what == "ack" and int(r.serial) in later)
        delivered = [r for r in self.journal if r.seq <= position and r.what != "ack"]
        self.give(d.Appended(now, len(self.journal), self._decided()))
        last = delivered[-1] if delivered else None
        run = f"run{self.boot}"
        self.give(d.StartDelivery(now, position, None, lamp, answered, last, self.boot, self.store, run))

    def kill(self, now: float) -> None:
        self.machine = None
        if self.link is not None:
            self.broker.lose(now, self.link, will=True)
            self.link = None

    def tick(self, now: float) -> None:
        if self.machine is None:
            return
        if self.frozen:
            if self.link is not None and now - (self.link.silent_since or now) > 1.5 * KEEP_ALIVE_S:
                self.broker.lose(now, self.link, will=True)
            return
        self._hear(now)
        if now - self._beat_at >= 1.0:
            self._beat_at = now
            self.give(d.Beat(now))
        self.give(d.Tick(now))
        self._state(now)
        lamp = self.machine.lamp
        self.saved = self.machine.position, Lamp(lamp.waiting, passing=lamp.passing)

    def freeze(self, now: float) -> None:
        self.frozen = self.machine is not None
        if self.link is not None:
            self.link.silent_since = now

    def decide(self, now: float, what: str, serial: str) -> None:
        if self.machine is None or self.frozen:
            return
        record = Decided(len(self.journal) + 1, what, serial, now + self.offset_s)
        self.journal.append(record)
        messages = tuple((record.seq, m) for m in self._compose(record, now))
        self.give(d.Appended(now, record.seq, self._decided(), messages))

    def latched(self, now: float) -> bool:
        """Whether a reject waits, shown already or to be shown as soon as the broker is there."""
        position, lamp = self.saved
        later = [r for r in self.journal if r.seq > position]
        over = {r.serial for r in later if r.what == "ack"}
        shown = any(w.what == "reject" and str(w.seq) not in over for w in lamp.waiting)
        newest = {r.serial: r for r in later if r.what != "ack"}
        return shown or any(
            r.what == "reject" and str(r.seq) not in over and now + self.offset_s - r.settled_at <= LIVE_S
            for r in newest.values()
        )

    # --- the shell around the machine, as short as it can be

    def give(self, event: d.DeliveryEvent) -> None:
        self._events.append(event)
        if len(self._events) > 1:
            return
        while self._events:
            assert self.machine is not None
            self.machine, actions = step(self.machine, self._events[0])
            for action in actions:
                self._do(action, self._events[0].now)
            self._events.popleft()

    def _do(self, action: d.Action, now: float) -> None:
        if isinstance(action, d.Publish) and self.link is not None and self.machine is not None:
            ends = None if action.expires_at is None else action.expires_at - self.offset_s
            if self.broker.links.get(self.link.client) is self.link:
                said = {"retain": action.retain, "ends": ends, "who": self.name}
                self.broker.publish(now, action.topic, action.payload, **said)
                self.link.inbox.append((now, "puback", action.ticket, False))
        elif isinstance(action, d.Connect | d.Drop):
            if self.link is not None:
                self.broker.lose(now, self.link, will=False)
            self.link, self._connect_at = None, now + 0.3 if isinstance(action, d.Connect) else None
        elif isinstance(action, d.Rewind):
            self._cursor = action.seq
        elif isinstance(action, d.Read):
            found = self.journal[self._cursor : self._cursor + 4]
            self._cursor += len(found)
            entries = tuple(d.Entry(r.seq, None, self._compose(r, now), r) for r in found)
            self.give(d.RecordsRead(now, entries))
        elif isinstance(action, d.Repeat):
            self.give(d.Aside(now, self._compose(action.source, now)[:1]))

    def _compose(self, record: Any, now: float) -> tuple[Outgoing, ...]:
        if record.what == "ack":
            return ()
        assert self.machine is not None
        wall = now + self.offset_s
        payload = {"part": "P", "serial": record.serial, "disposition": record.what, "seq": record.seq}
        late = wall - record.settled_at > LIVE_S
        shows = None if late else Disposition(record.what)
        message = Outgoing("disposition", {**payload, **({"late": True} if late else {})}, True, shows)
        ends = record.settled_at + LIVE_S
        last_beat = self.machine.count_after(ends - wall)
        return with_expiry((message,), ends, last_beat=last_beat, store=self.store)

    def _decided(self) -> int:
        return max((r.seq for r in self.journal if r.what != "ack"), default=0)

    def _hear(self, now: float) -> None:
        assert self.machine is not None
        if self._connect_at is not None and now >= self._connect_at:
            self._connect_at = None
            if not self.broker.up:
                self.give(d.Unreachable(now, "refused"))
                return
            topics = ("lamp", "state", "state/request", "acknowledge")
            self.link = Link(self.name, ("lamp", b"3"), lambda topic: topic in topics)
            self.broker.connect(now, self.link)
            self.give(d.Connected(now))
        if self.link is not None and self.broker.links.get(self.link.client) is not self.link:
            self.link = None
            self.give(d.Disconnected(now, "gone"))
        while self.link is not None and self.link.inbox:
            _, topic, payload, retained = self.link.inbox.popleft()
            self._take(now, topic, payload, retained)

    def _take(self, now: float, topic: str, payload: Any, retained: bool) -> None:
        assert self.machine is not None
        if topic == "puback":
            self.give(d.Acked(now, payload))
        elif topic == "lamp" and not retained:
            self.give(d.LampSeen(now, payload))
        elif topic == "state":
            self.give(d.StateSeen(now, payload["store"], payload["run"], payload["boot"], retained))
        elif topic == "state/request":
            self.asked = True
        elif topic == "acknowledge" and self.machine.lamp.waits(payload):
            self.journal.append(Decided(len(self.journal) + 1, "ack", str(payload), now))
            self.give(d.Appended(now, len(self.journal), self._decided()))
            self.give(d.Acknowledged(now, payload))

    def _state(self, now: float) -> None:
        assert self.machine is not None
        if not self.machine.ready:
            self._stated = None
            return
        says = (self.machine.lamp.value, self.machine.lamp.waiting)
        if says != self._stated or self.asked or now - self._stated_at >= STATE_S:
            self._stated, self._stated_at, self.asked = says, now, False
            who = {"store": self.store, "run": f"run{self.boot}", "boot": self.boot}
            waiting = [w.seq for w in says[1]]
            self.give(d.Aside(now, (Outgoing("state", {**who, "lamp": says[0], "waiting": waiting}, True),)))


class Plc:
    """The model on a link that may hold messages back; one message a cycle, as a queue gives them."""

    def __init__(self, broker: FakeBroker, store: str, model: type[PlcModel]) -> None:
        self.broker, self.store, self._model = broker, store, model
        self.model = model(store)
        self.link: Link | None = None
        self.plugged, self.delay_s = True, 0.0
        self.arrived: str | None = None
        self.waiting: list[int] = []

    def drain_queue(self, now: float, count: int, back: int) -> None:
        """Messages of long ago arrive once more, as from a queue that somebody left behind."""
        if self.link is not None and self.broker.sent:
            begin = max(0, len(self.broker.sent) - back)
            for topic, payload in self.broker.sent[begin : begin + count]:
                self.link.inbox.append((now, topic, payload, False))

    def receive(self, now: float, topic: str, payload: Any, *, retained: bool = False) -> None:
        """A message that no agent of ours sent reaches the PLC, as from a bridge, a tool or a recording."""
        if self.link is not None:
            self.link.inbox.append((now, topic, payload, retained))

    def perfect_accept(self, serial: str) -> dict[str, Any]:
        """A disposition that would release the part, were it ours."""
        return {
            "part": "P",
            "serial": serial,
            "disposition": "accept",
            "seq": self.model.last_seq + 1,
            "store": self.store,
            "expires_beat": self.model.greatest + 30,
        }

    def reboot(self, now: float) -> None:
        self.unplug(now)
        self.model, self.plugged = self._model(self.store), True

    def unplug(self, now: float) -> None:
        self.plugged = False
        if self.link is not None:
            self.broker.lose(now, self.link, will=False)
            self.link = None

    def cycle(self, now: float) -> None:
        if self.link is not None and self.broker.links.get(self.link.client) is not self.link:
            self.link = None  # and one cycle without a connection, which the blocks must see
        elif self.link is None and self.plugged and self.broker.up:
            self.link = Link("plc", None, lambda t: t in ("lamp", "state", "heartbeat", "disposition"))
            self.broker.connect(now, self.link)
            self.broker.publish(now, "state/request", b"", retain=False)
        given = Inputs(connected=self.link is not None, part_arrived=self.arrived)
        self.arrived = None
        self.model.cycle(now, given)
        while self.link is not None and self.link.inbox and self.link.inbox[0][0] + self.delay_s <= now:
            _, topic, payload, retained = self.link.inbox.popleft()
            self.model.cycle(now, self._input(topic, payload, retained))

    def _input(self, topic: str, payload: Any, retained: bool) -> Inputs:
        if topic == "lamp":
            return Inputs(lamp=int(payload))
        if topic == "heartbeat":
            return Inputs(heartbeat=(retained, int(payload)))
        if topic == "state":
            if payload["store"] == self.store and not retained:
                self.waiting = list(payload["waiting"])
                if self.link is not None:
                    self.link.proved = True
            return Inputs(state=(retained, payload["store"], payload["lamp"]))
        said = Said(
            retained=retained,
            late=payload.get("late", False),
            seq=payload["seq"],
            store=payload["store"],
            expires_beat=payload.get("expires_beat", 0),
            serial=payload["serial"],
            accepted=payload["disposition"] == "accept",
        )
        return Inputs(disposition=said)


@dataclass
class World:
    """All of it, and what must hold at every moment."""

    now: float = 1000.0
    offset_s: float = 0.0
    released: int = 0
    cleared_s: float = 0.0
    unwatched_s: float = 0.0
    moments: int = 0
    model: type[PlcModel] = PlcModel

    def __post_init__(self) -> None:
        self.broker = FakeBroker()
        self.ours = Agent(self.broker, "ours", "ab" * 32, self.offset_s)
        self.other = Agent(self.broker, "other", "cd" * 32)
        self.plc = Plc(self.broker, "ab" * 32, self.model)
        self.database = dict(self.broker.retained)
        self.greatest_delay_s = 0.0
        self._was_released, self._clear_over_reject_s, self._alone_s = False, 0.0, 0.0
        self.ours.start(self.now)

    def run(self, seconds: float) -> None:
        for _ in range(max(1, round(seconds / TICK_S))):
            self.now += TICK_S
            self.greatest_delay_s = max(self.greatest_delay_s, self.plc.delay_s)
            for agent in (self.ours, self.other):
                agent.tick(self.now)
            self.plc.cycle(self.now)
            self.check()

    def check(self) -> None:
        self.moments += 1
        model = self.plc.model
        if model.released and not self._was_released:
            self.released += 1
            self._check_release(model.serial)
        self._was_released = model.released
        over = model.shown == "Clear" and self.ours.latched(self.now)
        self._clear_over_reject_s = self._clear_over_reject_s + TICK_S if over else 0.0
        self.cleared_s = max(self.cleared_s, self._clear_over_reject_s)
        allowed = model.stale_s + self.greatest_delay_s + 2 * TICK_S
        assert self._clear_over_reject_s <= allowed, "clear stands over a latched reject"
        self._check_watched(model.shown != "Fault", allowed + 1.0)

    def _check_watched(self, watched: bool, allowed: float) -> None:
        """What the documents promise of every output but fault."""
        ours, link = self.ours, self.plc.link
        works = ours.machine is not None and not ours.frozen and ours.link is not None and self.broker.up
        self._alone_s = 0.0 if works else self._alone_s + TICK_S
        self.unwatched_s = max(self.unwatched_s, self._alone_s if watched else 0.0)
        assert not watched or link is not None, "no fault without a connection"
        assert not watched or link.proved, "no fault before a live state of our store came over this connection"
        assert not watched or self._alone_s <= allowed, "no fault though our agent does not work"

    def _check_release(self, serial: str) -> None:
        accepts = [r for r in self.ours.journal if r.what == "accept" and r.serial == serial]
        wall = self.now + self.offset_s
        slack = self.greatest_delay_s + 2.0  # heartbeats come by the same link, one a second
        assert any(wall - r.settled_at <= LIVE_S + slack for r in accepts), (
            f"{serial} released without an accept"
        )

    def restart_broker(self, *, old_database: bool) -> None:
        if self.broker.up:
            self.broker.stop()
        if old_database:
            self.broker.retained = dict(self.database)
        self.broker.up = True

    def keep_database(self) -> None:
        self.database = dict(self.broker.retained)

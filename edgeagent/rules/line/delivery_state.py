"""What the delivery machine knows, what can happen to it, and what it asks for: values only.

Times are monotonic seconds. A message is known by its *ticket*, which the machine counts; the client's own
packet identifiers never come in here. Events and actions are structs, which are made without generating code as
dataclasses are: thirty of those take a tenth of the agent's start.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import Enum
from typing import Any

import msgspec

from edgeagent.rules.line.lamp import Lamp
from edgeagent.rules.line.outbox import Outgoing

STARTING = "starting"
"""Fault until the latches are known: nothing but fault may be shown before."""
BEATS_PER_BOOT = 10**8
"""Three years of beats: the next start's are greater than all of this one's."""


class Phase(Enum):
    """Where delivery stands. PROVING, DELIVERING, RESTING and STOPPING have a connection."""

    IDLE = "idle"
    PAUSING = "pausing"
    CONNECTING = "connecting"
    PROVING = "proving"
    DELIVERING = "delivering"
    RESTING = "resting"
    STOPPING = "stopping"
    STOPPED = "stopped"


CONNECTED = frozenset({Phase.PROVING, Phase.DELIVERING, Phase.RESTING, Phase.STOPPING})


class Entry(msgspec.Struct, frozen=True):
    """A journal record on its way, or a run of records without messages that ends with record ``seq``.

    ``place`` is where it ends in the journal and ``source`` the record, handed back by Rewind and Repeat and
    otherwise not looked at.
    """

    seq: int
    place: object
    outgoing: tuple[Outgoing, ...] = ()
    source: object = None


class Unacknowledged(msgspec.Struct, frozen=True):
    """A message that the broker has not acknowledged; ``seq`` is its record's number, 0 for all others."""

    ticket: int
    topic: str
    seq: int
    since: float


@dataclass(frozen=True, slots=True)
class Delivery:
    """The machine's whole memory.

    ``due`` is when the phase runs out. ``sent`` are records whose messages are with the broker, ``sent_to`` the
    last of them, ``position`` the last one acknowledged whole and ``settled`` its place. ``shown`` is the digit
    last handed over in this session, ``overwritten`` says that somebody wrote over it, and ``awaited`` are
    those whose echo has not come back. ``retained`` is the record of the last disposition that was
    acknowledged, published again on each connection. ``marks`` are (record, time): up to this record the
    journal had grown by then. ``answered`` are records behind the position that the line acknowledged: sent
    again, they do not wait again. ``store`` is the identity of the journal, the hash of its first record,
    ``run`` that of the process, and ``stated`` says whether it published its state. ``before`` is the store
    whose agent spoke below our prefix before this session, empty where that was ours or nobody. A heartbeat
    goes out every ``beat_s``.
    """

    latches: bool
    acknowledged_within_s: float
    phase: Phase = Phase.IDLE
    due: float = 0.0
    beat_s: float = 1.0
    lamp: Lamp = field(default_factory=lambda: Lamp(faults=frozenset({STARTING})))
    shown: int | None = None
    shown_at: float = 0.0
    overwritten: bool = False
    awaited: tuple[int, ...] = ()
    foreign_at: float | None = None
    end: int = 0
    decided: int = 0
    position: int = 0
    settled: object = None
    sent_to: int = 0
    behind_to: int = 0
    sent: tuple[Entry, ...] = ()
    open: tuple[Unacknowledged, ...] = ()
    reading: bool = False
    retained: object = None
    answered: frozenset[int] = frozenset()
    marks: tuple[tuple[int, float], ...] = ()
    ticket: int = 0
    boot: int = 0
    store: str = ""
    run: str = ""
    stated: bool = False
    before: str = ""
    beat: int = 0
    beat_at_ready: int = 0
    pause_s: float = 0.0
    connected_at: float = 0.0
    heard_at: float = 0.0
    refused: str | None = None
    refused_at: int = 0
    refusals: frozenset[str] = frozenset()
    unreachable: str | None = None

    @property
    def connected(self) -> bool:
        """Whether the broker let us in and the session still stands."""
        return self.phase in CONNECTED

    @property
    def ready(self) -> bool:
        """Whether our own lamp message came back, and nothing was refused since."""
        return self.phase is Phase.DELIVERING

    @property
    def undelivered(self) -> int:
        """Records behind the position."""
        return self.end - self.position

    def awaits(self, topic: str) -> bool:
        """Whether a message on a topic has no answer yet."""
        return any(message.topic == topic for message in self.open)

    @property
    def unfinished(self) -> bool:
        """Whether something is undelivered and on its way."""
        return self.ready and self.undelivered > 0

    @property
    def next_attempt(self) -> float:
        """Monotonic time at which a pause between connections is over; infinite while there is none."""
        return self.due if self.phase is Phase.PAUSING else math.inf

    @property
    def count(self) -> int:
        """The newest heartbeat's count: it grows over all starts."""
        return self.boot * BEATS_PER_BOOT + self.beat

    def count_after(self, seconds: float) -> int:
        """The last count that comes within so many seconds from now."""
        return self.count + math.floor(seconds / self.beat_s)


# --- events: what can happen ---------------------------------------------------------------------------------


class DeliveryEvent(msgspec.Struct, frozen=True):
    """Base of all events; ``now`` is when it is handled."""

    now: float


class StartDelivery(DeliveryEvent, frozen=True):
    """The journal is open and folded: deliver what lies behind ``position``."""

    position: int
    settled: object
    lamp: Lamp
    answered: frozenset[int]
    retained: object
    boot: int = 0
    store: str = ""
    run: str = ""


class LastWords(DeliveryEvent, frozen=True):
    """The agent ends before delivery began: connect for nothing but to show fault."""


class Tick(DeliveryEvent, frozen=True):
    """Time has passed."""


class Connected(DeliveryEvent, frozen=True):
    """CONNACK with success."""


class NotLetIn(DeliveryEvent, frozen=True):
    """CONNACK with a refusal, in the broker's words."""

    words: str


class Unreachable(DeliveryEvent, frozen=True):
    """No connection came about."""

    words: str


class Disconnected(DeliveryEvent, frozen=True):
    """The connection is gone; ``taken_over`` when another client came with our client id."""

    words: str
    taken_over: bool = False


class Acked(DeliveryEvent, frozen=True):
    """PUBACK of the message with this ticket; ``refusal`` is topic and reason when it was not taken."""

    ticket: int
    refusal: str | None = None


class LampSeen(DeliveryEvent, frozen=True):
    """A message on the lamp's topic that was not retained: our own echo, or a foreign one."""

    payload: bytes


class StateSeen(DeliveryEvent, frozen=True):
    """A message on the state's topic: ours, an agent's with another store, or a copy's of our store.

    ``run`` is drawn anew at each start of a process; ``retained`` as the broker kept it for our connection.
    """

    store: str
    run: str
    boot: int
    retained: bool


class SignOfLife(DeliveryEvent, frozen=True):
    """Any other message of the broker: a sign of life."""


class Appended(DeliveryEvent, frozen=True):
    """The journal has grown to record ``end``; ``decided`` is its newest disposition.

    ``messages`` are the new records' with their numbers: the lamp takes them before any of them waits its turn.
    """

    end: int
    decided: int
    messages: tuple[tuple[int, Outgoing], ...] = ()


class RecordsRead(DeliveryEvent, frozen=True):
    """The records that Read asked for; empty when none could be had."""

    entries: tuple[Entry, ...]


class Aside(DeliveryEvent, frozen=True):
    """Messages to publish at once, beside the ordered delivery, which repeats them later."""

    outgoing: tuple[Outgoing, ...]


class Fault(DeliveryEvent, frozen=True):
    """A fault by name begins or ends."""

    name: str
    present: bool


class Holding(DeliveryEvent, frozen=True):
    """Something that holds the lamp, other than a record, begins or ends."""

    name: str
    present: bool


class Acknowledged(DeliveryEvent, frozen=True):
    """The line acknowledged record ``seq``; that is on record."""

    seq: int


class Beat(DeliveryEvent, frozen=True):
    """The loop that does the work has come round once more."""


class StopDelivery(DeliveryEvent, frozen=True):
    """Show fault, since a stopped agent watches nothing, and come to an end."""


# --- actions: what is to be done -----------------------------------------------------------------------------


class Connect(msgspec.Struct, frozen=True):
    """Throw the client away with all that it holds, and begin a new one."""


class Drop(msgspec.Struct, frozen=True):
    """Throw the client away with all that it holds."""


class Subscribe(msgspec.Struct, frozen=True):
    """Subscribe to what comes in."""


class Rewind(msgspec.Struct, frozen=True):
    """The next Read begins with the first record after number ``seq``, whose place is given where known."""

    seq: int
    place: object


class Read(msgspec.Struct, frozen=True):
    """Read the next records; their messages together are at most ``room``, or one record's."""

    room: int


class Publish(msgspec.Struct, frozen=True):
    """Hand one message to the client; at QoS 0 nothing is heard of it again. ``expires_at`` is POSIX time."""

    ticket: int
    topic: str
    payload: Mapping[str, Any] | bytes
    retain: bool
    qos: int = 1
    expires_at: float | None = None


class Report(msgspec.Struct, frozen=True):
    """Say something in the log."""

    event: str
    details: Mapping[str, Any]


class Repeat(msgspec.Struct, frozen=True):
    """Publish once more, beside the ordered delivery, the first message of this record as it reads now."""

    source: object


Action = Connect | Drop | Subscribe | Rewind | Read | Publish | Report | Repeat

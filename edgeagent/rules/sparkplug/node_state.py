"""What the edge node knows, what happens to it, and what it asks for; `node` says what follows from what."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from edgeagent.model.sparkplug import Metric, Payload
from edgeagent.rules.sparkplug.host import HostState
from edgeagent.rules.sparkplug.record_metrics import Found
from edgeagent.rules.sparkplug.topics import Names

Metrics = Mapping[str, Metric]


class NodePhase(StrEnum):
    """Where a session stands. In ``WAITING`` it is subscribed, and the primary host is not there."""

    IDLE = "idle"
    PAUSING = "pausing"
    CONNECTING = "connecting"
    SUBSCRIBING = "subscribing"
    WAITING = "waiting"
    BORN = "born"


@dataclass(frozen=True, slots=True)
class JournalMark:
    """A place in the journal up to which all was published; ``place`` is where its reader goes on."""

    seq: int
    place: object = None


@dataclass(frozen=True, slots=True)
class Node:
    """The edge node's whole state.

    ``bdseq`` is the number of the last CONNECT (-1: none yet), ``used`` whether that packet went out.
    ``seq`` is the number of the next message. ``devices`` are the present values by device id and metric,
    ``born`` the names that the last birth messages carried. Records up to ``folded`` are in these values; up
    to ``sent`` they need never be sent again; up to ``read`` they were sent in this session; up to ``history``
    they go out as historical, which ``stalled`` says to wait for a device whose folder is lost. ``live`` is the
    newest record that was sent, or that a birth message carries. ``open`` is the mark that a subscription asks
    the broker to answer, ``answered`` are marks with the time at which the broker had them, which wait for
    ``grace_s`` to pass.
    """

    names: Names
    station_device: str
    grace_s: float
    phase: NodePhase = NodePhase.IDLE
    due: float = 0.0
    pause_s: float = 0.0
    bdseq: int = -1
    used: bool = True
    seq: int = 0
    host: HostState = field(default_factory=HostState)
    devices: Mapping[str, Metrics] = field(default_factory=dict)
    own: Metrics = field(default_factory=dict)
    born: Mapping[str | None, frozenset[str]] = field(default_factory=dict)
    lost: frozenset[str] = frozenset()
    folded: JournalMark = JournalMark(0)
    sent: JournalMark = JournalMark(0)
    read: JournalMark = JournalMark(0)
    history: int = 0
    live: int = 0
    reading: bool = False
    stalled: bool = False
    ticket: int = 0
    open: JournalMark | None = None
    open_due: float = 0.0
    answered: tuple[tuple[JournalMark, float], ...] = ()
    rebirth: bool = False
    born_at: float = 0.0
    refused: int = 0
    trouble: str = ""


# --- what happens to it --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Event:
    """``now`` is monotonic seconds, ``now_ms`` the wall clock in milliseconds since 1970 UTC."""

    now: float
    now_ms: int


@dataclass(frozen=True, slots=True)
class Begin(Event):
    """Connect for the first time."""


@dataclass(frozen=True, slots=True)
class NodeTick(Event):
    """Time has passed."""


@dataclass(frozen=True, slots=True)
class LetIn(Event):
    """The broker has accepted the connection."""


@dataclass(frozen=True, slots=True)
class Unreached(Event):
    """No connection came about: no CONNECT packet went out."""

    words: str


@dataclass(frozen=True, slots=True)
class SessionEnded(Event):
    """The connection has ended, or the broker refused it."""

    words: str


@dataclass(frozen=True, slots=True)
class Subscribed(Event):
    """The broker has answered a subscription; ``refused`` are the topics that it denied."""

    ticket: int
    refused: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class StateSaid(Event):
    """A message on a STATE topic."""

    topic: str
    payload: bytes


@dataclass(frozen=True, slots=True)
class Commanded(Event):
    """A command: ``payload`` is None where it cannot be read."""

    topic: str
    payload: Payload | None
    retained: bool


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """One journal record: its number, the place behind it, and what it says."""

    seq: int
    place: object
    found: tuple[Found, ...]


@dataclass(frozen=True, slots=True)
class Recorded(Event):
    """The journal has grown by these records."""

    entries: tuple[JournalEntry, ...]


@dataclass(frozen=True, slots=True)
class Remembered(Event):
    """Records that were to be read again, oldest first."""

    entries: tuple[JournalEntry, ...]


@dataclass(frozen=True, slots=True)
class Stands(Event):
    """How the agent stands: the node's own metrics, and the devices whose folder is lost."""

    metrics: tuple[Metric, ...]
    lost: frozenset[str] = frozenset()


@dataclass(frozen=True, slots=True)
class LeaveInOrder(Event):
    """Leave in order."""


# --- what it asks for ----------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class OpenSession:
    """A new client whose will is the NDEATH with ``bdseq``; the number must be durable before."""

    bdseq: int


@dataclass(frozen=True, slots=True)
class SubscribeTopics:
    """Subscribe at QoS 1; the answer comes with ``ticket``."""

    topics: tuple[str, ...]
    ticket: int


@dataclass(frozen=True, slots=True)
class Send:
    """Publish, never retained."""

    topic: str
    payload: Payload
    qos: int = 0


@dataclass(frozen=True, slots=True)
class Leave:
    """End the connection: in order behind the NDEATH, or not ``polite``, so that the broker sends the will."""

    polite: bool


@dataclass(frozen=True, slots=True)
class ReadJournal:
    """Read records behind ``after``, at most ``count`` of them."""

    after: JournalMark
    count: int


@dataclass(frozen=True, slots=True)
class Acknowledge:
    """The host acknowledged record ``seq``."""

    seq: int


@dataclass(frozen=True, slots=True)
class NodeReport:
    """For the log."""

    event: str
    words: str = ""


Action = OpenSession | SubscribeTopics | Send | Leave | ReadJournal | Acknowledge | NodeReport
Result = tuple[Node, tuple[Action, ...]]

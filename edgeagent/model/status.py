"""How a running agent stands, as `state/status.json` says it to a person at another terminal and to metrics."""

from __future__ import annotations

import msgspec

SCHEMA = "edgeagent.status/1"


class ProcessMark(msgspec.Struct, frozen=True):
    """Which process something was written by, so that it is recognized later though numbers are used again.

    ``began_ticks`` is when the kernel started it, ``machine`` the kernel's own start, ``namespace`` the one in
    which ``pid`` counts: a container's 1 is not this machine's 1.
    """

    pid: int
    began_ticks: int = 0
    machine: str = ""
    namespace: str = ""
    host: str = ""


class WaitingNow(msgspec.Struct, frozen=True, omit_defaults=True):
    """A record that waits for its acknowledgement."""

    seq: int
    what: str
    part: str = ""
    serial: str = ""
    file: str = ""


class LampNow(msgspec.Struct, frozen=True):
    """What the line sees, in digit, word and sentences."""

    digit: int
    word: str
    why: tuple[str, ...]
    waiting_count: int
    waiting: tuple[WaitingNow, ...]


class GateNow(msgspec.Struct, frozen=True):
    """Whether the gate is closed, and until when (RFC 3339) it stays open if nothing comes."""

    closed: bool
    until: str | None


class QueueNow(msgspec.Struct, frozen=True):
    """What is not decided yet: files to read, files with workers, parts that lack a trace."""

    files: int
    analysing: int
    open_parts: int


class BrokerNow(msgspec.Struct, frozen=True):
    """The connection; ``ready`` is that the agent's own lamp message came back over it."""

    url: str
    connected: bool
    ready: bool
    undelivered: int


class DiskNow(msgspec.Struct, frozen=True):
    """The store's disk. ``free_share`` is the smaller one of space and file entries, from 0 to 1.

    ``grown_per_day_mb`` is the store's present rate, None until it was watched for long enough, and
    ``days_left`` what is left at that rate, None where nothing grows or the rate is not known.
    """

    free_mb: int
    free_share: float
    level: str
    grown_per_day_mb: float | None = None
    days_left: float | None = None


class PartNow(msgspec.Struct, frozen=True):
    """One of the last parts that were decided."""

    time: str
    seq: int
    part: str
    serial: str
    disposition: str
    reason: str


class OpenPartNow(msgspec.Struct, frozen=True):
    """A part that lacks traces of its recipe, or was measured again; ``since`` it waits (RFC 3339)."""

    part: str
    serial: str
    missing: tuple[str, ...]
    since: str


class VerificationNow(msgspec.Struct, frozen=True):
    """The verification of an instrument that counts now."""

    instrument: str
    passed: bool
    measured_at: str


class AgentStatus(msgspec.Struct, frozen=True, kw_only=True):
    """All of it. ``phase`` is running or stopped.

    ``not_accepting`` says why a good part would not be accepted now; empty when it would. ``monotonic_s`` is
    the machine's clock that nobody sets, when this was written. ``since_start`` counts what happened since the
    start; ``recorded_s`` among it are the seconds from settled to on record of all measured files together.
    """

    schema: str = SCHEMA
    phase: str
    written_at: str
    monotonic_s: float
    process: ProcessMark
    started_at: str
    version: str
    store: str = ""
    boot: int = 0
    seq: int = 0
    lamp: LampNow
    not_accepting: tuple[str, ...]
    gate: GateNow | None = None
    queue: QueueNow | None = None
    broker: BrokerNow | None = None
    disk: DiskNow | None = None
    verifications: tuple[VerificationNow, ...] = ()
    last_parts: tuple[PartNow, ...] = ()
    open_parts: tuple[OpenPartNow, ...] = ()
    recipes: int = 0
    since_start: dict[str, float] = {}

"""How the agent stands, composed of what it knows: for `edgeagent status`, the terminal and metrics."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import edgeagent
from edgeagent.codec.records.record import utc_text_of
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.line_gate import line_gate
from edgeagent.judging.memory import Memory
from edgeagent.model.status import (
    AgentStatus,
    BrokerNow,
    DiskNow,
    GateNow,
    LampNow,
    OpenPartNow,
    ProcessMark,
    QueueNow,
    VerificationNow,
    WaitingNow,
)
from edgeagent.rules.line.delivery_state import Delivery
from edgeagent.rules.line.lamp import FAULT
from edgeagent.rules.line.lamp_words import lamp_reasons, lamp_word

WAITING_MAX = 50
"""At most this many of the newest are named; all of them are counted."""
OPEN_PARTS_MAX = 10
"""Parts that lack traces: at most this many of the newest are named, QueueNow counts all of them."""
_BROKER_AWAY = "the broker is not connected: the line sees a fault"
_NOT_PROVED = "the broker has not given the agent's own lamp message back yet"
_GATE = "the gate is closed: good parts are held"


@dataclass(frozen=True, slots=True)
class Writer:
    """Which process writes the status, and since when it runs (POSIX seconds)."""

    process: ProcessMark
    started_at: float


@dataclass(frozen=True, slots=True)
class Moment:
    """When a status is written: POSIX seconds, and the machine's clock that nobody sets."""

    wall: float
    monotonic_s: float


def agent_status(
    memory: Memory,
    configuration: Configuration,
    delivery: Delivery,
    *,
    writer: Writer,
    moment: Moment,
    seq: int,
    queue: QueueNow,
    disk: DiskNow | None,
    counts: Mapping[str, float],
) -> AgentStatus:
    """The status of an agent that has opened its journal."""
    gate = line_gate(memory, configuration, moment.wall)
    mqtt = configuration.settings.mqtt
    broker = BrokerNow(
        mqtt.url if mqtt is not None else "", delivery.connected, delivery.ready, delivery.undelivered
    )
    verified = tuple(
        VerificationNow(name, v.passed, utc_text_of(v.measured_at))
        for name, v in sorted(memory.verified.items())
    )
    return AgentStatus(
        phase="running",
        written_at=utc_text_of(moment.wall),
        monotonic_s=moment.monotonic_s,
        process=writer.process,
        started_at=utc_text_of(writer.started_at),
        version=edgeagent.__version__,
        store=delivery.store,
        boot=delivery.boot,
        seq=seq,
        lamp=lamp_now(delivery),
        not_accepting=reasons_against(delivery, gate),
        gate=gate,
        queue=queue,
        broker=broker,
        disk=disk,
        verifications=verified,
        last_parts=tuple(memory.last_parts),
        open_parts=_open_parts(memory),
        recipes=len(configuration.recipes),
        since_start=dict(counts),
    )


def _open_parts(memory: Memory) -> tuple[OpenPartNow, ...]:
    """The parts that began to wait last, the newest first."""
    waiting = [memory.sets[key] for key in memory.waiting_sets]
    newest = sorted(waiting, key=lambda s: (-s.since, s.part, s.serial))[:OPEN_PARTS_MAX]
    return tuple(OpenPartNow(s.part, s.serial, s.missing, utc_text_of(s.since)) for s in newest)


def stopped_status(why: str, writer: Writer, moment: Moment) -> AgentStatus:
    """The last status of an agent that ends: the line sees a fault, ``why`` it ended."""
    return AgentStatus(
        phase="stopped",
        written_at=utc_text_of(moment.wall),
        monotonic_s=moment.monotonic_s,
        process=writer.process,
        started_at=utc_text_of(writer.started_at),
        version=edgeagent.__version__,
        lamp=LampNow(FAULT, lamp_word(FAULT), (why,), 0, ()),
        not_accepting=(why,),
    )


def lamp_now(delivery: Delivery) -> LampNow:
    """What the line sees: a fault as long as the broker is away, whatever the agent would show."""
    lamp = delivery.lamp
    away = () if delivery.connected else (_BROKER_AWAY,)
    # The broker publishes the will, which says fault, as soon as it misses the agent.
    digit = lamp.value if delivery.connected else FAULT
    named = tuple(WaitingNow(w.seq, w.what, w.part, w.serial, w.file) for w in lamp.waiting[-WAITING_MAX:])
    return LampNow(digit, lamp_word(digit), (*away, *lamp_reasons(lamp)), len(lamp.waiting), named)


def reasons_against(delivery: Delivery, gate: GateNow) -> tuple[str, ...]:
    """Why the line would not see a good part accepted now; empty when it would.

    A reject or hold that waits for its acknowledgement is none: the next part is decided all the same.
    """
    # Faults come first among the lamp's reasons; what follows waits for a person and holds no next part.
    faults = lamp_reasons(delivery.lamp)[: len(delivery.lamp.faults)]
    broker = () if delivery.ready else (_NOT_PROVED if delivery.connected else _BROKER_AWAY,)
    return (*broker, *faults, *((_GATE,) if gate.closed else ()))

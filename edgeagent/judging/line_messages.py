"""What the agent publishes, composed from records and from where delivery stands; nothing is sent here."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from edgeagent.codec.records.record import Record, utc_text_of
from edgeagent.model.records import PartDisposition
from edgeagent.rules.line.delivery_state import Delivery
from edgeagent.rules.line.expiry import with_expiry
from edgeagent.rules.line.handshake import station_text
from edgeagent.rules.line.outbox import Outgoing, messages


def record_messages(record: Record, delivery: Delivery, *, now: float, live_s: float) -> tuple[Outgoing, ...]:
    """A record's messages as they read now; ``now`` is POSIX seconds, live dispositions act for ``live_s``."""
    found = messages(record.body, _stamp(record, delivery), now=now, live_s=live_s)
    if not isinstance(record.body, PartDisposition):
        return found
    ends = record.body.settled_at + live_s
    # By the heartbeat's count as well: a PLC without a clock sees by it when a disposition no longer holds.
    last_beat = delivery.count_after(ends - now)
    return with_expiry(found, ends, last_beat=last_beat, store=delivery.store)


def answer_to_line(
    topic: str, record: Record, delivery: Delivery, content: Mapping[str, Any]
) -> tuple[Outgoing, ...]:
    """An answer to what the line asked for, with the record that it rests on."""
    return (Outgoing(topic, {**_stamp(record, delivery), **content}, retain=False),)


def state_message(delivery: Delivery, content: Mapping[str, Any]) -> tuple[Outgoing, ...]:
    """How the agent stands, retained. The first members say whose it is, as another agent looks for them."""
    who = {"store": delivery.store, "run": delivery.run, "boot": delivery.boot}
    return (Outgoing("state", {**who, **content}, retain=True),)


def station_messages(
    delivery: Delivery, content: Mapping[str, Any], problem: bool, expires_at: float | None, now: float
) -> tuple[Outgoing, ...]:
    """What is known of the part at the station, retained until ``expires_at`` (POSIX s; None: for ever)."""
    beat = delivery.count_after(0.0 if expires_at is None else expires_at - now)
    who = {"store": delivery.store, "boot": delivery.boot}
    until = {} if expires_at is None else {"expires_at": utc_text_of(expires_at), "expires_beat": beat}
    text: Any = station_text(content, problem, beat)
    return (
        Outgoing("station", {**who, **content, **until}, retain=True, expires_at=expires_at),
        Outgoing("station/text", text, retain=True, expires_at=expires_at),
    )


def _stamp(record: Record, delivery: Delivery) -> dict[str, Any]:
    return {"boot": delivery.boot, "seq": record.seq, "head": record.hash, "time": record.time}

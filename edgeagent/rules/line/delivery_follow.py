"""What follows from every event of delivery: position, faults that come and go with time, and the lamp."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

from edgeagent.rules.line.delivery_state import (
    Action,
    Delivery,
    DeliveryEvent,
    Phase,
    Publish,
    Read,
    RecordsRead,
    Unacknowledged,
)
from edgeagent.rules.line.lamp import with_fault
from edgeagent.rules.line.outbox import Outgoing

Result = tuple[Delivery, tuple[Action, ...]]

WINDOW = 12
"""Messages of records and lamp under way beyond which no record is read. Brokers commonly allow 20 in flight: a
record read with one place left has up to three, and `state`, `checkpoint` and `station` are under way once
each, so that the lamp never waits for an answer to something else."""
_MESSAGES_A_RECORD = 2
"""Of a disposition, which goes out for the line and for databases."""
BEHIND_S = 5.0
"""Fault while a record waits longer than this for its messages to be acknowledged."""
FOREIGN_S = 10.0
"""Fault for so long after the last foreign message on the lamp's topic."""
ASSERT_S = 1.0
"""The lamp is put right after a foreign message at most once in this time."""
_AWAITED_MAX = 64
REFUSED, BEHIND, FOREIGN, STOPPED = "mqtt-refused", "delivery-behind", "foreign-writer", "stopped"


def follow(state: Delivery, event: DeliveryEvent, actions: tuple[Action, ...]) -> Result:
    """The state and actions of a rule, with all that follows; the lamp goes before any other message."""
    # In this order: faults depend on the position, and the lamp on the faults.
    state = _settle(state)
    state = _absolve(_clock_faults(state, event.now))
    state, lamp = _show(state, event.now)
    before = tuple(a for a in actions if not isinstance(a, Publish))
    messages = tuple(a for a in actions if isinstance(a, Publish))
    state, read = _wish_to_read(state, event)
    # Connect and subscribe before anything is published; read last, so that the lamp waits for no disk.
    return state, (*before, *lamp, *messages, *read)


def _settle(state: Delivery) -> Delivery:
    """Move the position over all records whose messages are acknowledged."""
    waiting, done = {o.seq for o in state.open}, 0
    # Only from the oldest on without a gap: behind an unacknowledged record nothing may count as delivered.
    while done < len(state.sent) and state.sent[done].seq not in waiting:
        done += 1
    if not done:
        return state
    last = state.sent[done - 1]
    # Repeated at the next connection, for a broker that lost what it retained.
    delivered = [e.source for e in state.sent[:done] if any(o.topic == "disposition" for o in e.outgoing)]
    return replace(
        state,
        sent=state.sent[done:],
        position=last.seq,
        settled=last.place,
        retained=delivered[-1] if delivered else state.retained,
        answered=frozenset(seq for seq in state.answered if seq > last.seq),
        marks=marks_behind(state, last.seq),
    )


def marks_behind(state: Delivery, position: int) -> tuple[tuple[int, float], ...]:
    """The marks of records that a position has not reached."""
    return tuple(mark for mark in state.marks if mark[0] > position)


def _clock_faults(state: Delivery, now: float) -> Delivery:
    # The first mark is that of the oldest record that the position has not passed.
    lags = bool(state.marks) and now - state.marks[0][1] > BEHIND_S
    lamp = with_fault(state.lamp, BEHIND, lags or state.sent_to < state.behind_to)
    foreign_at = state.foreign_at
    if foreign_at is not None and now - foreign_at > FOREIGN_S:
        lamp, foreign_at = with_fault(lamp, FOREIGN, False), None
    return state if lamp == state.lamp else replace(state, lamp=lamp, foreign_at=foreign_at)


def _absolve(state: Delivery) -> Delivery:
    """End the fault once the broker took what it refused before: a new connection alone proves nothing.

    Everything that waited at the refusal must be acknowledged, and a heartbeat after the self-test.
    """
    proved = state.phase is Phase.DELIVERING and state.beat > state.beat_at_ready
    if REFUSED not in state.lamp.faults or not proved or state.position < state.refused_at:
        return state
    if any(o.seq == 0 and o.topic != "lamp" for o in state.open):
        return state
    return replace(state, refused=None, refusals=frozenset(), lamp=with_fault(state.lamp, REFUSED, False))


def _show(state: Delivery, now: float) -> Result:
    """The one place that sends a lamp digit: when it changes, and after somebody wrote over it."""
    digit = state.lamp.value
    # Not at once: two writers that answer each other without a pause would flood the broker.
    put_right = state.overwritten and now - state.shown_at >= ASSERT_S
    if not state.connected or (state.shown == digit and not put_right):
        return state, ()
    # Bounded, since a broker that echoes nothing would let it grow.
    awaited = (*state.awaited, digit)[-_AWAITED_MAX:]
    state = replace(state, shown=digit, shown_at=now, overwritten=False, awaited=awaited)
    return send(state, "lamp", b"%d" % digit, True, 0, now)


def _wish_to_read(state: Delivery, event: DeliveryEvent) -> Result:
    under_way = sum(1 for o in state.open if o.seq or o.topic == "lamp")
    # A journal that could not be read is asked again with the next event, not in a loop.
    nothing = isinstance(event, RecordsRead) and not event.entries
    if state.phase is not Phase.DELIVERING or state.reading or nothing or under_way >= WINDOW:
        return state, ()
    if state.sent_to >= state.end:
        return state, ()
    # One read at a time, so that records keep their order.
    return replace(state, reading=True), (Read(max(1, (WINDOW - under_way) // _MESSAGES_A_RECORD)),)


def publish(state: Delivery, outgoing: tuple[Outgoing, ...], seq: int, now: float) -> Result:
    """Hand over messages of record ``seq``, 0 for none."""
    actions: list[Action] = []
    for one in outgoing:
        state, sent = send(state, one.topic, one.payload, one.retain, seq, now, one.expires_at)
        actions += sent
    return state, tuple(actions)


def send(
    state: Delivery,
    topic: str,
    payload: Any,
    retain: bool,
    seq: int,
    now: float,
    expires_at: float | None = None,
) -> Result:
    """Hand over one message at QoS 1 and remember it until its PUBACK."""
    ticket = state.ticket + 1
    message = Unacknowledged(ticket, topic, seq, now)
    state = replace(state, ticket=ticket, open=(*state.open, message))
    return state, (Publish(ticket, topic, payload, retain, expires_at=expires_at),)

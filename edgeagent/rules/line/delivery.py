"""Delivery as a table: (phase, event) → rule, and a rule gives the next state and what is to be done.

What is undelivered is derived from the journal alone: a session that ends takes everything with it that the
broker has not acknowledged, and reading begins anew behind the position. After every rule `follow` settles the
position, finds the faults that time or the position make or end, and shows the lamp before any other message.
Pairs that TABLE does not name change nothing.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from edgeagent.rules.line.back_off import draw_pause_s, next_pause_s
from edgeagent.rules.line.delivery_follow import (
    FOREIGN,
    REFUSED,
    STOPPED,
    Result,
    follow,
    marks_behind,
    publish,
)
from edgeagent.rules.line.delivery_state import (
    STARTING,
    Acked,
    Acknowledged,
    Action,
    Appended,
    Aside,
    Beat,
    Connect,
    Connected,
    Delivery,
    DeliveryEvent,
    Disconnected,
    Drop,
    Fault,
    Holding,
    LampSeen,
    LastWords,
    NotLetIn,
    Phase,
    Publish,
    RecordsRead,
    Repeat,
    Report,
    Rewind,
    SignOfLife,
    StartDelivery,
    StateSeen,
    StopDelivery,
    Subscribe,
    Tick,
    Unreachable,
)
from edgeagent.rules.line.lamp import Lamp, acknowledge, show_message, with_fault, with_holding
from edgeagent.rules.line.outbox import Outgoing

ANSWER_S = 20.0
"""A broker that accepts the connection and sends no CONNACK for so long is given up."""
SELF_TEST_S = 5.0
REST_S = 30.0
STABLE_S = 10.0
"""A connection that lasted longer is replaced within half a second."""
_MARK_S, _MARKS_MAX = 0.5, 64


def step(state: Delivery, event: DeliveryEvent) -> Result:
    """The state after one event, and what is to be done, in order."""
    rule = TABLE.get((state.phase, type(event)))
    if rule is None:
        return state, ()
    # Only what the broker itself sent is a sign of its life.
    if isinstance(event, Acked | LampSeen | StateSeen | SignOfLife | Connected):
        state = replace(state, heard_at=event.now)
    after, actions = rule(state, event)
    return follow(after, event, actions)


# --- sessions ------------------------------------------------------------------------------------------------


def _start(state: Delivery, event: StartDelivery) -> Result:
    state = replace(
        state,
        phase=Phase.CONNECTING,
        due=event.now + ANSWER_S,
        # Faults and what holds may have come since the fold of the journal, which knows waiting records alone.
        lamp=replace(event.lamp, faults=state.lamp.faults - {STARTING}, holding=state.lamp.holding),
        position=event.position,
        settled=event.settled,
        sent_to=event.position,
        answered=event.answered,
        retained=event.retained,
        boot=event.boot,
        store=event.store,
        run=event.run,
        marks=marks_behind(state, event.position),
    )
    return state, (Rewind(state.position, state.settled), Connect())


def _last_words(state: Delivery, event: LastWords) -> Result:
    return replace(state, phase=Phase.CONNECTING, due=event.now + ANSWER_S), (Connect(),)


def _begin_session(state: Delivery, event: Connected) -> Result:
    """Connected: prove by our own lamp message that topics can be written and read."""
    state = replace(
        state,
        phase=Phase.PROVING,
        due=event.now + SELF_TEST_S,
        connected_at=event.now,
        # Known only once the retained state of this session has come.
        before="",
        unreachable=None,
        # The refusal of a connection is over with the next one; that of a message is only when one is taken.
        refused=state.refused if REFUSED in state.lamp.faults else None,
        # Among what is undelivered there can be a reject, even one that showed before: never clear over it.
        behind_to=state.decided,
    )
    return state, (Report("mqtt-connected", {}), Subscribe())


def _note_refusal(state: Delivery, event: NotLetIn) -> Result:
    """The broker closes the connection behind its refusal; that ends the session."""
    # Once for the same words: an agent tries every few seconds, and a log of days would hold nothing else.
    said = () if state.refused == event.words else (Report("connection-refused", {"reason": event.words}),)
    return replace(state, refused=event.words), said


def _give_up(state: Delivery, event: Unreachable) -> Result:
    """No connection came about: give the reason once, and try again later with files read anew."""
    said = state.unreachable == event.words
    report = () if said else (Report("connection-failed", {"reason": event.words}),)
    after, actions = _pause(replace(state, unreachable=event.words), event.now)
    return after, (*report, *actions)


def _end_attempt(state: Delivery, event: Disconnected) -> Result:
    """A refusal was reported when it came; a connection that ends without an answer is a failed one."""
    if state.refused is not None:
        return _pause(state, event.now)
    return _give_up(state, Unreachable(event.now, f"no answer to the connection: {event.words}"))


def _renew_session(state: Delivery, event: Disconnected) -> Result:
    """A new client soon, or after a growing pause when connections do not last.

    Never the client's own reconnection: it would repeat what it still holds, old lamp values among it.
    """
    said = Report("mqtt-disconnected", {"reason": event.words})
    foreign: tuple[Action, ...] = ()
    if event.taken_over:
        words = "another client came with our client id; give each agent a store and a broker user of its own"
        state, foreign = _foreign(state, event.now, words)
    # A broker that restarts is back soon; one that drops us at once would be hammered without a growing pause.
    if event.now - state.connected_at > STABLE_S:
        after, actions = _rest(replace(state, pause_s=0.0), event.now)
    else:
        after, actions = _pause(state, event.now)
    return after, (said, *actions, *foreign)


def _without_session(state: Delivery) -> Delivery:
    """Forget everything that was with the old session: it will be read and sent again."""
    return replace(
        state,
        shown=None,
        overwritten=False,
        awaited=(),
        sent=(),
        open=(),
        sent_to=state.position,
        reading=False,
    )


def _reconnect(state: Delivery, now: float) -> Result:
    state = replace(_without_session(state), phase=Phase.CONNECTING, due=now + ANSWER_S)
    return state, (Rewind(state.position, state.settled), Connect())


def _pause(state: Delivery, now: float) -> Result:
    return _rest(replace(state, pause_s=next_pause_s(state.pause_s)), now)


def _rest(state: Delivery, now: float) -> Result:
    """Wait for the part of the pause that is drawn: other agents of the same broker draw other ones."""
    due = now + draw_pause_s(state.pause_s, f"{state.store} {state.run}", now)
    state = replace(_without_session(state), phase=Phase.PAUSING, due=due)
    return state, (Rewind(state.position, state.settled), Drop())


# --- time ----------------------------------------------------------------------------------------------------


def _tick_pausing(state: Delivery, event: Tick) -> Result:
    return _reconnect(state, event.now) if event.now >= state.due else (state, ())


def _tick_connecting(state: Delivery, event: Tick) -> Result:
    if event.now < state.due:
        return state, ()
    return _give_up(state, Unreachable(event.now, f"no answer to the connection for {ANSWER_S:.0f} s"))


def _tick_proving(state: Delivery, event: Tick) -> Result:
    if event.now > state.due:
        words = "the agent's own lamp message does not come back: subscription or topic refused"
        return _refuse(state, event.now, words)
    return _tick_delivering(state, event)


def _tick_delivering(state: Delivery, event: Tick) -> Result:
    """Progress is asked of each message by itself: others that are answered prove nothing for it."""
    # The oldest comes first in the order of sending, so that one look is enough.
    if not state.open or event.now - state.open[0].since <= state.acknowledged_within_s:
        return state, ()
    # Two faults with two remedies: a dead connection, or a broker that answers all but this message.
    silent_s = event.now - state.heard_at
    if silent_s > state.acknowledged_within_s:
        report = Report("mqtt-silent", {"seconds": round(silent_s, 1)})
    else:
        oldest = state.open[0]
        seconds = round(event.now - oldest.since, 1)
        report = Report("mqtt-unacknowledged", {"topic": oldest.topic, "seq": oldest.seq, "seconds": seconds})
    after, actions = _reconnect(state, event.now)
    return after, (report, *actions)


# --- what the broker says ------------------------------------------------------------------------------------


def _take_puback(state: Delivery, event: Acked) -> Result:
    if event.refusal is not None:
        return _refuse(state, event.now, f"the broker refused a message on {event.refusal}")
    return replace(state, open=tuple(o for o in state.open if o.ticket != event.ticket)), ()


def _refuse(state: Delivery, now: float, words: str) -> Result:
    """A refusal is an alarm and a fault, never a success; delivery rests until the next connection."""
    report = () if words in state.refusals else (Report("publish-refused", {"reason": words}),)
    state = replace(
        state,
        phase=Phase.RESTING,
        due=now + REST_S,
        refused=words,
        refused_at=state.end,
        refusals=state.refusals | {words},
        lamp=with_fault(state.lamp, REFUSED, True),
    )
    return state, report


def _lamp_while_proving(state: Delivery, event: LampSeen) -> Result:
    state, actions = _lamp_seen(state, event)
    if actions or state.awaited or event.payload != b"%d" % state.lamp.value:
        return state, actions
    # The echo of the present digit, with none under way: topics can be written and read, both ways.
    state = replace(state, phase=Phase.DELIVERING, due=0.0, beat_at_ready=state.beat)
    ready = Report("ready", {"lamp": state.lamp.value, "undelivered": state.end - state.position})
    return state, (ready,) if state.retained is None else (Repeat(state.retained), ready)


def _lamp_seen(state: Delivery, event: LampSeen) -> Result:
    """Our own messages come back in the order in which they were sent; any other one is a foreign writer's.

    The will of an earlier session of ours may arrive within the keep-alive's time: the lamp is put right, and
    nothing else follows from it.
    """
    digits = [b"%d" % digit for digit in state.awaited]
    if event.payload in digits:
        # What was sent before it was overtaken or lost: at QoS 1 the broker keeps the order.
        return replace(state, awaited=state.awaited[digits.index(event.payload) + 1 :]), ()
    state = replace(state, overwritten=True)
    # The will of our former connection comes when the broker notices its end, perhaps after this one began.
    if event.payload == b"3" and event.now - state.connected_at <= state.acknowledged_within_s:
        return state, ()
    payload = event.payload[:16].decode("ascii", errors="replace")
    words = f"another client wrote {payload!r} on the lamp's topic; find it and take its right to write"
    return _foreign(state, event.now, words)


def _foreign(state: Delivery, now: float, words: str) -> Result:
    """Fault until it is over for some time; the alarm comes with the first sign."""
    first = state.foreign_at is None
    state = replace(state, foreign_at=now, lamp=with_fault(state.lamp, FOREIGN, True))
    return state, (Report("foreign-writer", {"reason": words}),) if first else ()


def _state_seen(state: Delivery, event: StateSeen) -> Result:
    """Another store is foreign while it is alive. A copy of ours takes our place with each connection.

    Of such a copy only what the broker keeps is seen: a state that is not of this process, although this one
    published its own, and not of an earlier start either, as a broker with an old database would have it.
    """
    if event.store == state.store and event.run != state.run:
        # Left by an earlier process of ours, or by one before it where the broker's database is old.
        if event.retained and (not state.stated or event.boot < state.boot):
            return state, ()
        words = "another agent runs on a copy of our store, with our client id; give it a store of its own"
        return _foreign(state, event.now, words)
    # A retained state proves no living agent; it only says whose acknowledgements the broker may hold.
    if event.retained and event.store != state.store and state.phase is Phase.PROVING:
        return replace(state, before=event.store), ()
    if event.retained or event.store == state.store:
        return state, ()
    words = (
        f"an agent with the store {event.store[:12]} publishes below our prefix (ours is {state.store[:12]}); "
        "give each agent a prefix and a store of its own"
    )
    return _foreign(state, event.now, words)


def _note_life(state: Delivery, _event: SignOfLife) -> Result:
    return state, ()


# --- what the agent does -------------------------------------------------------------------------------------


def _follow_journal(state: Delivery, event: Appended) -> Result:
    marks = state.marks
    # Not one a record: a backlog of thousands would make every step copy thousands of marks.
    if not marks or (event.now - marks[-1][1] >= _MARK_S and len(marks) < _MARKS_MAX):
        marks = (*marks, (event.end, event.now))
    else:  # an earlier time than the true one: rather too much fault than too little
        marks = (*marks[:-1], (event.end, marks[-1][1]))
    return replace(state, end=event.end, decided=event.decided, marks=marks), ()


def _follow_journal_delivering(state: Delivery, event: Appended) -> Result:
    """The lamp goes first: what was decided in time shows although its message may wait behind others."""
    state, actions = _follow_journal(state, event)
    for seq, message in event.messages:
        state = _show_message(state, seq, message)
    return state, actions


def _show_message(state: Delivery, seq: int, message: Outgoing) -> Delivery:
    # It was acknowledged before it was sent again: it must not come back to the lamp.
    if seq in state.answered:
        return state
    return replace(state, lamp=show_message(state.lamp, seq, message, latches=state.latches))


def _send_found(state: Delivery, event: RecordsRead) -> Result:
    state = replace(state, reading=False)
    actions: list[Action] = []
    for entry in event.entries:
        for outgoing in entry.outgoing:
            # Before it is published: whoever gets the message must find the lamp at it or beyond.
            state = _show_message(state, entry.seq, outgoing)
        state, messages = publish(state, entry.outgoing, entry.seq, event.now)
        state = replace(state, sent=(*state.sent, entry), sent_to=entry.seq)
        actions += messages
    return state, tuple(actions)


def _aside(state: Delivery, event: Aside) -> Result:
    state = replace(state, stated=state.stated or any(one.topic == "state" for one in event.outgoing))
    return publish(state, event.outgoing, 0, event.now)


def _set_fault(state: Delivery, event: Fault) -> Result:
    return replace(state, lamp=with_fault(state.lamp, event.name, event.present)), ()


def _take_acknowledgement(state: Delivery, event: Acknowledged) -> Result:
    lamp = acknowledge(state.lamp, event.seq)
    # All that left the lamp, not only the one named: earlier records of its part went with it.
    answered = {w.seq for w in state.lamp.waiting} - {w.seq for w in lamp.waiting}
    # Those behind the position are read once more from the journal, and would wait again.
    again = {seq for seq in answered if seq > state.position}
    return replace(state, lamp=lamp, answered=state.answered | again), ()


def _set_holding(state: Delivery, event: Holding) -> Result:
    return replace(state, lamp=with_holding(state.lamp, event.name, event.present)), ()


def _count_beat(state: Delivery, _event: Beat) -> Result:
    return replace(state, beat=state.beat + 1), ()


def _beat(state: Delivery, _event: Beat) -> Result:
    """The counter grows over all starts. At QoS 0: a late one says nothing, so none may wait anywhere."""
    state = replace(state, beat=state.beat + 1)
    return state, (Publish(0, "heartbeat", b"%d" % state.count, False, qos=0),)


def _stop(state: Delivery, _event: StopDelivery) -> Result:
    # Connected until the fault is acknowledged: the retained lamp must not show clear for a dead agent.
    return replace(state, phase=Phase.STOPPING, lamp=with_fault(state.lamp, STOPPED, True)), ()


def _stop_unconnected(state: Delivery, _event: StopDelivery) -> Result:
    return replace(state, phase=Phase.STOPPED, lamp=with_fault(state.lamp, STOPPED, True)), ()


def _end_stopping(state: Delivery, _event: Disconnected) -> Result:
    return replace(_without_session(state), phase=Phase.STOPPED), ()


# --- the table -----------------------------------------------------------------------------------------------

_ANYWHERE: dict[type[DeliveryEvent], Callable[..., Result]] = {
    Appended: _follow_journal,
    Fault: _set_fault,
    Holding: _set_holding,
    Acknowledged: _take_acknowledgement,
    Beat: _count_beat,
}
_UNCONNECTED: dict[type[DeliveryEvent], Callable[..., Result]] = {**_ANYWHERE, StopDelivery: _stop_unconnected}
_SESSION: dict[type[DeliveryEvent], Callable[..., Result]] = {
    **_ANYWHERE,
    Acked: _take_puback,
    LampSeen: _lamp_seen,
    StateSeen: _state_seen,
    SignOfLife: _note_life,
    Aside: _aside,
    Beat: _beat,
    Disconnected: _renew_session,
    StopDelivery: _stop,
}
_ROWS: dict[Phase, dict[type[DeliveryEvent], Callable[..., Result]]] = {
    Phase.IDLE: {**_UNCONNECTED, StartDelivery: _start, LastWords: _last_words},
    Phase.PAUSING: {**_UNCONNECTED, Tick: _tick_pausing},
    Phase.CONNECTING: {
        **_UNCONNECTED,
        Connected: _begin_session,
        NotLetIn: _note_refusal,
        Unreachable: _give_up,
        Disconnected: _end_attempt,
        Tick: _tick_connecting,
    },
    Phase.PROVING: {**_SESSION, LampSeen: _lamp_while_proving, Tick: _tick_proving},
    Phase.DELIVERING: {
        **_SESSION,
        Appended: _follow_journal_delivering,
        RecordsRead: _send_found,
        Tick: _tick_delivering,
    },
    Phase.RESTING: {**_SESSION, Tick: _tick_pausing},
    # Nothing but the end counts now: no new fault, no foreign writer.
    Phase.STOPPING: {Acked: _take_puback, LampSeen: _note_life, Disconnected: _end_stopping},
    Phase.STOPPED: {},
}
TABLE: dict[tuple[Phase, type[DeliveryEvent]], Callable[..., Result]] = {
    (phase, event): rule for phase, rules in _ROWS.items() for event, rule in rules.items()
}
"""Every pair that does something."""


def initial(*, latches: bool, keep_alive_s: float, beat_s: float = 1.0) -> Delivery:
    """A machine that has done nothing yet. The lamp's memory comes with Start; until then it is at fault."""
    return Delivery(
        # Twice what a broker waits for us (1.5 keep-alives, MQTT 5, 3.1.2.10); at least 15 s, our own choice.
        latches,
        max(15.0, 3 * keep_alive_s),
        lamp=Lamp(faults=frozenset({STARTING})),
        beat_s=beat_s,
    )

"""The edge node's behaviour (Sparkplug Specification 3.0.0, chapter 5): what follows from what.

A session begins with CONNECT, whose will is the NDEATH, and with subscriptions. NBIRTH follows when the primary
host is there, where one is named, DBIRTHs directly behind it, and only then data. New devices or metrics, a
rebirth command and a host that came back ask for new births under the same ``bdSeq``.

Nothing is lost while host or broker are away: records from behind ``sent`` go out once more, as historical with
their own time. QoS 0 is acknowledged by nobody, so a place in the journal counts as sent when the broker has
answered a subscription that followed it, and ``grace_s`` have passed since in which no word came that the host
had gone: it may have been gone for so long before its will was sent.

While nobody was born, a host that is away is waited for on the open connection (5.4); afterwards it ends the
session with an NDEATH and a new connection.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

from edgeagent.model.sparkplug import DataType, Metric, Payload
from edgeagent.rules.line.back_off import draw_pause_s, next_pause_s
from edgeagent.rules.sparkplug.host import read_state
from edgeagent.rules.sparkplug.node_state import (
    Acknowledge,
    Action,
    Begin,
    Commanded,
    Event,
    JournalEntry,
    JournalMark,
    Leave,
    LeaveInOrder,
    LetIn,
    Node,
    NodePhase,
    NodeReport,
    NodeTick,
    OpenSession,
    ReadJournal,
    Recorded,
    Remembered,
    Result,
    Send,
    SessionEnded,
    Stands,
    StateSaid,
    Subscribed,
    SubscribeTopics,
    Unreached,
)
from edgeagent.rules.sparkplug.node_values import fold, named_unborn, with_null
from edgeagent.rules.sparkplug.record_metrics import ACKNOWLEDGE, EVERY_DEVICE, Found

BDSEQ, REBIRTH = "bdSeq", "Node Control/Rebirth"
ANSWER_S = 20.0
REBIRTH_S = 1.0
"""Births follow each other no faster, whoever asks for them; data rests meanwhile."""
MARK_S = 1.0
HISTORY_STEP = 100
"""Historical records under way at a time: the next ones wait until the broker has these."""
LASTING_S = 10.0
OFFLINE = "the primary host is offline"


def death(bdseq: int) -> Payload:
    """NDEATH: bdSeq alone, no sequence number; the will and the last message of a session are the same."""
    # As a birth, so that the datatype is in it.
    return Payload((Metric(BDSEQ, DataType.INT64, bdseq, 0),), birth=True)


def step(node: Node, event: Event) -> Result:
    """The state after one event, and what is to be done, in order."""
    match event:
        case Begin():
            return _connect(node, event)
        case NodeTick():
            return _tick(node, event)
        case LetIn() if node.phase == NodePhase.CONNECTING:
            return _let_in(node, event)
        case Unreached() if node.phase == NodePhase.CONNECTING:
            # Its CONNECT never went out, so that its bdSeq is still free.
            return _pause(replace(node, used=False), event, event.words)
        case SessionEnded() if node.phase not in (NodePhase.IDLE, NodePhase.PAUSING):
            return _pause(node, event, event.words)
        case Subscribed():
            return _subscribed(node, event)
        case StateSaid() if node.phase in (NodePhase.SUBSCRIBING, NodePhase.WAITING, NodePhase.BORN):
            return _state_said(node, event)
        case Commanded() if node.phase == NodePhase.BORN:
            return _on_command(node, event)
        case Recorded():
            return _on_records(node, event)
        case Remembered() if node.phase == NodePhase.BORN and node.reading:
            return _on_history(node, event)
        case Stands():
            return _stands(node, event)
        case LeaveInOrder():
            return _stop(node)
        case _:
            return node, ()


# --- sessions ------------------------------------------------------------------------------------------------


def _connect(node: Node, event: Event) -> Result:
    """A number for every CONNECT packet, from 0 after 255; one that never went out is used again."""
    bdseq = (node.bdseq + 1) % 256 if node.used else node.bdseq
    node = replace(node, phase=NodePhase.CONNECTING, due=event.now + ANSWER_S, bdseq=bdseq, used=True)
    return node, (OpenSession(bdseq),)


def _let_in(node: Node, event: Event) -> Result:
    topics = [node.names.topic("NCMD"), *_command_topics(node, node.devices)]
    if node.names.state_topic is not None:
        topics.append(node.names.state_topic)
    node = replace(
        node,
        phase=NodePhase.SUBSCRIBING,
        due=event.now + ANSWER_S,
        ticket=node.ticket + 1,
        host=replace(node.host, online=False),  # until it says so on this connection
        born_at=event.now,
    )
    return node, (NodeReport("sparkplug-connected"), SubscribeTopics(tuple(topics), node.ticket))


def _command_topics(node: Node, devices: Iterable[str]) -> list[str]:
    return [node.names.topic("DCMD", device) for device in sorted(devices)]


def _pause(node: Node, event: Event, words: str, *, polite: bool = False) -> Result:
    """End the session; what the broker has not answered for, or the host may not have got, is sent again."""
    lasted = node.phase == NodePhase.BORN and event.now - node.born_at > LASTING_S
    whole_s = 0.0 if polite or lasted else next_pause_s(node.pause_s)
    wait_s = draw_pause_s(whole_s, f"{node.names.group}/{node.names.node} {node.bdseq}", event.now)
    said = () if words in ("", node.trouble) else (NodeReport("sparkplug-disconnected", words),)
    node = replace(
        node,
        phase=NodePhase.PAUSING,
        due=event.now + wait_s,
        pause_s=whole_s,
        trouble=words,
        born={},
        # Back to what the host surely has: what was only handed to the broker is sent once more.
        read=node.sent,
        reading=False,
        stalled=False,
        open=None,
        answered=(),
        rebirth=False,
    )
    return node, (Leave(polite), *said)


def _stop(node: Node) -> Result:
    leaving: tuple[Action, ...] = ()
    # The broker sends the will only for a connection that breaks: leaving in order needs an NDEATH of its own.
    if node.phase in (NodePhase.SUBSCRIBING, NodePhase.WAITING, NodePhase.BORN):
        leaving = _last_words(node)
    return replace(node, phase=NodePhase.IDLE, born={}), (*leaving, Leave(polite=bool(leaving)))


def _last_words(node: Node) -> tuple[Action, ...]:
    return (Send(node.names.topic("NDEATH"), death(node.bdseq), qos=1),)


def _state_said(node: Node, event: StateSaid) -> Result:
    if event.topic != node.names.state_topic:
        return node, ()
    before = node.host
    host, problem = read_state(before, event.payload)
    if problem is not None:
        return _refuse(node, f"STATE of {node.names.host}: {problem}")
    node = replace(node, host=host)
    if node.phase == NodePhase.WAITING and host.online:
        return _birth(node, event)
    if node.phase == NodePhase.BORN and not host.online:
        after, actions = _pause(node, event, OFFLINE, polite=True)
        return after, (*_last_words(node), *actions)
    if node.phase == NodePhase.BORN and host != before:
        return _rebirth(node, event)  # a new session of the host, which knows nothing of us
    return node, ()


# --- births --------------------------------------------------------------------------------------------------


def _birth(node: Node, event: Event) -> Result:
    """NBIRTH with number 0, a DBIRTH for every device directly behind it; data may follow.

    What was recorded until now and not sent goes out as historical: the births carry the present values.
    """
    # A device whose folder is lost stays dead until it is back: a birth would say that its values are good.
    alive = {device: values for device, values in node.devices.items() if device not in node.lost}
    control = (
        Metric(BDSEQ, DataType.INT64, node.bdseq, event.now_ms),
        Metric(REBIRTH, DataType.BOOLEAN, False, event.now_ms),
    )
    births = [(node.names.topic("NBIRTH"), (*node.own.values(), *control))]
    births += [(node.names.topic("DBIRTH", d), tuple(values.values())) for d, values in sorted(alive.items())]
    sends = []
    for number, (topic, metrics) in enumerate(births):
        # In chronological order within the list, as the specification asks for (from memory).
        ordered = tuple(sorted((_with_time(m, event.now_ms) for m in metrics), key=lambda m: m.at_ms))
        sends.append(Send(topic, Payload(ordered, event.now_ms, number % 256, birth=True)))
    # Those before it were subscribed to with the session.
    new = [device for device in alive if device not in node.born]
    subscribe = (
        (SubscribeTopics(tuple(_command_topics(node, new)), 0),) if node.phase == NodePhase.BORN and new else ()
    )
    first = node.phase != NodePhase.BORN
    node = replace(
        node,
        phase=NodePhase.BORN,
        seq=len(births) % 256,
        born={None: frozenset(node.own), **{d: frozenset(values) for d, values in alive.items()}},
        # Everything up to here that was not sent is in the births already, and follows as history.
        history=node.folded.seq,
        live=node.folded.seq,
        rebirth=False,
        stalled=False,
        born_at=event.now,
        trouble="",
    )
    return node, (*subscribe, *sends, *((NodeReport("sparkplug-born"),) if first else ()))


def _with_time(metric: Metric, now_ms: int) -> Metric:
    """Every metric of a birth has a time, also one that has no value yet."""
    return metric if metric.at_ms else replace(metric, at_ms=now_ms)


def _rebirth(node: Node, event: Event) -> Result:
    """Births at once, or as soon as the last ones are old enough; no data until then."""
    if event.now - node.born_at < REBIRTH_S:
        return replace(node, rebirth=True), ()
    return _birth(node, event)


# --- data ----------------------------------------------------------------------------------------------------


def _on_records(node: Node, event: Recorded) -> Result:
    """New records: into the present values, and to the host at once if everything in them was born."""
    actions: list[Action] = []
    for entry in event.entries:
        # Read twice, sent once.
        if entry.seq <= node.folded.seq:
            continue
        # A record from a device proves that its folder is there, before the next look at folders says so.
        back = node.lost & {device for device, _ in entry.found if device is not None}
        node = replace(
            fold(node, entry.found), folded=JournalMark(entry.seq, entry.place), lost=node.lost - back
        )
        if node.phase != NodePhase.BORN or node.rebirth:
            continue
        if named_unborn(node, entry.found):
            node, new = _rebirth(node, event)
        else:
            node, new = _data(node, event, entry, historical=False)
            node = replace(node, live=entry.seq)
        actions += new
    return node, tuple(actions)


def _on_history(node: Node, event: Remembered) -> Result:
    """Historical records, in order; one that names what was never born waits for new births."""
    actions: list[Action] = []
    node = replace(node, reading=False)
    for entry in event.entries:
        # What is newer than the births goes out live, and not a second time as history.
        if node.rebirth or entry.seq > node.history:
            break
        if any(device in node.lost for device, _ in entry.found):
            node = replace(node, stalled=True)  # a dead device has no data, and what it said must not be lost
            break
        unborn = named_unborn(node, entry.found)
        if unborn:
            node, new = _rebirth(with_null(node, unborn), event)
            actions += new
            if node.rebirth:
                break
        node, new = _data(node, event, entry, historical=True)
        node = replace(node, read=JournalMark(entry.seq, entry.place))
        actions += new
    if not event.entries:  # nothing left to read: only records without metrics were behind
        node = replace(node, history=min(node.history, node.read.seq))
    return node, tuple(actions)


def _data(node: Node, event: Event, entry: JournalEntry, *, historical: bool) -> Result:
    sends = []
    for device, metrics in _targets(node, entry.found):
        if device not in node.born:
            continue  # a device that is lost, and was before this record was read again
        topic = node.names.topic("NDATA") if device is None else node.names.topic("DDATA", device)
        carried = tuple(replace(m, historical=True) for m in metrics) if historical else metrics
        sends.append(Send(topic, Payload(carried, event.now_ms, node.seq)))
        node = replace(node, seq=(node.seq + 1) % 256)
    return node, tuple(sends)


def _targets(node: Node, found: Iterable[Found]) -> Iterable[Found]:
    for device, metrics in found:
        if device == EVERY_DEVICE:
            yield from ((one, metrics) for one in sorted(d for d in node.born if d is not None))
        else:
            yield device, metrics


def _stands(node: Node, event: Stands) -> Result:
    """The node's own values that have changed; a device whose folder is lost dies, one that is back is born."""
    actions: list[Action] = []
    changed = tuple(m for m in event.metrics if m.name not in node.own or node.own[m.name].value != m.value)
    # Before the question whether anybody is there: the next birth must carry what changed meanwhile.
    node = fold(node, ((None, changed),)) if changed else node
    gone, back = event.lost - node.lost, (node.lost - event.lost) & node.devices.keys()
    node = replace(node, lost=event.lost)
    if node.phase != NodePhase.BORN or node.rebirth:
        return node, ()
    if back or named_unborn(node, ((None, changed),)):
        return _rebirth(node, event)
    if changed:
        sent = Send(node.names.topic("NDATA"), Payload(changed, event.now_ms, node.seq))
        node, actions = replace(node, seq=(node.seq + 1) % 256), [sent]
    for device in sorted(gone & {d for d in node.born if d is not None}):
        actions.append(Send(node.names.topic("DDEATH", device), Payload((), event.now_ms, node.seq)))
        born = {d: names for d, names in node.born.items() if d != device}
        node = replace(node, seq=(node.seq + 1) % 256, born=born)
    return node, tuple(actions)


# --- commands ------------------------------------------------------------------------------------------------


def _on_command(node: Node, event: Commanded) -> Result:
    addressed = node.names.command_of(event.topic)
    if addressed is None:
        return node, ()
    kind, device = addressed
    # A broker repeats it with each subscription, so that an old acknowledgement would come back for ever.
    if event.retained:
        return _refuse(node, f"a retained {kind} would be obeyed for ever")
    if event.payload is None:
        return _refuse(node, f"a {kind} that is no Sparkplug payload")
    if kind == "DCMD" and device not in node.born:
        return _refuse(node, f"a DCMD for {str(device)[:80]!r}, which is no device here")
    actions: list[Action] = []
    for metric in event.payload.metrics:
        value = metric.value
        if kind == "NCMD" and metric.name == REBIRTH and value is True:
            node, new = (node, ()) if node.rebirth else _rebirth(node, event)
        # Not isinstance: True would acknowledge record 1. Beyond 2^53 a host that counts in doubles rounds.
        elif kind == "DCMD" and metric.name == ACKNOWLEDGE and type(value) is int and 0 < value < 2**53:
            new = (Acknowledge(value),)
        else:
            node, new = _refuse(node, f"a {kind} for {metric.name[:80]!r} with {str(value)[:40]!r}")
        actions += new
    return node, tuple(actions)


def _refuse(node: Node, words: str) -> Result:
    """Refused: reported the first time and then at every tenfold count, so that a flood fills no log."""
    node = replace(node, refused=node.refused + 1)
    count = str(node.refused)
    reported = count.strip("0") == "1"
    return node, (NodeReport("sparkplug-refused", f"{words} ({count} so far)"),) if reported else ()


# --- time ----------------------------------------------------------------------------------------------------


def _tick(node: Node, event: NodeTick) -> Result:
    match node.phase:
        case NodePhase.PAUSING if event.now >= node.due:
            return _connect(node, event)
        case NodePhase.CONNECTING | NodePhase.SUBSCRIBING if event.now >= node.due:
            return _pause(node, event, f"no answer for {ANSWER_S:.0f} s")
        case NodePhase.BORN:
            return _tick_born(node, event)
        case _:
            return node, ()


def _tick_born(node: Node, event: NodeTick) -> Result:
    if node.open is not None and event.now >= node.open_due:
        return _pause(node, event, f"no answer for {ANSWER_S:.0f} s")
    node = _settle(node, event.now)
    if node.rebirth:
        return _birth(node, event) if event.now - node.born_at >= REBIRTH_S else (node, ())
    behind = node.read.seq < node.history
    actions: list[Action] = []
    reached = _sent_up_to(node)
    marked = max((node.sent.seq, *(mark.seq for mark, _ in node.answered)))
    last = node.answered[-1][1] if node.answered else -MARK_S
    if node.open is None and reached.seq > marked and (behind or event.now - last >= MARK_S):
        node = replace(node, open=reached, open_due=event.now + ANSWER_S, ticket=node.ticket + 1)
        # For its answer alone: MQTT keeps the order, so that what went before it has arrived.
        actions.append(SubscribeTopics((node.names.topic("NCMD"),), node.ticket))
    elif behind and node.open is None and not node.reading and not node.stalled:
        node = replace(node, reading=True)
        actions.append(ReadJournal(node.read, HISTORY_STEP))
    return node, tuple(actions)


def _sent_up_to(node: Node) -> JournalMark:
    """Up to where every record was sent in this session."""
    # While history is under way, live records are ahead of it: only the history counts without a gap.
    if node.read.seq < node.history:
        return node.read
    return node.folded if node.live == node.folded.seq else node.read


def _settle(node: Node, now: float) -> Node:
    """Marks that are old enough: what they stand for is never sent again."""
    old = [mark for mark, at in node.answered if now - at >= node.grace_s]
    if not old:
        return node
    return replace(node, sent=old[-1], answered=node.answered[len(old) :])


def _subscribed(node: Node, event: Subscribed) -> Result:
    said: tuple[Action, ...] = ()
    if event.refused:
        node, said = _refuse(node, f"the broker refused to subscribe to {', '.join(event.refused)[:200]}")
    # An answer to an earlier subscription proves nothing of what was sent since.
    if event.ticket != node.ticket:
        return node, said
    if node.phase == NodePhase.SUBSCRIBING:
        if node.names.host is None or node.host.online:
            node, births = _birth(node, event)
            return node, (*said, *births)
        return replace(node, phase=NodePhase.WAITING), (*said, NodeReport("sparkplug-waits", OFFLINE))
    if node.phase != NodePhase.BORN or node.open is None:
        return node, said
    answered = node.answered
    # One mark a second is kept: during a backlog each step of history would leave one.
    if len(answered) > 1 and event.now - answered[-2][1] < MARK_S:
        answered = answered[:-1]
    node = replace(node, answered=(*answered, (node.open, event.now)), open=None)
    return _settle(node, event.now), said

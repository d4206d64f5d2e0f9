"""The delivery machine: every pair of phase and event, and sessions that must not lose anything."""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgeagent.model import Disposition
from edgeagent.rules.line import delivery_state as d
from edgeagent.rules.line.back_off import PAUSE_MAX_S, PAUSE_MIN_S
from edgeagent.rules.line.delivery import (
    ANSWER_S,
    REST_S,
    SELF_TEST_S,
    STABLE_S,
    TABLE,
    initial,
    step,
)
from edgeagent.rules.line.delivery_follow import (
    ASSERT_S,
    BEHIND,
    BEHIND_S,
    FOREIGN,
    FOREIGN_S,
    REFUSED,
    STOPPED,
    WINDOW,
)
from edgeagent.rules.line.delivery_state import Phase
from edgeagent.rules.line.lamp import GATE_CLOSED, Lamp, Waiting
from edgeagent.rules.line.outbox import Outgoing

NOW = 1000.0
ACK_S = 15.0


def record(seq: int, shows: Disposition | None = None, messages: int = 1) -> d.Entry:
    """An invented record's entry; its messages are on the disposition's topic when it shows something."""
    topic = "measurement" if shows is None else "disposition"
    payload = {"seq": seq, "part": "P", "serial": str(seq)}
    outgoing = tuple(Outgoing(topic, payload, shows is not None, shows) for _ in range(messages))
    return d.Entry(seq, f"behind {seq}", outgoing, f"record {seq}")


class Machine:
    """Runs the machine on a fake clock and keeps what it asked for."""

    def __init__(self, *, position: int = 0, end: int = 0, decided: int = 0, latched: tuple[int, ...] = ()):
        self.now = NOW
        self.state = initial(latches=True, keep_alive_s=5)
        self.actions: list[d.Action] = []
        self.give(d.Appended(self.now, end, decided))
        if end:
            lamp = Lamp(tuple(Waiting(seq, "reject") for seq in latched))
            self.give(d.StartDelivery(self.now, position, "there", lamp, frozenset(), None))

    def give(self, event: d.DeliveryEvent) -> list[d.Action]:
        self.state, actions = step(self.state, event)
        self.actions += actions
        return list(actions)

    def tick(self, seconds: float = 0.0) -> list[d.Action]:
        self.now += seconds
        return self.give(d.Tick(self.now))

    def connect(self) -> list[d.Action]:
        return self.give(d.Connected(self.now))

    def echo(self) -> list[d.Action]:
        """The broker acknowledges and sends back every lamp message that waits for it."""
        done = []
        for message in [m for m in self.state.open if m.topic == "lamp"]:
            done += self.give(d.Acked(self.now, message.ticket))
        while self.state.awaited:
            done += self.give(d.LampSeen(self.now, b"%d" % self.state.awaited[0]))
        return done

    def ready(self) -> Machine:
        self.connect()
        self.echo()
        assert self.state.phase is Phase.DELIVERING
        return self

    def found(self, *entries: d.Entry) -> list[d.Action]:
        return self.give(d.RecordsRead(self.now, entries))

    def grow(self, end: int, *shows: tuple[int, Disposition]) -> list[d.Action]:
        messages = tuple((seq, record(seq, shown).outgoing[0]) for seq, shown in shows)
        return self.give(d.Appended(self.now, end, max((s for s, _ in shows), default=0), messages))

    def acknowledge_all(self) -> None:
        for message in self.state.open:
            self.give(d.Acked(self.now, message.ticket))


def topics(actions: list[d.Action]) -> list[str]:
    return [a.topic for a in actions if isinstance(a, d.Publish)]


def lamps(actions: list[d.Action]) -> list[bytes]:
    return [a.payload for a in actions if isinstance(a, d.Publish) and a.topic == "lamp"]


def reports(actions: list[d.Action]) -> list[str]:
    return [a.event for a in actions if isinstance(a, d.Report)]


def kinds(actions: list[d.Action]) -> set[type]:
    return {type(a) for a in actions}


# --- the table -----------------------------------------------------------------------------------------------

BEAT, APPENDED, FAULT = d.Beat(NOW), d.Appended(NOW, 3, 0), d.Fault(NOW, "disk", True)
EVERY_EVENT = (
    d.StartDelivery(NOW, 0, None, Lamp(), frozenset(), None),
    d.LastWords(NOW),
    d.Tick(NOW),
    d.Connected(NOW),
    d.NotLetIn(NOW, "Not authorized"),
    d.Unreachable(NOW, "no route"),
    d.Disconnected(NOW, "gone"),
    d.Acked(NOW, 1),
    d.LampSeen(NOW, b"3"),
    d.StateSeen(NOW, "", "", 1, False),
    d.SignOfLife(NOW),
    APPENDED,
    d.RecordsRead(NOW, ()),
    d.Aside(NOW, ()),
    FAULT,
    d.Holding(NOW, GATE_CLOSED, True),
    d.Acknowledged(NOW, 1),
    BEAT,
    d.StopDelivery(NOW),
)
AT_ALL_TIMES = {d.Appended, d.Fault, d.Holding, d.Acknowledged, d.Beat}
IN_A_SESSION = {
    *AT_ALL_TIMES,
    d.Acked,
    d.LampSeen,
    d.StateSeen,
    d.SignOfLife,
    d.Aside,
    d.Disconnected,
    d.StopDelivery,
    d.Tick,
}
HANDLED = {
    Phase.IDLE: {*AT_ALL_TIMES, d.StopDelivery, d.StartDelivery, d.LastWords},
    Phase.PAUSING: {*AT_ALL_TIMES, d.StopDelivery, d.Tick},
    Phase.CONNECTING: {
        *(*AT_ALL_TIMES, d.StopDelivery, d.Tick),
        *(d.Connected, d.NotLetIn, d.Unreachable, d.Disconnected),
    },
    Phase.PROVING: IN_A_SESSION,
    Phase.DELIVERING: {*IN_A_SESSION, d.RecordsRead},
    Phase.RESTING: IN_A_SESSION,
    Phase.STOPPING: {d.Acked, d.LampSeen, d.Disconnected},
    Phase.STOPPED: set(),
}


@pytest.mark.parametrize("phase", Phase, ids=lambda p: p.value)
@pytest.mark.parametrize("event", EVERY_EVENT, ids=lambda e: type(e).__name__)
def test_pair_of_phase_and_event_is_handled_exactly_where_it_is_meant(phase, event):
    state = replace(initial(latches=True, keep_alive_s=5), phase=phase, due=NOW + 1, connected_at=NOW)
    handled = type(event) in HANDLED[phase]
    assert ((phase, type(event)) in TABLE) is handled
    after, actions = step(state, event)
    if not handled:
        assert (after, actions) == (state, ())


def test_every_event_of_the_module_is_in_this_table():
    events = {v for v in vars(d).values() if isinstance(v, type) and issubclass(v, d.DeliveryEvent)}
    assert events - {d.DeliveryEvent} == {type(e) for e in EVERY_EVENT}


@pytest.mark.parametrize(
    ("event", "before", "after"),
    [
        (d.StartDelivery(NOW, 0, None, Lamp(), frozenset(), None), Phase.IDLE, Phase.CONNECTING),
        (d.LastWords(NOW), Phase.IDLE, Phase.CONNECTING),
        (d.StopDelivery(NOW), Phase.IDLE, Phase.STOPPED),
        (d.Tick(NOW + 0.9), Phase.PAUSING, Phase.PAUSING),
        (d.Tick(NOW + 1), Phase.PAUSING, Phase.CONNECTING),
        (d.StopDelivery(NOW), Phase.PAUSING, Phase.STOPPED),
        (d.Connected(NOW), Phase.CONNECTING, Phase.PROVING),
        (d.NotLetIn(NOW, "Not authorized"), Phase.CONNECTING, Phase.CONNECTING),
        (d.Unreachable(NOW, "refused"), Phase.CONNECTING, Phase.PAUSING),
        (d.Disconnected(NOW, "gone"), Phase.CONNECTING, Phase.PAUSING),
        (d.Tick(NOW + 0.9), Phase.CONNECTING, Phase.CONNECTING),
        (d.Tick(NOW + 1), Phase.CONNECTING, Phase.PAUSING),
        (d.StopDelivery(NOW), Phase.CONNECTING, Phase.STOPPED),
        (d.Tick(NOW + 1), Phase.PROVING, Phase.PROVING),
        (d.Tick(NOW + 1.1), Phase.PROVING, Phase.RESTING),
        (d.Disconnected(NOW, "gone"), Phase.PROVING, Phase.PAUSING),
        (d.Acked(NOW, 1, "lamp: Not authorized"), Phase.PROVING, Phase.RESTING),
        (d.StopDelivery(NOW), Phase.PROVING, Phase.STOPPING),
        (d.Acked(NOW, 1, "alarm: Not authorized"), Phase.DELIVERING, Phase.RESTING),
        (d.Disconnected(NOW, "gone"), Phase.DELIVERING, Phase.PAUSING),
        (d.Disconnected(NOW + STABLE_S + 1, "gone"), Phase.DELIVERING, Phase.PAUSING),
        (d.StopDelivery(NOW), Phase.DELIVERING, Phase.STOPPING),
        (d.Tick(NOW + 0.9), Phase.RESTING, Phase.RESTING),
        (d.Tick(NOW + 1), Phase.RESTING, Phase.CONNECTING),
        (d.LampSeen(NOW, b"3"), Phase.RESTING, Phase.RESTING),
        (d.StopDelivery(NOW), Phase.RESTING, Phase.STOPPING),
        (d.Disconnected(NOW, "gone"), Phase.STOPPING, Phase.STOPPED),
    ],
    ids=lambda v: v.value if isinstance(v, Phase) else type(v).__name__,
)
def test_event_leads_to_the_next_phase(event, before, after):
    state = replace(initial(latches=True, keep_alive_s=5), phase=before, due=NOW + 1, connected_at=NOW)
    assert step(state, event)[0].phase is after


# --- the way to ready ----------------------------------------------------------------------------------------


def test_connection_proves_itself_by_its_own_lamp_before_anything_else_is_sent():
    machine = Machine(end=4, latched=(2,))
    actions = machine.connect()
    assert [type(a) for a in actions] == [d.Report, d.Subscribe, d.Publish]
    assert lamps(actions) == [b"1"]
    actions = machine.echo()
    assert reports(actions) == ["ready"]
    assert actions[-1] == d.Read(WINDOW // 2)


def test_something_is_unfinished_where_it_is_undelivered_and_on_its_way():
    assert not Machine(end=4).state.unfinished, "no connection"
    assert Machine(end=4).ready().state.unfinished
    assert not Machine(end=4, position=4).ready().state.unfinished, "all was delivered"


def test_last_disposition_is_published_again_on_each_connection():
    machine = Machine()
    machine.give(d.StartDelivery(NOW, 4, "there", Lamp(), frozenset(), "record 3"))
    machine.connect()
    assert d.Repeat("record 3") in machine.echo()
    assert machine.state.position == 4


def test_lamp_is_fault_until_the_latches_are_known():
    machine = Machine()
    machine.give(d.LastWords(NOW))
    assert lamps(machine.connect()) == [b"3"]
    assert lamps(machine.give(d.StopDelivery(NOW))) == []  # it shows fault already
    assert machine.state.phase is Phase.STOPPING


def test_lamp_message_that_does_not_come_back_is_a_refusal():
    machine = Machine(end=1, position=1)
    machine.connect()
    assert "publish-refused" in reports(machine.tick(SELF_TEST_S + 0.1))
    assert machine.state.lamp.faults == {REFUSED}
    assert lamps(machine.actions)[-1] == b"3"


def test_silence_instead_of_an_answer_to_the_connection_is_reported_and_tried_again():
    machine = Machine(end=1)
    (report, *_) = machine.tick(ANSWER_S)
    assert report == d.Report("connection-failed", {"reason": "no answer to the connection for 20 s"})
    assert machine.state.phase is Phase.PAUSING
    assert d.Connect() in machine.tick(PAUSE_MIN_S)


def test_connection_that_ends_before_its_answer_is_a_failed_one():
    machine = Machine(end=1)
    assert reports(machine.give(d.Disconnected(NOW, "keep alive timeout"))) == ["connection-failed"]


def test_pauses_grow_to_their_limit_and_a_lasting_connection_ends_them():
    machine, pauses = Machine(end=1), []
    for _ in range(7):
        machine.give(d.Unreachable(machine.now, "no route"))
        pauses.append(machine.state.due - machine.now)
        machine.tick(pauses[-1])
    wholes = [0.5, 1.0, 2.0, 4.0, 8.0, PAUSE_MAX_S, PAUSE_MAX_S]
    assert all(whole / 2 <= pause <= whole for whole, pause in zip(wholes, pauses, strict=True))
    assert reports(machine.actions) == ["connection-failed"], "the same reason is reported once"
    machine.ready()
    machine.now += STABLE_S + 0.1
    machine.give(d.Disconnected(machine.now, "gone"))
    assert 0.0 <= machine.state.due - machine.now <= PAUSE_MIN_S
    assert d.Connect() in machine.tick(PAUSE_MIN_S)
    machine.give(d.Unreachable(machine.now, "no route"))
    assert PAUSE_MIN_S / 2 <= machine.state.due - machine.now <= PAUSE_MIN_S


def test_refused_connection_is_reported_once_and_forgotten_when_let_in():
    machine = Machine(end=1)
    for _ in range(3):
        machine.give(d.NotLetIn(machine.now, "Not authorized"))
        machine.give(d.Disconnected(machine.now, "gone"))
        machine.tick(PAUSE_MAX_S)
    assert reports(machine.actions) == ["connection-refused"]
    machine.ready()
    assert machine.state.refused is None


def test_disposition_that_was_never_acknowledged_does_not_overtake_earlier_ones_on_the_next_connection():
    machine = Machine(end=3).ready()
    machine.found(*(record(n, Disposition.ACCEPT) for n in (1, 2, 3)))
    machine.give(d.Acked(NOW, next(o.ticket for o in machine.state.open if o.seq == 1)))
    machine.give(d.Disconnected(NOW, "gone"))
    machine.tick(PAUSE_MIN_S)
    machine.connect()
    assert [a for a in machine.echo() if isinstance(a, d.Repeat)] == [d.Repeat("record 1")]


# --- order, window, position ---------------------------------------------------------------------------------


def test_position_moves_over_whole_records_in_order():
    machine = Machine(end=3).ready()
    machine.found(record(1, messages=2), record(2), record(3))
    first, second, third, fourth = machine.state.open
    machine.give(d.Acked(NOW, fourth.ticket))
    machine.give(d.Acked(NOW, first.ticket))
    assert machine.state.position == 0
    machine.give(d.Acked(NOW, second.ticket))
    assert (machine.state.position, machine.state.settled) == (1, "behind 1")
    machine.give(d.Acked(NOW, third.ticket))
    assert (machine.state.position, machine.state.undelivered) == (3, 0)


def test_records_without_messages_are_passed_at_once():
    machine = Machine(end=10_000).ready()
    machine.found(d.Entry(10_000, "end"))
    assert (machine.state.position, machine.state.sent) == (10_000, ())


def test_window_is_never_exceeded_and_opens_with_each_acknowledgement():
    machine = Machine(end=100).ready()
    actions = machine.found(*(record(n) for n in range(1, WINDOW + 1)))
    assert d.Read not in kinds(actions)
    assert machine.give(d.Acked(NOW, machine.state.open[0].ticket))[-1] == d.Read(1)
    assert d.Read not in kinds(machine.tick()), "one wish at a time"


def test_nothing_found_is_asked_for_again_with_the_next_tick():
    machine = Machine(end=5).ready()
    assert machine.found() == []
    assert machine.tick() == [d.Read(WINDOW // 2)]


def test_lost_session_is_read_again_from_the_position():
    machine = Machine(end=3).ready()
    machine.found(record(1), record(2), record(3))
    machine.give(d.Acked(NOW, machine.state.open[0].ticket))
    actions = machine.give(d.Disconnected(NOW, "gone"))
    assert reports(actions) == ["mqtt-disconnected"]
    assert actions[1:] == [d.Rewind(1, "behind 1"), d.Drop()]
    machine.tick(PAUSE_MIN_S)
    machine.ready()
    assert topics(machine.found(record(2), record(3))) == ["measurement", "measurement"]
    machine.acknowledge_all()
    assert machine.state.position == 3


def test_session_that_is_lost_while_records_are_read_asks_for_them_again_in_the_next():
    machine = Machine(end=3).ready()
    assert machine.state.reading
    machine.give(d.Disconnected(NOW, "gone"))
    machine.tick(PAUSE_MIN_S)
    machine.connect()
    assert d.Read in kinds(machine.echo())


def test_records_found_after_the_session_was_lost_are_not_sent():
    machine = Machine(end=3).ready()
    machine.give(d.Disconnected(NOW, "gone"))
    assert machine.found(record(1)) == []
    assert machine.state.sent_to == 0


# --- progress ------------------------------------------------------------------------------------------------


def test_one_lost_acknowledgement_among_answered_messages_ends_in_a_new_session():
    machine = Machine(end=1).ready()
    machine.found(record(1))
    for _ in range(int(ACK_S)):
        machine.now += 1.0
        machine.give(d.SignOfLife(machine.now))  # the broker says other things meanwhile
        machine.echo()
        assert d.Connect not in kinds(machine.tick())
    assert BEHIND in machine.state.lamp.faults
    actions = machine.tick(0.1)
    assert reports(actions) == ["mqtt-unacknowledged"]
    assert actions[0].details == {"topic": "measurement", "seq": 1, "seconds": 15.1}
    assert d.Connect in kinds(actions)
    machine.ready()
    machine.found(record(1))
    machine.acknowledge_all()
    machine.tick()
    assert (machine.state.position, machine.state.lamp.faults) == (1, frozenset())


def test_silent_broker_ends_in_a_new_session():
    machine = Machine(end=1, position=1).ready()
    machine.give(d.Aside(machine.now, (Outgoing("alarm", {}, False),)))
    assert machine.tick(ACK_S) == []
    silent = machine.tick(0.16)
    assert reports(silent) == ["mqtt-silent"]
    assert [a.details["seconds"] for a in silent if isinstance(a, d.Report)] == [round(ACK_S + 0.16, 1)]
    assert machine.state.phase is Phase.CONNECTING


def test_fault_shows_while_a_record_waits_longer_than_stated_and_ends_with_its_acknowledgement():
    machine = Machine(end=1, position=1).ready()
    machine.grow(2)
    machine.found(record(2))
    assert lamps(machine.tick(BEHIND_S)) == []
    assert lamps(machine.tick(0.01)) == [b"3"]
    for message in machine.state.open:
        if message.seq:
            assert lamps(machine.give(d.Acked(machine.now, message.ticket))) == [b"0"]


def test_steady_load_that_keeps_up_is_no_fault():
    machine = Machine(end=1, position=1).ready()
    for seq in range(2, 200):
        machine.grow(seq)
        machine.found(record(seq))
        machine.tick(0.3)  # one record is always under way
        machine.acknowledge_all()
        machine.grow(seq)
        machine.echo()
    assert b"3" not in lamps(machine.actions)


def test_lag_that_lasts_is_a_fault_although_the_position_moves():
    machine = Machine(end=1, position=1).ready()
    for second in range(20):  # ten records a second come, one a second is acknowledged
        machine.grow(10 * second + 10)
        machine.found(record(second + 2))
        machine.tick(1.0)
        machine.acknowledge_all()
    assert BEHIND in machine.state.lamp.faults


# --- the lamp ------------------------------------------------------------------------------------------------


def test_lamp_goes_before_the_messages_of_its_record():
    machine = Machine(end=1).ready()
    assert topics(machine.found(record(1, Disposition.REJECT))) == ["lamp", "disposition"]


def test_reject_shows_at_once_however_many_records_wait_before_its_message():
    machine = Machine(end=9000).ready()
    machine.found(*(record(n) for n in range(1, WINDOW + 1)))  # the window is full
    actions = machine.grow(10_001, (10_001, Disposition.REJECT))
    assert lamps(actions) == [b"1"]
    assert topics(actions) == ["lamp"]


def test_message_sent_later_does_not_take_the_lamp_back_to_an_older_part():
    machine = Machine(end=1, position=1).ready()
    machine.grow(3, (2, Disposition.ACCEPT), (3, Disposition.HOLD))
    assert machine.state.lamp.value == 2
    machine.found(record(2, Disposition.ACCEPT), record(3, Disposition.HOLD))
    assert lamps(machine.actions) == [b"0", b"2"]


def test_reject_that_was_acknowledged_before_its_message_went_does_not_latch_again():
    machine = Machine(end=1, position=1).ready()
    machine.grow(2, (2, Disposition.REJECT))
    machine.give(d.Acknowledged(NOW, 2))
    machine.found(record(2, Disposition.REJECT))
    assert machine.state.lamp.value == 0
    machine.give(d.Disconnected(NOW, "gone"))
    machine.tick(PAUSE_MIN_S)
    machine.ready()
    machine.found(record(2, Disposition.REJECT))
    assert machine.state.lamp.value == 0
    machine.acknowledge_all()
    assert machine.state.answered == frozenset()


def test_lamp_stays_at_fault_until_what_was_decided_before_the_connection_was_sent():
    machine = Machine(end=2, decided=2)
    assert lamps(machine.connect()) == [b"3"]
    machine.echo()
    assert lamps(machine.found(record(1, Disposition.ACCEPT))) == []
    assert lamps(machine.found(record(2, Disposition.REJECT))) == [b"1"]
    assert b"0" not in lamps(machine.actions)


def test_lamp_is_sent_when_it_changes_and_on_each_connection_only():
    machine = Machine(end=1, position=1).ready()
    for name, present in (("disk", True), ("folder", True), ("disk", False), ("folder", False)):
        machine.give(d.Fault(NOW, name, present))
        machine.tick()
    assert lamps(machine.actions) == [b"0", b"3", b"0"]


def test_faults_that_begin_without_a_connection_show_with_the_next_one():
    machine = Machine(end=1, position=1)
    assert machine.give(d.Fault(NOW, "disk", True)) == []
    assert lamps(machine.connect()) == [b"3"]


def test_closed_gate_holds_the_lamp_from_the_first_message_on():
    machine = Machine()
    machine.give(d.Holding(NOW, GATE_CLOSED, True))
    machine.give(d.StartDelivery(NOW, 0, None, Lamp(), frozenset(), None))
    assert lamps(machine.connect()) == [b"2"]
    machine.echo()
    assert lamps(machine.give(d.Holding(NOW, GATE_CLOSED, False))) == [b"0"]


def test_heartbeat_grows_over_all_starts_and_nothing_waits_for_its_answer():
    counts = []
    for boot in (1, 2, 30):
        machine = Machine()
        machine.give(d.StartDelivery(NOW, 0, None, Lamp(), frozenset(), None, boot))
        machine.ready()
        for _ in range(3):
            (beat,) = machine.give(d.Beat(machine.now))
            assert (beat.topic, beat.qos, beat.retain) == ("heartbeat", 0, False)
            counts.append(int(beat.payload))
        assert machine.state.open == ()
    assert counts == sorted(set(counts))
    assert counts[-1] == 30 * 10**8 + 3


# --- refusals ------------------------------------------------------------------------------------------------


def refused(machine: Machine, topic: str = "disposition") -> list[d.Action]:
    ticket = next(m.ticket for m in machine.state.open if m.topic == topic)
    return machine.give(d.Acked(machine.now, ticket, f"{topic}: Not authorized"))


def test_refused_publish_rests_until_the_next_connection_and_loses_nothing():
    machine = Machine(end=1).ready()
    machine.found(record(1, Disposition.ACCEPT))
    actions = refused(machine)
    assert reports(actions) == ["publish-refused"]
    assert lamps(actions) == [b"3"]
    assert machine.state.position == 0
    assert d.Connect not in kinds(machine.tick(29.9))
    assert d.Connect in kinds(machine.tick(0.1))


def test_same_refusal_is_reported_once_and_the_fault_ends_when_all_was_taken_and_a_beat_too():
    machine = Machine(end=1).ready()
    machine.found(record(1, Disposition.ACCEPT))
    refused(machine)
    machine.tick(REST_S)
    machine.ready()
    machine.found(record(1, Disposition.ACCEPT))
    assert reports(refused(machine)) == []
    machine.tick(REST_S)
    machine.ready()
    machine.found(record(1, Disposition.ACCEPT))
    machine.acknowledge_all()
    machine.tick()
    assert REFUSED in machine.state.lamp.faults, "no beat was sent yet"
    machine.give(d.Aside(machine.now, (Outgoing("alarm", {}, False),)))
    machine.give(d.Beat(machine.now))
    assert REFUSED in machine.state.lamp.faults, "the alarm is not acknowledged"
    machine.acknowledge_all()
    assert machine.state.lamp.faults == frozenset()
    assert machine.state.refused is None


def test_fault_of_a_refusal_stays_until_all_that_waited_then_is_acknowledged():
    machine = Machine(end=2).ready()
    machine.found(record(1), record(2))
    refused(machine, "measurement")
    machine.tick(REST_S)
    machine.ready()
    machine.grow(3)
    machine.found(record(1), record(2), record(3))
    machine.give(d.Acked(machine.now, next(m.ticket for m in machine.state.open if m.seq == 1)))
    machine.give(d.Beat(machine.now))
    assert (machine.state.position, REFUSED in machine.state.lamp.faults) == (1, True)
    machine.acknowledge_all()
    assert (machine.state.position, machine.state.lamp.faults) == (3, frozenset())


@pytest.mark.parametrize("topic", ["alarm", "state"])
def test_message_beside_the_records_takes_no_place_of_theirs(topic):
    machine = Machine(end=1, position=1).ready()
    machine.give(d.Aside(machine.now, (Outgoing(topic, {}, False),)))
    assert machine.grow(9)[-1] == d.Read(WINDOW // 2)


def test_alarm_of_a_refusal_goes_out_beside_the_ordered_delivery():
    machine = Machine(end=1).ready()
    machine.found(record(1, Disposition.ACCEPT))
    refused(machine)
    assert topics(machine.give(d.Aside(NOW, (Outgoing("alarm", {}, False),)))) == ["alarm"]
    assert machine.state.sent_to == 1


# --- other writers -------------------------------------------------------------------------------------------


def test_foreign_digit_is_reported_once_put_right_at_most_once_a_second_and_a_fault_until_it_is_over():
    machine = Machine(end=1, position=1, latched=(1,)).ready()
    machine.now += 100.0
    machine.acknowledge_all()
    actions = machine.give(d.LampSeen(machine.now, b"0"))
    assert reports(actions) == ["foreign-writer"]
    assert lamps(actions) == [b"3"]
    for _ in range(200):
        machine.now += 0.1
        machine.echo()
        machine.tick()
        machine.give(d.LampSeen(machine.now, b"0"))
    assert reports(machine.actions).count("foreign-writer") == 1
    put_right = len(lamps(machine.actions)) - 2
    assert 15 <= put_right <= 20 / ASSERT_S
    assert set(lamps(machine.actions)) == {b"1", b"3"}
    machine.tick(ASSERT_S)
    machine.echo()
    machine.tick(FOREIGN_S - ASSERT_S)
    assert FOREIGN in machine.state.lamp.faults
    assert lamps(machine.tick(0.1)) == [b"1"]


def test_own_echoes_are_not_foreign_in_whatever_haste_the_lamp_changes():
    machine = Machine(end=1, position=1).ready()
    machine.now += 100.0
    for present in (True, False, True, False):
        machine.give(d.Fault(machine.now, "disk", present))
    for digit in (b"3", b"0", b"3", b"0"):
        machine.give(d.LampSeen(machine.now, digit))
    assert "foreign-writer" not in reports(machine.actions)
    assert machine.state.awaited == ()


def test_will_of_an_earlier_session_is_put_right_without_alarm():
    machine = Machine(end=1, position=1).ready()
    machine.now += ASSERT_S + 0.1
    actions = machine.give(d.LampSeen(machine.now, b"3"))
    assert (reports(actions), lamps(actions)) == ([], [b"0"])


def test_fault_from_a_foreign_writer_long_after_the_connection_is_one():
    machine = Machine(end=1, position=1).ready()
    machine.now += 100.0
    assert reports(machine.give(d.LampSeen(machine.now, b"3"))) == ["foreign-writer"]


def test_state_of_an_agent_with_another_store_is_foreign_and_our_own_is_not():
    machine = Machine()
    machine.give(d.StartDelivery(NOW, 0, None, Lamp(), frozenset(), None, 1, "ab" * 32, "r1"))
    machine.ready()
    assert machine.give(d.StateSeen(NOW, "ab" * 32, "r1", 1, False)) == []
    assert machine.give(d.StateSeen(NOW, "cd" * 32, "r9", 4, True)) == [], "remains of whoever was here before"
    actions = machine.give(d.StateSeen(NOW, "cd" * 32, "r9", 4, False))
    assert (reports(actions), lamps(actions)) == (["foreign-writer"], [b"3"])
    assert "cdcdcdcdcdcd" in actions[0].details["reason"]
    machine.now += FOREIGN_S
    assert reports(machine.give(d.StateSeen(machine.now, "cd" * 32, "r9", 4, False))) == [], "reported once"
    machine.tick(FOREIGN_S)
    assert FOREIGN in machine.state.lamp.faults


def test_store_before_ours_is_that_of_the_state_which_the_broker_had_kept_when_the_session_began():
    machine = Machine()
    machine.give(d.StartDelivery(NOW, 0, None, Lamp(), frozenset(), None, 1, "ab" * 32, "r1"))
    machine.connect()
    assert machine.state.phase is Phase.PROVING
    alive = machine.state, d.StateSeen(NOW, "ef" * 32, "r8", 4, False)
    after, actions = step(*alive)
    assert (after.before, reports(actions)) == ("", ["foreign-writer"]), (
        "an agent that speaks now is no remains"
    )
    assert machine.give(d.StateSeen(NOW, "cd" * 32, "r9", 4, True)) == []
    machine.echo()
    assert machine.give(d.StateSeen(NOW, "ef" * 32, "r8", 4, True)) == []
    assert machine.state.before == "cd" * 32


def test_copy_of_our_store_shows_by_the_state_that_the_broker_kept_of_it():
    machine = Machine()
    machine.give(d.StartDelivery(NOW, 0, None, Lamp(), frozenset(), None, 7, "ab" * 32, "r1"))
    machine.ready()
    assert machine.give(d.StateSeen(NOW, "ab" * 32, "r0", 7, True)) == [], (
        "nothing of this process is there yet"
    )
    machine.give(d.Aside(NOW, (Outgoing("state", {}, True),)))
    assert machine.give(d.StateSeen(NOW, "ab" * 32, "r1", 7, True)) == []
    assert machine.give(d.StateSeen(NOW, "ab" * 32, "r0", 6, True)) == [], "an old database of the broker"
    assert reports(machine.give(d.StateSeen(NOW, "ab" * 32, "r2", 7, True))) == ["foreign-writer"]


def test_client_id_taken_by_another_client_is_a_fault_that_the_next_connection_shows():
    machine = Machine(end=1, position=1).ready()
    machine.now += STABLE_S + 1
    actions = machine.give(d.Disconnected(machine.now, "Session taken over", taken_over=True))
    assert reports(actions) == ["mqtt-disconnected", "foreign-writer"]
    machine.tick(PAUSE_MIN_S)
    assert lamps(machine.connect()) == [b"3"]


# --- the end -------------------------------------------------------------------------------------------------


def test_stop_while_connecting_ends_at_once_and_a_connection_that_comes_then_does_nothing():
    machine = Machine(end=1)
    assert machine.give(d.StopDelivery(NOW)) == []
    assert machine.state.phase is Phase.STOPPED
    assert machine.connect() == []


def test_stop_shows_fault_and_waits_for_its_acknowledgement():
    machine = Machine(end=1, position=1).ready()
    assert lamps(machine.give(d.StopDelivery(NOW))) == [b"3"]
    assert STOPPED in machine.state.lamp.faults
    (lamp,) = machine.state.open
    machine.give(d.Acked(NOW, lamp.ticket))
    assert machine.state.open == ()
    assert machine.give(d.RecordsRead(NOW, (record(2),))) == []


# --- times and bounds ----------------------------------------------------------------------------------------


def test_every_connection_is_given_the_same_time_for_its_answer():
    started, last_words, lasted = Machine(end=1), Machine(), Machine(end=1).ready()
    last_words.give(d.LastWords(NOW))
    paused = Machine(end=1)
    paused.give(d.Unreachable(NOW, "no route"))
    paused.tick(PAUSE_MIN_S)
    lasted.now += STABLE_S + 1
    lasted.give(d.Disconnected(lasted.now, "gone"))
    lasted.tick(PAUSE_MIN_S)
    for machine in (started, last_words, paused, lasted):
        assert machine.tick(ANSWER_S - 0.01) == []
        assert machine.state.phase is Phase.CONNECTING
        assert reports(machine.tick(0.01)) == ["connection-failed"]


def test_pause_ends_when_its_time_is_up_and_not_before():
    machine = Machine(end=1)
    machine.give(d.Unreachable(NOW, "no route"))
    pause_s = machine.state.due - machine.now
    assert machine.tick(pause_s - 0.001) == []
    assert kinds(machine.tick(0.001)) == {d.Rewind, d.Connect}


def test_own_lamp_message_may_take_all_of_its_time():
    machine = Machine(end=1, position=1)
    machine.connect()
    assert machine.tick(SELF_TEST_S) == []
    assert machine.state.phase is Phase.PROVING


def test_refusal_rests_for_its_time_and_then_connects_anew():
    machine = Machine(end=1, position=1)
    machine.connect()
    machine.tick(SELF_TEST_S + 0.1)
    assert machine.state.phase is Phase.RESTING
    assert d.Connect() not in machine.tick(REST_S - 0.01)
    assert d.Connect() in machine.tick(0.01)


def test_connection_that_lasted_just_as_long_as_stated_is_not_a_lasting_one():
    machine = Machine(end=1).ready()
    machine.now += STABLE_S
    machine.give(d.Disconnected(machine.now, "gone"))
    assert machine.state.phase is Phase.PAUSING


def test_messages_may_take_three_keep_alives_and_a_quarter_of_a_minute_at_least():
    assert initial(latches=True, keep_alive_s=10).acknowledged_within_s == 30.0
    assert initial(latches=True, keep_alive_s=5).acknowledged_within_s == 15.0
    assert initial(latches=True, keep_alive_s=1).acknowledged_within_s == 15.0
    assert initial(latches=False, keep_alive_s=1).latches is False


def test_growth_of_the_journal_is_noted_twice_a_second_with_the_earlier_time():
    machine = Machine(end=10, position=10).ready()
    for seconds, end in ((0.0, 11), (0.4, 12), (0.09, 13), (0.01, 14), (0.3, 15)):
        machine.now += seconds
        machine.grow(end)
    assert machine.state.marks == ((13, NOW), (15, NOW + 0.5))
    assert machine.state.end == 15


def test_notes_of_growth_are_bounded_and_the_last_one_keeps_its_time():
    machine = Machine(end=10, position=10).ready()
    for number in range(100):
        machine.grow(11 + number)
        machine.now += 1.0
    assert len(machine.state.marks) == 64
    assert machine.state.marks[0] == (11, NOW)
    assert machine.state.marks[-1] == (110, NOW + 63.0)


def test_beats_are_counted_without_a_connection_too():
    machine = Machine(end=1)
    assert [machine.give(d.Beat(NOW)) for _ in range(3)] == [[], [], []]
    machine.connect()
    (beat,) = machine.give(d.Beat(NOW))
    assert (beat.payload, beat.qos, beat.retain) == (b"4", 0, False)


def test_echoes_that_are_waited_for_are_bounded():
    machine = Machine(end=1).ready()
    for number in range(100):
        machine.give(d.Fault(NOW, "disk", number % 2 == 0))
    assert len(machine.state.awaited) == 64
    assert machine.state.awaited[-1] == machine.state.lamp.value


def test_lamp_is_put_right_a_second_after_it_was_shown_and_not_sooner():
    machine = Machine(end=1, position=1).ready()
    machine.give(d.LampSeen(machine.now, b"0"))
    machine.echo()
    machine.now += ASSERT_S - 0.01
    assert lamps(machine.give(d.LampSeen(machine.now, b"0"))) == []
    assert lamps(machine.tick(0.01)) == [b"3"]


def test_foreign_fault_ends_when_its_time_is_over_and_not_on_its_last_moment():
    machine = Machine(end=1, position=1).ready()
    machine.now += ACK_S + 1
    machine.give(d.LampSeen(machine.now, b"0"))
    machine.tick(10.0)  # as deploy/README.md says
    assert FOREIGN in machine.state.lamp.faults
    machine.tick(0.01)
    assert FOREIGN not in machine.state.lamp.faults


def test_record_that_waits_just_as_long_as_stated_is_not_behind():
    machine = Machine(end=1, position=1).ready()
    machine.grow(2)
    machine.tick(BEHIND_S)
    assert BEHIND not in machine.state.lamp.faults
    machine.tick(0.01)
    assert BEHIND in machine.state.lamp.faults


def test_same_reason_in_other_bytes_of_memory_is_reported_once():
    machine = Machine(end=1)
    for _ in range(2):
        machine.give(d.Unreachable(machine.now, "no " + str(machine.state.phase is Phase.CONNECTING)))
        machine.tick(PAUSE_MAX_S)
    assert reports(machine.actions) == ["connection-failed"]


def test_stop_without_a_connection_leaves_the_lamp_at_fault():
    for machine in (Machine(), Machine(end=1)):
        machine.give(d.StopDelivery(NOW))
        assert machine.state.phase is Phase.STOPPED
        assert STOPPED in machine.state.lamp.faults


def test_start_keeps_the_marks_of_what_is_undelivered_alone():
    machine = Machine()
    machine.give(d.Appended(NOW + 1.0, 3, 0))
    machine.give(d.Appended(NOW + 2.0, 5, 0))
    machine.give(d.Appended(NOW + 3.0, 7, 0))
    machine.give(d.StartDelivery(NOW + 4.0, 5, "there", Lamp(), frozenset(), None))
    assert machine.state.marks == ((7, NOW + 3.0),)


def test_machine_that_has_done_nothing_has_nothing_to_deliver():
    state = initial(latches=True, keep_alive_s=5)
    assert (state.position, state.end, state.undelivered, state.unfinished) == (0, 0, 0, False)

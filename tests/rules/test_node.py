"""The edge node against the clauses of the Sparkplug Specification 3.0.0, named by their ids (tck-id-...)."""

from __future__ import annotations

from dataclasses import replace

import pytest
from sparkplug_world import DEVICE, GROUP, HOST, NODE, RECORD_MS, World, kind_of, lamp, serials

from edgeagent.model.sparkplug import DataType
from edgeagent.rules.sparkplug import node_state as say
from edgeagent.rules.sparkplug.node import BDSEQ, REBIRTH, death


def born(**more) -> World:
    world = World(**more)
    world.connect()
    if world.node.names.host is not None:
        world.host(True)
    assert world.node.phase == say.NodePhase.BORN
    world.now += 2.0
    return world


def metric(send: say.Send, name: str):
    (found,) = [m for m in send.payload.metrics if m.name == name]
    return found


# --- session -------------------------------------------------------------------------------------------------


def test_first_messages_of_a_session_are_its_births():
    """principles-birth-certificates-order, message-flow-edge-node-birth-publish-connect,
    message-flow-device-birth-publish-nbirth-wait, payloads-dbirth-order."""
    world = World()
    world.take(say.Begin)
    world.take(say.LetIn)
    assert world.sent == []
    world.answer()
    world.part("1")
    assert world.kinds()[:3] == ["NBIRTH", "DBIRTH", "DDATA"]


def test_subscriptions_come_before_births_at_qos_1():
    """message-flow-edge-node-ncmd-subscribe, message-flow-device-dcmd-subscribe."""
    world = World(host=HOST)
    world.connect()
    (subscribed,) = [a for a in world.actions if isinstance(a, say.SubscribeTopics)]
    assert set(subscribed.topics) == {
        f"spBv1.0/{GROUP}/NCMD/{NODE}",
        f"spBv1.0/{GROUP}/DCMD/{NODE}/{DEVICE}",
        f"spBv1.0/STATE/{HOST}",
    }


def test_topics_of_all_messages():
    """topics-nbirth-topic, topics-dbirth-topic, topics-ndata-topic, topics-ddata-topic, topics-ddeath-topic,
    topics-ndeath-topic, topic-structure-namespace-device-id-(non-)associated-message-types."""
    world = born()
    world.part("1")
    world.take(say.Stands, (lamp(1),))
    world.now += 2.0
    world.take(say.NodeTick)
    world.take(say.Stands, (lamp(2),), frozenset({DEVICE}))
    world.take(say.LeaveInOrder)
    base = f"spBv1.0/{GROUP}"
    assert {s.topic for s in world.sent} == {
        f"{base}/NBIRTH/{NODE}",
        f"{base}/DBIRTH/{NODE}/{DEVICE}",
        f"{base}/DDATA/{NODE}/{DEVICE}",
        f"{base}/NDATA/{NODE}",
        f"{base}/DDEATH/{NODE}/{DEVICE}",
        f"{base}/NDEATH/{NODE}",
    }
    assert {s.qos for s in world.sent if kind_of(s) != "NDEATH"} == {0}, "topics-*-mqtt, payloads-*-qos"


def test_will_is_bdseq_alone_without_a_sequence_number():
    """topics-ndeath-payload, topics-ndeath-seq, payloads-ndeath-seq."""
    will = death(7)
    assert [(m.name, m.datatype, m.value) for m in will.metrics] == [(BDSEQ, DataType.INT64, 7)]
    assert will.seq is None
    assert will.birth, "with its datatype, as nothing was born that could tell it"


def test_bdseq_starts_at_zero_grows_with_each_connect_and_begins_anew_after_255():
    """topics-nbirth-bdseq-increment, message-flow-edge-node-birth-publish-will-message-payload-bdSeq."""
    world = World()
    for _ in range(258):
        world.connect()
        (nbirth,) = [s for s in world.sent if kind_of(s) == "NBIRTH"]
        assert metric(nbirth, BDSEQ).value == world.connects[-1], "payloads-nbirth-bdseq-repeat"
        world.forget()
        world.take(say.SessionEnded, "gone")
    assert world.connects == [*range(256), 0, 1]


def test_bdseq_goes_on_after_a_restart():
    world = World(bdseq=41)
    world.connect()
    assert world.connects == [42]


def test_connect_that_never_went_out_does_not_use_a_number_up():
    world = World()
    world.take(say.Begin)
    for _ in range(3):
        world.take(say.Unreached, "connection refused")
        world.now = world.node.due
        world.take(say.NodeTick)
    assert set(world.connects) == {0}
    world.take(say.SessionEnded, "not let in")
    world.now = world.node.due
    world.take(say.NodeTick)
    assert world.connects[-1] == 1


def test_pauses_between_attempts_grow_and_never_exceed_ten_seconds():
    world = World()
    world.take(say.Begin)
    pauses = []
    for _ in range(12):
        world.take(say.Unreached, "connection refused")
        pauses.append(world.node.due - world.now)
        world.now = world.node.due
        world.take(say.NodeTick)
    assert 0.25 <= pauses[0] <= 0.5
    assert pauses[-1] <= 10.0
    assert pauses[-1] >= 5.0


def test_pause_after_a_lasting_connection_begins_anew_and_grows_after_a_short_one():
    world = World()
    for lasted_s, whole_s in ((10.0, 0.5), (10.0, 1.0), (10.5, 0.0), (10.5, 0.0), (1.0, 0.5)):
        world.connect()
        world.now = world.node.born_at + lasted_s
        world.take(say.SessionEnded, "gone")
        assert world.node.pause_s == whole_s
        assert world.now <= world.node.due <= world.now + max(whole_s, 0.5)


def test_end_of_a_session_is_reported_with_its_words_and_once_for_the_same_trouble():
    world = World()
    world.connect()
    gone = say.NodeReport("sparkplug-disconnected", "gone")
    assert gone in world.take(say.SessionEnded, "gone")
    for words, reported in (("refused", True), ("refused", False), ("no route", True)):
        world.now = world.node.due
        world.take(say.NodeTick)
        actions = world.take(say.Unreached, words)
        assert (say.NodeReport("sparkplug-disconnected", words) in actions) is reported


def test_subscription_that_is_not_answered_within_20_s_ends_the_session():
    world = World()
    world.take(say.Begin)
    world.take(say.LetIn)
    world.tick(19.9)
    assert world.node.phase == say.NodePhase.SUBSCRIBING
    world.tick(0.2)
    assert world.node.phase == say.NodePhase.PAUSING


def test_history_that_comes_when_nobody_reads_any_more_is_not_sent_again():
    world = World()
    world.part("1")
    world.connect()
    world.settle()
    assert (world.node.reading, len(serials(world.sent))) == (False, 1)
    before = world.node
    assert world.take(say.Remembered, tuple(world.journal)) == []
    assert world.node == before


def test_broker_that_never_answers_is_given_up():
    world = World()
    world.take(say.Begin)
    world.tick(25.0)
    assert world.node.phase == say.NodePhase.PAUSING
    world.now = world.node.due
    world.take(say.NodeTick)
    world.take(say.LetIn)
    world.tick(25.0)
    assert world.node.phase == say.NodePhase.PAUSING, "nor one that answers no subscription"


@pytest.mark.parametrize("host", [None, HOST])
def test_stop_says_ndeath_and_then_disconnects(host):
    """operational-behavior-edge-node-intentional-disconnect-ndeath and -packet."""
    world = born(host=host)
    last, leave = world.take(say.LeaveInOrder)
    assert (kind_of(last), last.payload, last.qos) == ("NDEATH", death(world.connects[-1]), 1)
    assert leave == say.Leave(polite=True)


# --- births --------------------------------------------------------------------------------------------------


def test_births_carry_all_metrics_with_name_type_time_and_value_or_null():
    """topics-nbirth-metric-reqs, topics-dbirth-metric-reqs, operational-behavior-data-publish-nbirth(-values),
    payloads-metric-datatype-req, payloads-name-birth-data-requirement."""
    world = born()
    world.part("7")
    world.ncmd()
    nbirth, dbirth = world.sent[-2:]
    assert (kind_of(nbirth), kind_of(dbirth)) == ("NBIRTH", "DBIRTH")
    for send in (nbirth, dbirth):
        assert send.payload.birth
        assert all(m.name and m.datatype is not None and m.at_ms > 0 for m in send.payload.metrics)
        times = [m.at_ms for m in send.payload.metrics]
        assert times == sorted(times), "operational-behavior-data-publish-nbirth-order"
    assert metric(dbirth, "Part/Serial").value == "7"
    assert metric(dbirth, "Measurement/Serial").value is None
    rebirth = metric(nbirth, REBIRTH)
    assert (rebirth.datatype, rebirth.value) == (DataType.BOOLEAN, False), "payloads-nbirth-rebirth-req"


def test_sequence_numbers_begin_at_zero_grow_by_one_and_begin_anew_after_255():
    """payloads-sequence-num-req-nbirth, payloads-sequence-num-incrementing, payloads-*-seq-inc."""
    world = born()
    for number in range(600):
        world.part(str(number))
    world.record("recovery")
    assert world.kinds()[-1] == "NDATA"
    assert [s.payload.seq for s in world.sent] == [n % 256 for n in range(len(world.sent))]
    assert all(s.payload.at_ms for s in world.sent), "payloads-*-timestamp"


def test_rebirth_gives_all_births_under_the_same_bdseq():
    """operational-behavior-data-commands-rebirth-action-1 to -3."""
    world = born()
    world.part("1")
    world.forget()
    world.ncmd()
    assert world.kinds() == ["NBIRTH", "DBIRTH"]
    assert [s.payload.seq for s in world.sent] == [0, 1]
    assert metric(world.sent[0], BDSEQ).value == world.connects[-1]
    assert not any(isinstance(a, say.OpenSession | say.Leave) for a in world.actions)


def test_flood_of_rebirths_gives_one_birth_a_second_and_no_data_in_between():
    world = born()
    world.forget()
    for _ in range(500):
        world.ncmd()
    assert world.kinds() == ["NBIRTH", "DBIRTH"]
    world.part("1")
    assert "DDATA" not in world.kinds()
    world.settle(3.0)
    assert world.kinds().count("NBIRTH") == 2
    assert serials(world.sent) == [("1", True, RECORD_MS + 1000)], "what was recorded meanwhile is not lost"


def test_new_instrument_is_born_before_its_data():
    """operational-behavior-data-publish-dbirth: what a DBIRTH did not name is never published."""
    world = born()
    world.forget()
    world.part("1", "gauge-2")
    world.settle()
    assert world.kinds()[:3] == ["NBIRTH", "DBIRTH", "DBIRTH"]
    asked = [a for a in world.actions if isinstance(a, say.SubscribeTopics)]
    assert asked[0].topics == (f"spBv1.0/{GROUP}/DCMD/{NODE}/gauge-2",)
    assert serials(world.sent) == [("1", True, RECORD_MS + 1000)]
    world.part("2", "gauge-2")
    assert serials(world.sent)[-1] == ("2", False, RECORD_MS + 2000)


def test_data_names_only_what_the_last_births_named():
    world = born()
    for number, name in enumerate(("roundness_total", "roundness_rms", "roundness_total")):
        world.record("measurement", {"characteristics": [{"name": name}], "trace": {"serial": str(number)}})
        world.settle()
    named: set[str] = set()
    for send in world.sent:
        if kind_of(send) == "DBIRTH":
            named = {m.name for m in send.payload.metrics}
        elif kind_of(send) == "DDATA":
            assert {m.name for m in send.payload.metrics} <= named


def test_device_of_a_lost_folder_dies_and_is_born_again():
    """operational-behavior-device-ddeath."""
    world = born()
    world.forget()
    world.take(say.Stands, (), frozenset({DEVICE}))
    assert world.kinds() == ["DDEATH"]
    assert world.sent[0].payload.seq is not None, "payloads-ddeath-seq-number"
    world.take(say.Stands, (), frozenset({DEVICE}))
    assert world.kinds() == ["DDEATH"]
    world.now += 2.0
    world.take(say.Stands, (), frozenset())
    assert world.kinds() == ["DDEATH", "NBIRTH", "DBIRTH"]


def test_node_data_is_sent_by_exception():
    """topics-ndata-payload, operational-behavior-data-publish-nbirth-change."""
    world = born()
    world.take(say.Stands, (lamp(0),))
    world.tick(2.0)
    world.forget()
    world.take(say.Stands, (lamp(0, 99),))
    assert world.sent == []
    world.take(say.Stands, (lamp(1, 100),))
    assert [(m.name, m.value) for m in world.sent[0].payload.metrics] == [("Lamp", 1)]


# --- primary host --------------------------------------------------------------------------------------------


def test_values_that_change_while_nothing_is_born_wait_for_the_births():
    world = World(host=HOST)
    world.connect()
    assert world.node.phase == say.NodePhase.WAITING
    assert world.take(say.Stands, (lamp(2),)) == []
    assert not world.node.rebirth, "there is no birth to be repeated"
    world.host(True)
    (nbirth,) = [s for s in world.sent if kind_of(s) == "NBIRTH"]
    assert metric(nbirth, "Lamp").value == 2


def test_births_wait_for_the_primary_host():
    """message-flow-edge-node-birth-publish-phid-wait, -wait-id, -wait-online,
    operational-behavior-edge-node-birth-sequence-wait."""
    world = World(host=HOST)
    world.connect()
    world.part("1")
    world.settle()
    world.host(True, host="another")
    world.host(False)
    for payload in (b"ONLINE", b"", b"{}", b'{"online": 1, "timestamp": 5}', b'{"online": true}'):
        world.take(say.StateSaid, f"spBv1.0/STATE/{HOST}", payload)
    assert (world.sent, world.node.phase) == ([], say.NodePhase.WAITING)
    world.host(True)
    assert world.kinds() == ["NBIRTH", "DBIRTH"]


def test_state_that_came_before_the_subscription_was_answered_counts():
    world = World(host=HOST)
    world.take(say.Begin)
    world.take(say.LetIn)
    world.host(True)
    assert world.sent == []
    world.answer()
    assert world.kinds() == ["NBIRTH", "DBIRTH"]


def test_host_that_goes_offline_ends_the_session_and_a_new_one_waits_for_it():
    """message-flow-edge-node-birth-publish-phid-offline,
    operational-behavior-edge-node-termination-host-offline."""
    world = born(host=HOST)
    world.forget()
    actions = world.host(False, 2)
    assert [type(a) for a in actions[:2]] == [say.Send, say.Leave]
    assert (kind_of(actions[0]), actions[1].polite) == ("NDEATH", True)
    world.connect()
    assert (world.connects, world.node.phase) == ([0, 1], say.NodePhase.WAITING)
    world.host(True, 3)
    assert world.kinds() == ["NDEATH", "NBIRTH", "DBIRTH"]


def test_state_older_than_the_last_one_changes_nothing():
    """message-flow-edge-node-birth-publish-phid-wait-timestamp,
    operational-behavior-edge-node-termination-host-offline-timestamp."""
    world = born(host=HOST)
    world.host(True, 100)
    world.forget()
    world.host(False, 99)
    assert (world.sent, world.node.phase) == ([], say.NodePhase.BORN)
    assert any(isinstance(a, say.NodeReport) and "before the last one" in a.words for a in world.actions)
    world.host(False, 100)
    assert world.kinds() == ["NDEATH"], "an equal time is not older"
    world.connect()
    world.host(True, 99)
    assert world.node.phase == say.NodePhase.WAITING


def test_host_that_came_back_within_its_keep_alive_gets_births():
    world = born(host=HOST)
    world.forget()
    world.host(True, 1)
    assert world.sent == [], "the same state again says nothing new"
    world.host(True, 2)
    assert world.kinds() == ["NBIRTH", "DBIRTH"]


# --- store and forward ---------------------------------------------------------------------------------------


def test_records_of_an_outage_are_forwarded_as_historical_with_their_own_time_and_in_order():
    world = born(host=HOST)
    world.part("0")
    world.settle()
    world.host(False, 2)
    for number in range(1, 451):
        world.part(str(number))
    world.connect()
    world.forget()
    world.host(True, 3)
    world.part("live")
    world.settle(30.0)
    live, history = serials(world.sent)[0], serials(world.sent)[1:]
    assert live == ("live", False, RECORD_MS + 452_000), "what is new does not wait for what is old"
    assert history == [(str(n), True, RECORD_MS + 1000 * (n + 1)) for n in range(1, 451)]
    assert world.node.sent.seq == 452
    assert world.node.sent.place == "place 452"


def test_what_the_broker_has_not_answered_for_is_sent_again():
    world = born()
    world.part("1")
    world.settle()
    world.part("2")
    world.tick(1.5)
    assert world.node.open is not None
    world.take(say.SessionEnded, "cable")
    world.connect()
    world.forget()
    world.settle()
    assert serials(world.sent) == [("2", True, RECORD_MS + 2000)]


def test_what_the_host_may_have_missed_before_its_end_was_noticed_is_sent_again():
    world = born(host=HOST, grace_s=60.0)
    world.part("long ago")
    world.settle(70.0)
    world.part("lately")
    world.settle(30.0)
    world.host(False, 2)
    world.connect()
    world.host(True, 3)
    world.forget()
    world.settle(10.0)
    assert serials(world.sent) == [("lately", True, RECORD_MS + 2000)]


def test_history_of_a_lost_device_waits_until_it_is_born_again():
    world = World(host=HOST)
    world.part("1")
    world.part("2")
    world.connect()
    world.take(say.Stands, (), frozenset({DEVICE}))
    world.host(True)
    reads = len([a for a in world.actions if isinstance(a, say.ReadJournal)])
    world.settle(20.0)
    assert serials(world.sent) == []
    assert len([a for a in world.actions if isinstance(a, say.ReadJournal)]) <= reads + 1, "and reads once"
    assert world.node.sent.seq == 0
    world.take(say.Stands, (), frozenset())
    world.settle(5.0)
    assert [s[:2] for s in serials(world.sent)] == [("1", True), ("2", True)]


def test_history_waits_for_the_broker_a_hundred_records_at_a_time():
    world = World()
    for number in range(1000):
        world.part(str(number))
    world.connect()
    for _ in range(20):
        world.tick(0.05)
    assert len(serials(world.sent)) == 100
    world.answer()
    world.tick(0.05)
    assert len(serials(world.sent)) == 200


def test_each_subscription_has_a_number_of_its_own():
    world = born()
    for serial in range(3):
        world.part(str(serial))
        world.settle()
    tickets = [a.ticket for a in world.actions if isinstance(a, say.SubscribeTopics)]
    assert len(tickets) > 3
    assert tickets == sorted(set(tickets))


def test_marks_that_wait_for_the_host_s_keep_alive_are_a_second_apart():
    world = World(host=HOST, grace_s=30.0)
    for serial in range(1500):
        world.part(str(serial))
    world.connect()
    world.host(True)
    for _ in range(50):
        world.tick(0.1)
        if world.node.open is not None:
            world.answer()
        at = [when for _, when in world.node.answered]
        assert all(later - earlier >= 0.99 for earlier, later in zip(at, at[2:], strict=False))
    assert 3 <= len(world.node.answered) <= 8


def test_broker_that_answers_no_mark_is_left():
    world = born()
    world.part("1")
    world.tick(2.0)
    world.tick(25.0)
    assert world.node.phase == say.NodePhase.PAUSING


def test_records_that_say_nothing_are_passed_over():
    world = World()
    for _ in range(300):
        world.record("checkpoint")
    world.part("1")
    world.connect()
    world.settle(10.0)
    assert serials(world.sent) == [("1", True, RECORD_MS + 301_000)]
    assert world.node.sent.seq == 301


def test_metric_that_was_forgotten_is_born_again_before_its_history():
    world = World()
    world.record("measurement", {"characteristics": [{"name": "roundness_rms"}]})
    world.node = replace(world.node, devices=World().node.devices)
    world.connect()
    world.settle()
    assert world.kinds().count("NBIRTH") == 2
    data = [s for s in world.sent if kind_of(s) == "DDATA"]
    assert [m.name for m in data[0].payload.metrics][-1] == "Values/left-flank/roundness_rms"


# --- commands ------------------------------------------------------------------------------------------------


def test_device_command_acknowledges_a_record():
    world = born()
    assert world.dcmd(412) == [say.Acknowledge(412)]


@pytest.mark.parametrize("value", [0, -1, True, 1.5, "412", None, 2**60])
def test_acknowledgement_that_is_no_record_number_is_refused(value):
    """operational-behavior-data-commands-dcmd-metric-value."""
    world = born()
    assert not [a for a in world.dcmd(value) if isinstance(a, say.Acknowledge)]
    assert world.node.refused == 1


def test_commands_for_others_or_unknown_metrics_do_nothing():
    world = born()
    topic = f"spBv1.0/{GROUP}"
    assert world.command(f"{topic}/DCMD/another/{DEVICE}", "Acknowledge", 5) == []
    assert world.command(f"{topic}/NDATA/{NODE}", "Acknowledge", 5) == []
    for refused in (
        world.dcmd(5, device="gauge-9"),
        world.dcmd(5, name="Lamp"),
        world.ncmd(value=False),
        world.ncmd("Node Control/Reboot"),
    ):
        assert not [a for a in refused if not isinstance(a, say.NodeReport)]
    assert world.node.refused == 4


def test_retained_command_is_refused():
    world = born()
    topic = f"spBv1.0/{GROUP}/DCMD/{NODE}/{DEVICE}"
    assert not [
        a for a in world.command(topic, "Acknowledge", 5, retained=True) if isinstance(a, say.Acknowledge)
    ]


def test_flood_of_rubbish_is_told_a_few_times():
    world = born()
    for _ in range(5000):
        world.take(say.Commanded, f"spBv1.0/{GROUP}/NCMD/{NODE}", None, False)
    assert len([a for a in world.actions if isinstance(a, say.NodeReport)]) <= 6
    assert world.node.refused == 5000


def test_refusal_names_metric_and_value_cut_to_what_a_line_bears():
    world = born()
    (told,) = [a for a in world.ncmd("x" * 200, "y" * 200) if isinstance(a, say.NodeReport)]
    assert f"'{'x' * 80}' with '{'y' * 40}'" in told.words


def test_acknowledgement_on_record_comes_back_as_data_of_every_device():
    world = born()
    world.forget()
    world.record("acknowledgement", {"seq": 3, "who": "sparkplug host scada", "matched": True})
    (told,) = world.sent
    found = metric(told, "Acknowledge")
    assert (found.value, {p.key: p.value for p in found.properties}) == (
        3,
        {"matched": True, "who": "sparkplug host scada"},
    )


def test_no_command_is_obeyed_before_the_births():
    world = World(host=HOST)
    world.connect()
    assert world.ncmd() == []
    assert world.dcmd(5) == []

"""What reaches the line through a real broker: latch, acknowledgement, lateness, order, restart."""

from __future__ import annotations

import pytest

pytestmark = pytest.mark.needs_mosquitto
QUICK = {"intake.settle_s": 0.05}


def dispositions(line) -> list[dict]:
    found = {m.json["seq"]: m.json for m in line.messages("disposition")}
    return [found[seq] for seq in sorted(found)]


def test_reject_latches_until_exactly_it_is_acknowledged(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    for serial, amplitude in (("1", 4000.0), ("2", 4000.0), ("3", 20.0)):
        agent.drop(f"{serial}.txt", circle_text(serial, amplitude))
        line.wait(lambda x, n=int(serial): len(dispositions(x)) == n)
    first, second, third = dispositions(line)
    assert [d["disposition"] for d in (first, second, third)] == ["reject", "reject", "accept"]
    line.wait_lamp("1")  # the accept does not clear it
    line.publish("acknowledge", str(first["seq"]))
    agent.wait_event("acknowledged")
    line.wait_lamp("1")  # the second one is still there
    line.publish("acknowledge", "nonsense")
    line.publish("acknowledge", str(second["seq"]))
    line.wait_lamp("0")
    told = [(r["body"]["seq"], r["body"]["matched"]) for r in agent.records("acknowledgement")]
    assert told == [(first["seq"], True), (0, False), (second["seq"], True)]


def test_every_payload_carries_boot_seq_and_head_of_its_record(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    agent.drop("1.txt", circle_text("1"))
    agent.drop("rubbish.txt", "no trace")
    line.wait_topic("disposition")
    line.wait_topic("alarm")
    heads = {r["seq"]: r["hash"] for r in agent.records()}
    for topic in ("measurement", "disposition", "alarm"):
        for message in line.messages(topic):
            assert message.json["boot"] == 1
            assert heads[message.json["seq"]] == message.json["head"]
            assert len(message.payload) < 8192
    assert line.messages("alarm")[0].json["alarm"] == "quarantine"


def test_restart_publishes_lamp_and_last_disposition_again_and_keeps_the_latch(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    agent.drop("1.txt", circle_text("1", 4000.0))
    line.wait_lamp("1")
    line.wait_topic("disposition")
    agent.terminate()
    line.wait_lamp("3")
    before = len(line.messages("disposition"))
    agent.start()
    line.wait_lamp("1")
    line.wait(lambda x: len(x.messages("disposition")) > before)
    (told,) = dispositions(line)
    newcomer = cell.begin_listener()  # what a PLC sees that connects only now
    newcomer.wait_lamp("1")
    assert newcomer.wait_topic("disposition")[0].retain
    assert [d["seq"] for d in dispositions(newcomer)] == [told["seq"]]
    line.publish("acknowledge", str(told["seq"]))
    line.wait_lamp("0")
    shown = len(line.messages("lamp"))
    agent.restart()
    line.wait(lambda x: [m.payload for m in x.messages("lamp")[shown:]][-2:] == [b"3", b"0"])
    assert b"1" not in [m.payload for m in line.messages("lamp")[shown:]]  # what was acknowledged stays so
    assert len(dispositions(line)) == 1


def test_killed_agent_shows_fault_by_its_will_and_keeps_its_latch(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    agent.drop("1.txt", circle_text("1", 4000.0))
    line.wait_lamp("1")
    line.wait_topic("disposition")
    shown = len(line.messages("lamp"))
    agent.kill()
    line.wait_lamp("3")
    agent.start()
    line.wait_lamp("1")
    assert {m.payload for m in line.messages("lamp")[shown:]} == {b"3", b"1"}  # clear at no moment


@pytest.mark.parametrize("first", [4000.0, 20.0])
def test_late_disposition_leaves_the_lamp_and_only_a_reject_raises_an_alarm(cell, circle_text, first):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent({**QUICK, "intake.live_s": 1e-4})  # no analysis is so quick: everything is late
    agent.drop("1.txt", circle_text("1", first))
    line.wait_topic("disposition")
    agent.drop("2.txt", circle_text("2"))
    line.wait(lambda x: len(dispositions(x)) == 2)
    told = dispositions(line)
    assert [d["late"] for d in told] == [True, True]
    assert all(d["age_s"] > 0 for d in told)
    late = [m.json["alarm"] for m in line.messages("alarm")]
    assert late == (["late-reject"] if first > 1000 else [])
    line.wait_topic("heartbeat", len(line.messages("heartbeat")) + 2)
    assert {m.payload for m in line.messages("lamp")} <= {b"0", b"3"}
    assert line.lamp == "0"


def test_live_disposition_does_not_say_late(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    agent.drop("1.txt", circle_text("1", 4000.0))
    assert "late" not in line.wait_topic("disposition")[0].json


def test_without_latch_the_lamp_follows_the_newest_part(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent({**QUICK, "decision.reject_latches": False})
    agent.drop("1.txt", circle_text("1", 4000.0))
    line.wait_lamp("1")
    agent.drop("2.txt", circle_text("2"))
    line.wait_lamp("0")
    assert not agent.records("acknowledgement")


def test_outage_of_the_broker_is_made_up_in_order_and_once(cell, circle_text):
    broker = cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    agent.drop("0.txt", circle_text("0"))
    line.wait_topic("disposition")
    # What the broker has no acknowledgement for from the listener it would deliver again after its restart.
    line.wait_topic("heartbeat", len(line.messages("heartbeat")) + 2)
    broker.stop()
    serials = [str(n) for n in range(1, 24)]  # more messages than may be on their way at a time
    for serial in serials:
        agent.drop(f"{serial}.txt", circle_text(serial, 4000.0 if serial == "7" else 20.0, turns=1))
    agent.wait_event("measured", 24)
    shown = len(line.messages("lamp", live=True))
    broker.start()
    line.wait(lambda x: len(dispositions(x)) == 24)
    line.wait_lamp("1")
    arrived = list(dict.fromkeys(m.json["seq"] for m in line.messages("disposition")))
    recorded = {r["seq"]: r["body"] for r in agent.records("disposition")}
    assert arrived == sorted(recorded)
    by_serial = [d["serial"] for d in dispositions(line)]
    assert sorted(by_serial, key=int) == ["0", *serials]
    measured = [m.json["seq"] for m in line.messages("measurement")]
    first_of_each = list(dict.fromkeys(measured))
    assert first_of_each == sorted(r["seq"] for r in agent.records("measurement"))
    assert line.messages("disposition")[-1].json["seq"] == max(recorded)
    lamps = [m.payload for m in line.messages("lamp", live=True)[shown:]]
    assert b"0" not in lamps  # never clear before the reject that waited


def test_outage_and_death_together_lose_nothing(cell, circle_text):
    broker = cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    line.wait_topic("heartbeat", len(line.messages("heartbeat")) + 2)
    broker.stop()
    for serial in ("1", "2", "3"):
        agent.drop(f"{serial}.txt", circle_text(serial, 4000.0 if serial == "2" else 20.0))
    agent.wait_event("measured", 3)
    agent.kill()
    agent.start(wait=False)
    shown = len(line.messages("lamp", live=True))
    broker.start()
    line.wait(lambda x: len(dispositions(x)) == 3)
    line.wait_lamp("1")
    assert [d["seq"] for d in dispositions(line)] == [r["seq"] for r in agent.records("disposition")]
    assert {d["boot"] for d in dispositions(line)} == {2}
    lamps = [m.payload for m in line.messages("lamp", live=True)[shown:]]
    assert b"0" not in lamps  # never clear before the reject that waited


def test_heartbeat_counts_from_the_loop(cell):
    cell.begin_broker()
    line = cell.begin_listener()
    cell.begin_agent()
    beats = [int(m.payload) for m in line.wait_topic("heartbeat", 3)]
    assert beats[:3] == list(range(beats[0], beats[0] + 3))


def test_older_protocol_by_configuration(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent({**QUICK, "mqtt.version": "3.1.1"})
    agent.drop("1.txt", circle_text("1", 4000.0))
    line.wait_lamp("1")
    (told,) = line.wait_topic("disposition")
    assert [r["seq"] for r in agent.records("disposition")] == [told.json["seq"]]
    line.publish("acknowledge", str(told.json["seq"]))
    line.wait_lamp("0")
    agent.kill()
    line.wait_lamp("3")


def test_missing_export_folder_is_a_fault_and_not_an_empty_one(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent({**QUICK, "intake.scan_s": 0.2})
    away = agent.inbox.with_name("away")
    agent.inbox.rename(away)
    line.wait_lamp("3")
    line.wait(lambda x: any(m.json["alarm"] == "source-unavailable" for m in x.messages("alarm")))
    away.rename(agent.inbox)
    line.wait_lamp("0")
    agent.drop("1.txt", circle_text("1", 4000.0))
    line.wait_lamp("1")


def test_folder_exchanged_for_another_is_watched_anew(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent({**QUICK, "intake.scan_s": 0.2})
    agent.inbox.rename(agent.inbox.with_name("old"))
    agent.inbox.mkdir()
    agent.drop("1.txt", circle_text("1"))
    line.wait_topic("disposition")

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
    assert len(dispositions(line)) == 1


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

"""What the line can rely on: answers to what it acknowledges, messages that cease to act, one writer."""

from __future__ import annotations

import json
import shutil
import time
from datetime import datetime

import pytest
from field import PREFIX, Agent, Listener

pytestmark = pytest.mark.needs_mosquitto
QUICK = {"intake.settle_s": 0.05}
GATE = {"verification": {"artefact": "MW-03", "max_age_h": 24}}


def by_serial(line, topic="disposition") -> dict[str, dict]:
    return {m.json["serial"]: m.json for m in line.messages(topic)}


def result(line, number: int) -> dict:
    (found,) = line.wait(
        lambda of: [m.json for m in of.messages("acknowledge/result") if m.json.get("acknowledges") == number]
    )
    return found


@pytest.fixture
def line_and_agent(cell):
    cell.begin_broker()
    return cell.begin_listener(), cell.begin_agent(QUICK)


def test_hold_and_quarantine_hold_the_lamp_until_acknowledged_by_their_number(line_and_agent, circle_text):
    line, agent = line_and_agent
    agent.drop("held.txt", circle_text("1", part="NO-RECIPE"))
    line.wait_lamp("2")
    agent.drop("junk.txt", "no trace")
    line.wait(lambda of: any(m.json["alarm"] == "quarantine" for m in of.messages("alarm")))
    agent.drop("good.txt", circle_text("2"))
    line.wait(lambda of: "2" in by_serial(of))
    assert line.lamp == "2", "the next part's accept does not clear it"
    quarantine = next(m.json["seq"] for m in line.messages("alarm") if m.json["alarm"] == "quarantine")
    for number in (by_serial(line)["1"]["seq"], quarantine):
        line.publish("acknowledge", str(number))
        answer = result(line, number)
        assert (answer["result"], answer["who"]) == ("acknowledged", "line")
        assert {r["seq"]: r["hash"] for r in agent.records()}[answer["seq"]] == answer["head"]
    line.wait_lamp("0")


def test_good_file_under_the_same_name_ends_its_quarantine(line_and_agent, circle_text):
    line, agent = line_and_agent
    agent.drop("a.txt", "no trace")
    line.wait_lamp("2")
    agent.drop("a.txt", circle_text("1"))
    line.wait_lamp("0")


def test_accept_of_the_same_serial_clears_its_reject_and_no_other(line_and_agent, circle_text):
    line, agent = line_and_agent
    for serial in ("1", "2"):
        agent.drop(f"{serial}.txt", circle_text(serial, 4000.0))
        line.wait(lambda of, s=serial: s in by_serial(of))
    agent.drop("again.txt", circle_text("1", measured_at="2026-11-25T09:51:07Z"))
    line.wait(lambda of: by_serial(of)["1"]["disposition"] == "accept")
    line.wait_topic("heartbeat", len(line.messages("heartbeat")) + 1)
    assert line.lamp == "1"
    line.publish("acknowledge", str(by_serial(line)["2"]["seq"]))
    line.wait_lamp("0")


def test_acknowledgement_of_nothing_is_answered(line_and_agent):
    line, _agent = line_and_agent
    line.publish("acknowledge", "99")
    assert result(line, 99)["result"] == "nothing-waits"
    line.publish("acknowledge", "ninety-nine")
    assert result(line, 0)["result"] == "malformed"


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_acknowledgement_sent_while_the_agent_is_down_is_kept_and_answered(cell, circle_text, version):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent({**QUICK, "mqtt.version": version})
    agent.drop("1.txt", circle_text("1", 4000.0))
    number = line.wait_topic("disposition")[0].json["seq"]
    agent.restart()  # the first connection of a new store is a clean one; from here on the broker keeps
    line.wait_lamp("1")
    agent.kill()
    line.wait_lamp("3")
    line.publish("acknowledge", str(number))
    agent.start()
    assert result(line, number)["result"] == "acknowledged"
    line.wait_lamp("0")


def test_gate_that_was_never_opened_holds_the_lamp(cell):
    cell.begin_broker()
    line = cell.begin_listener()
    cell.begin_agent({**QUICK, **GATE})
    line.wait_lamp("2")
    line.wait_topic("heartbeat", 2)
    assert b"0" not in {m.payload for m in line.messages("lamp")}
    state = line.wait_topic("state")[-1].json
    assert state["gate"] == {"closed": True, "until": None}
    assert (state["lamp"], state["holding"]) == (2, ["gate-closed"])


def test_heartbeat_grows_across_starts_and_is_not_kept_for_anybody(line_and_agent):
    line, agent = line_and_agent
    line.wait_topic("heartbeat", 3)
    agent.restart()
    before = len(line.messages("heartbeat"))
    line.wait_topic("heartbeat", before + 2)
    counts = [int(m.payload) for m in line.messages("heartbeat")]
    assert counts == sorted(set(counts))
    assert (counts[0] // 10**8, counts[-1] // 10**8) == (1, 2)


def test_disposition_says_when_it_ceases_to_act_and_the_broker_then_forgets_it(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent({**QUICK, "intake.live_s": 15.0})
    agent.drop("1.txt", circle_text("1"))
    (message,) = line.wait_topic("disposition")
    settled = agent.records("disposition")[0]["body"]["settled_at"]
    ends = datetime.fromisoformat(message.json["expires_at"]).timestamp()
    assert ends == pytest.approx(settled + 15.0, abs=1e-3)
    beats = [int(m.payload) for m in line.wait_topic("heartbeat")]
    assert beats[0] <= message.json["expires_beat"] <= beats[-1] + 16
    (lasting,) = line.wait_topic("decided")
    assert (lasting.json, lasting.retain) == (message.json, False)

    def no_longer_retained() -> bool:
        with Listener(cell.broker.port, topics=("disposition", "lamp")) as newcomer:
            newcomer.wait_topic("lamp")
            return newcomer.messages("disposition") == []

    while not no_longer_retained():
        assert time.time() < ends + 30.0, "the broker keeps what no longer acts"


def test_state_names_store_recipes_and_what_waits_and_comes_when_asked(line_and_agent, circle_text):
    line, agent = line_and_agent
    agent.drop("1.txt", circle_text("1", 4000.0))
    number = line.wait_topic("disposition")[0].json["seq"]
    state = line.wait(lambda of: [s.json for s in of.messages("state") if s.json["waiting_count"]])[0]
    assert state["store"] == agent.records()[0]["hash"]
    assert state["waiting"] == [{"seq": number, "what": "reject", "part": "HN-1610-R", "serial": "1"}]
    assert {r["part"] for r in state["recipes"]} >= {"HN-1610-R", "KX-2005-R"}
    assert (state["boot"], state["lamp"]) == (1, 1)
    numbers = [m.json["number"] for m in line.messages("state")]
    assert numbers == list(range(1, len(numbers) + 1))
    sent = len(numbers)
    line.publish("state/request", "")
    line.wait_topic("state", sent + 1, 4.0)
    with Listener(cell_port(agent)) as plc:  # one that was off: it can acknowledge all the same
        retained = plc.wait_topic("state")[0]
        assert retained.retain
        plc.publish("acknowledge", str(retained.json["waiting"][0]["seq"]))
    line.wait_lamp("0")


def cell_port(agent) -> int:
    return int(agent.config.read_text().split("mqtt://127.0.0.1:")[1].split('"')[0])


def test_two_agents_with_one_prefix_both_show_fault_as_long_as_both_run(cell, tmp_path, started):
    cell.begin_broker()
    line = cell.begin_listener()
    first = cell.begin_agent(QUICK)
    line.wait_lamp("0")
    second = Agent(tmp_path / "copy", cell.broker.port, changes={**QUICK, "verification": None})
    started.enter_context(second)
    for agent in (first, second):
        agent.wait_event("foreign-writer")
    begun = time.monotonic()
    line.wait_lamp("3")
    line.wait(lambda of: time.monotonic() - begun > 14.0 and of.messages("lamp"))
    shown = [m for m in line.messages("lamp", live=True) if m.at > begun + 1.0]
    assert {m.payload for m in shown} <= {b"3"}
    alarm = next(m.json for m in line.messages("alarm") if m.json["alarm"] == "foreign-writer")
    assert "give each agent" in alarm["reason"] or "take its right to write" in alarm["reason"]
    second.terminate()
    line.wait_lamp("0", 40)


def test_copied_store_is_seen_as_taken_over(cell, tmp_path, started):
    cell.begin_broker()
    line = cell.begin_listener()
    first = cell.begin_agent(QUICK)
    first.terminate()
    shutil.copytree(first.folder, tmp_path / "copy")
    first.start()
    copy = Agent(tmp_path / "copy", cell.broker.port, changes={**QUICK, "verification": None})
    started.enter_context(copy)
    (told, *_) = first.wait_event("foreign-writer")
    assert "client id" in told["reason"]
    line.wait_lamp("3")


def test_client_id_ends_in_the_store_s_identity(line_and_agent, cell):
    _line, agent = line_and_agent
    store = agent.records()[0]["hash"]
    log = cell.broker.said()
    assert f"-{store[:12]}" in log
    assert json.dumps(PREFIX)[1:-1].replace("/", "-") in log


def test_announced_part_holds_the_lamp_until_it_is_decided_and_is_answered_with_its_nonce(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent({**QUICK, "line.handshake": True})
    line.wait_lamp("0")
    line.publish("expect", json.dumps({"part": "HN-1610-R", "serial": "7", "nonce": "n-1"}))
    line.wait_lamp("2")
    (first,) = line.wait_topic("station")
    assert (first.json["nonce"], first.json["disposition"]) == ("n-1", None)
    agent.drop("7.txt", circle_text("7"))
    answer = line.wait(lambda of: [m.json for m in of.messages("station") if m.json["disposition"]])[0]
    assert (answer["nonce"], answer["serial"], answer["disposition"]) == ("n-1", "7", "accept")
    assert answer["expires_at"] == line.wait_topic("disposition")[0].json["expires_at"]
    line.wait_lamp("0")
    line.publish("expect/text", f"{'HN-1610-R':<32}{'7':<32}{'n-2':<16}")
    line.wait_lamp("2")
    text = line.wait(lambda of: [m.payload for m in of.messages("station/text") if m.payload[:3] == b"n-2"])[0]
    assert (len(text), text[80:81]) == (97, b"-"), "measured before it was announced anew"
    line.publish("expect", '{"part": "HN-1610-R"}')
    problem = line.wait(lambda of: [m.json for m in of.messages("station") if m.json["nonce"] == ""])[0]
    assert problem["waiting_for"] == ["serial, nonce missing"]
    assert line.lamp == "2"


def test_without_the_handshake_an_announcement_changes_nothing(line_and_agent):
    line, _agent = line_and_agent
    line.publish("expect", json.dumps({"part": "P", "serial": "7", "nonce": "n-1"}))
    line.wait_topic("heartbeat", len(line.messages("heartbeat")) + 2)
    assert (line.messages("station"), line.lamp) == ([], "0")

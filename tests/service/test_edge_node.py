"""Sparkplug on a real broker: births, deaths, rebirth, store and forward, commands, plain topics beside it."""

from __future__ import annotations

import subprocess
import sys
from datetime import datetime

import pytest
from sparkplug_host import DEVICE, Host

pytestmark = pytest.mark.needs_mosquitto
PLAIN = {"intake.settle_s": 0.05, "mqtt.sparkplug": {}}
WAITS = {"intake.settle_s": 0.05, "mqtt.sparkplug": {"primary_host": "scada", "host_grace_s": 0.0}}
INT64 = 4


def time_ms(record) -> int:
    return round(datetime.fromisoformat(record["time"]).timestamp() * 1000)


@pytest.fixture
def host(cell, started):
    cell.begin_broker()
    return started.enter_context(Host(cell.broker.port))


@pytest.fixture
def primary(cell, started):
    cell.begin_broker()
    return started.enter_context(Host(cell.broker.port, "scada"))


@pytest.mark.parametrize("version", ["5", "3.1.1"])
def test_births_data_and_death_of_a_whole_day(cell, host, circle_text, version):
    agent = cell.begin_agent({**PLAIN, "mqtt.version": version})
    (dbirth,) = host.wait_kind("DBIRTH")
    assert [h.kind for h in host.heard()][:2] == ["NBIRTH", "DBIRTH"]
    nbirth = host.heard("NBIRTH")[0]
    assert (nbirth.payload.seq, dbirth.payload.seq, dbirth.device) == (0, 1, DEVICE)
    assert (nbirth.value("bdSeq"), nbirth.payload["bdSeq"].datatype) == (0, INT64)
    assert nbirth.value("Node Control/Rebirth") is False
    agent.drop("1.txt", circle_text("1"))
    host.wait(
        lambda h: [h for h in h.heard() if "Part/Serial" in h.payload.names and h.value("Part/Serial") == "1"]
    )
    births = [h for h in host.heard("DBIRTH") if h.value("Measurement/Serial") == "1"]
    values = [m for m in births[-1].payload.metrics if m.name.startswith("Values/outside/")]
    limited = next(m for m in values if m.properties["upper"] is not None)
    assert limited.value is not None
    assert limited.properties["unit"] in ("um", "nm")
    assert limited.properties["expanded_uncertainty"] > 0
    assert limited.properties["Quality"] == 192
    agent.drop("2.txt", circle_text("2"))
    record = time_ms(host.wait(lambda _: agent.records("disposition")[1:])[0])
    host.wait(lambda h: ("2", None, record) in h.parts(), "a live value of the second part")
    agent.terminate()
    ndeath = host.wait_kind("NDEATH")[0]
    assert [(m.name, m.value) for m in ndeath.payload.metrics] == [("bdSeq", 0)]
    assert (ndeath.payload.seq, host.faults) == (None, [])


def test_rebirth_command_gives_births_under_the_same_number(cell, host):
    cell.begin_agent(PLAIN)
    host.wait_kind("DBIRTH")
    host.command("NCMD", "Node Control/Rebirth", True)
    again = host.wait_kind("NBIRTH", 2)[1]
    host.wait_kind("DBIRTH", 2)
    assert (again.value("bdSeq"), again.payload.seq, host.faults) == (0, 0, [])


def test_killed_agent_dies_by_its_will_and_its_next_life_counts_on(cell, host):
    agent = cell.begin_agent(PLAIN)
    host.wait_kind("DBIRTH")
    agent.kill()
    (death,) = host.wait_kind("NDEATH")
    assert death.value("bdSeq") == host.heard("NBIRTH")[0].value("bdSeq")
    agent.start()
    assert host.wait_kind("NBIRTH", 2)[1].value("bdSeq") == 1


def test_will_after_a_broker_s_restart_matches_the_newest_births(cell, host, circle_text):
    agent = cell.begin_agent(PLAIN)
    host.wait_kind("DBIRTH")
    cell.broker.kill()
    agent.drop("1.txt", circle_text("1"))
    agent.wait_event("measured")
    agent.freeze()  # what it says before the host is back is heard by nobody
    cell.broker.start()
    host.wait(lambda h: h.subscriptions == 2, "the host that is back")
    agent.thaw()
    host.wait(lambda h: [p for p in h.parts() if p[:2] == ("1", True)], "the part that was measured meanwhile")
    (record,) = agent.records("disposition")
    assert ("1", True, time_ms(record)) in host.parts()
    newest = host.heard("NBIRTH")[-1].value("bdSeq")
    assert newest >= 1
    agent.kill()
    assert host.wait_kind("NDEATH")[-1].value("bdSeq") == newest


def test_agent_waits_for_its_host_and_forwards_what_it_missed(cell, primary, circle_text):
    primary.say(online=False)
    agent = cell.begin_agent(WAITS)
    agent.wait_event("sparkplug-waits")
    for serial in ("1", "2"):
        agent.drop(f"{serial}.txt", circle_text(serial))
        primary.wait(lambda _, s=serial: [r for r in agent.records("disposition") if r["body"]["serial"] == s])
    assert primary.heard() == []
    primary.say(online=True)
    expected = [(r["body"]["serial"], True, time_ms(r)) for r in agent.records("disposition")]
    primary.wait(lambda h: h.parts() == expected, "both parts, as historical, in order and with their own time")
    assert [h.kind for h in primary.heard()][:2] == ["NBIRTH", "DBIRTH"]
    primary.say(online=False)
    (death,) = primary.wait_kind("NDEATH")[:1]
    agent.drop("3.txt", circle_text("3"))
    primary.wait(lambda _: len(agent.records("disposition")) == 3)
    primary.say(online=True)
    primary.wait(lambda h: [p for p in h.parts() if p[:2] == ("3", True)])
    assert primary.heard("NBIRTH")[-1].value("bdSeq") > death.value("bdSeq")
    assert primary.faults == []


def test_what_was_not_sent_survives_a_kill(cell, primary, circle_text):
    primary.say(online=False)
    agent = cell.begin_agent(WAITS)
    agent.wait_event("sparkplug-waits")
    agent.drop("1.txt", circle_text("1"))
    primary.wait(lambda _: agent.records("disposition"))
    agent.kill()
    agent.start()
    primary.say(online=True)
    primary.wait(lambda h: [p for p in h.parts() if p[:2] == ("1", True)])


def test_device_command_acknowledges_a_reject_and_the_lamp_clears(cell, host, circle_text):
    line = cell.begin_listener()
    agent = cell.begin_agent(PLAIN)
    agent.drop("1.txt", circle_text("1", 4000.0))
    number = line.wait_topic("disposition")[0].json["seq"]
    line.wait_lamp("1")
    host.wait(lambda h: [h for h in h.heard() if "Lamp" in h.payload.names and h.value("Lamp") == 1])
    host.command("DCMD", "Acknowledge", number, datatype=INT64)
    line.wait_lamp("0")
    (record,) = agent.records("acknowledgement")
    assert record["body"] == {"seq": number, "who": "sparkplug", "matched": True}
    told = host.wait(lambda h: [h for h in h.heard("DDATA") if "Acknowledge" in h.payload.names])[0]
    assert (told.value("Acknowledge"), told.payload["Acknowledge"].properties["matched"]) == (number, True)
    assert host.faults == []


def test_instrument_whose_folder_is_lost_dies_and_is_born_again(cell, host, circle_text):
    agent = cell.begin_agent({**PLAIN, "intake.scan_s": 0.2})
    agent.drop("1.txt", circle_text("1"))
    host.wait(lambda h: [h for h in h.heard("DBIRTH") if h.value("Measurement/Serial") == "1"])
    agent.inbox.rename(agent.folder / "away")
    (death,) = host.wait_kind("DDEATH")
    assert (death.device, death.payload.metrics) == (DEVICE, [])
    births = len(host.heard("DBIRTH"))
    (agent.folder / "away").rename(agent.inbox)
    host.wait_kind("DBIRTH", births + 1)
    agent.drop("2.txt", circle_text("2"))
    host.wait(lambda h: [p for p in h.parts() if p[0] == "2"])
    assert host.faults == []


def test_damaged_state_costs_history_alone(cell, host, circle_text):
    agent = cell.begin_agent(PLAIN)
    host.wait_kind("DBIRTH")
    agent.terminate()
    (agent.store / "state" / "sparkplug.json").write_bytes(b'{"bdseq":1}')
    agent.start()
    agent.wait_event("sparkplug-state-lost")
    host.wait_kind("DBIRTH", 2)
    agent.drop("1.txt", circle_text("1"))
    host.wait(
        lambda h: [h for h in h.heard() if "Part/Serial" in h.payload.names and h.value("Part/Serial") == "1"]
    )


def test_plain_topics_go_on_where_sparkplug_cannot_work(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.agent(PLAIN)
    (agent.store / "state" / "sparkplug.json").mkdir(parents=True)
    agent.start()
    agent.wait_event("sparkplug-failed")
    agent.drop("1.txt", circle_text("1"))
    assert line.wait_topic("disposition")[0].json["disposition"] == "accept"
    line.wait_lamp("0")


def test_nothing_is_said_in_sparkplug_unless_it_is_asked_for(cell, host, circle_text):
    agent = cell.begin_agent({"intake.settle_s": 0.05})
    agent.drop("1.txt", circle_text("1"))
    host.wait(lambda _: agent.records("disposition"))
    agent.terminate()
    assert host.heard() == []
    assert not (agent.store / "state" / "sparkplug.json").exists()


def test_check_says_who_the_station_is_and_run_says_what_is_missing(cell):
    agent = cell.agent({"mqtt.sparkplug": {"group": "plant/a", "primary_host": "scada"}})
    said = "from edgeagent.cli import main; main()"
    hidden = f"import sys; sys.modules['google'] = None; {said}"

    def call(code: str, command: str) -> subprocess.CompletedProcess[str]:
        line = [sys.executable, "-c", code, command, "--config", str(agent.config)]
        return subprocess.run(line, capture_output=True, text=True, check=False, timeout=60)

    checked = call(said, "check")
    assert "group plant%2Fa, edge node cell-3.gauge-1, one device for each instrument" in checked.stdout
    assert "births wait for host scada" in checked.stdout
    ran = call(hidden, "run")
    assert ran.returncode == 2
    assert "mqtt.sparkplug: needs protobuf: pip install 'edgeagent[sparkplug]'" in ran.stderr

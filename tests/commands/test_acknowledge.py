"""Acknowledging from a terminal: the lamp, the line, the record and the terminal agree on what became of it."""

from __future__ import annotations

import json
import os
import subprocess

import pytest
from field import run_command

pytestmark = pytest.mark.needs_mosquitto
QUICK = {"intake.settle_s": 0.05}


def said(
    agent, seq: object, *more: str, who: str = "A. N.", why: str = "part taken out"
) -> subprocess.CompletedProcess[str]:
    named = ["--who", who, "--why", why]
    return run_command("acknowledge", str(seq), "--config", os.fspath(agent.config), *named, *more)


def result_of(line, seq: int) -> dict:
    return line.wait(
        lambda of: [m.json for m in of.messages("acknowledge/result") if m.json.get("acknowledges") == seq]
    )[0]


def test_reject_and_quarantine_are_acknowledged_with_name_reason_and_user(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    agent.drop("bad.txt", circle_text("1", 4000.0))
    rejected = line.wait_topic("disposition")[0].json["seq"]
    agent.drop("junk.txt", "no trace")
    alarms = line.wait(lambda of: [m.json for m in of.messages("alarm") if m.json["alarm"] == "quarantine"])
    answer = said(agent, rejected)
    assert (answer.returncode, answer.stderr) == (0, "")
    (record,) = agent.records("acknowledgement")
    assert answer.stdout == f"acknowledged: record {rejected}, by record {record['seq']}\n"
    body = record["body"]
    assert (body["seq"], body["matched"]) == (rejected, True)
    assert (body["who"], body["why"]) == ("A. N.", "part taken out")
    assert body["uid"] == os.getuid()
    told = result_of(line, rejected)
    assert (told["result"], told["seq"], told["head"]) == ("acknowledged", record["seq"], record["hash"])
    line.wait_lamp("2")
    as_json = json.loads(said(agent, alarms[0]["seq"], "--json").stdout)
    assert as_json == {"acknowledged": alarms[0]["seq"], "record": agent.records("acknowledgement")[-1]["seq"]}
    line.wait_lamp("0")


def test_what_does_not_wait_is_refused_in_one_line_and_on_record(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    agent.drop("bad.txt", circle_text("1", 4000.0))
    rejected = line.wait_topic("disposition")[0].json["seq"]
    answer = said(agent, rejected + 1000)
    assert answer.returncode == 1
    assert answer.stderr.startswith("edgeagent: not acknowledged: ")
    assert answer.stderr.count("\n") == 1
    (record,) = agent.records("acknowledgement")
    assert not record["body"]["matched"]
    assert line.lamp == "1"
    for wrong in ("0", "-3", "many", 2**60):
        assert said(agent, wrong).returncode == 2
    assert said(agent, rejected, who="  ").returncode == 2
    assert said(agent, rejected, why="x" * 500).returncode == 2
    assert len(agent.records("acknowledgement")) == 1


def test_without_an_agent_the_terminal_is_told_at_once_and_nothing_happens_later(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    agent.drop("bad.txt", circle_text("1", 4000.0))
    rejected = line.wait_topic("disposition")[0].json["seq"]
    agent.kill()
    answer = said(agent, rejected)
    assert answer.returncode == 1
    assert f"process {agent.pid} ended without a stop record" in answer.stderr
    assert answer.stderr.endswith("; nothing was acknowledged\n")
    agent.start()
    line.wait_lamp("1")
    assert agent.records("acknowledgement") == []
    assert list((agent.store / "requests").iterdir()) == []

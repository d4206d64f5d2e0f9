"""The service as a real process: what a file, a kill, a restart and a torn disk do to parts and lamp."""

from __future__ import annotations

import json
import os

from field import wait_until

from edgeagent.shell.verify import verify_journal


def test_disposition_torn_from_its_measurement_is_decided_at_the_next_start(cell, circle_text):
    agent = cell.begin_alone()
    agent.drop("first.txt", circle_text("1"))
    agent.wait_event("measured")
    wait_until(lambda: json.loads((agent.store / "state" / "publisher.json").read_bytes())["end"] >= 4)
    state = (agent.store / "state" / "publisher.json").read_bytes()
    agent.drop("second.txt", circle_text("2", seed=2))
    agent.wait_event("measured", 2)
    agent.kill()
    (segment,) = sorted((agent.store / "journal").glob("*.jsonl"))
    whole = segment.read_bytes()
    kinds = [json.loads(line)["kind"] for line in whole.splitlines()]
    assert kinds[-2:] == ["measurement", "disposition"]
    # A disk that ran full or lost power in the middle of the write that carries both records.
    segment.write_bytes(whole[:-40])
    (agent.store / "state" / "publisher.json").write_bytes(state)
    agent.start(wait=False)
    agent.wait_event("started")
    wait_until(lambda: len(agent.records("disposition")) == 2, 20)
    assert [r["body"]["serial"] for r in agent.records("disposition")] == ["1", "2"]
    assert len(agent.records("measurement")) == 2
    assert agent.records("recovery")[0]["body"]["what"] == "journal-tail-cut"
    agent.terminate()
    verify_journal(agent.store)


def test_failed_verification_torn_from_its_measurement_still_closes_the_gate(cell, circle_text):
    gate = {"verification": {"artefact": "MW-03", "max_age_h": 24}}
    agent = cell.begin_alone(gate)
    agent.drop("wave.txt", circle_text("", artefact="MW-03", amplitude_nm=0.0))
    agent.wait_event("measured")
    wait_until(lambda: json.loads((agent.store / "state" / "publisher.json").read_bytes())["end"] >= 2)
    agent.kill()
    (segment,) = sorted((agent.store / "journal").glob("*.jsonl"))
    whole = segment.read_bytes()
    assert json.loads(whole.splitlines()[-1])["kind"] == "verification"
    segment.write_bytes(whole[:-40])
    (agent.store / "state" / "publisher.json").unlink()
    agent.start(wait=False)
    agent.wait_event("started")
    wait_until(lambda: agent.records("verification"), 20)
    (record,) = agent.records("verification")
    assert record["body"]["passed"] is False
    assert record["body"]["artefact"] == "MW-03"


def test_file_name_that_is_not_utf8_stops_neither_its_file_nor_the_next(cell, circle_text):
    agent = cell.begin_alone()
    odd = os.fsencode(agent.inbox) + b"/caf\xe9.txt"
    with open(odd, "wb") as file:
        file.write(circle_text("1").encode())
    agent.drop("next.txt", circle_text("2"))
    agent.wait_event("measured", 2)
    names = {r["body"]["source"]["name"] for r in agent.records("measurement")}
    assert names == {"caf\\xe9.txt", "next.txt"}
    agent.restart(wait=False)
    agent.wait_event("started")
    agent.drop("third.txt", circle_text("3"))
    agent.wait_event("measured")
    assert len(agent.records("measurement")) == 3

"""Checkpoints of the running agent: signed, published, handed to witnesses; and an older copy shows fault."""

from __future__ import annotations

import json
import shutil

import pytest
from click.testing import CliRunner
from evidence import WITNESS_KEY
from field import wait_until

from edgeagent.cli import main
from edgeagent.codec.evidence.notes import read_verifier_key
from edgeagent.codec.evidence.witnessing import read_document
from edgeagent.service.evidence.notary import Notary
from edgeagent.store.clock import SystemClock
from edgeagent.store.evidence.witness import WitnessFolder, WitnessMemory
from edgeagent.store.verify import verify_journal

QUICK = {"intake.settle_s": 0.05}


def verifier(agent):
    return read_verifier_key((agent.store / "keys" / "log.key.pub").read_text())


def signed_up_to(agent) -> int:
    (signed,) = verify_journal(agent.store, keys=[verifier(agent)]).signed
    return signed.up_to


def witness(shared, agent, tmp_path) -> list:
    """One look of a witness at the folder."""
    memory = WitnessMemory(tmp_path / "memory.json", WITNESS_KEY, [verifier(agent)])
    found = []
    for log, data in WitnessFolder(shared).documents():
        looked = memory.look(data, 1_800_000_000)
        evidence = memory.evidence(looked.origin, read_document(data))
        WitnessFolder.answer(log, looked, WITNESS_KEY.name, evidence)
        found.append(looked)
    memory.close()
    return found


def test_disposition_is_signed_and_the_whole_journal_at_the_stop(cell, circle_text):
    agent = cell.begin_alone(QUICK)
    agent.drop("1.txt", circle_text("1"))
    agent.wait_event("measured")
    wait_until(lambda: signed_up_to(agent) >= 4, what="the disposition is signed")
    assert (agent.store / "keys" / "log.key").stat().st_mode & 0o777 == 0o600
    assert agent.terminate() == 0
    whole = verify_journal(agent.store, keys=[verifier(agent)])
    assert whole.signed[0].up_to == whole.records
    again = cell.begin_alone(QUICK)
    assert again.terminate() == 0
    whole = verify_journal(agent.store, keys=[verifier(agent)])
    assert (whole.signed[0].up_to, len(whole.signed)) == (whole.records, 1)


@pytest.mark.needs_mosquitto
def test_checkpoint_is_retained_on_its_topic(cell, circle_text):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    agent.drop("1.txt", circle_text("1"))
    agent.wait_event("measured")

    def published(heard) -> bool:
        found = heard.messages("checkpoint")
        return bool(found) and int(json.loads(found[-1].payload)["checkpoint"].splitlines()[1]) >= 4

    listener.wait(published)
    last = listener.messages("checkpoint")[-1].json
    record = next(r for r in agent.records() if r["seq"] == last["seq"])
    assert (last["boot"], last["head"]) == (1, record["hash"])
    assert last["checkpoint"].splitlines()[1] == str(last["seq"])
    late = cell.begin_listener()
    assert late.wait_topic("checkpoint")[0].retain
    assert agent.terminate() == 0


def test_witness_folder_gets_checkpoints_and_its_cosignature_comes_home(cell, circle_text, tmp_path):
    shared = tmp_path / "shared"
    agent = cell.begin_alone({**QUICK, "evidence.witness": [str(shared)]})
    wait_until(lambda: list(WitnessFolder(shared).documents()), what="the first checkpoint is handed on")
    (looked,) = witness(shared, agent, tmp_path)
    assert looked.note is not None
    agent.drop("1.txt", circle_text("1"))
    agent.wait_event("measured")

    def follows() -> bool:
        (again,) = witness(shared, agent, tmp_path)
        return again.note is not None and int(again.note.text.splitlines()[1]) >= 4

    wait_until(follows, what="the witness follows with the path from where it stood")

    def came_home() -> bool:
        whole = verify_journal(agent.store, keys=[verifier(agent)], witnesses=[WITNESS_KEY.verifier])
        return whole.witnessed[0].up_to >= 4

    wait_until(came_home, what="the cosignature comes home")
    assert agent.terminate() == 0


@pytest.mark.parametrize("lost_key", [False, True])
def test_older_copy_than_a_witness_saw_shows_fault_until_a_person_adopts_it(
    cell, circle_text, tmp_path, lost_key
):
    shared = tmp_path / "shared"
    changes = {**QUICK, "evidence.witness": [str(shared)]}
    agent = cell.begin_alone(changes)
    assert agent.terminate() == 0
    shutil.copytree(agent.store, tmp_path / "backup")
    agent = cell.begin_alone(changes)
    agent.drop("1.txt", circle_text("1", 4000.0))
    agent.wait_event("measured")
    assert agent.terminate() == 0
    shutil.rmtree(agent.store)
    shutil.copytree(tmp_path / "backup", agent.store)
    if lost_key:
        shutil.rmtree(agent.store / "keys")
    agent = cell.begin_alone(changes)
    agent.wait_event("store-older")
    assert agent.terminate() == 0
    again = cell.begin_alone(changes)  # on record: it stays so, whatever is taken away
    assert again.terminate() == 0
    told = CliRunner().invoke(
        main, ["journal", "adopt", "--config", str(agent.config), "--who", "A. N.", "--why", "disk lost"]
    )
    assert told.exit_code == 0, told.output
    adopted = cell.begin_alone(changes)
    wait_until(lambda: len(list(WitnessFolder(shared).documents())) == 2, what="a log of its own begins")
    assert adopted.terminate() == 0
    assert adopted.events("store-older") == []
    whole = verify_journal(agent.store, keys=[verifier(agent)], checkpoints=[shared])
    assert whole.signed[0].up_to == whole.records
    assert (whole.adopted[0].who, whole.adopted[0].lost > 0) == ("A. N.", True)


def test_state_of_a_store_adopted_from_this_journal_is_known_as_that():
    notary = Notary(None, SystemClock(), None, list, list, 60.0)  # type: ignore[arg-type]
    notary._identity, other = "a" * 64, "b" * 64
    state = {"store": other, "run": "1", "boot": 3, "seq": 9, "head": other}
    assert not notary._is_former_in(json.dumps(state, separators=(",", ":")).encode())
    adopted = {**state, "formerly": ["c" * 64, "a" * 64]}
    assert notary._is_former_in(json.dumps(adopted, separators=(",", ":")).encode())


def test_key_that_others_can_read_signs_nothing_and_says_so(cell):
    agent = cell.begin_alone(QUICK)
    assert agent.terminate() == 0
    (agent.store / "keys" / "log.key").chmod(0o644)
    agent = cell.begin_alone(QUICK)
    agent.wait_event("evidence-failed")
    assert agent.terminate() == 0


@pytest.mark.needs_mosquitto
def test_older_copy_than_the_broker_s_state_shows_fault_and_signs_nothing_more(cell, circle_text, tmp_path):
    cell.begin_broker()
    listener = cell.begin_listener()
    agent = cell.begin_agent(QUICK)
    assert agent.terminate() == 0
    shutil.copytree(agent.store, tmp_path / "backup")
    agent.restart()
    agent.drop("1.txt", circle_text("1", 4000.0))
    listener.wait_lamp("1")
    listener.wait(lambda heard: any(m.json["waiting_count"] for m in heard.messages("state")))
    agent.kill()
    shutil.rmtree(agent.store)
    shutil.copytree(tmp_path / "backup", agent.store)
    agent.start(wait=False)
    agent.wait_event("store-older")
    listener.wait_lamp("3")
    listener.wait(lambda heard: "store-older" in heard.messages("state")[-1].json["faults"])
    listener.wait(lambda heard: any(m.json["alarm"] == "store-older" for m in heard.messages("alarm")))
    assert agent.terminate() == 0
    before = verify_journal(tmp_path / "backup", keys=[verifier(agent)])
    after = verify_journal(agent.store, keys=[verifier(agent)])
    assert after.signed[0].up_to == before.signed[0].up_to < after.records

"""How the agent stands, asked from another terminal: never better than it is, whatever became of the agent."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from field import run_command, wait_until

from edgeagent.cli import main
from edgeagent.commands.status import in_words
from edgeagent.judging.status.agent_status import Moment, Writer, stopped_status
from edgeagent.model.status import AgentStatus, LampNow, ProcessMark, WaitingNow
from edgeagent.store.running.look import NO_AGENT, NOT_READY, READY, look
from edgeagent.store.running.process import this_process
from edgeagent.store.running.status_file import StatusFile

QUICK = {"intake.settle_s": 0.05}
GATE = {"verification": {"artefact": "MW-03", "max_age_h": 24}}


def told(config: Path, *more: str) -> tuple[int, str]:
    result = CliRunner().invoke(main, ["status", "--config", str(config), *more], prog_name="edgeagent")
    assert isinstance(result.exception, SystemExit | None), result.exception
    return result.exit_code, result.stdout


def object_of(config: Path) -> dict:
    code, text = told(config, "--json")
    found = json.loads(text)
    assert found["exit"] == code
    return found


@pytest.mark.needs_mosquitto
def test_ready_agent_tells_lamp_queue_parts_gate_disk_and_broker(cell, circle_text):
    cell.begin_broker()
    agent = cell.begin_agent(QUICK)
    wait_until(lambda: told(agent.config)[0] == READY)
    agent.drop("good.txt", circle_text("1"))
    agent.drop("bad.txt", circle_text("2", 4000.0))
    found = wait_until(
        lambda: (f := object_of(agent.config)) and f["status"] and f["status"]["lamp"]["waiting_count"] and f
    )
    assert (found["exit"], found["could_accept"]) == (READY, True), (
        "a latched reject keeps no good part from it"
    )
    said = found["status"]
    assert (said["lamp"]["digit"], said["lamp"]["word"]) == (1, "reject")
    assert said["lamp"]["why"] == ["1 reject waits for its acknowledgement"]
    assert {p["serial"]: p["disposition"] for p in said["last_parts"]} == {"1": "accept", "2": "reject"}
    assert said["process"]["pid"] == agent.pid
    assert (said["gate"]["closed"], said["broker"]["ready"]) == (False, True)
    assert said["since_start"]["accept"] == said["since_start"]["reject"] == 1
    assert said["disk"]["free_mb"] > 0
    assert said["store"] == agent.records()[0]["hash"]
    code, text = told(agent.config)
    for words in ("1 reject", "HN-1610-R 2 reject: ", "open", "0 files to read", "ready", "MB free"):
        assert words in text
    path = agent.store / "state" / "status.json"
    assert path.stat().st_mode & 0o777 == 0o644
    agent.terminate()
    code, text = told(agent.config)
    assert (code, text.splitlines()[0]) == (NO_AGENT, "no agent runs: it was stopped in order")


@pytest.mark.needs_mosquitto
def test_closed_gate_and_absent_broker_are_no_readiness(cell):
    cell.begin_broker()
    agent = cell.begin_agent({**QUICK, **GATE})
    found = wait_until(lambda: (f := object_of(agent.config)) and f["status"] and f)
    wait_until(lambda: "gate is closed" in object_of(agent.config)["sentence"])
    cell.broker.stop()
    found = wait_until(lambda: (f := object_of(agent.config)) and not f["status"]["broker"]["ready"] and f)
    assert found["exit"] == NOT_READY
    assert found["status"]["lamp"]["digit"] == 3, "what the line sees, not what the agent would show"
    assert (
        found["sentence"]
        == "running, but no part is accepted: the broker is not connected: the line sees a fault"
    )


def test_killed_agent_is_no_agent_and_a_frozen_one_is_not_ready(cell):
    agent = cell.begin_alone(QUICK)
    wait_until(lambda: object_of(agent.config)["status"])
    agent.freeze()
    found = wait_until(
        lambda: (f := object_of(agent.config)) and "is stopped by a signal" in f["sentence"] and f
    )
    assert (found["exit"], found["running"]) == (NOT_READY, True)
    wait_until(lambda: "What it said last" in told(agent.config)[1])
    agent.thaw()
    wait_until(lambda: object_of(agent.config)["age_s"] < 3.0)
    agent.kill()
    found = object_of(agent.config)
    assert found["exit"] == NO_AGENT
    assert f"process {agent.pid} ended without a stop record" in found["sentence"]
    agent.start(wait=False)
    agent.wait_event("started")
    assert wait_until(lambda: object_of(agent.config)["exit"] == NOT_READY), "no broker"


def test_second_run_on_a_used_store_names_the_process_that_holds_it(cell):
    agent = cell.begin_alone(QUICK)
    wait_until(lambda: object_of(agent.config)["status"])
    before = (agent.store / "state" / "status.json").read_bytes()
    second = run_command("run", "--config", os.fspath(agent.config), cwd=agent.folder)
    assert second.returncode == 21
    reasons = [json.loads(line).get("reason", "") for line in second.stdout.splitlines()]
    assert any(f"another agent writes this journal: process {agent.pid}" in reason for reason in reasons)
    assert object_of(agent.config)["status"]["process"]["pid"] == agent.pid, before


@pytest.fixture
def store(tmp_path: Path) -> Path:
    (tmp_path / "state").mkdir()
    (tmp_path / "journal").mkdir()
    return tmp_path


def running(store: Path, *, process: ProcessMark | None = None, age_s: float = 0.0, **more: object) -> None:
    """A status as an agent that could accept a part wrote it so long ago."""
    writer = Writer(process or this_process(), time.time() - 100.0)
    base = stopped_status("", writer, Moment(time.time() - age_s, time.monotonic() - age_s))
    given = {"phase": "running", "not_accepting": (), **more}
    status = msgspec.structs.replace(base, **given)
    assert StatusFile(store / "state").write(status)


def test_fresh_word_of_a_living_process_is_believed(store):
    running(store)
    assert look(store).code == READY


def test_living_process_that_has_said_nothing_for_long_hangs(store):
    running(store, age_s=2.0)
    assert look(store).code == READY
    running(store, age_s=4.0)
    found = look(store)
    assert found.code == NOT_READY
    assert "has written no status for 4 s: it hangs" in found.sentence


def test_store_without_any_word_has_no_agent(store):
    assert look(store).code == look(store / "nowhere").code == NO_AGENT


def test_all_that_waits_is_named_the_newest_first_and_what_is_only_counted_is_counted(store):
    waiting = tuple(WaitingNow(n, "reject", "P", f"s{n}") for n in range(41, 91))
    running(store, lamp=LampNow(1, "reject", (), 90, waiting))
    lines = [line.strip() for line in in_words(look(store))]
    first = lines.index("waits   record 90: reject P s90")
    assert lines[first + 49] == "record 41: reject P s41"
    assert lines[first + 50] == "and 40 older ones; they are named when newer ones are acknowledged"


@pytest.mark.parametrize("left", [b"", b"{", b"\0" * 40, b'{"schema": "edgeagent.status/1"}', b"[]"])
def test_rubbish_in_place_of_a_status_is_no_readiness(store, left):
    (store / "state" / "status.json").write_bytes(left)
    assert look(store).code == NO_AGENT
    (store / "journal" / "lock").write_bytes(msgspec.json.encode(this_process()))
    found = look(store)
    assert (found.code, found.status) == (NOT_READY, None)
    assert "it is starting" in found.sentence


def test_number_of_a_process_that_is_used_again_is_not_the_agent(store):
    mine = this_process()
    running(store, process=msgspec.structs.replace(mine, began_ticks=mine.began_ticks - 1))
    assert look(store).code == NO_AGENT


def test_word_from_before_a_start_of_the_machine_is_worth_nothing(store):
    running(store, age_s=-1000.0)
    assert look(store).code == NO_AGENT
    running(store, process=msgspec.structs.replace(this_process(), machine="another start"))
    assert look(store).code == NO_AGENT


def test_word_of_another_container_counts_while_it_is_fresh_and_no_longer(store):
    elsewhere = msgspec.structs.replace(this_process(), namespace="pid:[1]", host="box")
    running(store, process=elsewhere)
    assert look(store).code == READY
    running(store, process=elsewhere, age_s=60.0)
    found = look(store)
    assert found.code == NO_AGENT
    assert "on box, which is not visible from here" in found.sentence


def test_wall_clock_that_is_set_changes_no_age(store):
    running(store)
    path = store / "state" / "status.json"
    said = msgspec.json.decode(path.read_bytes(), type=AgentStatus)
    later = msgspec.structs.replace(said, written_at="2001-01-01T00:00:00.000000Z")
    assert StatusFile(store / "state").write(later)
    assert look(store).code == READY


def test_status_looks_at_nothing_of_the_configuration_but_the_store(tmp_path):
    config = tmp_path / "agent.toml"
    config.write_text('[store]\nfolder = "there"\n[surplus]\nkey = 1\n', encoding="utf-8")
    assert told(config) == (NO_AGENT, f"no agent runs with the store {tmp_path / 'there'}\n")
    config.write_text("[store\n", encoding="utf-8")
    assert told(config)[0] == 2
    config.write_text("[store]\nfolder = 3\n", encoding="utf-8")
    assert told(config)[0] == 2


def test_texts_of_files_and_parts_cannot_act_on_the_terminal(store):
    from edgeagent.commands.status import in_words
    from edgeagent.model.status import PartNow

    running(store, last_parts=(PartNow("2026-03-02T09:41:07Z", 1, "P", "\x1b[2J", "reject", "\x07why"),))
    text = "\n".join(in_words(look(store)))
    assert "\x1b" not in text
    assert "?[2J reject: ?why" in text

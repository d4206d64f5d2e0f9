"""Files that kill, hang or fool their worker: the cell goes on, and the journal says which file it was."""

from __future__ import annotations

import contextlib
import os
import pickle
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from field import ROOT, spiral_text, wait_until

from edgeagent.judging.evaluation.evaluate import Rulebook
from edgeagent.store.configuration import load_configuration

PLANTED = Path(__file__).parent / "planted"
TIME_S = 3.0
"""The time limit where a file hangs: ample for a small one on a busy machine, and spent once or twice."""


@pytest.fixture
def notes(tmp_path):
    folder = tmp_path / "notes"
    folder.mkdir()
    return folder


@pytest.fixture
def planted(notes):
    """Maker of an agent whose workers obey the names of files; see ``planted/sitecustomize.py``."""

    def make(begin, **changes):
        env = {"PYTHONPATH": f"{ROOT}{os.pathsep}{PLANTED}", "PLANTED": os.fspath(notes)}
        return begin(changes, env=env)

    return make


def time_for(fault):
    return TIME_S if fault == "hang" else 60.0


def outcomes(agent):
    """Kind of record by file, in the journal's order."""
    kinds = ("measurement", "quarantine")
    return {r["body"]["source"]["name"]: r["kind"] for r in agent.records() if r["kind"] in kinds}


def quarantined(agent, name):
    (record,) = (r for r in agent.records("quarantine") if r["body"]["source"]["name"] == name)
    return record["body"]


FAULTS = [
    ("hang", "longer than 3 s, the limit by [worker] time_s", 2),
    ("fill", "more memory than 300 MB, the limit [worker] memory_mb", 1),
    ("die", "the worker ended by signal SIGKILL", 2),
    ("abort", "the worker ended by signal SIGABRT", 1),
    ("leave", "the worker ended with exit code 0", 2),
    ("rubbish", "the worker's answer was no record", 1),
]


@pytest.mark.parametrize(("fault", "reason", "processes"), FAULTS, ids=[name for name, *_ in FAULTS])
def test_file_that_takes_its_worker_twice_is_quarantined_and_the_next_is_measured(
    cell, planted, circle_text, fault, reason, processes
):
    limits = {"worker.processes": processes, "worker.memory_mb": 300, "worker.time_s": time_for(fault)}
    agent = planted(cell.begin_alone, **limits)
    agent.drop(f"{fault}-1.txt", circle_text("000001"))
    agent.drop("good.txt", circle_text("000002"))
    agent.wait_event("measured")
    agent.wait_event("quarantined")
    assert outcomes(agent) == {"good.txt": "measurement", f"{fault}-1.txt": "quarantine"}
    body = quarantined(agent, f"{fault}-1.txt")
    assert body["error"] == "AnalysisStoppedError"
    assert "no result after 2 attempts: " in body["reason"]
    assert f"{reason} (2 times)" in body["reason"]
    assert len(agent.events("attempt-failed")) == 2
    agent.drop("later.txt", circle_text("000003"))
    agent.wait_event("measured", 2)
    assert agent.terminate() == 0


@pytest.mark.parametrize("fault", ["hang", "fill", "die", "rubbish"])
def test_file_that_fails_once_is_measured_at_the_second_attempt(cell, planted, circle_text, fault):
    agent = planted(cell.begin_alone, **{"worker.memory_mb": 300, "worker.time_s": time_for(fault)})
    agent.drop(f"{fault}-once.txt", circle_text("000001"))
    agent.wait_event("measured")
    assert outcomes(agent) == {f"{fault}-once.txt": "measurement"}
    assert len(agent.events("attempt-failed")) == 1


def test_files_are_recorded_in_the_order_of_taking_whoever_is_done_first(cell, planted, circle_text):
    agent = planted(cell.agent)
    names = [f"{'slow' if number % 3 == 0 else 'fast'}-{number}.txt" for number in range(9)]
    for number, name in enumerate(names):
        path = agent.drop(name, circle_text(f"{number:06d}"))
        os.utime(path, (1000 + number, 1000 + number))
    agent.start(wait=False)
    agent.wait_event("measured", len(names))
    assert list(outcomes(agent)) == names


@pytest.mark.needs_mosquitto
def test_heart_beats_and_good_parts_are_told_while_a_file_hangs(cell, planted, notes, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = planted(cell.begin_agent, **{"worker.time_s": 3600, "worker.processes": 2, "intake.unread_s": 3600})
    agent.drop("hang-1.txt", circle_text("000001"))
    wait_until((notes / "hang-1.txt.begun").exists, what="the file at a worker")
    before = len(line.messages("heartbeat"))
    agent.drop("good.txt", circle_text("000002"))
    assert line.wait_topic("disposition")[0].json["serial"] == "000002"
    line.wait(lambda x: len(x.messages("heartbeat")) >= before + 3)
    assert outcomes(agent) == {"good.txt": "measurement"}
    assert line.lamp == "0"
    assert agent.terminate() == 0
    assert workers_of(agent.pid) == []


@pytest.mark.needs_mosquitto
def test_lamp_shows_fault_while_no_worker_can_be_started(cell, planted, notes, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    (notes / "start-fails").touch()
    agent = planted(cell.begin_agent)
    agent.wait_event("worker-start-failed")
    agent.drop("good.txt", circle_text("000001"))
    line.wait_lamp("3")
    assert outcomes(agent) == {}
    (notes / "start-fails").unlink()
    assert line.wait_topic("disposition")[0].json["disposition"] == "accept"
    line.wait_lamp("0")


def test_worker_that_is_killed_while_it_waits_is_replaced(cell, planted, circle_text):
    agent = planted(cell.begin_alone, **{"worker.processes": 1})
    (ready,) = agent.wait_event("worker-ready")
    os.kill(ready["pid"], signal.SIGKILL)
    agent.wait_event("worker-ended")
    agent.wait_event("worker-ready", 2)
    agent.drop("good.txt", circle_text("000001"))
    agent.wait_event("measured")


def test_frozen_worker_is_a_file_that_takes_too_long_and_not_the_end(cell, planted, circle_text):
    agent = planted(cell.begin_alone, **{"worker.processes": 1, "worker.time_s": TIME_S})
    (ready,) = agent.wait_event("worker-ready")
    os.kill(ready["pid"], signal.SIGSTOP)
    agent.drop("good.txt", circle_text("000001"))
    agent.wait_event("measured")
    assert [e["reason"] for e in agent.events("worker-killed")] == [
        "the analysis takes longer than 3 s, the limit by [worker] time_s"
    ]


def test_workers_die_with_a_killed_agent_even_in_the_midst_of_a_file(cell, planted, notes, circle_text):
    agent = planted(cell.begin_alone, **{"worker.time_s": 3600})
    agent.drop("compute-1.txt", circle_text("000001"))
    wait_until((notes / "compute-1.txt.begun").exists, what="the file at a worker")
    pids = workers_of(agent.pid)
    assert pids
    agent.kill()
    wait_until(lambda: not any(Path(f"/proc/{pid}").exists() for pid in pids), what="the workers' end")


def test_agent_killed_twice_over_a_good_file_measures_it_all_the_same(cell, planted, notes, circle_text):
    agent = planted(cell.begin_alone, **{"worker.time_s": 3600})
    begun = notes / "hang-once.txt.begun"
    agent.drop("hang-once.txt", circle_text("000001"))
    for again in (True, True, False):
        wait_until(begun.exists, what="the file at a worker")
        agent.kill()
        if again:
            begun.unlink()
        agent.start(wait=False)
    agent.wait_event("measured")
    assert outcomes(agent) == {"hang-once.txt": "measurement"}


def test_file_whose_reading_ends_the_agent_twice_is_not_read_a_third_time(cell, planted, notes, circle_text):
    (notes / "reading-kills").touch()
    agent = planted(cell.begin_alone)
    agent.drop("deadly-1.txt", circle_text("000001"))
    assert agent.wait() == -signal.SIGKILL
    agent.start(wait=False)
    assert agent.wait() == -signal.SIGKILL
    agent.drop("good.txt", circle_text("000002"))
    agent.start(wait=False)
    agent.wait_event("measured")
    agent.wait_event("quarantined")
    assert outcomes(agent) == {"deadly-1.txt": "quarantine", "good.txt": "measurement"}
    body = quarantined(agent, "deadly-1.txt")
    assert body["error"] == "AnalysisStoppedError"
    assert "the agent ended while it read the file (2 times)" in body["reason"]
    assert body["source"]["sha256"] is None


def test_mistake_of_ours_in_a_worker_is_a_quarantine_with_its_traceback_in_the_log(cell, planted, circle_text):
    agent = planted(cell.begin_alone)
    agent.drop("mistake-1.txt", circle_text("000001"))
    agent.wait_event("quarantined")
    assert "internal error ZeroDivisionError: planted" in quarantined(agent, "mistake-1.txt")["reason"]
    (event,) = agent.events("internal-error")
    assert "ZeroDivisionError: planted" in event["traceback"]
    assert agent.events("attempt-failed") == []


def test_worker_imports_nothing_more_for_a_file_of_any_kind(tmp_path):
    script = (
        "import pickle, sys; from pathlib import Path\n"
        "from edgeagent.service.workers import worker; worker.load_everything()\n"
        "before = set(sys.modules)\n"
        "rules = pickle.loads(Path(sys.argv[1]).read_bytes())\n"
        "for path in map(Path, sys.argv[2:]): worker.evaluate(path.name, path.read_bytes(), None, rules)\n"
        "late = {m for m in set(sys.modules) - before if m.split('.')[0] in ('scipy', 'numpy', 'edgeagent')}\n"
        "print(sorted(late))"
    )
    files = [tmp_path / "rules", tmp_path / "spiral.txt", tmp_path / "circle.txt"]
    files[0].write_bytes(pickle.dumps(Rulebook.of(load_configuration(ROOT / "config" / "agent.toml"))))
    files[1].write_text(spiral_text())
    files[2].write_text(spiral_text(kind="circle", part="HN-1610-R", feature="outside", turns=2))
    command = [sys.executable, "-c", script, *map(os.fspath, files)]
    ran = subprocess.run(command, capture_output=True, text=True, check=True, cwd=ROOT)
    assert ran.stdout.strip() == "[]"


def workers_of(agent: int) -> list[int]:
    """Process ids of an agent's workers."""
    found = []
    for status in Path("/proc").glob("[0-9]*/stat"):
        with contextlib.suppress(OSError):
            fields = status.read_text().rpartition(")")[2].split()
            if int(fields[1]) == agent and fields[0] != "Z":
                found.append(int(status.parent.name))
    return found

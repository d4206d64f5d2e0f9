"""Commands of other users ask the running service: it takes up what it may, and records whose it was."""

from __future__ import annotations

import json
import os
import shutil
import signal
import stat
import subprocess
import sys
import tempfile
from pathlib import Path

import pytest
from click.testing import CliRunner
from field import Agent, wait_until

from edgeagent.cli import main
from edgeagent.judging.requests import AcknowledgeRequest
from edgeagent.store.requests import RequestFolder

ROOT = Path(__file__).parents[2]
SERVICE, MEMBER, STRANGER, GROUP = 65534, 61001, 61002, 61000
RELEASE = {"what": "release", "part": "HN-1610-R", "serial": "9", "who": "A. N.", "why": "seen"}
as_root = pytest.mark.skipif(os.geteuid() != 0, reason="only root can start programs as other users")
HAND_IN = """
import sys, time
from pathlib import Path
from edgeagent.store.requests import RequestFolder, decode_request

folder = RequestFolder(Path(sys.argv[1]))
try:
    path = folder.put(decode_request(sys.argv[2].encode()))
except OSError as error:
    print(type(error).__name__)
    raise SystemExit
while (answer := folder.take_answer(path)) is None:
    time.sleep(0.02)
print(answer.reason)
"""


def answered(agent, path):
    return wait_until(lambda: RequestFolder(agent.store).take_answer(path), what="an answer")


def test_folder_is_made_by_the_service_and_is_its_own(cell):
    agent = cell.begin_alone()
    found = os.stat(agent.store / "requests")
    assert (stat.S_IMODE(found.st_mode), found.st_uid) == (0o2770, os.getuid())


@pytest.mark.needs_mosquitto
def test_person_acknowledges_a_reject_from_a_terminal(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent()
    agent.drop("1.txt", circle_text("1", amplitude_nm=4000.0))
    line.wait_lamp("1")
    (rejected,) = agent.records("disposition")
    folder = RequestFolder(agent.store)
    asked = AcknowledgeRequest(seq=rejected["seq"], who="A. N.", why="in the red bin")
    answer = answered(agent, folder.put(asked))
    line.wait_lamp("0")
    (record,) = agent.records("acknowledgement")
    assert (answer.granted, answer.seq) == (True, record["seq"])
    body = record["body"]
    assert (body["what"], body["seq"], body["matched"]) == ("acknowledge", rejected["seq"], True)
    assert (body["who"], body["why"], body["uid"]) == ("A. N.", "in the red bin", os.getuid())
    (told,) = line.wait(lambda it: it.messages("acknowledge/result"))
    assert (told.json["acknowledges"], told.json["result"]) == (rejected["seq"], "acknowledged")

    again = answered(agent, folder.put(asked))
    words = f"record {rejected['seq']} does not wait for an acknowledgement"
    assert (again.granted, again.reason) == (False, words)
    assert [r["body"]["matched"] for r in agent.records("acknowledgement")] == [True, False]
    agent.restart()
    line.wait_lamp("0")


@pytest.fixture
def agent_of_another_user(cell):
    """The service as a user of its own, its store in a place that all may pass through."""
    launcher = ["setpriv", f"--reuid={SERVICE}", f"--regid={GROUP}", "--clear-groups"]
    if subprocess.run([*launcher, "test", "-r", __file__], check=False).returncode:
        pytest.skip("another user cannot read this checkout")
    base = Path(tempfile.mkdtemp(prefix="edgeagent-", dir="/tmp"))
    base.chmod(0o755)
    agent = Agent(base / "agent", cell.broker.port, launcher=launcher, wait=False)
    for path in (agent.folder, *agent.folder.rglob("*")):
        os.chown(path, SERVICE, GROUP)
    agent.start(wait=False)
    agent.wait_event("started")
    yield agent
    agent.kill()
    shutil.rmtree(base)


def hand_in_as(agent, uid, groups, request):
    """Hand a request in as another user, as commands do; the answer's reason, or the error's name."""
    member = f"--groups={groups}" if groups else "--clear-groups"
    command = ["setpriv", f"--reuid={uid}", f"--regid={uid}", member, sys.executable, "-c", HAND_IN]
    told = subprocess.run(
        [*command, os.fspath(agent.store), json.dumps(request)],
        env={**os.environ, "PYTHONPATH": os.fspath(ROOT)},
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert told.returncode == 0, told.stderr
    return told.stdout.strip()


@as_root
@pytest.mark.needs_setpriv
def test_member_of_the_group_and_root_are_answered_and_a_stranger_cannot_ask(agent_of_another_user):
    agent = agent_of_another_user
    assert (agent.store / "requests").stat().st_uid == SERVICE
    for uid, groups in ((MEMBER, str(GROUP)), (0, "")):
        assert "HN-1610-R 9 is not held for the gate" in hand_in_as(agent, uid, groups, RELEASE)
    assert hand_in_as(agent, STRANGER, "", RELEASE) == "PermissionError"
    said = [r["body"] for r in agent.records("acknowledgement")]
    assert [(b["who"], b["uid"]) for b in said] == [("A. N.", MEMBER), ("A. N.", 0)]
    assert said[1]["user"] == "root"
    assert list((agent.store / "requests").iterdir()) == [], "nobody left anything behind"


@as_root
@pytest.mark.needs_setpriv
def test_request_of_root_that_the_service_may_not_read_is_answered_with_why(agent_of_another_user):
    agent = agent_of_another_user
    folder = RequestFolder(agent.store)
    hidden = folder.folder / ".a"
    hidden.write_text(json.dumps(RELEASE), encoding="utf-8")
    hidden.chmod(0o600)
    hidden.rename(folder.folder / "a.request")
    answer = answered(agent, folder.folder / "a.request")
    assert (answer.granted, answer.reason) == (False, "not a request: Permission denied")


def test_changed_recipe_is_on_record_with_who_approved_it_at_a_reload_and_over_a_restart(cell):
    agent = cell.begin_alone()
    path = agent.folder / "recipes" / "HN-1610-R.toml"

    def changed():
        return [
            [(a["part"], a.get("by")) for a in r["body"].get("changed", [])]
            for r in agent.records("configuration")
        ]

    (first,) = changed()
    assert ("HN-1610-R", None) in first, "all are new to an empty store"
    text = path.read_text(encoding="utf-8")
    path.write_text(text + '\n[approval]\nby = "A. N."\nreason = "protocol 17"\n', encoding="utf-8")
    agent.signal(signal.SIGHUP)
    wait_until(lambda: len(changed()) == 2)
    assert changed()[1] == [("HN-1610-R", "A. N.")]
    agent.restart(wait=False)
    agent.wait_event("started")
    assert changed()[2] == [], "nothing is new at a start with the same recipes"
    agent.terminate()
    path.write_text(text, encoding="utf-8")
    agent.start(wait=False)
    agent.wait_event("started")
    assert changed()[3] == [("HN-1610-R", None)], "a change that names nobody is on record too"
    shown = CliRunner().invoke(main, ["journal", "show", os.fspath(agent.store), "--kind", "configuration"])
    lines = shown.output.splitlines()
    assert "changed: HN-1610-R revision A approved by A. N.: protocol 17" in lines[1]
    assert "nobody named" in lines[3]

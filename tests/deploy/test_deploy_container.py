"""Image and compose file, as far as can be told without containers: parsed, and agreeing with the rest."""

from __future__ import annotations

import json
import os
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
import yaml
from click.testing import CliRunner
from field import ROOT, Agent, spiral_text, wait_until
from mounts import mounted

from edgeagent.cli import COMMANDS, main

DEPLOY = ROOT / "deploy"
IMAGE = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
COMPOSE = yaml.safe_load((DEPLOY / "compose.yaml").read_text(encoding="utf-8"))["services"]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
PROGRAM = "/opt/edgeagent/bin/edgeagent"


def instructions() -> list[tuple[str, str]]:
    """Every instruction of the image's file, with lines that go on joined."""
    text = re.sub(r"\\\n\s*", " ", re.sub(r"^#.*\n", "", IMAGE, flags=re.M))
    return [
        (word, rest.strip()) for word, _, rest in (line.partition(" ") for line in text.splitlines() if line)
    ]


def of(word: str) -> list[str]:
    return [rest for name, rest in instructions() if name == word]


def test_image_installs_pinned_what_the_agent_its_reports_and_its_metrics_need():
    (install,) = (rest for rest in of("RUN") if "venv" in rest)
    assert "--require-hashes -r requirements.lock" in install
    lock = (DEPLOY / "requirements.lock").read_text(encoding="utf-8")
    pinned = {name.lower() for name in re.findall(r"^([\w.-]+)==", lock, re.M)}
    extras = PROJECT["optional-dependencies"]
    wanted = [*PROJECT["dependencies"], *extras["report"], *extras["metrics"]]
    assert {re.match(r"[\w.-]+", one).group().lower() for one in wanted} <= pinned


def test_image_copies_what_the_build_needs_and_runs_as_nobody_special():
    copied = {source for rest in of("COPY") if "--from" not in rest for source in shlex.split(rest)[:-1]}
    assert all((ROOT / source).exists() for source in copied)
    assert copied >= {"pyproject.toml", PROJECT["readme"], "edgeagent"}
    assert of("USER") == ["990:990"]
    assert of("STOPSIGNAL") == ["SIGTERM"]
    environment = dict(pair.split("=", 1) for pair in shlex.split(of("ENV")[0]))
    assert environment["MPLCONFIGDIR"].startswith("/tmp/"), "the rest of the file system is read-only"


@pytest.mark.parametrize("instruction", ["ENTRYPOINT", "CMD", "HEALTHCHECK"])
def test_commands_of_the_image_are_commands_of_the_program(instruction):
    words = json.loads(of(instruction)[0][of(instruction)[0].index("[") :])
    if instruction == "ENTRYPOINT":
        assert words == [PROGRAM]
        return
    words = [word for word in words if word != "edgeagent"]
    assert words[0] in COMMANDS
    help_text = CliRunner().invoke(main, [words[0], "--help"]).output
    assert all(word in help_text for word in words if word.startswith("--"))


def test_compose_starts_broker_and_agent_and_a_report_only_when_asked():
    assert set(COMPOSE) == {"broker", "agent", "report"}
    assert COMPOSE["report"]["profiles"] == ["report"]
    assert COMPOSE["agent"]["build"] == COMPOSE["report"]["build"]
    built = COMPOSE["agent"]["build"]
    assert (DEPLOY / built["context"] / built["dockerfile"]).resolve() == DEPLOY / "Containerfile"
    assert COMPOSE["agent"]["depends_on"] == ["broker"]
    assert COMPOSE["report"]["entrypoint"][:2] == [PROGRAM, "report"]


@pytest.mark.parametrize("name", sorted(COMPOSE))
def test_every_service_has_no_more_rights_than_it_needs(name):
    service = COMPOSE[name]
    assert service["read_only"] is True
    assert service["cap_drop"] == ["ALL"]
    assert service["security_opt"] == ["no-new-privileges:true"]
    writable = {v.rpartition(":")[2] for v in service["volumes"] if not v.endswith(":ro")}
    allowed = {"broker": "/var/lib/mosquitto", "agent": "/var/lib/edgeagent", "report": "/reports"}
    assert writable == {allowed[name]}


def test_limits_of_image_compose_and_unit_agree():
    unit = (DEPLOY / "edgeagent.service").read_text(encoding="utf-8")
    (memory,) = re.findall(r"^MemoryMax=(\d+)M$", unit, re.M)
    (tasks,) = re.findall(r"^TasksMax=(\d+)$", unit, re.M)
    agent = COMPOSE["agent"]
    assert (agent["mem_limit"], agent["pids_limit"]) == (f"{memory}m", int(tasks))
    assert f"--memory={memory}m --pids-limit={tasks}" in IMAGE


@pytest.mark.needs_mount
def test_report_is_written_from_a_store_that_is_read_only_as_its_container_has_it(tmp_path):
    with Agent(tmp_path / "cell", 1, changes={"verification": None}, wait=False) as agent:
        agent.wait_event("started")
        for feature in ("left-flank", "right-flank"):
            agent.drop(f"{feature}.txt", spiral_text(feature=feature))
        wait_until(lambda: agent.records("disposition"))
        agent.terminate()
    out = tmp_path / "page.html"
    environment = {**os.environ, "PYTHONPATH": os.fspath(ROOT), "MPLCONFIGDIR": os.fspath(tmp_path / "fonts")}
    with mounted(agent.store, bind=agent.store):
        subprocess.run(["mount", "-o", "remount,ro,bind", os.fspath(agent.store)], check=True)
        command = [sys.executable, "-m", "edgeagent", *COMPOSE["report"]["entrypoint"][1:2]]
        command += ["--store", os.fspath(agent.store), "--serial", "000412", "--out", os.fspath(out)]
        ran = subprocess.run(command, capture_output=True, text=True, check=False, env=environment, timeout=120)
    assert (ran.returncode, ran.stderr) == (0, "")
    assert "000412" in Path(out).read_text(encoding="utf-8")

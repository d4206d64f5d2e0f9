"""A station that `init` writes: right as it is, with its own names everywhere, and never over anything."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner
from field import Broker, wait_until

from edgeagent.cli import main
from edgeagent.commands.init import _unit

ROOT = Path(__file__).parents[2]
NAMES = ("--site", "north", "--cell", "cell-9", "--name", "gauge.2")
PREFIX = "edgeagent/north/cell-9/gauge.2"


def told(*words):
    return CliRunner().invoke(main, [os.fspath(word) for word in words])


@pytest.fixture
def station(tmp_path):
    folder = tmp_path / "station"
    made = told("init", folder, *NAMES)
    assert made.exit_code == 0, made.output
    return folder


def test_station_is_right_as_it_is_and_check_says_what_it_means(station):
    said = told("check", "--config", station / "agent.toml")
    assert said.exit_code == 0, said.output
    assert "KX-2005-R" in said.output


def test_station_has_its_own_names_wherever_topics_stand(station):
    settings = tomllib.loads((station / "agent.toml").read_text(encoding="utf-8"))
    assert settings["station"] == {"site": "north", "cell": "cell-9", "name": "gauge.2"}
    assert settings["mqtt"]["prefix"] == PREFIX
    acl = (station / "deploy" / "mosquitto" / "acl").read_text(encoding="utf-8")
    topics = re.findall(r"^topic \w+ (\S+)", acl, re.M)
    assert len(topics) > 15
    assert {t[: len(PREFIX)] for t in topics} == {PREFIX}
    assert not re.search("plant-a|cell-3|gauge-1", acl)


def test_station_holds_comments_recipes_and_everything_for_unit_and_broker(station):
    assert (station / "agent.toml").read_text(encoding="utf-8").count("#") > 30
    assert {p.name for p in station_files_of("config/recipes")} <= {p.name for p in station.rglob("*")}
    for name in ("edgeagent.service", "README.md", "plc/lamp.st", "mosquitto/mosquitto.conf"):
        assert (station / "deploy" / name).is_file()
    assert os.access(station / "deploy" / "mosquitto" / "make-trial-certificates", os.X_OK)
    assert (station / "inbox").is_dir()


def station_files_of(part):
    return [p for p in (ROOT / part).rglob("*") if p.is_file()]


def test_unit_names_this_station_s_places(tmp_path):
    folder, store = tmp_path / "a station", tmp_path / "100%"
    assert told("init", folder, "--store", store).exit_code == 0
    unit = (folder / "deploy" / "edgeagent.service").read_text(encoding="utf-8")
    (start,) = re.findall(r"^ExecStart=(.*)$", unit, re.M)
    assert start.endswith(f'edgeagent run --config "{folder}/agent.toml"')
    assert f"ReadWritePaths={str(store).replace('%', '%%')}\n" in unit
    assert not re.search(r"^(?!#)[^#\n]*(/opt/edgeagent|/etc/edgeagent|/var/lib/edgeagent)", unit, re.M)
    settings = tomllib.loads((folder / "agent.toml").read_text(encoding="utf-8"))
    assert settings["store"]["folder"] == os.fspath(store)


def test_unit_of_a_station_below_home_may_look_there():
    assert "ProtectHome=yes" not in _unit(Path("/etc/edgeagent"), Path("/var/lib/edgeagent"))
    assert _unit(Path("/home/anna/station"), Path("/var/lib/edgeagent"))["ProtectHome=yes"]


@pytest.mark.parametrize("in_the_way", ["agent.toml", "notes.txt", ".hidden"])
def test_nothing_is_overwritten_and_nothing_written_beside_what_is_there(tmp_path, in_the_way):
    (tmp_path / in_the_way).write_text("mine", encoding="utf-8")
    said = told("init", tmp_path)
    assert (said.exit_code, "is not empty" in said.output) == (2, True)
    assert [p.name for p in tmp_path.iterdir()] == [in_the_way]
    assert (tmp_path / in_the_way).read_text(encoding="utf-8") == "mine"


def test_second_init_of_the_same_folder_is_refused_and_an_empty_folder_is_taken(tmp_path):
    (tmp_path / "new").mkdir()
    assert told("init", tmp_path / "new").exit_code == 0
    before = {p: p.read_bytes() for p in (tmp_path / "new").rglob("*") if p.is_file()}
    assert told("init", tmp_path / "new").exit_code == 2
    assert {p: p.read_bytes() for p in (tmp_path / "new").rglob("*") if p.is_file()} == before


@pytest.mark.parametrize("name", ["", "a/b", "a b", "a+", "#", "ä", '"', "x" * 65, "$"])
def test_name_that_no_topic_can_hold_is_wrong_usage(tmp_path, name):
    said = told("init", tmp_path / "s", "--cell", name)
    assert (said.exit_code, "--cell" in said.output) == (2, True)
    assert not (tmp_path / "s").exists()


def test_folder_that_cannot_be_made_is_one_line(tmp_path):
    (tmp_path / "file").touch()
    said = told("init", tmp_path / "file" / "station")
    assert said.exit_code == 1
    assert len(said.output.splitlines()) == 1


@pytest.mark.needs_mosquitto
def test_station_runs_as_it_is_and_decides_a_part(station, tmp_path, circle_text, started):
    broker = started.enter_context(Broker(tmp_path))
    config = station / "agent.toml"
    text = config.read_text(encoding="utf-8")
    config.write_text(text.replace(":1883", f":{broker.port}"), encoding="utf-8")
    env = {**os.environ, "PYTHONPATH": os.fspath(ROOT)}
    command = [sys.executable, "-m", "edgeagent", "run", "--config", os.fspath(config)]
    with (
        (tmp_path / "log").open("wb") as log,
        subprocess.Popen(command, stderr=log, stdout=log, env=env) as run,
    ):
        try:
            wait_until(lambda: '"event": "ready"' in _said(tmp_path) or '"event":"ready"' in _said(tmp_path))
            (station / "inbox" / "a.txt").write_text(circle_text("1"), encoding="utf-8")
            wait_until(lambda: "measured" in _said(tmp_path))
        finally:
            run.terminate()
    assert run.returncode == 0
    assert '"disposition"' in _said(tmp_path)


def _said(folder):
    return (folder / "log").read_text(encoding="utf-8")

"""Every command: exit code, one line on stderr when something is wrong, no traceback, JSON alone on stdout."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import click
import pytest
from click.testing import CliRunner, Result
from field import ROOT, Agent, copy_station, run_command, spiral_text, wait_until

from edgeagent.cli import COMMANDS, main

ARGUMENTS: dict[str, list[str]] = {
    "acknowledge": ["7", "--store", "store", "--who", "A. N.", "--why", "part taken out"],
    "align": ["left.txt", "--config", "agent.toml"],
    "approve": ["recipes/KX-2005-R.toml", "--key", "approver.key"],
    "archive backup": ["copy", "--config", "agent.toml"],
    "archive check": ["x.sealed"],
    "archive seal": ["--config", "agent.toml"],
    "check": ["--config", "agent.toml"],
    "demo": [],
    "export": ["--config", "agent.toml", "--out", "exported"],
    "init": ["new-station"],
    "inspect": ["left.txt", "right.txt", "--config", "agent.toml"],
    "journal adopt": ["--config", "agent.toml", "--who", "A. N.", "--why", "restored"],
    "journal check-proof": ["1.json", "--key", "store/keys/log.key.pub"],
    "journal prove": ["store", "--serial", "1"],
    "journal rotate-key": ["--config", "agent.toml"],
    "journal show": ["store"],
    "journal verify": ["store"],
    "layout": ["left.txt"],
    "page": ["--store", "store"],
    "pair": ["left.txt", "right.txt", "--config", "agent.toml"],
    "recipe": [
        *("--part", "P-1", "--member", "shaft", "--hand", "right"),
        *("--lead-mm", "5", "--ball-mm", "3.175", "--ball-circle-mm", "20.75"),
    ],
    "release": ["--list", "--config", "agent.toml"],
    "replay": ["--config", "agent.toml"],
    "report": ["--config", "agent.toml", "--serial", "1", "--part", "KX-2005-R", "--out", "report.html"],
    "run": ["--config", "agent.toml"],
    "speed": ["left.txt", "--config", "agent.toml"],
    "status": ["--store", "store"],
    "study": ["left.txt", "right.txt", "--config", "agent.toml"],
    "trend": ["--config", "agent.toml"],
    "whatif": ["--config", "agent.toml", "--recipes", "recipes"],
    "witness": ["--key", "w.key", "--log", "store/keys/log.key.pub", "--folder", "shared", "--once"],
}
"""Arguments with which each command succeeds in the station's folder."""
NEEDS_MORE = {"archive check", "archive seal", "journal check-proof"}
"""What other commands must have made, or a journal of several segments."""
QUICK = sorted(ARGUMENTS.keys() - NEEDS_MORE - {"acknowledge", "demo", "init", "page", "run", "status"})
"""Not those that end by themselves only after a while, or ask for an agent that runs."""
CONFIGURED = sorted(name for name, given in ARGUMENTS.items() if "--config" in given)


@pytest.fixture(scope="module")
def built(tmp_path_factory) -> Path:
    """A station that has measured two parts without a broker, with traces beside its configuration."""
    base = tmp_path_factory.mktemp("built") / "station"
    with Agent(base, 1, changes={"intake.settle_s": 0.05, "verification": None}, wait=False) as agent:
        agent.wait_event("started")
        for serial in ("1", "2"):
            for feature in ("left-flank", "right-flank"):
                agent.drop(f"{serial}-{feature}.txt", spiral_text(serial=serial, feature=feature))
        agent.wait_event("measured", 4)
        assert agent.terminate() == 0
    for side in ("left", "right"):
        (base / f"{side}.txt").write_text(spiral_text(feature=f"{side}-flank"), encoding="utf-8")
    (base / "rubbish.txt").write_text("no trace\n", encoding="utf-8")
    (base / "wrong.toml").write_text("[station]\nsite = 3\n", encoding="utf-8")
    (base / "binary.toml").write_bytes(bytes(range(256)))
    return base


@pytest.fixture
def station(built, tmp_path, monkeypatch) -> Path:
    """A copy of its own, as the current folder."""
    copy_station(built, tmp_path / "station")
    monkeypatch.chdir(tmp_path / "station")
    return tmp_path / "station"


def told(*arguments: str) -> Result:
    """Run a command in this process; what it raised besides its exit is raised again."""
    result = CliRunner().invoke(main, list(arguments), prog_name="edgeagent")
    if result.exception is not None and not isinstance(result.exception, SystemExit):
        raise result.exception
    return result


def assert_one_line(result: Result, code: int) -> None:
    assert result.exit_code == code, result.output
    assert result.stdout == ""
    assert result.stderr.endswith("\n")
    assert result.stderr.count("\n") == 1, result.stderr
    assert result.stderr.startswith("edgeagent: ")


def command(name: str) -> click.Command:
    found: click.Command = main
    for word in name.split():
        assert isinstance(found, click.Group)
        under = found.get_command(click.Context(found), word)
        assert under is not None
        found = under
    return found


def all_commands() -> list[str]:
    names = []
    for name in main.list_commands(click.Context(main)):
        found = command(name)
        if isinstance(found, click.Group):
            names += [f"{name} {each}" for each in found.list_commands(click.Context(found))]
        else:
            names.append(name)
    return sorted(names)


def test_no_command_is_left_out_here():
    assert all_commands() == sorted(ARGUMENTS)


@pytest.mark.usefixtures("station")
@pytest.mark.parametrize("name", QUICK)
def test_command_succeeds_and_keeps_stderr_for_what_is_wrong(name):
    result = told(*name.split(), *ARGUMENTS[name])
    assert result.exit_code == 0, result.output
    assert result.stdout
    if name != "layout":  # its findings go to stderr, so that stdout is the layout and nothing else
        assert result.stderr == ""


@pytest.mark.usefixtures("station")
@pytest.mark.parametrize(
    "name", [name for name in QUICK if any("--json" in option.opts for option in command(name).params)]
)
def test_json_is_all_that_stands_on_stdout(name):
    result = told(*name.split(), *ARGUMENTS[name], "--json")
    assert result.exit_code == 0, result.output
    lines = result.stdout.splitlines()
    assert lines
    for line in lines:
        assert isinstance(json.loads(line, parse_constant=pytest.fail), dict | list)
    assert result.stderr == ""


def test_json_is_missing_only_where_there_is_nothing_to_tell():
    without = {name for name in all_commands() if not any("--json" in o.opts for o in command(name).params)}
    assert without == {
        "demo",
        "init",
        "page",
        "recipe",
        "run",
        "approve",
        "archive backup",
        "archive check",
        "archive seal",
        "journal adopt",
        "journal prove",
        "journal rotate-key",
        "witness",
    }


@pytest.mark.usefixtures("station")
@pytest.mark.parametrize("name", sorted(ARGUMENTS))
@pytest.mark.parametrize("wrong", [["--nonsense"], ["--config"], ["--config", "agent.toml", "--nonsense=1"]])
def test_unknown_or_unfinished_option_is_one_line(name, wrong):
    result = told(*name.split(), *wrong)
    assert_one_line(result, 2)
    assert result.stderr.endswith(" --help\n")
    if len(wrong[0]) > 8:
        assert f"; see edgeagent {name} --help" in result.stderr


@pytest.mark.usefixtures("station")
@pytest.mark.parametrize(
    "name",
    [n for n in ARGUMENTS if any(p.required for p in command(n).params if p.name != "config")] + CONFIGURED,
)
def test_missing_argument_is_one_line(name):
    if name in ("report", "study", "trend", "release"):
        wrong = told(*name.split(), *(["--part", "X"] if name == "release" else []))
    else:
        wrong = told(*name.split())
    assert_one_line(wrong, 2)


@pytest.mark.parametrize("wrong", [["nonsense"], ["--nonsense"], ["journal", "nonsense"], ["journal", "--x"]])
def test_unknown_command_is_one_line(wrong):
    assert_one_line(told(*wrong), 2)


@pytest.mark.parametrize("group", [[], ["journal"]])
def test_group_without_a_command_prints_its_help(group):
    result = told(*group)
    assert (result.exit_code, result.stdout) == (2, "")
    assert "Commands:" in result.stderr


@pytest.mark.usefixtures("station")
@pytest.mark.parametrize("name", CONFIGURED)
@pytest.mark.parametrize(
    ("file", "words"),
    [
        ("none.toml", "none.toml: cannot be read"),
        ("wrong.toml", "wrong.toml: line 2: station.site: "),
        ("binary.toml", "binary.toml: "),
        (".", "cannot be read"),
    ],
)
def test_configuration_that_cannot_be_used_is_one_line_with_file_and_key(name, file, words):
    given = [file if value == "agent.toml" else value for value in ARGUMENTS[name]]
    result = told(*name.split(), *given)
    assert_one_line(result, 2)
    assert words in result.stderr


@pytest.mark.usefixtures("station")
@pytest.mark.parametrize("name", ["align", "inspect", "layout", "pair", "speed"])
@pytest.mark.parametrize("file", ["none.txt", "rubbish.txt", "inbox"])
@pytest.mark.parametrize("more", [[], ["--json"]])
def test_file_that_cannot_be_analysed_is_one_line_and_exit_1(name, file, more):
    given = [file if value == "left.txt" else value for value in ARGUMENTS[name] if value != "right.txt"]
    given[1:1] = ["right.txt"] if name == "pair" else []
    assert_one_line(told(name, *given, *more), 1)


@pytest.mark.usefixtures("station")
def test_inspect_tells_the_good_files_and_exits_1_for_the_bad_one():
    result = told("inspect", "left.txt", "rubbish.txt", "right.txt", "--config", "agent.toml", "--json")
    assert result.exit_code == 1
    assert [json.loads(x)["trace"]["feature"] for x in result.stdout.splitlines()] == [
        "left-flank",
        "right-flank",
    ]
    assert result.stderr.count("\n") == 1
    assert "rubbish.txt" in result.stderr


def test_inspect_exits_0_for_a_reject(station):
    (station / "left.txt").write_text(spiral_text(waves_nm={2: 150.0, 37: 900.0}), encoding="utf-8")
    result = told("inspect", "left.txt", "--config", "agent.toml", "--json")
    assert (result.exit_code, json.loads(result.stdout)["disposition"]) == (0, "reject")


@pytest.mark.parametrize("name", ["journal show", "release", "replay", "trend", "study"])
def test_damaged_journal_is_one_line_with_segment_and_line(station, name):
    (segment,) = (station / "store" / "journal").glob("*.jsonl")
    segment.write_bytes(segment.read_bytes().replace(b'"kind":"start"', b'"kind":"stort"', 1))
    given = ["--store", "store"] if name == "study" else ARGUMENTS[name]
    result = told(*name.split(), *given)
    assert_one_line(result, 22)
    assert f"{segment.name}: line 1: " in result.stderr


def test_verify_tells_the_damage_as_json_too(station):
    (segment,) = (station / "store" / "journal").glob("*.jsonl")
    segment.write_bytes(segment.read_bytes().replace(b'"kind":"start"', b'"kind":"stort"', 1))
    result = told("journal", "verify", "store", "--json")
    found = json.loads(result.stdout)
    assert (result.exit_code, found["whole"], found["segment"], found["line"]) == (1, False, segment.name, 1)
    assert result.stderr.count("\n") == 1


@pytest.mark.parametrize("name", ["journal show", "journal verify", "replay", "report", "study", "trend"])
def test_store_that_is_not_there_is_one_line(station, name):
    shutil.rmtree(station / "store")
    given = ["--store", "store"] if name == "study" else ARGUMENTS[name]
    result = told(*name.split(), *given)
    assert_one_line(result, result.exit_code)
    assert result.exit_code != 0
    assert "line 0" not in result.stderr


def test_journal_show_filters_and_its_json_is_the_record_itself(station):
    shown = told("journal", "show", "store", "--serial", "2", "--kind", "disposition", "--json")
    (segment,) = (station / "store" / "journal").glob("*.jsonl")
    lines = [json.loads(line) for line in segment.read_bytes().splitlines()]
    wanted = [x for x in lines if x["kind"] == "disposition" and x["body"]["serial"] == "2"]
    assert len(wanted) == 1
    assert [json.loads(line) for line in shown.stdout.splitlines()] == wanted
    assert told("journal", "show", "store", "--since", "2999-01-01").stdout == ""


def test_the_list_of_commands_says_the_first_sentence_of_each_help():
    for name, sentence in COMMANDS.items():
        text = " ".join((command(name).help or "").split())
        assert text.startswith(sentence), name


def test_the_list_of_commands_imports_none_of_them():
    script = (
        "import sys\nfrom edgeagent.cli import main\nmain(['-h'], standalone_mode=False)\nprint(*sys.modules)"
    )
    listed = subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, check=True, text=True
    )
    modules = listed.stdout.splitlines()[-1].split()
    assert "edgeagent.cli" in modules
    assert not [m for m in modules if m.startswith("edgeagent.commands.") or m in ("numpy", "msgspec")]


def test_run_beside_another_agent_exits_21_and_says_why(station):
    with Agent(station, 1, changes={"verification": None}, wait=False) as agent:
        agent.wait_event("started")
        second = run_command("run", "--config", "agent.toml", cwd=station)
        assert second.returncode == 21
        assert "another agent writes this journal" in second.stdout + second.stderr
        assert "Traceback" not in second.stdout + second.stderr
        assert agent.alive


def test_run_on_a_damaged_journal_exits_22_and_leaves_it_as_it_is(station):
    (segment,) = (station / "store" / "journal").glob("*.jsonl")
    damaged = segment.read_bytes().replace(b'"kind":"start"', b'"kind":"stort"', 1)
    segment.write_bytes(damaged)
    ended = run_command("run", "--config", "agent.toml", cwd=station)
    assert ended.returncode == 22
    assert "line 1" in ended.stdout + ended.stderr
    assert "Traceback" not in ended.stdout + ended.stderr
    assert segment.read_bytes() == damaged


@pytest.mark.parametrize("threads", ["1", "2", "4"])
def test_replay_gives_the_same_digits_whatever_the_environment_says_of_threads(station, threads):
    told = subprocess.run(
        [sys.executable, "-m", "edgeagent", "replay", "--config", "agent.toml"],
        cwd=station, env={**os.environ, "PYTHONPATH": os.fspath(ROOT), "OPENBLAS_NUM_THREADS": threads},
        capture_output=True, text=True, check=False, timeout=60,
    )  # fmt: skip
    assert told.returncode == 0, told.stdout + told.stderr
    assert "4 identical" in told.stdout


@pytest.mark.usefixtures("station")
def test_release_without_a_service_is_withdrawn_and_exits_1(monkeypatch):
    monkeypatch.setattr("edgeagent.commands.shared_asking._PATIENCE_S", 0.2)
    given = ["--part", "KX-2005-R", "--serial", "1", "--who", "A. N.", "--why", "try"]
    Path("store/requests").mkdir(exist_ok=True)
    result = told("release", "--config", "agent.toml", *given)
    assert_one_line(result, 1)
    assert "withdrawn" in result.stderr


@pytest.mark.usefixtures("station")
@pytest.mark.parametrize(
    ("folder", "code", "words"), [("left.txt", 1, "cannot play here"), (".", 2, "holds a store already")]
)
def test_demo_that_cannot_play_is_one_line(folder, code, words):
    result = told("demo", "--folder", folder)
    assert_one_line(result, code)
    assert words in result.stderr


def test_reader_that_goes_away_early_is_no_error(station):
    shown = subprocess.Popen(
        [sys.executable, "-m", "edgeagent", "journal", "show", "store", "--json"],
        cwd=station, env={**os.environ, "PYTHONPATH": os.fspath(ROOT)},
        stdout=subprocess.PIPE, stderr=subprocess.PIPE,
    )  # fmt: skip
    assert shown.stdout is not None
    assert shown.stderr is not None
    shown.stdout.close()
    wait_until(lambda: shown.poll() is not None, what="the command's end")
    assert b"Traceback" not in shown.stderr.read()
    shown.stderr.close()
    assert shown.returncode in (0, 1)


@pytest.mark.parametrize(
    ("begun", "names"), [("sp", ["speed"]), ("re", ["recipe", "release", "replay", "report"])]
)
def test_a_shell_completes_the_names_of_commands(begun, names):
    found = main.shell_complete(click.Context(main), begun)
    assert [item.value for item in found] == names


def test_inspect_shows_no_control_character_of_a_file_name(tmp_path):
    names = ("a\x1b[2Jb.txt", "c\nd.txt", "e\x9bf.txt")
    for name in names:
        (tmp_path / name).write_bytes(b"no trace")
    config = str(Path(__file__).resolve().parents[2] / "config" / "agent.toml")
    found = CliRunner().invoke(main, ["inspect", *(str(tmp_path / name) for name in names), "--config", config])
    assert found.exit_code == 1
    assert found.stderr.count("\n") == len(names)
    assert not {"\x1b", "\x9b"} & set(found.stderr + found.stdout)
    assert "a?[2Jb.txt" in found.stderr


def test_no_error_moves_the_cursor_or_turns_the_direction(tmp_path):
    for arguments in (("check", "--config", f"{tmp_path}/a\x1b[2J\u202e\nb.toml"), ("inspect", "--a\u202e")):
        found = CliRunner().invoke(main, list(arguments))
        assert found.exit_code == 2
        assert found.stderr.count("\n") == 1
        assert found.stderr.rstrip("\n").isprintable()


def test_inspect_refuses_a_sparse_side_file_by_its_size(tmp_path):
    with (tmp_path / "a.smd.meta.toml").open("wb") as file:
        file.truncate(3_000_000_000)
    (tmp_path / "a.smd").write_bytes(b"profile")
    config = str(Path(__file__).resolve().parents[2] / "config" / "agent.toml")
    found = CliRunner().invoke(main, ["inspect", str(tmp_path / "a.smd"), "--config", config])
    assert found.exit_code == 1
    assert "it has 3000000000 bytes, at most 65536 are read" in found.stderr

"""Parts that only the closed gate holds: listed, released by request, refused where anything else is wrong."""

from __future__ import annotations

import os
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from field import run_command, spiral_text, wait_until

from edgeagent.commands.release import _list_lines
from edgeagent.judging.release import HeldPart
from edgeagent.store.verify import verify_journal

ROOT = Path(__file__).parents[2]
GATE = {"verification": {"artefact": "MW-03", "max_age_h": 24}, "intake.live_s": 0.5}
CERTIFIED = {36: 812.0, 180: 403.0}


def station(cell, changes=GATE):
    """An agent with the example's configuration, whose certificate has not run out on the day of the test."""
    agent = cell.agent(changes)
    certificate = agent.folder / "artefacts" / "MW-03.toml"
    text = certificate.read_text(encoding="utf-8")
    assert "valid_until = 2027-06-30" in text
    certificate.write_text(text.replace("2027-06-30", "2999-12-31"), encoding="utf-8")
    agent.start(wait=False)
    agent.wait_event("started")
    return agent


def artefact_text(scale=1.0, seed=0):
    return spiral_text(
        artefact="MW-03",
        feature="waves",
        waves_nm={upr: scale * nm for upr, nm in CERTIFIED.items()},
        measured_at=(datetime.now(UTC) - timedelta(seconds=5)).isoformat(),
        seed=seed,
    )


def command(agent, *words):
    return run_command("release", "--config", os.fspath(agent.config), *words)


def ask(agent, serial, part="HN-1610-R"):
    return command(
        agent,
        "--part",
        part,
        "--serial",
        serial,
        "--who",
        "A. N.",
        "--why",
        "gauge was cleaned, verified since",
    )


def dispositions(agent):
    return [(r["body"]["serial"], r["body"]["disposition"]) for r in agent.records("disposition")]


def test_part_held_for_the_gate_is_released_after_a_passed_verification(cell, circle_text):
    agent = station(cell)
    agent.drop("1.txt", circle_text("1"))
    wait_until(lambda: agent.records("disposition"))
    assert "has never been verified" in command(agent, "--list").stdout

    refused = ask(agent, "1")
    assert refused.returncode == 1
    assert "has never been verified" in refused.stderr
    assert dispositions(agent) == [("1", "hold")]

    agent.drop("artefact.txt", artefact_text())
    wait_until(lambda: agent.records("verification"))
    assert agent.records("verification")[0]["body"]["passed"], agent.records("verification")[0]["body"]
    assert dispositions(agent) == [("1", "hold")], "a passed verification releases nothing by itself"
    listed = command(agent, "--list").stdout.splitlines()
    (held,) = agent.records("disposition")
    assert listed[:3] == [
        "1 part is held only for the gate; 1 may be released now:",
        f"HN-1610-R 1 (record {held['seq']}): may be released",
        f"    held since {held['time'][:16].replace('T', ' ')} UTC: "
        "gauge-1 has never been verified with artefact MW-03",
    ]
    assert "--part HN-1610-R --serial 1 --who" in listed[4]

    given = ask(agent, "1")
    assert (given.returncode, given.stderr) == (0, "")
    assert given.stdout.endswith("; the lamp does not change\n")
    held, released = agent.records("disposition")
    assert (held["body"]["disposition"], released["body"]["disposition"]) == ("hold", "accept")
    assert released["body"]["reasons"][0] == "released by A. N.: gauge was cleaned, verified since"
    assert released["body"]["replaces"] == held["seq"]
    refused, told = agent.records("acknowledgement")
    assert refused["body"]["what"] == "release-refused"
    assert told["seq"] == released["seq"] - 1
    body = told["body"]
    assert (body["what"], body["who"], body["seq"], body["matched"]) == ("release", "A. N.", held["seq"], False)
    assert command(agent, "--list").stdout == "No part is held only for the gate.\n"
    assert ask(agent, "1").returncode == 1, "what is released cannot be released again"
    assert list((agent.store / "requests").iterdir()) == []
    agent.restart(wait=False)
    agent.wait_event("started")
    assert ask(agent, "1").returncode == 1
    agent.terminate()
    verify_journal(agent.store)
    replayed = run_command("replay", "--config", os.fspath(agent.config))
    assert replayed.returncode == 0, replayed.stdout


def test_hold_is_remembered_over_a_restart_and_failed_verifications_release_nothing(cell, circle_text):
    agent = station(cell)
    agent.drop("1.txt", circle_text("1"))
    wait_until(lambda: agent.records("disposition"))
    agent.restart(wait=False)
    agent.wait_event("started")
    agent.drop("bad.txt", artefact_text(0.9))
    wait_until(lambda: agent.records("verification"))
    assert "the last verification of gauge-1 failed" in ask(agent, "1").stderr
    agent.drop("good.txt", artefact_text(seed=1))
    wait_until(lambda: len(agent.records("verification")) == 2)
    assert ask(agent, "1").returncode == 0
    assert dispositions(agent) == [("1", "hold"), ("1", "accept")]


def test_parts_that_are_wrong_otherwise_are_neither_listed_nor_released(cell, circle_text):
    agent = station(cell)
    agent.drop("bad.txt", circle_text("2", amplitude_nm=4000.0))
    agent.drop("unknown.txt", circle_text("3", part="QQ-0000-X"))
    wait_until(lambda: len(agent.records("disposition")) == 2)
    agent.drop("artefact.txt", artefact_text())
    wait_until(lambda: agent.records("verification"))
    assert command(agent, "--list").stdout == "No part is held only for the gate.\n"
    for serial, part in (("2", "HN-1610-R"), ("3", "QQ-0000-X"), ("4", "HN-1610-R")):
        refused = ask(agent, serial, part)
        assert (refused.returncode, "is not held for the gate" in refused.stderr) == (1, True), refused
    assert {d for _, d in dispositions(agent)} == {"reject", "hold"}
    refusals = [r["body"] for r in agent.records("acknowledgement")]
    assert [(b["what"], b["serial"], b["seq"]) for b in refusals] == [
        ("release-refused", serial, 0) for serial in ("2", "3", "4")
    ]


def test_part_still_at_the_line_is_measured_again_rather_than_released(cell, circle_text):
    agent = station(cell, {**GATE, "intake.live_s": 600})
    agent.drop("1.txt", circle_text("1"))
    wait_until(lambda: agent.records("disposition"))
    agent.drop("artefact.txt", artefact_text())
    wait_until(lambda: agent.records("verification"))
    assert "measure it again, or release it later" in ask(agent, "1").stderr
    assert dispositions(agent) == [("1", "hold")]


def test_request_that_is_none_is_answered_and_does_not_stop_the_service(cell, circle_text):
    agent = station(cell)
    folder = agent.store / "requests"
    wait_until(folder.is_dir)
    for name, data in (("a", b"\xff"), ("b", b'{"part": "X"}'), ("c", b"[" * 3000), ("d", b"x" * 5000)):
        (folder / f"{name}.request").write_bytes(data)
    (folder / "e.request").symlink_to("/etc/hostname")
    wait_until(lambda: {p.suffix for p in folder.iterdir()} == {".answer"})
    assert all(b'"granted":false' in p.read_bytes() for p in folder.iterdir())
    agent.drop("1.txt", circle_text("1"))
    wait_until(lambda: agent.records("disposition"))


def test_request_without_a_service_is_withdrawn(cell, monkeypatch):
    from click.testing import CliRunner

    from edgeagent.cli import main

    monkeypatch.setattr("edgeagent.commands.shared_asking._PATIENCE_S", 0.1)
    agent = cell.agent(GATE)
    words = ["--part", "X", "--serial", "1", "--who", "A. N.", "--why", "because"]
    found = CliRunner().invoke(main, ["release", "--config", os.fspath(agent.config), *words])
    assert (found.exit_code, "no service has run with this store" in found.output) == (1, True)
    (agent.store / "requests").mkdir(parents=True)
    found = CliRunner().invoke(main, ["release", "--config", os.fspath(agent.config), *words])
    assert (found.exit_code, "is the service running?" in found.output) == (1, True)
    assert list((agent.store / "requests").iterdir()) == []


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--part", "X"), "a release needs --serial, --who, --why"),
        (("--part", "X", "--serial", "1", "--who", " ", "--why", "w"), "a release needs --who"),
        (("--list", "--part", "X"), "--list goes without --part"),
    ],
)
def test_incomplete_requests_are_wrong_usage(cell, words, said):
    found = command(cell.agent(GATE), *words)
    assert found.returncode == 2
    assert said in found.stderr


def test_bands_in_files_of_their_own_open_the_gate_together(cell, circle_text):
    agent = cell.agent(GATE)
    (agent.folder / "artefacts" / "MW-03.toml").write_text(
        'artefact = "MW-03"\ncertificate = "C-1"\nvalid_until = 2999-12-31\n'
        '[[wave]]\nupr = 36\namplitude_nm = 812.0\nexpanded_uncertainty_nm = 6.0\nfeature = "low"\n'
        '[[wave]]\nupr = 180\namplitude_nm = 403.0\nexpanded_uncertainty_nm = 5.0\nfeature = "high"\n',
        encoding="utf-8",
    )
    agent.start(wait=False)
    agent.wait_event("started")
    now = datetime.now(UTC)

    def band(name, upr, nm, minutes_ago, count):
        at = (now - timedelta(minutes=minutes_ago)).isoformat()
        text = spiral_text(artefact="MW-03", feature=name, waves_nm={upr: nm}, measured_at=at, noise_nm=2.0)
        agent.drop(f"{name}-{count}.txt", text)
        wait_until(lambda: len(agent.records("verification")) == count)
        return agent.records("verification")[-1]["body"]

    first = band("low", 36, 812.0, 30, 1)
    assert (first["passed"], first["incomplete"], first["missing_upr"]) == (False, True, [180])
    agent.drop("1.txt", circle_text("1"))
    wait_until(lambda: len(dispositions(agent)) == 1)
    assert "has never been verified" in agent.records("disposition")[0]["body"]["gate"]

    second = band("high", 180, 403.0, 20, 2)
    assert (second["passed"], second["incomplete"]) == (True, False)
    oldest = datetime.fromisoformat(second["counted_from"])
    assert oldest == now - timedelta(minutes=30)
    assert datetime.fromisoformat(second["valid_until"]) == oldest + timedelta(hours=24)
    agent.drop("2.txt", circle_text("2", measured_at=(now - timedelta(minutes=15)).isoformat()))
    wait_until(lambda: len(dispositions(agent)) == 2)
    assert dispositions(agent)[-1] == ("2", "accept")

    third = band("low", 36, 780.0, 10, 3)
    assert third["passed"] is False
    fourth = band("high", 180, 403.0, 5, 4)
    assert fourth["passed"] is False, "its other band failed since"
    agent.drop("3.txt", circle_text("3"))
    wait_until(lambda: len(dispositions(agent)) == 3)
    assert "failed" in agent.records("disposition")[-1]["body"]["gate"]


def test_list_of_held_parts_shows_no_control_character_of_a_serial():
    held = HeldPart("P", "\x1b[2J1", 3, None, "2026-03-02T09:41:07.000000Z", "no verification\x07")
    assert not {"\x1b", "\x07"} & set("".join(_list_lines([held], Path("agent.toml"))))

"""The witness as a process of its own: it follows a folder or a topic, cosigns, and refuses another history."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from evidence import checkpoint_of, key_files, rewritten, roots_of, signed_store
from field import ROOT, wait_until

from edgeagent.cli import main
from edgeagent.codec.evidence.merkle import Tree
from edgeagent.codec.evidence.witnessing import document_of
from edgeagent.store.evidence.witness import WitnessFolder
from edgeagent.store.journal import JournalReader


@pytest.fixture
def base(tmp_path) -> Path:
    signed_store(tmp_path / "store")
    key_files(tmp_path)
    return tmp_path


def hand_in(base: Path, size: int, since: int = 0) -> None:
    store = base / "store"
    leaves = [bytes.fromhex(s.hash.decode()) for s, *_ in JournalReader(store / "journal").steps()]
    tree = Tree(lambda begin, end: b"".join(leaves[begin:end]))
    for leaf in leaves:
        tree.append(leaf)
    paths = {since: tree.consistency_path(since, size)} if since else {}
    note = checkpoint_of(store, size)
    WitnessFolder(base / "shared").exchange(note.text.splitlines()[0], document_of(note, paths))


def look(base: Path, *more: str):
    options = ["--key", str(base / "w.key"), "--log", str(base / "log.pub"), "--folder", str(base / "shared")]
    return CliRunner().invoke(main, ["witness", *options, "--once", "--name", "witness/lab", *more])


def test_witness_makes_its_key_follows_a_folder_and_says_what_it_cosigned(base):
    hand_in(base, 9)
    told = look(base)
    assert told.exit_code == 0, told.output
    assert told.stdout.splitlines()[0].startswith("this witness: witness/lab+")
    assert "cosigned 9 records" in told.stdout
    hand_in(base, 14, since=9)
    assert "cosigned 14 records" in look(base).stdout
    verified = CliRunner().invoke(
        main,
        ["journal", "verify", str(base / "store"), "--witness-key", str(base / "w.key.pub"),
         "--checkpoints", str(base / "shared")],
    )  # fmt: skip
    assert verified.exit_code == 0, verified.output
    assert "witnessed: by witness/lab+" in verified.stdout
    assert "up to record 14, its last at " in verified.stdout


def test_another_history_is_refused_and_both_signed_notes_are_kept(base):
    hand_in(base, 9)
    look(base)
    before = roots_of(base / "store")[9]

    def change(record: dict) -> list[dict]:
        if record["kind"] == "disposition":
            record["body"]["disposition"] = "reject"
        return [record]

    rewritten(base / "store", change)
    assert roots_of(base / "store")[9] != before
    hand_in(base, 9)
    told = look(base)
    assert told.exit_code == 1
    assert "REFUSED: another history of the records that were witnessed" in told.stdout
    (kept,) = (base / "shared").rglob("refused/*.json")
    assert set(json.loads(kept.read_text())) == {"refused", "witnessed"}


def test_log_whose_key_was_not_given_is_not_cosigned(base):
    hand_in(base, 9)
    (base / "log.pub").write_text("other+87aa13cc+AQAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA\n")
    assert look(base).exit_code == 1  # no key at all
    look_at = CliRunner().invoke(
        main, ["witness", "--key", str(base / "w.key"), "--folder", str(base / "shared"), "--once"]
    )
    assert look_at.exit_code == 2


@pytest.mark.parametrize(
    "options", [[], ["--url", "mqtt://x"], ["--url", "mqtt://x", "--prefix", "p", "--once"]]
)
def test_wrong_usage_is_one_line(base, options):
    told = CliRunner().invoke(main, ["witness", "--key", str(base / "w.key"), *options])
    assert (told.exit_code, told.stderr.count("\n")) == (2, 1)


@pytest.mark.needs_mosquitto
def test_witness_follows_the_retained_topic_and_its_cosignature_reaches_the_agent(cell, circle_text, tmp_path):
    broker = cell.begin_broker()
    agent = cell.begin_agent({"intake.settle_s": 0.05})
    options = ["--key", str(tmp_path / "w.key"), "--log", str(agent.store / "keys" / "log.key.pub")]
    prefix = "edgeagent/plant-a/cell-3/gauge-1"
    process = subprocess.Popen(
        [sys.executable, "-m", "edgeagent", "witness", *options,
         "--url", f"mqtt://127.0.0.1:{broker.port}", "--prefix", prefix],
        env={**os.environ, "PYTHONPATH": os.fspath(ROOT)}, stdout=subprocess.PIPE,
    )  # fmt: skip
    try:
        agent.drop("1.txt", circle_text("1"))
        agent.wait_event("measured")

        def cosigned() -> bool:
            notes = [p.read_text() for p in (agent.store / "evidence").glob("cosigned/*")]
            return any(int(note.splitlines()[1]) >= 4 for note in notes)

        wait_until(cosigned, what="the cosignature of the disposition is in the store")
    finally:
        process.send_signal(signal.SIGTERM)
        said = process.communicate()[0].decode()
    assert process.returncode == 0
    assert "cosigned" in said
    assert agent.terminate() == 0


def test_folder_beside_a_topic_is_refused_as_it_would_never_be_looked_at(base):
    options = ["--key", str(base / "w.key"), "--log", str(base / "log.pub"), "--folder", str(base / "shared")]
    found = CliRunner().invoke(main, ["witness", *options, "--url", "mqtt://127.0.0.1:1", "--prefix", "p"])
    assert found.exit_code == 2
    assert "not both" in found.stderr

"""A part's proof out of a store: small, complete, and checked by the public key alone."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from click.testing import CliRunner
from evidence import WITNESS_KEY, checkpoint_of, key_files, part_bodies, roots_of, signed_store
from records import body_of

from edgeagent.cli import main
from edgeagent.store.clock import SystemClock
from edgeagent.store.evidence.kept import KeptCheckpoints
from edgeagent.store.journal import JournalWriter


@pytest.fixture
def base(tmp_path) -> Path:
    signed_store(tmp_path / "store")
    key_files(tmp_path)
    return tmp_path


def run(*args: str):
    return CliRunner().invoke(main, ["journal", *args])


def proved(base: Path, serial: str, *more: str) -> Path:
    out = base / f"{serial}.json"
    told = run("prove", str(base / "store"), "--serial", serial, "--out", str(out), *more)
    assert told.exit_code == 0, told.output
    return out


def test_proof_of_a_part_needs_the_public_key_alone(base):
    out = proved(base, "2")
    shutil.rmtree(base / "store")
    told = run("check-proof", str(out), "--key", str(base / "log.pub"))
    assert told.exit_code == 0, told.output
    assert "had 10 records, these among them" in told.stdout
    assert "P 2: ACCEPT" in told.stdout
    assert len(told.stdout.splitlines()) == 4
    assert out.stat().st_size < 6000


def test_proof_prefers_a_checkpoint_that_a_witness_cosigned(base):
    told = run(
        "check-proof", str(proved(base, "1")), "--key", str(base / "log.pub"),
        "--witness-key", str(base / "witness.pub"), "--json",
    )  # fmt: skip
    assert told.exit_code == 0, told.output
    found = json.loads(told.stdout)
    assert (found["size"], found["witnessed"][0]["name"]) == (10, "witness/office")
    assert [r["kind"] for r in found["records"]] == ["measurement", "disposition"]


def test_part_that_the_witness_has_not_seen_is_proved_by_the_log_alone_and_said_so(base):
    told = run(
        "check-proof", str(proved(base, "5")), "--key", str(base / "log.pub"),
        "--witness-key", str(base / "witness.pub"),
    )  # fmt: skip
    assert told.exit_code == 1
    assert "not cosigned by witness/office" in told.stderr


def test_acknowledgements_and_releases_of_a_part_belong_to_its_proof(base):
    writer = JournalWriter(base / "store" / "journal", SystemClock(), 10**6)
    writer.open(lambda *_: None)
    writer.append([body_of("acknowledgement", {"seq": 4}), body_of("acknowledgement", {"seq": 6})])
    writer.append(part_bodies("other"))
    writer.close()
    KeptCheckpoints(base / "store").keep(checkpoint_of(base / "store", 18, witness=WITNESS_KEY))
    proof = json.loads(proved(base, "0").read_text())
    assert [record["index"] for record in proof["records"]] == [2, 3, 14]


def test_unknown_part_and_part_behind_the_last_checkpoint_are_one_line(base):
    told = run("prove", str(base / "store"), "--serial", "77")
    assert (told.exit_code, told.stderr.count("\n")) == (1, 1)
    writer = JournalWriter(base / "store" / "journal", SystemClock(), 10**6)
    writer.open(lambda *_: None)
    writer.append(part_bodies("77"))
    writer.close()
    told = run("prove", str(base / "store"), "--serial", "77")
    assert "no checkpoint covers record 16 yet" in told.stderr


def test_serial_of_two_parts_asks_which(base):
    writer = JournalWriter(base / "store" / "journal", SystemClock(), 10**6)
    writer.open(lambda *_: None)
    writer.append([body_of("measurement", {"trace": {"part": "Q", "serial": "1"}})])
    writer.close()
    KeptCheckpoints(base / "store").keep(checkpoint_of(base / "store", 15, witness=WITNESS_KEY))
    told = run("prove", str(base / "store"), "--serial", "1")
    assert "is on record for P, Q: say which with --part" in told.stderr
    assert [r["index"] for r in json.loads(proved(base, "1", "--part", "Q").read_text())["records"]] == [14]


def test_checkpoint_that_the_journal_does_not_bear_out_is_not_used(base):
    store = base / "store"
    shutil.rmtree(store / "evidence")
    other = signed_store(base / "other", parts=20)
    KeptCheckpoints(store).keep(checkpoint_of(other, 14, witness=WITNESS_KEY))
    assert roots_of(store)[14] != roots_of(other)[14]
    assert run("prove", str(store), "--serial", "1").exit_code == 1


def test_bent_proof_and_wrong_usage_are_one_line(base):
    out = proved(base, "2")
    out.write_text(out.read_text().replace("accept", "reject"))
    told = run("check-proof", str(out), "--key", str(base / "log.pub"))
    assert (told.exit_code, told.stdout, told.stderr.count("\n")) == (1, "", 1)
    assert "proves nothing" in told.stderr
    assert run("check-proof", str(out)).exit_code == 2


def documented_verifier() -> str:
    """The program that the auditor's documentation shows."""
    text = (Path(__file__).parents[2] / "edgeagent" / "store" / "FORMAT.md").read_text(encoding="utf-8")
    (found,) = [code for code in re.findall(r"```python\n(.*?)```", text, re.S) if "Ed25519" in code]
    return str(found)


def test_documented_verifier_checks_a_proof_without_this_program(base, tmp_path):
    (tmp_path / "check.py").write_text(documented_verifier())
    out = proved(base, "2")

    def check():
        command = [sys.executable, "-I", str(tmp_path / "check.py"), str(out), str(base / "log.pub")]
        return subprocess.run(command, capture_output=True, text=True, cwd=tmp_path, check=False)

    told = check()
    assert (told.returncode, told.stdout.count("proved: ")) == (0, 2), told.stderr
    whole = out.read_text()
    for bent in (
        whole.replace("accept", "reject"),
        whole.replace('"index":6', '"index":8'),
        whole.replace("\\n10\\n", "\\n11\\n"),
    ):
        assert bent != whole
        out.write_text(bent)
        assert check().returncode != 0

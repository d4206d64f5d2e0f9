"""Journals of earlier versions fold to what those versions knew: byte for byte the same lines, the same memory.

``fixtures/journals/0.1.0`` holds journals that version 0.1.0 wrote (all invented parts), each with what that
version's own fold made of it, as JSON.
"""

from __future__ import annotations

import dataclasses
import json
import shutil
from collections.abc import Mapping
from enum import Enum
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner
from msgspec import UNSET

from edgeagent.cli import main
from edgeagent.judging.memory import Memory
from edgeagent.model.reasons import Reason
from edgeagent.rules.gate import Verified
from edgeagent.rules.sentences import plain_sentence, sentence
from edgeagent.store.journal import JournalReader

FOLDER = Path(__file__).parent.parent.parent / "fixtures" / "journals" / "0.1.0"
JOURNALS = sorted(FOLDER.glob("*.jsonl"))


UNKNOWN_THEN = {"decided", "recipe_sha256"}
"""Members of parts and their measurements that the recorded folds do not have."""


def plain(value):
    """A value of the memory in the form of the recorded folds; reasons are their sentences there."""
    if isinstance(value, Reason):
        return sentence(value)
    if isinstance(value, Verified):
        names = [f.name for f in dataclasses.fields(value) if f.name != "outcome"]
        found = {name: plain(getattr(value, name)) for name in names}
        doubt = None if value.doubt is None else plain_sentence(value.doubt)
        return {**found, "doubt": doubt, "passed": value.passed, "partial": value.lost}
    if isinstance(value, msgspec.Struct):
        members = {f: getattr(value, f) for f in value.__struct_fields__}
        return plain({k: v for k, v in members.items() if v is not UNSET})
    if dataclasses.is_dataclass(value):
        names = [f.name for f in dataclasses.fields(value) if f.name not in UNKNOWN_THEN]
        return {name: plain(getattr(value, name)) for name in names}
    if isinstance(value, Mapping):
        return [[plain(k), plain(v)] for k, v in sorted(value.items(), key=lambda kv: str(kv[0]))]
    if isinstance(value, set | frozenset):
        return sorted(plain(v) for v in value)
    if isinstance(value, list | tuple):
        return [plain(v) for v in value]
    if isinstance(value, bytes):
        return value.hex()
    return value.value if isinstance(value, Enum) else value


def folded(journal: Path, tmp_path: Path) -> dict:
    shutil.copy(journal, tmp_path / "00000001.jsonl")
    memory = Memory({}, None, live_s=60.0, latches=True)
    for record, place in JournalReader(tmp_path).walk():
        memory.visit(record, place)
    return {
        "boot": memory.boot, "decided": memory.decided, "lamp": memory.lamp, "checkpoint": memory.checkpoint,
        "sets": memory.sets, "waiting": memory.waiting_sets, "verifications": memory.verifications,
        "verifying": memory.verifying, "measured_last": memory.measured_last,
        "certificate_refused": memory.certificate_refused, "errors": memory.artefact_errors_nm,
        "sightings": memory.sightings, "gated": memory.gated, "answered": memory.answered, "done": memory._done,
        "last": memory.last_disposition.seq if memory.last_disposition else None,
        "unverified": memory.unverified.seq if memory.unverified else None,
    }  # fmt: skip


@pytest.mark.parametrize("journal", JOURNALS, ids=lambda p: p.stem)
def test_journal_of_an_earlier_version_folds_to_what_that_version_knew(journal, tmp_path):
    before = json.loads(journal.with_suffix(".fold.json").read_text())
    now = {name: json.loads(json.dumps(plain(value))) for name, value in folded(journal, tmp_path).items()}
    # What the lamp shows for what is known has become richer since; what it holds back has not.
    rejects = [w["seq"] for w in now.pop("lamp")["waiting"] if w["what"] == "reject"]
    assert rejects == before.pop("lamp")["latched"]
    for name in before:
        assert now[name] == before[name], name


def test_fixtures_hold_every_outcome_of_a_verification_and_every_kind_of_record():
    kinds, outcomes = set(), set()
    for journal in JOURNALS:
        for line in journal.read_text(encoding="utf-8").splitlines():
            record = json.loads(line)
            body = record["body"]
            kinds.add((record["kind"], body.get("what", "")))
            if record["kind"] == "verification":
                flags = ("counts", "incomplete", "partial", "counted_from")
                outcomes.add((body["passed"], *(bool(body.get(k, k == "counts")) for k in flags)))
    assert len(outcomes) >= 6
    assert {("acknowledgement", "release"), ("recovery", "drift"), ("quarantine", ""), ("stop", "")} <= kinds


def test_store_of_an_earlier_version_verifies_and_replays_without_another_verdict(tmp_path):
    station = tmp_path / "station"
    shutil.copytree(FOLDER / "released-station", station)
    verified = CliRunner().invoke(main, ["journal", "verify", str(station / "store")])
    assert verified.exit_code == 0, verified.output
    replayed = CliRunner().invoke(main, ["replay", "--config", str(station / "agent.toml"), "--json"])
    found = json.loads(replayed.stdout)
    assert replayed.exit_code == 0, replayed.output
    assert found["files"] == found["other_software"] > 0
    assert (found["verdict_flips"], found["differences"]) == ([], [])

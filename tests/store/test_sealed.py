"""Closed segments and their contents in one file: checked, moved away, and missed by nobody but the curves."""

from __future__ import annotations

import errno
import json
import os
import shutil
import sys
import zipfile
from pathlib import Path

import pytest
from attacks import CHANGES, play
from click.testing import CliRunner
from evidence import signed_store
from field import copy_station
from msgspec.structs import replace

from edgeagent.cli import main
from edgeagent.codec.records.result import encode
from edgeagent.errors import EvidenceError
from edgeagent.model.records import Sealing
from edgeagent.store.archive import Archive
from edgeagent.store.clock import SystemClock
from edgeagent.store.copies.sealed import Leftover, check_leftover, check_sealed, manifests, seal
from edgeagent.store.journal import JournalReader, JournalWriter


@pytest.fixture(scope="module")
def played(tmp_path_factory) -> Path:
    """A station whose journal has several segments."""
    base = tmp_path_factory.mktemp("sealed")
    return play(base, {**CHANGES, "store.segment_mb": 0.006})


@pytest.fixture
def station(played, tmp_path) -> Path:
    copy_station(played, tmp_path / "station")
    return tmp_path / "station"


def run(station: Path, *words: str):
    config = ["--config", str(station / "agent.toml")]
    command = 2 if words[0] == "archive" else 1
    return CliRunner().invoke(main, [*words[:command], *config, *words[command:]])


def replayed(station: Path, *more: str) -> dict:
    told = run(station, "replay", "--json", *more)
    return json.loads(told.stdout)


def objects(station: Path) -> set[str]:
    return {digest for digest, _ in Archive(station / "store" / "archive").objects()}


def test_sealed_moved_verified_and_replayed_with_the_file_and_without(station, tmp_path):
    cold, before = tmp_path / "cold", objects(station)
    told = run(station, "archive", "seal", "--out", str(cold), "--remove")
    assert told.exit_code == 0, told.output
    (sealed,) = cold.iterdir()
    assert check_sealed(sealed).root in told.stdout
    taken = before - objects(station)
    assert taken == set(check_sealed(sealed).objects)
    assert len(taken) >= 4

    verified = CliRunner().invoke(main, ["journal", "verify", str(station / "store")])
    assert (verified.exit_code, verified.stdout.startswith("whole: ")) == (0, True)
    whole = replayed(station, "--sealed", str(cold))
    assert (whole["identical"], whole["missing"], whole["sealed_away"]) == (5, [], 0)
    without = replayed(station)
    assert without["sealed_away"] == len(taken)
    assert (without["missing"], without["contradictions"], without["differences"]) == ([], [], [])
    assert without["identical"] + without["not_at_hand"] == 5
    report = CliRunner().invoke(
        main, ["report", "--store", str(station / "store"), "--serial", "A1", "--out", str(tmp_path / "a.html")]
    )
    assert report.exit_code == 0, report.output
    assert "cannot be read from the archive" in (tmp_path / "a.html").read_text(encoding="utf-8")
    shutil.copy(sealed, station / "store" / "sealed")
    assert replayed(station)["identical"] == 5
    report = CliRunner().invoke(
        main, ["report", "--store", str(station / "store"), "--serial", "A1", "--out", str(tmp_path / "b.html")]
    )
    assert report.exit_code == 0, report.output
    assert "cannot be read from the archive" not in (tmp_path / "b.html").read_text(encoding="utf-8")


def test_sealed_file_belongs_to_its_journal_and_a_signed_record_names_its_root(station, tmp_path):
    told = run(station, "archive", "seal", "--out", str(tmp_path), "--remove")
    (path,) = tmp_path.glob("*.sealed")
    last = [r for r, _ in JournalReader(station / "store" / "journal").walk()][-1]
    assert (last.kind, last.body.root) == ("sealing", check_sealed(path).root)
    told = CliRunner().invoke(main, ["archive", "check", str(path), "--store", str(station / "store")])
    assert (told.exit_code, f"named: by record {last.seq}" in told.stdout) == (0, True)
    other = tmp_path / "other"
    signed_store(other)
    told = CliRunner().invoke(main, ["archive", "check", str(path), "--store", str(other)])
    assert (told.exit_code, told.stderr.count("\n")) == (1, 1)
    assert "is not the one of this journal" in told.stderr


def test_manifest_that_no_record_names_excuses_no_missing_content(station, tmp_path):
    run(station, "archive", "seal", "--out", str(tmp_path), "--remove")
    (manifest,) = (station / "store" / "sealed").glob("*.json")
    kept = next(
        r.body for r, _ in JournalReader(station / "store" / "journal").walk() if r.kind == "measurement"
    )
    found = json.loads(manifest.read_text())
    assert replayed(station)["missing"] == []
    # Somebody deletes one content more, and writes into the manifest that it was sealed
    gone = next(d for d in sorted(objects(station)) if d != kept.source.sha256)
    Archive(station / "store" / "archive").path_of(gone).unlink()
    manifest.write_text(json.dumps({**found, "objects": [*found["objects"], gone]}))
    report = replayed(station)
    assert any("no record says that it was sealed" in m["what"] for m in report["missing"])


def test_contents_sealed_before_such_files_went_on_record_are_unknown_until_the_file_is_brought(
    station, tmp_path, monkeypatch
):
    with monkeypatch.context() as earlier:  # a program that wrote no such record
        earlier.setattr("edgeagent.commands.archive.JournalWriter.append", lambda *_: [])
        told = run(station, "archive", "seal", "--out", str(tmp_path / "cold"), "--remove")
    assert told.exit_code == 0, told.output
    kinds = {r.kind for r, _ in JournalReader(station / "store" / "journal").walk()}
    (manifest,) = manifests(station / "store")
    assert "sealing" not in kinds
    report = replayed(station)
    assert (report["missing"], len(report["unknown"])) == ([], len(manifest.objects))
    told = CliRunner().invoke(main, ["replay", "--config", str(station / "agent.toml")])
    assert told.exit_code == 1
    assert "sealed by its manifest alone: its file is needed (--sealed)" in told.stdout
    whole = replayed(station, "--sealed", str(tmp_path / "cold"))
    assert (whole["unknown"], whole["missing"], whole["identical"]) == ([], [], 5)


def test_what_is_not_closed_or_still_used_stays(station, tmp_path):
    run(station, "archive", "seal", "--out", str(tmp_path / "cold"), "--remove")
    (manifest,) = manifests(station / "store")
    reader = JournalReader(station / "store" / "journal")
    assert len(manifest.segments) == len(reader.segments()) - 1
    assert manifest.last < max(r.seq for r, _ in reader.walk())
    again = run(station, "archive", "seal")
    assert (again.exit_code, again.stderr.count("\n")) == (1, 1)
    assert "no closed segment is left" in again.stderr


def killed_before(station: Path, monkeypatch, step: str, *words: str) -> set[str]:
    """Seal with --remove up to a step at which the process ends; returns what the archive holds then."""
    with monkeypatch.context() as killed:
        killed.setattr(f"edgeagent.commands.archive.{step}", lambda *_: sys.exit(137))
        assert run(station, "archive", "seal", "--remove", *words).exit_code == 137
    return objects(station)


def sealings(station: Path) -> list[Sealing]:
    records = (record for record, _ in JournalReader(station / "store" / "journal").walk())
    return [record.body for record in records if isinstance(record.body, Sealing)]


@pytest.mark.parametrize("step", ["JournalWriter.append", "take_out"])
@pytest.mark.parametrize("elsewhere", [False, True])
def test_removal_that_was_killed_is_finished_by_the_next_call(station, tmp_path, monkeypatch, step, elsewhere):
    words = ["--out", str(tmp_path / "cold")] if elsewhere else []
    before = objects(station)
    assert killed_before(station, monkeypatch, step, *words) == before
    told = run(station, "archive", "seal", "--remove", *words)
    assert told.exit_code == 0, told.output
    (manifest,) = manifests(station / "store")
    assert before - objects(station) == set(manifest.objects)
    assert [body.root for body in sealings(station)] == [manifest.root], "on record once"
    assert manifest.root in told.stdout
    whole = replayed(station, *(["--sealed", str(tmp_path / "cold")] if elsewhere else []))
    assert (whole["identical"], whole["missing"], whole["unknown"]) == (5, [], [])
    again = run(station, "archive", "seal", "--remove", *words)
    assert (again.exit_code, "no closed segment is left" in again.stderr) == (1, True)


def test_what_was_sealed_to_keep_a_copy_can_be_taken_out_later(station, tmp_path):
    before = objects(station)
    assert run(station, "archive", "seal", "--out", str(tmp_path)).exit_code == 0
    away = run(station, "archive", "seal", "--remove")
    assert "is not at hand, its contents stay in the archive" in away.stderr
    assert (objects(station), sealings(station)) == (before, [])
    assert run(station, "archive", "seal", "--remove", "--out", str(tmp_path)).exit_code == 0
    (manifest,) = manifests(station / "store")
    assert before - objects(station) == set(manifest.objects)


def test_damaged_file_of_a_killed_removal_is_named_and_nothing_goes_by_it(station, monkeypatch):
    before = killed_before(station, monkeypatch, "JournalWriter.append")
    (path,) = (station / "store" / "sealed").glob("*.sealed")
    data = bytearray(path.read_bytes())
    data[len(data) // 2] ^= 1
    path.write_bytes(data)
    told = run(station, "archive", "seal", "--remove")
    assert (told.exit_code, told.stderr.count("\n")) == (1, 1)
    assert path.name in told.stderr
    assert (objects(station), sealings(station)) == (before, [])
    # What the message says: out of the way, its records are sealed again
    path.unlink()
    path.with_name(f"{path.name}.json").unlink()
    assert run(station, "archive", "seal", "--remove").exit_code == 0
    assert len(sealings(station)) == 1


def test_whole_file_of_another_journal_under_the_name_of_a_killed_removal_is_not_trusted(
    station, tmp_path, monkeypatch
):
    before = killed_before(station, monkeypatch, "JournalWriter.append")
    (path,) = (station / "store" / "sealed").glob("*.sealed")
    other = tmp_path / "other"
    signed_store(other)
    stranger = seal(other)
    assert stranger is not None
    shutil.copy(stranger.path, path)
    told = run(station, "archive", "seal", "--remove")
    assert (told.exit_code, told.stderr.count("\n")) == (1, 1)
    assert f"{path.name}: its manifest is not the one in" in told.stderr
    assert (objects(station), sealings(station)) == (before, [])
    # With the manifest exchanged too, the records tell
    with pytest.raises(EvidenceError, match="is not the one of this journal"):
        check_leftover(station / "store", Leftover(stranger.manifest, path, False, frozenset()))


def test_content_that_was_named_again_after_a_killed_removal_stays(station, monkeypatch):
    killed_before(station, monkeypatch, "JournalWriter.append")
    (manifest,) = manifests(station / "store")
    journal = station / "store" / "journal"
    records = [record for record, _ in JournalReader(journal).walk()]
    again = next(
        r.body for r in records if r.kind == "measurement" and r.body.source.sha256 in manifest.objects
    )
    writer = JournalWriter(journal, SystemClock(), 10**9)
    writer.open(lambda *_: None)
    writer.append([again])
    writer.close()
    assert run(station, "archive", "seal", "--remove").exit_code == 0
    stays = {again.source.sha256, again.result_sha256}
    assert stays <= objects(station)
    assert not (set(manifest.objects) - stays) & objects(station)


def test_segments_on_both_sides_of_sealed_ones_are_sealed_in_two_files(station):
    store = station / "store"
    whole = seal(store)
    assert whole is not None
    first, middle, *rest = whole.manifest.segments
    manifest = store / "sealed" / f"{whole.manifest.name}.json"
    manifest.write_bytes(encode(replace(whole.manifest, segments=(middle,))))
    before, behind, none = seal(store), seal(store), seal(store)
    assert before is not None
    assert behind is not None
    assert (before.manifest.segments, behind.manifest.segments, none) == ((first,), tuple(rest), None)


def test_disk_that_fills_up_while_sealing_is_left_as_it_was(station, monkeypatch):
    real = zipfile.ZipFile.writestr

    def refuse(self, member, data) -> None:
        if member.filename != "manifest.json":
            raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
        real(self, member, data)

    monkeypatch.setattr(zipfile.ZipFile, "writestr", refuse)
    assert run(station, "archive", "seal").exit_code == 1
    assert list((station / "store" / "sealed").iterdir()) == []


def test_nothing_is_removed_while_an_agent_runs(station):
    writer = JournalWriter(station / "store" / "journal", SystemClock(), 10**6)
    writer.lock()
    try:
        before = objects(station)
        told = run(station, "archive", "seal", "--remove")
        assert (told.exit_code, told.stderr.count("\n")) == (21, 1)
        assert objects(station) == before
        assert run(station, "archive", "seal").exit_code == 0  # beside a running agent it only copies
        assert objects(station) == before
    finally:
        writer.close()


@pytest.mark.parametrize("damage", ["byte", "cut", "member", "manifest"])
def test_damaged_sealed_file_is_named(station, tmp_path, damage):
    run(station, "archive", "seal", "--out", str(tmp_path))
    (path,) = tmp_path.glob("*.sealed")
    data = bytearray(path.read_bytes())
    if damage == "cut":
        path.write_bytes(data[:-400])
    elif damage == "byte":
        data[len(data) // 2] ^= 1
        path.write_bytes(data)
    else:
        with zipfile.ZipFile(path) as old:
            members = {name: old.read(name) for name in old.namelist()}
        if damage == "member":
            members.pop(next(n for n in members if n.startswith("archive/")))
        else:
            manifest = json.loads(members["manifest.json"])
            members["manifest.json"] = json.dumps({**manifest, "root": "0" * 64}).encode()
        with zipfile.ZipFile(path, "w") as new:
            for name, content in members.items():
                new.writestr(name, content)
    with pytest.raises(EvidenceError):
        check_sealed(path)
    told = CliRunner().invoke(main, ["archive", "check", str(path)])
    assert (told.exit_code, told.stderr.count("\n")) == (1, 1)


def test_content_changed_in_a_sealed_file_is_a_difference_of_the_replay(station, tmp_path):
    run(station, "archive", "seal", "--out", str(tmp_path), "--remove")
    (path,) = tmp_path.glob("*.sealed")
    with zipfile.ZipFile(path) as old:
        members = {name: old.read(name) for name in old.namelist()}
    first, second, *_ = [n for n in members if n.startswith("archive/")]
    members[first] = members[second]
    with zipfile.ZipFile(path, "w") as new:
        for name, content in members.items():
            new.writestr(name, content)
    found = replayed(station, "--sealed", str(path))
    assert any("it was changed" in d["what"] for d in found["differences"])

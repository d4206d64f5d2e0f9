"""Copies of a store that is being written: whole at any moment, continued, and never of another journal."""

from __future__ import annotations

import os
import shutil
import threading
from pathlib import Path

import pytest
from click.testing import CliRunner
from evidence import checkpoint_of, key_of, rewritten
from records import body_of

from edgeagent.cli import main
from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.result import encode
from edgeagent.errors import EvidenceError
from edgeagent.judging.replaying.references import references
from edgeagent.store.archive import Archive
from edgeagent.store.clock import SystemClock
from edgeagent.store.copies import backup
from edgeagent.store.copies.backup import back_up
from edgeagent.store.copies.sealed import FORM, SealedManifest
from edgeagent.store.evidence.kept import KeptCheckpoints
from edgeagent.store.journal import JournalReader, JournalWriter
from edgeagent.store.replay import replay_store
from edgeagent.store.verify import verify_journal


def write_files(store: Path, writer: JournalWriter, numbers: range) -> None:
    archive = Archive(store / "archive")
    for number in numbers:
        source, result = archive.put_all((f"trace {number}".encode() * 50, f"result {number}".encode()))
        body = {"source": {"name": f"{number}.txt", "sha256": source}, "result_sha256": result}
        writer.append([body_of("measurement", body)])


@pytest.fixture
def store(tmp_path):
    writer = JournalWriter(tmp_path / "store" / "journal", SystemClock(), 8000)
    writer.open(lambda *_: None)
    write_files(tmp_path / "store", writer, range(5))
    yield tmp_path / "store", writer
    writer.close()


def is_whole(copy: Path) -> int:
    """Records of a copy whose every content is there."""
    archive = Archive(copy / "archive")
    for record, _ in JournalReader(copy / "journal").walk():
        for _, digest in references(record.body):
            assert digest_of(archive.get(digest)) == digest
    return verify_journal(copy).records


def test_copies_of_a_store_that_is_being_written_are_whole_at_any_moment(store, tmp_path):
    folder, writer = store
    thread = threading.Thread(target=write_files, args=(folder, writer, range(5, 120)))
    thread.start()
    counts = []
    for number in range(200):
        back_up(folder, tmp_path / f"copy-{number % 4}")
        counts.append(is_whole(tmp_path / f"copy-{number % 4}"))
        if not thread.is_alive():
            break
    thread.join()
    assert back_up(folder, tmp_path / "copy-0").whole.records == 120 == is_whole(tmp_path / "copy-0")
    assert counts == sorted(counts)


def test_second_backup_copies_only_what_is_new(store, tmp_path):
    folder, writer = store
    assert back_up(folder, tmp_path / "copy").fresh == 10
    write_files(folder, writer, range(5, 7))
    copied = back_up(folder, tmp_path / "copy")
    assert (copied.fresh, copied.contents) == (4, 14)


def test_checkpoint_signed_while_it_is_copied_covers_no_record_that_is_not_in_the_copy(tmp_path, monkeypatch):
    folder = tmp_path / "store"
    writer = JournalWriter(folder / "journal", SystemClock(), 8000)
    writer.open(lambda *_: None)
    writer.append([body_of("start", {"key": key_of().verifier.text})])
    write_files(folder, writer, range(3))
    real = backup._copy_journal

    def copy_and_go_on(journal, copy):
        count = real(journal, copy)
        write_files(folder, writer, range(3, 6))
        KeptCheckpoints(folder).keep(checkpoint_of(folder, writer.seq))
        return count

    monkeypatch.setattr(backup, "_copy_journal", copy_and_go_on)
    back_up(folder, tmp_path / "copy")
    assert is_whole(tmp_path / "copy") == 4
    back_up(folder, tmp_path / "copy")
    writer.close()
    assert verify_journal(tmp_path / "copy", keys=[key_of().verifier]).signed[0].up_to == 7


def test_private_key_and_what_is_rebuilt_are_not_in_the_copy(store, tmp_path):
    folder, _ = store
    for name in ("keys/log.key", "state/publisher.json", "requests/x", "evidence/checkpoint", "quarantine/q"):
        (folder / name).parent.mkdir(exist_ok=True)
        (folder / name).write_text("x")
    back_up(folder, tmp_path / "copy")
    assert sorted(p.name for p in (tmp_path / "copy").iterdir()) == [
        "archive",
        "evidence",
        "journal",
        "quarantine",
    ]


def test_checkpoints_in_a_copy_survive_a_power_cut_as_its_records_do(store, tmp_path, monkeypatch):
    folder, _ = store
    (folder / "evidence" / "cosigned").mkdir(parents=True)
    (folder / "evidence" / "cosigned" / "witness").write_text("a note")
    synced, real = set(), os.fsync
    monkeypatch.setattr(os, "fsync", lambda fd: (synced.add(os.fstat(fd).st_ino), real(fd))[1])
    back_up(folder, tmp_path / "copy")
    copied = tmp_path / "copy" / "evidence"
    assert {p.stat().st_ino for p in (copied, copied / "cosigned", copied / "cosigned" / "witness")} <= synced


def test_object_of_an_older_version_that_was_sealed_but_not_removed_is_copied(store, tmp_path):
    folder, _ = store
    archive = Archive(folder / "archive")
    digest, path = next(archive.objects())
    plain = archive.get(digest)
    path.unlink()
    (folder / "archive" / digest).write_bytes(plain)
    (folder / "sealed").mkdir()
    manifest = SealedManifest(
        sealed=FORM, first=1, last=1, prev="", head="", segments=(), objects=(digest,), root=""
    )
    (folder / "sealed" / f"{manifest.name}.json").write_bytes(encode(manifest))
    back_up(folder, tmp_path / "copy")
    assert is_whole(tmp_path / "copy") == 5


def test_backup_of_another_or_an_older_journal_leaves_the_copy_as_it_is(store, tmp_path):
    folder, writer = store
    back_up(folder, tmp_path / "copy")
    shutil.copytree(folder, tmp_path / "older")
    write_files(folder, writer, range(5, 9))
    back_up(folder, tmp_path / "copy")
    with pytest.raises(EvidenceError, match="another journal, or more of this one"):
        back_up(tmp_path / "older", tmp_path / "copy")
    rewritten(tmp_path / "older", lambda record: [{**record, "time": "2026-03-02T10:00:00.000000Z"}])
    with pytest.raises(EvidenceError):
        back_up(tmp_path / "older", tmp_path / "copy")
    assert is_whole(tmp_path / "copy") == 9


def test_content_that_is_missing_or_damaged_is_no_backup(store, tmp_path):
    folder, _ = store
    archive = Archive(folder / "archive")
    digest, path = next(archive.objects())
    path.unlink()
    config = folder.parent / "agent.toml"
    config.write_text('[station]\nsite = "a"\ncell = "b"\nname = "c"\n')
    told = CliRunner().invoke(main, ["archive", "backup", "--config", str(config), str(tmp_path / "copy")])
    assert (told.exit_code, told.stderr.count("\n")) == (22, 1)
    assert digest in told.stderr


def test_backup_of_a_running_agent_verifies_and_replays(cell, circle_text, tmp_path):
    agent = cell.begin_alone({"intake.settle_s": 0.05})
    for serial in range(6):
        agent.drop(f"{serial}.txt", circle_text(str(serial)))
        if serial in (2, 4):
            agent.wait_event("measured", 2)
            told = CliRunner().invoke(
                main, ["archive", "backup", "--config", str(agent.config), str(tmp_path / "copy")]
            )
            assert told.exit_code == 0, told.output
            assert verify_journal(tmp_path / "copy").records
            assert replay_store(tmp_path / "copy").agrees
    agent.wait_event("measured", 6)
    assert agent.terminate() == 0
    back_up(agent.store, tmp_path / "copy")
    report = replay_store(tmp_path / "copy")
    assert (report.identical, report.agrees, report.orphans) == (6, True, [])

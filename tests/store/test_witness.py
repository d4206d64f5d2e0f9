"""A witness's memory: durable before anything is cosigned, never forgotten, shared with no other process."""

from __future__ import annotations

import json
import shutil

import pytest
from evidence import ORIGIN, WITNESS_KEY, checkpoint_of, key_of, signed_store

from edgeagent.codec.evidence.merkle import Tree
from edgeagent.codec.evidence.witnessing import Refusal, document_of
from edgeagent.codec.records.result import encode
from edgeagent.errors import EvidenceError
from edgeagent.store.evidence.witness import WitnessFolder, WitnessMemory
from edgeagent.store.journal import JournalReader


@pytest.fixture
def store(tmp_path):
    return signed_store(tmp_path / "store")


def document(store, size: int, since: int = 0, seed: int = 0) -> bytes:
    leaves = [bytes.fromhex(s.hash.decode()) for s, *_ in JournalReader(store / "journal").steps()]
    tree = Tree(lambda begin, end: b"".join(leaves[begin:end]))
    for leaf in leaves:
        tree.append(leaf)
    paths = {since: tree.consistency_path(since, size)} if since else {}
    return encode(document_of(checkpoint_of(store, size, seed=seed), paths))


@pytest.fixture
def memory(tmp_path):
    found = WitnessMemory(tmp_path / "memory.json", WITNESS_KEY, [key_of().verifier])
    yield found
    found.close()


def test_witness_follows_a_log_and_remembers_it_over_a_restart(tmp_path, store, memory):
    assert memory.look(document(store, 5), 10).note is not None
    assert memory.look(document(store, 9, since=5), 11).note is not None
    memory.close()
    again = WitnessMemory(tmp_path / "memory.json", WITNESS_KEY, [key_of().verifier])
    try:
        assert again.look(document(store, 7), 12).error.refusal == Refusal.BEHIND
        assert again.look(document(store, 12), 12).error.refusal == Refusal.NO_PATH
        assert again.look(document(store, 12, since=9), 12).note.whole.count("witness/office") == 1
    finally:
        again.close()


@pytest.mark.usefixtures("memory")
def test_second_process_with_the_same_memory_is_refused(tmp_path):
    with pytest.raises(EvidenceError, match="another witness runs"):
        WitnessMemory(tmp_path / "memory.json", WITNESS_KEY, [])


@pytest.mark.parametrize("content", ["", "[]", '{"a":5}', "\xff"])
def test_memory_that_cannot_be_read_is_no_empty_one(tmp_path, content):
    (tmp_path / "memory.json").write_text(content, encoding="latin-1")
    with pytest.raises(EvidenceError, match="cannot be used"):
        WitnessMemory(tmp_path / "memory.json", WITNESS_KEY, [])


def test_nothing_is_cosigned_that_could_not_be_remembered(tmp_path, store, monkeypatch):
    memory = WitnessMemory(tmp_path / "memory.json", WITNESS_KEY, [key_of().verifier])

    def refuse(*_args, **_more):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("edgeagent.store.evidence.witness.write_synced", refuse)
    with pytest.raises(EvidenceError, match="nothing is cosigned"):
        memory.look(document(store, 5), 10)
    monkeypatch.undo()
    assert memory.look(document(store, 3), 10).note is not None  # the larger one was not remembered either
    memory.close()


def test_folder_carries_document_and_answer_and_keeps_the_first_contradiction(tmp_path, store, memory):
    folder = WitnessFolder(tmp_path / "shared")
    from edgeagent.codec.evidence.witnessing import read_document

    assert folder.exchange(ORIGIN, read_document(document(store, 9))) == []
    ((log, data),) = folder.documents()
    looked = memory.look(data, 10)
    folder.answer(log, looked, WITNESS_KEY.name)
    before, cosigned = folder.exchange(ORIGIN, read_document(document(store, 4)))
    assert [len(n.signatures) for n in (before, cosigned)] == [1, 2]
    ((log, data),) = folder.documents()
    looked = memory.look(data, 11)
    assert looked.error.fork
    folder.answer(log, looked, WITNESS_KEY.name, memory.evidence(looked.origin, read_document(data)))
    (kept,) = (log / "refused").iterdir()
    assert {k: v.splitlines()[1] for k, v in json.loads(kept.read_text()).items()} == {
        "refused": "4",
        "witnessed": "9",
    }
    # Somebody emptied the folder of what was kept: the refusal still tells the log that more was seen
    shutil.rmtree(log / "cosigned")
    (log / "checkpoint.json").unlink()
    told = {n.text.splitlines()[1] for n in folder.exchange(ORIGIN, None)}
    assert told == {"4", "9"}


def test_folder_that_holds_other_things_is_read_past_them(tmp_path, memory):
    shared = tmp_path / "shared"
    (shared / "photo").mkdir(parents=True)
    (shared / "note.txt").write_text("x")
    (shared / "x").mkdir()
    (shared / "x" / "checkpoint.json").write_text("{}")
    ((_, data),) = WitnessFolder(shared).documents()
    assert memory.look(data, 1).error.refusal == Refusal.NOT_OURS
    assert list(WitnessFolder(tmp_path / "none").documents()) == []

"""The tree of a journal on disk: the same whether it grew, was kept, or whatever was done to what was kept."""

from __future__ import annotations

import pytest
from evidence import checkpoint_of, key_of, roots_of
from records import body_of

from edgeagent.codec.evidence.merkle import check_consistency, check_inclusion, leaf_hash
from edgeagent.errors import JournalCorruptError
from edgeagent.store.clock import SystemClock
from edgeagent.store.evidence.journal_tree import JournalTree
from edgeagent.store.journal import JournalWriter

KEY = key_of().verifier


@pytest.fixture
def writer(tmp_path):
    found = JournalWriter(tmp_path / "journal", SystemClock(), 20_000)
    found.open(lambda *_: None)
    found.append([body_of("start")] * 700)
    yield found
    found.close()


def opened(tmp_path) -> JournalTree:
    tree = JournalTree(tmp_path / "journal", tmp_path / "tree")
    tree.open(KEY)
    return tree


def kept(tmp_path) -> JournalTree:
    tree = opened(tmp_path)
    tree.save(checkpoint_of(tmp_path, tree.size))
    return tree


def test_tree_grows_with_the_journal_and_proves_what_lies_in_full_blocks(tmp_path, writer):
    tree = opened(tmp_path)
    writer.append([body_of("stop")] * 90)
    tree.grow()
    roots = roots_of(tmp_path)
    assert [tree.tree.root(n) for n in (1, 256, 700, 790)] == [roots[n] for n in (1, 256, 700, 790)]
    for index in (0, 255, 256, 600, 789):
        path = tree.tree.inclusion_path(index, 790)
        check_inclusion(leaf_hash(tree.record_hash(index + 1)), index, 790, path, roots[790])
    check_consistency(300, 790, tree.tree.consistency_path(300, 790), roots[300], roots[790])


def test_kept_tree_is_taken_up_without_reading_what_lies_before(tmp_path, writer, monkeypatch):
    kept(tmp_path)
    writer.append([body_of("stop")] * 90)
    read = []
    add = JournalTree._add

    def spy(self, record, place):
        read.append(record.seq)
        add(self, record, place)

    monkeypatch.setattr(JournalTree, "_add", spy)
    again = opened(tmp_path)
    assert read == list(range(701, 791))
    assert again.tree.root() == roots_of(tmp_path)[790]
    assert again.record_hash(300) == opened(tmp_path).record_hash(300)


@pytest.mark.parametrize("damage", ["bytes", "missing", "other key", "other journal", "bent"])
def test_kept_tree_that_does_not_fit_is_not_believed(tmp_path, writer, damage):
    tree = kept(tmp_path)
    path = tmp_path / "tree"
    if damage == "bytes":
        path.write_bytes(path.read_bytes()[:-7])
    elif damage == "missing":
        path.unlink()
    elif damage == "other key":
        tree.save(checkpoint_of(tmp_path, tree.size, seed=9))
    elif damage == "bent":
        path.write_bytes(path.read_bytes().replace(tree.tree.parts()[0][0][0], bytes(32)))
    else:
        writer.append([body_of("stop")])
        tree.grow()
        tree.save(checkpoint_of(tmp_path, tree.size))
        writer.close()
        lines = b"".join(p.read_bytes() for p in sorted((tmp_path / "journal").glob("*.jsonl"))).splitlines(
            True
        )
        for p in (tmp_path / "journal").glob("*.jsonl"):
            p.unlink()
        (tmp_path / "journal" / "00000001.jsonl").write_bytes(b"".join(lines[:650]))
    assert opened(tmp_path).tree.root() == roots_of(tmp_path)[-1]


def test_record_that_does_not_continue_ends_in_an_error(tmp_path, writer):
    tree = opened(tmp_path)
    writer.append([body_of("stop")] * 3)
    writer.close()
    last = sorted((tmp_path / "journal").glob("*.jsonl"))[-1]
    lines = last.read_bytes().splitlines(True)
    last.write_bytes(b"".join([*lines[:-3], *lines[-2:]]))
    with pytest.raises(JournalCorruptError, match="does not continue"):
        tree.grow()

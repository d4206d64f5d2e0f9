"""An index that is damaged, locked or given up while the agent runs costs no answer: the journal gives it."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from records import body_of

from edgeagent.errors import JournalCorruptError
from edgeagent.model.records import Measurement
from edgeagent.rules.part_set import content_of
from edgeagent.store.clock import SystemClock
from edgeagent.store.index.entries import key_of_file
from edgeagent.store.index.index import IndexWriter, path_of
from edgeagent.store.index.past import Past
from edgeagent.store.index.past_parts import WalkedParts
from edgeagent.store.index.resume import IndexKeeper
from edgeagent.store.journal import JournalReader, JournalWriter

PARTS = 300
AGAIN = "7"
"""A serial that is measured with its first content, and at the end with another one."""


def measured(n: int, serial: str):
    source = {"name": f"{n}.txt", "sha256": f"{n:064x}", "look": [n, 2, 3, 4]}
    return body_of("measurement", {"source": source, "trace": {"part": "P", "serial": serial}})


def write(store: Path, first: int, end: int) -> None:
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=60_000)
    writer.open(lambda _r, _p: None)
    writer.append([measured(n, f"{n}") for n in range(first, end)])
    writer.append([measured(end, AGAIN), body_of("quarantine", {"source": {"name": "q", "look": [end] * 4}})])
    writer.close()


@pytest.fixture
def store(tmp_path: Path) -> Path:
    write(tmp_path, 0, PARTS)
    return tmp_path


def indexed(store: Path, upto: int = 10_000) -> IndexWriter:
    """An index that goes up to a record, opened anew so that nothing of it is in memory."""
    keeper = IndexKeeper(IndexWriter.create(path_of(store)), store / "journal")
    while keeper.seq < upto and keeper.follow(min(100, upto - keeper.seq)):
        pass
    keeper.close()
    return IndexWriter.create(path_of(store))


def damage(path: Path) -> None:
    data = bytearray(path.read_bytes())
    data[4096:] = b"\xff" * (len(data) - 4096)
    path.write_bytes(data)


def past_of(store: Path, index: IndexWriter) -> Past:
    walked = WalkedParts(store / "journal", with_files=True, behind=index.position)
    return Past(store / "journal", index, walked)


def answers(store: Path, past: Past) -> tuple[bool, list[list[int]]]:
    """Whether every file is known and no other; which records are found by some parts' contents."""
    bodies = [(r.seq, r.body) for r, _ in JournalReader(store / "journal").walk()]
    files = [key_of_file(body.source) for _, body in bodies]
    known = all(past.knows(key) for key in files) and not past.knows(b"k" * 16)
    found = []
    for seq, body in bodies:
        if isinstance(body, Measurement) and body.trace.serial in (AGAIN, "8", "299", "350"):
            content = content_of(body.source.sha256, "")
            found.append([r.seq for r in past.recall("P", body.trace.serial, content, len(bodies) + 1)])
            assert all(r.seq < seq for r in past.recall("P", body.trace.serial, content, seq))
            assert list(past.recall("P", body.trace.serial, "other", len(bodies) + 1)) == []
    return known, found


def by_the_journal(store: Path) -> tuple[bool, list[list[int]]]:
    return answers(store, Past(store / "journal", None, WalkedParts(store / "journal", with_files=True)))


def test_index_and_walk_give_the_same_answers(store):
    past = past_of(store, indexed(store))
    known, found = answers(store, past)
    assert known
    assert [8, PARTS + 1] in found
    assert (known, found) == by_the_journal(store)
    assert past.lost == ""


@pytest.mark.parametrize("question", ["knows", "recall"])
def test_damaged_index_is_removed_and_the_journal_answers_that_same_question(store, question):
    past = past_of(store, indexed(store))
    damage(path_of(store))
    breaths = []
    past.breathe = lambda: breaths.append(1)
    if question == "knows":
        assert not past.knows(b"k" * 16)
    else:
        assert past.recall("P", "8", "other", 99) == []
    assert past.lost.startswith("index.sqlite: ")
    assert (not path_of(store).exists(), len(breaths)) == (True, 2)
    assert answers(store, past) == by_the_journal(store)


WRONG = (
    "update entries set start = start + 1",
    "update entries set size = 1000000 where seq = 8",
    "update entries set (segment, start, size) = (select segment, start, size from entries where seq = 3)",
)


@pytest.mark.parametrize("change", WRONG, ids=["no record", "too long", "another record"])
def test_index_that_names_wrong_places_is_removed_and_blames_no_good_journal(store, change):
    past = past_of(store, indexed(store))
    db = sqlite3.connect(path_of(store))
    db.execute(change)
    db.commit()
    db.close()
    assert answers(store, past) == by_the_journal(store)
    assert past.lost
    assert not path_of(store).exists()


def test_damaged_journal_is_not_hidden_by_a_good_index(store):
    past = past_of(store, indexed(store))
    first = sorted((store / "journal").glob("*.jsonl"))[0]
    first.write_bytes(first.read_bytes().replace(b'"serial":"8"', b'"serial":"9"', 1))
    content = content_of(f"{8:064x}", "")
    with pytest.raises(JournalCorruptError):
        past.recall("P", "8", content, PARTS)


def test_locked_index_is_left_alone_and_the_journal_answers(store):
    past = past_of(store, indexed(store))
    other = sqlite3.connect(path_of(store), isolation_level=None)
    other.execute("begin exclusive")
    assert answers(store, past) == by_the_journal(store)
    other.close()
    assert path_of(store).exists()


def test_index_that_is_not_continued_answers_together_with_the_journal_behind_it(store):
    upto = 200
    keeper = IndexKeeper(indexed(store, upto), store / "journal")
    past = past_of(store, keeper._index)
    assert answers(store, past) == by_the_journal(store)
    write(store, 310, 360)
    known, found = answers(store, past)
    assert known
    assert [8, PARTS + 1, len(list(JournalReader(store / "journal").walk())) - 1] in found
    assert (known, found) == by_the_journal(store)
    damage(path_of(store))
    assert answers(store, past) == by_the_journal(store), "damaged on top of that"


def test_what_the_index_has_by_now_is_noted_no_longer_and_answered_all_the_same(store, monkeypatch):
    monkeypatch.setattr("edgeagent.store.index.past._NOTED_MAX", 100)
    keeper = IndexKeeper(indexed(store, 50), store / "journal")
    past = past_of(store, keeper._index)
    noted = []
    while keeper.follow(30):
        past.leave_to_index(keeper.position)
        assert answers(store, past) == by_the_journal(store)
        noted.append(past._behind)
    assert len(set(noted)) > 2

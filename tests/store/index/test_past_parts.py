"""A copy of what was decided of a part never improves it, however long ago: service and replay agree."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest
from records import body_of

from edgeagent.codec.records.record import Place
from edgeagent.judging import memory as judging_memory
from edgeagent.judging.memory import Memory
from edgeagent.model import Disposition
from edgeagent.rules.part_set import decide
from edgeagent.store.clock import SystemClock
from edgeagent.store.index.index import IndexWriter, path_of
from edgeagent.store.index.past_parts import DecidedContents, WalkedParts, recall_by
from edgeagent.store.index.resume import IndexKeeper
from edgeagent.store.journal import JournalReader, JournalWriter

REQUIRED = ["left", "right"]
KEPT = 4


def measured(serial: str, feature: str, content: str, disposition: str, name: str = "a.txt"):
    return body_of(
        "measurement",
        {
            "source": {"name": name, "sha256": (content * 64)[:64]},
            "trace": {"part": "P", "serial": serial, "feature": feature},
            "required": REQUIRED,
            "disposition": disposition,
        },
    )


def decided(serial: str, disposition: str):
    return body_of("disposition", {"serial": serial, "disposition": disposition})


def others(count: int, first: int = 0) -> Iterator:
    for n in range(first, first + count):
        yield from (measured(f"o{n}", feature, f"{n:04}{feature}", "accept") for feature in REQUIRED)
        yield decided(f"o{n}", "accept")


@pytest.fixture
def store(tmp_path: Path, monkeypatch) -> Path:
    """A part that was rejected for a second, bad trace of its left flank, and more parts than memory keeps."""
    monkeypatch.setattr(judging_memory, "_SETS_MAX", KEPT)
    writer = JournalWriter(tmp_path / "journal", SystemClock(), segment_bytes=20_000)
    writer.open(lambda _r, _p: None)
    writer.append([*others(2)])
    writer.append([measured("x", "left", "a", "accept"), measured("x", "left", "b", "reject", "b.txt")])
    writer.append([measured("x", "right", "c", "accept"), decided("x", "reject"), *others(2 * KEPT, 2)])
    writer.close()
    return tmp_path


def folded(store: Path, recall, note=lambda _record: None) -> Memory:
    memory = Memory({}, None, live_s=60, latches=True, recall=recall)
    for record, _ in JournalReader(store / "journal").walk():
        memory.visit(record, Place("", 0))
        memory.forget_recorded(record.seq)
        note(record)
    return memory


def by_index(store: Path) -> Memory:
    keeper = IndexKeeper(IndexWriter.create(path_of(store)), store / "journal")
    while keeper.follow(1000):
        pass
    keeper.close()
    return folded(store, recall_by(IndexWriter.create(path_of(store)), store / "journal"))


def by_walk(store: Path) -> Memory:
    walked = WalkedParts(store / "journal")
    return folded(store, walked.recall, walked.note)


def by_what_is_not_indexed_yet(store: Path) -> Memory:
    memory = Memory({}, None, live_s=60, latches=True, recall=lambda *_: ())
    for record, _ in JournalReader(store / "journal").walk():
        memory.visit(record, Place("", 0))
    return memory


@pytest.mark.parametrize("known", [by_index, by_walk, by_what_is_not_indexed_yet])
def test_copies_of_a_forgotten_part_bring_its_reject_back(store, known):
    memory = known(store)
    assert ("P", "x") not in memory.sets
    copy = measured("x", "left", "a", "accept", "copy.txt")
    state = memory.set_with(1000, copy, 5.0)
    assert state.results["left"].disposition == Disposition.REJECT
    assert "right" not in state.results, "the serial may be another part's by now"
    assert decide(state, 6.0, 3600.0).disposition == Disposition.REJECT
    right_alone = memory.set_with(1000, measured("x", "right", "c", "accept", "copy.txt"), 5.0)
    assert decide(right_alone, 6.0, 3600.0).disposition == Disposition.REJECT


@pytest.mark.parametrize("known", [by_index, by_walk])
def test_copy_that_follows_a_new_measurement_improves_nothing(store, known):
    memory = known(store)
    new = measured("x", "right", "d", "accept", "new.txt")
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=20_000)
    writer.open(lambda _r, _p: None)
    (record,) = writer.append([new])
    writer.close()
    assert decide(memory.set_with(record.seq, new, 5.0), 6.0, 3600.0) is None, "it is waited for the left one"
    memory.visit(record, Place("", 0))
    state = memory.set_with(record.seq + 1, measured("x", "left", "a", "accept", "copy.txt"), 7.0)
    assert decide(state, 8.0, 3600.0).disposition == Disposition.REJECT
    fresh = memory.set_with(record.seq + 1, measured("x", "left", "e", "accept", "new2.txt"), 7.0)
    assert decide(fresh, 8.0, 3600.0).disposition == Disposition.ACCEPT, "the part was mended and measured anew"


def test_another_part_with_the_serial_and_another_recipe_are_no_copies(store):
    memory = by_index(store)
    other = body_of(
        "measurement",
        {
            "source": {"name": "q", "sha256": "a" * 64},
            "trace": {"part": "Q", "serial": "x", "feature": "left"},
            "required": ["left"],
        },
    )
    assert decide(memory.set_with(1000, other, 5.0), 6.0, 3600.0).disposition == Disposition.ACCEPT


def test_decided_contents_are_found_in_whatever_order_they_came(monkeypatch):
    monkeypatch.setattr("edgeagent.store.index.past_parts._PENDING_MAX", 7)
    contents = DecidedContents()
    for n in range(40):
        contents.add("P", f"s{n}", f"c{n}")
    assert all(contents.holds("P", f"s{n}", f"c{n}") for n in range(40))
    assert not any(contents.holds("P", f"s{n}", f"c{n + 1}") for n in range(40))

"""An index or a snapshot that hides or bends what the journal says is found by a replay."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from field import spiral_text
from played_store import PlayedStation

from edgeagent.judging.snapshot import encode_snapshot
from edgeagent.store.index.index import IndexWriter, path_of
from edgeagent.store.index.resume import IndexKeeper
from edgeagent.store.replay import Range, replay_store


@pytest.fixture
def indexed(tmp_path):
    """A store of two parts with its index, and its fold; a snapshot of the fold is kept by ``keep``."""
    with PlayedStation(tmp_path / "station") as played:
        for serial in ("1", "2"):
            text = spiral_text(serial=serial, feature="left-flank", points_per_turn=900, seed=int(serial))
            played.measure(f"{serial}.txt", text)
    index = IndexWriter.create(path_of(played.store))
    keeper = IndexKeeper(index, played.store / "journal")
    assert keeper.follow(1000)

    def keep() -> Path:
        snapshot = encode_snapshot(played.memory, None, None)
        assert snapshot is not None
        keeper.keep(snapshot)
        keeper.close()
        return played.store

    return played.memory, keep


def found(store: Path) -> list[tuple[str, str]]:
    report = replay_store(store, wanted=Range(sample=0.0))
    return [(one.kind, one.what.partition(":")[0]) for one in report.contradictions]


def test_index_and_snapshot_that_follow_from_the_journal_are_no_contradiction(indexed):
    _, keep = indexed
    assert found(keep()) == []


@pytest.mark.parametrize(
    "change", ["delete from entries where seq = 3", "update entries set serial_key = 1 where seq = 3"]
)
def test_record_that_the_index_hides_is_named(indexed, change):
    _, keep = indexed
    store = keep()
    db = sqlite3.connect(path_of(store))
    db.execute(change)
    db.commit()
    db.close()
    assert found(store) == [("index", "the index hides it, or finds it as something else")]


def test_snapshot_with_a_gate_of_its_own_is_named(indexed):
    memory, keep = indexed
    memory.gated[("KX-2005-R", "9")] = memory.part_set("KX-2005-R", "9")
    assert found(keep()) == [("index", "parts held for the gate not as by the journal")]

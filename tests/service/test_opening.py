"""A start goes on without the index where it cannot be had: said on record, and nothing is forgotten by it."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from played_store import PlayedStation
from records import body_of

from edgeagent.codec.records.digest import digest_of
from edgeagent.errors import JournalWriteError
from edgeagent.judging import memory as judging_memory
from edgeagent.judging.memory import file_key
from edgeagent.model import Disposition
from edgeagent.model.records import TailCut
from edgeagent.rules.files.settling import Look
from edgeagent.service.opening import OpenedJournal, open_journal
from edgeagent.store.clock import SystemClock
from edgeagent.store.index import indexing
from edgeagent.store.index.index import Index, IndexWriter, path_of
from edgeagent.store.journal import JournalWriter

FILES = 60


def measured(n: int, disposition: str = "reject"):
    source = {"name": f"{n}.txt", "sha256": f"{n:064x}", "look": [n, 2, 3, 4]}
    trace = {"part": "P", "serial": f"{n}", "feature": "left"}
    return body_of(
        "measurement",
        {"source": source, "trace": trace, "disposition": disposition, "required": ["left"]},
    )


@pytest.fixture
def station(tmp_path, monkeypatch) -> PlayedStation:
    """A store whose index is made as a whole at the next start, and whose memory holds few parts."""
    monkeypatch.setattr(indexing, "BULK_FROM", 20)
    monkeypatch.setattr(indexing, "_AT_ONCE", 16)
    monkeypatch.setattr("edgeagent.store.index.index._BULK_WAITS_S", 0.01)
    monkeypatch.setattr(judging_memory, "_SETS_MAX", 5)
    with PlayedStation(tmp_path / "station") as played:
        pass
    ended = (body_of("disposition", {"serial": f"{n}", "disposition": "reject"}) for n in range(FILES))
    played.extend([measured(n), end] for n, end in zip(range(FILES), ended, strict=True))
    return played


def opened(station: PlayedStation) -> OpenedJournal:
    writer = JournalWriter(station.store / "journal", SystemClock(), segment_bytes=64_000_000)
    try:
        return open_journal(writer, station.configuration, {}, station.store / "state" / "publisher.json")
    finally:
        writer.close()


def knows_all(found: OpenedJournal) -> bool:
    """Whether no file would be read again, and no copy of an old one improves its part."""
    memory = found.memory
    files = (file_key("inbox", f"{n}.txt", f"{n:064x}", None, Look(n, 2, 3, 4)) for n in range(FILES))
    assert all(memory.known(key) for key in files)
    assert ("P", "3") not in memory.sets
    return memory.set_with(10_000, measured(3, "accept"), 5.0).results["left"].disposition == Disposition.REJECT


def said(found: OpenedJournal) -> list[str]:
    return [body.what for body in found.recovered if body.what != "state-rebuilt"]


def test_index_is_made_on_the_way_where_nobody_keeps_it(station):
    found = opened(station)
    assert found.index is not None
    assert said(found) == []
    assert knows_all(found)
    index = Index.open(path_of(station.store))
    assert index is not None
    assert index.position.seq == found.index.seq


@pytest.mark.parametrize("since", ["begin_bulk", "add", "end_bulk"])
def test_index_that_a_reader_keeps_busy_is_given_up_and_the_start_goes_on(station, monkeypatch, since):
    IndexWriter.create(path_of(station.store)).close()
    reader = sqlite3.connect(path_of(station.store), isolation_level=None)
    step = getattr(IndexWriter, since)

    def read_first(self: IndexWriter, *given):
        if not reader.in_transaction:
            reader.execute("begin")
            reader.execute("select * from notes").fetchall()
        return step(self, *given)

    monkeypatch.setattr(IndexWriter, since, read_first)
    found = opened(station)
    assert (found.index, said(found)) == (None, ["index-failed"])
    (failed,) = (body for body in found.recovered if body.what == "index-failed")
    assert failed.reason.startswith("the index of the journal is not kept until the next start: ")
    assert knows_all(found)
    reader.close()
    monkeypatch.undo()
    assert opened(station).index is not None, "the next start has it again"


@pytest.mark.parametrize("step", ["create", "add"])
def test_disk_that_refuses_the_index_costs_the_index_only(station, monkeypatch, step):
    def refuse(*_):
        raise JournalWriteError("index: no space left")

    monkeypatch.setattr(IndexWriter, step, refuse)
    found = opened(station)
    assert (found.index, said(found)) == (None, ["index-failed"])
    assert knows_all(found)


def test_index_whose_last_record_cannot_be_read_is_begun_anew(station):
    opened(station)
    db = sqlite3.connect(path_of(station.store))
    db.execute("drop table segments")
    db.commit()
    db.close()
    found = opened(station)
    assert found.index is not None
    assert (said(found), knows_all(found)) == ([], True)


def torn(station: PlayedStation, cut: int) -> bytes:
    """Take ``cut`` bytes off the journal's end; returns what is left of its last line."""
    (segment,) = (station.store / "journal").glob("*.jsonl")
    whole = segment.read_bytes()
    segment.write_bytes(whole[:-cut])
    return whole[:-cut].splitlines(keepends=True)[-1]


def cut_ends(found: OpenedJournal) -> list[str]:
    return [body.sha256 for body in found.recovered if isinstance(body, TailCut)]


def test_cut_end_goes_on_record_at_the_next_start_where_the_first_was_killed(station):
    first = digest_of(torn(station, 40))
    assert cut_ends(opened(station)) == [first]  # what follows is killed before it appends
    again = opened(station)
    assert cut_ends(again) == [first]
    station.extend([again.recovered])
    assert cut_ends(opened(station)) == [], "on record once"
    (kept,) = (station.store / "quarantine").iterdir()
    assert digest_of(kept.read_bytes()) == first
    second = digest_of(torn(station, 30))
    assert cut_ends(opened(station)) == [second]


def test_reader_of_an_index_that_is_being_made_gets_none(tmp_path):
    path: Path = tmp_path / "index.sqlite"
    writer = IndexWriter.create(path)
    writer.begin_bulk()
    assert Index.open(path) is None
    writer.end_bulk()
    assert Index.open(path) is not None

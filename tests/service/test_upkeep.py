"""A start on a long journal goes on from the index, and finds later what a whole walk would have found."""

from __future__ import annotations

import json
import shutil
import sqlite3
from pathlib import Path

import pytest
from field import Agent, wait_until
from records import body_of

from edgeagent.errors import JournalCorruptError, JournalWriteError
from edgeagent.judging.memory import Memory
from edgeagent.service.opening import RESUME_FROM
from edgeagent.service.upkeep import SLICE, SNAPSHOT_EVERY, Upkeep
from edgeagent.store.archive import Archive
from edgeagent.store.clock import SystemClock
from edgeagent.store.index.entries import key_of_file
from edgeagent.store.index.index import IndexWriter, path_of
from edgeagent.store.index.indexing import WITHOUT_INDEX
from edgeagent.store.index.past import Past
from edgeagent.store.index.past_parts import WalkedParts
from edgeagent.store.index.resume import IndexKeeper, find_resume_point
from edgeagent.store.journal import JournalReader, JournalWriter
from edgeagent.store.state import State, write_state
from edgeagent.store.values.follow import begin_values
from edgeagent.store.values.table import ValueTable
from edgeagent.store.values.table import path_of as values_of


class Clock:
    """A clock that only moves when it is asked."""

    def __init__(self) -> None:
        self.at = 0.0

    def monotonic(self) -> float:
        self.at += 0.001
        return self.at


def measurement(n: int):
    source = {"name": f"{n}.txt", "sha256": f"{n:064x}", "look": [n, 2, 3, 4]}
    return body_of("measurement", {"source": source, "trace": {"part": "P", "serial": f"{n}"}})


def written(store: Path, count: int) -> tuple[JournalWriter, Memory]:
    """A journal of so many measurements and the fold of it, which leaves its files to the index."""
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=400_000)
    memory = Memory({}, None, live_s=60, latches=True, known_before=lambda _key: False)
    writer.open(memory.visit)
    for first in range(0, count, 500):
        for record in writer.append([measurement(n) for n in range(first, min(first + 500, count))]):
            memory.apply(record)
    return writer, memory


def upkeep_of(store: Path, resumed=None, memory: Memory | None = None) -> tuple[Upkeep, list[str]]:
    reports: list[str] = []
    upkeep = Upkeep(Clock(), None, reports.append)
    index = IndexWriter.create(path_of(store))
    keeper = IndexKeeper(index, store / "journal")
    values = begin_values(store, Archive(store / "archive").get)
    past = Past(
        store / "journal", index, WalkedParts(store / "journal", with_files=True, behind=index.position)
    )
    if memory is not None:
        memory.ask(past.knows, past.recall)
    upkeep.begin(keeper, past, values, store / "journal", resumed)
    return upkeep, reports


def test_index_follows_slice_by_slice_and_a_snapshot_is_kept_once_all_is_delivered(tmp_path):
    writer, memory = written(tmp_path, SNAPSHOT_EVERY + 50)
    upkeep, reports = upkeep_of(tmp_path)
    index, end = IndexWriter.create(path_of(tmp_path)), writer.seq
    turns = 0
    while upkeep.turn(end, end - 1, memory, None):
        turns += 1
    assert turns == SNAPSHOT_EVERY // SLICE
    upkeep.turn(end, end - 1, memory, None)
    for _ in range(30_000):  # what is less than a slice waits some seconds
        upkeep.turn(end, end - 1, memory, None)
    assert index.position.seq == end
    assert ValueTable.open(values_of(tmp_path)).position.seq == end
    assert find_resume_point(index, tmp_path / "journal", end, None) is None, "one message is undelivered"
    upkeep.turn(end, end, memory, None)
    assert find_resume_point(index, tmp_path / "journal", end, None).position.seq == end
    assert reports == []


def test_end_brings_index_and_snapshot_up_to_the_last_record(tmp_path):
    writer, memory = written(tmp_path, 70)
    upkeep, _ = upkeep_of(tmp_path)
    upkeep.finish(writer.seq, writer.seq, memory, None)
    index = IndexWriter.create(path_of(tmp_path))
    assert find_resume_point(index, tmp_path / "journal", writer.seq, None).position.seq == writer.seq
    assert ValueTable.open(values_of(tmp_path)).position.seq == writer.seq


def test_disk_that_refuses_the_table_of_values_costs_that_table_only(tmp_path):
    writer, memory = written(tmp_path, 300)
    upkeep, reports = upkeep_of(tmp_path)
    values_of(tmp_path).write_bytes(b"x" * 40960)  # written over by somebody
    for _ in range(30_000):
        upkeep.turn(writer.seq, writer.seq, memory, None)
    assert [reason.partition(":")[0] for reason in reports] == [
        "the table of values is not kept until the next start"
    ]
    assert IndexWriter.create(path_of(tmp_path)).position.seq == writer.seq


def test_disk_that_refuses_the_index_costs_the_index_only(tmp_path):
    writer, memory = written(tmp_path, 300)
    upkeep, reports = upkeep_of(tmp_path)
    path_of(tmp_path).write_bytes(b"x" * 40960)  # written over by somebody
    upkeep.turn(writer.seq, writer.seq, memory, None)
    assert len(reports) == 1
    assert not upkeep.turn(writer.seq, writer.seq, memory, None)


def held(memory: Memory) -> int:
    """Files that only memory knows."""
    return len(memory._done)


def knows_all(memory: Memory, count: int) -> bool:
    return all(memory.known(key_of_file(measurement(n).source)) for n in range(count))


@pytest.mark.parametrize("how", ["damaged", "refused"])
def test_memory_stays_small_without_its_index_and_knows_every_file_all_the_same(tmp_path, monkeypatch, how):
    writer, memory = written(tmp_path, 2 * SLICE)
    upkeep, reports = upkeep_of(tmp_path, memory=memory)
    for _ in range(4):
        upkeep.turn(writer.seq, writer.seq, memory, None)
    memory.forget_files()  # the index has them

    if how == "damaged":
        path_of(tmp_path).write_bytes(b"x" * 40960)
    else:

        def refuse(*_):
            raise JournalWriteError("index: no space left")

        monkeypatch.setattr(IndexWriter, "add", refuse)
    for first in range(2 * SLICE, 30 * SLICE, SLICE):
        numbers = range(first, first + SLICE)
        ended = [body_of("disposition", {"serial": f"{n}"}) for n in numbers]
        for record in writer.append([*map(measurement, numbers), *ended]):
            memory.apply(record)
        upkeep.turn(writer.seq, writer.seq, memory, None)
        assert held(memory) <= 2 * SLICE
    assert len(reports) == 1
    assert knows_all(memory, 30 * SLICE)
    assert path_of(tmp_path).exists() == (how == "refused"), "the next start makes a damaged one anew"


def test_index_that_somebody_removes_while_the_agent_runs_is_called_that(tmp_path):
    writer, memory = written(tmp_path, 2 * SLICE)
    upkeep, reports = upkeep_of(tmp_path, memory=memory)
    upkeep.turn(writer.seq, writer.seq, memory, None)
    path_of(tmp_path).unlink()
    upkeep.turn(writer.seq, writer.seq, memory, None)
    assert reports == [f"{WITHOUT_INDEX}: index: somebody removed or renamed the file"]
    assert knows_all(memory, 2 * SLICE)


def test_index_that_a_reader_holds_for_good_is_given_up_before_memory_is_full(tmp_path, monkeypatch):
    monkeypatch.setattr("edgeagent.service.upkeep.GIVE_UP_BEHIND", 10 * SLICE)
    writer, memory = written(tmp_path, 2 * SLICE)
    upkeep, reports = upkeep_of(tmp_path, memory=memory)
    for _ in range(4):
        upkeep.turn(writer.seq, writer.seq, memory, None)
    reader = sqlite3.connect(f"{path_of(tmp_path).as_uri()}?mode=ro", uri=True)
    rows = reader.execute("select seq from entries")
    rows.fetchone()
    for first in range(2 * SLICE, 20 * SLICE, SLICE):
        for record in writer.append([measurement(n) for n in range(first, first + SLICE)]):
            memory.apply(record)
        upkeep.turn(writer.seq, writer.seq, memory, None)
        assert held(memory) <= 13 * SLICE
        if first < 9 * SLICE:
            assert reports == [], "a reader that is soon done costs nothing"
    (said,) = reports
    assert said == f"{WITHOUT_INDEX}: index: somebody keeps reading it"
    assert held(memory) <= SLICE
    assert knows_all(memory, 20 * SLICE)
    rows.close()
    reader.close()


def test_index_that_a_question_finds_damaged_is_said_once_and_answered_by_the_journal(tmp_path):
    writer, memory = written(tmp_path, 3 * SLICE)
    upkeep, reports = upkeep_of(tmp_path, memory=memory)
    for _ in range(6):
        upkeep.turn(writer.seq, writer.seq, memory, None)
    memory.forget_files()
    path_of(tmp_path).write_bytes(b"x" * 40960)
    assert knows_all(memory, 3 * SLICE)
    assert not memory.known(key_of_file(measurement(5000).source))
    assert (reports, upkeep.is_far_behind(writer.seq)) == ([], True), "said although files wait"
    for _ in range(3):
        upkeep.turn(writer.seq, writer.seq, memory, None)
    (said,) = reports
    assert said.startswith(f"{WITHOUT_INDEX}: index.sqlite: ")
    upkeep.finish(writer.seq, writer.seq, memory, None)
    assert len(reports) == 1
    upkeep.finish(writer.seq, writer.seq, memory, None)
    assert len(reports) == 1


@pytest.mark.parametrize("damaged", [False, True])
def test_part_of_the_chain_that_a_start_did_not_read_is_read_afterwards(tmp_path, damaged):
    writer, memory = written(tmp_path, 1200)
    upkeep, _ = upkeep_of(tmp_path)
    upkeep.finish(writer.seq, writer.seq, memory, None)
    position = IndexWriter.create(path_of(tmp_path)).position
    first = sorted((tmp_path / "journal").glob("*.jsonl"))[0]
    data = first.read_bytes()
    if damaged:
        first.write_bytes(data.replace(b'"serial":"200"', b'"serial":"201"', 1))
    upkeep, _ = upkeep_of(tmp_path, resumed=position)
    turns, found = 0, None
    while found is None and upkeep.due() < float("inf"):
        turns += 1
        try:
            upkeep.turn(writer.seq, writer.seq, memory, None)
        except JournalCorruptError as error:
            found = error.line
    assert found == (201 if damaged else None)
    assert turns > 20, "a little at a time"


@pytest.fixture
def long_store(cell, circle_text):
    """A cell whose store has more records than a start reads, one part of them really measured."""
    cell.begin_broker()
    agent: Agent = cell.begin_agent()
    agent.drop("first.txt", circle_text("000001"))
    agent.wait_event("measured")
    agent.terminate()
    writer = JournalWriter(agent.store / "journal", SystemClock(), segment_bytes=4_000_000)
    writer.open(lambda _r, _p: None)
    while writer.seq < RESUME_FROM:
        numbers = range(writer.seq, writer.seq + 500)
        decided = [body_of("disposition", {"serial": f"{n}"}) for n in numbers]
        writer.append([body for pair in zip(map(measurement, numbers), decided, strict=True) for body in pair])
    delivered = State(writer.seq, end=writer.seq, head=writer.head)
    write_state(agent.store / "state" / "publisher.json", delivered)
    writer.close()
    agent.restart()
    agent.terminate()  # brings the index up to the end
    return agent


def test_long_store_is_gone_on_with_after_a_kill_and_without_its_index(long_store, circle_text):
    agent = long_store
    agent.start()
    agent.drop("second.txt", circle_text("000002"))
    agent.wait_event("measured")
    agent.kill()
    for case in ("index there", "index gone", "index damaged", "index of a shorter journal"):
        path = path_of(agent.store)
        if case == "index gone":
            kept = path.read_bytes()
            path.unlink()
        elif case == "index damaged":
            path.write_bytes(b"\xff" * 9000)
        elif case == "index of a shorter journal":
            path.write_bytes(kept)
        agent.restart()
        assert agent.events("measured") == [], f"{case}: both files are known"
        serial = f"00001{len(case)}"
        agent.drop(f"{serial}.txt", circle_text(serial))
        agent.wait_event("measured")
        assert agent.terminate() == 0
    seqs = [r["seq"] for r in agent.records()]
    assert seqs == list(range(1, len(seqs) + 1))


def test_long_store_with_a_changed_old_record_ends_the_service_as_damage_does(long_store):
    agent = long_store
    first = sorted((agent.store / "journal").glob("*.jsonl"))[0]
    good = first.read_bytes()
    assert b'"serial":"450"' in good
    first.write_bytes(good.replace(b'"serial":"450"', b'"serial":"451"', 1))
    agent.start(wait=False)
    assert agent.wait() == 22
    shutil.rmtree(agent.store / "state")
    agent.start(wait=False)
    assert agent.wait() == 22
    first.write_bytes(good)
    agent.start()
    assert JournalReader(agent.store / "journal").holds(IndexWriter.create(path_of(agent.store)).position)


def test_index_damaged_while_the_agent_runs_ends_nothing_and_doubles_no_file(long_store, circle_text):
    agent = long_store
    agent.start()
    path = path_of(agent.store)
    path.write_bytes(path.read_bytes()[:4096] + b"\xff" * 40960)
    agent.drop("first.txt", circle_text("000001"))  # the same bytes once more
    agent.drop("second.txt", circle_text("000002"))
    agent.wait_event("measured")
    assert [event["name"] for event in agent.events("measured")] == ["second.txt"]
    agent.wait_event("index-failed")
    status = agent.store / "state" / "status.json"
    wait_until(lambda: json.loads(status.read_bytes())["lamp"]["digit"] == 0)  # once the broker lets it in
    assert agent.terminate() == 0
    said = [r for r, _ in JournalReader(agent.store / "journal").walk() if r.kind == "recovery"]
    assert [r.body.what for r in said].count("index-failed") == 1
    agent.restart()
    assert IndexWriter.create(path_of(agent.store)).position is not None
    assert agent.events("index-failed") == []

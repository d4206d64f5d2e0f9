"""The index finds what a walk through the journal finds, and is never believed against the journal."""

from __future__ import annotations

import sqlite3
from pathlib import Path

import pytest
from records import body_of

from edgeagent.codec.records.record import decode_record
from edgeagent.judging.memory import Memory, file_key
from edgeagent.judging.snapshot import encode_snapshot
from edgeagent.rules.files.settling import Look
from edgeagent.store.clock import SystemClock
from edgeagent.store.index.entries import DISPOSITION, RARE, VERIFICATION, key_of_serial
from edgeagent.store.index.index import Index, IndexWriter, path_of, records_at
from edgeagent.store.index.resume import IndexKeeper, find_resume_point, recall_looks
from edgeagent.store.journal import JournalReader, JournalWriter


def measurement(n: int, serial: str):
    source = {"name": f"{n}.txt", "sha256": f"{n:064x}", "look": [n, 2, 3, 4]}
    return body_of("measurement", {"source": source, "trace": {"part": "P", "serial": serial}})


@pytest.fixture
def store(tmp_path: Path) -> Path:
    """A store whose journal has several segments and every sort of record."""
    writer = JournalWriter(tmp_path / "journal", SystemClock(), segment_bytes=9000)
    writer.open(lambda _r, _p: None)
    writer.append([body_of("start")])
    for n in range(40):
        writer.append([measurement(n, f"s{n // 2}"), body_of("disposition", {"serial": f"s{n // 2}"})])
        if n % 7 == 0:
            writer.append([body_of("acknowledgement", {"seq": writer.seq}), body_of("verification")])
    writer.append([body_of("quarantine", {"source": {"name": "bad.txt", "look": [9, 9, 9, 9]}})])
    writer.close()
    return tmp_path


def followed(store: Path, count: int = 7) -> IndexKeeper:
    keeper = IndexKeeper(IndexWriter.create(path_of(store)), store / "journal")
    while keeper.follow(count):
        pass
    return keeper


def walked(store: Path):
    return [record for record, _ in JournalReader(store / "journal").walk()]


def read(store: Path, places) -> list[int]:
    return [decode_record(line).seq for line in records_at(store / "journal", places)]


def test_records_of_a_serial_are_those_that_a_walk_finds(store):
    followed(store).close()
    index = Index.open(path_of(store))
    for serial in ("s0", "s3", "s19"):
        wanted = [
            r.seq
            for r in walked(store)
            if (r.kind == "measurement" and r.body.trace.serial == serial)
            or (r.kind == "disposition" and r.body.serial == serial)
        ]
        assert read(store, index.of_serial(key_of_serial(serial))) == wanted != []
    assert index.of_serial(key_of_serial("nobody")) == []


def test_rare_records_acknowledgements_and_the_last_disposition_are_found(store):
    followed(store).close()
    index, records = Index.open(path_of(store)), walked(store)
    rare = [r.seq for r in records if r.kind in ("quarantine", "acknowledgement")]
    assert read(store, index.of_sort(RARE)) == rare
    verifications = [r.seq for r in records if r.kind == "verification"]
    assert read(store, index.of_sort(VERIFICATION)) == verifications
    before = [r for r in verifications if r < verifications[3]]
    assert read(store, list(index.of_sort_before(VERIFICATION, verifications[3]))) == before[::-1]
    acknowledgement = next(r for r in records if r.kind == "acknowledgement")
    assert read(store, index.about(acknowledgement.body.seq)) == [acknowledgement.seq]
    last = max(r.seq for r in records if r.kind == "disposition")
    assert index.last_of(DISPOSITION, 10**9).seq == last
    assert index.last_of(DISPOSITION, last - 1).seq < last


def test_index_knows_each_file_by_its_whole_identity(store):
    followed(store).close()
    index = Index.open(path_of(store))
    known = file_key("inbox", "3.txt", f"{3:064x}", None, Look(3, 2, 3, 4))
    assert index.has_file(known)
    assert not index.has_file(file_key("inbox", "4.txt", f"{3:064x}", None, Look(3, 2, 3, 4)))
    assert not index.has_file(file_key("inbox", "3.txt", f"{4:064x}", None, Look(3, 2, 3, 4)))


def test_position_is_a_record_that_the_journal_holds_and_following_goes_on_behind_it(store):
    keeper = followed(store)
    end = keeper.seq
    assert JournalReader(store / "journal").holds(IndexWriter.create(path_of(store)).position)
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=9000)
    writer.open(lambda _r, _p: None)
    writer.append([measurement(99, "new")])
    writer.close()
    assert keeper.follow(100)
    assert keeper.seq == end + 1
    assert read(store, Index.open(path_of(store)).of_serial(key_of_serial("new"))) == [end + 1]


def test_time_stretches_hold_every_record_of_a_period(store):
    keeper = followed(store)
    records = walked(store)
    since, until = records[20].time, records[60].time
    stretches = Index.open(path_of(store)).blocks(since, until)
    wanted = {r.seq for r in records if since <= r.time < until}
    assert wanted <= {seq for first, last in stretches for seq in range(first, last + 1)}
    assert Index.open(path_of(store)).blocks("2000-01-01", "2000-01-02") == []
    keeper.close()


def test_fold_goes_on_from_the_kept_snapshot_only_where_the_journal_agrees(store):
    keeper = followed(store)
    memory = Memory({}, None, live_s=60, latches=True)
    for record, place in JournalReader(store / "journal").walk():
        memory.visit(record, place)
    keeper.keep(encode_snapshot(memory, None, None))
    index, journal, end = Index.open(path_of(store)), store / "journal", keeper.seq
    found = find_resume_point(index, journal, end, None)
    assert found.position.seq == end
    assert found.last_disposition.seq == max(r.seq for r in walked(store) if r.kind == "disposition")
    assert find_resume_point(index, journal, end - 1, None) is None, "not everything was delivered"
    assert find_resume_point(index, journal, None, None) is None, "nobody knows what was delivered"
    last = sorted(journal.glob("*.jsonl"))[-1]
    whole = last.read_bytes()
    last.write_bytes(whole[: whole.rindex(b"\n", 0, -1) + 1])
    assert find_resume_point(index, journal, end, None) is None, "the journal was cut"
    last.write_bytes(whole.replace(b"bad.txt", b"bat.txt"))
    assert find_resume_point(index, journal, end, None) is None, "the record was changed"
    last.write_bytes(whole)
    assert find_resume_point(index, journal, end, None) is not None


def test_looks_of_files_that_are_still_there_are_recalled(store):
    followed(store).close()
    memory = Memory({"inbox": frozenset({"5.txt", "new.txt", "bad.txt"})}, None, live_s=60, latches=True)
    recall_looks(Index.open(path_of(store)), store / "journal", memory)
    assert memory.looks == {
        ("inbox", "5.txt"): (Look(5, 2, 3, 4), f"{5:064x}"),
        ("inbox", "bad.txt"): (Look(9, 9, 9, 9), "ab" * 32),
    }


@pytest.mark.parametrize("junk", [b"", b"not a database at all, but long enough to be read as one" * 40])
def test_index_that_cannot_be_read_is_begun_anew(store, junk):
    followed(store).close()
    path_of(store).write_bytes(junk)
    assert Index.open(path_of(store)) is None
    keeper = followed(store)
    assert keeper.seq == len(walked(store))


def test_index_of_another_format_is_not_read(store):
    followed(store).close()
    with sqlite3.connect(path_of(store)) as db:
        db.execute("update notes set value = x'3939' where name = 'format'")
    assert Index.open(path_of(store)) is None
    assert followed(store).seq == len(walked(store))


def test_reader_keeps_the_index_from_following_and_from_nothing_else(store):
    keeper = followed(store, 7)
    end = keeper.seq
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=9000)
    writer.open(lambda _r, _p: None)
    writer.append([measurement(99, "new")])
    writer.close()
    reader = sqlite3.connect(f"{path_of(store).as_uri()}?mode=ro", uri=True)
    reading = reader.execute("select seq from entries")
    reading.fetchone()
    assert not keeper.follow(100)
    assert keeper.seq == end
    reading.close()
    reader.close()
    assert keeper.follow(100)
    assert keeper.seq == end + 1


def test_user_who_may_only_read_can_open_it(store):
    followed(store).close()
    path = path_of(store)
    path.chmod(0o444)
    path.parent.chmod(0o555)
    try:
        assert Index.open(path).last_of(DISPOSITION, 10**9) is not None
    finally:
        path.parent.chmod(0o755)

"""Bytes cut off a journal's end: on record once, whatever a kill comes between."""

from __future__ import annotations

from pathlib import Path

import pytest
from records import body_of

from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.record import Place
from edgeagent.errors import JournalTornTailError
from edgeagent.store.clock import SystemClock
from edgeagent.store.copies import cut_ends
from edgeagent.store.copies.cut_ends import cuts_to_record, keep_end
from edgeagent.store.journal import JournalReader, JournalWriter


def append(store: Path, *bodies) -> None:
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=2000)
    writer.open(lambda *_: None)
    writer.append(bodies)
    writer.close()


def torn(store: Path) -> tuple[Path, bytes]:
    """Write half a line behind the journal's end."""
    last = sorted((store / "journal").glob("*.jsonl"))[-1]
    data = last.read_bytes().splitlines(keepends=True)[-1][:-30]
    last.write_bytes(last.read_bytes() + data)
    return last, data


def cut(store: Path) -> None:
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=2000)
    try:
        with pytest.raises(JournalTornTailError):
            writer.open(lambda *_: None)
        writer.recover(lambda place, data: keep_end(store / "quarantine", place, data))
    finally:
        writer.close()


def due(store: Path) -> list[str]:
    found = cuts_to_record(store / "quarantine", JournalReader(store / "journal"))
    return [body.sha256 for body in found]


def kept(store: Path) -> list[str]:
    return sorted(path.name for path in (store / "quarantine").iterdir())


def test_store_without_a_quarantine_has_nothing_to_record(tmp_path):
    append(tmp_path, body_of("start"))
    assert due(tmp_path) == []


def test_cut_is_due_until_its_record_is_there_and_never_again(tmp_path, monkeypatch):
    monkeypatch.setattr(cut_ends, "_AT_ONCE", 2)
    append(tmp_path, body_of("start"), body_of("stop"))
    segment, data = torn(tmp_path)
    cut(tmp_path)
    (body,) = cuts_to_record(tmp_path / "quarantine", JournalReader(tmp_path / "journal"))
    assert (body.what, body.bytes, body.sha256) == ("journal-tail-cut", len(data), digest_of(data))
    assert body.reason == f"{segment.name}: line 3: the journal ended within it"
    assert due(tmp_path) == [body.sha256], "as long as no record follows"
    # An older version that does not look ran in between: the record lies some segments further on.
    append(tmp_path, *(body_of("start", {"boot": n}) for n in range(20)))
    assert due(tmp_path) == [body.sha256]
    append(tmp_path, body)
    append(tmp_path, body_of("start", {"boot": 30}))
    assert due(tmp_path) == []
    assert kept(tmp_path) == [f"journal-tail-{body.sha256[:16]}"]
    assert due(tmp_path) == []


def test_start_killed_before_the_cut_keeps_one_copy_and_writes_one_record(tmp_path):
    append(tmp_path, body_of("start"))
    segment, data = torn(tmp_path)
    keep_end(tmp_path / "quarantine", Place(segment.name, segment.stat().st_size - len(data)), data)
    cut(tmp_path)
    assert len(kept(tmp_path)) == 1
    assert due(tmp_path) == [digest_of(data)]


def test_same_bytes_cut_at_two_places_are_two_records(tmp_path):
    append(tmp_path, body_of("start"))
    for place in (Place("00000001.jsonl", 0), Place("00000001.jsonl", 10**6)):
        keep_end(tmp_path / "quarantine", place, b"torn")
    assert due(tmp_path) == [digest_of(b"torn")] * 2


def test_record_before_the_place_is_that_of_an_earlier_cut(tmp_path):
    append(tmp_path, body_of("start"))
    torn(tmp_path)
    cut(tmp_path)
    (first,) = cuts_to_record(tmp_path / "quarantine", JournalReader(tmp_path / "journal"))
    append(tmp_path, first)
    assert due(tmp_path) == []
    segment = sorted((tmp_path / "journal").glob("*.jsonl"))[-1]
    data = (tmp_path / "quarantine" / f"journal-tail-{first.sha256[:16]}").read_bytes()
    segment.write_bytes(segment.read_bytes() + data)
    cut(tmp_path)
    assert due(tmp_path) == [first.sha256]


def test_kept_bytes_that_cannot_be_read_keep_nothing_else_from_its_record(tmp_path):
    append(tmp_path, body_of("start"))
    torn(tmp_path)
    cut(tmp_path)
    (tmp_path / "quarantine" / "journal-tail-0123456789abcdef-at-1-in-00000001.jsonl").mkdir()
    assert len(due(tmp_path)) == 1


def test_what_earlier_versions_kept_and_other_files_are_left_alone(tmp_path):
    append(tmp_path, body_of("start"))
    (tmp_path / "quarantine").mkdir()
    names = ["journal-tail-0123456789abcdef", "publisher-state-0123456789abcdef"]
    for name in names:
        (tmp_path / "quarantine" / name).write_bytes(b"x")
    assert due(tmp_path) == []
    assert kept(tmp_path) == names

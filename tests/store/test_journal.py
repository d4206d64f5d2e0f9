"""The journal on disk: damaged, cut, torn, shared, refused. Expectations follow from the rule of the chain.

Digests in the outside check are computed with hashlib (SHA-256, FIPS 180-4) and json alone.
"""

from __future__ import annotations

import errno
import fcntl
import hashlib
import json
import os
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from records import body_of

from edgeagent.codec.records.record import LINE_BYTES_MAX, Place
from edgeagent.errors import (
    JournalCorruptError,
    JournalLockedError,
    JournalTornTailError,
    JournalWriteError,
)
from edgeagent.store.journal import JournalReader, JournalWriter, last_record
from edgeagent.store.verify import verify_journal


class FixedClock:
    """Wall time that stands still."""

    def now(self) -> datetime:
        return datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

    def monotonic(self) -> float:
        return 0.0


def opened(folder: Path, segment_bytes: int = 1 << 20) -> JournalWriter:
    writer = JournalWriter(folder, FixedClock(), segment_bytes)
    writer.open(lambda _record, _place: None)
    return writer


def written(folder: Path, count: int = 6, segment_bytes: int = 1 << 20) -> list[Path]:
    """A journal of ``count`` records; returns its segments that hold any."""
    writer = opened(folder, segment_bytes)
    for number in range(count):
        words = {"what": "note", "reason": f"{number} spindle ausser Betrieb é µm @ 3"}
        writer.append([body_of("start") if number == 0 else body_of("recovery", words)])
    writer.close()
    return [p for p in sorted(folder.glob("*.jsonl")) if p.stat().st_size]


@pytest.fixture(scope="module")
def six_lines(tmp_path_factory) -> bytes:
    (segment,) = written(tmp_path_factory.mktemp("six"))
    return segment.read_bytes()


def put(folder: Path, data: bytes) -> Path:
    folder.mkdir(exist_ok=True)
    path = folder / "00000001.jsonl"
    path.write_bytes(data)
    return path


def test_chain_can_be_checked_with_a_json_reader_and_sha256_alone(tmp_path):
    before = "0" * 64
    for number, line in enumerate(written(tmp_path)[0].read_bytes().splitlines(), 1):
        record = json.loads(line)
        assert list(record) == ["seq", "time", "kind", "prev", "body", "hash"]
        assert (record["seq"], record["prev"]) == (number, before)
        assert record["hash"] == hashlib.sha256(line[: line.rindex(b',"hash":')]).hexdigest()
        before = record["hash"]


def test_each_flipped_bit_is_reported_with_its_line(tmp_path, six_lines):
    starts = [0]
    for line in six_lines.splitlines(keepends=True):
        starts.append(starts[-1] + len(line))
    path = put(tmp_path / "journal", six_lines)
    for at in range(0, len(six_lines), 3):
        line = next(n for n in range(1, len(starts)) if at < starts[n])
        for bit in (at % 8, (at + 5) % 8):
            damaged = bytearray(six_lines)
            damaged[at] ^= 1 << bit
            path.write_bytes(damaged)
            with pytest.raises(JournalCorruptError) as found:
                verify_journal(tmp_path)
            assert (found.value.segment, found.value.line) == (path.name, line), (at, bit)


def test_flipped_bit_is_never_cut_off_as_if_it_were_torn_except_in_the_last_line_feed(tmp_path, six_lines):
    path = put(tmp_path / "journal", six_lines)
    last = six_lines.rindex(b"\n", 0, -1) + 1
    for at in range(last, len(six_lines) - 1):
        for bit in range(8):
            damaged = bytearray(six_lines)
            damaged[at] ^= 1 << bit
            path.write_bytes(damaged)
            with pytest.raises(JournalCorruptError):
                list(JournalReader(path.parent).walk())
    path.write_bytes(six_lines[:-1] + b"\x0b")
    reader = JournalReader(path.parent)
    assert len(list(reader.walk())) == 5
    assert reader.tail is not None


@pytest.mark.parametrize(
    ("change", "line"),
    [
        (lambda n: [*n[:2], *n[3:]], 3),
        (lambda n: [*n[:3], n[2], *n[3:]], 4),
        (lambda n: [*n[:2], n[3], n[2], *n[4:]], 3),
        (lambda n: n[1:], 1),
        (lambda n: [*n[:4], n[1], *n[4:]], 5),
    ],
    ids=["removed", "repeated", "swapped", "first removed", "inserted"],
)
def test_line_out_of_its_place_is_named(tmp_path, six_lines, change, line):
    path = put(tmp_path / "journal", b"".join(change(six_lines.splitlines(keepends=True))))
    with pytest.raises(JournalCorruptError) as found:
        verify_journal(tmp_path)
    assert (found.value.segment, found.value.line) == (path.name, line)


def test_journal_cut_at_any_byte_is_whole_or_reported_torn(tmp_path, six_lines):
    ends = {i + 1 for i, byte in enumerate(six_lines) if byte == 0x0A} | {0}
    path = put(tmp_path / "journal", b"")
    for cut in range(len(six_lines)):
        path.write_bytes(six_lines[:cut])
        reader = JournalReader(path.parent)
        records = list(reader.walk())
        assert len(records) == six_lines[:cut].count(b"\n")
        assert (reader.tail is None) == (cut in ends)
        if reader.tail is not None:
            assert reader.tail.offset == max(end for end in ends if end <= cut)


@pytest.mark.parametrize("zeros", [1, 400, 8000])
def test_tail_of_zeros_as_after_a_power_cut_is_torn(tmp_path, six_lines, zeros):
    path = put(tmp_path / "journal", six_lines[:-100] + b"\0" * zeros)
    reader = JournalReader(path.parent)
    assert len(list(reader.walk())) == 5
    assert reader.tail is not None


def test_segment_lost_from_the_middle_is_named(tmp_path):
    segments = written(tmp_path / "journal", 12, segment_bytes=900)
    assert len(segments) >= 3
    segments[1].unlink()
    with pytest.raises(JournalCorruptError) as found:
        verify_journal(tmp_path)
    assert (found.value.segment, found.value.line) == (segments[2].name, 1)


def test_torn_line_in_a_segment_that_is_not_the_last_is_damage(tmp_path):
    segments = written(tmp_path / "journal", 12, segment_bytes=900)
    segments[0].write_bytes(segments[0].read_bytes()[:-7])
    with pytest.raises(JournalCorruptError):
        opened(tmp_path / "journal")


def test_cut_end_is_whole_for_the_chain_and_found_by_an_anchor(tmp_path, six_lines):
    head = json.loads(six_lines.splitlines()[-1])["hash"]
    put(tmp_path / "journal", b"".join(six_lines.splitlines(keepends=True)[:4]))
    assert verify_journal(tmp_path).records == 4
    with pytest.raises(JournalCorruptError, match="record 6 was written"):
        verify_journal(tmp_path, ((6, head),))
    with pytest.raises(JournalCorruptError, match="hashes differ"):
        verify_journal(tmp_path, ((3, head),))


def test_torn_tail_is_refused_then_cut_once_with_a_copy_kept(tmp_path, six_lines):
    folder = tmp_path / "journal"
    path = put(folder, six_lines[:-50])
    writer = JournalWriter(folder, FixedClock(), 1 << 20)
    with pytest.raises(JournalTornTailError):
        writer.open(lambda _r, _p: None)
    assert path.read_bytes() == six_lines[:-50], "opening repairs nothing"
    with pytest.raises(JournalLockedError):
        JournalWriter(folder, FixedClock(), 1 << 20).lock()  # nobody writes behind the end that is to be cut
    kept = []
    writer.recover(lambda *end: kept.append((*end, path.read_bytes())))
    torn = six_lines.splitlines(keepends=True)[-1][:-50]
    whole = len(six_lines[:-50]) - len(torn)
    assert kept == [(Place(path.name, whole), torn, six_lines[:-50])], "kept before it is cut"
    writer.open(lambda _r, _p: None)
    (record,) = writer.append([body_of("start", {"boot": 9})])
    writer.close()
    assert record.seq == 6
    assert verify_journal(tmp_path).records == 6


def test_second_writer_is_refused_and_touches_nothing(tmp_path):
    first = opened(tmp_path)
    first.append([body_of("start", {"boot": 1})])
    before = {p.name: p.read_bytes() for p in tmp_path.iterdir()}
    with pytest.raises(JournalLockedError):
        opened(tmp_path)
    assert {p.name: p.read_bytes() for p in tmp_path.iterdir()} == before
    first.append([body_of("stop", {"published": 0})])
    first.close()
    opened(tmp_path).close()


def test_lock_that_the_system_refuses_is_not_taken_for_one(tmp_path, monkeypatch):
    def refuse(*_: object) -> None:
        raise OSError(errno.ENOLCK, os.strerror(errno.ENOLCK))

    writer = JournalWriter(tmp_path, FixedClock(), 1 << 20)
    monkeypatch.setattr(fcntl, "flock", refuse)
    for _ in range(2):  # asked again it must not say that the lock is held
        with pytest.raises(JournalWriteError, match="No locks available"):
            writer.lock()


@pytest.mark.parametrize("foreign", ["appended", "cut", "exchanged", "removed"])
def test_segment_touched_by_somebody_else_ends_the_writer(tmp_path, foreign):
    writer = opened(tmp_path)
    writer.append([body_of("start", {"boot": 1})])
    (path,) = tmp_path.glob("*.jsonl")
    data = path.read_bytes()
    if foreign == "appended":
        path.write_bytes(data + b"x")
    elif foreign == "cut":
        os.truncate(path, len(data) - 3)
    elif foreign == "exchanged":
        path.unlink()
        path.write_bytes(data)
    else:
        path.unlink()
    for _ in range(2):
        with pytest.raises(JournalWriteError):
            writer.append([body_of("recovery", {"what": "x", "reason": "y"})])


@pytest.mark.parametrize("call", ["write", "fdatasync"])
def test_failed_write_or_sync_closes_the_writer_for_good(tmp_path, monkeypatch, call):
    writer = opened(tmp_path)
    writer.append([body_of("start", {"boot": 1})])

    def refuse(*_: object) -> int:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    with monkeypatch.context() as patched:
        patched.setattr(os, call, refuse)
        with pytest.raises(JournalWriteError, match="Input/output error"):
            writer.append([body_of("recovery", {"what": "x", "reason": "y"})])
    with pytest.raises(JournalWriteError, match="closed"):
        writer.append([body_of("recovery", {"what": "x", "reason": "y"})])
    again = opened(tmp_path)  # the lock was given up, the truth is read from disk
    assert again.seq in (1, 2)
    again.append([body_of("start", {"boot": 2})])
    again.close()
    verify_journal(tmp_path)


def test_short_write_is_continued_and_leaves_a_whole_line(tmp_path, monkeypatch):
    writer = opened(tmp_path)
    real = os.write
    monkeypatch.setattr(os, "write", lambda fd, data: real(fd, bytes(data)[:17]))
    writer.append([body_of("start", {"boot": 1}), body_of("configuration", {"recipes": 0})])
    writer.close()
    assert verify_journal(tmp_path).records == 2


def test_record_too_long_for_its_line_is_refused_and_nothing_of_it_is_written(tmp_path):
    writer = opened(tmp_path)
    writer.append([body_of("start", {"boot": 1})])
    with pytest.raises(JournalWriteError, match=f"at most {LINE_BYTES_MAX}"):
        writer.append([body_of("recovery", {"what": "x", "reason": "y" * LINE_BYTES_MAX})])
    assert verify_journal(tmp_path).records == 1


def test_reader_continues_behind_any_place_over_segments(tmp_path):
    written(tmp_path, 20, segment_bytes=900)
    reader = JournalReader(tmp_path)
    walked = list(reader.walk())
    assert [r.seq for r, _ in walked] == list(range(1, 21))
    for at, (_, place) in enumerate(walked):
        assert reader.read_from(place, 3) == walked[at + 1 : at + 4]
    assert reader.read_from(None, 100) == walked


def test_segment_that_vanishes_under_the_reader_is_a_journal_error(tmp_path, monkeypatch):
    written(tmp_path)
    reader = JournalReader(tmp_path)
    gone = [tmp_path / "00000009.jsonl"]
    monkeypatch.setattr(reader, "segments", lambda: gone)
    with pytest.raises(JournalCorruptError, match="cannot be read"):
        reader.read_from(None, 1)


@settings(max_examples=60, deadline=None)
@given(cut=st.integers(1, 2000), keep=st.integers(0, 5))
def test_any_end_that_is_lost_leaves_a_journal_that_goes_on(tmp_path_factory, six_lines, cut, keep):
    store = tmp_path_factory.mktemp("any")
    lines = six_lines.splitlines(keepends=True)
    data = b"".join(lines[: keep + 1])
    put(store / "journal", data[: max(len(data) - cut, 0)])
    writer = JournalWriter(store / "journal", FixedClock(), 1 << 20)
    try:
        writer.open(lambda _r, _p: None)
    except JournalTornTailError:
        writer.recover(lambda *_: None)
        writer.open(lambda _r, _p: None)
    writer.append([body_of("start", {"boot": 9})])
    writer.close()
    verify_journal(store)


def test_last_record_is_found_by_the_end_of_the_journal_alone(tmp_path):
    folder = tmp_path / "journal"
    folder.mkdir()
    assert last_record(folder) is None
    writer = JournalWriter(folder, FixedClock(), segment_bytes=600)
    writer.open(lambda *_: None)
    for number in range(7):
        (written,) = writer.append([body_of("recovery", {"reason": f"{number} {'x' * 150}"})])
        found = last_record(folder)
        assert found is not None
        assert (found.seq, found.hash) == (written.seq, written.hash)
    writer.close()
    newest = sorted(folder.glob("*.jsonl"))[-1]
    with newest.open("ab") as file:
        file.write(b'{"seq":8')  # a writer in the middle of a line
    assert last_record(folder).seq == 7
    newest.write_bytes(newest.read_bytes().replace(b"xxx", b"yyy"))
    for path in sorted(folder.glob("*.jsonl"))[:-1]:
        path.write_bytes(path.read_bytes().replace(b"xxx", b"yyy"))
    with pytest.raises(JournalCorruptError, match="its last record"):
        last_record(folder)

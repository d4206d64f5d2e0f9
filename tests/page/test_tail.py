"""The journal's end, read while it grows: nothing lost, nothing twice, and no more than the end at first."""

import shutil
from datetime import UTC, datetime

import pytest
from records import body_of

from edgeagent.page import tail as module
from edgeagent.page.tail import JournalTail
from edgeagent.store.journal import JournalWriter


class StoppedClock:
    """Always the same moment."""

    def now(self):
        return datetime(2026, 3, 2, tzinfo=UTC)

    def monotonic(self):
        return 0.0


@pytest.fixture
def writer(tmp_path):
    made = JournalWriter(tmp_path / "journal", StoppedClock(), segment_bytes=20_000)
    made.open(lambda *_: None)
    yield made
    made.close()


def write(writer, count, published=0):
    writer.append([body_of("checkpoint", {"published": published}) for _ in range(count)])


def numbers(records):
    return [record.seq for record in records]


def test_short_journal_is_read_whole_and_then_what_is_added(writer):
    write(writer, 5)
    tail = JournalTail(writer.folder)
    anew, records = tail.more()
    assert (anew, numbers(records), tail.began_at) == (True, [1, 2, 3, 4, 5], 1)
    assert tail.more() == (False, [])
    write(writer, 3)
    assert numbers(tail.more()[1]) == [6, 7, 8]


def test_end_that_could_not_be_read_at_first_is_read_anew_and_whole(writer, monkeypatch):
    for _ in range(20):
        write(writer, 20)
    oldest, real = min(writer.folder.glob("*.jsonl")), module._records_at_end

    def refuse(path, wanted):
        if path == oldest:
            raise OSError("the share is away")
        return real(path, wanted)

    tail = JournalTail(writer.folder)
    with monkeypatch.context() as patched:
        patched.setattr(module, "_records_at_end", refuse)
        assert tail.more() == (False, [])
    assert "the share is away" in tail.trouble
    anew, records = tail.more()
    assert (anew, numbers(records)) == (True, list(range(1, 401)))


def test_long_journal_is_read_from_its_end_across_segments(writer):
    for _ in range(40):
        write(writer, 20)
    assert len(list(writer.folder.glob("*.jsonl"))) > 3
    tail = JournalTail(writer.folder, bytes_at_first=30_000)
    _, records = tail.more()
    found = numbers(records)
    assert found == list(range(found[0], 801))
    assert 50 < len(found) < 300
    assert tail.began_at == found[0]
    write(writer, 400)
    assert numbers(tail.more()[1]) == list(range(801, 1201))


def test_line_that_is_being_written_is_read_when_it_is_whole(writer):
    write(writer, 2)
    (segment,) = writer.folder.glob("*.jsonl")
    whole = segment.read_bytes()
    segment.write_bytes(whole[:-30])
    tail = JournalTail(writer.folder)
    assert numbers(tail.more()[1]) == [1]
    assert tail.more() == (False, [])
    segment.write_bytes(whole)
    assert numbers(tail.more()[1]) == [2]


def test_store_that_is_exchanged_is_read_anew(writer, tmp_path):
    write(writer, 9)
    tail = JournalTail(writer.folder)
    tail.more()
    other = JournalWriter(tmp_path / "other", StoppedClock(), segment_bytes=20_000)
    other.open(lambda *_: None)
    write(other, 20, published=1)
    other.close()
    for path in writer.folder.glob("*.jsonl"):
        path.unlink()
    for path in (tmp_path / "other").glob("*.jsonl"):
        shutil.copy(path, writer.folder)
    anew, records = tail.more()
    assert (anew, numbers(records)) == (True, list(range(1, 21)))


def test_journal_that_cannot_be_read_is_said_and_tried_again(tmp_path, writer):
    write(writer, 2)
    tail = JournalTail(writer.folder)
    writer.folder.rename(tmp_path / "away")
    assert tail.more() == (False, [])
    assert "cannot be read" in tail.trouble
    (tmp_path / "away").rename(writer.folder)
    assert numbers(tail.more()[1]) == [1, 2]
    assert tail.trouble == ""


def test_broken_line_hides_itself_alone_at_the_beginning(writer):
    write(writer, 3)
    (segment,) = writer.folder.glob("*.jsonl")
    lines = segment.read_bytes().split(b"\n")
    lines[1] = lines[1].replace(b"checkpoint", b"checkpoinT")
    segment.write_bytes(b"\n".join(lines))
    assert numbers(JournalTail(writer.folder).more()[1]) == [1, 3]

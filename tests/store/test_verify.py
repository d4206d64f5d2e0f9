"""Is a journal whole? Whatever is done to it, the first damage is named; a live one raises no false alarm."""

from __future__ import annotations

import random
import shutil
import threading
from pathlib import Path

import msgspec
import pytest
from click.testing import CliRunner

from edgeagent.cli import main
from edgeagent.errors import JournalCorruptError
from edgeagent.model.records import Recovery
from edgeagent.store.clock import SystemClock
from edgeagent.store.journal import JournalReader, JournalWriter
from edgeagent.store.state import State
from edgeagent.store.verify import verify_journal


def written(folder: Path, records: int = 12, segment_bytes: int = 1200) -> Path:
    """A journal of several segments."""
    writer = JournalWriter(folder / "journal", SystemClock(), segment_bytes)
    writer.open(lambda *_: None)
    for number in range(records):
        writer.append([Recovery(what=f"event-{number}", reason=f"none {number / 7}")])
    writer.close()
    return folder / "journal"


@pytest.fixture(scope="module")
def original(tmp_path_factory) -> Path:
    return written(tmp_path_factory.mktemp("original"))


@pytest.fixture
def journal(original, tmp_path) -> Path:
    shutil.copytree(original, tmp_path / "journal")
    return tmp_path / "journal"


def segments(journal: Path) -> list[Path]:
    return sorted(journal.glob("*.jsonl"))


def test_whole_journal_over_several_segments(journal):
    whole = verify_journal(journal)
    assert (whole.records, len(segments(journal)) > 2) == (12, True)
    assert verify_journal(journal.parent).head == whole.head


def test_flipped_bit_anywhere_is_named(journal):
    chance = random.Random(5)
    for segment in segments(journal)[:-1]:
        data = segment.read_bytes()
        for place in chance.sample(range(len(data)), 60):
            damaged = bytearray(data)
            damaged[place] ^= 1 << chance.randrange(8)
            segment.write_bytes(damaged)
            with pytest.raises(JournalCorruptError) as caught:
                verify_journal(journal)
            assert caught.value.segment.endswith(".jsonl")
            assert caught.value.line >= 1
        segment.write_bytes(data)
    verify_journal(journal)


@pytest.mark.parametrize("change", ["removed", "repeated", "swapped"])
def test_removed_repeated_or_swapped_line_is_named(journal, change):
    segment = segments(journal)[1]
    lines = segment.read_bytes().splitlines(keepends=True)
    changed = {
        "removed": lines[1:],
        "repeated": [lines[0], *lines],
        "swapped": [lines[1], lines[0], *lines[2:]],
    }[change]
    segment.write_bytes(b"".join(changed))
    with pytest.raises(JournalCorruptError, match=r"stands where|does not continue") as caught:
        verify_journal(journal)
    assert caught.value.line <= 2


def test_missing_segment_is_named(journal):
    segments(journal)[1].unlink()
    with pytest.raises(JournalCorruptError, match="stands where"):
        verify_journal(journal)


def test_end_that_others_have_seen_must_still_be_there(journal):
    whole = verify_journal(journal)
    last = segments(journal)[-1]
    lines = last.read_bytes().splitlines(keepends=True) or segments(journal)[-2].read_bytes().splitlines(True)
    target = last if last.stat().st_size else segments(journal)[-2]
    target.write_bytes(b"".join(lines[:-1]))
    assert verify_journal(journal).records == 11  # a chain alone cannot see it
    with pytest.raises(JournalCorruptError, match="but record 12 was written"):
        verify_journal(journal, ((12, whole.head),))


def test_other_history_under_a_seen_number_is_named(journal):
    true = {record.seq: (record.hash, place) for record, place in JournalReader(journal).walk()}
    segment = true[5][1].segment
    line = sum(place.segment == segment for seq, (_, place) in true.items() if seq <= 5)
    for anchors in [((5, "0" * 64),), ((5, "0" * 64), (5, true[5][0])), ((5, true[5][0]), (5, "0" * 64))]:
        with pytest.raises(JournalCorruptError, match="hashes differ") as caught:
            verify_journal(journal, anchors)
        assert (caught.value.segment, caught.value.line) == (segment, line)


def test_every_record_of_the_journal_is_an_anchor_that_holds(journal):
    seen = [f"{record.seq}:{record.hash}" for record, _ in JournalReader(journal).walk()]
    told = CliRunner().invoke(
        main, ["journal", "verify", str(journal), *(x for s in seen for x in ("--seen", s))]
    )
    assert told.exit_code == 0
    assert "seen: 12 records that others saw on the line are all there" in told.stdout


@pytest.mark.parametrize("at", [13, 10**17])
def test_seen_record_behind_the_end_says_that_the_end_was_cut(journal, at):
    told = CliRunner().invoke(main, ["journal", "verify", str(journal), "--seen", f"{at}:{'a' * 64}"])
    assert told.exit_code == 1
    assert f"the journal ends at record 12, but record {at} was written" in told.stderr


@pytest.mark.parametrize("seen", ["12", "12:abc", "²:" + "0" * 64, "12:" + "g" * 64, "-1:" + "0" * 64])
def test_anchor_that_is_none_is_wrong_usage_and_no_damage(journal, seen):
    told = CliRunner().invoke(main, ["journal", "verify", str(journal), "--seen", seen])
    assert (told.exit_code, told.stdout, told.stderr.count("\n")) == (2, "", 1)


@pytest.mark.parametrize("keep", [11, 1])
def test_cut_end_is_found_by_the_store_s_own_note(journal, keep):
    whole = verify_journal(journal)
    note = State(position=12, end=12, head=whole.head)
    (journal.parent / "state").mkdir()
    (journal.parent / "state" / "publisher.json").write_bytes(msgspec.json.encode(note))
    assert verify_journal(journal.parent).signed == ()  # a note that anybody may edit vouches for nothing
    lines = b"".join(path.read_bytes() for path in segments(journal)).splitlines(keepends=True)
    for path in segments(journal)[1:]:
        path.unlink()
    segments(journal)[0].write_bytes(b"".join(lines[:keep]))
    with pytest.raises(JournalCorruptError, match=f"ends at record {keep}, but record 12 was written"):
        verify_journal(journal.parent)


def test_journal_of_the_service_names_the_segment_and_line_of_a_flipped_bit(cell, circle_text):
    agent = cell.begin_alone({"intake.settle_s": 0.05})
    for serial in ("1", "2", "3"):
        agent.drop(f"{serial}.txt", circle_text(serial, 20.0 if serial != "2" else 4000.0))
    agent.drop("4.txt", "no trace")
    agent.wait_event("measured", 3)
    agent.wait_event("quarantined")
    assert agent.terminate() == 0
    whole = verify_journal(agent.store)
    segment = segments(agent.store / "journal")[0]
    data = segment.read_bytes()
    chance, begin = random.Random(11), 0
    lines = data.splitlines(keepends=True)
    assert whole.records == len(lines) >= 9
    for number, line in enumerate(lines, 1):
        for place in chance.sample(range(len(line) - 1), 12):
            damaged = bytearray(data)
            damaged[begin + place] ^= 1 << chance.randrange(8)
            segment.write_bytes(damaged)
            with pytest.raises(JournalCorruptError) as caught:
                verify_journal(agent.store)
            assert (caught.value.segment, caught.value.line) == (segment.name, number)
        begin += len(line)


def test_command_exits_1_with_segment_line_and_reason(journal):
    runner = CliRunner()
    told = runner.invoke(main, ["journal", "verify", str(journal)])
    assert (told.exit_code, told.stdout.startswith("whole: 12 records")) == (0, True)
    segment = segments(journal)[0]
    segment.write_bytes(segment.read_bytes().replace(b"event-1", b"event-9", 1))
    told = runner.invoke(main, ["journal", "verify", str(journal)])
    assert told.exit_code == 1
    assert told.stderr.count("\n") == 1
    assert f"{segment.name}: line 2: the hash does not fit the line" in told.stderr


def test_folder_without_a_journal_is_not_whole(tmp_path):
    told = CliRunner().invoke(main, ["journal", "verify", str(tmp_path)])
    assert told.exit_code == 1
    assert "there is no journal here" in told.stderr


def test_verifying_while_the_writer_writes_raises_no_alarm(tmp_path):
    writer = JournalWriter(tmp_path / "journal", SystemClock(), 4000)
    writer.open(lambda *_: None)
    for number in range(60):
        writer.append([Recovery(what="event", reason="x" * number)])
        assert verify_journal(tmp_path / "journal").records == number + 1
    writer.close()


def test_verifying_beside_a_running_writer_raises_no_alarm_at_any_moment(tmp_path):
    writer = JournalWriter(tmp_path / "journal", SystemClock(), 20_000)
    writer.open(lambda *_: None)
    writer.append([Recovery(what="first", reason="")])

    def write() -> None:  # what it raises fails the test as a warning of the thread
        for number in range(400):
            writer.append([Recovery(what="event", reason="x" * (number * 37 % 3000))] * 2)

    thread = threading.Thread(target=write)
    thread.start()
    counts = [verify_journal(tmp_path / "journal").records]
    while thread.is_alive():
        counts.append(verify_journal(tmp_path / "journal").records)
    thread.join()
    writer.close()
    assert counts == sorted(counts)
    assert len(set(counts)) > 3
    whole = verify_journal(tmp_path / "journal")
    assert (whole.records, whole.segments > 3) == (801, True)

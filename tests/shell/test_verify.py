"""Is a journal whole? Whatever is done to it, the first damage is named; a live one raises no false alarm."""

from __future__ import annotations

import random
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from edgeagent.cli import main
from edgeagent.errors import JournalCorruptError
from edgeagent.shell.clock import SystemClock
from edgeagent.shell.journal import JournalWriter
from edgeagent.shell.verify import verify_journal


def written(folder: Path, records: int = 12, segment_bytes: int = 1200) -> Path:
    """A journal of several segments."""
    writer = JournalWriter(folder / "journal", SystemClock(), segment_bytes)
    writer.open(lambda *_: None)
    for number in range(records):
        writer.append([("recovery", {"what": f"event-{number}", "reason": "none", "n": number / 7})])
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
    assert "not anchored" in verify_journal(journal).anchored  # a chain alone cannot see it
    with pytest.raises(JournalCorruptError, match="but record 12 was written"):
        verify_journal(journal, ((12, whole.head),))


def test_other_history_under_a_seen_number_is_named(journal):
    with pytest.raises(JournalCorruptError, match="hashes differ"):
        verify_journal(journal, ((5, "0" * 64),))


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
        writer.append([("recovery", {"what": "event", "reason": "x" * number})])
        assert verify_journal(tmp_path / "journal").records == number + 1
    writer.close()

"""The publisher's state file: damaged is one thing, a journal that was cut is another."""

from __future__ import annotations

import msgspec
import pytest

from edgeagent.errors import JournalCorruptError
from edgeagent.store.state import State, check_not_shorter, read_state, set_aside_damaged_state, write_state

WAITING = ((17, "reject", "P", "412", ""), (33, "quarantine", "", "", "inbox/a.txt"))
STATE = State(position=41, waiting=WAITING, end=44, head="ab" * 32)


@pytest.fixture
def path(tmp_path):
    write_state(tmp_path / "state" / "publisher.json", STATE)
    return tmp_path / "state" / "publisher.json"


def test_state_comes_back_as_it_was_written(path):
    assert read_state(path) == STATE


def test_no_single_flipped_bit_is_ever_read_as_another_state(path):
    whole = path.read_bytes()
    for bit in range(8 * len(whole)):
        damaged = bytearray(whole)
        damaged[bit // 8] ^= 1 << bit % 8
        path.write_bytes(damaged)
        assert read_state(path) is None, f"bit {bit}"


def test_file_cut_anywhere_is_damaged(path):
    whole = path.read_bytes()
    for size in range(len(whole)):
        path.write_bytes(whole[:size])
        assert read_state(path) is None


def test_file_of_a_version_without_checksum_is_taken_with_its_latched_rejects(path):
    before = {"position": 41, "base": 2, "latched": [17, 33], "end": 44, "head": "ab" * 32}
    path.write_bytes(msgspec.json.encode(before))
    waiting = ((17, "reject", "", "", ""), (33, "reject", "", "", ""))
    assert read_state(path) == State(position=41, waiting=waiting, end=44, head="ab" * 32)


def test_damaged_file_is_kept_aside_and_a_whole_or_missing_one_is_left_alone(path, tmp_path):
    quarantine = tmp_path / "quarantine"
    assert set_aside_damaged_state(path, quarantine) is None
    damaged = path.read_bytes().replace(b'"end":44', b'"end":45')
    path.write_bytes(damaged)
    name = set_aside_damaged_state(path, quarantine)
    assert name is not None
    assert (quarantine / name).read_bytes() == damaged
    # A start that is killed before it puts that on record is repeated, and names the same copy.
    assert set_aside_damaged_state(path, quarantine) == name
    assert [p.name for p in quarantine.iterdir()] == [name]
    write_state(path, STATE)
    assert set_aside_damaged_state(path, quarantine) is None


def test_whole_state_still_tells_that_the_journal_was_cut(path):
    check_not_shorter(read_state(path), 44)
    with pytest.raises(JournalCorruptError, match="record 44 was written once"):
        check_not_shorter(read_state(path), 43)

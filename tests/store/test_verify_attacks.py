"""Somebody with root rewrites history: what finds it, level by level. `faults/attacks.py` prints the table."""

from __future__ import annotations

from pathlib import Path

import pytest
from attacks import ATTACKS, found_on, play
from click.testing import CliRunner
from evidence import signed_store
from field import copy_station
from forgeries import FORGERIES

from edgeagent.cli import main
from edgeagent.errors import JournalCorruptError
from edgeagent.store.verify import verify_journal

JOURNAL_KEPT = {
    "latches emptied in the state file",
    "source exchanged in the archive",
    "result taken away",
    "two objects of the archive exchanged",
}
"""Attacks that leave the journal as it is: no signature of its records can find them, replay does."""
CONSISTENT = {
    "reject turned accept with a forged trace, all of it recomputed",
    "ghost accept with another part's trace",
    "rejected part struck out",
    "the gate's failure struck out, the held part accepted",
    "end cut off",
    "acknowledgement forged",
    "the same text with other escapes",
    "key exchanged in the start's record",
}
"""Histories that might have been: no computation can tell, only who kept what was signed."""
ALL = ATTACKS | FORGERIES


@pytest.fixture(scope="module")
def played(tmp_path_factory) -> Path:
    base = tmp_path_factory.mktemp("attacked")
    play(base)
    return base


@pytest.mark.parametrize("name", ALL)
def test_attack_is_found_on_the_levels_that_can_find_it(played, tmp_path, name):
    copy_station(played / "station", tmp_path / "station")
    found = found_on(tmp_path / "station", played / "others", ALL[name])
    changed = name not in JOURNAL_KEPT
    assert found["chain"] == ""
    assert bool(found["key"]) == bool(found["witness"]) == changed
    if name not in CONSISTENT:
        assert found["replay"]
        assert not found["replay"].startswith("remark")
    else:
        assert found["replay"] == "" or found["replay"].startswith("remark: ")


def test_store_that_nobody_attacked_is_clean_on_every_level(played, tmp_path):
    copy_station(played / "station", tmp_path / "station")
    assert set(found_on(tmp_path / "station", played / "others", lambda _forger: None).values()) == {""}
    told = CliRunner().invoke(main, ["replay", "--config", str(tmp_path / "station" / "agent.toml")])
    assert told.exit_code == 0, told.output
    assert "5 identical; 3 dispositions decided again: nothing differs" in told.stdout


@pytest.mark.parametrize(
    "damage",
    [
        lambda data: data + b"\n",
        lambda data: data + b'{"seq":15}\n',
        lambda data: data + bytes(50),
        lambda data: data.replace(b"\n", b"\r\n"),
        lambda data: data.replace(b"}\n", b"} \n"),
        lambda data: b"\xef\xbb\xbf" + data,
    ],
    ids=["empty line", "line behind the end", "zeros", "CRLF", "blank behind a line", "byte order mark"],
)
def test_bytes_between_or_behind_lines_are_damage_to_the_chain(tmp_path, damage):
    store = signed_store(tmp_path)
    last = sorted((store / "journal").glob("*.jsonl"))[-1]
    last.write_bytes(damage(last.read_bytes()))
    with pytest.raises(JournalCorruptError):
        verify_journal(store)

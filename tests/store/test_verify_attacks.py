"""Somebody with root rewrites history: what finds it, level by level. `faults/attacks.py` prints the table."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from attacks import ATTACKS, found_on, play
from click.testing import CliRunner

from edgeagent.cli import main

JOURNAL_KEPT = {
    "latches emptied in the state file",
    "source exchanged in the archive",
    "result taken away",
}
"""Attacks that leave the journal as it is: no signature of its records can find them, replay does."""
CONSISTENT = {
    "reject turned accept with a forged trace, all of it recomputed",
    "ghost accept with another part's trace",
    "rejected part struck out",
    "the gate's failure struck out, the held part accepted",
    "end cut off",
    "acknowledgement forged",
}
"""Histories that might have been: no computation can tell, only who kept what was signed."""


@pytest.fixture(scope="module")
def played(tmp_path_factory) -> Path:
    base = tmp_path_factory.mktemp("attacked")
    play(base)
    return base


@pytest.mark.parametrize("name", ATTACKS)
def test_attack_is_found_on_the_levels_that_can_find_it(played, tmp_path, name):
    shutil.copytree(played / "station", tmp_path / "station")
    found = found_on(tmp_path / "station", played / "others", ATTACKS[name])
    changed = name not in JOURNAL_KEPT
    assert found["chain"] == ""
    assert bool(found["key"]) == bool(found["witness"]) == changed
    if name not in CONSISTENT:
        assert found["replay"]
        assert not found["replay"].startswith("remark")
    else:
        assert found["replay"] == "" or found["replay"].startswith("remark: ")


def test_store_that_nobody_attacked_is_clean_on_every_level(played, tmp_path):
    shutil.copytree(played / "station", tmp_path / "station")
    assert set(found_on(tmp_path / "station", played / "others", lambda _forger: None).values()) == {""}
    told = CliRunner().invoke(main, ["replay", "--config", str(tmp_path / "station" / "agent.toml")])
    assert told.exit_code == 0, told.output
    assert "5 identical; 3 dispositions decided again, 0 other verdicts, 0 differences" in told.stdout

"""Caches beside the journal: thrown away so that no half of one is ever taken for a whole one."""

from __future__ import annotations

import os
import shutil

import pytest

from edgeagent.errors import JournalWriteError
from edgeagent.store.index.cache_file import discard, note, open_for_reading, open_for_writing

SCHEMA = "create table rows (value text not null);"


@pytest.fixture
def half_made(tmp_path):
    """A file whose process was killed within a commit: half of it is new, its rollback journal beside it."""
    path = tmp_path / "whole.sqlite"
    db = open_for_writing(path, SCHEMA, 1)
    db.execute("begin")
    db.executemany("insert into rows values (?)", [("old" * 200,) for _ in range(2000)])
    db.execute("commit")
    db.execute("pragma cache_size = 5")  # so that pages go to the disk within the commit
    db.execute("begin immediate")
    db.execute("update rows set value = 'new' || value")
    left = tmp_path / "left.sqlite"
    shutil.copy(path, left)
    shutil.copy(f"{path}-journal", f"{left}-journal")
    db.execute("rollback")
    db.close()
    return left


def test_kill_while_a_cache_is_thrown_away_leaves_no_half_made_commit(half_made, monkeypatch):
    removed, real = [], os.unlink

    def die_after_the_first(path, *more, **options):
        if removed:
            raise OSError("killed")
        removed.append(path)
        real(path, *more, **options)

    with monkeypatch.context() as patched:
        patched.setattr(os, "unlink", die_after_the_first)
        with pytest.raises(JournalWriteError):
            discard(half_made)
    assert open_for_reading(half_made, 1) is None, "what is left must not be read as a cache"
    db = open_for_writing(half_made, SCHEMA, 1)
    assert (db.execute("select count(*) from rows").fetchone(), note(db, "format")) == ((0,), b"1")
    assert db.execute("pragma integrity_check").fetchone() == ("ok",)
    db.close()


def test_discarded_cache_leaves_nothing_behind(half_made):
    discard(half_made)
    assert not [p for p in half_made.parent.iterdir() if p.name.startswith("left")]
    discard(half_made)

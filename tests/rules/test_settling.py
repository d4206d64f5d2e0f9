"""When a file is complete: two looks and a time in, an answer out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgeagent.rules.settling import (
    Look,
    Patience,
    ignored,
    looked,
    settled,
    settles_at,
)

LOOK = Look(size=1000, mtime_ns=1, ctime_ns=1, inode=7)


def seen(*looks):
    waiting = None
    for now, look in looks:
        waiting = looked(waiting, look, now)
    return waiting


def test_file_that_rests_is_taken_after_the_quiet_time():
    waiting = seen((10.0, LOOK), (10.2, LOOK))
    assert not settled(waiting, 10.29, Patience(0.3, 5.0, 60.0))
    assert settled(waiting, 10.3, Patience(0.3, 5.0, 60.0))
    assert settles_at(waiting, Patience(0.3, 5.0, 60.0)) == pytest.approx(10.3)


@pytest.mark.parametrize("change", [{"size": 1001}, {"mtime_ns": 2}, {"ctime_ns": 2}, {"inode": 8}])
def test_file_that_still_changes_is_not_taken(change):
    waiting = seen((10.0, LOOK), (10.25, replace(LOOK, **change)))
    assert not settled(waiting, 10.4, Patience(0.3, 5.0, 60.0))
    assert settled(waiting, 10.55, Patience(0.3, 5.0, 60.0))


def test_file_that_grows_at_every_look_is_never_taken():
    waiting = None
    for step in range(100):
        waiting = looked(waiting, replace(LOOK, size=1000 + step), step * 0.25)
        assert not settled(waiting, step * 0.25, Patience(0.3, 5.0, 60.0))


def test_rename_settles_at_once():
    waiting = replace(seen((10.0, LOOK)), renamed=True)
    assert settled(waiting, 10.0, Patience(2.0, 5.0, 60.0))
    assert settles_at(waiting, Patience(2.0, 5.0, 60.0)) == 10.0


def test_close_settles_only_where_it_is_trusted():
    waiting = replace(seen((10.0, LOOK)), closed=True)
    assert not settled(waiting, 10.0, Patience(0.3, 5.0, 60.0))
    assert settled(waiting, 10.0, Patience(0.0, 5.0, 60.0))


def test_without_a_close_two_equal_looks_must_do():
    assert not settled(seen((10.0, LOOK)), 10.0, Patience(0.0, 5.0, 60.0))
    assert settled(seen((10.0, LOOK), (10.1, LOOK)), 10.1, Patience(0.0, 5.0, 60.0))
    assert not settled(seen((10.0, LOOK), (10.1, replace(LOOK, size=2))), 10.1, Patience(0.0, 5.0, 60.0))


@pytest.mark.parametrize("flags", [{}, {"closed": True}, {"renamed": True}])
def test_empty_file_is_waited_for(flags):
    waiting = replace(seen((10.0, replace(LOOK, size=0))), **flags)
    assert not settled(waiting, 14.9, Patience(0.0, 5.0, 60.0))
    assert settled(waiting, 15.0, Patience(0.0, 5.0, 60.0))
    assert settles_at(waiting, Patience(0.3, 5.0, 60.0)) == 15.0


def test_a_change_forgets_an_earlier_close_and_rename():
    waiting = replace(seen((10.0, LOOK)), closed=True, renamed=True)
    after = looked(waiting, replace(LOOK, size=2), 11.0)
    assert (after.closed, after.renamed, after.looks, after.since_s) == (False, False, 1, 11.0)


def test_a_file_settles_when_it_says_it_will():
    for settle_s in (0.1, 0.3, 2.0):
        waiting = seen((10.0, LOOK), (10.05, LOOK))
        at = settles_at(waiting, Patience(settle_s, 5.0, 60.0))
        assert settled(waiting, at, Patience(settle_s, 5.0, 60.0))
        assert not settled(waiting, at - 1e-6, Patience(settle_s, 5.0, 60.0))


@pytest.mark.parametrize(
    ("name", "expected"),
    [
        (".hidden", True),
        ("a.PART", True),
        ("a.tmp", True),
        ("a~", True),
        ("a.csv", False),
        ("parts.txt", False),
    ],
)
def test_temporary_names(name, expected):
    assert ignored(name, (".*", "*.part", "*.tmp", "*~")) is expected

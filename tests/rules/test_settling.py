"""When a file is complete: two looks and a time in, an answer out."""

from __future__ import annotations

from dataclasses import replace

import pytest

from edgeagent.rules.files.settling import (
    Look,
    Patience,
    Signs,
    UnsettledFile,
    is_settled,
    matches,
    settles_at,
    take_look,
    take_sign,
    whole,
)

LOOK = Look(size=1000, mtime_ns=1, ctime_ns=1, inode=7)


def seen(*looks):
    waiting = None
    for now, look in looks:
        waiting = take_look(waiting, look, now)
    return waiting


def test_file_that_rests_is_taken_after_the_quiet_time():
    waiting = seen((10.0, LOOK), (10.2, LOOK))
    assert not is_settled(waiting, 10.29, Patience(0.3, 5.0, 60.0))
    assert is_settled(waiting, 10.3, Patience(0.3, 5.0, 60.0))
    assert settles_at(waiting, Patience(0.3, 5.0, 60.0)) == pytest.approx(10.3)


@pytest.mark.parametrize("change", [{"size": 1001}, {"mtime_ns": 2}, {"ctime_ns": 2}, {"inode": 8}])
def test_file_that_still_changes_is_not_taken(change):
    waiting = seen((10.0, LOOK), (10.25, replace(LOOK, **change)))
    assert not is_settled(waiting, 10.4, Patience(0.3, 5.0, 60.0))
    assert is_settled(waiting, 10.55, Patience(0.3, 5.0, 60.0))


def test_file_that_grows_at_every_look_is_never_taken():
    waiting = None
    for step in range(100):
        waiting = take_look(waiting, replace(LOOK, size=1000 + step), step * 0.25)
        assert not is_settled(waiting, step * 0.25, Patience(0.3, 5.0, 60.0))


def test_rename_settles_at_once():
    waiting = replace(seen((10.0, LOOK)), renamed=True)
    assert is_settled(waiting, 10.0, Patience(2.0, 5.0, 60.0))
    assert settles_at(waiting, Patience(2.0, 5.0, 60.0)) == 10.0


def test_close_settles_only_where_it_is_trusted():
    waiting = replace(seen((10.0, LOOK)), closed=True)
    assert not is_settled(waiting, 10.0, Patience(0.3, 5.0, 60.0))
    assert is_settled(waiting, 10.0, Patience(0.0, 5.0, 60.0))


def test_without_a_close_two_equal_looks_must_do():
    assert not is_settled(seen((10.0, LOOK)), 10.0, Patience(0.0, 5.0, 60.0))
    assert is_settled(seen((10.0, LOOK), (10.1, LOOK)), 10.1, Patience(0.0, 5.0, 60.0))
    assert not is_settled(seen((10.0, LOOK), (10.1, replace(LOOK, size=2))), 10.1, Patience(0.0, 5.0, 60.0))


@pytest.mark.parametrize("flags", [{}, {"closed": True}, {"renamed": True}])
def test_empty_file_is_waited_for(flags):
    waiting = replace(seen((10.0, replace(LOOK, size=0))), **flags)
    assert not is_settled(waiting, 14.9, Patience(0.0, 5.0, 60.0))
    assert is_settled(waiting, 15.0, Patience(0.0, 5.0, 60.0))
    assert settles_at(waiting, Patience(0.3, 5.0, 60.0)) == 15.0


def test_a_change_forgets_an_earlier_close_and_rename():
    waiting = replace(seen((10.0, LOOK)), closed=True, renamed=True)
    after = take_look(waiting, replace(LOOK, size=2), 11.0)
    assert (after.closed, after.renamed, after.looks, after.since_s) == (False, False, 1, 11.0)


def test_a_file_settles_when_it_says_it_will():
    for settle_s in (0.1, 0.3, 2.0):
        waiting = seen((10.0, LOOK), (10.05, LOOK))
        at = settles_at(waiting, Patience(settle_s, 5.0, 60.0))
        assert is_settled(waiting, at, Patience(settle_s, 5.0, 60.0))
        assert not is_settled(waiting, at - 1e-6, Patience(settle_s, 5.0, 60.0))


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
    assert matches(name, (".*", "*.part", "*.tmp", "*~")) is expected


PATIENCE = Patience(settle_s=0.3, empty_s=5.0, unclosed_s=60.0)


def test_each_look_at_an_unchanged_file_is_counted_and_its_rest_began_with_the_first():
    waiting = seen((10.0, LOOK), (11.0, LOOK), (12.0, LOOK))
    assert (waiting.looks, waiting.since_s) == (3, 10.0)
    assert seen((10.0, LOOK)).looks == 1


def test_file_whose_writer_has_not_closed_it_is_waited_for_longer_and_not_for_ever():
    waiting = replace(seen((10.0, LOOK), (10.1, LOOK)), writing=True)
    assert not is_settled(waiting, 69.9, PATIENCE)
    assert is_settled(waiting, 70.0, PATIENCE)
    assert not is_settled(waiting, 69.9, replace(PATIENCE, settle_s=0.0)), (
        "trusting the close means to wait for it"
    )
    assert settles_at(waiting, replace(PATIENCE, settle_s=100.0)) == 110.0
    assert settles_at(replace(waiting, look=replace(LOOK, size=0)), PATIENCE) == 70.0


def test_empty_file_waits_for_the_longer_of_both_times():
    empty = seen((10.0, replace(LOOK, size=0)))
    assert settles_at(empty, PATIENCE) == 15.0
    assert settles_at(empty, replace(PATIENCE, settle_s=8.0)) == 18.0


def test_trusted_close_says_nothing_of_an_empty_file_or_one_that_is_written_again():
    trusting = replace(PATIENCE, settle_s=0.0)
    closed = replace(seen((10.0, LOOK)), closed=True)
    assert is_settled(closed, 10.0, trusting)
    assert not is_settled(replace(closed, writing=True), 10.0, trusting)
    assert not is_settled(replace(closed, look=replace(LOOK, size=0)), 10.0, trusting)


def test_change_keeps_that_somebody_is_writing():
    after = take_look(UnsettledFile(LOOK, 10.0, writing=True, closed=True), replace(LOOK, size=2000), 11.0)
    assert (after.writing, after.closed, after.since_s) == (True, False, 11.0)


@pytest.mark.parametrize(
    ("signs", "writing", "closed", "renamed"),
    [
        (Signs(), True, False, False),
        (Signs(created=True), True, False, False),
        (Signs(writing=True), True, False, False),
        (Signs(closed=True), False, True, False),
        (Signs(renamed=True), False, False, True),
        (Signs(writing=True, closed=True), True, False, False),
    ],
)
def test_signs_of_the_watch_say_whether_somebody_writes(signs, writing, closed, renamed):
    after = take_sign(UnsettledFile(LOOK, 10.0, writing=True), signs, regular=True)
    assert (after.writing, after.closed, after.renamed) == (writing, closed, renamed)


def test_write_after_a_close_or_rename_takes_their_word_back():
    before = UnsettledFile(LOOK, 10.0, closed=True, renamed=True)
    after = take_sign(before, Signs(writing=True), regular=True)
    assert (after.writing, after.closed, after.renamed) == (True, False, False)
    both = take_sign(UnsettledFile(LOOK, 10.0, closed=True), Signs(renamed=True), regular=True)
    assert (both.closed, both.renamed) == (True, True)
    assert take_sign(before, Signs(), regular=True) == before


def test_regular_file_that_was_created_empty_is_about_to_be_written_and_a_pipe_is_not():
    empty = UnsettledFile(replace(LOOK, size=0), 10.0)
    assert take_sign(empty, Signs(created=True), regular=True).writing
    assert not take_sign(empty, Signs(created=True), regular=False).writing
    assert not take_sign(empty, Signs(), regular=True).writing
    assert not take_sign(UnsettledFile(LOOK, 10.0), Signs(created=True), regular=True).writing
    for end in (Signs(created=True, closed=True), Signs(created=True, renamed=True)):
        assert not take_sign(empty, end, regular=True).writing


@pytest.mark.parametrize(
    ("first", "later", "wanted"),
    [
        (Signs(created=True), Signs(writing=True), Signs(created=True, writing=True)),
        (Signs(), Signs(created=True, writing=True), Signs(created=True, writing=True)),
        (Signs(closed=True, renamed=True), Signs(writing=True), Signs(writing=True)),
        (Signs(writing=True), Signs(closed=True), Signs(closed=True)),
        (Signs(writing=True), Signs(renamed=True), Signs(renamed=True)),
        (Signs(writing=True), Signs(), Signs(writing=True)),
        (Signs(writing=True), Signs(created=True), Signs(created=True, writing=True)),
        (Signs(closed=True), Signs(renamed=True), Signs(closed=True, renamed=True)),
        (Signs(renamed=True), Signs(created=True), Signs(created=True, renamed=True)),
        (Signs(), Signs(), Signs()),
    ],
)
def test_later_signs_add_to_earlier_ones_or_take_them_back(first, later, wanted):
    assert first.then(later) == wanted


@pytest.mark.parametrize(
    ("waiting", "now_s", "wanted"),
    [
        (UnsettledFile(LOOK, 10.0), 69.9, False),
        (UnsettledFile(LOOK, 10.0), 70.0, True),
        (UnsettledFile(LOOK, 10.0, closed=True), 10.0, True),
        (UnsettledFile(LOOK, 10.0, renamed=True), 10.0, True),
        (UnsettledFile(LOOK, 10.0, writing=True), 10.0, False),
    ],
)
def test_file_is_whole_when_somebody_has_ended_it_or_nobody_goes_on(waiting, now_s, wanted):
    assert whole(waiting, now_s, PATIENCE) is wanted


def test_without_patterns_no_name_is_temporary():
    assert not matches("a.tmp", ())
    assert not matches("", ())


def test_one_byte_is_no_empty_file():
    one = replace(LOOK, size=1)
    assert is_settled(seen((10.0, one), (10.1, one)), 10.1, replace(PATIENCE, settle_s=0.0))
    assert settles_at(seen((10.0, one)), PATIENCE) == pytest.approx(10.3)


def test_file_that_nobody_touched_for_long_is_whole_and_stays_so():
    assert whole(UnsettledFile(LOOK, 10.0), 10.0 + 10 * PATIENCE.unclosed_s, PATIENCE)

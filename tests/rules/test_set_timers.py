"""A part set's time by a clock that only goes forward."""

from __future__ import annotations

from edgeagent.rules.set_timers import SetTimers

KEY, OTHER = ("P-1", "1"), ("P-1", "2")
WALL = 1_800_000_000.0


def test_time_of_a_set_is_up_after_its_timeout_and_not_before():
    timers = SetTimers()
    assert timers.overdue({KEY: WALL}, 900.0, WALL, 50.0) == []
    assert timers.overdue({KEY: WALL}, 900.0, WALL + 899, 949.9) == []
    assert timers.overdue({KEY: WALL}, 900.0, WALL + 900, 950.0) == [KEY]


def test_wall_clock_that_is_set_forward_ends_no_set():
    timers = SetTimers()
    timers.overdue({KEY: WALL}, 900.0, WALL, 50.0)
    assert timers.overdue({KEY: WALL}, 900.0, WALL + 86_400, 60.0) == []
    assert timers.overdue({KEY: WALL}, 900.0, WALL + 86_400, 950.0) == [KEY]


def test_wall_clock_that_is_set_back_keeps_no_set_waiting():
    timers = SetTimers()
    timers.overdue({KEY: WALL}, 900.0, WALL, 50.0)
    assert timers.overdue({KEY: WALL}, 900.0, WALL - 86_400, 949.0) == []
    assert timers.overdue({KEY: WALL}, 900.0, WALL - 86_300, 950.0) == [KEY]


def test_set_from_before_the_start_has_what_is_left_of_its_time_at_the_most_all_of_it():
    assert SetTimers().overdue({KEY: WALL - 1000}, 900.0, WALL, 0.0) == [KEY]
    timers = SetTimers()
    assert timers.overdue({KEY: WALL - 600, OTHER: WALL + 5000}, 900.0, WALL, 0.0) == []
    assert timers.overdue({KEY: WALL - 600, OTHER: WALL + 5000}, 900.0, WALL, 300.0) == [KEY]
    assert timers.overdue({KEY: WALL - 600, OTHER: WALL + 5000}, 900.0, WALL, 900.0) == [KEY, OTHER]


def test_set_that_begins_again_has_its_whole_time():
    timers = SetTimers()
    timers.overdue({KEY: WALL}, 900.0, WALL, 0.0)
    assert timers.overdue({}, 900.0, WALL, 10.0) == []
    assert timers.overdue({KEY: WALL + 800}, 900.0, WALL + 800, 800.0) == []
    assert timers.overdue({KEY: WALL + 800}, 900.0, WALL + 800, 901.0) == []
    assert timers.overdue({KEY: WALL + 800}, 900.0, WALL + 800, 1700.0) == [KEY]

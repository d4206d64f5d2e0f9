"""When the disk will be full: growth by the hour, days left, and levels that do not flicker.."""

from __future__ import annotations

import pytest

from edgeagent.rules.disk import (
    DAY_S,
    HOUR_S,
    WINDOW_H,
    DiskLevel,
    Grown,
    Rate,
    Room,
    days_left,
    days_text,
    disk_level,
    disk_sentence,
    flat_hours,
    growth_rate,
    hours_of,
    room_text,
    with_growth,
)

BEGAN = 1_700_000 * HOUR_S + 1234.5
GB = 10**9


def grown_steadily(hours: int, per_hour: Grown) -> dict[int, Grown]:
    """What is kept after so many hours in each of which the store grew by as much, told every minute."""
    kept: dict[int, Grown] = {}
    for minute in range(1, 60 * hours + 1):
        share = Grown(per_hour.size_bytes // 60, per_hour.entries // 60)
        kept = with_growth(kept, BEGAN + 60.0 * minute, share)
    return kept


@pytest.mark.parametrize("hours", [1, 5, 23, 100, 400])
def test_rate_of_steady_growth_is_found_however_long_it_is_watched(hours):
    kept = grown_steadily(hours, Grown(6 * GB, 600))
    rate = growth_rate(kept, BEGAN, BEGAN + hours * HOUR_S)
    assert rate.bytes_per_day == pytest.approx(24 * 6 * GB, rel=0.01)
    assert rate.entries_per_day == pytest.approx(24 * 600, rel=0.01)
    assert len(kept) <= WINDOW_H


def test_no_rate_is_stated_from_less_than_an_hour():
    kept = with_growth({}, BEGAN + 60.0, Grown(50 * GB, 5000))
    assert growth_rate(kept, BEGAN, BEGAN + 3599.0) is None
    assert growth_rate(kept, BEGAN, BEGAN + 3601.0) is not None


def test_growth_of_more_than_a_week_ago_no_longer_counts():
    kept = with_growth({}, BEGAN, Grown(900 * GB, 9))
    later = BEGAN + 8 * DAY_S
    kept = with_growth(kept, later, Grown(7 * GB, 7))
    assert growth_rate(kept, BEGAN, later).bytes_per_day == pytest.approx(1 * GB, rel=0.02)


def test_wall_clock_that_was_set_back_forgets_the_hours_ahead_and_states_no_rate_from_nothing():
    kept = with_growth({}, BEGAN, Grown(GB, 1))
    kept = with_growth(kept, BEGAN - 30 * DAY_S, Grown(1, 1))
    assert list(kept) == [int((BEGAN - 30 * DAY_S) // HOUR_S)]
    assert growth_rate(kept, BEGAN, BEGAN - 30 * DAY_S) is None


def test_days_left_are_those_of_whichever_runs_out_first():
    room = Room(100 * GB, 0.5, 1000, 0.5)
    assert days_left(room, Rate(10 * GB, 10)) == pytest.approx(10.0)
    assert days_left(room, Rate(10 * GB, 500)) == pytest.approx(2.0)
    assert days_left(Room(100 * GB, 0.5), Rate(10 * GB, 500)) == pytest.approx(10.0)
    assert days_left(Room(100 * GB, 0.5, 3, 0.5), Rate(0.5, 0.25)) == pytest.approx(12.0)
    assert days_left(Room(2, 0.5), Rate(0.5, 0.0)) == pytest.approx(4.0)
    assert days_left(room, Rate(0.0, 0.0)) is None
    assert days_left(room, None) is None


def level(share: float, left: float | None, before: DiskLevel = DiskLevel.ROOM) -> str:
    return disk_level(Room(GB, share), left, before, free_min=0.1, days_min=14.0).value


@pytest.mark.parametrize(
    ("share", "left", "expected"),
    [
        (0.5, None, "room"),
        (0.5, 14.1, "room"),
        (0.5, 13.9, "warning"),
        (0.5, 2.1, "warning"),
        (0.5, 1.9, "alarm"),
        (0.11, None, "room"),
        (0.09, None, "alarm"),
        (0.09, 4000.0, "alarm"),
    ],
)
def test_level_follows_share_and_days(share, left, expected):
    assert level(share, left) == expected


def test_level_is_left_only_with_a_fifth_more_room():
    assert level(0.11, None, DiskLevel.ALARM) == "alarm"
    assert level(0.121, None, DiskLevel.ALARM) == "room"
    assert level(0.5, 2.3, DiskLevel.ALARM) == "alarm"
    assert level(0.5, 2.5, DiskLevel.ALARM) == "warning"
    assert level(0.5, 16.0, DiskLevel.WARNING) == "warning"
    assert level(0.5, 17.0, DiskLevel.WARNING) == "room"
    assert level(0.11, 16.0, DiskLevel.WARNING) == "warning", "a warning is no reason to hold an alarm"


def test_no_limit_no_warning():
    room = Room(1, 0.0001)
    assert disk_level(room, 0.001, DiskLevel.ROOM, free_min=0.0, days_min=0.0) is DiskLevel.ROOM


def test_sentences_name_the_share_what_is_scarce_and_the_time_left():
    room = Room(GB, 0.4, 50, 0.04)
    text = disk_sentence(DiskLevel.ALARM, room, 3.2)
    assert text.startswith("4 % of the file entries")
    assert "enough for 3 days: when it is full, the agent stops" in text
    assert "stops" not in disk_sentence(DiskLevel.ROOM, room, None)
    assert [days_text(d) for d in (0.25, 1.4, 1.6, 400.0, 5000.0)] == [
        "6 hours", "34 hours", "2 days", "400 days", "more than ten years",
    ]  # fmt: skip


def test_growth_survives_a_file_of_plain_numbers():
    kept = grown_steadily(3, Grown(600, 60))
    assert hours_of(flat_hours(kept)) == kept


def test_window_is_a_week_to_the_hour():
    now = BEGAN + 30 * DAY_S
    kept = with_growth({}, now, Grown(7 * GB, 7))
    seconds = now - (int(now // HOUR_S) - WINDOW_H + 1) * HOUR_S
    assert growth_rate(kept, BEGAN, now).bytes_per_day == pytest.approx(7 * GB * DAY_S / seconds, rel=1e-12)


def test_share_is_said_in_whole_percent():
    assert disk_sentence(DiskLevel.ROOM, Room(GB, 0.62), None).startswith("62 % of the space")


@pytest.mark.parametrize(
    ("level", "days", "words"),
    [
        ("room", 410.0, "182,400 MB free, 61 %, enough for 410 days"),
        ("room", None, "182,400 MB free, 61 %"),
        ("warning", 9.0, "warning, full soon: 182,400 MB free, 61 %, enough for 9 days"),
        ("alarm", 1.0, "alarm, almost full: 182,400 MB free, 61 %, enough for 24 hours"),
    ],
)
def test_status_line_says_what_is_free_and_warns_in_words(level, days, words):
    assert room_text(level, 182_400, 0.61, days) == words

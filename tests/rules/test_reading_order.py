"""Which file is read next: the order of measurement while all keep up, the newest live one in a burst."""

from __future__ import annotations

import pytest

from edgeagent.rules.files.reading_order import IN_ORDER_MAX, ReadingOrder


def waiting(live=0, before=0, due_s=0.0):
    """So many live files, and so many that were there at the start, the latter written first."""
    order = ReadingOrder()
    for number in range(before):
        order.put(f"old-{number}", due_s, number, live=False)
    for number in range(live):
        order.put(f"new-{number}", due_s, 1000 + number, live=True)
    return order


def taken(order, count, now_s=0.0):
    return [order.take(now_s) for _ in range(count)]


def test_few_files_are_read_in_the_order_in_which_they_were_written():
    order = ReadingOrder()
    order.put("second", 0.0, 20, live=True)
    order.put("third", 0.0, 30, live=False)
    order.put("first", 0.0, 10, live=False)
    assert taken(order, 4) == ["first", "second", "third", None]


def test_files_written_at_the_same_moment_are_read_in_the_order_in_which_they_were_seen():
    order = ReadingOrder()
    for name in ("c", "a", "b"):
        order.put(name, 0.0, 7, live=True)
    assert taken(order, 3) == ["c", "a", "b"]


def test_file_is_read_when_its_time_has_come_and_not_before():
    order = ReadingOrder()
    order.put("a", 5.0, 1, live=True)
    assert order.take(4.999) is None
    assert not order.is_due("a")
    assert order.unread_since_s(4.999) is None
    assert order.unread_since_s(5.0) == 5.0
    assert order.is_due("a")
    assert order.take(5.0) == "a"
    assert (len(order), order.take(9.0), order.is_due("a")) == (0, None, False)


def test_files_that_were_read_are_forgotten_however_many_there_were():
    order = ReadingOrder()
    for number in range(1000):
        order.put(f"read-{number}", float(number), number, live=number % 3 > 0)
        order.put(f"read-{number}", number + 0.5, number, live=True)  # looked at again
        assert order.take(number + 0.5) == f"read-{number}"
    heaps = (order._pending, order._newest, *order._oldest.values())
    assert max(map(len, heaps)) <= 4 * IN_ORDER_MAX


def test_burst_after_many_files_is_read_as_the_first_one():
    order = waiting(live=IN_ORDER_MAX + 3, before=2)
    for number in range(500):
        order.put("passing", 0.0, -number, live=False)
        order.put("passing", 0.0, 10_000 + number, live=True)
        assert order.take(0.0) == "passing"
    newest = [f"new-{number}" for number in (IN_ORDER_MAX + 2, IN_ORDER_MAX + 1)]
    assert taken(order, 2) == newest


def test_time_of_the_next_file_is_the_earliest_of_those_that_still_wait():
    order = ReadingOrder()
    assert order.next_due_s() is None
    order.put("late", 8.0, 1, live=True)
    order.put("soon", 3.0, 2, live=False)
    assert order.next_due_s() == 3.0
    order.discard("soon")
    assert order.next_due_s() == 8.0
    order.put("late", 9.0, 1, live=True)
    assert order.next_due_s() == 9.0
    assert order.unread_since_s(9.0) == 9.0
    assert order.next_due_s() == 0.0, "one can be read now"
    order.discard("late")
    assert order.next_due_s() is None


def test_backlog_that_can_be_read_now_has_no_time_to_wait_for():
    order = waiting(before=1)
    assert order.unread_since_s(0.0) is None, "nobody waits at the station for it"
    assert order.next_due_s() == 0.0
    assert order.is_due("old-0")


def test_new_place_replaces_the_old_one():
    order = ReadingOrder()
    order.put("a", 0.0, 1, live=True)
    assert order.unread_since_s(0.0) == 0.0
    order.put("a", 4.0, 1, live=True)
    assert (len(order), order.is_due("a"), order.take(0.0)) == (1, False, None)
    assert order.take(4.0) == "a"
    assert order.take(4.0) is None


def test_discarded_file_is_never_read_and_an_unknown_one_is_no_mistake():
    order = waiting(live=3)
    order.discard("new-0")
    order.discard("never there")
    assert len(order) == 2
    assert taken(order, 3) == ["new-1", "new-2", None]


@pytest.mark.parametrize("live", [0, 5, IN_ORDER_MAX])
def test_as_many_as_are_read_at_once_stay_in_order_whoever_waits(live):
    order = waiting(live=live, before=IN_ORDER_MAX - live)
    wanted = [*(f"old-{n}" for n in range(IN_ORDER_MAX - live)), *(f"new-{n}" for n in range(live))]
    assert taken(order, IN_ORDER_MAX) == wanted


def test_behind_a_backlog_live_files_go_first_in_their_order():
    order = waiting(live=IN_ORDER_MAX, before=50)
    assert taken(order, IN_ORDER_MAX) == [f"new-{n}" for n in range(IN_ORDER_MAX)]
    assert taken(order, 3) == ["old-0", "old-1", "old-2"]


def test_backlog_alone_is_read_from_its_oldest_file_on():
    assert taken(waiting(before=IN_ORDER_MAX + 8), 2) == ["old-0", "old-1"]


def test_burst_of_live_files_is_read_from_the_newest_on_until_it_is_small_again():
    order = waiting(live=IN_ORDER_MAX + 2, before=3)
    assert taken(order, 2) == [f"new-{IN_ORDER_MAX + 1}", f"new-{IN_ORDER_MAX}"]
    assert taken(order, 2) == ["new-0", "new-1"], "as many as are read at once are in order again"


def test_of_a_burst_written_at_the_same_moment_the_one_seen_last_is_the_newest():
    order = ReadingOrder()
    for number in range(IN_ORDER_MAX + 1):
        order.put(f"{number}", 0.0, 7, live=True)
    assert order.take(0.0) == f"{IN_ORDER_MAX}"


def test_longest_wait_is_that_of_the_live_file_whose_time_came_first():
    order = ReadingOrder()
    order.put("old", 1.0, 1, live=False)
    order.put("b", 3.0, 2, live=True)
    order.put("a", 2.0, 3, live=True)
    assert order.unread_since_s(10.0) == 2.0
    assert order.take(10.0) == "old"
    assert order.take(10.0) == "b"
    assert order.unread_since_s(10.0) == 2.0

"""What the lamp shows after dispositions, quarantines, acknowledgements and faults."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from edgeagent.model import Disposition
from edgeagent.rules.line.lamp import (
    CLEAR,
    FAULT,
    GATE_CLOSED,
    HOLD,
    REJECT,
    TABLE,
    WAITING_MAX,
    Lamp,
    acknowledge,
    show_disposition,
    show_message,
    with_fault,
    with_holding,
)
from edgeagent.rules.line.outbox import Outgoing

A, R, H = Disposition.ACCEPT, Disposition.REJECT, Disposition.HOLD


def after(*dispositions, latches=True):
    """The lamp after parts of different serials, numbered from 1."""
    lamp = Lamp()
    for seq, disposition in enumerate(dispositions, 1):
        lamp = show_disposition(lamp, disposition, seq, latches=latches, part="P", serial=str(seq))
    return lamp


def shown(lamp, disposition, seq, serial):
    return show_disposition(lamp, disposition, seq, latches=True, part="P", serial=serial)


def test_digits_are_those_of_the_published_table_in_their_precedence():
    assert (CLEAR, REJECT, HOLD, FAULT) == (0, 1, 2, 3)
    assert list(dict.fromkeys((digit, word) for digit, word, _ in TABLE)) == [
        *((3, "fault"), (1, "reject"), (2, "hold"), (0, "clear"))
    ]


def test_each_disposition_has_its_digit():
    assert [after(d).value for d in (A, R, H)] == [CLEAR, REJECT, HOLD]
    assert [after(d, latches=False).value for d in (A, R, H)] == [CLEAR, REJECT, HOLD]


def test_lamp_is_clear_before_anything_was_measured():
    assert Lamp().value == CLEAR


def test_reject_outlives_later_parts_until_it_is_acknowledged():
    lamp = after(R, A, H)
    assert lamp.value == REJECT
    assert acknowledge(lamp, 1).value == HOLD


def test_hold_outlives_later_parts_until_it_is_acknowledged():
    lamp = after(H, A, A)
    assert lamp.value == HOLD
    assert acknowledge(lamp, 1).value == CLEAR


def test_without_the_latch_a_reject_shows_until_the_next_part():
    assert after(R, A, latches=False).value == CLEAR
    assert after(R, H, latches=False).value == HOLD
    assert after(H, R, latches=False).value == REJECT
    assert after(R, latches=False).waiting == ()


def test_every_reject_must_be_acknowledged_by_its_own_number():
    lamp = after(R, A, R)
    assert acknowledge(lamp, 1).value == REJECT
    assert acknowledge(lamp, 2).value == REJECT
    assert acknowledge(acknowledge(lamp, 3), 1).value == CLEAR


@pytest.mark.parametrize("before", [R, H])
def test_accept_of_the_same_serial_clears_what_was_said_of_it_and_of_no_other(before):
    lamp = shown(shown(Lamp(), before, 1, "412"), R, 2, "413")
    lamp = shown(lamp, A, 3, "412")
    assert [w.seq for w in lamp.waiting] == [2]


def test_older_accept_that_is_shown_later_clears_no_newer_reject():
    lamp = shown(shown(Lamp(), R, 9, "412"), A, 5, "412")
    assert lamp.value == REJECT


def test_acknowledging_the_newest_of_a_part_clears_its_earlier_ones():
    lamp = shown(shown(shown(Lamp(), R, 1, "412"), H, 2, "412"), H, 3, "413")
    assert [w.seq for w in acknowledge(lamp, 2).waiting] == [3]
    assert [w.seq for w in acknowledge(lamp, 1).waiting] == [2, 3]


def test_records_that_name_no_part_are_cleared_by_their_own_number_only():
    lamp = show_disposition(show_disposition(Lamp(), R, 1, latches=True), R, 2, latches=True)
    assert [w.seq for w in show_disposition(lamp, A, 3, latches=True).waiting] == [1, 2]
    assert [w.seq for w in acknowledge(lamp, 2).waiting] == [1]


def message(topic, seq, name="a.txt", shows=None):
    return Outgoing(topic, {"seq": seq, "source": {"folder": "inbox", "name": name}}, False, shows)


def test_quarantine_of_a_live_file_holds_until_acknowledged():
    lamp = show_message(Lamp(), 4, message("alarm", 4, shows=H), latches=True)
    assert (lamp.value, lamp.waiting[0].what, lamp.waiting[0].file) == (HOLD, "quarantine", "inbox/a.txt")
    assert acknowledge(lamp, 4).value == CLEAR


def test_quarantine_is_over_when_a_file_of_its_name_was_measured():
    lamp = show_message(Lamp(), 4, message("alarm", 4, shows=H), latches=True)
    assert show_message(lamp, 5, message("measurement", 5, "b.txt"), latches=True).value == HOLD
    assert show_message(lamp, 5, message("measurement", 5), latches=True).value == CLEAR


def test_late_messages_and_other_alarms_change_nothing():
    for topic in ("alarm", "disposition", "verification"):
        assert show_message(Lamp(), 4, message(topic, 4), latches=True) == Lamp()


def test_closed_gate_holds_beneath_a_reject_and_a_fault():
    lamp = with_holding(Lamp(), GATE_CLOSED, True)
    assert lamp.value == HOLD
    assert shown(lamp, R, 1, "412").value == REJECT
    assert with_fault(lamp, "disk", True).value == FAULT
    assert with_holding(lamp, GATE_CLOSED, False).value == CLEAR


def test_fault_hides_everything_and_gives_it_back():
    lamp = with_fault(with_fault(after(R), "broker", True), "disk", True)
    assert lamp.value == FAULT
    lamp = with_fault(lamp, "broker", False)
    assert lamp.value == FAULT
    assert with_fault(lamp, "disk", False).value == REJECT
    assert with_fault(after(A), "never set", False).value == CLEAR


def test_memory_is_bounded_and_rejects_outlive_holds_in_it():
    lamp = shown(Lamp(), R, 1, "first")
    for seq in range(2, 2 * WAITING_MAX):
        lamp = shown(lamp, H, seq, str(seq))
    assert len(lamp.waiting) == WAITING_MAX
    assert (lamp.waiting[0].seq, lamp.waiting[-1].seq) == (1, 2 * WAITING_MAX - 1)


DISPOSED = st.tuples(st.sampled_from([A, R, H]), st.sampled_from("abc"))


@given(st.lists(st.one_of(DISPOSED, st.integers(1, 12)), max_size=12))
def test_lamp_is_clear_only_when_nothing_that_was_not_accepted_since_is_unacknowledged(steps):
    lamp, open_records = Lamp(), {}
    for seq, step in enumerate(steps, 1):
        if isinstance(step, tuple):
            disposition, serial = step
            lamp = shown(lamp, disposition, seq, serial)
            if disposition == A:
                open_records = {s: r for s, r in open_records.items() if r[1] != serial}
            else:
                open_records[seq] = step
        else:
            lamp = acknowledge(lamp, step)
            if step in open_records:
                serial = open_records[step][1]
                open_records = {s: r for s, r in open_records.items() if r[1] != serial or s > step}
    left = [disposition for disposition, _ in open_records.values()]
    assert lamp.value == (REJECT if R in left else HOLD if left else CLEAR)


@pytest.mark.parametrize("shown", [R, H])
def test_message_of_a_disposition_waits_as_what_it_is_and_for_its_part(shown):
    lamp = show_message(Lamp(), 4, message("disposition", 4, shows=shown), latches=True)
    (waiting,) = lamp.waiting
    assert (waiting.seq, waiting.what, waiting.file) == (4, shown.value, "")

"""What the lamp shows after dispositions, acknowledgements and faults."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from edgeagent.model import Disposition
from edgeagent.rules.lamp import CLEAR, FAULT, HOLD, REJECT, Lamp, acknowledged, shown, with_fault

A, R, H = Disposition.ACCEPT, Disposition.REJECT, Disposition.HOLD


def after(*dispositions, latches=True):
    lamp = Lamp()
    for seq, disposition in enumerate(dispositions, 1):
        lamp = shown(lamp, disposition, seq, latches=latches)
    return lamp


def test_digits_are_those_of_the_published_table():
    assert (CLEAR, REJECT, HOLD, FAULT) == (0, 1, 2, 3)


def test_each_disposition_has_its_digit():
    assert [after(d).value for d in (A, R, H)] == [CLEAR, REJECT, HOLD]
    assert [after(d, latches=False).value for d in (A, R, H)] == [CLEAR, REJECT, HOLD]


def test_reject_outlives_later_parts_until_it_is_acknowledged():
    lamp = after(R, A, H)
    assert lamp.value == REJECT
    assert acknowledged(lamp, 1).value == HOLD


def test_without_the_latch_the_newest_part_shows():
    assert after(R, A, latches=False).value == CLEAR
    assert after(R, H, latches=False).value == HOLD


def test_every_reject_must_be_acknowledged_by_its_own_number():
    lamp = after(R, A, R)
    assert acknowledged(lamp, 1).value == REJECT
    assert acknowledged(lamp, 2).value == REJECT
    assert acknowledged(acknowledged(lamp, 3), 1).value == CLEAR


def test_acknowledged_reject_does_not_come_back():
    assert acknowledged(after(R), 1).value == CLEAR


def test_fault_hides_everything_and_gives_it_back():
    lamp = with_fault(with_fault(after(R), "broker", True), "disk", True)
    assert lamp.value == FAULT
    lamp = with_fault(lamp, "broker", False)
    assert lamp.value == FAULT
    assert with_fault(lamp, "disk", False).value == REJECT
    assert with_fault(after(A), "never set", False).value == CLEAR


@given(st.lists(st.one_of(st.sampled_from([A, R, H]), st.integers(1, 12)), max_size=12))
def test_lamp_is_clear_only_when_every_reject_was_acknowledged(steps):
    lamp, open_rejects, newest = Lamp(), set(), CLEAR
    for seq, step in enumerate(steps, 1):
        if isinstance(step, Disposition):
            lamp = shown(lamp, step, seq, latches=True)
            newest = HOLD if step == H else CLEAR
            if step == R:
                open_rejects.add(seq)
        else:
            lamp = acknowledged(lamp, step)
            open_rejects.discard(step)
    assert lamp.value == (REJECT if open_rejects else newest)

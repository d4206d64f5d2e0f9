"""Why the lamp shows what it shows: one plain sentence for each thing that keeps it from clear."""

from __future__ import annotations

import pytest

from edgeagent.rules.line.delivery import initial
from edgeagent.rules.line.lamp import GATE_CLOSED, TABLE, UNDECIDED, Lamp, Waiting
from edgeagent.rules.line.lamp_words import lamp_reasons, lamp_word


def test_every_digit_has_the_word_of_the_table():
    assert [lamp_word(digit) for digit in range(4)] == ["clear", "reject", "hold", "fault"]
    assert {word for _, word, _ in TABLE} == {lamp_word(digit) for digit in range(4)}


def test_clear_lamp_has_no_reason_and_one_that_starts_says_so():
    assert lamp_reasons(Lamp()) == ()
    assert lamp_reasons(initial(latches=True, keep_alive_s=5).lamp) == ("the agent is starting",)


def test_faults_come_first_then_the_reject_that_does_not_latch_then_what_waits_then_what_holds():
    waiting = (Waiting(4, "hold", "P", "1"), Waiting(5, "reject", "P", "2"), Waiting(6, "reject", "P", "3"))
    lamp = Lamp(
        waiting, frozenset({UNDECIDED, GATE_CLOSED}), frozenset({"worker", "delivery-behind"}), passing=7
    )
    assert lamp_reasons(lamp) == (
        "messages to the line are behind the journal",
        "no worker process can be started",
        "the last part was rejected",
        "2 rejects wait for their acknowledgement",
        "1 hold waits for its acknowledgement",
        "the gate is closed: no verification of the reference artefact counts",
        "the part at the station is not decided",
    )


@pytest.mark.parametrize(
    ("fault", "sentence"),
    [
        ("source inbox", "the export folder inbox is not available"),
        ("unread /data/a b", "a live file in /data/a b waits too long to be read"),
        ("something-new", "something-new"),
    ],
)
def test_fault_of_a_folder_names_it_and_an_unknown_one_is_said_as_it_is(fault, sentence):
    assert lamp_reasons(Lamp(faults=frozenset({fault}))) == (sentence,)


def test_quarantined_file_waits_too():
    lamp = Lamp((Waiting(9, "quarantine", file="inbox/a.txt"),), frozenset({"else"}))
    assert lamp_reasons(lamp) == ("1 quarantined file waits for its acknowledgement", "else")

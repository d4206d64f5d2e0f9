"""Files that were read before they were whole: not decided yet, or taken back."""

from __future__ import annotations

from dataclasses import replace

import pytest
from judged_station import JudgedStation, codes, configured, posix

from edgeagent.errors import TraceFormatError
from edgeagent.judging.evaluation.found_file import FoundFile
from edgeagent.judging.whole_file import is_undecided, revocations
from edgeagent.model import Disposition
from edgeagent.rules.files.settling import Look

GROWING = FoundFile("inbox", "a.txt", b"x", None, Look(1, 1, 1, 1), 0.0, whole=False)


@pytest.mark.parametrize(
    ("file", "failed_checks", "wanted"),
    [
        (GROWING, None, True),
        (GROWING, ("whole_turns",), True),
        (GROWING, ("spikes", "whole_turns"), True),
        (GROWING, ("spikes",), False),
        (GROWING, (), False),
        (replace(GROWING, whole=True), None, False),
        (replace(GROWING, whole=True), ("whole_turns",), False),
        (replace(GROWING, problem=TraceFormatError("a.txt: too large")), None, False),
    ],
)
def test_what_may_be_a_piece_of_a_file_is_not_decided_while_somebody_may_add_to_it(file, failed_checks, wanted):
    assert is_undecided(file, failed_checks) is wanted


@pytest.fixture
def station():
    made = JudgedStation(configured(verification=""))
    made.part("good", 1.0, name="a.txt", sha256="one")
    made.part("bad", 1.1, name="b.txt", sha256="two", disposition="reject")
    made.part("other", 1.2, name="c.txt", sha256="three")
    return made


def test_accepted_part_of_a_file_that_went_on_growing_is_held_until_it_is_whole(station):
    (body,) = revocations([("a.txt", "one")], station.memory, posix(2.0))
    assert (body.serial, body.disposition, codes(body)) == ("good", Disposition.HOLD, ["grew"])
    assert body.reason_codes[0].values == {"file": "a.txt", "seq": 1}
    assert (body.withdrawn, body.gate_reason, body.settled_at) == (body.reasons[0], None, posix(2.0))
    station.append([body], 2.0)
    assert revocations([("a.txt", "one")], station.memory, posix(2.1)) == [], "once is enough"


def test_reject_stands_and_other_content_of_the_same_name_takes_nothing_back(station):
    assert revocations([("b.txt", "two")], station.memory, posix(2.0)) == []
    assert revocations([("a.txt", "two"), ("c.txt", "one")], station.memory, posix(2.0)) == []
    assert revocations([], station.memory, posix(2.0)) == []


def test_each_part_is_taken_back_once_however_many_of_its_files_grew():
    station = JudgedStation(configured(verification=""))
    both = {"required": ["outside", "inside"]}
    station.part("1", 1.0, name="a.txt", sha256="a", **both)
    station.part("1", 1.1, name="b.txt", sha256="b", feature="inside", **both)
    station.part("2", 1.2, name="c.txt", sha256="c")
    found = revocations([("b.txt", "b"), ("a.txt", "a"), ("c.txt", "c")], station.memory, posix(2.0))
    assert [body.serial for body in found] == ["1", "2"]

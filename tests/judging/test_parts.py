"""Parts as they were decided and as they would have been: what is judged otherwise flips. Invented parts."""

from __future__ import annotations

import tracemalloc
from collections import Counter

import pytest
from records import body_of

from edgeagent.judging.asking import parts
from edgeagent.judging.asking.parts import PartsAsked
from edgeagent.model import Disposition
from edgeagent.model.reasons import Code, reason


@pytest.fixture(params=[1, 1000], autouse=True)
def _recent(request, monkeypatch):
    """Every part packed as soon as another one comes, and none."""
    monkeypatch.setattr(parts, "_RECENT_MAX", request.param)


ACCEPT, REJECT, HOLD = Disposition.ACCEPT, Disposition.REJECT, Disposition.HOLD
WHY = (reason(Code.NO_RECIPE, part="P"),)
BOTH = ("left", "right")


def measured(
    asked, seq, was, now=None, *, feature="left", serial="1", needs=("left",), needs_now=None, content=None
):
    """A measurement that was judged as ``was`` and is now, for want of another word, judged as ``now``."""
    trace = {"part": "P", "serial": serial, "feature": feature}
    members = {"required": list(needs), "disposition": was.value, "decided_at": float(seq)}
    source = {"sha256": f"{seq if content is None else content:064x}"}
    body = body_of("measurement", {"trace": trace, "source": source, **members})
    reasons = WHY if now not in (None, was) else ()
    asked.measured(seq, body, now or was, reasons, tuple(needs if needs_now is None else needs_now))


def disposed(asked, was, *, serial="1", gated=False):
    gate = {"gate": "x", "gate_reason": {"code": "gate-failed", "values": {"instrument": "g", "seq": 1}}}
    members = {"part": "P", "serial": serial, "disposition": was.value, **(gate if gated else {})}
    asked.disposed(body_of("disposition", members))


def test_part_whose_files_are_judged_as_before_stays_what_it_was():
    asked = PartsAsked()
    for serial, was in (("1", ACCEPT), ("2", REJECT), ("3", REJECT)):
        measured(asked, int(serial), was, serial=serial)
        disposed(asked, was, serial=serial)
    assert asked.decided() == (Counter({(ACCEPT, ACCEPT): 1, (REJECT, REJECT): 2}), [])
    assert asked.unknown_count == 0


def test_part_with_a_file_judged_otherwise_flips_with_its_reasons_and_the_files_that_count():
    asked = PartsAsked()
    measured(asked, 3, ACCEPT, needs=BOTH)
    measured(asked, 5, ACCEPT, REJECT, feature="right", needs=BOTH)
    disposed(asked, ACCEPT)
    table, (flip,) = asked.decided()
    assert table == Counter({(ACCEPT, REJECT): 1})
    assert (flip.part, flip.serial, flip.was, flip.would_be, flip.measured) == (
        "P",
        "1",
        ACCEPT,
        REJECT,
        (3, 5),
    )
    assert flip.reasons


def test_file_judged_otherwise_that_was_measured_again_does_not_flip_its_part():
    asked = PartsAsked()
    measured(asked, 3, ACCEPT, REJECT)
    measured(asked, 5, ACCEPT)
    disposed(asked, ACCEPT)
    assert asked.decided() == (Counter({(ACCEPT, ACCEPT): 1}), [])


def test_copy_of_an_earlier_file_and_an_older_measurement_improve_nothing_however_long_ago():
    asked = PartsAsked()
    for seq, was in ((3, ACCEPT), (4, REJECT), (3, ACCEPT)):
        measured(asked, seq, was)
        measured(asked, 100 + seq, ACCEPT, serial="between")
    disposed(asked, REJECT)
    measured(asked, 9, ACCEPT, feature="right", needs=BOTH, needs_now=("left",))
    assert asked.decided() == (Counter({(REJECT, REJECT): 1}), [])


def test_copy_of_what_was_decided_of_a_part_long_ago_does_not_improve_it():
    asked = PartsAsked()
    measured(asked, 1, ACCEPT, content=7)
    measured(asked, 2, REJECT, HOLD)
    measured(asked, 3, ACCEPT, serial="between")
    measured(asked, 4, ACCEPT, content=7)
    disposed(asked, REJECT)
    table, (flip,) = asked.decided()
    assert (table, flip.would_be, flip.measured) == (Counter({(REJECT, HOLD): 1}), HOLD, (2,))


def test_part_takes_less_than_half_a_kilobyte(monkeypatch):
    monkeypatch.setattr(parts, "_RECENT_MAX", 50)
    few, many = 700, 1000  # between two of the moments at which a dict takes more room than it needs
    tracemalloc.start()
    try:
        asked, sizes = PartsAsked(), []
        for n in range(many):
            for k, feature in enumerate(BOTH):
                measured(asked, 3 * n + k + 1, ACCEPT, feature=feature, serial=f"{n:06}", needs=BOTH)
            disposed(asked, ACCEPT, serial=f"{n:06}")
            if n in (few - 1, many - 1):
                sizes.append(tracemalloc.get_traced_memory()[0])
    finally:
        tracemalloc.stop()
    assert (sizes[1] - sizes[0]) / (many - few) < 500


def test_part_that_would_need_a_trace_that_nobody_measured_would_be_held():
    asked = PartsAsked()
    measured(asked, 3, ACCEPT, needs_now=BOTH)
    disposed(asked, ACCEPT)
    table, (flip,) = asked.decided()
    assert (table, flip.would_be, flip.measured) == (Counter({(ACCEPT, HOLD): 1}), HOLD, (3,))


def test_part_that_would_need_fewer_traces_is_decided_without_the_one_that_never_came():
    asked = PartsAsked()
    measured(asked, 3, ACCEPT, needs=BOTH, needs_now=("left",))
    disposed(asked, HOLD)
    table, (flip,) = asked.decided()
    assert (table, flip.would_be) == (Counter({(HOLD, ACCEPT): 1}), ACCEPT)


def test_what_the_gate_held_stays_held_and_may_still_be_rejected():
    for now, flipped in ((ACCEPT, []), (REJECT, [REJECT])):
        asked = PartsAsked()
        measured(asked, 3, HOLD, now)
        disposed(asked, HOLD, gated=True)
        table, flips = asked.decided()
        assert [f.would_be for f in flips] == flipped
        assert table == Counter({(HOLD, flipped[0] if flipped else HOLD): 1})


def test_what_a_person_decided_otherwise_than_the_values_stays_so():
    # On record as accepted though its values hold it: a release. What would accept it changes nothing.
    asked = PartsAsked()
    measured(asked, 3, HOLD, ACCEPT)
    disposed(asked, ACCEPT)
    assert asked.decided() == (Counter({(ACCEPT, ACCEPT): 1}), [])


def test_part_with_a_file_that_cannot_be_judged_is_counted_and_left_out():
    asked = PartsAsked()
    measured(asked, 3, ACCEPT, REJECT)
    asked.unknown(body_of("measurement", {"trace": {"part": "P", "serial": "1"}}))
    disposed(asked, ACCEPT)
    measured(asked, 4, ACCEPT, REJECT, serial="2")
    disposed(asked, ACCEPT, serial="2")
    table, flips = asked.decided()
    assert (table, [f.serial for f in flips], asked.unknown_count) == (Counter({(ACCEPT, REJECT): 1}), ["2"], 1)


def test_part_that_was_never_decided_or_never_measured_is_left_out():
    asked = PartsAsked()
    measured(asked, 3, ACCEPT, REJECT)
    disposed(asked, REJECT, serial="2")
    assert asked.decided() == (Counter(), [])

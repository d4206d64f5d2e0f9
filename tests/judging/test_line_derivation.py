"""What the journal says of lamp and delivery against what follows from its records. Invented parts."""

from __future__ import annotations

import pytest
from records import record_of

from edgeagent.judging.replaying.line_derivation import LineDerivation
from edgeagent.rules.line.lamp import Lamp, Waiting

EARLY, LATE = "2026-03-02T10:00:00.000000Z", "2026-03-02T10:00:01.000000Z"
REJECT = Waiting(7, "reject", "P", "1")


def acknowledged(seq, at, *, time=EARLY, matched=True, **members):
    return record_of("acknowledgement", {"seq": at, "matched": matched, **members}, seq=seq, time=time)


def said(derivation, *steps):
    """What is wrong with records, each with the lamp before it, as record and beginning of the words."""
    return [
        (c.seq, c.kind, c.subject, c.what) for record, lamp in steps for c in derivation.apply(record, lamp)
    ]


def test_acknowledgement_of_what_waited_is_right_and_of_anything_else_is_named():
    lit = Lamp((REJECT,))
    assert said(LineDerivation(), (acknowledged(9, 7), lit)) == []
    assert said(LineDerivation(), (acknowledged(9, 8, matched=False), lit)) == []
    assert said(LineDerivation(), (acknowledged(9, 8), lit)) == [
        (9, "lamp", "line", "acknowledges record 8 as waiting, which did not wait")
    ]


def test_acknowledgements_of_one_moment_count_against_what_waited_before_the_first():
    lit, dark = Lamp((REJECT,)), Lamp()
    assert said(LineDerivation(), (acknowledged(9, 7), lit), (acknowledged(10, 7), dark)) == []
    later = acknowledged(10, 7, time=LATE)
    assert len(said(LineDerivation(), (acknowledged(9, 7), lit), (later, dark))) == 1
    between = record_of("measurement", seq=10, time=EARLY)
    steps = (acknowledged(9, 7), lit), (between, dark), (acknowledged(11, 7), dark)
    assert len(said(LineDerivation(), *steps)) == 1


def test_release_and_its_refusal_acknowledge_nothing_on_the_lamp():
    release = {"what": "release", "part": "P", "serial": "1", "why": "verified"}
    refusal = {"what": "release-refused", "reason": "not on hold"}
    for members, at in ((release, 8), (refusal, 0)):
        assert said(LineDerivation(), (acknowledged(9, at, **members), Lamp())) == []


@pytest.mark.parametrize("kind", ["checkpoint", "stop"])
def test_delivery_never_goes_back_nor_ahead_of_the_journal(kind):
    def noted(seq, published):
        return record_of(kind, {"published": published}, seq=seq), Lamp()

    assert said(LineDerivation(), noted(5, 4), noted(6, 4), noted(9, 8)) == []
    assert [x[:3] for x in said(LineDerivation(), noted(5, 5))] == [(5, "lamp", "delivery")]
    back = said(LineDerivation(), noted(5, 4), noted(6, 3), noted(7, 3))
    words = "says that 3 records were delivered, after 4 were"
    assert back == [(6, "lamp", "delivery", words), (7, "lamp", "delivery", words)]
    (ahead,) = said(LineDerivation(), noted(5, 9))
    assert ahead[3] == "says that record 9 was delivered before it was written"


def ended(noted, delivered, lamp=Lamp(), end=20, records=()):  # noqa: B008
    derivation = LineDerivation(noted, delivered)
    assert said(derivation, *((record, Lamp()) for record in records)) == []
    return [(c.seq, c.subject, c.what) for c in derivation.ended(lamp, end)]


def disposed(seq, what="reject", part="P", serial="1"):
    return record_of("disposition", {"disposition": what, "part": part, "serial": serial}, seq=seq)


def test_without_the_agents_note_nothing_is_said_of_the_end():
    assert ended([REJECT], None, Lamp((Waiting(8, "reject"),))) == []


def test_delivered_reject_that_the_note_forgot_is_named():
    lamp = Lamp((REJECT, Waiting(8, "hold", "P", "2"), Waiting(15, "reject", "P", "3")))
    assert ended([], 15, lamp) == [
        (seq, who, "the lamp must hold it until it is acknowledged, and the agent's note does not know it")
        for seq, who in ((7, "P 1"), (15, "P 3"))
    ]
    assert [x[0] for x in ended([], 14, lamp)] == [7]
    assert ended([REJECT], 14, Lamp((REJECT,)), records=[disposed(7)]) == []


@pytest.mark.parametrize(
    ("noted", "record"),
    [
        (REJECT, disposed(7)),
        (Waiting(7, "reject"), disposed(7)),
        (Waiting(7, "hold", "P", "1"), disposed(7, "hold")),
        (Waiting(7, "quarantine", file="a.txt"), record_of("quarantine", seq=7)),
        (Waiting(7, "quarantine", file="a.txt"), record_of("measurement", seq=7)),
    ],
)
def test_note_of_what_a_record_says_is_right(noted, record):
    assert ended([noted], 10, records=[record]) == []


@pytest.mark.parametrize(
    ("noted", "record", "who"),
    [
        (REJECT, disposed(7, "hold"), "P 1"),
        (REJECT, disposed(7, serial="2"), "P 1"),
        (REJECT, disposed(8), "P 1"),
        (Waiting(7, "quarantine", file="a.txt"), disposed(7, part="", serial=""), "a.txt"),
        (REJECT, record_of("measurement", seq=7), "P 1"),
        (Waiting(7, "quarantine", file="a.txt"), record_of("start", seq=7), "a.txt"),
    ],
)
def test_note_of_what_no_record_says_is_named(noted, record, who):
    assert ended([noted], 10, records=[record]) == [
        (7, who, f"waits by the agent's note ({noted.what}), and no such record does")
    ]


def test_note_of_delivery_lies_between_what_the_journal_says_and_its_end():
    noted = record_of("stop", {"published": 8}, seq=9)
    assert [ended([], delivered, records=[noted]) for delivered in (8, 20)] == [[], []]
    for delivered in (7, 21):
        words = f"delivered up to {delivered} by the agent's note, not 8 to 20"
        assert ended([], delivered, records=[noted]) == [(20, "delivery", words)]

"""The last good part: never one that was rejected or held later, by a walk and by an index alike."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from records import record_of

from edgeagent.report.story.good_parts import GOOD_MAX, GoodParts, look_back

SUBJECT = ("P", "subject")


class ListedJournal:
    """Records as an index would find them."""

    def __init__(self, records):
        self.records = records

    def backwards(self, seq):
        return (r for r in reversed(self.records) if r.seq < seq)

    def of_serial(self, serial):
        return (r for r in self.records if serial in str(r.raw))


def journal(*steps):
    """Each step is a serial and what was decided of it: two records, a measurement and a disposition."""
    records = []
    for serial, decided in steps:
        seq = len(records) + 1
        of_part = {"part": "P", "serial": serial}
        source = {"feature": "left-flank", "name": "a.txt", "sha256": None, "instrument": "gauge-1", "seq": seq}
        records.append(record_of("measurement", {"trace": of_part, "disposition": decided}, seq=seq))
        records.append(
            record_of("disposition", {**of_part, "disposition": decided, "sources": [source]}, seq=seq + 1)
        )
    return records


def good_by_walk(records):
    walk, candidates = GoodParts(), ()
    for record in records:
        if b"subject" in record.raw:
            candidates = walk.before(SUBJECT)
        walk.fold(record)
    return walk.last_good("P", candidates)


def good_by_index(records):
    first = max(r.seq for r in records if b"subject" in r.raw)
    return look_back(ListedJournal(records), SUBJECT, first)


BOTH = pytest.mark.parametrize("good", [good_by_walk, good_by_index])


@BOTH
@pytest.mark.parametrize(
    ("steps", "serial"),
    [
        ([("a", "accept"), ("b", "accept"), ("subject", "reject")], "b"),
        ([("a", "accept"), ("b", "reject"), ("subject", "reject")], "a"),
        # re-measured before the part that is reported
        ([("a", "accept"), ("b", "accept"), ("b", "reject"), ("subject", "reject")], "a"),
        ([("a", "accept"), ("b", "accept"), ("b", "hold"), ("subject", "reject")], "a"),
        ([("a", "hold"), ("b", "accept"), ("a", "accept"), ("subject", "reject")], "a"),
        # and after it
        ([("a", "accept"), ("b", "accept"), ("subject", "reject"), ("b", "reject")], "a"),
        ([("a", "accept"), ("b", "accept"), ("subject", "reject"), ("b", "hold"), ("b", "accept")], "a"),
        ([("b", "accept"), ("subject", "reject"), ("b", "reject")], ""),
        ([("a", "accept"), ("subject", "accept"), ("subject", "reject")], "a"),
        ([("subject", "reject"), ("a", "accept")], ""),
    ],
)
def test_last_good_part_was_not_rejected_or_held_later(good, steps, serial):
    assert good(journal(*steps)).serial == serial


@BOTH
def test_last_good_part_is_compared_by_the_files_that_accepted_it(good):
    found = good(journal(("a", "reject"), ("a", "accept"), ("subject", "reject")))
    assert [r.seq for r in found.files] == [3]


@BOTH
def test_no_more_than_the_last_good_parts_are_looked_at(good):
    serials = [f"s{i:02d}" for i in range(GOOD_MAX + 1)]
    before = [(s, "accept") for s in serials]
    kept = [*before, ("subject", "reject"), *((s, "hold") for s in serials[2:])]
    assert good(journal(*kept)).serial == "s01"
    assert good(journal(*kept, ("s01", "reject"))).serial == ""


@given(
    st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from(["accept", "reject", "hold"])), max_size=8),
    st.lists(st.tuples(st.sampled_from("abc"), st.sampled_from(["accept", "reject", "hold"])), max_size=4),
)
def test_walk_and_index_find_the_same_part_and_never_a_doubted_one(before, after):
    records = journal(*before, ("subject", "reject"), *after)
    found = good_by_walk(records)
    assert found == good_by_index(records)
    decided = [r for r in records if r.kind == "disposition" and r.seq >= found.seq]
    assert {r.body.disposition.value for r in decided if r.body.serial == found.serial} <= {"accept"}
    doubted = {serial for serial, decided in after if decided != "accept"}
    last = dict(before)
    assert bool(found.serial) == any(d == "accept" and s not in doubted for s, d in last.items())

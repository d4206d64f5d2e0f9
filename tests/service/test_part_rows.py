"""Rows of the live table: what waits first, one row a part, the number to acknowledge."""

from __future__ import annotations

import msgspec

from edgeagent.model.status import AgentStatus, LampNow, OpenPartNow, PartNow, ProcessMark, WaitingNow
from edgeagent.service.telling.part_rows import PartRow, part_rows

T = "2026-03-27T09:4%d:00.000000Z"


def status(last=(), waiting=(), lacking=()):
    return AgentStatus(
        phase="running", written_at=T % 9, monotonic_s=1.0, process=ProcessMark(1), started_at=T % 0,
        version="0", lamp=LampNow(0, "clear", (), len(waiting), tuple(waiting)), not_accepting=(),
        last_parts=tuple(last), open_parts=tuple(lacking),
    )  # fmt: skip


def decided(serial, disposition, seq, reason=""):
    return PartNow(T % (seq % 10), seq, "P", serial, disposition, reason)


def test_each_part_has_one_row_with_verdict_and_reason_the_newest_first():
    rows = part_rows(
        status([decided("1", "hold", 2, "too noisy"), decided("2", "accept", 4), decided("1", "accept", 6)]),
        {}, 12,
    )  # fmt: skip
    assert rows == [PartRow("09:46:00", "P 1", "accept", ""), PartRow("09:44:00", "P 2", "accept", "")]


def test_a_record_that_waits_stands_first_with_its_number_whatever_was_decided_since():
    later = [decided(str(n), "accept", n) for n in range(10, 20)]
    found = status(
        [decided("1", "reject", 2, "x is outside"), *later],
        [WaitingNow(2, "reject", "P", "1"), WaitingNow(5, "quarantine", file="bad.txt")],
    )
    rows = part_rows(found, {"bad.txt": "no table"}, 4)
    assert rows[0] == PartRow("", "bad.txt", "not read", "no table", 5)
    assert rows[1] == PartRow("09:42:00", "P 1", "reject", "x is outside", 2)
    assert [row.subject for row in rows[2:]] == ["P 19", "P 18"]


def test_older_records_that_wait_without_a_row_are_counted_with_where_they_stand():
    waiting = [WaitingNow(n, "reject", "P", str(n)) for n in range(1, 8)]
    fitting = part_rows(status(waiting=waiting), {}, 7)
    assert [row.acknowledge for row in fitting] == [7, 6, 5, 4, 3, 2, 1]
    rows = part_rows(status([decided("9", "accept", 9)], waiting), {}, 4)
    assert [row.acknowledge for row in rows[:3]] == [7, 6, 5]
    assert rows[3:] == [PartRow("", "and 4 older ones", "", "`edgeagent status` names them")]


def test_records_that_the_status_only_counts_are_counted_too():
    found = msgspec.structs.replace(status(), lamp=LampNow(1, "reject", (), 90, tuple(
        WaitingNow(n, "reject", "P", str(n)) for n in range(41, 91)
    )))  # fmt: skip
    assert part_rows(found, {}, 12)[-1].subject == "and 79 older ones"


def test_a_part_that_lacks_traces_says_which():
    rows = part_rows(status(lacking=[OpenPartNow("P", "3", ("right-flank", "profile"), T % 1)]), {}, 12)
    assert rows == [PartRow("09:41:00", "P 3", "incomplete", "missing right-flank, profile")]

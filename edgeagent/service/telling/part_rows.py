"""The rows of the live table: one a part, with its verdict, why, and the number to acknowledge."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from edgeagent.model.status import AgentStatus

INCOMPLETE, UNREAD = "incomplete", "not read"


@dataclass(frozen=True, slots=True)
class PartRow:
    """``subject`` is part and serial, or an unreadable file's name; ``acknowledge`` a record's number, or 0."""

    time: str
    subject: str
    verdict: str
    because: str
    acknowledge: int = 0


def part_rows(status: AgentStatus, unread: Mapping[str, str], rows_max: int) -> list[PartRow]:
    """What waits for an acknowledgement, parts that lack traces, then the last parts; the newest first in each.

    ``unread`` has why a file could not be read, by its name, as far as that is known. A record that waits is
    never cut off by what needs nobody, and each part has one row unless several of its records wait. Where more
    wait than rows fit, the last row counts the others.
    """
    waiting = list(_waiting_rows(status, unread))
    if len(waiting) > rows_max:
        fitting = waiting[: max(rows_max - 1, 0)]
        older = max(status.lamp.waiting_count, len(waiting)) - len(fitting)
        return [*fitting, PartRow("", f"and {older} older ones", "", "`edgeagent status` names them")]
    shown = {row.subject for row in waiting}
    # A part that waits for a person is shown once, in the row with the number to acknowledge.
    others = [row for row in _open_rows(status) if row.subject not in shown]
    shown |= {row.subject for row in others}
    for one in reversed(status.last_parts):
        subject = f"{one.part} {one.serial}"
        if subject not in shown:
            shown.add(subject)
            reason = "" if one.disposition == "accept" else one.reason
            others.append(PartRow(one.time[11:19], subject, one.disposition, reason))
    return [*waiting, *others][:rows_max]


def _waiting_rows(status: AgentStatus, unread: Mapping[str, str]) -> Iterator[PartRow]:
    decided = {one.seq: one for one in status.last_parts}
    for one in reversed(status.lamp.waiting):
        if one.file:
            yield PartRow("", one.file, UNREAD, unread.get(one.file, ""), one.seq)
            continue
        known = decided.get(one.seq)
        time, why = (known.time[11:19], known.reason) if known is not None else ("", "")
        yield PartRow(time, f"{one.part} {one.serial}", one.what, why, one.seq)


def _open_rows(status: AgentStatus) -> Iterator[PartRow]:
    for one in status.open_parts:
        why = f"missing {', '.join(one.missing)}" if one.missing else "measured again, not decided yet"
        yield PartRow(one.since[11:19], f"{one.part} {one.serial}", INCOMPLETE, why)

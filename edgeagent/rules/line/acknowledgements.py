"""Which acknowledgements of the line go on record one by one, and which are only counted.

One that names something that waits for it always goes on record, however many come. What names nothing, such as
rubbish or a number that was answered already, could fill the disk: a few of them in each period go on record,
the rest as one count when the period is over.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace

PERIOD_S = 60.0
UNMATCHED_MAX = 10
"""Acknowledgements that name nothing, put on record one by one in each period."""


@dataclass(frozen=True, slots=True)
class Unmatched:
    """Those of the period that began at ``since`` (monotonic seconds): how many are on record, and counted."""

    since: float = 0.0
    recorded: int = 0
    counted: int = 0


@dataclass(frozen=True, slots=True)
class Asked:
    """One acknowledgement: the record number that it names, 0 for rubbish, and who sent it."""

    seq: int
    who: str


def sort_out(
    before: Unmatched, asked: Iterable[Asked], waiting: Collection[int], now: float
) -> tuple[Unmatched, tuple[tuple[Asked, bool], ...]]:
    """The acknowledgements to put on record, each with whether it matches what is ``waiting``."""
    # A copy: of two that name the same record in one go only the first finds it waiting.
    left, after = set(waiting), before
    recorded: list[tuple[Asked, bool]] = []
    # With a count open the period ends in take_count, else what was counted would never be recorded.
    if now - before.since > PERIOD_S and not before.counted:
        after = Unmatched(now)
    for one in asked:
        matched = one.seq in left
        left.discard(one.seq)
        if matched:
            recorded.append((one, True))
        elif after.recorded < UNMATCHED_MAX:
            recorded.append((one, False))
            after = replace(after, recorded=after.recorded + 1)
        else:
            after = replace(after, counted=after.counted + 1)
    return after, tuple(recorded)


def take_count(before: Unmatched, now: float) -> tuple[Unmatched, int]:
    """How many were only counted, once their period is over; 0 while it lasts."""
    if not before.counted or now - before.since <= PERIOD_S:
        return before, 0
    return Unmatched(now), before.counted


def acknowledged_seq(payload: bytes) -> int:
    """The record number that the line acknowledges: plain digits; anything else is 0, which matches nothing."""
    text = payload[:64].decode("utf-8", errors="replace").strip()
    # isdigit alone takes digits of every script; 15 digits keep within what JSON readers hold exactly (2^53).
    return int(text) if text.isascii() and text.isdigit() and len(text) < 16 else 0


def result_of(one: Asked, matched: bool) -> str:
    """What the line is answered."""
    if matched:
        return "acknowledged"
    return "nothing-waits" if one.seq else "malformed"

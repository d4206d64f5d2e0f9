"""A record that does not follow from those before it."""

from __future__ import annotations

from dataclasses import dataclass

KINDS = (
    "decision", "gate", "release", "verification", "undecided", "time", "configuration", "uncertainty", "form",
    "lamp", "quarantine", "end", "index", "message",
)  # fmt: skip
"""What a record contradicts."""


@dataclass(frozen=True, slots=True)
class Contradiction:
    """A record that does not follow from those before it. ``kind`` is one of ``KINDS``.

    ``verdict`` where another disposition or outcome would follow: no version of the program excuses that, since
    whoever rewrites a record can rewrite the version beside it. ``by_version`` where a measurement that it
    rests on was computed by another version, which a start need not name: values have a version of their own.
    """

    seq: int
    kind: str
    subject: str
    what: str
    verdict: bool = False
    by_version: bool = False

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
    """A record that does not follow from those before it. ``kind`` is one of ``KINDS``."""

    seq: int
    kind: str
    subject: str
    what: str

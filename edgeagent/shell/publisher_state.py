"""The publisher's small durable state; torn or gone, it is rebuilt from the journal."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import msgspec


@dataclass(frozen=True, slots=True)
class State:
    """What survives a restart beside the journal: how far delivery is, and what the lamp remembers.

    ``end`` and ``head`` are the journal's last record when this was saved: a journal that ends earlier was
    cut.
    """

    position: int = 0
    base: int = 0
    latched: tuple[int, ...] = ()
    end: int = 0
    head: str = ""


def read_state(path: Path) -> State | None:
    """The publisher's state file; None when it is missing or torn (the journal then stands in)."""
    try:
        return msgspec.json.decode(path.read_bytes(), type=State)
    except (OSError, msgspec.DecodeError, msgspec.ValidationError):
        return None

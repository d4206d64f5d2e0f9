"""The publisher's small durable state; torn or gone, it is rebuilt from the journal."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import msgspec

from edgeagent.errors import JournalCorruptError


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


def check_not_shorter(state: State | None, end: int) -> None:
    """Raise JournalCorruptError when a journal that ends at record ``end`` once had more of them."""
    if state is not None and state.end > end:
        words = (
            f"ends at record {end}, but record {state.end} was written once: it was cut or restored from a copy"
        )
        raise JournalCorruptError("journal", 0, f"{words}; see 'Continue after damage' in DEVELOPERS.md")

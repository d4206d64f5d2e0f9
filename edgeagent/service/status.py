"""How the service stands, for a person who looks at the terminal."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

_STAGES = ("read", "to the worker", "evaluate", "from the worker", "archive", "journal", "publish")


def stages_ms(moments: Sequence[float]) -> dict[str, float]:
    """Where a file's time went, from the monotonic times between its stages."""
    steps = zip(_STAGES, moments, moments[1:], strict=False)
    return {name: round(1000 * (after - before), 3) for name, before, after in steps}


@dataclass(frozen=True, slots=True)
class Status:
    """How the service stands, for a person who looks at the terminal."""

    lamp: int
    faults: tuple[str, ...]
    connected: bool
    ready: bool
    undelivered: int
    waiting: int
    open_sets: int
    verifications: tuple[tuple[str, str], ...]

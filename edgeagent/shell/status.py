"""How the service stands, for a person who looks at the terminal."""

from __future__ import annotations

from dataclasses import dataclass


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

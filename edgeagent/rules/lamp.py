"""What the lamp shows: 0 clear, 1 reject, 2 hold, 3 fault. It is an indicator, never a safety function."""

from __future__ import annotations

from dataclasses import dataclass, replace

from edgeagent.model import Disposition

CLEAR, REJECT, HOLD, FAULT = 0, 1, 2, 3
_DIGITS = {Disposition.ACCEPT: CLEAR, Disposition.REJECT: REJECT, Disposition.HOLD: HOLD}


@dataclass(frozen=True, slots=True)
class Lamp:
    """The lamp's memory: what the newest live disposition asks for, and rejects nobody acknowledged yet.

    ``latched`` holds the record numbers of those rejects, ``faults`` the names of present faults. ``newest`` is
    the record that ``base`` is from: what is shown out of order never takes the place of something newer.
    """

    base: int = CLEAR
    latched: frozenset[int] = frozenset()
    faults: frozenset[str] = frozenset()
    newest: int = 0

    @property
    def value(self) -> int:
        """The digit to show."""
        if self.faults:
            return FAULT
        return REJECT if self.latched else self.base


def shown(lamp: Lamp, disposition: Disposition, seq: int, *, latches: bool) -> Lamp:
    """The lamp after a live disposition. A latched reject outlives later accepts until acknowledged."""
    latching = disposition == Disposition.REJECT and latches
    if latching:
        lamp = replace(lamp, latched=lamp.latched | {seq})
    if seq < lamp.newest:
        return lamp
    base = CLEAR if latching else _DIGITS[disposition]
    return replace(lamp, base=base, newest=seq)


def acknowledged(lamp: Lamp, seq: int) -> Lamp:
    """The lamp after somebody acknowledged the disposition of record ``seq``; others stay latched."""
    return replace(lamp, latched=lamp.latched - {seq})


def with_fault(lamp: Lamp, name: str, present: bool) -> Lamp:
    """The lamp with a fault by name set or cleared."""
    return replace(lamp, faults=lamp.faults | {name} if present else lamp.faults - {name})

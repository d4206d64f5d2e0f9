"""Wall and monotonic time, replaceable in tests. Delays are monotonic, records are wall time."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Protocol


class Clock(Protocol):
    """What the shell asks of time."""

    def now(self) -> datetime:
        """Wall time in UTC."""
        ...

    def monotonic(self) -> float:
        """Seconds that only grow."""
        ...


class SystemClock:
    """The machine's clocks."""

    def now(self) -> datetime:
        """Wall time in UTC."""
        return datetime.now(UTC)

    def monotonic(self) -> float:
        """Seconds that only grow, unmoved by steps of the wall clock."""
        return time.monotonic()

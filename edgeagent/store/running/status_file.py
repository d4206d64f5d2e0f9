"""`state/status.json`: how the agent stands, for whoever looks from another terminal. Never synced.

It is exchanged in one step, so that a reader never sees half of it. What a power cut leaves of it is worth
nothing: the machine's clock and the process that wrote it say so.
"""

from __future__ import annotations

import time
from pathlib import Path

import msgspec

from edgeagent.model.status import AgentStatus
from edgeagent.store.files import exchange

NAME = "status.json"
STALE_S = 3.0
"""The agent writes at most once a second; one that has not written for so long does not work."""


class StatusFile:
    """The file's writer, used from the service loop only."""

    def __init__(self, state_folder: Path) -> None:
        self.path = state_folder / NAME

    def write(self, status: AgentStatus) -> bool:
        """Exchange the file; whether that worked. A full disk has its alarm elsewhere."""
        try:
            exchange(self.path, msgspec.json.encode(status) + b"\n")
        except OSError:
            return False
        return True


def read_status(store: Path) -> AgentStatus | None:
    """What the agent of a store last wrote; None where there is nothing or it cannot be read."""
    try:
        return msgspec.json.decode((store / "state" / NAME).read_bytes(), type=AgentStatus)
    except (OSError, ValueError):
        return None


def age_s(status: AgentStatus) -> float | None:
    """Seconds since it was written, by the monotonic clock; None if the machine was started since."""
    # CLOCK_MONOTONIC is one for all processes of a machine on Linux, and begins anew with its start.
    age = time.monotonic() - status.monotonic_s
    # A second's grace for a container with a shifted clock of its own; earlier ones are of another start.
    return age if age >= -1.0 else None

"""The PLC's side as an executable model: what deploy/plc/lamp.st does, written again in Python.

One object a function block, one call a cycle. Times are seconds of whatever clock the caller has.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Inputs:
    """One cycle's inputs: None or the message that was taken from the queue in it."""

    connected: bool = True
    state: tuple[bool, str, int] | None = None
    """(retained, store, lamp)"""
    lamp: int | None = None
    heartbeat: tuple[bool, int] | None = None
    """(retained, count)"""
    part_arrived: str | None = None
    disposition: Disposition | None = None


@dataclass(frozen=True)
class Disposition:
    """What the PLC reads of a ``disposition`` message."""

    retained: bool
    late: bool
    seq: int
    store: str
    expires_beat: int
    serial: str
    accepted: bool


@dataclass
class PlcModel:
    """Lamp and release of one station. ``store`` is the identity that was written down at commissioning."""

    store: str
    stale_s: float = 3.0
    patience_s: float = 60.0
    digit: int = 3
    fresh: bool = False
    greatest: int = 0
    beating: bool = False
    silent_since: float | None = None
    serial: str = ""
    waiting_since: float | None = None
    last_seq: int = 0
    released: bool = False
    refused: bool = False
    timed_out: bool = False
    refused_seq: int = 0

    def cycle(self, now: float, given: Inputs) -> None:
        """One cycle at time ``now``."""
        self._listen(now, given)
        self._release(now, given)

    def _listen(self, now: float, given: Inputs) -> None:
        if not given.connected:
            self.fresh, self.beating, self.digit = False, False, 3
        beat = given.connected and given.heartbeat is not None and not given.heartbeat[0]
        if beat and given.heartbeat[1] > self.greatest:
            self.greatest, self.beating, self.silent_since = given.heartbeat[1], True, None
        elif self.silent_since is None:
            self.silent_since = now
        if self.silent_since is not None and now - self.silent_since >= self.stale_s:
            self.beating = False
        if not given.connected:
            return
        if given.lamp is not None:
            self.digit = given.lamp
        if given.state is not None and not given.state[0]:
            self.fresh, self.digit = given.state[1] == self.store, given.state[2]

    @property
    def watched(self) -> bool:
        """Whether the cell is being watched, as far as the PLC can know."""
        return self.fresh and self.beating and self.digit in (0, 1, 2)

    @property
    def shown(self) -> str:
        """The one output that is on."""
        return ("Clear", "Reject", "Hold")[self.digit] if self.watched else "Fault"

    def _release(self, now: float, given: Inputs) -> None:
        if given.part_arrived is not None:
            self.serial, self.waiting_since = given.part_arrived, now
            self.released = self.refused = self.timed_out = False
        said = given.disposition
        if said is not None and not said.retained and said.store == self.store and said.seq > self.last_seq:
            self.last_seq = said.seq
            in_time = not said.late and self.greatest <= said.expires_beat
            if self.waiting_since is not None and self.watched and in_time and said.serial == self.serial:
                self.waiting_since = None
                self.released, self.refused = said.accepted, not said.accepted
                if self.refused:
                    self.refused_seq = said.seq
        if self.waiting_since is not None and now - self.waiting_since >= self.patience_s:
            self.waiting_since, self.timed_out = None, True
        if not self.watched:
            self.released = False

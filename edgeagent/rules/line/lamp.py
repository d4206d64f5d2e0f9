"""What the lamp shows: 0 clear, 1 reject, 2 hold, 3 fault. It is an indicator, never a safety function."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from edgeagent.model import Disposition
from edgeagent.rules.line.outbox import Outgoing

CLEAR, REJECT, HOLD, FAULT = 0, 1, 2, 3
TABLE = (
    (FAULT, "fault", "starting or stopped; broker, store or folder in trouble; another writer on its topic"),
    (FAULT, "fault", "delivery behind the journal; a live file unread for too long"),
    (REJECT, "reject", "a reject that nobody acknowledged"),
    (HOLD, "hold", "gate closed; a hold or quarantine that nobody acknowledged; part at the station undecided"),
    (CLEAR, "clear", "none of these, also when nothing was measured yet"),
)
"""The lamp's digits in the order of their precedence: (digit, word, when). `Lamp.value` computes it."""
GATE_CLOSED, UNDECIDED = "gate-closed", "part-undecided"
"""Names of what holds the lamp without being a record that can be acknowledged."""
WAITING_MAX = 500
"""Beyond this the oldest hold or quarantine is forgotten; the lamp does not clear, since so many wait."""


@dataclass(frozen=True, slots=True)
class Waiting:
    """A record that waits for its acknowledgement: ``what`` is reject, hold or quarantine.

    A reject or hold names part and serial, a quarantine the file.
    """

    seq: int
    what: str
    part: str = ""
    serial: str = ""
    file: str = ""

    @property
    def about(self) -> tuple[str, str, str]:
        """What two records have in common that are about the same part or file."""
        return self.part, self.serial, self.file


@dataclass(frozen=True, slots=True)
class Lamp:
    """The lamp's memory: records that nobody acknowledged yet, what holds it besides, and present faults.

    ``passing`` is a reject that does not latch, as configured: it shows until the next part's disposition.
    ``newest`` is the newest disposition shown: what is shown out of order never replaces something newer.
    """

    waiting: tuple[Waiting, ...] = ()
    holding: frozenset[str] = frozenset()
    faults: frozenset[str] = frozenset()
    passing: int = 0
    newest: int = 0

    @property
    def value(self) -> int:
        """The digit to show, by TABLE."""
        # Fault first: with the broker or the store in trouble no other digit can be believed.
        if self.faults:
            return FAULT
        # A reject before a hold: a bad part may still lie at the station when the next one is held.
        if self.passing or any(w.what == "reject" for w in self.waiting):
            return REJECT
        return HOLD if self.waiting or self.holding else CLEAR

    def waits(self, seq: int) -> bool:
        """Whether record ``seq`` waits for its acknowledgement."""
        return any(w.seq == seq for w in self.waiting)


def show_disposition(
    lamp: Lamp, disposition: Disposition, seq: int, *, latches: bool, part: str = "", serial: str = ""
) -> Lamp:
    """The lamp after a part's live disposition in record ``seq``.

    An accept clears what was said of the same part before. A reject that latches and a hold wait for their
    acknowledgement; a later disposition of the same part waits beside them.
    """
    # An older record that is sent again must not end a passing reject that came after it.
    if seq >= lamp.newest:
        lamp = replace(lamp, passing=0, newest=seq)
        if disposition == Disposition.REJECT and not latches:
            lamp = replace(lamp, passing=seq)
    new = Waiting(seq, disposition.value, part, serial)
    if disposition == Disposition.ACCEPT:
        return _without_earlier(lamp, new)
    return lamp if disposition == Disposition.REJECT and not latches else _with(lamp, new)


def show_message(lamp: Lamp, seq: int, message: Outgoing, *, latches: bool) -> Lamp:
    """The lamp after a message of record ``seq``; most change nothing, and late ones never do.

    A live file that could not be read waits like a hold, until a file under the same name was measured.
    """
    payload = message.payload
    # The file was read after all: its quarantine needs no acknowledgement any more.
    if message.topic == "measurement":
        return _without_earlier(lamp, Waiting(seq, "quarantine", file=_file(payload)))
    if message.shows is None:
        return lamp
    if message.topic == "alarm":
        return _with(lamp, Waiting(seq, "quarantine", file=_file(payload)))
    part, serial = str(payload.get("part", "")), str(payload.get("serial", ""))
    return show_disposition(lamp, message.shows, seq, latches=latches, part=part, serial=serial)


def _file(payload: Mapping[str, Any]) -> str:
    source = payload.get("source")
    return f"{source['folder']}/{source['name']}" if isinstance(source, Mapping) else ""


def acknowledge(lamp: Lamp, seq: int) -> Lamp:
    """The lamp after somebody acknowledged record ``seq``, and with it what was said of its part before."""
    named = next((w for w in lamp.waiting if w.seq == seq), None)
    if named is None:
        return lamp
    # Whoever saw the newest record of a part saw the part; a newer one than that named still waits.
    lamp = _without_earlier(lamp, named)
    return replace(lamp, waiting=tuple(w for w in lamp.waiting if w.seq != seq))


def with_fault(lamp: Lamp, name: str, present: bool) -> Lamp:
    """The lamp with a fault by name set or cleared."""
    return replace(lamp, faults=lamp.faults | {name} if present else lamp.faults - {name})


def with_holding(lamp: Lamp, name: str, present: bool) -> Lamp:
    """The lamp with something that holds it, other than a record, set or cleared by name."""
    return replace(lamp, holding=lamp.holding | {name} if present else lamp.holding - {name})


def _with(lamp: Lamp, new: Waiting) -> Lamp:
    waiting = (*(w for w in lamp.waiting if w.seq != new.seq), new)
    if len(waiting) > WAITING_MAX:
        # Rejects stay longest: theirs are the parts that must not be used.
        oldest = next((w for w in waiting if w.what != "reject"), waiting[0])
        waiting = tuple(w for w in waiting if w is not oldest)
    return replace(lamp, waiting=waiting)


def _without_earlier(lamp: Lamp, of: Waiting) -> Lamp:
    """Drop what is about the same part or file and older; what names neither is about nothing else."""
    if of.about == ("", "", ""):
        return lamp
    return replace(lamp, waiting=tuple(w for w in lamp.waiting if w.about != of.about or w.seq >= of.seq))

"""The publisher's small durable state; damaged or gone, it is rebuilt from the journal.

A bit that the disk turned over must not read as a journal that was cut: it has a checksum of its own.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

import msgspec

from edgeagent.codec.records.checked_json import add_check, has_check, remove_check
from edgeagent.errors import JournalCorruptError, JournalWriteError
from edgeagent.rules.line.lamp import Lamp, Waiting
from edgeagent.store.files import make_folder, write_synced


class State(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """What survives a restart beside the journal: how far delivery is, and what the lamp remembers.

    ``waiting`` are records that wait for their acknowledgement (seq, what, part, serial, file), ``passing`` a
    reject that does not latch. ``end`` and ``head`` are the journal's last record when this was saved: a
    journal that ends earlier was cut. ``base`` and ``latched`` are what versions before wrote instead.
    """

    position: int = 0
    waiting: tuple[tuple[int, str, str, str, str], ...] = ()
    passing: int = 0
    end: int = 0
    head: str = ""
    base: int = 0
    latched: tuple[int, ...] = ()


def state_of(position: int, lamp: Lamp, *, end: int = 0, head: str = "") -> State:
    """The state that keeps a delivery position and the lamp's memory."""
    waiting = tuple((w.seq, w.what, w.part, w.serial, w.file) for w in lamp.waiting)
    return State(position, waiting, lamp.passing, end=end, head=head)


def lamp_of(state: State) -> Lamp:
    """The lamp's memory as the state kept it."""
    return Lamp(tuple(Waiting(*one) for one in state.waiting), passing=state.passing)


class StateFile:
    """The state's file, written when the state has changed. Owned by the service loop."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self._saved: State | None = None

    def save(self, state: State) -> None:
        """Make the state durable. Raises JournalWriteError."""
        # Called in every turn of the loop: an idle agent must not sync the disk all the time.
        if state != self._saved:
            try:
                write_state(self.path, state)
            except OSError as error:
                raise JournalWriteError(f"{self.path}: {error}") from error
            # Only once it is on the disk: a state that was refused is tried again.
            self._saved = state


def write_state(path: Path, state: State) -> None:
    """Make the state durable, with its own checksum. Raises OSError; the old one then stands."""
    make_folder(path.parent)
    write_synced(path, add_check(msgspec.json.encode(state)))


def read_state(path: Path) -> State | None:
    """The publisher's state file; None when it is missing or damaged (the journal then stands in).

    A file without a checksum, as versions before had it, is taken as it is.
    """
    try:
        data = path.read_bytes()
        if not has_check(data):
            return _of_before(msgspec.json.decode(data, type=State))
        return msgspec.json.decode(remove_check(data), type=State)
    except (OSError, ValueError):  # msgspec's errors and UnicodeDecodeError are ValueErrors
        return None


def _of_before(state: State) -> State:
    waiting = tuple((seq, "reject", "", "", "") for seq in state.latched)
    return State(state.position, waiting, end=state.end, head=state.head)


def set_aside_damaged_state(path: Path, quarantine: Path) -> str | None:
    """Keep a copy of a state file that cannot be read; its name, None when there is none to keep.

    Raises JournalWriteError when it cannot be kept.
    """
    try:
        if not path.exists() or read_state(path) is not None:
            return None
        make_folder(quarantine)
        data = path.read_bytes()
        # Named by its content: a start that is cut off here and repeated keeps one copy, not one for each
        # attempt. The file itself stays until the next state replaces it, so that the repeated start finds it
        # damaged too, and puts on record where the copy is.
        aside = quarantine / f"publisher-state-{hashlib.sha256(data).hexdigest()[:16]}"
        write_synced(aside, data)
    except OSError as error:
        raise JournalWriteError(f"{path}: {error}") from error
    return aside.name


def check_not_shorter(state: State | None, end: int) -> None:
    """Raise JournalCorruptError when a journal that ends at record ``end`` once had more of them."""
    # The state is saved after the records it names are synced, so that a power cut can never bring this about.
    if state is not None and state.end > end:
        words = (
            f"ends at record {end}, but record {state.end} was written once: it was cut or restored from a copy"
        )
        hint = "see 'Continue after damage' in edgeagent/store/FORMAT.md"
        raise JournalCorruptError("journal", 0, f"{words}; {hint}")

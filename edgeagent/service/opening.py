"""Opening the journal at the start: what it says, folded, and what of it had to be mended."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from edgeagent.codec.records.record import Place, Record
from edgeagent.errors import JournalCorruptError, JournalTornTailError
from edgeagent.judging.memory import Memory
from edgeagent.model.records import Recovery
from edgeagent.store.archive import Archive
from edgeagent.store.configuration import StationConfiguration
from edgeagent.store.files import sweep_temporaries
from edgeagent.store.journal import JournalWriter
from edgeagent.store.state import State, check_not_shorter, read_state, set_aside_damaged_state

if TYPE_CHECKING:
    from edgeagent.judging.drift import DriftWatch


@dataclass(frozen=True, slots=True)
class OpenedJournal:
    """What a start finds. ``state`` is None where delivery begins from the journal's own notes.

    ``recovered`` are the records that must say what was mended.
    """

    memory: Memory
    drift: DriftWatch | None
    state: State | None
    recovered: list[Recovery]


def open_journal(
    writer: JournalWriter,
    configuration: StationConfiguration,
    present: Mapping[str, frozenset[str]],
    state_path: Path,
) -> OpenedJournal:
    """Open the journal and fold it; a torn tail is cut once and reported for the record.

    ``present`` names the files that are in each folder. Raises JournalError where it cannot be trusted.
    """
    settings, store = configuration.settings, configuration.store
    recovered: list[Recovery] = []
    while True:
        state = read_state(state_path)
        memory = Memory(
            present,
            state.position if state else None,
            live_s=settings.intake.live_s,
            latches=settings.decision.reject_latches,
        )
        drift = new_drift_watch(configuration)
        try:
            writer.open(_visitor(state, memory, drift))
        except JournalTornTailError:
            if recovered:
                raise
            check_not_shorter(state, writer.seq)
            recovered.append(JournalWriter.recover(store / "journal", store / "quarantine"))
            continue
        check_not_shorter(state, writer.seq)
        if state is None and writer.seq > 0:
            aside = set_aside_damaged_state(state_path, store / "quarantine")
            damaged = f"; the damaged state is kept as quarantine/{aside}" if aside else ""
            reason = f"delivery position rebuilt from the journal{damaged}"
            recovered.append(Recovery(what="state-rebuilt", reason=reason))
        _sweep(store)
        return OpenedJournal(memory, drift, state, recovered)


def _sweep(store: Path) -> None:
    """Remove the halves of files that an earlier agent was killed over: with the journal's lock, nobody writes.

    Not in requests/, where commands write. What cannot be removed does not keep the agent from starting.
    """
    for name in ("archive", "state", "quarantine"):
        with suppress(OSError):
            sweep_temporaries(store / name)


def _visitor(state: State | None, memory: Memory, drift: DriftWatch | None) -> Callable[[Record, Place], None]:
    """Folds records; raises where the record at the saved position has a different hash."""

    def visit(record: Record, place: Place) -> None:
        if state is not None and record.seq == state.end and state.head not in ("", record.hash):
            raise JournalCorruptError(
                place.segment, 0, f"record {record.seq} is not the one that was written: hashes differ"
            )
        memory.visit(record, place)
        if drift is not None:
            drift.apply(record)

    return visit


def new_drift_watch(configuration: StationConfiguration) -> DriftWatch | None:
    """A watch that knows nothing yet; None, and nothing imported, where no drift is to be watched."""
    wanted = configuration.settings.drift
    if wanted is None:
        return None
    from edgeagent.judging.drift import DriftWatch, check_watched

    check_watched(wanted, configuration.path.name, configuration.recipes, configuration.certificates)
    return DriftWatch(wanted, Archive(configuration.store / "archive").get)

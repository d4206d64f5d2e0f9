"""Opening the journal at the start: what it says, folded, and what of it had to be mended."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

from edgeagent.codec.records.record import Place, Record, RecordError
from edgeagent.errors import JournalCorruptError, JournalTornTailError, JournalWriteError
from edgeagent.judging.memory import Memory
from edgeagent.judging.snapshot import restore
from edgeagent.model.records import Recovery
from edgeagent.store.archive import Archive
from edgeagent.store.configuration import StationConfiguration
from edgeagent.store.copies.cut_ends import cuts_to_record, keep_end
from edgeagent.store.files import sweep_temporaries
from edgeagent.store.index.cache_file import discard
from edgeagent.store.index.index import IndexWriter, path_of
from edgeagent.store.index.indexing import WITHOUT_INDEX, Indexing
from edgeagent.store.index.past import Past
from edgeagent.store.index.resume import IndexKeeper, find_resume_point, recall_looks
from edgeagent.store.journal import JournalReader, JournalWriter, Position, record_total
from edgeagent.store.state import State, check_not_shorter, read_state, set_aside_damaged_state
from edgeagent.store.values.follow import ValueKeeper, begin_values

if TYPE_CHECKING:
    from edgeagent.judging.drift import DriftWatch


RESUME_FROM = 10_000
"""A shorter journal is read as a whole at each start: that takes less than a second and proves more."""


@dataclass(frozen=True, slots=True)
class OpenedJournal:
    """What a start finds. ``state`` is None where delivery begins from the journal's own notes.

    ``recovered`` are the records that must say what was mended, or that there is no index. ``index`` and
    ``values`` are None where the disk refuses them. ``resumed`` is the record behind which the journal was
    read; None for all. ``past`` answers what the memory forgets.
    """

    memory: Memory
    drift: DriftWatch | None
    state: State | None
    recovered: list[Recovery]
    index: IndexKeeper | None
    past: Past
    values: ValueKeeper | None
    resumed: Position | None


def open_journal(
    writer: JournalWriter,
    configuration: StationConfiguration,
    present: Mapping[str, frozenset[str]],
    state_path: Path,
) -> OpenedJournal:
    """Open the journal and fold it; a torn tail is cut once and reported for the record.

    The fold of a long journal continues from the index's snapshot, so that the start takes no longer after ten
    years; the chain before it is then checked by the `Upkeep`. ``present`` names the files that are in each
    folder. Raises JournalError where the journal cannot be trusted.
    """
    settings, store = configuration.settings, configuration.store
    recovered: list[Recovery] = []
    quarantine = store / "quarantine"
    refused, is_cut = "", False
    while True:
        # Before anything is read: what another agent writes meanwhile would be missing here.
        writer.lock()
        state = read_state(state_path)
        index, refused = (None, refused) if refused else _index_of(store)
        memory = Memory(
            present,
            state.position if state else None,
            live_s=settings.intake.live_s,
            latches=settings.decision.reject_latches,
        )
        drift = new_drift_watch(configuration)
        resumed = _resume(index, state, configuration, memory, drift)
        # By what the index lacks it is filled in bulk or not; behind a snapshot it lacks little.
        total = record_total(store / "journal") if index is not None and resumed is None else None
        indexing = Indexing(index, store / "journal", memory, total)
        try:
            writer.open(_visitor(state, memory, drift, indexing), resumed)
            indexing.finish()
        except (JournalTornTailError, JournalWriteError) as error:
            if index is not None:
                index.close()
            # Once more without an index: a disk that refuses a cache must not keep the agent from starting.
            if indexing.refused:
                refused = indexing.refused
                continue
            # One torn tail is what a crash leaves; a second one in the same start is damage.
            if is_cut or isinstance(error, JournalWriteError):
                raise
            check_not_shorter(state, writer.seq)
            writer.recover(partial(keep_end, quarantine))
            is_cut = True
            continue
        check_not_shorter(state, writer.seq)
        # By what lies there, not by what this start did: the start that cut may have been killed at once.
        recovered.extend(cuts_to_record(quarantine, JournalReader(store / "journal")))
        if refused:
            recovered.append(Recovery(what="index-failed", reason=f"{WITHOUT_INDEX}: {refused}"[:500]))
        if state is None and writer.seq > 0:
            aside = set_aside_damaged_state(state_path, quarantine)
            damaged = f"; the damaged state is kept as quarantine/{aside}" if aside else ""
            reason = f"delivery position rebuilt from the journal{damaged}"
            recovered.append(Recovery(what="state-rebuilt", reason=reason))
        # Only now: with the journal whole and locked, nothing that is swept can be needed for mending it.
        _sweep(store)
        keeper = None if index is None else IndexKeeper(index, store / "journal")
        values = None if index is None else begin_values(store, Archive(store / "archive").get)
        return OpenedJournal(memory, drift, state, recovered, keeper, indexing.past, values, resumed)


def _index_of(store: Path) -> tuple[IndexWriter | None, str]:
    """The store's index, begun anew where it is damaged or belongs to another journal; None and why not."""
    path, journal = path_of(store), JournalReader(store / "journal")
    try:
        index = IndexWriter.create(path)
        try:
            position = index.position
            agrees = position is None or journal.holds(position)
        except sqlite3.Error:
            agrees = False
        if not agrees:
            index.close()
            discard(path)
            index = IndexWriter.create(path)
        return index, ""
    except JournalWriteError as error:
        return None, str(error)


def _resume(
    index: IndexWriter | None,
    state: State | None,
    configuration: StationConfiguration,
    memory: Memory,
    drift: DriftWatch | None,
) -> Position | None:
    """Fill the fold from the snapshot; the record that it stands for, None where there is nothing to use."""
    # Without the saved position the journal's own notes of delivery are needed, which lie before the snapshot.
    if index is None or state is None:
        return None
    journal, watched = configuration.store / "journal", configuration.settings.drift
    point = find_resume_point(index, journal, state.position, watched)
    if point is None or point.position.seq < RESUME_FROM:
        return None
    try:
        recall_looks(index, journal, memory)
    except (sqlite3.Error, OSError, RecordError):
        memory.looks.clear()
        return None
    # Last: what fails above leaves a fresh fold, into which the whole journal can be read.
    restore(point.snapshot, memory, drift)
    memory.cursor, memory.last_disposition = point.position.place, point.last_disposition
    return point.position


def _sweep(store: Path) -> None:
    """Remove the halves of files that an earlier agent was killed over: with the journal's lock, nobody writes.

    Not in requests/, where commands write. What cannot be removed does not keep the agent from starting.
    """
    for name in ("archive", "state", "quarantine"):
        with suppress(OSError):
            sweep_temporaries(store / name)


def _visitor(
    state: State | None, memory: Memory, drift: DriftWatch | None, indexing: Indexing
) -> Callable[[Record, Place], None]:
    """Folds records; raises where the record at the saved position has a different hash."""

    def visit(record: Record, place: Place) -> None:
        # Another journal put in this one's place would inherit its lamp and its delivery position.
        if state is not None and record.seq == state.end and state.head not in ("", record.hash):
            raise JournalCorruptError(
                place.segment, 0, f"record {record.seq} is not the one that was written: hashes differ"
            )
        memory.visit(record, place)
        indexing.note(record, place)
        if drift is not None:
            drift.apply(record)

    return visit


def check_drift(configuration: StationConfiguration) -> None:
    """Raise ConfigError where ``[drift]`` names what recipes and certificates do not have.

    At a reload as at a start: what a reload takes, the next start must not refuse.
    """
    wanted = configuration.settings.drift
    if wanted is not None:
        from edgeagent.judging.drift import check_watched

        check_watched(wanted, configuration.path.name, configuration.recipes, configuration.certificates)


def new_drift_watch(configuration: StationConfiguration) -> DriftWatch | None:
    """A watch that knows nothing yet; None, and nothing imported, where no drift is to be watched."""
    wanted = configuration.settings.drift
    if wanted is None:
        return None
    from edgeagent.judging.drift import DriftWatch

    check_drift(configuration)
    return DriftWatch(wanted, Archive(configuration.store / "archive").get)

"""Series of values read from a store's journal and archive, for the commands that look back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from edgeagent.commands.shared_progress import show_progress
from edgeagent.errors import UsageError
from edgeagent.judging.drift import (
    HARMONICS,
    Observation,
    SeriesKey,
    archived_values,
    belongs,
    harmonic_of,
    observations,
    split_label,
)
from edgeagent.judging.studies.trend import Series
from edgeagent.model.records import Measurement
from edgeagent.store.archive import Archive
from edgeagent.store.copies.sealed import SealedFiles
from edgeagent.store.journal import JournalReader, record_total
from edgeagent.store.verify import journal_folder


@dataclass(frozen=True, slots=True)
class SeriesFilter:
    """Which series are asked for; None takes all. ``since`` counts by the time of measuring, with offset.

    ``judged_harmonics`` takes every harmonic that has a limit, which without it must be asked for by its UPR.
    """

    characteristic: str | None = None
    instrument: str | None = None
    part: str | None = None
    since: datetime | None = None
    judged_harmonics: bool = False

    def takes(self, measurement: Measurement) -> bool:
        """Whether it is a sound measurement that fits, whatever its characteristics are."""
        trace = measurement.trace
        if measurement.quality_failed or self.instrument not in (None, measurement.instrument):
            return False
        if self.part not in (None, trace.of_artefact or trace.of_part[0]):
            return False
        return self.since is None or datetime.fromisoformat(trace.measured_at) >= self.since

    def harmonics(self) -> frozenset[int] | None:
        """The UPR whose amplitudes are to be read from spectra; None for all that have a limit.

        Raises UsageError for harmonics without a UPR.
        """
        if self.judged_harmonics:
            return None
        if self.characteristic is None:
            return frozenset()
        upr = harmonic_of(self.characteristic)
        if upr is None and split_label(self.characteristic)[0] == HARMONICS:
            raise UsageError(
                f"--characteristic {self.characteristic}: say which one, such as {HARMONICS}[37] for 37 UPR"
            )
        return frozenset({upr} if upr is not None else ())


def collect_series(folder: Path, wanted: SeriesFilter) -> tuple[list[Series], int]:
    """All series of a store that fit, each oldest first, and how many archived results could not be read.

    Raises JournalCorruptError where the journal is damaged, UsageError where there is none.
    """
    journal = journal_folder(folder)
    if not journal.is_dir():
        raise UsageError(f"{folder}: there is no journal here")
    archive = Archive(journal.parent / "archive", SealedFiles(journal.parent))
    harmonics = wanted.harmonics()
    by_key: dict[SeriesKey, list[Observation]] = {}
    unread = 0
    walk = JournalReader(journal).walk()
    for record, _ in show_progress(walk, "records", record_total(journal)):
        body = record.body
        if not isinstance(body, Measurement) or not wanted.takes(body):
            continue
        characteristics = archived_values(body, archive.get, harmonics)
        if characteristics is None:
            unread += 1
            continue
        if wanted.characteristic is not None:
            name, instance = split_label(wanted.characteristic)
            characteristics = [c for c in characteristics if belongs(c, name, instance)]
        for one in observations(record.seq, body.trace, body.instrument, characteristics):
            by_key.setdefault(one.key, []).append(one)
    return [Series(key, tuple(values)) for key, values in by_key.items()], unread


def unread_note(count: int) -> str:
    """What to say on stderr of results that the archive could not give."""
    return f"edgeagent: {count} results could not be read from the archive; left out"

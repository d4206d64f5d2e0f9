"""What other limits, another rule or other uncertainties would have made of a store's files and parts.

Files are judged from their archived results where that is possible. That it gives what a full computation gives
is shown each time, on files that are drawn by chance, from those that come out otherwise and from the rest.
"""

from __future__ import annotations

import os
import random
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from pathlib import Path

from edgeagent.codec.configuration.settings import parse_settings
from edgeagent.codec.records.record import Place, Record
from edgeagent.errors import ConfigError, JournalCorruptError
from edgeagent.judging.agreement import Agreement
from edgeagent.judging.asking.parts import PartFlip, PartKey, PartsAsked
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.evaluation.evaluate import Rulebook
from edgeagent.judging.memory import Memory
from edgeagent.judging.rules_now import rules_now
from edgeagent.model import Disposition, InstrumentUncertainty
from edgeagent.model.records import ConfigurationRead, Measurement, PartDisposition, Verification, given
from edgeagent.store.journal import JournalReader, record_total
from edgeagent.store.progress import Progress, no_progress
from edgeagent.store.replaying.executors import Executor, LocalExecutor, in_order
from edgeagent.store.replaying.files import FileTask
from edgeagent.store.replaying.judged import (
    JudgedFile,
    JudgingChunk,
    JudgingTask,
    Question,
    SampledFile,
    check_files,
    judge_files,
)
from edgeagent.store.replaying.outcomes import Difference
from edgeagent.store.replaying.places import StorePlace
from edgeagent.store.replaying.side_rows import BLOCK_RECORDS
from edgeagent.store.verify import journal_folder

# If one file in ten were judged wrongly, thirty would miss all of them in 4 % of runs.
SAMPLE_FILES = 30
# Computed in full: small chunks keep all processes busy to the end.
_SAMPLE_CHUNK = 4
_FAILURES_SHOWN = 20


def question_of(configuration: Configuration) -> Question:
    """Everything that a configuration would judge by."""
    station = configuration.settings.station
    return Question(
        configuration.recipes,
        configuration.settings.decision.policy.text,
        configuration.layouts,
        configuration.certificates,
        (station.plane_offset_mm, station.plane_yaw_deg),
    )


@dataclass(slots=True)
class WhatIfReport:
    """What would have been.

    ``from_results`` of the ``files`` were judged from their archived results, the others computed in full,
    counted by why; ``failed`` could not be judged, the first of them are ``failures``: nothing is said of their
    ``unknown`` parts. ``parts`` counts by what they were and would have been; ``sample`` are the files judged
    both ways. ``kept`` is False where cached results could not be written.
    """

    files: int = 0
    from_results: int = 0
    in_full: Counter[str] = field(default_factory=Counter)
    failed: int = 0
    failures: list[Difference] = field(default_factory=list)
    parts: Counter[tuple[Disposition, Disposition]] = field(default_factory=Counter)
    unknown: int = 0
    flips: list[PartFlip] = field(default_factory=list)
    sample: list[SampledFile] = field(default_factory=list)
    kept: bool = True

    @property
    def unlike(self) -> list[SampledFile]:
        """Files of the sample that come out otherwise when they are computed in full."""
        return [s for s in self.sample if s.agreement > Agreement.OTHER_PROGRAM]

    @property
    def holds(self) -> bool:
        """Whether every file could be judged, and the sample came out the same both ways."""
        return not self.unlike and not self.failed


def what_if(
    store: Path,
    question: Question,
    *,
    whole: Configuration | None = None,
    executor: Executor | None = None,
    progress: Progress = no_progress,
    since: datetime | None = None,
    part: str | None = None,
    sample: int = SAMPLE_FILES,
    side: Path | None = None,
    sealed: Sequence[Path] = (),
) -> WhatIfReport:
    """Ask a question of a store. With ``whole`` the uncertainties are those that this configuration states.

    ``since`` narrows it to parts with a file recorded from then on, which are judged by all of their files;
    ``part`` to a part number or serial. ``sample`` files are judged both ways; ``side`` is the folder of cached
    results. Raises JournalCorruptError for a journal that is not whole.
    """
    executor = executor or LocalExecutor(1)
    place = StorePlace.of(store, sealed)
    reader = JournalReader(journal_folder(store))
    total = record_total(reader.folder)
    # A walk of its own, since a part's earlier files come before the one that brings it into the period.
    parts_since = None if since is None else _parts_since(progress(reader.walk(), "records", total), since)
    records = (record for record, _ in reader.walk())
    asking = _Asking(place, question, whole, None if side is None else os.fspath(side.absolute()))
    chunks = asking.chunks(records, _Wanted(part, parts_since))
    report, parts, drawn = WhatIfReport(), PartsAsked(), _Drawn(sample)
    for record, task, file in progress(_judged(executor, chunks), "records", total):
        body = record.body
        if isinstance(body, PartDisposition):
            parts.disposed(body)
        elif isinstance(body, Measurement) and task is not None and file is not None:
            _take(report, parts, drawn, record.seq, body, task, file)
    report.parts, report.flips = parts.decided()
    report.unknown = parts.unknown_count
    chosen = drawn.tasks()
    work = (
        (None, JudgingChunk(place, question, chosen[at : at + _SAMPLE_CHUNK], asking.side))
        for at in range(0, len(chosen), _SAMPLE_CHUNK)
    )
    for _, checked in in_order(executor, check_files, work):
        report.sample += checked or ()
    return report


def _take(
    report: WhatIfReport, parts: PartsAsked, drawn: _Drawn, seq: int, body: Measurement, task: JudgingTask,
    file: JudgedFile,
) -> None:  # fmt: skip
    report.files += 1
    report.kept = report.kept and file.kept
    if file.now is None:
        report.failed += 1
        if len(report.failures) < _FAILURES_SHOWN:
            report.failures.append(Difference(seq, body.source.name, file.error))
        parts.unknown(body)
        return
    if file.why:
        report.in_full[file.why] += 1
    else:
        report.from_results += 1
        # Only files judged from results: the others are computed in full already.
        drawn.take(task, other=file.now.disposition != body.disposition)
    parts.measured(seq, body, file.now.disposition, file.now.reasons, file.now.required)


@dataclass(frozen=True, slots=True)
class _Wanted:
    """Which parts are asked for: those of a number or serial, and those of ``parts`` alone; None is all."""

    part: str | None
    parts: frozenset[PartKey] | None

    def takes(self, key: PartKey) -> bool:
        """Whether this part is."""
        return (self.part is None or self.part in key) and (self.parts is None or key in self.parts)

    def takes_file(self, body: Measurement) -> bool:
        """Whether this file is of such a part; an artefact is none."""
        return body.trace.of_artefact is None and self.takes(body.trace.of_part)


def _parts_since(walked: Iterable[tuple[Record, Place]], since: datetime) -> frozenset[PartKey]:
    """The parts with a file recorded from then on. What the others amount to, no file of then changed."""
    return frozenset(
        record.body.trace.of_part
        for record, _ in walked
        if isinstance(record.body, Measurement) and datetime.fromisoformat(record.time) >= since
    )


class _Asking:
    """The journal in chunks, one a block, with what stays with this process beside them."""

    def __init__(
        self, place: StorePlace, question: Question, whole: Configuration | None, side: str | None
    ) -> None:
        self._place, self._question, self._whole = place, question, whole
        self.side = side
        self._rules = None if whole is None else Rulebook.of(whole)
        # Only verifications are folded: the last deviations of each instrument are all that is asked of it.
        self._memory = Memory({}, 0, live_s=60.0, latches=True)

    def chunks(
        self, records: Iterable[Record], asked_for: _Wanted
    ) -> Iterator[tuple[list[tuple[Record, JudgingTask | None]], JudgingChunk | None]]:
        """Each block's measurements and dispositions, and the chunk of those files that are asked for."""
        agent: str | None = None
        kept: list[tuple[Record, JudgingTask | None]] = []
        block = 0
        for record in records:
            # At the block's end whatever is in it: a chunk and a file of cached rows belong together.
            if record.seq // BLOCK_RECORDS != block and kept:
                yield kept, self._chunk(kept)
                kept = []
            block = record.seq // BLOCK_RECORDS
            body = record.body
            if isinstance(body, ConfigurationRead):
                agent = self._readable(body.agent_sha256)
            elif isinstance(body, Verification):
                self._verified(record)
            elif isinstance(body, PartDisposition):
                if asked_for.takes((body.part, body.serial)):
                    kept.append((record, None))
            elif isinstance(body, Measurement) and asked_for.takes_file(body):
                task = JudgingTask(FileTask(record.seq, body, agent), self._uncertainty(body))
                kept.append((record, task))
        yield kept, self._chunk(kept)

    def _readable(self, agent_sha256: str) -> str | None:
        """The same digest where this version can read that agent.toml, as a replay takes it."""
        try:
            parse_settings(self._place.archive().get(agent_sha256), "agent.toml")
        except (ConfigError, JournalCorruptError):
            return None
        return agent_sha256

    def _chunk(self, kept: list[tuple[Record, JudgingTask | None]]) -> JudgingChunk | None:
        tasks = tuple(task for _, task in kept if task is not None)
        return JudgingChunk(self._place, self._question, tasks, self.side) if tasks else None

    def _verified(self, record: Record) -> None:
        """From here on the artefact's last deviations are these."""
        if self._rules is not None and self._whole is not None:
            self._memory.apply(record)
            self._rules = rules_now(self._rules, self._memory, self._whole)

    def _uncertainty(self, body: Measurement) -> InstrumentUncertainty | None:
        if self._rules is None:
            return given(body.uncertainty, None)
        return self._rules.uncertainty_of(given(body.trace.instrument, None))


def _judged(
    executor: Executor,
    chunks: Iterable[tuple[list[tuple[Record, JudgingTask | None]], JudgingChunk | None]],
) -> Iterator[tuple[Record, JudgingTask | None, JudgedFile | None]]:
    for kept, judged in in_order(executor, judge_files, chunks):
        files = {file.seq: file for file in judged or ()}
        for record, task in kept:
            yield record, task, files.get(record.seq)


class _Drawn:
    """Files drawn by chance while they go by: up to half of them from those that come out otherwise."""

    def __init__(self, count: int) -> None:
        self._count = count
        # Other files each time: a fixed choice would check the same ones for ever.
        self._random = random.SystemRandom()
        self._seen = {True: 0, False: 0}
        self._held: dict[bool, list[JudgingTask]] = {True: [], False: []}

    def take(self, task: JudgingTask, *, other: bool) -> None:
        """One more file; ``other`` where its disposition is not what it was."""
        self._seen[other] += 1
        # Reservoir sampling: every file has the same chance, however many follow, and only so many are kept.
        held = self._held[other]
        if len(held) < self._count:
            held.append(task)
            return
        at = self._random.randrange(self._seen[other])
        if at < self._count:
            held[at] = task

    def tasks(self) -> tuple[JudgingTask, ...]:
        """The sample, in the journal's order."""
        others, same = self._held[True], self._held[False]
        # What comes out otherwise is what is asked about, and rare: it gets half of the sample, or what the
        # rest leaves.
        half = max(self._count // 2, self._count - len(same))
        chosen = self._random.sample(others, min(half, len(others)))
        chosen += self._random.sample(same, min(self._count - len(chosen), len(same)))
        return tuple(sorted(chosen, key=lambda task: task.file.seq))

"""Files on their way from the folder to the journal: marked, given to workers, and recorded in order.

Files are recorded in the order in which they were taken, as if they were analysed one after another: a
verification before the parts that it covers. Only a file that keeps others waiting too long loses its place.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from typing import Any

from edgeagent.codec.traces.reader import trace_names
from edgeagent.errors import AnalysisStoppedError, InputError, JournalWriteError
from edgeagent.judging import bodies
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.evaluation.evaluate import Rulebook
from edgeagent.judging.evaluation.found_file import FoundFile
from edgeagent.judging.memory import Memory, file_key
from edgeagent.judging.whole_file import is_undecided
from edgeagent.model.records import Measurement, Source, given
from edgeagent.rules.files.attempts import given_up, reason_of
from edgeagent.service.intake import Intake
from edgeagent.service.workers.worker_messages import Job
from edgeagent.service.workers.worker_pool import Analysed, Lost, Returned, WorkerPool
from edgeagent.store.archive import Archive
from edgeagent.store.attempts import Attempts
from edgeagent.store.clock import Clock

PATIENCE_S = 1.0
"""Files behind one whose analysis takes longer than this are recorded before it."""
_SECOND_TRY_S = 10.0
"""A second attempt waits for a quiet moment, but no longer than this."""
_ARCHIVISTS = 4
"""Threads that archive: syncs under way at the same time share the disk's own commits."""
_TAKEN_MAX = 4
"""Files taken in one turn of the loop at the most, so that heartbeat and acknowledgements come in between."""
_ROOM = 4
"""Files on their way for each worker at the most: what is analysed and waits for its turn is in memory."""


@dataclass(slots=True)
class Work:
    """One file on its way. ``outcome`` is None until it can be recorded.

    ``key`` is the file's identity, ``version`` that of the rules it was given to a worker with. ``stored`` are
    done when source, side file and result are in the archive. Times are monotonic.
    """

    number: int
    file: FoundFile
    source: Source
    key: bytes
    taken: float
    outcome: Analysed | InputError | None
    at_worker: bool = False
    version: int = 0
    failed: bool = False
    submitted: float = 0.0
    answered: float = 0.0
    stored: list[Future[list[str]]] = field(default_factory=list)

    def contents(self) -> list[bytes]:
        """What the archive must keep of it."""
        return [self.file.data] if self.file.side is None else [self.file.data, self.file.side]

    def ready(self) -> bool:
        """Whether it can be recorded without waiting for the disk's archive."""
        return self.outcome is not None and all(one.done() for one in self.stored)

    def wait_stored(self) -> bool:
        """Wait for what is being archived; whether that was anything. Raises JournalWriteError."""
        for one in self.stored:
            one.result()
        return bool(self.stored)


@dataclass(slots=True)
class _Rules:
    """The rules that files are given to workers with, and their number, which grows with every change."""

    book: Rulebook | None = None
    configuration: Configuration | None = None
    version: int = 0


class FilesAtWork:
    """Everything between ``Intake.take`` and the record. Used from the service loop only.

    The loop calls ``collect`` and ``submit`` each turn and records what ``recordable`` gives, then calls
    ``recorded``. Raises JournalWriteError when a mark or the archive cannot be written.
    """

    def __init__(
        self,
        intake: Intake,
        pool: WorkerPool,
        attempts: Attempts,
        archive: Archive,
        clock: Clock,
        log: Any,
        wake: Callable[[], None],
    ) -> None:
        self._intake, self._pool, self._attempts = intake, pool, attempts
        self._archive, self._clock, self._log, self._wake = archive, clock, log, wake
        self._works: list[Work] = []
        self._rules = _Rules()
        self._counter = 0
        self._archivist = ThreadPoolExecutor(_ARCHIVISTS, thread_name_prefix="archive")

    def __len__(self) -> int:
        return len(self._works)

    def start(self) -> None:
        """Read the marks that an earlier run left, and start the workers."""
        self._attempts.open()
        self._pool.start()

    def in_hand(self) -> int:
        """Files that workers have, and those that are only not on record yet."""
        return sum(work.at_worker or work.outcome is not None for work in self._works)

    def use(self, rules: Rulebook, configuration: Configuration) -> None:
        """Analyse with these from now on; what was analysed with others and is not recorded is done again."""
        now = self._rules
        if now.configuration is configuration and now.book == rules:
            return
        self._rules = _Rules(rules, configuration, now.version + 1)
        self._pool.configure(rules, configuration)
        for work in self._works:
            # Judged by rules that are no longer in force: nothing was recorded, so that it can be judged again.
            if isinstance(work.outcome, Analysed):
                work.outcome = None

    def collect(self) -> None:
        """Take note of what the workers answered, and of those that were lost."""
        # Answers first: a worker that has just become free is what makes files come back to be given to it.
        for outcome in (*self._pool.outcomes(), *self._pool.give_back()):
            work = self._work_numbered(outcome.number)
            if work is None:
                continue
            # Deferred or recorded meanwhile: its answer is about nothing that waits.
            if isinstance(outcome, Lost | Returned):
                self._without_outcome(work, outcome)
                continue
            work.at_worker = False
            # An answer to older rules is dropped; the file still waits here and is given out once more.
            if work.version == self._rules.version:
                work.outcome, work.answered = outcome, self._clock.monotonic()
                # Only what will be recorded: a quarantine has no result, and a piece of a file is not archived.
                measured = isinstance(outcome.body, Measurement)
                if measured and not is_undecided(work.file, outcome.failed_checks):
                    self._store(work, [outcome.result] if work.stored else [*work.contents(), outcome.result])

        # The worker went on by itself; without the mark a kill from here on would not count against the file.
        for number in self._pool.begun():
            work = self._work_numbered(number)
            if work is not None:
                work.taken = work.submitted = self._clock.monotonic()
                self._attempts.analysing(work.file.folder, work.file.record_name, work.file.look)

    def _work_numbered(self, number: int) -> Work | None:
        return next((work for work in self._works if work.number == number), None)

    def submit(self, memory: Memory) -> bool:
        """Give files to free workers; whether anything was taken. What is known already is finished at once.

        Where none is free, workers get a next file beside the one that they are at, so that they need not wait
        for this loop; if the first one takes long, a worker that is free gets the next one instead.
        """
        taken = self._submit_to_free(memory)
        while taken < _TAKEN_MAX and self._has_room() and self._pool.spare():
            work = self._next_waiting(failed=False)
            file = self._intake.take() if work is None else None
            if file is not None:
                work = self._begin(file, memory)
            elif work is None:
                break
            taken += 1
            # None: its record exists already. An outcome: quarantined unread or given up, for no worker.
            if work is not None and work.outcome is None:
                self._give(work)
        # After giving, so that workers are only added for files that the ones there cannot take.
        if not self._pool.free() and self._intake.waiting_count():
            self._pool.grow()
        return taken > 0

    def _has_room(self) -> bool:
        return len(self._works) < _ROOM * self._pool.size

    def _submit_to_free(self, memory: Memory) -> int:
        taken = 0
        while taken < _TAKEN_MAX and self._pool.free() and self._has_room():
            work = self._next_again()
            file = self._intake.take() if work is None else None
            if file is not None:
                work = self._begin(file, memory)
            elif work is None:
                work = self._next_failed()
                if work is None:
                    break
            taken += 1
            if work is not None and work.outcome is None:
                self._give(work)
        return taken

    def recordable(self) -> Work | None:
        """The next file to be recorded, None when there is none or one before it is not ready.

        Only an analysis that takes long is passed by: who waits for the disk waits with all others.
        """
        now = self._clock.monotonic()
        for work in self._works:
            if work.ready():
                return work
            # It waits for its archive, or is at a worker for a moment: those behind it keep their order.
            if work.outcome is not None or now - work.taken < PATIENCE_S:
                return None
        return None

    def recorded(self, work: Work) -> None:
        """The outcome is durable."""
        # From the list first: the file is finished when no trace of it is left in there.
        self._works.remove(work)
        self._finish(work.file)

    def _of_file(self, file: FoundFile) -> list[Work]:
        """All traces of a file that are still at work."""
        return [w for w in self._works if w.file.folder == file.folder and w.file.name == file.name]

    def deferred(self, work: Work) -> None:
        """Nothing was decided of a file that is not whole yet, nor of the rest of its traces."""
        for one in self._of_file(work.file):
            self._works.remove(one)
            self._attempts.postponed(one.file.folder, one.file.record_name, one.file.look)
        self._intake.defer(work.file)

    def next_deadline(self) -> float:
        """Monotonic time at which something can be done here without a worker's answer."""
        now = self._clock.monotonic()
        # Only those to come: one in the past would make the loop spin until the slow file is done.
        patience = [w.taken + PATIENCE_S for w in self._works if w.taken + PATIENCE_S > now]
        # With no worker to give to, a file that is due is no reason to wake up.
        intake = [self._intake.next_deadline()] if self._pool.free() or self._pool.spare() else []
        return min([self._pool.next_deadline(), *patience, *intake])

    def close(self) -> None:
        """End the workers. What was not recorded is read again at the next start, and not held against it."""
        # Workers first: an attempt that ends with us must not be marked as failed.
        self._pool.close()
        # What is archived and not on record is an orphan, which `verify` lists and the next run uses.
        self._archivist.shutdown(cancel_futures=True)
        with contextlib.suppress(JournalWriteError):  # then the marks stay, and count as interrupted
            for work in self._works:
                self._attempts.postponed(work.file.folder, work.file.record_name, work.file.look)
        self._attempts.close()

    def _begin(self, file: FoundFile, memory: Memory) -> Work | None:
        """A file that was just taken, or the first of its traces; None where all of it is known."""
        book = self._rules.book
        layouts = {} if book is None else {key: layout for key, (layout, _) in book.layouts.items()}
        # Without its bytes nobody can say which traces it holds; it is quarantined under its own name.
        names = (file.name,) if file.problem is not None else trace_names(file.name, file.data, layouts)
        if names != (file.name,):
            self._attempts.postponed(file.folder, file.name, file.look)  # each trace has marks of its own
        traces = [file if name == file.name else replace(file, trace=name) for name in names]
        begun = [work for one in traces if (work := self._begun_trace(one, memory)) is not None]
        if not begun:
            self._log.debug("seen-before", name=file.name)
            self._finish(traces[0])
        # The others wait in the list, from which `_next_waiting` gives them out.
        return begun[0] if begun else None

    def _begun_trace(self, file: FoundFile, memory: Memory) -> Work | None:
        source = bodies.source_of(file)
        key = file_key(file.folder, source.name, source.sha256, given(source.side_sha256, None), file.look)
        # The same bytes under the same name have their record: a second one would be a second measurement.
        if memory.known(key):
            return None
        # A file without traces was asked for its failures before it was read.
        failures = self._attempts.failures(file.folder, file.trace, file.look) if file.trace else ()
        outcome = AnalysisStoppedError(reason_of(failures)) if given_up(failures) else file.problem
        self._counter += 1
        work = Work(self._counter, file, source, key, self._clock.monotonic(), outcome)
        self._works.append(work)
        return work

    def _next_waiting(self, *, failed: bool) -> Work | None:
        """A file that waits for a worker: because the rules changed, or because its first attempt failed."""
        waiting = (w for w in self._works if w.outcome is None and not w.at_worker)
        return next((w for w in waiting if w.failed == failed), None)

    def _next_again(self) -> Work | None:
        """What is due before any new file: other rules, or a second attempt that has waited long enough."""
        work, failed = self._next_waiting(failed=False), self._next_waiting(failed=True)
        if work is None and failed is not None and self._clock.monotonic() - failed.taken > _SECOND_TRY_S:
            return failed
        return work

    def _next_failed(self) -> Work | None:
        """A second attempt where nothing else is to be done.

        It may take its worker again: the last free one stays for a good file that comes meanwhile.
        """
        work = self._next_waiting(failed=True)
        if work is not None and self._pool.size > 1 and self._pool.free() < 2:
            self._pool.grow()
            return None
        return work

    def _give(self, work: Work) -> None:
        """To a worker, marked beforehand; the source goes into the archive meanwhile.

        A file that first waits behind another one is marked when the worker comes to it.
        """
        file = work.file
        mark = self._attempts.analysing if self._pool.free() else self._attempts.postponed
        mark(file.folder, file.record_name, file.look)
        side_bytes = None if file.side is None else len(file.side)
        # The pool fills in the 0: which worker lacks the configuration is known there alone.
        job = Job(work.number, file.record_name, work.source, file.settled_at, 0, len(file.data), side_bytes)
        lost = self._pool.submit(job, file.data, file.side)
        # Before the losses are dealt with: if this very job is among them, it must not stay marked as given.
        work.at_worker, work.version, work.submitted = True, self._rules.version, self._clock.monotonic()
        if not work.stored and file.whole:  # a piece of a file is no source of anything
            self._store(work, work.contents())
        for outcome in lost:
            of = self._work_numbered(outcome.number)
            if of is not None:
                self._without_outcome(of, outcome)

    def _without_outcome(self, work: Work, outcome: Lost | Returned) -> None:
        """A worker's end took the attempt with it, or a file that waited there came back untouched."""
        work.at_worker = False
        if isinstance(outcome, Lost):
            self._take_loss(work, outcome)
        else:
            self._attempts.postponed(work.file.folder, work.file.record_name, work.file.look)

    def _store(self, work: Work, contents: list[bytes]) -> None:
        """Archive beside the analysis and beside other files, so that the loop does not wait for the disk."""
        # Known from reading: the largest content need not be hashed twice.
        digest = work.source.sha256 if contents[0] is work.file.data else None
        future = self._archivist.submit(self._archive.put_all, contents, [digest] if digest else [])
        # The loop may be asleep when the archive is done, and nothing else would wake it for the record.
        future.add_done_callback(lambda _future: self._wake())
        work.stored.append(future)

    def _take_loss(self, work: Work, lost: Lost) -> None:
        """Another attempt behind all others, or none: two failures and the file is given up."""
        file = work.file
        failures = self._attempts.failed(file.folder, file.record_name, file.look, lost.failure)
        self._log.warning(
            "attempt-failed", name=file.record_name, reason=lost.failure.words, attempts=len(failures)
        )
        work.at_worker, work.failed, work.taken = False, True, self._clock.monotonic()
        self._works.remove(work)
        # Behind all others: a file that ends workers must not delay good ones a second time.
        self._works.append(work)
        if given_up(failures):
            work.outcome = AnalysisStoppedError(reason_of(failures))

    def _finish(self, file: FoundFile) -> None:
        """The file is done with when the last of its traces is."""
        self._attempts.done(file.folder, file.record_name)
        # With a trace still at work the folder would hand the whole file out again.
        if not self._of_file(file):
            if file.trace:
                self._attempts.done(file.folder, file.name)
            self._intake.finished(file)

"""From a file's outcome to its records: exactly one outcome, whatever fails."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from msgspec.structs import replace

from edgeagent.codec.records.record import Record
from edgeagent.errors import InputError, JournalError, TraceFormatError
from edgeagent.judging import bodies
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.evaluation.found_file import FoundFile
from edgeagent.judging.memory import Memory
from edgeagent.judging.part_decisions import Entries, artefact_entries, part_entries
from edgeagent.judging.whole_file import is_undecided, should_be_trace
from edgeagent.model.records import Measurement, Quarantine
from edgeagent.service.workers.files_at_work import FilesAtWork, Work
from edgeagent.service.workers.worker_pool import Analysed
from edgeagent.store.archive import Archive
from edgeagent.store.clock import Clock

_RECORDED_MAX = 4
"""Files recorded in one turn of the loop at the most."""


@dataclass(frozen=True, slots=True)
class Standing:
    """What a file is decided against: what is known, the configuration, the number of the last record."""

    memory: Memory
    configuration: Configuration
    seq: int


class Recording:
    """Records what the workers are done with. Used from the service loop only.

    ``standing`` says how things stand now, ``append`` writes records durably, ``tell`` is called with each file
    that was measured, its records and the times of its stages. Raises JournalError.
    """

    def __init__(
        self,
        files: FilesAtWork,
        archive: Archive,
        clock: Clock,
        log: Any,
        *,
        standing: Callable[[], Standing],
        append: Callable[[Entries], list[Record]],
        tell: Callable[[FoundFile, list[Record], tuple[float, ...]], None],
    ) -> None:
        self._files, self._archive, self._clock, self._log = files, archive, clock, log
        self._standing, self._append, self._tell = standing, append, tell

    def record_ready(self) -> bool:
        """Record what is ready, as long as the loop may stay away from all else; whether there was any."""
        count = 0
        while count < _RECORDED_MAX and self.record_next():
            count += 1
        return count > 0

    def record_next(self) -> bool:
        """One file, whatever is in it: a measurement, a quarantine, or nothing new. Whether there was one."""
        work = self._files.recordable()
        if work is None:
            return False
        # Asked again: the same file may have come twice and been recorded while this one was at a worker.
        if self._standing().memory.known(work.key) or self._record(work):
            self._files.recorded(work)
        else:
            self._files.deferred(work)
        return True

    def _record(self, work: Work) -> bool:
        """Exactly one outcome on record, whatever fails; what is on record is never quarantined as well.

        False, with nothing on record, where the file is not whole yet.
        """
        file, outcome = work.file, work.outcome
        try:
            if not isinstance(outcome, Analysed):
                # An InputError of the file goes the way of any other; None is a mistake of ours.
                raise outcome or AssertionError("recorded before its analysis")
            if outcome.mistake:
                # Never undecided: a mistake of ours does not go away by waiting for more of the file.
                self._log.error("internal-error", name=file.record_name, traceback=outcome.mistake)
            elif is_undecided(file, outcome.failed_checks):
                return False
            if isinstance(outcome.body, Quarantine):
                self._quarantine(work, outcome.body)
                return True
            entries, moments = self._prepare(work, outcome, outcome.body)
        except InputError as error:
            self._quarantine(work, bodies.quarantine_body(work.source, error, file.settled_at))
        except JournalError:
            raise
        except Exception as error:  # noqa: BLE001 - a mistake of ours in one file must not stop the next
            self._log.error("internal-error", name=file.record_name, exc_info=True)
            problem = TraceFormatError(f"internal error {type(error).__name__}: {error}"[:500])
            self._quarantine(work, bodies.quarantine_body(work.source, problem, file.settled_at))
        else:
            # Outside the try: what fails behind the record must not quarantine the file as well.
            self._tell(file, self._append(entries), moments)
        return True

    def _prepare(self, work: Work, outcome: Analysed, found: Measurement) -> tuple[Entries, tuple[float, ...]]:
        """The records that go into the journal once everything is archived, and the times so far."""
        file = work.file
        # The archive is durable before the record names its digests: no record may point at nothing.
        work.wait_stored()
        archived = self._clock.monotonic()
        now = self._clock.now().timestamp()
        # Which file it is and when it is decided, the agent knows; all else is the worker's finding.
        body = replace(found, source=work.source, settled_at=file.settled_at, decided_at=now)
        entries: Entries = [body]
        follow = part_entries if body.trace.of_artefact is None else artefact_entries
        standing = self._standing()
        # Part and measurement in one append: one sync, and no moment with one of them alone on record.
        entries += follow(body, standing.seq + 1, standing.memory, standing.configuration, now)
        evaluated = work.submitted + outcome.seconds
        return entries, (file.taken, file.read, work.submitted, evaluated, work.answered, archived)

    def _quarantine(self, work: Work, body: Quarantine) -> None:
        # A piece of a file was not stored beside its analysis; once quarantined it is evidence and must be.
        if len(work.file.data) and not work.wait_stored():
            self._archive.put(work.file.data)
        self._append([replace(body, holds=should_be_trace(work.file, self._standing().configuration))])
        self._log.warning("quarantined", name=work.file.record_name, reason=body.reason[:300])

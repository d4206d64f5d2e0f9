"""How far a long replay came, so that it can go on after an interruption."""

from __future__ import annotations

import contextlib
from pathlib import Path

import msgspec

from edgeagent.codec.records.record import Record
from edgeagent.codec.records.result import encode
from edgeagent.errors import AgentError, UsageError
from edgeagent.store.files import write_synced
from edgeagent.store.journal import JournalReader
from edgeagent.store.replaying.outcomes import ReplayReport
from edgeagent.store.verify import journal_folder

_NOTED_EVERY = 20
"""Files between two notes: each is synced, and what is computed again after an interruption is at most that."""


class _Noted(msgspec.Struct, frozen=True):
    """Up to which record everything agreed, with its hash."""

    seq: int
    head: str


class ReplayMark:
    """The file of ``--resume``; None for none. A file of another journal is wrong usage.

    Only what agreed is noted: what did not is computed and reported again.
    """

    def __init__(self, path: Path | None, store: Path) -> None:
        self._path = path
        self._count = 0
        self._agreed = True
        self.done = 0
        if path is None or not path.exists():
            return
        try:
            noted = msgspec.json.decode(path.read_bytes(), type=_Noted)
        except (OSError, ValueError) as error:
            raise UsageError(f"{path}: not a note of how far a replay came: {error}") from error
        for step, _, _, _ in JournalReader(journal_folder(store)).steps():
            if step.seq == noted.seq:
                # By hash, not by number alone: a restored store has other records under the same numbers.
                if step.hash.decode() == noted.head:
                    self.done = noted.seq
                    return
                break
        raise UsageError(f"{path} is of another journal")

    def note(self, record: Record, report: ReplayReport) -> None:
        """A file was compared; now and then that is written down."""
        self._agreed = self._agreed and not (report.verdict_flips or report.differences)
        self._count += 1
        if self._path is None or not self._agreed or self._count % _NOTED_EVERY:
            return
        try:
            write_synced(self._path, encode(_Noted(record.seq, record.hash)))
        except OSError as error:
            raise AgentError(f"{self._path}: cannot be written: {error.strerror}") from error

    def finish(self) -> None:
        """Everything was compared: the next replay begins anew."""
        if self._path is not None:
            with contextlib.suppress(OSError):
                self._path.unlink(missing_ok=True)

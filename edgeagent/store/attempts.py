"""Marks of the files that are being read or analysed, so that no file can stop the agent twice and for ever.

A mark is written before anything is done with the file, and taken away when its outcome is on record. What is
found at a start was interrupted: by the file itself, as far as anybody knows.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, replace
from pathlib import Path

import msgspec

from edgeagent.errors import JournalWriteError
from edgeagent.rules.files.attempts import Cause, Failure
from edgeagent.rules.files.settling import Look
from edgeagent.store.files import make_folder, write_all

_MARKS_MAX = 200
"""Marks kept at the most: those of files that were taken away are never cleared otherwise."""


@dataclass(frozen=True, slots=True)
class Mark:
    """One file on its way. ``stage`` is what is being done with it, None while it waits for another attempt."""

    folder: str
    name: str
    look: Look
    stage: Cause | None
    failures: tuple[Failure, ...] = ()


_ENDED = {
    Cause.READING: "the agent ended while it read the file",
    Cause.INTERRUPTED: "the agent ended while the file was analysed",
}


class Attempts:
    """The file of marks. Used from the service loop only.

    Written in one call and never synced: the system keeps what a killed process wrote, and after a power cut
    nothing is known against any file. A file that cannot be decoded holds no marks.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._fd = -1
        self._size = 0
        self._marks: dict[tuple[str, str], Mark] = {}

    def open(self) -> None:
        """Read the marks that were left behind and count them as failures. Raises JournalWriteError."""
        try:
            make_folder(self._path.parent)
            # Kept open: every file costs three writes here while its part waits for the lamp.
            self._fd = os.open(self._path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o644)
            # Two hundred marks take less than this; a larger file is none of ours and decodes to no marks.
            found = os.pread(self._fd, 1 << 20, 0)
        except OSError as error:
            raise JournalWriteError(f"{self._path}: {error}") from error
        self._size = len(found)
        try:
            marks = msgspec.json.decode(found.strip() or b"[]", type=list[Mark])
        except (msgspec.DecodeError, UnicodeDecodeError):
            marks = []
        for mark in marks:
            failures = mark.failures
            if mark.stage is not None:
                # A mark with a stage was cut short: by its file, as far as anybody knows, so that it counts
                # against the file.
                failures = (*failures, Failure(mark.stage, _ENDED.get(mark.stage, mark.stage.value)))
            self._marks[mark.folder, mark.name] = replace(mark, stage=None, failures=failures)

    def close(self) -> None:
        """Let go of the file; the marks stay in it."""
        if self._fd >= 0:
            os.close(self._fd)
            self._fd = -1

    def failures(self, folder: str, name: str, look: Look) -> tuple[Failure, ...]:
        """What became of the attempts on a file that looks like this; a changed file is a new one."""
        mark = self._marks.get((folder, name))
        return mark.failures if mark is not None and mark.look == look else ()

    def reading(self, folder: str, name: str, look: Look) -> None:
        """The file is about to be read."""
        self._set(Mark(folder, name, look, Cause.READING, self.failures(folder, name, look)))

    def analysing(self, folder: str, name: str, look: Look) -> None:
        """The file is about to go to a worker."""
        self._set(Mark(folder, name, look, Cause.INTERRUPTED, self.failures(folder, name, look)))

    def failed(self, folder: str, name: str, look: Look, failure: Failure) -> tuple[Failure, ...]:
        """The attempt failed; returns all failures of the file so far."""
        failures = (*self.failures(folder, name, look), failure)
        self._set(Mark(folder, name, look, None, failures))
        return failures

    def postponed(self, folder: str, name: str, look: Look) -> None:
        """Nothing was done with the file after all; failures of earlier attempts stay."""
        failures = self.failures(folder, name, look)
        # A file without a failure needs no mark: the mark was only for the case that the agent would be killed.
        if failures:
            self._set(Mark(folder, name, look, None, failures))
        else:
            self.done(folder, name)

    def done(self, folder: str, name: str) -> None:
        """The file's outcome is on record, or the file is gone."""
        if self._marks.pop((folder, name), None) is not None:
            self._write()

    def _set(self, mark: Mark) -> None:
        key = (mark.folder, mark.name)
        # Taken out first, so that it goes to the end: the oldest marks are at the front, and are dropped first.
        self._marks.pop(key, None)
        self._marks[key] = mark
        while len(self._marks) > _MARKS_MAX:
            del self._marks[next(iter(self._marks))]
        self._write()

    def _write(self) -> None:
        """All marks in one call, with blanks over what stood there before: no moment shows half of them."""
        data = msgspec.json.encode(list(self._marks.values()))
        # Truncating first would leave an empty file for a kill in between; blanks behind JSON mean nothing.
        padded = data.ljust(self._size)
        self._size = len(data)
        try:
            os.lseek(self._fd, 0, os.SEEK_SET)
            write_all(self._fd, padded)
        except OSError as error:
            raise JournalWriteError(f"{self._path}: {error}") from error

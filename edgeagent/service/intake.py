"""All export folders together: hands out complete files one at a time, and says what became of the folders.

The watch only hints; the listing of the folder is the truth. Both, and all reading, happen in threads of the
folders' own (``service.folders``): a folder that hangs stops neither the loop nor another folder. A folder
that cannot be listed is unavailable, never empty.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from typing import Any

from edgeagent.codec.configuration.settings import IntakeSettings
from edgeagent.judging.evaluation.found_file import FoundFile
from edgeagent.rules.files.settling import Look
from edgeagent.service.folders.folder import FinishedFile, Folder
from edgeagent.service.folders.watch import Hint
from edgeagent.store.attempts import Attempts
from edgeagent.store.clock import Clock
from edgeagent.store.known_mounts import KnownMounts

FAULTS = {
    "source-unavailable": ("source", True),
    "source-available": ("source", False),
    "intake-behind": ("unread", True),
    "intake-caught-up": ("unread", False),
}
"""Which reported event begins or ends which fault of a folder."""
_WATCH_WAITS_S = 0.5
"""Seconds between two looks for files that wait too long; unread_s is some seconds."""


def _nobody() -> None:
    """Whom to wake where the caller looks by itself."""


class Intake:
    """Owns the watched folders. Used from the service loop only, and never waits for a folder.

    ``report`` is called with an event name and details when a folder is lost or found again, when a watch is
    rebuilt, and when live files wait too long to be read or no longer do; the caller journals it. ``hint`` is
    called from any thread, and so is ``wake`` when there is something to take or to do. ``attempts`` keeps the
    marks of files that are being read.
    """

    def __init__(
        self,
        settings: IntakeSettings,
        base: Path,
        clock: Clock,
        hint: Callable[[Hint], None],
        report: Callable[[str, dict[str, Any]], None],
        wake: Callable[[], None] = _nobody,
        attempts: Attempts | None = None,
        mounts: KnownMounts | None = None,
    ) -> None:
        self._settings, self._clock, self._report = settings, clock, report
        self._behind: set[str] = set()
        self._next_watch = 0.0
        self._folders = {
            label: Folder(label, base / label, settings, clock, hint, report, wake, attempts, mounts)
            for label in settings.folders
        }

    def remember(self, folder: str, name: str, look: Look, sha256: str | None = None) -> None:
        """Take over, before the first scan, how a finished file looked and what was in it: not read again."""
        # The journal may name a folder that the configuration no longer has.
        if folder in self._folders:
            self._folders[folder].done[name] = FinishedFile(look, sha256)

    def present(self) -> Mapping[str, frozenset[str]]:
        """Names that are in each folder now; an unavailable folder has none. Only before the first scan."""
        return {label: folder.present() for label, folder in self._folders.items()}

    def unavailable(self) -> tuple[str, ...]:
        """Folders that could not be listed at the last scan, or do not answer."""
        # None, before the first listing, is no loss.
        return tuple(label for label, folder in self._folders.items() if folder.available is False)

    def waiting_count(self) -> int:
        """Files that are seen and not handed out yet."""
        return sum(folder.waiting_count for folder in self._folders.values())

    def close(self) -> None:
        """Stop all watches and threads."""
        for folder in self._folders.values():
            folder.close()

    def hinted(self, hints: Iterable[Hint]) -> None:
        """Look soon at the names that the watch mentions."""
        now = self._clock.monotonic()
        for hint in hints:
            folder = self._folders.get(hint.folder)
            if folder is not None:
                folder.hinted(hint, now)
        self._advance(now)

    def scan_if_due(self) -> None:
        """List every folder when its timer says so, and say whether live files wait too long."""
        now = self._clock.monotonic()
        self._advance(now)
        self._watch_waits(now)

    def next_deadline(self) -> float:
        """Monotonic time at which ``take`` or ``scan_if_due`` can have something to do without being woken."""
        return min(folder.next_deadline() for folder in self._folders.values())

    def take(self) -> FoundFile | None:
        """The next complete file, read and checked against its state on disk; None when there is none."""
        self._advance(self._clock.monotonic())
        for folder in self._folders.values():
            found = folder.take()
            if found is not None:
                return found
        return None

    def finished(self, file: FoundFile) -> None:
        """The file's record is in the journal: do not read it again while it looks the same."""
        self._folders[file.folder].finished(file)

    def defer(self, file: FoundFile) -> None:
        """Nothing was decided of a file that may not be whole: it is handed out again when it changed or is."""
        self._folders[file.folder].defer(file)

    def grown(self) -> list[tuple[str, str]]:
        """Files that went on growing, each once: name, and SHA-256 of what was decided."""
        found: list[tuple[str, str]] = []
        for folder in self._folders.values():
            found += folder.grown
            folder.grown.clear()
        return found

    def _advance(self, now: float) -> None:
        for folder in self._folders.values():
            folder.advance(now)

    def _watch_waits(self, now: float) -> None:
        """Report when the oldest live file waits too long: the lamp must not speak for its part."""
        if now < self._next_watch:
            return
        self._next_watch = now + _WATCH_WAITS_S
        limit_s = self._settings.unread_s
        for label, folder in self._folders.items():
            since = folder.unread_since(now)
            # The oldest alone: it is the part for which the lamp has been silent for longest.
            behind = since is not None and now - since > limit_s
            if behind == (label in self._behind):
                continue
            if behind:
                self._behind.add(label)
                count = folder.waiting_count
                reason = f"{label}: a live file is unread for {limit_s:g} s, {count} files wait"
                self._report("intake-behind", {"folder": label, "reason": reason})
            else:
                self._behind.discard(label)
                self._report("intake-caught-up", {"folder": label})

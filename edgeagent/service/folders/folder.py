"""One export folder as the loop knows it: which files wait, which are read next, which are done.

All decisions are made here, in the loop, on what the folder's thread saw. The thread has at most two errands
at a time, so that what matters most now is never behind a long list of what matters less.
"""

from __future__ import annotations

import errno
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

from edgeagent.codec.configuration.settings import IntakeSettings
from edgeagent.errors import AnalysisStoppedError, InputError, SourceUnavailableError, TraceFormatError
from edgeagent.judging.evaluation.found_file import FoundFile
from edgeagent.rules.files.attempts import given_up, reason_of
from edgeagent.rules.files.availability import unavailable_reason
from edgeagent.rules.files.reading_order import IN_ORDER_MAX, ReadingOrder
from edgeagent.rules.files.settling import (
    Look,
    Patience,
    Signs,
    UnsettledFile,
    is_settled,
    matches,
    settles_at,
    take_look,
    take_sign,
    whole,
)
from edgeagent.service.folders import disk
from edgeagent.service.folders.disk import Content, Growth, Listing, MoveFailed, SeenFile
from edgeagent.service.folders.errands import Alive, Errand
from edgeagent.service.folders.handing_out import age_s, hand_out
from edgeagent.service.folders.hands import Hands
from edgeagent.service.folders.watch import Hint
from edgeagent.store.attempts import Attempts
from edgeagent.store.clock import Clock
from edgeagent.store.known_mounts import KnownMounts

Report = Callable[[str, dict[str, Any]], None]

_LOOKS_AT_ONCE = 256
"""Files that one errand looks at: some milliseconds."""
_READY_MAX = 3
"""Files that are read and not handed out: a live one must not wait behind many of them."""
_RESTAT_SLICE = 2000
"""Names of finished files that one scan looks at again; the rest waits for the next scans."""


@dataclass(frozen=True, slots=True)
class FinishedFile:
    """A finished file: how it looked, and the digest of its content where a growth would still be news."""

    look: Look
    sha256: str | None


class Folder:
    """State of one watched folder. ``advance`` is called often; everything else is quick."""

    def __init__(
        self,
        label: str,
        path: Path,
        settings: IntakeSettings,
        clock: Clock,
        hint: Callable[[Hint], None],
        report: Report,
        wake: Callable[[], None],
        attempts: Attempts | None = None,
        mounts: KnownMounts | None = None,
    ) -> None:
        self.label, self.path, self._attempts, self._mounts = label, path, attempts, mounts
        self._settings, self._clock, self._report = settings, clock, report
        self._patience = Patience(settings.settle_s, settings.empty_s, settings.unclosed_s)
        self._patterns = (*settings.ignore, *([settings.marker] if settings.marker else []))
        self._hands = Hands(
            path,
            label,
            hint,
            clock,
            wake,
            native=settings.observer == "native",
            answer_s=settings.answer_s,
        )
        self._waiting: dict[str, UnsettledFile] = {}
        self._order = ReadingOrder()
        self._at_start: set[str] = set()
        self._backlog: set[str] = set()
        self._chores: deque[Errand] = deque()
        self._handed: dict[str, UnsettledFile] = {}
        self._deferred: set[str] = set()
        self._reading: dict[str, UnsettledFile] = {}
        self._retry: dict[str, tuple[float, float]] = {}
        self._signs: dict[str, Signs] = {}
        self._signs_while_read: dict[str, Signs] = {}
        self._seeing: set[str] = set()
        self._to_see: deque[str] = deque()
        self._ready: deque[FoundFile] = deque()
        self._mounted_at = mounts.get(label) if mounts is not None else None
        self._next_scan = 0.0
        self._listing = False
        self._fresh = True
        self._cursor = 0
        self.done: dict[str, FinishedFile] = {}
        self.grown: list[tuple[str, str]] = []
        self.available: bool | None = None

    @property
    def waiting_count(self) -> int:
        """Files that are seen and not handed out yet."""
        return len(self._waiting) + len(self._ready)

    def unread_since(self, now: float) -> float | None:
        """Since when the live file waits to be read that waits longest; None when none does."""
        waits = [self._order.unread_since_s(now)]
        waits += [first for first, _ in self._retry.values()]
        taken = ((name, w) for name, w in self._handed.items() if name not in self._backlog)
        waits += [settles_at(w, self._patience) for _, w in taken]
        return min((w for w in waits if w is not None), default=None)

    def present(self) -> frozenset[str]:
        """Names in the folder now; none where it cannot be listed in time. Only before the first
        ``advance``."""
        return self._hands.names_now()

    def close(self) -> None:
        """Stop the watch and the thread."""
        self._hands.close()

    def hinted(self, hint: Hint, now: float) -> None:
        """Take note of what the watch saw; lost hints bring the next scan forward."""
        # No name: the folder itself, or more hints than were kept. A listing finds out.
        if hint.name is None:
            self._next_scan = min(self._next_scan, now)
            if hint.lost:
                self._distrust(now)
            return
        # Of a lost folder a late hint of the old mount may still come; it is listed when it is back.
        if self.available is False or matches(hint.name, self._patterns):
            return
        name = disk.main_name(hint.name)
        signs = Signs(hint.created, hint.writing, hint.closed, hint.renamed)
        # The newest name is looked at first: it goes to the end, from where names are taken.
        self._signs[name] = self._signs.pop(name, Signs()).then(signs)

    def _distrust(self, now: float) -> None:
        """Hints were lost: a close that did not come says nothing any more, and looks alone decide."""
        self._signs = {name: replace(signs, writing=False) for name, signs in self._signs.items()}
        for name, waiting in self._waiting.items():
            if waiting.writing:
                self._waiting[name] = replace(waiting, writing=False)
                self._schedule(name, now)

    def advance(self, now: float) -> None:
        """Take what the thread brought, and give it the next errands."""
        for result in self._hands.results():
            self._take_result(result, now)
        # After the results: an errand that has just come back is no hang.
        hung = self._hands.hung()
        if hung is not None:
            self._scan_again(now)
            self._note_loss(hung)
        while self._hands.free and (errand := self._next_errand(now)) is not None:
            self._hands.submit(errand)

    def take(self) -> FoundFile | None:
        """The next file that is read."""
        return self._ready.popleft() if self._ready else None

    def next_deadline(self) -> float:
        """Monotonic time at which ``advance`` or ``take`` can have something to do without a result."""
        if self._ready:
            return 0.0
        deadlines = [self._hands.next_deadline(), None if self._listing else self._next_scan]
        if self._has_room() and self._hands.free:
            deadlines.append(self._order.next_due_s())
        known = [d for d in deadlines if d is not None]
        return min(known, default=self._clock.monotonic() + 1.0)

    def finished(self, file: FoundFile) -> None:
        """The file's record is durable: do not read it again while it looks the same."""
        entry = file.entry or file.name
        self._handed.pop(entry, None)
        self._deferred.discard(entry)
        self._at_start.discard(entry)
        self._backlog.discard(entry)
        self.done[entry] = FinishedFile(file.look, file.sha256)
        # What was quarantined stays where a person looks for it.
        if self._settings.move_to is not None and file.problem is None:
            target = self.path.parent / self._settings.move_to
            side = file.side is not None
            move = partial(disk.move_aside, self.path / entry, file.look, target, with_side=side)
            self._chores.append(lambda _alive: move())

    def defer(self, file: FoundFile) -> None:
        """Nothing was decided of a file that may not be whole: read it again when it changed or is."""
        entry = file.entry or file.name
        waiting = self._handed.pop(entry, None)
        # It changed meanwhile and waits already, with its new look.
        if waiting is None or entry in self._waiting:
            return
        self._waiting[entry] = waiting
        self._deferred.add(entry)
        now = self._clock.monotonic()
        # If it closed while it was analysed, there is nothing left to wait for.
        due = now if whole(waiting, now, self._patience) else waiting.since_s + self._patience.unclosed_s
        self._order.put(entry, due, waiting.look.mtime_ns, live=entry not in self._backlog)

    def _has_room(self) -> bool:
        # Bounded by count: each is up to file_mb_max in memory.
        return len(self._ready) + len(self._reading) < _READY_MAX

    def _next_errand(self, now: float) -> Errand | None:
        # Few and short, and a growth that is found late lets an accept stand too long.
        if self._chores:
            return self._chores.popleft()
        # What a hint named just now may have been written before what is due already: looks go first.
        looks_first = len(self._order) <= IN_ORDER_MAX and bool(self._signs or self._seeing)
        if self.available and not looks_first and self._has_room() and (read := self._next_read(now)):
            return read
        # Behind reads: a folder of ten thousand names takes seconds to list, and what is due is known already.
        if now >= self._next_scan and not self._listing:
            self._listing = True
            return self._hands.listing(self._patterns)
        if self.available is not False and self._signs:
            # From the end, where the newest stand: in a burst the part at the line is looked at first.
            signs = dict(self._signs.popitem() for _ in range(min(_LOOKS_AT_ONCE, len(self._signs))))
            # Until the looks are back nobody knows what these were, so that no older file may overtake them.
            self._seeing |= signs.keys()
            return self._look_at(list(signs), signs)
        if self._to_see:
            some = [self._to_see.popleft() for _ in range(min(_LOOKS_AT_ONCE, len(self._to_see)))]
            return self._look_at(some, {})
        return None

    def _look_at(self, names: list[str], signs: Mapping[str, Signs]) -> Errand:
        """Look at files, and bring the ``signs`` back with what was seen after them.

        Several looks may be under way: a close that counted for an earlier one, of a file still empty, would be
        forgotten with the next.
        """
        path, monotonic = self.path, self._clock.monotonic
        return lambda alive: disk.Looks(disk.see_all(path, names, monotonic, alive), signs)

    def _next_read(self, now: float) -> Errand | None:
        while (name := self._order.take(now)) is not None:
            waiting = self._waiting.get(name)
            if waiting is None:
                continue
            # Reading begins with a look: with it, two equal ones.
            if not is_settled(replace(waiting, looks=waiting.looks + 1), now, self._patience):
                # A moment later, or this loop would take the same name from the queue for ever.
                self._schedule(name, now + 0.001)
                continue
            self._reading[name] = waiting
            return self._read(name, waiting, now)
        return None

    def _read(self, name: str, waiting: UnsettledFile, now: float) -> Errand:
        path, look, clock = self.path / name, waiting.look, self._clock
        refused = self._begin(name, look)
        if refused is not None:
            return lambda _alive: (Content(name, look, problem=refused), now, now)
        bytes_max = self._settings.file_mb_max * 1e6
        wait_for_side = now - waiting.since_s < self._settings.locked_s

        def read(alive: Alive) -> tuple[Content, float, float]:
            began = clock.monotonic()
            content = disk.read_file(path, look, bytes_max, wait_for_side=wait_for_side, alive=alive)
            return content, began, clock.monotonic()

        return read

    def _begin(self, name: str, look: Look) -> InputError | None:
        """Mark a file before it is read, which the agent may not survive; the reason where it is given up."""
        if self._attempts is None:
            return None
        failures = self._attempts.failures(self.label, disk.spell_out(name), look)
        # Two attempts ended the agent while it was read: a third would, too.
        if given_up(failures):
            return AnalysisStoppedError(reason_of(failures))
        self._attempts.reading(self.label, disk.spell_out(name), look)
        return None

    def _postpone(self, name: str, look: Look) -> None:
        if self._attempts is not None:
            self._attempts.postponed(self.label, disk.spell_out(name), look)

    def _take_result(self, result: Any, now: float) -> None:
        match result:
            case Listing():
                self._take_listing(result, now)
            case (Content() as content, float() as began, float() as ended):
                self._was_read(content, began, ended, now)
            case disk.Looks(files, signs):
                self._seeing -= signs.keys()
                for seen in files:
                    self._was_seen(seen, signs.get(seen.name), now)
                if not self._to_see:
                    self._fresh = False
            case Growth(name, sha256, grown):
                if grown:
                    self.grown.append((disk.spell_out(name), sha256))
            case MoveFailed(name, reason):
                self._report("move-failed", {"folder": self.label, "name": name, "reason": reason})
            case OSError():
                self._scan_again(now)
                self._note_loss(result.strerror or str(result))

    def _scan_again(self, now: float) -> None:
        interval = self._settings.scan_interval_s
        self._listing = False
        # Without a watch the listing is all there is.
        self._next_scan = now + (interval if self._hands.has_hints else min(interval, 1.0))

    def _take_listing(self, listing: Listing, now: float) -> None:
        self._scan_again(now)
        point = listing.mount.point if listing.mount is not None else None
        marker = self._settings.marker
        missing = marker if marker is not None and marker not in listing.everything else None
        # An empty folder under a lost mount looks like one from which everything was deleted.
        reason = unavailable_reason(self._mounted_at, point, missing)
        if reason is not None:
            self._note_loss(reason)
            return
        # Only now: a folder under a lost mount must not count as the place where it belongs.
        self._mounted_at = point
        if self._mounts is not None and point is not None:
            self._mounts.note(self.label, point)
        if listing.watch_news is not None:
            self._report(listing.watch_news[0], {"folder": self.label, "reason": listing.watch_news[1]})
        if self.available is False:
            self._report("source-available", {"folder": self.label})
            self._fresh = True
        self.available = True
        # Forgotten with the file, or names of ten years would stay; the journal still knows their content.
        for gone in self.done.keys() - listing.everything:
            del self.done[gone]
        for gone in self._waiting.keys() - listing.everything:
            self._drop(gone)
        self._to_see = deque(self._worth_a_look(listing.names))

    def _worth_a_look(self, names: Iterable[str]) -> list[str]:
        """Unfinished names, and a rolling slice of the finished ones: content may change under an old name.

        What waits only for its turn is looked at when it is read.
        """
        found, finished = [], []
        for name in names:
            if name in self.done:
                finished.append(name)
            elif not self._order.is_due(name):
                found.append(name)
        # A slice a scan: a stat of ten thousand files on a share would take minutes each time.
        start = self._cursor if self._cursor < len(finished) else 0
        again = finished[start : start + _RESTAT_SLICE]
        self._cursor = start + len(again)
        return found + again

    def _note_loss(self, reason: str) -> None:
        if self.available is not False:
            # Once for each loss, as it lasts: the lamp shows it meanwhile.
            problem = SourceUnavailableError(f"{self.path}: {reason}")
            self._report("source-unavailable", {"folder": self.label, "reason": str(problem)})
        self.available = False
        for name, waiting in self._reading.items():
            self._postpone(name, waiting.look)
        for by_name in (self._waiting, self._reading, self._retry, self._signs, self._signs_while_read):
            by_name.clear()
        for names in (self._at_start, self._backlog, self._seeing, self._to_see):
            names.clear()
        self._order = ReadingOrder()

    def _was_seen(self, seen: SeenFile, signs: Signs | None, now: float) -> None:
        name, look = seen.name, seen.look
        done = self.done.get(name)
        if look is None:
            self._drop(name)
            return
        if name in self._reading and signs is not None:
            self._signs_while_read[name] = self._signs_while_read.get(name, Signs()).then(signs)
        if self.available is False or name in self._reading or (done is not None and done.look == look):
            return
        handed = self._handed.get(name)
        if handed is not None and handed.look == look:
            self._handed[name] = take_sign(handed, signs or Signs(), regular=seen.regular)
            return
        self._look_for_growth(name, done, look)
        before = self._waiting.get(name)
        waiting = take_look(before, look, seen.at_s)
        if signs is not None:
            waiting = take_sign(waiting, signs, regular=seen.regular)
        # Seen by the first listing and by no watch: it lay there before, whatever its age.
        if before is None and signs is None and self._fresh:
            self._at_start.add(name)
            # Its part has left the line: live files go first.
            if age_s(self._clock, look) >= self._settings.live_s:
                self._backlog.add(name)
        # Written while we watch: live after all.
        elif signs is not None and (signs.closed or signs.renamed):
            self._at_start.discard(name)
            self._backlog.discard(name)
        self._waiting[name] = waiting
        if before is None or before.look != look:
            self._deferred.discard(name)
        # One place in the queue is enough: whoever waits unchanged has one already.
        if before is None or before.look != look or signs is not None:
            self._schedule(name, now)

    def _look_for_growth(self, name: str, done: FinishedFile | None, look: Look) -> None:
        """Find out whether a finished file begins with what was decided: then that was not the whole of it."""
        if done is not None and done.sha256 is not None and look.size > done.look.size:
            # Asked once: whatever the answer is, the look has changed, and the file is read anew.
            self.done[name] = replace(done, sha256=None)
            self._chores.append(partial(disk.begins_with, self.path / name, done.look.size, done.sha256))

    def _schedule(self, name: str, now: float) -> None:
        waiting = self._waiting[name]
        due = max(settles_at(waiting, self._patience), now)
        # Zero trusts the writer's close. Where none was seen, on a share, two equal looks must stand in for it.
        trusting = self._patience.settle_s == 0 and waiting.look.size > 0
        if trusting and not (waiting.writing or waiting.closed or waiting.renamed) and waiting.looks < 2:
            due = max(due, now + min(self._settings.scan_interval_s, 0.5))
        self._order.put(name, due, waiting.look.mtime_ns, live=name not in self._backlog)

    def _forget(self, name: str) -> None:
        self._waiting.pop(name, None)
        self._order.discard(name)
        self._retry.pop(name, None)

    def _drop(self, name: str) -> None:
        """The file is gone."""
        self._forget(name)
        self._deferred.discard(name)
        self._at_start.discard(name)
        self._backlog.discard(name)

    def _was_read(self, content: Content, began: float, ended: float, now: float) -> None:
        """A file was read, unless it moved, is locked, or lacks its side file: then again later."""
        name = content.name
        waiting = self._reading.pop(name, None)
        if (signs := self._signs_while_read.pop(name, None)) is not None:
            self._signs[name] = signs.then(self._signs.pop(name, Signs()))  # looked at again, with them
        if waiting is None or name not in self._waiting or content.moved or content.lacks_side:
            self._postpone(name, content.look)
        if waiting is None or name not in self._waiting:
            return
        if content.moved:
            # Whether somebody writes or it is gone, the next look says.
            # Its quiet time begins anew: what was seen of it was of an earlier content.
            self._waiting[name] = replace(waiting, since_s=now, closed=False, renamed=False, looks=1)
            self._signs[name] = self._signs.pop(name, Signs())
            return
        if content.lacks_side:
            # Not sooner: the side file's own hint brings it forward when it comes.
            due = waiting.since_s + self._settings.locked_s
            self._order.put(name, due, waiting.look.mtime_ns, live=name not in self._backlog)
            return
        if content.failed is not None:
            if self._again_later(name, now, content.failed):
                self._postpone(name, content.look)
                return
            reason = f"cannot be read: {content.failed.strerror}"
            content = replace(content, problem=TraceFormatError(reason, expected="a readable file"))
        # It was read. What ends the agent while it waits for a worker is not its doing.
        self._postpone(name, content.look)
        found = hand_out(
            content,
            waiting,
            (began, ended),
            folder=self.label,
            patience=self._patience,
            clock=self._clock,
            deferred=name in self._deferred,
            at_start=name in self._at_start,
        )
        self._ready.append(found)
        self._handed[name] = waiting
        self._forget(name)

    def _again_later(self, name: str, now: float, error: OSError) -> bool:
        """Whether to retry a file that is locked or forbidden at the moment, with growing pauses."""
        # Gone between look and reading: the next listing says so, too.
        if error.errno in (errno.ENOENT, errno.ENOTDIR):
            self._drop(name)
            return True
        # Instruments that lock their file let go within a second or so; growing, for one that never does.
        first, pause = self._retry.get(name, (now, 0.1))
        if now - first >= self._settings.locked_s:
            return False
        self._retry[name] = first, min(2 * pause, 5.0)
        waiting = self._waiting[name]
        self._order.put(name, now + pause, waiting.look.mtime_ns, live=name not in self._backlog)
        return True

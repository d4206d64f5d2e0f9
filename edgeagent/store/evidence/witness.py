"""A witness's memory on disk and its folder: what it saw is durable before its cosignature leaves it.

Layout of a witness folder, for each log a folder with the log's name: ``checkpoint.json`` (written by the log),
``cosigned/`` (the last note of each witness) and ``refused/`` (what a witness refused, with what it knew).
"""

from __future__ import annotations

import contextlib
import fcntl
import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path

import msgspec

from edgeagent.codec.evidence.notes import NoteError, SignedNote, SigningKey, VerifierKey, read_note
from edgeagent.codec.evidence.witnessing import (
    BYTES_MAX,
    Refusal,
    WitnessDocument,
    WitnessedHead,
    WitnessRefusedError,
    consider,
    cosign_accepted,
    head_to_remember,
    read_document,
)
from edgeagent.codec.records.result import encode
from edgeagent.errors import EvidenceError
from edgeagent.store.evidence.kept import COSIGNED, file_name, notes_in, read_one
from edgeagent.store.files import make_folder, read_at_most, write_synced

DOCUMENT, REFUSED = "checkpoint.json", "refused"
_MEMORY_BYTES_MAX = 16_000_000


@dataclass(frozen=True, slots=True)
class Looked:
    """What a witness did with one document: ``note`` is what it cosigned, ``error`` why it did not."""

    origin: str
    note: SignedNote | None = None
    error: WitnessRefusedError | None = None


class WitnessMemory:
    """What one witness has cosigned, in one file. Owns its lock: two processes must not cosign two histories.

    Raises EvidenceError where the file cannot be read, written or locked: a witness that forgot proves nothing.
    """

    def __init__(self, path: Path, key: SigningKey, logs: Sequence[VerifierKey]) -> None:
        self._path, self._key, self._logs = path, key, tuple(logs)
        self._notes: dict[str, SignedNote] = {}
        try:
            make_folder(path.parent)
            # A file of its own: the memory is exchanged by a rename, and a lock would stay with the old file.
            self._lock = os.open(path.with_name(path.name + ".lock"), os.O_RDWR | os.O_CREAT, 0o600)
            fcntl.flock(self._lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            data = read_at_most(path, _MEMORY_BYTES_MAX) if path.exists() else b"{}"
            self._known = msgspec.json.decode(data, type=dict[str, WitnessedHead])
        except BlockingIOError as error:
            raise EvidenceError(f"{path}: another witness runs with this memory") from error
        except (OSError, ValueError) as error:  # msgspec's errors are ValueErrors
            raise EvidenceError(f"{path}: the witness's memory cannot be used: {error}") from error

    def close(self) -> None:
        """Give up the lock; safe to call twice."""
        if self._lock >= 0:
            os.close(self._lock)
            self._lock = -1

    def look(self, data: bytes, posix_s: int) -> Looked:
        """Consider one document, remember what is to be cosigned, and cosign it."""
        try:
            document = read_document(data)
        except NoteError as error:
            return Looked("", error=_malformed_error(error))
        origin = document.checkpoint.partition("\n")[0]
        try:
            accepted = consider(document, self._logs, self._known)
        except WitnessRefusedError as error:
            return Looked(origin, error=error)
        # The same head again: another cosignature of another time would only make the log's folder change.
        if not accepted.grown and origin in self._notes:
            return Looked(origin, note=self._notes[origin])
        note = cosign_accepted(accepted, self._key, posix_s)
        known = {**self._known, origin: head_to_remember(accepted.head, note)}
        try:
            # Durable before the cosignature is known to anybody: after a power cut it must not cosign another
            # history.
            write_synced(self._path, encode(known), mode=0o600)
        except OSError as error:
            raise EvidenceError(f"{self._path}: {error.strerror}: nothing is cosigned") from error
        self._known = known
        self._notes[origin] = note
        return Looked(origin, note=note)

    def witnessed(self, origin: str) -> SignedNote | None:
        """The last checkpoint of a log that this witness cosigned, with its cosignature."""
        before = self._known.get(origin)
        return read_note(before.note.encode()) if before is not None else None

    def evidence(self, origin: str, document: WitnessDocument) -> bytes:
        """A refused document with what was witnessed before: two signed notes that contradict each other."""
        # Both notes bear signatures of the log's key: together they convict it without a word of the witness.
        before = self._known.get(origin)
        return encode({"refused": document.checkpoint, "witnessed": before.note if before else None})


def _malformed_error(error: NoteError) -> WitnessRefusedError:
    return WitnessRefusedError(Refusal.NOT_OURS, str(error))


class WitnessFolder:
    """A folder that log and witnesses share. Raises OSError."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    def documents(self) -> Iterator[tuple[Path, bytes]]:
        """Each log's folder with its document; what cannot be read now is passed over."""
        # A share may be gone for a while; the log finds no answer then and waits.
        for path in sorted(self._folder.iterdir()) if self._folder.is_dir() else []:
            try:
                yield path, read_at_most(path / DOCUMENT, BYTES_MAX)
            except OSError:
                continue

    @staticmethod
    def answer(log: Path, looked: Looked, witness: str, evidence: bytes = b"") -> None:
        """Put a witness's answer beside the document, where it is not there already."""
        if looked.note is not None:
            path = log / COSIGNED / file_name(witness)
            # It is answered at every look: a share must not be written again and again for nothing.
            if read_one(path) != looked.note:
                make_folder(path.parent)
                write_synced(path, looked.note.whole.encode())
        elif looked.error is not None and looked.error.fork:
            path = log / REFUSED / f"{file_name(witness)}.json"
            if not path.exists():  # the first contradiction stays
                make_folder(path.parent)
                write_synced(path, evidence)

    def exchange(self, origin: str, document: WitnessDocument | None) -> list[SignedNote]:
        """For the log: put its document there, and return what witnesses cosigned so far.

        Where there is a document already, its note comes first: one with more records shows that this
        store is an older copy.
        """
        # All is read before the own document takes the place of one that another copy of the store left there.
        log = self._folder / file_name(origin)
        found: list[SignedNote] = []
        if (log / DOCUMENT).exists():
            # A document that cannot be read tells nothing; the one that follows takes its place.
            with contextlib.suppress(NoteError):
                found += _notes_of(read_document(read_at_most(log / DOCUMENT, BYTES_MAX)))
        if (log / COSIGNED).is_dir():
            found += [n for p in sorted((log / COSIGNED).iterdir()) if (n := read_one(p)) is not None]
        # What a witness refused stands beside what it knows: that is more than an older copy has
        found += notes_in(log / REFUSED) if (log / REFUSED).is_dir() else []
        if document is not None:
            make_folder(log)
            write_synced(log / DOCUMENT, encode(document))
        return found


def _notes_of(document: WitnessDocument) -> list[SignedNote]:
    return [read_note(document.checkpoint.encode())]

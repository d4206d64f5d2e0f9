"""The checkpoints that a store keeps in ``evidence/``: all that were signed, and the last of each witness.

Anybody who may write here can take them away; nobody can make one without the key.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import msgspec

from edgeagent.codec.evidence.notes import NOTE_BYTES_MAX, NoteError, SignedNote, read_note
from edgeagent.store.files import make_folder, read_at_most, write_all, write_synced

FOLDER = "evidence"
LAST, ALL, COSIGNED = "checkpoint", "checkpoints", "cosigned"
_END = "\n---\n"
"""Between notes of one file: no line of a note begins with a hyphen behind its signatures."""
_MEMBERS = ("checkpoint", "refused", "witnessed")
_READ_MAX = 4096
"""Of many checkpoints the newest so many are read: each vouches for all records before it."""


class KeptCheckpoints:
    """Owns ``evidence/`` of a store. Used by one thread at a time. Raises OSError."""

    def __init__(self, store: Path) -> None:
        self.folder = store / FOLDER

    def keep(self, note: SignedNote) -> None:
        """Add a checkpoint, durably, and make it the last one."""
        make_folder(self.folder)
        # Appended, not exchanged: there is one for nearly every part, and all of them would be written anew.
        fd = os.open(self.folder / ALL, os.O_WRONLY | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, 0o644)
        try:
            write_all(fd, (note.whole + _END).encode())
            # Before it becomes the last one: a last checkpoint that is not among all would look like one taken
            # away.
            os.fdatasync(fd)
        finally:
            os.close(fd)
        write_synced(self.folder / LAST, note.whole.encode())

    def keep_cosigned(self, note: SignedNote, witness: str) -> None:
        """Keep a cosigned checkpoint as the last one of this witness."""
        folder = self.folder / COSIGNED
        make_folder(folder)
        write_synced(folder / file_name(witness), note.whole.encode())


def file_name(name: str) -> str:
    """A key's or a log's name as the name of a file."""
    # An origin holds slashes and may come from a foreign document: it must not name a place outside the folder.
    plain = "".join(c if c.isalnum() or c in "-_." else "_" for c in name)
    return plain.lstrip(".")[:200] or "_"


def notes_in(place: Path) -> Iterator[SignedNote]:
    """All notes in a file, or in the files of a folder and below; what is none is passed over."""
    if place.is_dir():
        # Hidden ones are halves of files that are just being written.
        for path in sorted(p for p in place.rglob("*") if p.is_file() and not p.name.startswith(".")):
            yield from notes_in(path)
        return
    try:
        size = place.stat().st_size
        with place.open("rb") as file:
            # A checkpoint takes some 300 bytes, 1 KiB with its cosignatures; memory does not grow with the
            # years.
            file.seek(max(0, size - _READ_MAX * 1024))
            data = file.read()
    except OSError:
        return
    text = data.decode("utf-8", "replace")
    # One more than asked for: the first piece may have lost its beginning to the seek, and is then no note.
    pieces = _members_of(text) if place.suffix == ".json" else text.split(_END)[-_READ_MAX - 1 :]
    for piece in pieces:
        if piece:
            try:
                yield read_note(piece.encode())
            except NoteError:
                continue


def _members_of(text: str) -> list[str]:
    """The notes in a document for witnesses, or in one that a witness refused."""
    try:
        found = msgspec.json.decode(text.encode())
    except (msgspec.MsgspecError, RecursionError):
        return []
    members = [found.get(name) for name in _MEMBERS] if isinstance(found, dict) else []
    return [note for note in members if isinstance(note, str)]


def read_one(path: Path) -> SignedNote | None:
    """The note of a file; None where there is none."""
    try:
        return read_note(read_at_most(path, NOTE_BYTES_MAX))
    except (OSError, NoteError):
        return None

"""Signed approvals: a note of C2SP signed-note beside a recipe or certificate, by somebody who answers for it.

Its text names each file that is approved with its SHA-256: the recipe's own and those with its limits.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from edgeagent.codec.evidence.notes import NoteError, SigningKey, VerifierKey, check_note, read_note, sign_note

SUFFIX = ".note"
"""Behind the name of the approved file."""
_FIRST = "edgeagent approval"


def approval_text(digests: Mapping[str, str]) -> str:
    """What is signed: files by their names, each with its SHA-256. Raises NoteError for names on two lines."""
    if any("\n" in name for name in digests):
        raise NoteError("a file's name has two lines")
    return "".join(f"{line}\n" for line in (_FIRST, *(f"{d} {n}" for n, d in sorted(digests.items()))))


def approve(digests: Mapping[str, str], key: SigningKey) -> bytes:
    """The note by which the holder of a key approves these files."""
    return sign_note(approval_text(digests), key).whole.encode()


def approved_by(data: bytes, digests: Mapping[str, str], keys: Sequence[VerifierKey]) -> str:
    """The name of the key that approved these files as they are. Raises NoteError where none did."""
    note = read_note(data)
    if note.text != approval_text(digests):
        raise NoteError("it approves other files, or other versions of them")
    for key in keys:
        if note.of(key) is not None:
            check_note(note, key)
            return key.name
    raise NoteError("it is signed by nobody who may approve")

"""Checkpoints (C2SP tlog-checkpoint) and their cosignatures (C2SP tlog-cosignature, version 1).

A checkpoint's text has three lines: the log's origin, how many records it has, and base64 of the tree's root.
"""

from __future__ import annotations

import base64
import binascii
from dataclasses import dataclass

from edgeagent.codec.evidence.notes import (
    WITNESS,
    NoteError,
    NoteSignature,
    SignedNote,
    SigningKey,
    VerifierKey,
    check_bytes,
    check_note,
    read_note,
    sign_note,
)

_TIME_MAX = 2**63 - 1


@dataclass(frozen=True, slots=True)
class TreeHead:
    """What a checkpoint says: of which log, how many leaves, and the root's 32 bytes."""

    origin: str
    size: int
    root: bytes

    @property
    def text(self) -> str:
        """The checkpoint's text."""
        return f"{self.origin}\n{self.size}\n{base64.b64encode(self.root).decode()}\n"


def read_tree_head(text: str) -> TreeHead:
    """What a checkpoint's text says; further lines are passed over. Raises NoteError."""
    lines = text.split("\n")
    if len(lines) < 4 or lines[-1] or not all(lines[:-1]):
        raise NoteError("a checkpoint has three lines or more, none of them empty")
    origin, size, root = lines[:3]
    # One way to write a size: with a leading zero two texts would say the same.
    if not (size.isascii() and size.isdigit()) or str(int(size[:20])) != size:
        raise NoteError(f"a checkpoint's size is {size[:40]!r}")
    try:
        data = base64.b64decode(root, validate=True)
    except (binascii.Error, ValueError):
        raise NoteError("a checkpoint's root is not base64") from None
    # Base64 has spare bits in its last character: only the encoder's own form is taken.
    if len(data) != 32 or base64.b64encode(data).decode() != root:
        raise NoteError("a checkpoint's root is not 32 bytes")
    return TreeHead(origin, int(size), data)


def sign_checkpoint(head: TreeHead, key: SigningKey) -> SignedNote:
    """A checkpoint signed by the log's key."""
    return sign_note(head.text, key)


def open_checkpoint(data: bytes, key: VerifierKey) -> tuple[TreeHead, SignedNote]:
    """A checkpoint and its note, the log's signature checked. Raises NoteError."""
    note = read_note(data)
    check_note(note, key)
    return read_tree_head(note.text), note


def cosign(note: SignedNote, key: SigningKey, posix_s: int) -> NoteSignature:
    """A witness's statement: this was the log's largest consistent tree that it had seen by then."""
    if key.type != WITNESS:
        raise NoteError(f"{key.name} is no key of a witness")
    signature = key.sign(_cosigned_bytes(note.text, posix_s))
    # The time stands in front of the signature, which covers it too.
    return NoteSignature(key.name, key.verifier.id, posix_s.to_bytes(8, "big") + signature)


def cosigned_at(note: SignedNote, key: VerifierKey) -> int:
    """When a witness cosigned (POSIX seconds), its signature checked. Raises NoteError."""
    found = note.of(key)
    if key.type != WITNESS or found is None:
        raise NoteError(f"not cosigned by {key.name}+{key.id.hex()}")
    posix_s = int.from_bytes(found.data[:8], "big")
    if len(found.data) != 72 or posix_s > _TIME_MAX:
        raise NoteError(f"the cosignature of {key.name} is malformed")
    check_bytes(key, found.data[8:], _cosigned_bytes(note.text, posix_s))
    return posix_s


def _cosigned_bytes(text: str, posix_s: int) -> bytes:
    return f"cosignature/v1\ntime {posix_s}\n{text}".encode()

"""What a log hands to its witnesses, and what a witness makes of it.

A document is one JSON object: ``checkpoint`` is a signed note, and ``consistency`` has, for sizes at which
witnesses stood, the path that proves that the log only grew since.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import msgspec

from edgeagent.codec.evidence.checkpoints import TreeHead, cosign, open_checkpoint
from edgeagent.codec.evidence.endorsements import followed_keys
from edgeagent.codec.evidence.merkle import ProofError, check_consistency
from edgeagent.codec.evidence.notes import (
    NoteError,
    SignedNote,
    SigningKey,
    VerifierKey,
    read_note,
    with_signatures,
)

BYTES_MAX = 256_000
# As many witnesses may lag at sizes of their own; one path of a million records has 20 nodes of 44 characters.
PATHS_MAX = 16
_ENDORSEMENTS_MAX = 100


class GrowthPath(msgspec.Struct, frozen=True):
    """What proves that the log continues the one that had ``size`` records."""

    size: int
    path: tuple[str, ...]


class WitnessDocument(msgspec.Struct, frozen=True):
    """What a log hands to witnesses. Other members are passed over.

    ``endorsements`` are the notes by which its keys named one another, the first one first.
    """

    checkpoint: str
    consistency: tuple[GrowthPath, ...] = ()
    endorsements: tuple[str, ...] = ()


class WitnessedHead(msgspec.Struct, frozen=True):
    """What a witness remembers of a log: the largest tree that it cosigned, and the note that says so."""

    origin: str
    size: int
    root: str
    note: str

    @property
    def head(self) -> TreeHead:
        """As a checkpoint says it."""
        return TreeHead(self.origin, self.size, bytes.fromhex(self.root))


class Refusal(StrEnum):
    """Why a witness does not cosign."""

    NOT_OURS = "not signed by a key that this witness was given"
    BEHIND = "it has fewer records than were witnessed: an older copy, or the end was cut"
    FORK = "another history of the records that were witnessed"
    NO_PATH = "no path from the records that were witnessed; the log hands it on with its next checkpoint"


class WitnessRefusedError(ValueError):
    """A document that is not cosigned. ``fork`` says that two signed checkpoints contradict each other."""

    def __init__(self, refusal: Refusal, words: str = "") -> None:
        super().__init__(f"{refusal.value}: {words}" if words else refusal.value)
        self.refusal = refusal

    @property
    def fork(self) -> bool:
        """Whether this is evidence against the log."""
        return self.refusal in (Refusal.FORK, Refusal.BEHIND)


@dataclass(frozen=True, slots=True)
class Accepted:
    """A checkpoint that a witness may cosign; ``grown`` says whether it is larger than what it knew."""

    head: TreeHead
    note: SignedNote
    grown: bool


def document_of(
    note: SignedNote, paths: Mapping[int, Iterable[bytes]], endorsements: Sequence[str] = ()
) -> WitnessDocument:
    """The document of a checkpoint, with paths from the sizes at which witnesses stand."""
    coded = (
        GrowthPath(size, tuple(base64.b64encode(node).decode() for node in path))
        for size, path in sorted(paths.items(), reverse=True)
    )
    return WitnessDocument(note.whole, tuple(coded)[:PATHS_MAX], tuple(endorsements))


def read_document(data: bytes) -> WitnessDocument:
    """A document from its bytes. Raises NoteError."""
    if len(data) > BYTES_MAX:
        raise NoteError("larger than a document for witnesses may be")
    try:
        return msgspec.json.decode(data, type=WitnessDocument)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise NoteError(f"no document for witnesses: {error}") from error


def consider(
    document: WitnessDocument, keys: Iterable[VerifierKey], known: Mapping[str, WitnessedHead]
) -> Accepted:
    """Whether a witness that knows ``known`` (by origin) may cosign. Raises WitnessRefusedError.

    The log's first checkpoint that a witness sees is taken as it is; from there on it can only grow.
    """
    head, note = _open(document, keys)
    before = known.get(head.origin)
    if before is None:
        return Accepted(head, note, grown=True)
    if head.size < before.size:
        raise WitnessRefusedError(Refusal.BEHIND, f"{head.size} records after {before.size}")
    if head.size == before.size:
        if head != before.head:
            raise WitnessRefusedError(Refusal.FORK, f"two roots of {head.size} records")
        return Accepted(head, note, grown=False)
    # A tree without records is continued by any other, and needs no path.
    if before.size == 0:
        return Accepted(head, note, grown=True)
    path = next((p.path for p in document.consistency if p.size == before.size), None)
    if path is None:
        raise WitnessRefusedError(Refusal.NO_PATH, f"from {before.size} to {head.size}")
    try:
        nodes = [base64.b64decode(node, validate=True) for node in path]
        check_consistency(before.size, head.size, nodes, before.head.root, head.root)
    except (ProofError, binascii.Error, ValueError) as error:
        words = f"{head.size} records do not continue {before.size}: {error}"
        raise WitnessRefusedError(Refusal.FORK, words) from error
    return Accepted(head, note, grown=True)


def cosign_accepted(accepted: Accepted, key: SigningKey, posix_s: int) -> SignedNote:
    """The checkpoint with the witness's own cosignature."""
    return with_signatures(accepted.note, [cosign(accepted.note, key, posix_s)])


def head_to_remember(head: TreeHead, note: SignedNote) -> WitnessedHead:
    """What a witness must know durably before its cosignature leaves it."""
    return WitnessedHead(head.origin, head.size, head.root.hex(), note.whole)


def _open(document: WitnessDocument, keys: Iterable[VerifierKey]) -> tuple[TreeHead, SignedNote]:
    """The checkpoint, signed for its own origin by one of these keys, or one that they endorse."""
    try:
        note = read_note(document.checkpoint.encode())
        origin = note.text.partition("\n")[0]
        # Bounded: each endorsement costs a signature check against each key.
        for key in followed_keys(tuple(keys), document.endorsements[:_ENDORSEMENTS_MAX]):
            # A key signs for the log of its own name alone.
            if key.name == origin and note.of(key) is not None:
                return open_checkpoint(note.whole.encode(), key)
    except NoteError as error:
        raise WitnessRefusedError(Refusal.NOT_OURS, str(error)) from error
    raise WitnessRefusedError(Refusal.NOT_OURS, origin[:100])

"""The proof of one part: one small file that anybody checks with the log's public key alone, offline.

It is one JSON object. ``checkpoint`` is a signed note with what cosignatures there are. Of each of ``records``,
``line`` is the journal's line as it stands (without its line feed), ``index`` its leaf (from 0) and ``path``
the hashes in base64 that lead from it to the checkpoint's root.
"""

from __future__ import annotations

import base64
import binascii
from collections.abc import Sequence
from dataclasses import dataclass

import msgspec

from edgeagent.codec.evidence.checkpoints import TreeHead, cosigned_at, open_checkpoint
from edgeagent.codec.evidence.endorsements import followed_keys
from edgeagent.codec.evidence.merkle import ProofError, check_inclusion, leaf_hash
from edgeagent.codec.evidence.notes import NoteError, VerifierKey, read_note
from edgeagent.codec.records.record import Record, RecordError, decode_record, repeated_members

FORM = "edgeagent.proof/1"
BYTES_MAX = 4_000_000
# As many levels as a tree of 2^63 leaves has.
_PATH_MAX = 63


class ProvedLine(msgspec.Struct, frozen=True):
    """One record with its path."""

    index: int
    line: str
    path: tuple[str, ...]


class ProofFile(msgspec.Struct, frozen=True, kw_only=True):
    """The whole file; ``part`` and ``serial`` say what it was asked for and prove nothing.

    ``endorsements`` are the notes by which the log's keys named one another, where they were exchanged.
    """

    proof: str
    part: str
    serial: str
    checkpoint: str
    records: tuple[ProvedLine, ...]
    endorsements: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Proved:
    """What a proof shows: these records are among the first ``head.size`` that the key signed.

    ``witnessed`` has the name of each witness whose key was given and whose cosignature is right, with POSIX s.
    """

    head: TreeHead
    records: tuple[Record, ...]
    witnessed: tuple[tuple[str, int], ...]


def proved_line(index: int, line: bytes, path: Sequence[bytes]) -> ProvedLine:
    """A record's line with its path."""
    return ProvedLine(index, line.decode(), tuple(base64.b64encode(node).decode() for node in path))


def check_proof(data: bytes, key: VerifierKey, witnesses: Sequence[VerifierKey] = ()) -> Proved:
    """Check a proof from its bytes, by ``key`` or one that it endorsed. Raises ProofError saying what is wrong.

    A given witness that did not cosign is missing from ``witnessed``; a wrong cosignature is an error.
    """
    if len(data) > BYTES_MAX:
        raise ProofError("larger than a proof may be")
    try:
        proof = msgspec.json.decode(data, type=ProofFile)
    except (msgspec.MsgspecError, UnicodeDecodeError, RecursionError) as error:
        raise ProofError(f"not a proof: {error}") from error
    if proof.proof != FORM:
        raise ProofError(f"a proof of form {proof.proof[:40]!r}, not {FORM}")
    if not proof.records:
        raise ProofError("it proves no record")
    try:
        signed = read_note(proof.checkpoint.encode())
        known = [k for k in followed_keys([key], proof.endorsements) if signed.of(k) is not None]
        # The newest key that claims it; without one the given key says in its error what is missing.
        head, note = open_checkpoint(proof.checkpoint.encode(), known[-1] if known else key)
        witnessed = tuple((w.name, cosigned_at(note, w)) for w in witnesses if note.of(w) is not None)
    except NoteError as error:
        raise ProofError(f"the checkpoint: {error}") from error
    return Proved(head, tuple(_checked(one, head) for one in proof.records), witnessed)


def _checked(one: ProvedLine, head: TreeHead) -> Record:
    try:
        record = decode_record(one.line.encode())
        if repeated_members(record.raw):
            raise RecordError("it says a member twice: readers differ in which of them counts")
        path = [base64.b64decode(node, validate=True) for node in one.path]
    except (RecordError, binascii.Error, ValueError) as error:
        raise ProofError(f"record of leaf {one.index}: {error}") from error
    # Record 1 is leaf 0: a record shown at another leaf's place would prove another one.
    if record.seq != one.index + 1:
        raise ProofError(f"record {record.seq} is said to be leaf {one.index}")
    if len(path) > _PATH_MAX or any(len(node) != 32 for node in path):
        raise ProofError(f"record {record.seq}: the path is malformed")
    try:
        check_inclusion(leaf_hash(bytes.fromhex(record.hash)), one.index, head.size, path, head.root)
    except ProofError as error:
        raise ProofError(f"record {record.seq}: {error}") from error
    return record

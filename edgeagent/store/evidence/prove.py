"""The proof of one part out of a store: its records, their paths, and the checkpoint that they lead to."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from edgeagent.codec.evidence.checkpoints import TreeHead, read_tree_head
from edgeagent.codec.evidence.merkle import Tree
from edgeagent.codec.evidence.notes import NoteError, SignedNote
from edgeagent.codec.evidence.proofs import FORM, ProofFile, proved_line
from edgeagent.codec.records.record import Record, decode_record
from edgeagent.codec.records.result import encode
from edgeagent.errors import EvidenceError
from edgeagent.model.records import Measurement, PartDisposition, Start, given
from edgeagent.store.evidence.kept import FOLDER, notes_in
from edgeagent.store.journal import JournalReader
from edgeagent.store.verify import journal_folder


def prove_part(folder: Path, serial: str, part: str | None = None, checkpoints: Sequence[Path] = ()) -> bytes:
    """The proof of everything on record about a part: measurements, dispositions, and who acknowledged them.

    The checkpoint is the one with the most cosignatures that covers all of it, of several the newest. Raises
    EvidenceError where there is no such part or no such checkpoint, JournalCorruptError.
    """
    journal = journal_folder(folder)
    # 32 bytes a record, 32 MB of a million: paths need any leaf below the checkpoint.
    leaves, lines = bytearray(), list[tuple[int, bytes]]()
    tree = Tree(lambda begin, end: bytes(leaves[32 * begin : 32 * end]))
    taken, parts, endorsements = set[int](), set[str](), list[str]()
    # As the journal's own encoder writes it, so that escapes agree; a hit elsewhere in the line is decoded and
    # dropped.
    needle = encode(serial)
    for step, line, _, _ in JournalReader(journal).steps():
        leaf = bytes.fromhex(step.hash.decode())
        leaves += leaf
        tree.append(leaf)
        # An acknowledgement may name its record by number alone, and a start may endorse the key that signs.
        wanted = needle in line or step.kind in ("acknowledgement", "start")
        record = decode_record(line[:-1]) if wanted else None
        if record is not None and isinstance(record.body, Start) and record.body.endorsement:
            endorsements.append(record.body.endorsement)
        of = _part_of(record, taken) if record is not None else None
        # Without a serial only what acknowledges a record already taken: `_part_of` has looked.
        if record is None or of is None or (of[1] and (of[1] != serial or part not in (None, of[0]))):
            continue
        taken.add(record.seq)
        # More than one is an error below: two parts may bear the same serial.
        parts |= {of[0]} if of[0] else set()
        lines.append((record.seq - 1, line[:-1]))
    if not lines:
        raise EvidenceError(f"nothing is on record about serial {serial}" + (f" of {part}" if part else ""))
    if len(parts) > 1:
        raise EvidenceError(
            f"serial {serial} is on record for {', '.join(sorted(parts))}: say which with --part"
        )
    head, note = _covering(tree, lines[-1][0] + 1, [journal.parent / FOLDER, *checkpoints])
    proved = tuple(proved_line(i, line, tree.inclusion_path(i, head.size)) for i, line in lines)
    (name,) = parts or {part or ""}
    return encode(
        ProofFile(
            proof=FORM,
            part=name,
            serial=serial,
            checkpoint=note.whole,
            records=proved,
            endorsements=tuple(endorsements),
        )
    )


def _part_of(record: Record, taken: set[int]) -> tuple[str, str] | None:
    """Part and serial that a record is about; both empty for an acknowledgement of a record that counts."""
    body = record.body
    if isinstance(body, Measurement):
        return body.trace.of_part if body.trace.of_artefact is None else None
    if isinstance(body, PartDisposition):
        return body.part, body.serial
    if record.kind == "acknowledgement":
        seq = getattr(body, "seq", 0)
        named = given(getattr(body, "part", ""), ""), given(getattr(body, "serial", ""), "")
        return (str(named[0]), str(named[1])) if named[1] else ("", "") if seq in taken else None
    return None


def _covering(tree: Tree, records: int, places: Sequence[Path]) -> tuple[TreeHead, SignedNote]:
    """The best checkpoint that the journal still bears out. Its signatures are for the reader to check."""
    best: tuple[tuple[int, int], TreeHead, SignedNote] | None = None
    for place in places:
        for note in notes_in(place):
            try:
                head = read_tree_head(note.text)
            except NoteError:
                continue
            # Cosignatures first: a witness proves more than a newer checkpoint that the station alone signed.
            rank = len(note.signatures), head.size
            right = records <= head.size <= tree.size and (best is None or rank > best[0])
            # A checkpoint of a journal that was cut and written anew would lead to a proof that nobody can
            # check.
            if right and tree.root(head.size) == head.root:
                best = rank, head, note
    if best is None:
        raise EvidenceError(
            f"no checkpoint covers record {records} yet: "
            "the agent signs one soon after each decision, and when it stops"
        )
    return best[1], best[2]

"""The hash tree of a journal on disk, grown with it, and kept between starts so that none reads all of it.

The kept file may be deleted at any time: the tree then grows from the first record. It is believed only where
its root is one that our own key signed, and the journal goes on from there.
"""

from __future__ import annotations

import time
from pathlib import Path

import msgspec

from edgeagent.codec.evidence.checkpoints import open_checkpoint
from edgeagent.codec.evidence.merkle import BLOCK, Tree
from edgeagent.codec.evidence.notes import SignedNote, VerifierKey
from edgeagent.codec.records.record import GENESIS, Place, Record
from edgeagent.errors import JournalCorruptError
from edgeagent.store.files import make_folder, write_synced
from edgeagent.store.journal import JournalReader

# Bounds what is in memory at a time, and how long this thread computes without a pause.
_STEP = 4 * BLOCK
_REST_S = 0.05
"""After so many records of a long journal, whoever shares the processor with this thread gets it."""


class _KeptTree(msgspec.Struct, frozen=True):
    """``places`` are where each full block begins (segment and offset), and where the tree ends."""

    note: str
    head: str
    levels: list[list[bytes]]
    leaves: list[bytes]
    places: list[tuple[str, int]]
    end: tuple[str, int]


class JournalTree:
    """Used by one thread at a time. Raises JournalCorruptError where the journal cannot be read on."""

    def __init__(self, journal: Path, kept: Path) -> None:
        self._reader, self._path = JournalReader(journal), kept
        self._begin_anew()

    def _begin_anew(self) -> None:
        self._places: list[Place | None] = [None]
        self._end: Place | None = None
        self.tree = Tree(self._read_leaves)
        self.head = GENESIS

    @property
    def size(self) -> int:
        """Records in the tree."""
        return self.tree.size

    def open(self, key: VerifierKey) -> None:
        """Take up the kept tree where it still fits, and grow to the journal's end."""
        try:
            kept = msgspec.msgpack.decode(self._path.read_bytes(), type=_KeptTree)
            self._places = [None, *(Place(*place) for place in kept.places)]
            self._end, self.head = Place(*kept.end), kept.head
            self.tree = Tree.kept(self._read_leaves, kept.levels, kept.leaves)
            signed, _ = open_checkpoint(kept.note.encode(), key)
            # Unsigned, the kept file would let whoever may write here have the agent sign a history of his own.
            right = (signed.size, signed.root) == (self.size, self.tree.root())
            # The places are in no root: of them only so many as blocks are checked, and the last record is
            # looked at below.
            fits = right and len(self._places) == self.size // BLOCK + 1 and self._fits()
        except (OSError, ValueError, JournalCorruptError):  # errors of msgspec and notes are ValueErrors
            fits = False
        # Also what was taken over before something failed: half a tree must not grow.
        if not fits:
            self._begin_anew()
        self.grow()

    def _fits(self) -> bool:
        """Whether the record before the end is still there, with the hash that the tree ends in."""
        if not self.size:
            return False
        return self.record_hash(self.size).hex() == self.head

    def grow(self) -> None:
        """Add what was written since."""
        while found := self._reader.read_from(self._end, _STEP):
            for record, place in found:
                self._add(record, place)
            # The journal's end as it was then; what is written since comes with the next call.
            if len(found) < _STEP:
                return
            time.sleep(_REST_S)

    def _add(self, record: Record, place: Place) -> None:
        # `read_from` checks each record alone, not the chain: nothing may be signed that does not follow.
        if record.seq != self.size + 1 or record.prev != self.head:
            raise JournalCorruptError(place.segment, 0, f"record {record.seq} does not continue the hash tree")
        self.tree.append(bytes.fromhex(record.hash))
        self._end, self.head = place, record.hash
        if self.size % BLOCK == 0:
            self._places.append(place)

    def save(self, note: SignedNote) -> None:
        """Keep the tree for the next start, with the checkpoint of just this size. Raises OSError."""
        if self._end is None:
            return
        levels, leaves = self.tree.parts()
        places = [(p.segment, p.offset) for p in self._places if p is not None]
        kept = _KeptTree(note.whole, self.head, levels, leaves, places, (self._end.segment, self._end.offset))
        make_folder(self._path.parent)
        write_synced(self._path, msgspec.msgpack.encode(kept))

    def record_hash(self, seq: int) -> bytes:
        """The hash of a record, read from the journal."""
        return self._read_leaves(seq - 1, seq)

    def _read_leaves(self, begin: int, end: int) -> bytes:
        block = begin // BLOCK
        # Only beginnings of blocks are known, so that a leaf costs a block of records at the most.
        found = self._reader.read_from(self._places[block], end - block * BLOCK)
        hashes = [bytes.fromhex(record.hash) for record, _ in found]
        return b"".join(hashes[begin - block * BLOCK :])

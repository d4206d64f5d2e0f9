"""Rows that judging needs, kept beside the store so that archived results are decoded once.

A file holds the rows of the records of one block, each with the digest of the archived result that it was made
from: a row counts only for a record that names this very result. Nothing else stands on these files. They may
be deleted at any time; one that is damaged, or of another version, is made anew.
"""

from __future__ import annotations

import os
import zlib
from collections.abc import Mapping
from pathlib import Path

import msgspec

from edgeagent.codec.records.judged_from import JudgingRow, row_of
from edgeagent.errors import JournalCorruptError
from edgeagent.store.archive import Archive

BLOCK_RECORDS = 256
"""Records of a journal whose rows share a file, some 3 MB."""
_MAGIC = b"edgeagent rows 1\n"
# CRC-32: it tells damage from chance; who may write here could as well change the store's other caches.
_SUM_BYTES = 4


class SideBlock(msgspec.Struct, frozen=True):
    """Rows of one block, and the results without what a row needs, by record and digest."""

    rows: tuple[JudgingRow, ...] = ()
    older: tuple[tuple[int, str], ...] = ()


_DECODER = msgspec.msgpack.Decoder(SideBlock)


class SideRows:
    """The cached results of a store in ``folder``, None to keep none. ``kept``: they can be written."""

    def __init__(self, folder: Path | None, archive: Archive) -> None:
        self._folder = folder
        self._archive = archive
        self.kept = folder is not None

    def rows(self, wanted: Mapping[int, str]) -> dict[int, JudgingRow | str | None]:
        """The row of each result, by its record's number; all records are of one block.

        None for a result from before rows; a text where the archive does not have it, or not as its name says.
        """
        # By the smallest number: all of them are of one block, which names its file.
        path = None if self._folder is None else self._folder / f"{min(wanted) // BLOCK_RECORDS:08d}.rows"
        block = SideBlock() if path is None else _read(path)
        found: dict[int, JudgingRow | str | None] = {
            row.seq: row for row in block.rows if wanted.get(row.seq) == row.result_sha256
        }
        found.update({seq: None for seq, digest in block.older if wanted.get(seq) == digest})
        # By record and digest: a store that went on with other records under the same numbers is not answered
        # by these.
        lacking = {seq: digest for seq, digest in wanted.items() if seq not in found}
        if lacking:
            found.update(self.made(lacking))
            if path is not None and self.kept:
                self.kept = _write(path, _merged(block, found, wanted))
        return found

    def made(self, wanted: Mapping[int, str]) -> dict[int, JudgingRow | str | None]:
        """The same from the archived results themselves."""
        found: dict[int, JudgingRow | str | None] = {}
        for seq, digest in wanted.items():
            try:
                found[seq] = row_of(seq, digest, self._archive.get(digest))
            except (JournalCorruptError, ValueError) as error:
                found[seq] = str(error)
        return found


def _merged(
    block: SideBlock, found: Mapping[int, JudgingRow | str | None], wanted: Mapping[int, str]
) -> SideBlock:
    # What other questions asked for stays in the file: `--part` and `--since` read a block in pieces.
    rows = {row.seq: row for row in block.rows if row.seq not in found}
    rows.update({seq: row for seq, row in found.items() if isinstance(row, JudgingRow)})
    older = dict(block.older) | {seq: wanted[seq] for seq, row in found.items() if row is None}
    return SideBlock(tuple(rows[seq] for seq in sorted(rows)), tuple(sorted(older.items())))


def _read(path: Path) -> SideBlock:
    try:
        data = path.read_bytes()
    except OSError:
        return SideBlock()
    start = len(_MAGIC) + _SUM_BYTES
    payload = memoryview(data)[start:]
    if data[: len(_MAGIC)] != _MAGIC or data[len(_MAGIC) : start] != _sum_of(payload):
        return SideBlock()
    try:
        return _DECODER.decode(payload)
    except msgspec.MsgspecError:
        return SideBlock()


def _write(path: Path, block: SideBlock) -> bool:
    """Whether it could be written. Not synced: what a crash leaves is made anew."""
    payload = msgspec.msgpack.encode(block)
    # Two processes may write the same block: each under a name of its own, and either result is right.
    waiting = path.with_suffix(f".{os.getpid()}.tmp")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        waiting.write_bytes(_MAGIC + _sum_of(payload) + payload)
        waiting.replace(path)
    except OSError:
        return False
    return True


def _sum_of(payload: bytes | memoryview) -> bytes:
    return zlib.crc32(payload).to_bytes(_SUM_BYTES, "big")

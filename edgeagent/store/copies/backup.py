"""A consistent copy of a store, also of one that is being written: a prefix of the journal, and all it names.

What a record names is durable before the record is: whoever takes the journal first finds everything it names.
The private key is not copied; neither is what the agent rebuilds by itself.
"""

from __future__ import annotations

import shutil
from dataclasses import dataclass
from pathlib import Path

from edgeagent.errors import EvidenceError
from edgeagent.judging.replaying.references import references
from edgeagent.model.records import ConfigurationRead
from edgeagent.store.archive import Archive
from edgeagent.store.copies.sealed import FOLDER as SEALED
from edgeagent.store.copies.sealed import SealedFiles, kept_files
from edgeagent.store.evidence.kept import FOLDER as EVIDENCE
from edgeagent.store.files import make_folder, sync_folder, sync_tree, write_synced
from edgeagent.store.journal import JournalReader, last_record
from edgeagent.store.progress import Progress, no_progress
from edgeagent.store.verify import Whole, verify_journal

_ALSO = (EVIDENCE, SEALED, "quarantine")


@dataclass(frozen=True, slots=True)
class Copied:
    """What was copied: the journal as far as it went then, and contents, of which ``fresh`` were new."""

    whole: Whole
    contents: int
    fresh: int


def back_up(store: Path, out: Path, progress: Progress = no_progress) -> Copied:
    """Copy a store to the folder ``out``, where an earlier backup of the same store may lie; checked when done.

    Raises EvidenceError where the copy would not be whole, JournalCorruptError, OSError.
    """
    journal, copy = store / "journal", out / "journal"
    if copy.is_dir():
        # Before anything is written: a copy of another cell's store must not become a mixture of both.
        _refuse_another(journal, copy)
    make_folder(copy)
    for name in _ALSO:  # before the journal: a checkpoint must not cover records that are not copied yet
        if (store / name).is_dir():
            shutil.copytree(store / name, out / name, dirs_exist_ok=True, ignore=_no_temporaries)
            sync_tree(out / name)
    # Then the journal, and its contents last: a record is written only after all that it names is durable.
    ends = _copy_journal(journal, copy)
    archive, target, sealed = Archive(store / "archive"), Archive(out / "archive"), SealedFiles(store)
    # Asked of the copy, not remembered: a backup that was cut off goes on from what it has.
    there, named = {digest for digest, _ in target.objects()}, set[str]()
    fresh: list[str] = []
    for record, _ in progress(JournalReader(copy).walk(), "records", ends):
        digests = [digest for _, digest in references(record.body)]
        if isinstance(record.body, ConfigurationRead):
            digests += kept_files(archive, record.body)
        for digest in digests:
            if digest in named:
                continue
            named.add(digest)
            if digest in there or (sealed.knows(digest) and not archive.has(digest)):
                continue
            # Checked against its name on the way: a damaged content must not take the place of a good one in
            # older copies.
            target.put(archive.get(digest))
            fresh.append(digest)
    # Read back from the copy, with the checkpoints beside it: what cannot be verified later is no backup.
    whole = verify_journal(out, progress=progress)
    if whole.records != ends:
        raise EvidenceError(f"{out}: {ends} records were copied, {whole.records} are there")
    sync_folder(out)
    return Copied(whole, len(named), len(fresh))


def _copy_journal(journal: Path, copy: Path) -> int:
    """Copy whole lines only, each segment as it is now; returns the number of records."""
    count = 0
    paths = JournalReader(journal).segments()
    for path in paths:
        data = path.read_bytes()
        # The last line may be half written at this moment; the next backup has it.
        data = data[: data.rfind(b"\n") + 1]
        count += data.count(b"\n")
        target = copy / path.name
        # By size alone: segments only grow, and a changed one is found by the chain when the copy is verified.
        if not target.exists() or target.stat().st_size != len(data):
            write_synced(target, data)
    return count


def _refuse_another(journal: Path, copy: Path) -> None:
    """A backup is continued by the same journal alone: what it holds must be where the journal still has it."""
    # Its own hash is enough here: the chain before it is verified when the copy is done.
    last = last_record(copy)
    if last is None:
        return
    for step, _, _, _ in JournalReader(journal).steps():
        if step.seq == last.seq:
            if step.hash.decode() == last.hash:
                return
            break
    raise EvidenceError(f"{copy.parent} holds another journal, or more of this one: it is left as it is")


def _no_temporaries(_folder: str, names: list[str]) -> list[str]:
    return [name for name in names if name.startswith(".") or name.endswith(".tmp")]

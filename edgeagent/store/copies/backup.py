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
from edgeagent.store.files import make_folder, sync_folder, write_synced
from edgeagent.store.journal import JournalReader
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
        _refuse_another(journal, copy)
    make_folder(copy)
    for name in _ALSO:  # before the journal: a checkpoint must not cover records that are not copied yet
        if (store / name).is_dir():
            shutil.copytree(store / name, out / name, dirs_exist_ok=True, ignore=_no_temporaries)
    ends = _copy_journal(journal, copy)
    archive, target, sealed = Archive(store / "archive"), Archive(out / "archive"), SealedFiles(store)
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
            if digest in there or (sealed.knows(digest) and not archive.path_of(digest).exists()):
                continue
            target.put(archive.get(digest))
            fresh.append(digest)
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
        data = data[: data.rfind(b"\n") + 1]
        count += data.count(b"\n")
        target = copy / path.name
        if not target.exists() or target.stat().st_size != len(data):
            write_synced(target, data)
    return count


def _refuse_another(journal: Path, copy: Path) -> None:
    """A backup is continued by the same journal alone: what it holds must be where the journal still has it."""
    reader = JournalReader(copy)
    steps = [step for step, _, _, _ in reader.steps()][-1:]
    if not steps:
        return
    (last,) = steps
    for step, _, _, _ in JournalReader(journal).steps():
        if step.seq == last.seq:
            if step.hash == last.hash:
                return
            break
    raise EvidenceError(f"{copy.parent} holds another journal, or more of this one: it is left as it is")


def _no_temporaries(_folder: str, names: list[str]) -> list[str]:
    return [name for name in names if name.startswith(".") or name.endswith(".tmp")]

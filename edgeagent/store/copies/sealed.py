"""Closed segments with their contents in one file that may be moved to cold storage, with a root of its own.

A sealed file is a ZIP archive that compresses nothing: ``manifest.json``, the segments below ``journal/``, and
the contents below ``archive/`` as the archive holds them. The manifest's ``root`` is that of the hash tree (RFC
9162) over the SHA-256 of each member behind it, in order. A copy of the manifest stays in ``sealed/`` of the
store, and so do the segments: the journal stays whole without its sealed files, only curves and replays need
them.
"""

from __future__ import annotations

import contextlib
import hashlib
import os
import zipfile
from collections.abc import Callable, Collection, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path

import msgspec

from edgeagent.codec.evidence.merkle import Frontier
from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.record import GENESIS, RecordError, decode_record
from edgeagent.codec.records.result import encode
from edgeagent.errors import ConfigError, EvidenceError, JournalCorruptError
from edgeagent.judging.replaying.references import manifest_files, references
from edgeagent.model.records import ConfigurationRead, Sealing
from edgeagent.store.archive import SUFFIX, Archive, compress, decompress
from edgeagent.store.files import make_folder, sync_folder, write_synced
from edgeagent.store.journal import JournalReader, next_step, record_total
from edgeagent.store.progress import Progress, no_progress

FOLDER, MANIFEST, ENDING = "sealed", "manifest.json", ".sealed"
FORM = "edgeagent.sealed/1"
_KEPT = frozenset({"recipe", "limit file", "layout", "certificate", "agent.toml", "manifest"})
"""Contents that stay in the store as well: they are small, and every report needs them."""


class SealedManifest(msgspec.Struct, frozen=True, kw_only=True):
    """What a sealed file holds: records ``first`` to ``last``, behind the hash ``prev`` up to ``head``."""

    sealed: str
    first: int
    last: int
    prev: str
    head: str
    segments: tuple[str, ...]
    objects: tuple[str, ...]
    root: str

    @property
    def name(self) -> str:
        """Name of the file."""
        return f"records-{self.first:09d}-{self.last:09d}{ENDING}"


@dataclass(frozen=True, slots=True)
class SealedFile:
    """A sealed file on disk, with its manifest."""

    path: Path
    manifest: SealedManifest


@dataclass(frozen=True, slots=True)
class Leftover:
    """A sealed file with contents that are still in the archive: ``contents``, which no later record names.

    ``path`` is None where the file is in none of the places. ``recorded`` says whether a ``sealing`` record
    names its manifest.
    """

    manifest: SealedManifest
    path: Path | None
    recorded: bool
    contents: frozenset[str]


def seal(store: Path, out: Path | None = None, progress: Progress = no_progress) -> SealedFile | None:
    """Put the closed segments that are in no sealed file yet, with their contents, into one file; durable.

    ``out`` is a folder, by default ``sealed/`` in the store. None where no such segment is left. Raises
    EvidenceError, JournalCorruptError where a content was changed, OSError.
    """
    journal, archive = store / "journal", Archive(store / "archive")
    reader = JournalReader(journal)
    # The last segment is still appended to, and would be another one than in the file.
    closed = {path.name for path in reader.segments()[:-1]}
    # By manifests, not by `sealing` records: a file that was sealed without --remove has none.
    closed -= {name for manifest in manifests(store) for name in manifest.segments}
    first, last, prev, head, before = 0, 0, GENESIS, GENESIS, GENESIS
    names, wanted, later = dict[str, None](), dict[str, None](), set[str]()
    for record, place in progress(reader.walk(), "records", record_total(journal)):
        # The whole journal is walked: a content stays as long as any later record names it, such as a copied
        # file's.
        moved = {d for what, d in references(record.body) if what not in _KEPT}
        # Up to the next sealed segment: a file holds one unbroken piece of the chain, the next call the rest.
        if place.segment in closed and last in (0, record.seq - 1):
            first, prev = (first, prev) if first else (record.seq, before)
            last, head = record.seq, record.hash
            names[place.segment] = None
            wanted.update(dict.fromkeys(sorted(moved)))
        # What earlier sealed files hold was settled when they were made.
        elif names:
            later |= moved
        before = record.hash
    if not names:
        return None
    there = {digest for digest, _ in archive.objects()}
    # What is missing stays missing and is `replay`'s to say: sealing must not fail for an object lost long ago.
    objects = tuple(d for d in wanted if d not in later and d in there)
    manifest = SealedManifest(
        sealed=FORM,
        first=first,
        last=last,
        prev=prev,
        head=head,
        segments=tuple(names),
        objects=objects,
        root="",
    )
    return _write_sealed(store, archive, manifest, out or store / FOLDER, progress)


def _write_sealed(
    store: Path, archive: Archive, manifest: SealedManifest, folder: Path, progress: Progress
) -> SealedFile:
    make_folder(folder)
    make_folder(store / FOLDER)
    path = folder / manifest.name
    temporary = path.with_name(f".{path.name}.tmp")
    frontier = Frontier()
    # The root stands in the manifest, which comes first: members are hashed before they are written
    members: list[tuple[str, Callable[[], bytes]]] = [
        (f"journal/{name}", (store / "journal" / name).read_bytes) for name in manifest.segments
    ]
    members += [(f"archive/{d}{SUFFIX}", _object_of(archive, d)) for d in manifest.objects]
    for _, read in progress(members, "contents hashed"):
        frontier.append(hashlib.sha256(read()).digest())
    manifest = msgspec.structs.replace(manifest, root=frontier.root().hex())
    try:
        with zipfile.ZipFile(temporary, "w", zipfile.ZIP_STORED, allowZip64=True) as sealed:
            sealed.writestr(_member(MANIFEST), encode(manifest))
            for name, read in progress(members, "contents written"):
                sealed.writestr(_member(name), read())
        fd = os.open(temporary, os.O_RDONLY)
        try:
            os.fsync(fd)
        finally:
            os.close(fd)
        temporary.rename(path)
    except BaseException:
        # It may be as large as the archive, and a disk that it has filled must not stay full.
        with contextlib.suppress(OSError):
            temporary.unlink()
        raise
    sync_folder(folder)
    # Before the manifest says that the contents are in it: --remove and every reader go by the manifest.
    check_sealed(path, progress)
    write_synced(store / FOLDER / f"{manifest.name}.json", encode(manifest))
    return SealedFile(path, manifest)


def _member(name: str) -> zipfile.ZipInfo:
    """A member without a time of its own, so that the same content gives the same file."""
    return zipfile.ZipInfo(name, date_time=(1980, 1, 1, 0, 0, 0))


def _object_of(archive: Archive, digest: str) -> Callable[[], bytes]:
    def read() -> bytes:
        path = archive.path_of(digest)
        data = archive.get(digest)  # checked against its name
        # The bytes as they lie: compressing again with another library's version would give other ones.
        return path.read_bytes() if path.exists() else compress(data)

    return read


def sealing_body(sealed: SealedFile) -> Sealing:
    """The record of what is taken out of the archive, so that the next checkpoint covers the file's root."""
    manifest = sealed.manifest
    return Sealing(
        first=manifest.first,
        last=manifest.last,
        contents=len(manifest.objects),
        file=manifest.name,
        root=manifest.root,
        manifest_sha256=digest_of(encode(manifest)),
    )


def vouched_contents(store: Path, sealings: Iterable[Sealing]) -> frozenset[str]:
    """Contents in the manifests of a store that records name by their digest; of others nobody vouches."""
    # Manifests are plain files: whoever removed contents could write one that claims they were sealed.
    recorded = {body.manifest_sha256 for body in sealings}
    vouched = (m for m in manifests(store) if digest_of(encode(m)) in recorded)
    return frozenset(digest for manifest in vouched for digest in manifest.objects)


def earlier_contents(store: Path, sealings: Sequence[Sealing]) -> frozenset[str]:
    """Contents in manifests of records before those that the journal's first ``sealing`` record names.

    Sealed files were not on record at first: their manifests are all there is, and nobody vouches for these.
    """
    first = min((body.first for body in sealings), default=None)
    earlier = (m for m in manifests(store) if first is None or m.last < first)
    return frozenset(digest for manifest in earlier for digest in manifest.objects)


def leftovers(store: Path, out: Path | None, progress: Progress = no_progress) -> list[Leftover]:
    """Sealed files whose contents are still in the archive: --remove was killed, or was not asked for.

    Files are looked for in ``sealed/`` of the store and in ``out``. Raises JournalCorruptError.
    """
    found, there = manifests(store), {digest for digest, _ in Archive(store / "archive").objects()}
    last_named = dict.fromkeys((d for m in found for d in m.objects if d in there), 0)
    if not last_named:
        return []
    journal, recorded = store / "journal", set[str]()
    for record, _ in progress(JournalReader(journal).walk(), "records", record_total(journal)):
        if isinstance(record.body, Sealing):
            recorded.add(record.body.manifest_sha256)
        # The agent may have run since: a copied file's content, named again, stays in the archive.
        last_named.update((d, record.seq) for _, d in references(record.body) if d in last_named)
    open_ones = []
    for manifest in found:
        contents = frozenset(d for d in manifest.objects if 0 < last_named.get(d, 0) <= manifest.last)
        places = (folder / manifest.name for folder in (store / FOLDER, out) if folder is not None)
        path = next((p for p in places if p.is_file()), None)
        if contents:
            is_recorded = digest_of(encode(manifest)) in recorded
            open_ones.append(Leftover(manifest, path, is_recorded, contents))
    return open_ones


def check_leftover(store: Path, leftover: Leftover, progress: Progress = no_progress) -> SealedFile:
    """The file of a leftover, once all of it was read: whole, and of this journal. Raises EvidenceError.

    A file that was written before a kill, or lay in cold storage for months, is trusted no more than a
    stranger's.
    """
    path, manifest = leftover.path, leftover.manifest
    assert path is not None
    # By the store's manifest: that is the one whose digest goes on record, and which readers go by.
    if check_sealed(path, progress) != manifest:
        raise EvidenceError(
            f"{path}: its manifest is not the one in {store / FOLDER}: another file of this name"
        )
    check_belongs(path, manifest, store / "journal")
    return SealedFile(path, manifest)


def take_out(store: Path, sealed: SealedFile, held: Collection[str], progress: Progress = no_progress) -> int:
    """Remove ``held``, contents of a sealed file, from the archive, having read all of the file again.

    Returns how many were removed. Only while no agent runs: the caller holds the journal's lock. Raises
    EvidenceError, OSError.
    """
    check_sealed(sealed.path, progress)
    archive, count = Archive(store / "archive"), 0
    # A list, since the folders are changed on the way; a removal that a power cut undoes is only repeated disk
    # use.
    for digest, path in list(archive.objects()):
        if digest in held:
            path.unlink()
            count += 1
    return count


def check_sealed(path: Path, progress: Progress = no_progress) -> SealedManifest:
    """Read all of a sealed file and check it against its manifest. Raises EvidenceError."""
    try:
        with zipfile.ZipFile(path) as sealed:
            manifest = msgspec.json.decode(sealed.read(MANIFEST), type=SealedManifest)
            names = [f"journal/{n}" for n in manifest.segments]
            names += [f"archive/{d}{SUFFIX}" for d in manifest.objects]
            # Exactly these, in this order: a second member of the same name could hide the one that was
            # checked.
            if sealed.namelist() != [MANIFEST, *names]:
                raise EvidenceError(f"{path}: its members are not those of its manifest")
            frontier = Frontier()
            # Behind the record before the first one, so that the file is whole without the journal that it came
            # from.
            step = manifest.first - 1, manifest.prev
            for name in progress(names, "contents checked"):
                data = sealed.read(name)
                frontier.append(hashlib.sha256(data).digest())
                digest = Path(name).stem
                if name.startswith("journal/"):
                    step = _follow(data, step, path, name)
                if (
                    name.startswith("archive/")
                    and hashlib.sha256(decompress(data, digest)).hexdigest() != digest
                ):
                    raise EvidenceError(f"{path}: {name} does not fit its name: it was changed")
    except (OSError, ValueError, KeyError, zipfile.BadZipFile, JournalCorruptError) as error:
        raise EvidenceError(f"{path}: no whole sealed file: {error}") from error
    if frontier.root().hex() != manifest.root:
        raise EvidenceError(f"{path}: its content does not match its root: it was changed")
    if step != (manifest.last, manifest.head):
        raise EvidenceError(f"{path}: its records end with {step[0]}, its manifest states {manifest.last}")
    return manifest


def _follow(data: bytes, step: tuple[int, str], path: Path, name: str) -> tuple[int, str]:
    """The last record of a segment behind the record ``step`` (number and hash). Raises EvidenceError."""
    for line in data.splitlines(keepends=True):
        try:
            step = next_step(line, *step)
        except RecordError as error:
            raise EvidenceError(f"{path}: {name}: behind record {step[0]}: {error}") from error
    return step


def check_belongs(path: Path, manifest: SealedManifest, journal: Path) -> int | None:
    """Check that a sealed file's records are those of a journal; the record that names its root, None for none.

    Raises EvidenceError, JournalCorruptError.
    """
    named, wanted = None, {manifest.first - 1: manifest.prev, manifest.last: manifest.head}
    wanted.pop(0, None)
    for step, line, _, _ in JournalReader(journal).steps():
        if step.hash.decode() != wanted.pop(step.seq, step.hash.decode()):
            raise EvidenceError(f"{path}: record {step.seq} is not the one of this journal")
        if step.kind == Sealing.KIND:
            body = decode_record(line[:-1]).body
            # The last one counts, if it was put on record twice.
            if isinstance(body, Sealing) and body.root == manifest.root:
                named = step.seq
    if wanted:
        raise EvidenceError(f"{path}: the journal ends before its record {max(wanted)}")
    return named


def manifests(store: Path) -> list[SealedManifest]:
    """What was sealed of a store, wherever the files are now. One that cannot be read is passed over."""
    found = []
    for path in sorted((store / FOLDER).glob(f"*{ENDING}.json")) if (store / FOLDER).is_dir() else []:
        try:
            found.append(msgspec.json.decode(path.read_bytes(), type=SealedManifest))
        except (OSError, ValueError):
            continue
    return found


class SealedFiles:
    """The sealed files at hand, as a source of contents: those in the store, and those in ``places``.

    What they hold is listed when a content is asked for that the archive does not have.
    """

    def __init__(self, store: Path, places: Iterable[Path] = ()) -> None:
        self._store, self._places = store, (store / FOLDER, *places)

    @cached_property
    def _known(self) -> set[str]:
        return {digest for manifest in manifests(self._store) for digest in manifest.objects}

    @cached_property
    def _holding(self) -> dict[str, Path]:
        found: dict[str, Path] = {}
        for place in self._places:
            for path in [place] if place.is_file() else sorted(place.rglob(f"*{ENDING}")):
                # By the names inside, not by the manifest beside it: the file may have been moved where no
                # manifest is.
                found.update(dict.fromkeys(_objects_in(path), path))
        return found

    def knows(self, digest: str) -> bool:
        """Whether a content was sealed, be its file at hand or not."""
        return digest in self._known or digest in self._holding

    def is_away(self, digest: str) -> bool:
        """Whether a content was sealed, and no file at hand holds it."""
        return digest in self._known and digest not in self._holding

    def get(self, digest: str) -> bytes | None:
        """A content; None where no file at hand holds it. Whoever asks checks it against its name."""
        path = self._holding.get(digest)
        if path is None:
            return None
        try:
            with zipfile.ZipFile(path) as sealed:
                return decompress(sealed.read(f"archive/{digest}{SUFFIX}"), digest)
        except (OSError, KeyError, zipfile.BadZipFile) as error:
            raise JournalCorruptError(str(path), 0, f"cannot be read: {error}") from error


def _objects_in(path: Path) -> tuple[str, ...]:
    try:
        with zipfile.ZipFile(path) as sealed:
            return tuple(Path(n).stem for n in sealed.namelist() if n.startswith("archive/"))
    except (OSError, zipfile.BadZipFile):
        return ()


def kept_files(archive: Archive, body: ConfigurationRead) -> tuple[str, ...]:
    """Digests of a configuration's files; none where its manifest is not to be had."""
    try:
        return tuple(f.sha256 for f in manifest_files(archive.get(body.manifest_sha256)))
    except (ConfigError, JournalCorruptError):
        return ()

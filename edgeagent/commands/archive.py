"""Commands ``archive``: consistent copies of a store, and sealed files for cold storage."""

from __future__ import annotations

from pathlib import Path

import click

from edgeagent.codec.plain_text import count_text
from edgeagent.commands.shared_options import CONFIG
from edgeagent.commands.shared_progress import show_progress
from edgeagent.errors import EvidenceError
from edgeagent.store.clock import SystemClock
from edgeagent.store.configuration import load_configuration
from edgeagent.store.copies.backup import back_up
from edgeagent.store.copies.sealed import (
    SealedFile,
    check_belongs,
    check_leftover,
    check_sealed,
    leftovers,
    seal,
    sealing_body,
    take_out,
)
from edgeagent.store.journal import JournalWriter
from edgeagent.store.verify import journal_folder

_FOLDER = click.Path(path_type=Path, file_okay=False)


@click.group()
def archive() -> None:
    """Copy a store, or seal its older part into one file.

    \b
    Example:
      edgeagent archive backup --config agent.toml /mnt/backup/gauge-1
    """


@archive.command("backup")
@CONFIG
@click.argument("out", type=_FOLDER)
def archive_backup(config: Path, out: Path) -> None:
    """Copy the store to OUT while the agent runs, or continue an earlier copy there.

    The copy is consistent: the journal as far as it went, and everything that its records name; it is verified
    when it is done. The private key is not in it: keep that elsewhere. Exit code 0 when the copy is whole.

    \b
    Example:
      edgeagent archive backup --config agent.toml /mnt/backup/gauge-1
    """
    store = load_configuration(config).store
    copied = back_up(store, out, show_progress)
    click.echo(
        f"copied: {count_text(copied.whole.records, 'record')} with {count_text(copied.contents, 'content')}, "
        f"{copied.fresh} of them new; head {copied.whole.records}:{copied.whole.head}"
    )


@archive.command("seal")
@CONFIG
@click.option("--out", type=_FOLDER, help="Folder for the file; by default it stays in the store.")
@click.option("--remove", is_flag=True, help="Take what was sealed out of the archive; no agent may run.")
def archive_seal(config: Path, out: Path | None, remove: bool) -> None:
    """Put all closed segments of the journal with their sources and results into one file with its own root.

    The file may be moved to cold storage; the journal itself stays in the store and stays whole. Replay and
    report look for sealed files in the store and where --sealed says. With --remove, contents of earlier sealed
    files that are still in the archive go too, once their file has been read and found whole.

    \b
    Example:
      edgeagent archive seal --config agent.toml --out /mnt/cold --remove
    """
    store = load_configuration(config).store
    # No new segment for the records that it may append.
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=1 << 62)
    # Opened before sealing: the lock keeps an agent from starting while what it needs is taken out.
    if remove:
        writer.open(lambda _record, _place: None)
    try:
        finished = _finish_leftovers(store, out, writer) if remove else False
        sealed = seal(store, out, show_progress)
        if sealed is not None:
            _tell("sealed", sealed)
            if remove:
                _take_out(store, sealed, frozenset(sealed.manifest.objects), writer)
        elif not finished:
            raise EvidenceError("no closed segment is left to seal: the last one is still being written")
    finally:
        writer.close()


def _finish_leftovers(store: Path, out: Path | None, writer: JournalWriter) -> bool:
    """Take out what is sealed already and still in the archive; whether there was any whose file is at hand."""
    finished = False
    for leftover in leftovers(store, out, show_progress):
        name = leftover.manifest.name
        if leftover.path is None:
            words = f"{name} is not at hand, its contents stay in the archive: --out names its folder"
            click.echo(f"edgeagent: {words}", err=True)
            continue
        try:
            sealed = check_leftover(store, leftover, show_progress)
        except EvidenceError as error:
            # Without a record nothing was taken out by it, so that the archive can fill another file.
            again = f", or move it and sealed/{name}.json away to seal its records again"
            way_out = f"bring a whole copy of it{'' if leftover.recorded else again}"
            raise EvidenceError(f"{error}; its contents stay in the archive: {way_out}") from error
        _tell("sealed already", sealed)
        _take_out(store, sealed, leftover.contents, None if leftover.recorded else writer)
        finished = True
    return finished


def _take_out(store: Path, sealed: SealedFile, contents: frozenset[str], writer: JournalWriter | None) -> None:
    """Take contents out of the archive; on record by ``writer``, None where a record names the file already."""
    if writer is not None:
        writer.append([sealing_body(sealed)])  # first: what is gone must be known to have gone
    removed = take_out(store, sealed, contents, show_progress)
    click.echo(f"removed: {count_text(removed, 'content')} from the archive")


def _tell(what: str, sealed: SealedFile) -> None:
    manifest = sealed.manifest
    click.echo(
        f"{what}: records {manifest.first} to {manifest.last} with "
        f"{count_text(len(manifest.objects), 'content')} in {sealed.path}; root {manifest.root}"
    )


@archive.command("check")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
@click.option("--store", type=_FOLDER, help="Check too that it is of the journal in this store.")
def archive_check(file: Path, store: Path | None) -> None:
    """Read all of a sealed FILE: its own root, the chain of its records, and each content against its name.

    With --store its records must be those of that journal, and a record should name its root, so that whoever
    signed or witnessed the journal vouches for the file too. Exit code 0 when it is whole, else 1.

    \b
    Example:
      edgeagent archive check --store store /mnt/cold/records-000000001-000120334.sealed
    """
    manifest = check_sealed(file, show_progress)
    if store is not None:
        # A whole file of another journal is whole as well: only the records show whose it is.
        named = check_belongs(file, manifest, journal_folder(store))
        click.echo(
            f"named: by record {named}"
            if named is not None
            else "named: by NO record; it was sealed without --remove, so that the archive has it all too"
        )
    click.echo(
        f"whole: records {manifest.first} to {manifest.last}, "
        f"{count_text(len(manifest.objects), 'content')}; root {manifest.root}"
    )

"""Commands ``archive``: consistent copies of a store, and sealed files for cold storage."""

from __future__ import annotations

from pathlib import Path

import click

from edgeagent.codec.plain_text import count_text
from edgeagent.commands.shared_options import CONFIG
from edgeagent.commands.shared_progress import show_progress
from edgeagent.store.clock import SystemClock
from edgeagent.store.configuration import load_configuration
from edgeagent.store.copies.backup import back_up
from edgeagent.store.copies.sealed import check_belongs, check_sealed, seal, sealing_body, take_out
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
    report look for sealed files in the store and where --sealed says.

    \b
    Example:
      edgeagent archive seal --config agent.toml --out /mnt/cold --remove
    """
    store = load_configuration(config).store
    # No new segment for the one record that it may append.
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=1 << 62)
    # Opened before sealing: the lock keeps an agent from starting while what it needs is taken out.
    if remove:
        writer.open(lambda _record, _place: None)
    try:
        sealed = seal(store, out, show_progress)
        manifest = sealed.manifest
        click.echo(
            f"sealed: records {manifest.first} to {manifest.last} with "
            f"{count_text(len(manifest.objects), 'content')} in {sealed.path}; root {manifest.root}"
        )
        if remove:
            writer.append([sealing_body(sealed)])  # first: what is gone must be known to have gone
            click.echo(
                f"removed: {count_text(take_out(store, sealed, show_progress), 'content')} from the archive"
            )
    finally:
        writer.close()


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

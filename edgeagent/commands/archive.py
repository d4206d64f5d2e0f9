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
from edgeagent.store.copies.sealed import check_sealed, seal, take_out
from edgeagent.store.journal import JournalWriter

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
    writer = JournalWriter(store / "journal", SystemClock(), segment_bytes=1 << 62)
    if remove:
        writer.lock()
    try:
        sealed = seal(store, out, show_progress)
        manifest = sealed.manifest
        click.echo(
            f"sealed: records {manifest.first} to {manifest.last} with "
            f"{count_text(len(manifest.objects), 'content')} in {sealed.path}; root {manifest.root}"
        )
        if remove:
            click.echo(
                f"removed: {count_text(take_out(store, sealed, show_progress), 'content')} from the archive"
            )
    finally:
        writer.close()


@archive.command("check")
@click.argument("file", type=click.Path(path_type=Path, dir_okay=False))
def archive_check(file: Path) -> None:
    """Read all of a sealed FILE and check it against its own root. Exit code 0 when it is whole, else 1.

    \b
    Example:
      edgeagent archive check /mnt/cold/records-000000001-000120334.sealed
    """
    manifest = check_sealed(file, show_progress)
    click.echo(
        f"whole: records {manifest.first} to {manifest.last}, "
        f"{count_text(len(manifest.objects), 'content')}; root {manifest.root}"
    )

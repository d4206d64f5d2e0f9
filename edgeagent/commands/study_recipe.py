"""What a gauge study puts into recipes: shown to be pasted, or written in place."""

from __future__ import annotations

import codecs
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path

import click

from edgeagent.codec.configuration.repeatability_entry import RepeatabilityEntry, entry_lines, set_repeatability
from edgeagent.codec.plain_text import clean
from edgeagent.errors import ConfigError
from edgeagent.judging.configuration import Document, recipe_from_documents
from edgeagent.judging.studies.gauge_study import CharacteristicStudy
from edgeagent.judging.studies.repeatability import repeatability_entries
from edgeagent.store.configuration import StationConfiguration
from edgeagent.store.files import write_synced


def show_entries(studies: Sequence[CharacteristicStudy], component: str) -> None:
    """Print what ``--write`` would put into each recipe."""
    for part, one in repeatability_entries(studies, component).items():
        if one.values:
            click.echo(f"\nentry for the recipe of {clean(part)}, which --write makes:")
            click.echo(f"[uncertainty]\n{entry_lines(one)}")


def write_entries(
    studies: Sequence[CharacteristicStudy], component: str, configuration: StationConfiguration
) -> None:
    """Write each part's recipe; what a recipe does not take is shown to be pasted, with exit code 1."""
    failed = False
    for part, one in repeatability_entries(studies, component).items():
        loaded = configuration.recipes.get(part)
        try:
            if not one.values:
                raise ConfigError(part, "", "nothing scattered that could be written")
            if loaded is None:
                raise ConfigError(part, "", "there is no recipe for this part")
            name, files = loaded.document.name, loaded.files

            # Both bound now: the loop gives them other values before a later call
            def check(data: bytes, name: str = name, files: Mapping[str, Document] = files) -> None:
                recipe_from_documents(Document(name, data), files)

            path = configuration.folder / name
            write_repeatability(path, one, check)
        except ConfigError as error:
            failed = True
            click.echo(f"edgeagent: not written: {error}", err=True)
            if one.values:
                click.echo(f"edgeagent: to be pasted into the recipe of {clean(part)}:", err=True)
                click.echo(f"[uncertainty]\n{entry_lines(one)}", err=True)
        else:
            count = len(one.values)
            click.echo(
                f"edgeagent: written to {path}: {count} characteristics; a running service reads it at SIGHUP",
                err=True,
            )
    if failed:
        raise click.exceptions.Exit(1)


def write_repeatability(path: Path, entry: RepeatabilityEntry, check: Callable[[bytes], None]) -> None:
    """Set ``repeatability`` and ``repeatability_dof`` of a recipe, all else byte for byte as it was.

    Earlier entries of other characteristics stay. ``check`` raises ConfigError for a recipe that could not be
    used. The new text replaces the old one in one step. Raises ConfigError; the file is then unchanged.
    """
    try:
        # Through links: replaced in one step, a link would turn into a copy and its target stay old.
        path = path.resolve(strict=True)
        data = path.read_bytes()
        # The mark is put back as it was: all else of the file stays byte for byte.
        mark = codecs.BOM_UTF8 if data.startswith(codecs.BOM_UTF8) else b""
        changed = mark + set_repeatability(data.decode("utf-8-sig"), entry, path.name).encode("utf-8")
        # Before it is written: a recipe that does not load would stop the next reload.
        check(changed)
        write_synced(path, changed, mode=path.stat().st_mode & 0o777)
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigError(path.name, "", f"cannot be changed: {error}") from error

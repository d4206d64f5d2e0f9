"""Command ``export``: parts, values and checks as tables for customers, courts and databases."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Any, get_args

import click

from edgeagent import __version__
from edgeagent.codec.plain_text import count_text
from edgeagent.codec.records.archived_result import ArchivedResult, decode_result
from edgeagent.codec.records.record import Record
from edgeagent.commands.journal_lines import RecordFilter
from edgeagent.commands.shared_options import ONE_OBJECT, STORE, with_offset
from edgeagent.commands.shared_output import json_line
from edgeagent.commands.shared_progress import show_progress
from edgeagent.errors import AgentError, JournalCorruptError, UsageError
from edgeagent.model.records import Measurement, PartDisposition
from edgeagent.store.archive import Archive
from edgeagent.store.configuration import load_configuration
from edgeagent.store.copies.sealed import SealedFiles
from edgeagent.store.export.export_files import ExportFolder, FileFormat, new_export
from edgeagent.store.export.tables import CHECKS, PARTS, VALUES, check_rows, part_row, value_rows
from edgeagent.store.index.lookup import records_for
from edgeagent.store.journal import JournalReader, last_record, record_total
from edgeagent.store.verify import journal_folder


@click.command()
@STORE
@click.option(
    "--config", type=click.Path(path_type=Path), help="The station's agent.toml, which names the store."
)
@click.option("--since", type=click.DateTime(), help="Only records from this time on (UTC).")
@click.option("--until", type=click.DateTime(), help="Only records before this time (UTC).")
@click.option("--part", help="Only this part number.")
@click.option("--serial", help="Only this serial.")
@click.option(
    "--format",
    "file_format",
    type=click.Choice(get_args(FileFormat)),
    default="csv",
    show_default=True,
    help="Comma-separated text, JSON lines, or Parquet (extra parquet).",
)
@click.option(
    "--out", required=True, type=click.Path(path_type=Path), help="A new folder; an existing one is kept."
)
@ONE_OBJECT
def export(
    store: Path | None, config: Path | None, since: datetime | None, until: datetime | None, part: str | None,
    serial: str | None, file_format: FileFormat, out: Path, as_json: bool,
) -> None:  # fmt: skip
    """Write parts, values with limits and uncertainties, and quality checks as three tables.

    All characteristics come from the archived results; spectra and curves stay in the archive. export.json in
    the folder says what each column means, how far the journal went, and the digest of each file. Where a
    result is missing or damaged nothing is written.

    \b
    Example:
      edgeagent export --store store --since 2026-03-01 --until 2026-04-01 --out march
    """
    # Both could name different stores.
    if (store is None) == (config is None):
        raise UsageError("say one of --store and --config")
    folder = store if store is not None else load_configuration(_given(config)).store
    wanted = RecordFilter(part, serial, None, with_offset(since), with_offset(until))
    counts = write_export(folder, wanted, file_format, out)
    if as_json:
        click.echo(json_line({"folder": str(out), "format": file_format, "rows": counts}))
        return
    words = ", ".join(count_text(counts[t.name], t.name.removesuffix("s")) for t in (PARTS, VALUES, CHECKS))
    click.echo(f"{words}: {out}")


def _given(config: Path | None) -> Path:
    assert config is not None
    return config


def write_export(folder: Path, wanted: RecordFilter, file_format: FileFormat, out: Path) -> dict[str, int]:
    """Export what fits of a store; returns the rows by table. Raises AgentError; then nothing is left of it."""
    journal = journal_folder(folder)
    if not journal.is_dir() or not JournalReader(journal).segments():
        raise UsageError(f"{folder}: there is no journal here")
    # The end is noted before reading, so that the tables hold at least every record up to it.
    archive, about = Archive(journal.parent / "archive", SealedFiles(journal.parent)), _journal(journal, wanted)
    with new_export(out, file_format) as files:
        records = records_for(journal, wanted.serial, wanted.since, wanted.until)
        # A look-up by serial or time reads some records: the journal's total would promise a wrong time.
        total = record_total(journal) if about["chain_checked"] else None
        for record in show_progress(records, "records", total):
            if wanted.takes(record):
                _add(files, record, archive)
        files.finish({"software": __version__, "asked": _asked(wanted), "journal": about})
    return files.counts


def _add(files: ExportFolder, record: Record, archive: Archive) -> None:
    match record.body:
        case PartDisposition():
            files.add(PARTS, [part_row(record, record.body)])
        case Measurement():
            result = _result(record.seq, record.body, archive)
            files.add(VALUES, value_rows(record, record.body, result))
            files.add(CHECKS, check_rows(record, record.body, result))


def _result(seq: int, body: Measurement, archive: Archive) -> ArchivedResult:
    try:
        return decode_result(archive.get(body.result_sha256))
    # A table with a part missing would look complete to whoever gets it.
    except (JournalCorruptError, ValueError) as error:
        raise AgentError(f"record {seq}: {error}; nothing was written") from error


def _asked(wanted: RecordFilter) -> dict[str, Any]:
    return {name: getattr(wanted, name) for name in ("part", "serial", "since", "until")}


def _journal(journal: Path, wanted: RecordFilter) -> dict[str, Any]:
    """Which journal it was: its identity, the hash of its first record, and how far it went at the beginning.

    ``chain_checked`` says whether every record was read: a serial or a period is looked up in a long journal.
    """
    first, last = JournalReader(journal).read_from(None, 1), last_record(journal)
    whole = wanted.serial is None and wanted.since is None
    end: dict[str, Any] = {"records": 0, "head": None, "time": None}
    if last is not None:
        end = {"records": last.seq, "head": last.hash, "time": last.time}
    return {"store": first[0][0].hash if first else None, **end, "chain_checked": whole}

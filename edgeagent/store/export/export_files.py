"""Export tables to files: row by row, all of them or none.

Everything is written into a folder beside the wanted one, which is synced and takes its name at the end: a
folder of that name is whole. ``export.json`` says what is in it: columns with units, counts, digests, and how
far the journal went.
"""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any, Literal, Protocol

import msgspec

from edgeagent.codec.spreadsheet import csv_line, plain_cell
from edgeagent.errors import UsageError
from edgeagent.store.export.tables import TABLES, ExportedTable, Row, describe_tables
from edgeagent.store.export.whole_folder import new_whole_folder

SCHEMA = "edgeagent.export/1"
FileFormat = Literal["csv", "jsonl", "parquet"]
BATCH = 10_000
"""Rows that are held before they are written: memory does not grow with what is exported."""
_BOM = "\ufeff"


class TableWriter(Protocol):
    """Writes the rows of one table to one file."""

    def write(self, rows: list[Row]) -> None:
        """Add rows."""
        ...

    def close(self) -> None:
        """Write what is left and close the file."""
        ...


class _TextWriter:
    """A file of text, one line a row."""

    def __init__(self, path: Path, head: str, line: Callable[[Row], str]) -> None:
        self._file = path.open("w", encoding="utf-8", newline="")
        self._file.write(head)
        self._line = line

    def write(self, rows: list[Row]) -> None:
        """Add rows."""
        self._file.write("".join(map(self._line, rows)))

    def close(self) -> None:
        """Close the file."""
        self._file.close()


def _new_writer(file_format: FileFormat, path: Path, table: ExportedTable) -> TableWriter:
    names = [column.name for column in table.columns]
    if file_format == "csv":
        # With a mark of its encoding: without it spreadsheets take the text for another one
        return _TextWriter(path, _BOM + csv_line(names), csv_line)
    if file_format == "jsonl":
        return _TextWriter(path, "", lambda row: _json_line(names, row))
    try:
        from edgeagent.store.export.parquet import ParquetTable
    except ImportError as error:
        raise UsageError("--format parquet needs pyarrow: pip install 'edgeagent[parquet]'") from error
    return ParquetTable(path, table)


def _json_line(names: list[str], row: Row) -> str:
    # Times as in the CSV, with microseconds always; msgspec would leave zeros away, and columns sort as texts.
    values = (plain_cell(v) if hasattr(v, "strftime") else v for v in row)
    return msgspec.json.encode(dict(zip(names, values, strict=True))).decode() + "\n"


class ExportFolder:
    """The files of an export while they are written; ``add`` takes rows by table."""

    def __init__(self, folder: Path, file_format: FileFormat, stack: ExitStack) -> None:
        self._folder = folder
        self._format = file_format
        self._writers: dict[str, TableWriter] = {}
        self._waiting: dict[str, list[Row]] = {table.name: [] for table in TABLES}
        self.counts: dict[str, int] = {table.name: 0 for table in TABLES}
        for table in TABLES:
            writer = _new_writer(file_format, self._path(table), table)
            # At once: with the third table refused, the first two must not stay open.
            stack.callback(writer.close)
            self._writers[table.name] = writer

    def _path(self, table: ExportedTable) -> Path:
        return self._folder / f"{table.name}.{self._format}"

    def add(self, table: ExportedTable, rows: Iterator[Row] | list[Row]) -> None:
        """Add rows to a table. Raises OSError."""
        waiting = self._waiting[table.name]
        waiting += rows
        # All rows of one trace at once may be more than that; a row group is never cut through a trace.
        if len(waiting) >= BATCH:
            self._flush(table)

    def _flush(self, table: ExportedTable) -> None:
        waiting = self._waiting[table.name]
        self.counts[table.name] += len(waiting)
        self._writers[table.name].write(waiting)
        waiting.clear()

    def finish(self, about: dict[str, Any]) -> None:
        """Write what is left, and say in export.json what is there. Raises OSError."""
        files = {}
        for table in TABLES:
            self._flush(table)
            # Before the digest: a Parquet file gets its end, and a text its last buffer, only here.
            self._writers[table.name].close()
            path = self._path(table)
            files[path.name] = {"rows": self.counts[table.name], "sha256": _digest_of(path)}
        about_files = {
            "schema": SCHEMA,
            **about,
            "format": self._format,
            "files": files,
            "tables": describe_tables(),
        }
        text = msgspec.json.format(msgspec.json.encode(about_files), indent=2)
        (self._folder / "export.json").write_bytes(text + b"\n")


def _digest_of(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


@contextmanager
def new_export(out: Path, file_format: FileFormat) -> Iterator[ExportFolder]:
    """A folder that gets its name when the context ends well; after an error nothing is left of it.

    Raises UsageError where ``out`` exists already or the format's library is missing, AgentError where it
    cannot be written.
    """
    with new_whole_folder(out) as folder, ExitStack() as stack:
        yield ExportFolder(folder, file_format, stack)

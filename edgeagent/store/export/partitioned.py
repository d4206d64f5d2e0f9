"""Rows as Parquet files in folders by site, part and month, which engines read as they are (Hive's layout).

``site=plant-a/part=KX-2005-R/month=2026-03/part-00000.parquet``: the three stand in the names of the folders
alone. The same rows in the same order give the same files. The folder takes its name at the end: what has it is
whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from urllib.parse import quote

from edgeagent.store.export.parquet import ParquetTable
from edgeagent.store.export.tables import ExportColumn, ExportedTable, Row
from edgeagent.store.export.whole_folder import new_whole_folder

_NOTHING = "__HIVE_DEFAULT_PARTITION__"
"""What the layout calls a partition of rows without a value, such as the part of an artefact."""
# A file a partition and flush: many small ones would slow every engine that reads them.
_HELD = 200_000
"""Rows that wait for their files: memory does not grow with what is written."""

_STATION = (
    ExportColumn("cell", "text", "cell of the station"),
    ExportColumn("station", "text", "name of the station"),
    ExportColumn("record", "integer", "number of the measurement's record in the station's journal"),
    ExportColumn("measured_at", "time", "when it was measured, as the trace says"),
    ExportColumn("serial", "text", "serial number; empty for a reference artefact"),
    ExportColumn("artefact", "text", "identity of the reference artefact; empty for a part"),
    ExportColumn("feature", "text", "which trace of the part"),
    ExportColumn("instrument", "text", "measuring instrument"),
)
REPLAYED = ExportedTable(
    "replayed",
    "one row a measurement that was computed again",
    (
        *_STATION,
        ExportColumn(
            "outcome", "text", "identical, within_rounding, other_program, different, flipped or failed"
        ),
        ExportColumn("recorded", "text", "disposition on record"),
        ExportColumn("now", "text", "disposition as computed again; empty where that failed"),
        ExportColumn("source", "text", "name of the file"),
        ExportColumn("source_sha256", "text", "SHA-256 of the file"),
    ),
)
OBSERVED = ExportedTable(
    "observed",
    "one row a value of a series",
    (
        *_STATION,
        ExportColumn("operator", "text", "who measured, where the trace says it"),
        ExportColumn("characteristic", "text", "name of the series: characteristic, and instance in brackets"),
        ExportColumn("value", "number", "the value, in the unit of its row"),
        ExportColumn("unit", "text", "unit of value and limits"),
        ExportColumn("lower", "number", "lower limit; empty where there is none"),
        ExportColumn("upper", "number", "upper limit; empty where there is none"),
    ),
)


TABLES_BY_NAME = {table.name: table for table in (REPLAYED, OBSERVED)}


class PartitionedRows:
    """Takes rows with their site, part and month while the folder is written."""

    def __init__(self, folder: Path, table: ExportedTable) -> None:
        self._folder, self._table = folder, table
        self._waiting: dict[tuple[str, str | None, str], list[Row]] = {}
        self._files: dict[tuple[str, str | None, str], int] = {}
        self._held = 0
        self.rows = 0

    def add(self, site: str, part: str | None, month: str, row: Row) -> None:
        """One more row. Raises OSError."""
        self._waiting.setdefault((site, part, month), []).append(row)
        self._held += 1
        self.rows += 1
        if self._held >= _HELD:
            self.flush()

    def flush(self) -> None:
        """Write what waits, one file a partition. Raises OSError."""
        for key, rows in self._waiting.items():
            names = zip(("site", "part", "month"), key, strict=True)
            folder = self._folder.joinpath(
                # Part numbers may hold a slash or a percent sign; readers of this layout take percent encoding
                # back.
                *(f"{name}={_NOTHING if value is None else quote(value, safe=' ')}" for name, value in names)
            )
            folder.mkdir(parents=True, exist_ok=True)
            # A file a flush, since a Parquet file that is closed cannot be added to.
            number = self._files[key] = self._files.get(key, -1) + 1
            file = ParquetTable(folder / f"part-{number:05d}.parquet", self._table)
            file.write(rows)
            file.close()
        self._waiting.clear()
        self._held = 0


@contextmanager
def new_partitioned(out: Path, table: ExportedTable) -> Iterator[PartitionedRows]:
    """A folder that gets its name when the context ends well; after an error nothing is left of it.

    Raises UsageError where ``out`` exists already, AgentError where it cannot be written.
    """
    with new_whole_folder(out) as folder:
        rows = PartitionedRows(folder, table)
        yield rows
        rows.flush()

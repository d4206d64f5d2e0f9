"""A table as a Parquet file, with units and meanings in the metadata of its columns (pyarrow, an extra)."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pyarrow as pa
import pyarrow.parquet as pq

from edgeagent.store.export.tables import ExportColumn, ExportedTable, Row

_TYPES: dict[str, Any] = {
    "text": pa.string(),
    "integer": pa.int64(),
    "number": pa.float64(),
    "flag": pa.bool_(),
    "time": pa.timestamp("us", tz="UTC"),
}


def _field(column: ExportColumn) -> Any:
    return pa.field(column.name, _TYPES[column.form], metadata={"unit": column.unit, "meaning": column.meaning})


class ParquetTable:
    """Writes a row group a batch, so that no more than one batch is in memory. Raises OSError."""

    def __init__(self, path: Path, table: ExportedTable) -> None:
        self._schema = pa.schema(map(_field, table.columns), metadata={"meaning": table.meaning})
        self._writer: Any = pq.ParquetWriter(path, self._schema, compression="zstd")

    def write(self, rows: list[Row]) -> None:
        """Add rows as one row group."""
        # Without rows there are no columns to take apart: a table without any has its schema alone.
        if not rows:
            return
        columns = zip(*rows, strict=True)
        # With the type stated: a batch whose column is empty throughout would otherwise become one of type
        # null.
        arrays = [pa.array(each, field.type) for each, field in zip(columns, self._schema, strict=True)]
        self._writer.write_table(pa.Table.from_arrays(arrays, schema=self._schema))

    def close(self) -> None:
        """Write the footer, without which the file cannot be read."""
        self._writer.close()

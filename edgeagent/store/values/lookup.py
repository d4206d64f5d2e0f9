"""The table of values of a long journal, for whoever looks back; what is behind it is walked."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from edgeagent.store.index.lookup import LONG
from edgeagent.store.journal import JournalReader, Position
from edgeagent.store.values.table import ValueTable, path_of


class ValueLookup:
    """A table of values that agrees with its journal up to ``position``."""

    def __init__(self, table: ValueTable, position: Position) -> None:
        self.table = table
        self.position = position

    @classmethod
    def open(cls, journal: Path) -> ValueLookup | None:
        """That of a journal folder; None where the journal is short or has no table that agrees."""
        table = ValueTable.open(path_of(journal.parent))
        if table is None:
            return None
        try:
            position = table.position
        except (sqlite3.Error, ValueError):
            position = None
        # As with the index: a table beside a restored store would report what this journal never said.
        if position is None or position.seq < LONG or not JournalReader(journal).holds(position):
            table.close()
            return None
        return cls(table, position)

"""Values of a period over time: how many, how near to their limit, and the newest of them for a picture."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from itertools import groupby

import numpy as np

from edgeagent.model import FloatArray, Verdict
from edgeagent.report.closeness import FAR, places
from edgeagent.store.values.rows import VERDICTS, ValueColumns, ValueRow, columns_of, form_of
from edgeagent.store.values.table import RowFields, ValueTable

# More points than a picture has pixels across; memory is bounded by it, too.
NEWEST_MAX = 2000
"""Points that a picture can show."""
PER_INSTANCE = ("band_rms", "band_velocity", "en_number", "amplitude_error")
"""Characteristics whose instances are series of their own."""
AT, VALUE, SPREAD, LOWER, UPPER, CAUTION, CAUTION_LOWER, BAD = range(8)
"""Columns of a series' points: POSIX seconds, numbers in the series' unit, and 1 where it does not conform."""
_UNJUDGED = VERDICTS.index(Verdict.UNJUDGED)
_BAD = [VERDICTS.index(v) for v in (Verdict.NONCONFORMING, Verdict.INCONCLUSIVE)]


@dataclass(slots=True)
class ValueSeries:
    """Values of one characteristic of one feature over time.

    ``points`` are the newest NEWEST_MAX of ``count``, in the order of their measuring: (points, 8), see AT to
    BAD. ``worst`` is the place of the worst.
    """

    subject: str
    feature: str
    name: str
    instance: str
    unit: str
    count: int = 0
    worst: float = 0.0
    points: FloatArray = field(default_factory=lambda: np.empty((0, 8)))


class PeriodSeries:
    """Gathers the series of a period from rows of values."""

    def __init__(self) -> None:
        self._found: dict[tuple[str, ...], ValueSeries] = {}

    def ranked(self) -> list[ValueSeries]:
        """All of them, those that came nearest to their limits first."""
        return sorted(self._found.values(), key=lambda s: -s.worst)

    def add_slice(self, table: ValueTable, rows: Sequence[RowFields]) -> None:
        """Add rows of the table."""
        by_kind: dict[tuple[int, int], list[RowFields]] = {}
        for row in rows:
            by_kind.setdefault((row[1], row[2]), []).append(row)
        for (form, limits), group in by_kind.items():
            columns = columns_of(table.form(form), table.limits(limits), [row[9] for row in group])
            self._add(columns, np.array([row[4] for row in group]) / 1e6)

    def add_rows(self, rows: Sequence[ValueRow]) -> None:
        """Add rows that are in no table."""
        for (form, limits), some in groupby(rows, key=lambda r: (r.form, r.limits)):
            group = list(some)
            columns = columns_of(form_of(form), limits, [row.data for row in group])
            self._add(columns, np.array([row.measured_us for row in group]) / 1e6)

    def _add(self, columns: ValueColumns, at: FloatArray) -> None:
        fresh: dict[tuple[str, str, str, str], list[FloatArray]] = {}
        for i, key, unit in _keys(columns):
            lower, upper = (None if np.isnan(b) else float(b) for b in columns.bounds[i, :2])
            where = places(columns.value[:, i], lower, upper)
            # Unjudged values have a limit in no recipe; of NaN there is nothing to draw.
            taken = ~np.isnan(where) & (columns.verdict[:, i] != _UNJUDGED)
            if not taken.any():
                continue
            series = self._found.setdefault(key, ValueSeries(*key, unit))
            series.count += int(np.count_nonzero(taken))
            # Of all, also those that no point is kept of: the ranking must not forget the worst.
            series.worst = max(series.worst, min(float(where[taken].max()), FAR))
            # Eight numbers a point: values and limits stay together, since limits change with the recipe.
            points = np.empty((int(np.count_nonzero(taken)), 8))
            points[:, AT], points[:, VALUE] = at[taken], columns.value[taken, i]
            points[:, SPREAD], points[:, LOWER:BAD] = columns.spread[taken, i], columns.bounds[i]
            points[:, BAD] = np.isin(columns.verdict[taken, i], _BAD)
            fresh.setdefault(key, []).append(points)
        for key, parts in fresh.items():
            series = self._found[key]
            series.points = _newest(np.concatenate((series.points, *parts)))


def _keys(columns: ValueColumns) -> Iterator[tuple[int, tuple[str, str, str, str], str]]:
    form = columns.form
    for i, (name, instance, unit) in enumerate(form.values):
        yield i, (form.subject, form.feature, name, instance if name in PER_INSTANCE else ""), unit


def _newest(points: FloatArray) -> FloatArray:
    # By measuring time: a backlog comes in any order, and equal times keep that of the journal.
    order = np.argsort(points[:, AT], kind="stable")
    return points[order[-NEWEST_MAX:]]

"""Several traces in one unknown export: planes, flanks or tracks one below the other, named by a column."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from edgeagent.codec.configuration.toml_text import plain
from edgeagent.codec.proposals.columns.column_roles import Roles
from edgeagent.codec.proposals.sniff import ExportTable
from edgeagent.codec.proposals.trade_words import FEATURE_PAIRS, PLANE_WORDS, TURN_WORDS, normal
from edgeagent.model import FloatArray

# More blocks than these are turns that are counted, not planes or flanks (our own choice).
_TRACES_MAX = 24


@dataclass(frozen=True, slots=True)
class SeveralTraces:
    """The column that says which trace a row is of: its field, its values as written, and a feature for each.

    Or, with ``fields``, a column of readings for each feature, beside one angle.
    """

    field: int
    values: tuple[str, ...]
    features: tuple[str, ...]
    fields: tuple[int, ...] = ()

    @property
    def keys(self) -> Mapping[str, object]:
        """The keys of the layout's ``[traces]``."""
        if self.fields:
            return {"fields": {f: k + 1 for f, k in zip(self.features, self.fields, strict=True)}}
        return {"field": self.field + 1, "features": dict(zip(self.values, self.features, strict=True))}


def stepping_column(table: ExportTable, at: int) -> int | None:
    """A column that keeps its value within each turn and changes where the angle ``at`` begins again."""
    return next((k for k in range(table.fields) if k != at and _steps_with_turns(table, at, k)), None)


def find_traces(table: ExportTable, roles: Roles, at: int, base: str | None) -> SeveralTraces | None:
    """Several traces, where a column names them beyond doubt; None where there is one, or a doubt.

    ``base`` is the feature that the header gives, which then begins the name of each.
    """
    steps = stepping_column(table, at)
    if steps is None or not _names_traces(table, roles, steps):
        return None
    values = _column(table, steps)
    blocks = [0, *(np.flatnonzero(np.diff(values) != 0) + 1).tolist(), len(values)]
    kinds = [values[begin] for begin in blocks[:-1]]
    lengths = [end - begin for begin, end in pairwise(blocks)]
    if len(set(kinds)) != len(kinds) or not 2 <= len(kinds) <= _TRACES_MAX or min(lengths) < 0.5 * max(lengths):
        return None  # a value that comes back may be another turn of the same trace
    written = [_written(table, steps, value) for value in kinds]
    features = [_feature(table, steps, text, base) for text in written]
    if len(set(features)) != len(features):
        return None
    return SeveralTraces(steps, tuple(written), tuple(features))


def find_traces_beside(table: ExportTable, fields: Sequence[int]) -> SeveralTraces | None:
    """Readings of several traces beside one angle, where each column's name says whose they are; else None."""
    # Columns of different units are no readings of the same kind.
    if len(fields) < 2 or len({table.units[k] for k in fields}) != 1:
        return None
    features = [_feature_in_name(table.names[k]) for k in fields]
    known = [feature for feature in features if feature is not None]
    if len(known) != len(fields) or len(set(known)) != len(known):
        return None
    return SeveralTraces(fields[0], (), tuple(known), tuple(fields))


def _feature_in_name(name: str) -> str | None:
    words = normal(name).split()
    sides = {
        side for word in (" ".join(words), *words) if len(word) > 1 and (side := _side_of(word)) is not None
    }
    if len(sides) == 1:
        return sides.pop()
    plane = next((k for k, word in enumerate(words[:-1]) if word in PLANE_WORDS), None)
    if sides or plane is None or len(words[plane + 1]) > 3:
        return None
    return f"{words[plane]}-{words[plane + 1]}" if f"{words[plane]}{words[plane + 1]}".isascii() else None


def _column(table: ExportTable, at: int) -> FloatArray:
    return table.codes[at] if at in table.codes else table.values[:, at]


def _names_traces(table: ExportTable, roles: Roles, at: int) -> bool:
    words = normal(table.names[at]).split()
    spoken = any(word in PLANE_WORDS for word in (" ".join(words), *words))
    flanks = at in table.labels and all(_side_of(text) for text in table.labels[at])
    return spoken or flanks or roles.role[at] in ("z", "axial", "x", "travel")


def _written(table: ExportTable, at: int, value: float) -> str:
    return table.labels[at][int(value)] if at in table.labels else f"{value:.12g}"


def _side_of(text: str) -> str | None:
    word = normal(text)
    return next((("left-flank", "right-flank")[p.index(word)] for p in FEATURE_PAIRS if word in p), None)


def _feature(table: ExportTable, at: int, text: str, base: str | None) -> str:
    side = _side_of(text) if at in table.labels else None
    if side is not None:
        return side
    name = re.sub(r"\s*[\[({<].*$", "", table.names[at])
    slug = re.sub(r"[^a-z0-9.]+", "-", normal_text(f"{name} {text}")).strip("-.")
    return "-".join(part for part in (base, slug) if part)[:60]


def normal_text(text: str) -> str:
    """Lower case and ASCII, with decimals and signs kept."""
    return "".join(c for c in normal(text.replace(".", " point ").replace("-", " minus ")).replace(
        " point ", ".").replace("minus ", "m") if c.isascii())  # fmt: skip


def _steps_with_turns(table: ExportTable, at: int, other: int) -> bool:
    # It counts the turns of one trace.
    if normal(table.names[other]) in TURN_WORDS:
        return False
    angle, values = table.values[:, at], _column(table, other)
    known = np.isfinite(angle) & np.isfinite(values)
    angle, values = angle[known], values[known]
    if len(angle) < 3:
        return False
    begins = np.abs(np.diff(angle)) > 0.5 * np.ptp(angle)
    changes = np.diff(values) != 0
    # It need not change at every turn, but nowhere else.
    return bool(changes.any() and not np.any(changes & ~begins))


def traces_in_words(found: SeveralTraces, table: ExportTable) -> tuple[str, str]:
    """What was found and why, for a person."""
    if found.fields:
        why = "their columns' names say so; the recipe must use these names as features"
        return f"{len(found.features)}: {', '.join(found.features[:6])}", why
    name = plain(table.names[found.field], 30) or f"field {found.field + 1}"
    why = f"the angle begins again where {name!r} changes; the recipe must use these names as features"
    return f"{len(found.features)}: {', '.join(found.features[:6])}", why

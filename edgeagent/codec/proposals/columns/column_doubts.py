"""What speaks against a reading of the columns: contradictions, counters, marked rows, empty lines."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from edgeagent.codec.configuration.toml_text import plain
from edgeagent.codec.proposals.columns.column_roles import Roles
from edgeagent.codec.proposals.columns.column_shapes import TURN
from edgeagent.codec.proposals.findings import Finding, OpenValue
from edgeagent.codec.proposals.sniff import ExportTable
from edgeagent.codec.proposals.trade_words import COLUMN_WORDS, FACTOR_WORDS, normal

_COUNTS = {normal(w) for w in COLUMN_WORDS["index"]} | {
    "step",
    "steps",
    "counter",
    "count",
    "schritt",
    "zahler",
}
_MARKS = {"status", "flag", "flags", "quality", "ok", "valid", "gultig", "error", "fehler", "state", "zustand"}
# Share by which turns may differ from a header's rounded number (our own choice).
_TURNS_DIFFER = 0.05


@dataclass(frozen=True, slots=True)
class Hints:
    """What the header says about the columns; ``pins`` are patterns of the lines that were relied on."""

    per_turn: float | None = None
    step: float | None = None
    step_unit: str | None = None
    turns: float | None = None
    unit: tuple[str, float] | None = None
    angle_unit: str | None = None
    pins: Mapping[str, str] = field(default_factory=dict)


def counts_rows(name: str) -> bool:
    """Whether a name speaks of a count beside what it counts along, as an angle's number does."""
    words = normal(name).split()
    return len(words) > 1 and any(word in _COUNTS for word in words)


def contradictions(hints: Hints, unit: str | OpenValue, per_turn: float, turns: float | None) -> list[Finding]:
    """Where the header says something else of the angle than its column."""
    found = []
    if hints.per_turn is not None and abs(per_turn - hints.per_turn) > 0.01 * hints.per_turn:
        found.append(
            f"the header gives {hints.per_turn:g} points a turn, the column's steps make {per_turn:.6g}"
        )
    if hints.turns is not None and turns is not None and abs(turns - hints.turns) > _TURNS_DIFFER * hints.turns:
        found.append(f"the header gives {hints.turns:g} turns, the column covers {turns:.4g}")
    if hints.angle_unit is not None and unit in TURN and hints.angle_unit != unit:
        found.append(f"the header gives the angle in {hints.angle_unit}, its column in {unit}")
    return [Finding("turns", "contradiction", False, why) for why in found]


def breaks_with_turns(table: ExportTable, at: int) -> bool:
    """Whether empty lines stand where the angle begins again, and nowhere else."""
    angle = table.values[:, at]
    if not table.breaks or len(angle) < 3:
        return False
    begins = set(
        (np.flatnonzero(np.abs(np.diff(angle)) > 0.5 * np.nanmax(np.abs(np.diff(angle)))) + 1).tolist()
    )
    return set(table.breaks) <= begins


def marked_rows(table: ExportTable, roles: Roles) -> list[Finding]:
    """Columns that mark some rows, or give each a factor: no layout uses them, and both would change values."""
    found = []
    for at, name in enumerate(table.names):
        words = set(normal(name).split())
        values = table.codes[at] if at in table.codes else table.values[:, at]
        if words & _MARKS and len(np.unique(values[np.isfinite(values)])) > 1:
            why = f"{plain(name, 30)!r} marks some rows, which are read like all others"
            found.append(Finding("missing samples", f"field {at + 1}", False, why))
        if words & set(FACTOR_WORDS) and roles.role[at] != "deviation":
            why = f"{plain(name, 30)!r} may be a factor of each row, which is not applied"
            found.append(Finding("factor", f"field {at + 1}", False, why))
    return found

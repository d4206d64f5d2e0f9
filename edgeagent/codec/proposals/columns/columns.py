"""The columns of a proposed layout: angle, position or deviation, and in which unit.

Names come first, then units, then spacing and range: an angle grows by a constant step over whole turns.
What none of them says is left open for a person.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from edgeagent.codec.configuration.toml_text import plain
from edgeagent.codec.proposals.columns.column_doubts import (
    Hints,
    breaks_with_turns,
    contradictions,
    counts_rows,
    marked_rows,
)
from edgeagent.codec.proposals.columns.column_roles import Roles, find_angle, find_deviation, radius_fields
from edgeagent.codec.proposals.columns.column_shapes import TURN, Shape, shape_of
from edgeagent.codec.proposals.columns.column_units import angle_unit, length_unit
from edgeagent.codec.proposals.columns.several_traces import (
    SeveralTraces,
    find_traces,
    find_traces_beside,
    stepping_column,
    traces_in_words,
)
from edgeagent.codec.proposals.findings import Finding, OpenValue
from edgeagent.codec.proposals.sniff import ExportTable
from edgeagent.codec.proposals.trade_words import ANGLE_UNITS, SIDE_WORDS, TURN_WORDS, column_role, normal


@dataclass(frozen=True, slots=True)
class ColumnProposal:
    """One ``[[column]]``: its keys, some of them open, and a comment."""

    name: str
    keys: Mapping[str, object]
    comment: str = ""


@dataclass(frozen=True, slots=True)
class Columns:
    """All columns of a proposal, what was found out on the way, and the hints that were used."""

    columns: tuple[ColumnProposal, ...]
    findings: tuple[Finding, ...]
    pins: tuple[str, ...] = ()
    turns: float | None = None
    traces: SeveralTraces | None = None


def round_columns(table: ExportTable, roles: Roles, hints: Hints, base: str | None = None) -> Columns:
    """Columns of a spiral or circle trace: angle and deviation. ``base`` is the header's feature."""
    at, sure = find_angle(table, roles)
    findings: list[Finding] = []
    pins: list[str] = []
    several = None
    taken = set(roles.of("index", "time", "other", "side"))
    if at is None:
        angle, turns = _angle_from_header(table, hints, findings, pins)
    else:
        taken.add(at)
        # Only where the angle is beyond doubt and begins again: else "several traces" rests on a guess.
        several = find_traces(table, roles, at, base) if sure and roles.shapes[at].saw else None
        taken |= set() if several is None else {several.field}
        angle, turns = _angle_column(table, roles, at, sure, hints, findings, pins, several)
    if several is None:
        candidates, _ = find_deviation(roles, taken, table.labels, radius_fields(table.names))
        several = find_traces_beside(table, candidates)
        if several is not None:
            findings.append(Finding("traces", *_said(several, table)))
            taken |= set(several.fields[1:])
    deviation = _deviation_column(table, roles, taken, hints, findings, pins)
    return Columns((angle, deviation), tuple(findings), tuple(pins), turns, several)


def _angle_column(
    table: ExportTable,
    roles: Roles,
    at: int,
    sure: bool,
    hints: Hints,
    findings: list[Finding],
    pins: list[str],
    several: SeveralTraces | None,
) -> tuple[ColumnProposal, float]:
    written = table.units[at]
    scale = written[1] if written is not None and written[0] in ANGLE_UNITS else 1.0
    # Steps and turns are judged in whole units, not in the column's thousandths of them.
    shape = roles.shapes[at] if scale == 1.0 or math.isnan(scale) else shape_of(table.values[:, at] * scale)
    unit_text = written[0] if written is not None else None
    # What is written at the column itself goes before what the header says of all.
    if unit_text is None and hints.angle_unit is not None:
        unit_text = hints.angle_unit
        pins.append(hints.pins["angle_unit"])
    name = table.names[at]
    # "Angle no." is a count of angles.
    named = bool(roles.role[at]) and not (shape.counter and counts_rows(name))
    if unit_text is None and normal(table.names[at]) in TURN_WORDS:
        unit_text = "rev"  # the name says what is counted; the steps must agree
    unit, unit_finding = angle_unit(shape, unit_text, named)
    sure = sure and not (shape.counter and counts_rows(name))
    why = (
        f"its name is {plain(name)!r}"
        if roles.role[at] == "angle"
        else "it grows by an even step over whole turns"
    )
    doubt = "only its even steps speak for it, or several columns could be it"
    findings.append(Finding("angle", f"field {at + 1}", sure, why if sure else doubt))
    findings.append(unit_finding)
    keys: dict[str, object] = {"field": at + 1 if sure else OpenValue(at + 1, doubt), "unit": unit}
    if math.isnan(scale):
        why = f"a number stands beside the unit of the angle: how many {unit_text} is one of the values?"
        keys["scale"] = OpenValue(1.0, why, likely=False)
        findings.append(Finding("unit of the angle", str(unit_text), False, why))
    elif scale != 1.0:
        keys["scale"] = scale
    if shape.falling:
        keys["scale"] = OpenValue(-1.0, why, likely=False) if math.isnan(scale) else -scale
        why = "the recorded angle falls; it is turned round so that it grows, as every analysis expects"
        findings.append(Finding("direction of the angle", "falling", False, why))
    if shape.saw:
        keys["unwrap"] = _joined_turns(table, at, several, findings)
    elif not (shape.rising or shape.falling):
        findings.append(Finding("angle", f"field {at + 1}", False, "it does not grow from row to row"))
    turn = TURN[unit.guess if isinstance(unit, OpenValue) else unit]
    per_turn = turn / shape.step if shape.step else 0.0
    open_end, closed = (shape.span + shape.step) / turn, shape.span / turn
    turns = min(open_end, closed, key=lambda n: abs(n - round(n)) if n > 0.5 else 1.0)
    turns = len(table.values) / per_turn if shape.saw and per_turn else turns
    turns = turns / len(several.values) if several is not None else turns
    certain = not isinstance(unit, OpenValue)
    # The header's turns may be those of one trace or of all: with several nothing contradicts.
    findings += contradictions(hints, unit, per_turn, turns if several is None else None)
    findings.append(
        Finding(
            "turns and points",
            f"{turns:.4g} {'turn' if f'{turns:.4g}' == '1' else 'turns'}, {per_turn:.6g} points a turn",
            certain,
            "from step and range",
        )
    )
    return ColumnProposal("angle_deg", keys, _comment(name)), turns


def _joined_turns(
    table: ExportTable, at: int, several: SeveralTraces | None, findings: list[Finding]
) -> bool | OpenValue:
    """Whether turns are joined; a question where another column steps just where the angle begins again."""
    if several is not None:
        findings.append(Finding("traces", *_said(several, table)))
        return True
    steps = stepping_column(table, at)
    if steps is None and breaks_with_turns(table, at):
        why = "an empty line stands where the angle begins again: turns of one trace, or traces of their own?"
        findings.append(Finding("turns", "joined", False, why))
        return OpenValue(True, why, likely=False)
    if steps is None:
        findings.append(Finding("turns", "joined", True, "the angle begins again at every turn"))
        return True
    name = plain(table.names[steps], 30) or f"field {steps + 1}"
    why = f"{name!r} steps where the angle begins again: planes, flanks or tracks are no turns of one trace"
    findings.append(Finding("turns", "joined", False, why))
    return OpenValue(True, why, likely=False)


def _said(several: SeveralTraces, table: ExportTable) -> tuple[str, bool, str]:
    value, why = traces_in_words(several, table)
    return value, True, why


def _angle_from_header(
    table: ExportTable, hints: Hints, findings: list[Finding], pins: list[str]
) -> tuple[ColumnProposal, float | None]:
    """An angle that is not recorded: points a turn or a step that the header gives."""
    points = len(table.values)
    if hints.per_turn is not None:
        turns = points / hints.per_turn
        pins.append(hints.pins["per_turn"])
        why = f"no column is an angle; the header gives {hints.per_turn:g} points a turn"
        findings.append(Finding("angle", "not recorded", True, why))
        findings.append(Finding("turns and points", f"{turns:.4g} turns", True, f"{points} rows"))
        return ColumnProposal("angle_deg", {"per_turn": hints.per_turn}, "not recorded"), turns
    if hints.step is not None:
        return _angle_from_step(table, hints, findings, pins)
    if hints.turns is not None and hints.turns > 0:
        why = f"{points} rows over the header's {hints.turns:g} turns; does the last row close the turn?"
        # Open, since rows over turns is off by one where the last row closes the turn.
        keys: dict[str, object] = {"per_turn": OpenValue(points / hints.turns, why)}
        findings.append(Finding("angle", "not recorded", False, why))
        return ColumnProposal("angle_deg", keys, "not recorded"), hints.turns
    why = "no column is an angle, and the header gives neither a step nor points a turn that are known here"
    findings.append(Finding("angle", "not recorded", False, why))
    return ColumnProposal("angle_deg", {"per_turn": OpenValue(float(points), why)}, "not recorded"), None


def _angle_from_step(
    table: ExportTable, hints: Hints, findings: list[Finding], pins: list[str]
) -> tuple[ColumnProposal, float]:
    assert hints.step is not None
    points = len(table.values)
    shape = Shape(hints.step, hints.step * (points - 1), True, False, False, True, False, False)
    unit, finding = angle_unit(shape, hints.step_unit, named=True)
    # A step of 1 makes whole turns in many units: it is asked for.
    if hints.step_unit is None and not isinstance(unit, OpenValue):
        why = f"the header gives the step without a unit; {unit} makes whole turns"
        unit, finding = OpenValue(unit, why), Finding("unit of the angle", str(unit), False, why)
    turn = TURN[unit.guess if isinstance(unit, OpenValue) else unit]
    turns = points * hints.step / turn
    pins.append(hints.pins["step"])
    findings.append(
        Finding("angle", "not recorded", True, f"no column is one; the header gives a step of {hints.step:g}")
    )
    findings += [
        finding,
        Finding("turns and points", f"{turns:.4g} turns", not isinstance(unit, OpenValue), f"{points} rows"),
    ]
    return ColumnProposal("angle_deg", {"step": hints.step, "unit": unit}, "not recorded"), turns


def _deviation_column(
    table: ExportTable, roles: Roles, taken: set[int], hints: Hints, findings: list[Finding], pins: list[str]
) -> ColumnProposal:
    candidates, sure = find_deviation(roles, taken, table.labels, radius_fields(table.names))
    if not candidates:
        candidates, sure = [k for k in range(table.fields) if k not in taken][:1] or [table.fields - 1], False
    at = candidates[0]
    name = table.names[at]
    if sure:
        why = f"its name is {plain(name)!r}" if roles.role[at] == "deviation" else "it is the only column left"
    else:
        others = ", ".join(f"{k + 1} {plain(table.names[k], 30)}".strip() for k in candidates)
        why = f"it could be field {others}" if len(candidates) > 1 else "nothing names it"
    findings.append(Finding("deviation", f"field {at + 1}", sure, why))
    keys: dict[str, object] = {"field": at + 1 if sure else OpenValue(at + 1, why)}
    written, source = table.units[at], "the column's name"
    if written is None and hints.unit is not None:
        written, source = hints.unit, "the header"
        pins.append(hints.pins["unit"])
    unit_keys, finding = length_unit(
        "unit of the deviation", written, table.values[:, at], source, deviation=True
    )
    findings.append(finding)
    if source == "the column's name" and hints.unit not in (None, written) and "unit" in unit_keys:
        why = f"the column's name and the header give different units, the header {hints.unit[0]}"
        unit_keys["unit"] = OpenValue(unit_keys["unit"], why, likely=False)
        findings.append(Finding("unit of the deviation", "contradiction", False, why))
    findings += marked_rows(table, roles)
    if roles.role[at] == "diameter":
        why = f"{plain(name)!r} is a diameter: 0.5 takes half of it, as for two ends that are measured at once"
        guess = unit_keys.get("scale", 1.0)
        unit_keys["scale"] = OpenValue(0.5 * guess if isinstance(guess, float) else 0.5, why)
        findings.append(Finding("deviation", "half a diameter", False, why))
    if re.match(r"\s*[-\u2212]\s*[^\W\d]", name):
        why = f"{plain(name)!r} begins with a minus: is its sign turned round?"
        guess = unit_keys.get("scale", 1.0)
        unit_keys["scale"] = OpenValue(-guess if isinstance(guess, float) else -1.0, why, likely=False)
        findings.append(Finding("deviation", "perhaps negated", False, why))
    why = "a positive reading is taken as " + (
        "more travel than nominal"
        if "travel" in map(column_role, table.names)
        else "material that stands proud"
    )
    why += "; only a part with a known defect shows which"
    findings.append(Finding("sign of the deviation", "as recorded", False, why))
    return ColumnProposal("deviation_um", keys | unit_keys, _comment(name) or "change its sign by scale = -1")


def travel_columns(table: ExportTable, roles: Roles, hints: Hints) -> Columns:
    """Columns of a travel trace: nominal travel and deviation."""
    findings: list[Finding] = []
    pins: list[str] = []
    taken = set(roles.of("index", "time", "other", "side"))
    named = [k for k in roles.of("travel", "x", "axial") if roles.shapes[k].rising or roles.shapes[k].falling]
    running = named or [k for k, s in enumerate(roles.shapes) if s.rising and k not in taken]
    at, sure = (running[0], len(named) == 1) if running else (0, False)
    taken.add(at)
    why = f"its name is {plain(table.names[at])!r}" if sure else "only its growth speaks for it"
    findings.append(Finding("travel", f"field {at + 1}", sure, why))
    unit, finding = length_unit(
        "unit of the travel", table.units[at], table.values[:, at], "the column's name", deviation=False
    )
    findings.append(finding)
    travel = ColumnProposal(
        "travel_mm", {"field": at + 1 if sure else OpenValue(at + 1, why), **unit}, _comment(table.names[at])
    )
    deviation = _deviation_column(table, roles, taken, hints, findings, pins)
    deviation = _ask_for_position(table, roles, at, deviation, findings)
    return Columns((travel, deviation), tuple(findings), tuple(pins))


def torque_columns(table: ExportTable, roles: Roles) -> Columns:
    """Columns of a torque trace: travel and torque. Only the column says that "Nm" is no length."""
    findings: list[Finding] = []
    keys: list[dict[str, object]] = []
    named = (roles.of("travel", "x", "axial"), roles.of("torque"))
    for what, fields in zip(("travel", "torque"), named, strict=True):
        rest = [k for k in range(table.fields) if k not in table.labels]
        at, sure = (fields[0], len(fields) == 1) if fields else (rest[0] if rest else 0, False)
        why = f"its name is {plain(table.names[at])!r}" if sure else "nothing names it alone"
        findings.append(Finding(what, f"field {at + 1}", sure, why))
        keys.append({"field": at + 1 if sure else OpenValue(at + 1, why)})
    along, across = (int(str(getattr(k["field"], "guess", k["field"]))) - 1 for k in keys)
    unit, finding = length_unit(
        "unit of the travel", table.units[along], table.values[:, along], "the column's name", deviation=False
    )
    findings.append(finding)
    written = table.units[across]
    if written == ("nm", 1.0):  # Nm: a torque is no length
        torque: object = "N m"
        findings.append(Finding("unit of the torque", "N m", True, "written in the column's name"))
    else:
        why = "N m, N cm, N mm or mN m?"
        torque = OpenValue("N m", why)
        findings.append(Finding("unit of the torque", "N m", False, why))
    return Columns(
        (
            ColumnProposal("travel_mm", {**keys[0], **unit}, _comment(table.names[along])),
            ColumnProposal("torque_n_m", {**keys[1], "unit": torque}, _comment(table.names[across])),
        ),
        tuple(findings),
        (),
    )


def _ask_for_position(
    table: ExportTable, roles: Roles, along: int, column: ColumnProposal, findings: list[Finding]
) -> ColumnProposal:
    """The column of the deviation with its field left open where it runs like the travel itself."""
    field = column.keys["field"]
    at = int(str(field.guess if isinstance(field, OpenValue) else field)) - 1
    values, travel = table.values[:, at], table.values[:, along]
    known = np.isfinite(values) & np.isfinite(travel)
    if at == along or np.count_nonzero(known) < 3 or not (roles.shapes[at].rising or roles.shapes[at].falling):
        return column
    # A position leaves 1 - r of some 1e-8; a deviation that rises with the travel has waves, above 1e-4.
    if abs(np.corrcoef(values[known], travel[known])[0, 1]) < 0.999999:
        return column
    name = plain(table.names[at], 30)
    why = f"{name!r} runs like the travel: an actual position, of which no layout makes a deviation"
    findings.append(Finding("deviation", f"field {at + 1}", False, why))
    return ColumnProposal(
        column.name, {**column.keys, "field": OpenValue(at + 1, why, likely=False)}, column.comment
    )


def axial_columns(table: ExportTable, roles: Roles) -> Columns:
    """Columns of an axial trace: side, position along and height across the axis."""
    findings: list[Finding] = []
    usable = [k for k in range(table.fields) if roles.role[k] not in ("index", "time", "other", "side")]
    along, across, sure, why = _along_and_across(roles, usable)
    findings.append(Finding("x along, z across the axis", f"fields {along + 1} and {across + 1}", sure, why))
    columns = [_side_column(table, roles, findings)]
    for name, at in (("x_mm", along), ("z_mm", across)):
        unit, finding = length_unit(
            f"unit of {name[0]}", table.units[at], table.values[:, at], "the column's name", deviation=False
        )
        findings.append(finding)
        keys = {"field": at + 1 if sure else OpenValue(at + 1, why), **unit}
        columns.append(ColumnProposal(name, keys, _comment(table.names[at])))
    return Columns(tuple(columns), tuple(findings))


def _along_and_across(roles: Roles, usable: list[int]) -> tuple[int, int, bool, str]:
    x, z = roles.of("x"), roles.of("z")
    if len(x) == 1 and len(z) == 1:
        runs = roles.shapes[x[0]].even or roles.shapes[x[0]].rising or roles.shapes[x[0]].saw
        crossed = roles.shapes[z[0]].even or roles.shapes[z[0]].rising
        if crossed and not runs:
            return x[0], z[0], False, "the column named z grows evenly as if it ran along the axis"
        return x[0], z[0], True, "their names say so"
    running = [k for k in usable if roles.shapes[k].even or roles.shapes[k].rising or roles.shapes[k].saw]
    along = running[0] if running else usable[0] if usable else 0
    rest = [k for k in usable if k != along]
    return along, rest[0] if rest else along, False, "only the even growth of one column speaks for it"


def _side_column(table: ExportTable, roles: Roles, findings: list[Finding]) -> ColumnProposal:
    sides = roles.of("side")
    if not sides:
        why = "no column gives a side; one side is assumed: offset 1 is the top, -1 the bottom"
        findings.append(Finding("side", "top", False, why))
        # A step of 0 with an offset makes a constant column, the code of a side.
        return ColumnProposal("side", {"step": 0.0, "offset": OpenValue(1.0, why)}, "every row is of one side")
    at = sides[0]
    words = {w: SIDE_WORDS[w.lower()] for w in table.labels.get(at, ()) if w.lower() in SIDE_WORDS}
    unknown = [w for w in table.labels.get(at, ()) if w.lower() not in SIDE_WORDS]
    if not words or unknown:
        why = f"the labels {plain(', '.join(table.labels.get(at, ())))!r} are not known"
        findings.append(Finding("side", f"field {at + 1}", False, why))
        guess = dict(zip(table.labels.get(at, ()), ("top", "bottom"), strict=False))
        return ColumnProposal("side", {"field": at + 1, "words": OpenValue(guess, why)})
    findings.append(Finding("side", f"field {at + 1}", True, f"its labels are {plain(', '.join(words))}"))
    # top and bottom need no translation.
    plain_words = all(w == label for w, label in words.items())
    return ColumnProposal("side", {"field": at + 1} | ({} if plain_words else {"words": words}))


def _comment(name: str) -> str:
    return plain(re.sub(r"\s+", " ", name), 40)

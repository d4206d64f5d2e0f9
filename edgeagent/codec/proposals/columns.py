"""What the columns of an unknown export mean: angle, position or deviation, and in which unit.

Names come first, then units, then spacing and range: an angle grows by a constant step over whole turns.
What none of them tells is left open for a person.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from edgeagent.codec.configuration.toml_text import plain
from edgeagent.codec.proposals.findings import Finding, Open
from edgeagent.codec.proposals.sniff import ExportTable
from edgeagent.codec.proposals.trade_words import ANGLE_UNITS, LENGTH_UNITS, SIDE_WORDS, column_role
from edgeagent.model import FloatArray

TURN = {"deg": 360.0, "rad": 2 * np.pi, "grad": 400.0, "rev": 1.0, "arcmin": 21600.0}
"""One turn in each unit of angle."""
_UM = {"um": 1.0, "mm": 1e3, "nm": 1e-3, "m": 1e6, "cm": 1e4, "inch": 25400.0}
_TURNS_MAX = 60.0
_POINTS_A_TURN = (20.0, 2e6)
_DEVIATION_UM = {"the column's name": (1e-2, 2e3), "the header": (5e-2, 5e2)}
"""Peak to valley, less the slope, that is believed of a unit by where it is written; our own choice."""


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


@dataclass(frozen=True, slots=True)
class Shape:
    """How a column runs: ``saw`` when it grows and falls back by nearly its range at every turn."""

    step: float
    span: float
    rising: bool
    falling: bool
    saw: bool
    even: bool
    counter: bool
    constant: bool


def shape_of(values: FloatArray) -> Shape:
    """How the finite samples of a column run, shape (n,)."""
    finite = values[np.isfinite(values)]
    if len(finite) < 3:
        return Shape(0.0, 0.0, False, False, False, False, False, True)
    steps = np.diff(finite)
    step = float(np.median(steps))
    low, high = float(np.min(finite)), float(np.max(finite))
    rising, falling = bool(np.all(steps > 0)), bool(np.all(steps < 0))
    drops = steps < -0.5 * (high - low) if step > 0 else steps > 0.5 * (high - low)
    saw = bool(step != 0 and 0 < np.count_nonzero(drops) <= 0.02 * len(steps)
               and np.all((steps[~drops] > 0) if step > 0 else (steps[~drops] < 0)))  # fmt: skip
    kept = steps[~drops] if saw else steps
    resolution = max(1e-12 * max(abs(low), abs(high)), _last_digit(finite))
    even = bool(step != 0 and np.percentile(np.abs(kept - step), 99) <= 0.05 * abs(step) + 1.01 * resolution)
    if even and not saw:
        places = np.flatnonzero(np.isfinite(values))
        step = float(finite[-1] - finite[0]) / float(places[-1] - places[0])
    counter = bool(np.all(steps == 1.0) and finite[0] in (0.0, 1.0))
    span = high - low if saw else abs(float(finite[-1] - finite[0]))
    return Shape(abs(step), span, rising, falling or (saw and step < 0), saw, even, counter, low == high)


def _last_digit(values: FloatArray) -> float:
    """The value of the last decimal place in use."""
    sample = values[:200]
    if np.max(np.abs(sample), initial=0.0) > 1e12:  # no decimal place of such a number is left in a float64
        return 0.0
    return next(
        (10.0**-k for k in range(10) if np.allclose(sample * 10**k, np.round(sample * 10**k), atol=1e-6)), 0.0
    )


def whole_turns_in(shape: Shape) -> tuple[str, ...]:
    """Units in which the column covers whole turns, to half a step."""
    if not shape.even or shape.step <= 0:
        return ()
    found = []
    for unit, turn in TURN.items():
        points = turn / shape.step
        if not _POINTS_A_TURN[0] <= points <= _POINTS_A_TURN[1]:
            continue
        for span in (shape.span, shape.span + shape.step):
            whole = round(span / turn)
            limit = 1 if shape.saw else _TURNS_MAX
            if 1 <= whole <= limit and abs(span - whole * turn) <= 0.51 * shape.step:
                found.append(unit)
                break
    return tuple(found)


def angle_unit(shape: Shape, written: str | None, named: bool) -> tuple[str | Open, Finding]:
    """The unit of an angle column from what is written and from how it runs."""
    fits = whole_turns_in(shape)
    if written == "grad-or-deg":
        written = next((u for u in ("deg", "grad") if fits == (u,)), None)
    if written is not None:
        points = TURN[written] / shape.step if shape.step else 0.0
        if fits and written not in fits:
            why = f"{written} is written, but the steps make whole turns in {fits[0]}"
            return Open(fits[0], why), Finding("unit of the angle", written, False, why)
        if not _POINTS_A_TURN[0] <= points <= _POINTS_A_TURN[1]:
            why = f"{written} is written, but then a turn would have {points:.3g} points"
            return Open(_likely_angle_unit(shape), why), Finding("unit of the angle", written, False, why)
        if not shape.saw and shape.span + shape.step < 0.9 * TURN[written]:
            why = f"{written} is written, but then the trace covers {shape.span / TURN[written]:.2g} of a turn"
            return Open(_likely_angle_unit(shape), why), Finding("unit of the angle", written, False, why)
        whole = " and the steps make whole turns" if written in fits else ""
        return written, Finding("unit of the angle", written, True, f"the unit is written{whole}")
    strong = [u for u in fits if u in ("deg", "rad", "grad")]
    if len(fits) == 1 and strong and (named or fits[0] == "rad" or not shape.counter):
        turns = round((shape.span + shape.step) / TURN[fits[0]], 2)
        why = (
            f"no unit is written; even steps of {shape.step:.6g} cover {turns:g} whole turns only in {fits[0]}"
        )
        return fits[0], Finding("unit of the angle", fits[0], True, why)
    guess = fits[0] if fits else _likely_angle_unit(shape)
    why = "no unit is written, and " + (
        f"the steps make whole turns in {' and in '.join(fits)}" if len(fits) > 1
        else "a column that counts by one may be a row number" if fits and shape.counter
        else f"only the range {shape.span:.6g} speaks for {guess}"
    )  # fmt: skip
    return Open(guess, why), Finding("unit of the angle", guess, False, why)


def _likely_angle_unit(shape: Shape) -> str:
    span = max(shape.span, shape.step)
    return next((u for u in ("deg", "rad", "rev") if 0.9 <= span / TURN[u] <= _TURNS_MAX), "deg")


def length_unit(
    what: str, written: tuple[str, float] | None, values: FloatArray, source: str, *, deviation: bool
) -> tuple[dict[str, object], Finding]:
    """Keys ``unit`` and ``scale`` of a column of lengths; ``source`` says where the unit is written."""
    if written is not None and written[0] in LENGTH_UNITS:
        unit, scale = written
        keys: dict[str, object] = {"unit": unit} | ({"scale": scale} if scale != 1.0 else {})
        size = _size(values, deviation) * scale * _UM[unit]
        low, high = _DEVIATION_UM[source]
        if deviation and not low <= size <= high:
            why = f"{unit} is written in {source}, but then the trace would range over {size:.3g} µm"
            return keys | {"unit": Open(_likely_length_unit(values), why)}, Finding(what, unit, False, why)
        return keys, Finding(what, unit, True, f"written in {source}")
    if written is not None:
        why = "the values are not lengths (volts, counts or per cent): how many µm is one of them?"
        return {"unit": "um", "scale": Open(1.0, why)}, Finding(what, "unknown", False, why)
    guess = _likely_length_unit(values) if deviation else "mm"
    why = f"no unit is written; the values range over {_size(values, deviation):.4g}, likely in {guess}"
    return {"unit": Open(guess, why)}, Finding(what, guess, False, why)


def _size(values: FloatArray, detrend: bool) -> float:
    finite = values[np.isfinite(values)]
    if len(finite) < 3:
        return 0.0
    if detrend:
        place = np.linspace(-1.0, 1.0, len(finite))
        centred = finite - np.mean(finite)
        finite = centred - place * float(np.dot(place, centred) / np.dot(place, place))
    return float(np.ptp(finite))


def _likely_length_unit(values: FloatArray) -> str:
    size = _size(values, True)
    return next((u for u in ("um", "mm", "nm", "m") if 0.3 <= size * _UM[u] <= 1000.0), "um")


@dataclass(frozen=True, slots=True)
class Roles:
    """Which field may be what, from names and units; ``named`` are those whose name speaks."""

    role: tuple[str | None, ...]
    shapes: tuple[Shape, ...]

    def of(self, *roles: str) -> list[int]:
        """Fields with one of the roles."""
        return [k for k, role in enumerate(self.role) if role in roles]


def roles_of(table: ExportTable) -> Roles:
    """The role that name and unit of each field speak for."""
    roles: list[str | None] = []
    for k, (name, unit) in enumerate(zip(table.names, table.units, strict=True)):
        role = column_role(name)
        if k in table.labels:
            role = (
                "side"
                if role == "side" or set(map(str.lower, table.labels[k])) <= SIDE_WORDS.keys()
                else "other"
            )
        elif unit is not None and unit[0] in ANGLE_UNITS and role not in ("other", "index"):
            role = "angle" if role in ("angle", "travel", "x", "z", "axial", None) else None
        elif unit is not None and unit[0] == "s":
            role = "time"
        elif unit is not None and unit[0] in LENGTH_UNITS and role in ("angle", "time", "index"):
            role = None
        roles.append(role)
    return Roles(tuple(roles), tuple(shape_of(table.values[:, k]) for k in range(table.fields)))


def find_angle(table: ExportTable, roles: Roles) -> tuple[int | None, bool]:
    """The field of the angle and whether that is sure; None where no column can be one."""
    named = roles.of("angle")
    running = [k for k in named if roles.shapes[k].rising or roles.shapes[k].falling or roles.shapes[k].saw]
    if len(running) == 1:
        return running[0], True
    if len(running) > 1:
        return running[0], False
    nameless = [
        k for k, role in enumerate(roles.role) if k not in table.labels and _may_turn(role, table.units[k])
    ]
    fitting = [k for k in nameless if set(whole_turns_in(roles.shapes[k])) - {"rev", "arcmin"}]
    exact = [k for k in fitting if not roles.shapes[k].counter]
    if len(exact) == 1 and not any(table.names) and whole_turns_in(roles.shapes[exact[0]]) == ("rad",):
        return exact[0], True  # a multiple of 2 pi is no accident; 360 of something may be
    if fitting:
        return (exact or fitting)[0], False
    even = [k for k in nameless if roles.shapes[k].even and not roles.shapes[k].counter]
    return (even[0], False) if even and table.fields > 1 and not roles.of("travel", "x", "z") else (None, False)


def _may_turn(role: str | None, unit: tuple[str, float] | None) -> bool:
    """Whether a column that is not called an angle may be one: nothing else is certain of it."""
    if unit is not None:
        return role is None and unit[0] in ANGLE_UNITS
    return role in (None, "travel", "x", "axial")


def find_deviation(
    roles: Roles, taken: set[int], labels: Mapping[int, tuple[str, ...]]
) -> tuple[list[int], bool]:
    """Fields that may be the deviation, the likeliest first, and whether there is no doubt."""
    named = [k for k in roles.of("deviation") if k not in taken]
    if len(named) == 1:
        return named, True
    if named:
        return named, False
    rest = [
        k for k, role in enumerate(roles.role)
        if role is None and k not in taken and k not in labels and not roles.shapes[k].constant
    ]  # fmt: skip
    wavy = [k for k in rest if not (roles.shapes[k].even or roles.shapes[k].counter)] or rest
    return wavy, len(wavy) == 1 and len(rest) == 1


def round_columns(table: ExportTable, roles: Roles, hints: Hints) -> Columns:
    """Columns of a spiral or circle trace: angle and deviation."""
    at, sure = find_angle(table, roles)
    findings: list[Finding] = []
    pins: list[str] = []
    taken = set(roles.of("index", "time", "other", "side"))
    if at is None:
        angle, turns = _angle_from_header(table, hints, findings, pins)
    else:
        taken.add(at)
        angle, turns = _angle_column(table, roles, at, sure, hints, findings, pins)
    deviation = _deviation_column(table, roles, taken, hints, findings, pins)
    return Columns((angle, deviation), tuple(findings), tuple(pins), turns)


def _angle_column(
    table: ExportTable,
    roles: Roles,
    at: int,
    sure: bool,
    hints: Hints,
    findings: list[Finding],
    pins: list[str],
) -> tuple[ColumnProposal, float]:
    shape = roles.shapes[at]
    written = table.units[at]
    unit_text = written[0] if written is not None and written[0] in ANGLE_UNITS else None
    if unit_text is None and hints.angle_unit is not None:
        unit_text = hints.angle_unit
        pins.append(hints.pins["angle_unit"])
    unit, unit_finding = angle_unit(shape, unit_text, bool(roles.role[at]))
    name = table.names[at]
    why = (
        f"its name is {plain(name)!r}"
        if roles.role[at] == "angle"
        else "it grows by an even step over whole turns"
    )
    doubt = "only its even steps speak for it, or several columns could be it"
    findings.append(Finding("angle", f"field {at + 1}", sure, why if sure else doubt))
    findings.append(unit_finding)
    keys: dict[str, object] = {"field": at + 1 if sure else Open(at + 1, doubt), "unit": unit}
    if shape.falling:
        keys["scale"] = -1.0
        why = "the recorded angle falls; it is turned round so that it grows, as every analysis expects"
        findings.append(Finding("direction of the angle", "falling", False, why))
    if shape.saw:
        keys["unwrap"] = True
        findings.append(Finding("turns", "joined", True, "the angle begins again at every turn"))
    elif not (shape.rising or shape.falling):
        findings.append(Finding("angle", f"field {at + 1}", False, "it does not grow from row to row"))
    turn = TURN[unit.guess if isinstance(unit, Open) else unit]
    per_turn = turn / shape.step if shape.step else 0.0
    open_end, closed = (shape.span + shape.step) / turn, shape.span / turn
    turns = min(open_end, closed, key=lambda n: abs(n - round(n)) if n > 0.5 else 1.0)
    turns = len(table.values) / per_turn if shape.saw and per_turn else turns
    certain = not isinstance(unit, Open)
    findings.append(
        Finding(
            "turns and points",
            f"{turns:.4g} turns, {per_turn:.6g} points a turn",
            certain,
            "from step and range",
        )
    )
    return ColumnProposal("angle_deg", keys, _comment(name)), turns


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
        keys: dict[str, object] = {"per_turn": Open(points / hints.turns, why)}
        findings.append(Finding("angle", "not recorded", False, why))
        return ColumnProposal("angle_deg", keys, "not recorded"), hints.turns
    why = "no column is an angle, and the header gives neither a step nor points a turn that are known here"
    findings.append(Finding("angle", "not recorded", False, why))
    return ColumnProposal("angle_deg", {"per_turn": Open(float(points), why)}, "not recorded"), None


def _angle_from_step(
    table: ExportTable, hints: Hints, findings: list[Finding], pins: list[str]
) -> tuple[ColumnProposal, float]:
    assert hints.step is not None
    points = len(table.values)
    shape = Shape(hints.step, hints.step * (points - 1), True, False, False, True, False, False)
    unit, finding = angle_unit(shape, hints.step_unit, named=True)
    if hints.step_unit is None and not isinstance(unit, Open):
        why = f"the header gives the step without a unit; {unit} makes whole turns"
        unit, finding = Open(unit, why), Finding("unit of the angle", str(unit), False, why)
    turn = TURN[unit.guess if isinstance(unit, Open) else unit]
    turns = points * hints.step / turn
    pins.append(hints.pins["step"])
    findings.append(
        Finding("angle", "not recorded", True, f"no column is one; the header gives a step of {hints.step:g}")
    )
    findings += [
        finding,
        Finding("turns and points", f"{turns:.4g} turns", not isinstance(unit, Open), f"{points} rows"),
    ]
    return ColumnProposal("angle_deg", {"step": hints.step, "unit": unit}, "not recorded"), turns


def _deviation_column(
    table: ExportTable, roles: Roles, taken: set[int], hints: Hints, findings: list[Finding], pins: list[str]
) -> ColumnProposal:
    candidates, sure = find_deviation(roles, taken, table.labels)
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
    keys: dict[str, object] = {"field": at + 1 if sure else Open(at + 1, why)}
    written, source = table.units[at], "the column's name"
    if written is None and hints.unit is not None:
        written, source = hints.unit, "the header"
        pins.append(hints.pins["unit"])
    unit_keys, finding = length_unit(
        "unit of the deviation", written, table.values[:, at], source, deviation=True
    )
    findings.append(finding)
    why = "a positive reading is taken as " + (
        "more travel than nominal"
        if "travel" in map(column_role, table.names)
        else "material that stands proud"
    )
    why += "; the file cannot tell, a known defect can"
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
        "travel_mm", {"field": at + 1 if sure else Open(at + 1, why), **unit}, _comment(table.names[at])
    )
    deviation = _deviation_column(table, roles, taken, hints, findings, pins)
    return Columns((travel, deviation), tuple(findings), tuple(pins))


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
        keys = {"field": at + 1 if sure else Open(at + 1, why), **unit}
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
        return ColumnProposal("side", {"step": 0.0, "offset": Open(1.0, why)}, "every row is of one side")
    at = sides[0]
    words = {w: SIDE_WORDS[w.lower()] for w in table.labels.get(at, ()) if w.lower() in SIDE_WORDS}
    unknown = [w for w in table.labels.get(at, ()) if w.lower() not in SIDE_WORDS]
    if not words or unknown:
        why = f"the labels {plain(', '.join(table.labels.get(at, ())))!r} are not known"
        findings.append(Finding("side", f"field {at + 1}", False, why))
        guess = dict(zip(table.labels.get(at, ()), ("top", "bottom"), strict=False))
        return ColumnProposal("side", {"field": at + 1, "words": Open(guess, why)})
    findings.append(Finding("side", f"field {at + 1}", True, f"its labels are {plain(', '.join(words))}"))
    plain_words = all(w == label for w, label in words.items())
    return ColumnProposal("side", {"field": at + 1} | ({} if plain_words else {"words": words}))


def _comment(name: str) -> str:
    return plain(re.sub(r"\s+", " ", name), 40)

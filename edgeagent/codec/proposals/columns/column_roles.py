"""Which column of an unknown export may be the angle, the deviation or a position: by name, then by shape."""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass

from edgeagent.codec.proposals.columns.column_shapes import Shape, shape_of, whole_turns_in
from edgeagent.codec.proposals.sniff import ExportTable
from edgeagent.codec.proposals.trade_words import ANGLE_UNITS, LENGTH_UNITS, SIDE_WORDS, column_role, normal


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
        # A column of words is a side or nothing, whatever its name says.
        if k in table.labels:
            role = (
                "side"
                if role == "side" or set(map(str.lower, table.labels[k])) <= SIDE_WORDS.keys()
                else "other"
            )
        # The unit goes before the name: a "position" in degrees is an angle.
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
    # A count of rows makes whole turns of 360 by accident.
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
    roles: Roles, taken: set[int], labels: Mapping[int, tuple[str, ...]], radii: Set[int] = frozenset()
) -> tuple[list[int], bool]:
    """Fields that may be the deviation, the likeliest first, and whether there is no doubt.

    ``radii`` are fields whose name says radius.
    """
    named = [k for k in roles.of("deviation") or roles.of("diameter") if k not in taken]
    if len(others := [k for k in named if k not in radii]) == 1:
        named = others  # the deviation itself goes before the radius that it belongs to
    if len(named) == 1:
        return named, True
    if named:
        return named, False
    rest = [
        k for k, role in enumerate(roles.role)
        if role is None and k not in taken and k not in labels and not roles.shapes[k].constant
    ]  # fmt: skip
    # What grows evenly is a position or a count, never a deviation.
    wavy = [k for k in rest if not (roles.shapes[k].even or roles.shapes[k].counter)] or rest
    return wavy, len(wavy) == 1 and len(rest) == 1


_RADIUS_WORDS = frozenset({"radius", "rayon", "raggio", "radio"})


def radius_fields(names: Sequence[str]) -> frozenset[int]:
    """Fields whose name says radius: the deviation is in them, beside the radius itself."""
    return frozenset(k for k, name in enumerate(names) if _RADIUS_WORDS & set(normal(name).split()))

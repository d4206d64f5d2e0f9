"""The spindle's error motion by order, from a file of delimited text beside ``agent.toml``.

A header line names the columns ``upr``, ``radial_nm`` and, where it is known, ``axial_nm``: amplitudes of the
error motion that every turn repeats. Lines that begin with ``#`` are remarks.
"""

from __future__ import annotations

import math

from edgeagent.codec.numbers import parse_plain_number
from edgeagent.errors import ConfigError

KEY = "uncertainty.spindle_file"
ORDERS_MAX = 64
"""More orders would not fit into a journal record; between them straight lines in log-log hold."""
_COLUMNS = ("upr", "radial_nm", "axial_nm")


def parse_spindle(data: bytes, file: str) -> tuple[tuple[float, float, float], ...]:
    """(upr, radial_nm, axial_nm) by rising upr, axial 0 where the file has no such column.

    Raises ConfigError naming file, line, key, value and what is allowed.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise ConfigError(file, KEY, "is no UTF-8 text") from error
    lines = [
        (number, line.strip())
        for number, line in enumerate(text.splitlines(), 1)
        if line.strip() and not line.lstrip().startswith("#")
    ]
    if not lines:
        raise ConfigError(file, KEY, "has no header line", allowed=", ".join(_COLUMNS))
    number, head = lines[0]
    names = [name.strip() for name in head.split(",")]
    if names not in ([*_COLUMNS[:2]], [*_COLUMNS]):
        complaint, allowed = "has other columns", "upr,radial_nm or upr,radial_nm,axial_nm"
        raise ConfigError(f"{file}: line {number}", KEY, complaint, value=head, allowed=allowed)
    found: list[tuple[float, float, float]] = []
    for number, line in lines[1:]:
        upr, radial, *axial = _numbers(line, len(names), f"{file}: line {number}")
        where = f"{file}: line {number}"
        if not upr >= 2:
            raise ConfigError(where, KEY, "upr too low", value=upr, allowed="2 and more: 1 is eccentricity")
        if found and not upr > found[-1][0]:
            raise ConfigError(where, KEY, "upr does not rise", value=upr, allowed=f"above {found[-1][0]:g}")
        for name, value in zip(names[1:], (radial, *axial), strict=True):
            if value < 0:
                raise ConfigError(where, KEY, f"{name} is negative", value=value, allowed="0 and more")
        found.append((upr, radial, axial[0] if axial else 0.0))
    if not 0 < len(found) <= ORDERS_MAX:
        raise ConfigError(file, KEY, "number of orders", value=len(found), allowed=f"1 to {ORDERS_MAX}")
    return tuple(found)


def _numbers(line: str, count: int, where: str) -> list[float]:
    cells = [cell.strip() for cell in line.split(",")]
    if len(cells) != count:
        raise ConfigError(where, KEY, "number of cells", value=len(cells), allowed=str(count))
    values = []
    for cell in cells:
        try:
            value = parse_plain_number(cell)
        except ValueError as error:
            raise ConfigError(where, KEY, "is no number", value=cell, allowed="a number") from error
        if not math.isfinite(value):
            raise ConfigError(where, KEY, "is not finite", value=cell, allowed="a number")
        values.append(value)
    return values

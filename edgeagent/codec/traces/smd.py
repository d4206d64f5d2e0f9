"""SMD, the profile text format of ISO 5436-2, to a profile.

Four sections, each closed by a line with the character ETX: header with the axes, information, heights, and a
checksum over all bytes up to the end of the third ETX's line.
"""

from __future__ import annotations

import numpy as np

from edgeagent.codec.numbers import parse_plain_number
from edgeagent.codec.traces.bounds import require_points
from edgeagent.codec.traces.profile_data import ProfileData
from edgeagent.errors import TraceFormatError
from edgeagent.model import FloatArray

MAX_BYTES = 256 * 1024 * 1024

_ETX = b"\x03"
_UNIT_MM = {"m": 1e3, "mm": 1.0, "um": 1e-3, "µm": 1e-3, "nm": 1e-6}
_MISSING = "BAD"
"""Word for a sample that was not measured, as ISO 25178-71's text form has it (from memory)."""


def parse_smd(data: bytes) -> ProfileData:
    """A profile from the bytes of an SMD file.

    Parameters
    ----------
    data : bytes
        The whole file; fields separated by NUL or blanks, lines by LF or CR LF.

    Returns
    -------
    ProfileData
        `x_mm` from the increment of the x axis, `z_mm` as stored, both scaled to mm.

    Raises
    ------
    TraceFormatError
        Not an SMD profile, a surface, an axis that is not understood, counts that differ from the header, a
        height that is no number, or a checksum that does not fit. The message gives the line where it can.

    Notes
    -----
    ISO 5436-2. The checksum is the sum of the bytes modulo 65535. Only profiles with an incremental x axis.
    """
    if len(data) > MAX_BYTES:
        raise TraceFormatError(f"the file has {len(data)} bytes", expected=f"at most {MAX_BYTES}")
    header, information, heights, first_line = _sections(data)
    axes, name = _header(header)
    points, step_mm = _x_axis(axes)
    z_points, factor = _z_axis(axes)
    # What is announced and what is there, before any height is converted: either may be wrong.
    require_points(max(points, z_points))
    require_points(len(heights))
    z_mm = _heights(heights, first_line) * factor
    for axis, count in (("CX", points), ("CZ", z_points)):
        if count != z_mm.size:
            raise TraceFormatError(f"{z_mm.size} heights, but axis {axis} announces {count}")
    # The index times the step, so that no rounding adds up over the profile.
    return ProfileData(
        x_mm=step_mm * np.arange(z_mm.size, dtype=np.float64), z_mm=z_mm, name=name, metadata=information
    )


def _sections(data: bytes) -> tuple[list[str], dict[str, str], list[str], int]:
    """Header lines, information, lines of heights, and the number of the first of these; checksum compared."""
    marks = _positions(data, _ETX, 4)
    if not data.lstrip(b"\xef\xbb\xbf").startswith(b"ISO 5436") or len(marks) < 3:
        raise TraceFormatError(
            "this is not an SMD file",
            line=1,
            expected="a first line 'ISO 5436 - 2000' and sections closed by ETX (character 3)",
        )
    if len(marks) < 4:
        raise TraceFormatError("the fourth section is not closed", expected="a checksum and a fourth ETX")
    end_of_line = data.find(b"\n", marks[2], marks[3])
    if end_of_line < 0:
        raise TraceFormatError("the third ETX has no end of line", expected="a checksum on the next line")
    # Before anything in the sections is believed.
    _compare_checksum(data, end_of_line + 1, marks[3])
    header, information, heights = (
        data[a:b].decode("latin-1") for a, b in zip((0, marks[0] + 1, marks[1] + 1), marks[:3], strict=True)
    )
    return (
        header.splitlines(),
        _information(information),
        heights.splitlines(),
        data.count(b"\n", 0, marks[1]) + 1,
    )


def _positions(data: bytes, mark: bytes, most: int) -> list[int]:
    found: list[int] = []
    place = data.find(mark)
    while place >= 0 and len(found) < most:
        found.append(place)
        place = data.find(mark, place + 1)
    return found


def _compare_checksum(data: bytes, start: int, end: int) -> None:
    line = data.count(b"\n", 0, start) + 1
    written = data[start:end].decode("latin-1").strip(" \t\r\n\0")
    if not (written.isascii() and written.isdigit()):
        raise TraceFormatError(f"the checksum is {written[:20]!r}", line=line, expected="a whole number")
    # In 64 bits: uint8 would overflow, and only the sum as a whole is taken modulo 65535.
    found = int(np.frombuffer(data, dtype=np.uint8, count=start).sum(dtype=np.uint64)) % 65535
    if int(written[:20]) != found:
        raise TraceFormatError(
            f"the file was changed or damaged: its checksum says {written[:20]}, its bytes sum up to {found}",
            line=line,
        )


def _fields(line: str) -> list[str]:
    return line.replace("\0", " ").split()


def _information(text: str) -> dict[str, str]:
    found: dict[str, str] = {}
    for line in text.splitlines():
        name, _, value = line.replace("\0", " ").strip().partition(" ")
        # Of a name that comes twice the first counts, as for a header.
        if name and name not in found:
            found[name] = value.strip()[:200]
    return found


def _header(lines: list[str]) -> tuple[dict[str, tuple[int, list[str]]], str]:
    """Fields of the axis lines by their name, with their line; and the name of the measurement."""
    parts = lines[0].split("\0")
    kind = _fields(lines[1])[:1] if len(lines) > 1 else []
    if kind != ["PRF"]:
        what = "a surface" if kind == ["SUR"] else f"of type {' '.join(kind)!r}"
        raise TraceFormatError(f"the file is {what}", line=2, expected="a profile (PRF)")
    axes: dict[str, tuple[int, list[str]]] = {}
    for number, line in enumerate(lines[2:], start=3):
        fields = _fields(line)
        if fields and fields[0] in ("CX", "CY", "CZ"):
            axes[fields[0]] = (number, fields)
    return axes, parts[1].strip() if len(parts) > 1 else ""


def _axis(axes: dict[str, tuple[int, list[str]]], name: str, kind: str) -> tuple[int, int, float, list[str]]:
    """Line, number of points and factor to mm of one axis, and its fields."""
    if name not in axes:
        raise TraceFormatError(f"the header has no axis {name}", expected=f"a line that begins with {name}")
    line, fields = axes[name]
    wanted = f"{name} {kind}, number of points, unit, scale, data type" + (", increment" if kind == "I" else "")
    if len(fields) < (7 if kind == "I" else 6) or fields[1] != kind:
        raise TraceFormatError(f"axis {name} reads {' '.join(fields)[:80]!r}", line=line, expected=wanted)
    if fields[3] not in _UNIT_MM:
        raise TraceFormatError(f"axis {name} has the unit {fields[3]!r}", line=line, expected="m, mm, um or nm")
    if not (fields[2].isascii() and fields[2].isdigit()):
        raise TraceFormatError(f"axis {name} has {fields[2]!r} points", line=line, expected="a whole number")
    # Eighteen digits are refused as too many points; more would take long to convert.
    return line, int(fields[2][:18]), _number(fields[4], line, f"scale of {name}") * _UNIT_MM[fields[3]], fields


def _x_axis(axes: dict[str, tuple[int, list[str]]]) -> tuple[int, float]:
    line, points, factor, fields = _axis(axes, "CX", "I")
    step_mm = _number(fields[6], line, "increment of CX") * factor
    if not step_mm > 0.0:
        raise TraceFormatError(f"the step along x is {step_mm:.4g} mm", line=line, expected="above 0")
    return points, step_mm


def _z_axis(axes: dict[str, tuple[int, list[str]]]) -> tuple[int, float]:
    _, points, factor, _ = _axis(axes, "CZ", "A")
    return points, factor


def _number(text: str, line: int, what: str) -> float:
    try:
        value = parse_plain_number(text)
    except ValueError as error:
        raise TraceFormatError(f"{what} is {text[:40]!r}", line=line, expected="a number") from error
    if not np.isfinite(value):
        raise TraceFormatError(f"{what} is {text[:40]!r}", line=line, expected="a finite number")
    return value


def _heights(lines: list[str], first_line: int) -> FloatArray:
    """Stored heights; the first element of ``lines`` is the rest of the ETX's own line."""
    texts = [(first_line + k, text.strip(" \t\0")) for k, text in enumerate(lines)]
    # Lines keep their numbers although empty ones are left out: a complaint names the file's line.
    kept = [(number, text) for number, text in texts if text]
    return np.array(
        [np.nan if text == _MISSING else _number(text, number, "a height") for number, text in kept],
        dtype=np.float64,
    )

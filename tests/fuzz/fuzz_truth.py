"""A file with known numbers, damaged: what is accepted must be right, by a reader and a sum of its own.

``strict`` reads the project's plain format and nothing beside it; ``amplitudes_nm`` solves least squares on a
dozen undulations. Where a damaged file still reads strictly, its own numbers are the truth; where it does not,
those from before the damage are: a file may be refused or held, but not be accepted with another value.
"""

from __future__ import annotations

import re
import tomllib
from typing import Any

import numpy as np

UPR = (2, 3)
"""Undulations per revolution that are compared."""
_ORDERS = 12
_FLOOR_NM = 0.05
"""Rounding of the written numbers."""
_ROW = re.compile(r"(\d{1,4}\.\d{1,8}),(-?\d{1,4}\.\d{1,8})")


def known_file() -> bytes:
    """Two turns of an invented nut's plane: 150 nm at 2 UPR, 20 nm at 3 UPR, 5 nm of noise."""
    angle = np.arange(2400) * 0.3
    turn = np.deg2rad(angle)
    noise = np.random.default_rng(1).normal(0.0, 5e-3, angle.size)
    deviation = 0.150 * np.cos(2 * turn) + 0.020 * np.cos(3 * turn + 1.0) + noise
    header = (
        '# trace = 1\n# kind = "circle"\n# part = "HN-1610-R"\n# serial = "1"\n# feature = "outside"\n'
        '# measured_at = 2026-03-02T09:41:07Z\n# sensing = "normal"\n# track_diameter_mm = 19.2\n'
    )
    rows = "".join(f"{a:.5f},{d:.6f}\n" for a, d in zip(angle.tolist(), deviation.tolist(), strict=True))
    return f"{header}angle_deg,deviation_um\n{rows}".encode()


def strict(data: bytes) -> tuple[dict[str, Any], np.ndarray, np.ndarray] | None:
    """Header, angles and deviations; None for whatever is not the plain format to the letter."""
    if b"\r" in data:
        return None
    try:
        lines = data.decode("ascii").split("\n")
        count = next(i for i, line in enumerate(lines) if not line.startswith("# "))
        header = tomllib.loads("\n".join(line[2:] for line in lines[:count]))
    except (UnicodeDecodeError, StopIteration, tomllib.TOMLDecodeError):
        return None
    found = [_ROW.fullmatch(line) for line in lines[count + 1 : -1]]
    if lines[count] != "angle_deg,deviation_um" or lines[-1] != "" or not found or None in found:
        return None
    table = np.array([(float(m[1]), float(m[2])) for m in found if m is not None])
    return (header, table[:, 0], table[:, 1]) if np.all(np.diff(table[:, 0]) > 0) else None


def amplitudes_nm(angle_deg: np.ndarray, deviation_um: np.ndarray) -> dict[int, float]:
    """Amplitudes of the compared undulations by least squares."""
    turn = np.deg2rad(angle_deg)
    waves = [f(n * turn) for n in range(1, _ORDERS + 1) for f in (np.cos, np.sin)]
    solved = np.linalg.lstsq(np.column_stack([np.ones_like(turn), *waves]), deviation_um, rcond=None)[0]
    return {n: 1e3 * float(np.hypot(*solved[2 * n - 1 : 2 * n + 1])) for n in UPR}


KNOWN = known_file()
_READ = strict(KNOWN)
assert _READ is not None
HEADER, TRUTH_NM = _READ[0], amplitudes_nm(*_READ[1:])


def wrong_values(data: bytes, result: dict[str, Any]) -> list[str]:
    """What an accepting result says that is off by more than its uncertainty (k = 2); empty for any other one.

    A file whose header reads strictly as another one is of another part or set-up, with its own values.
    """
    if result["disposition"] != "accept":
        return []
    truth_nm, read = TRUTH_NM, strict(data)
    if read is not None:
        if read[0] != HEADER:
            return []
        truth_nm = amplitudes_nm(*read[1:])
    spectrum = result["spectrum"]
    said = dict(
        zip(spectrum["upr"], zip(spectrum["amplitude_nm"], spectrum["noise_nm"], strict=True), strict=True)
    )
    found = []
    for n, wanted in truth_nm.items():
        value, noise = said[n]
        if abs(value - wanted) > 2 * noise + _FLOOR_NM:
            found.append(f"{n} UPR: {value:.3f} nm, truth {wanted:.3f} nm, U {2 * noise:.3f} nm")
    return found

"""A profile as the open formats hold it, and how it becomes the columns of a trace."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from edgeagent.errors import TraceFormatError, TraceShapeError
from edgeagent.model import SIDE_BOTTOM, SIDE_TOP, FloatArray

_SIDES = {"top": SIDE_TOP, "bottom": SIDE_BOTTOM}


@dataclass(frozen=True, slots=True, kw_only=True)
class ProfileData:
    """Heights along a line in space.

    `x_mm`, `z_mm` and, where the line does not keep its y, `y_mm` are float64 of shape (n,); a missing sample
    is NaN in `z_mm`. `metadata` holds what else the file says, as text by name.
    """

    x_mm: FloatArray
    z_mm: FloatArray
    y_mm: FloatArray | None = None
    name: str = ""
    metadata: Mapping[str, str] = field(default_factory=dict)


def columns_from_profile(profile: ProfileData, header: Mapping[str, Any]) -> dict[str, FloatArray]:
    """Columns of a trace from a profile, by what the side file says of it.

    Parameters
    ----------
    profile : ProfileData
    header : mapping
        Keys of the side file. ``kind`` decides; ``axial`` also needs ``side``, "top" or "bottom"; ``spiral``
        and ``circle`` need ``degrees_per_mm`` of the profile's length, or ``track_diameter_mm``, around whose
        circumference the length then runs. ``degrees_per_mm`` wins where both are given.

    Returns
    -------
    dict of ndarray of float64, shape (n,)
        ``axial``: side, x_mm, z_mm. ``spiral``, ``circle``: angle_deg, deviation_um. ``travel``: travel_mm,
        deviation_um. Heights in the open formats are lengths, so a deviation in µm is 1000 times z_mm.

    Raises
    ------
    TraceFormatError
        A key of the side file is missing or cannot be used; the message names it.
    TraceShapeError
        The profile does not keep its y, so its x is not the length along it.
    """
    kind = header.get("kind")
    # x would be shorter than the way along the profile, so that every wave of it would seem shorter.
    if profile.y_mm is not None:
        raise TraceShapeError(
            f"the profile wanders by {float(np.nanmax(profile.y_mm) - np.nanmin(profile.y_mm)):.4g} mm in y; "
            "only a straight profile along x makes a trace"
        )
    if kind == "axial":
        code = _side(header.get("side"))
        return {"side": np.full(profile.x_mm.size, code), "x_mm": profile.x_mm, "z_mm": profile.z_mm}
    deviation_um = profile.z_mm * 1e3
    if kind in ("spiral", "circle"):
        return {"angle_deg": profile.x_mm * _degrees_per_mm(header), "deviation_um": deviation_um}
    if kind == "travel":
        return {"travel_mm": profile.x_mm, "deviation_um": deviation_um}
    raise TraceFormatError(
        f"side file: kind is {kind!r}", expected="kind = spiral, circle, axial or travel for a profile file"
    )


def _side(side: object) -> float:
    if not isinstance(side, str) or side not in _SIDES:
        raise TraceFormatError(
            f"side file: side is {side!r}",
            expected='side = "top" or side = "bottom", because a profile file does not say which side of the '
            "part it shows",
        )
    return _SIDES[side]


def _degrees_per_mm(header: Mapping[str, Any]) -> float:
    direct = _length(header, "degrees_per_mm")
    if direct is not None:
        return direct
    diameter_mm = _length(header, "track_diameter_mm")
    if diameter_mm is None:
        raise TraceFormatError(
            "side file: nothing turns the profile's length into an angle",
            expected="degrees_per_mm, or track_diameter_mm",
        )
    # The length is taken along the circumference at the track's own diameter.
    return 360.0 / (np.pi * diameter_mm)


def _length(header: Mapping[str, Any], key: str) -> float | None:
    value = header.get(key)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)) or not 0.0 < value < float("inf"):
        raise TraceFormatError(f"side file: {key} is {value!r}", expected="a number above 0")
    return float(value)

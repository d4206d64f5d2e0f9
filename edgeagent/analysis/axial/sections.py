"""Each groove's whole section as it was measured, from land to land, for people to look at: nothing is judged.

Analysis itself looks at flanks and root alone.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from edgeagent.analysis.axial.frame import Nominal, make_frame, map_to_normal, seat_all
from edgeagent.analysis.axial.grooves import CleanSide
from edgeagent.analysis.axial.measuring import find_grooves
from edgeagent.model import FloatArray, Thread

_REACH = 1.3
"""How far a section reaches on either side of the ball's centre, in ball radii."""
_POINTS = 400


def groove_sections(
    sides: Mapping[float, CleanSide], nominal: Nominal, thread: Thread
) -> dict[str, tuple[FloatArray, FloatArray]]:
    """Surface of each whole groove in its normal plane, by name: u and h about the seated ball's centre, mm.

    Each of shape (n,), at most 400 means of neighbouring samples, h away from the root. The path of the tip's
    centre becomes the surface by one tip radius along the path's normal (common practice; exact where the tip
    follows the surface). Raises AnalysisError and InputError as the analysis does.
    """
    found = find_grooves(sides, nominal, thread)
    usable = np.array([name not in found.unusable for name in found.names], dtype=bool)
    if not np.any(usable):
        return {}
    start = make_frame(found.frame.x_mm[usable], found.frame.z_mm[usable], found.frame.side[usable], nominal)
    frame, _ = seat_all(start, sides, nominal)
    names = [name for name, good in zip(found.names, usable, strict=True) if good]
    reach = _REACH * (nominal.ball_radius_mm + nominal.tip_radius_mm)
    sections = {}
    for i, name in enumerate(names):
        side = sides[float(frame.side[i])]
        first, last = np.searchsorted(side.x_mm, frame.x_mm[i] + reach * np.array([-1.0, 1.0]))
        # Rounded up, to have at most _POINTS means.
        width = max(-(-(last - first) // _POINTS), 1)
        count = (last - first) // width
        # A slope at each point takes its two neighbours.
        if count < 3:
            continue
        part = slice(first, first + count * width)
        x = side.x_mm[part].reshape(count, width).mean(axis=1)
        z = side.z_mm[part].reshape(count, width).mean(axis=1)
        plane, h = map_to_normal(x, z, frame, i, nominal)
        sections[name] = _surface(plane.u_mm, h, nominal.tip_radius_mm)
    return sections


def _surface(u_mm: FloatArray, h_mm: FloatArray, tip_mm: float) -> tuple[FloatArray, FloatArray]:
    """The surface that a tip touches on its way, into the material by one tip radius."""
    du, dh = np.gradient(u_mm), np.gradient(h_mm)
    # Two means at one place have no normal; then nothing is shifted.
    length = np.maximum(np.hypot(du, dh), 1e-12)
    return u_mm + tip_mm * dh / length, h_mm - tip_mm * du / length

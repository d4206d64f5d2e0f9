"""Profile elements of a roughness profile and their mean length Rsm (ISO 21920-2).

An element is a hill with the dale that follows it, from where the profile crosses its mean line to where it
does so again in the same direction. Hills and dales count from a tenth of Rz above and below the mean line on
(the default of the standard, remembered); what is smaller belongs to its neighbour.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeagent.model import FloatArray, IntArray

DISCRIMINATION = 0.1
"""Share of Rz that a hill or a dale must reach."""


@dataclass(frozen=True, slots=True)
class Elements:
    """Mean length of whole profile elements in µm and its standard uncertainty; None for one alone."""

    rsm_um: float
    u_rsm_um: float | None
    count: int


def profile_elements(profile_um: FloatArray, spacing_mm: float, rz_um: float) -> Elements | None:
    """Whole elements of a profile about its mean line, shape (n,); None where there is not one.

    The uncertainty is that of the mean of lengths that are independent of each other.
    """
    bound = DISCRIMINATION * rz_um
    # A flat profile would count each rounding as a hill.
    if bound <= 0:
        return None
    side = np.where(profile_um > bound, 1, np.where(profile_um < -bound, -1, 0))
    # Samples within the bound belong to the hill or dale before them.
    counted = np.flatnonzero(side)
    change = np.flatnonzero(np.diff(side[counted]))
    # Three changes of side hold one whole element, hill and dale.
    if len(change) < 3:
        return None
    places = _crossings(profile_um, counted[change], counted[change + 1])
    # Every second crossing goes in the same direction.
    length = np.diff(places[::2]) * spacing_mm * 1e3
    u = float(np.std(length, ddof=1) / np.sqrt(len(length))) if len(length) > 1 else None
    return Elements(float(np.mean(length)), u, len(length))


def _crossings(profile_um: FloatArray, first: IntArray, last: IntArray) -> FloatArray:
    """Where the profile crosses its mean line between hills and dales, in samples, shape of ``first``.

    The middle between first and last crossing where roughness of less than the bound crosses several times.
    """
    over = profile_um > 0
    at = np.flatnonzero(over[1:] != over[:-1])
    # Straight between the samples; the difference is not 0, since one is above the line and the other is not.
    place = at + profile_um[at] / (profile_um[at] - profile_um[at + 1])
    begin = np.searchsorted(at, first)
    end = np.searchsorted(at, last) - 1
    result: FloatArray = (place[begin] + place[end]) / 2
    return result

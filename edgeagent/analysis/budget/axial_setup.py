"""What styli, drive and time do to the values of an axial trace, by analysing it again as they would change it.

| key | how the coordinates change |
|---|---|
| ``styli_x_mm``, ``styli_z_mm`` | the bottom side is shifted along or across the axis |
| ``squareness_deg`` | x grows with z by the tangent of the angle |
| ``straightness_um`` | z is bent by Legendre's second and third polynomial over the traverse, RMS as stated |
| ``drift_um`` | x or z of one side goes away from its first to its last sample |
| ``hysteresis_um`` | z follows the surface with a gap (`hysteresis`) |

Where a key has several such changes they are independent: the root of their squares counts (JCGM 100, 5.1.2).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

import numpy as np

from edgeagent.analysis.budget.hysteresis import lagging
from edgeagent.analysis.budget.plane_influence import LARGEST_OF_MANY
from edgeagent.model import SIDE_BOTTOM, SIDE_TOP, Contribution, FloatArray, InstrumentUncertainty, Trace

Values = Mapping[tuple[str, str], float]
SOURCES = {
    "styli_x_mm": ("distance of the styli along the axis", "mm"),
    "styli_z_mm": ("distance of the styli across the axis", "mm"),
    "squareness_deg": ("squareness of the drive", "deg"),
    "straightness_um": ("straightness of the drive", "um"),
    "drift_um": ("drift during the traverse", "um"),
    "hysteresis_um": ("hysteresis of the gauge", "um"),
}
"""Keys with what a budget calls them and their units."""


def stated_setup(
    trace: Trace, stated: InstrumentUncertainty, base: Values, values_of: Callable[[Trace], Values]
) -> dict[tuple[str, str], tuple[Contribution, ...]]:
    """The contributions of every stated key to every value of ``base``.

    ``base`` are the values of ``trace`` as it is, ``values_of`` yields those of a changed one. A value that a
    changed trace does not yield has no such contribution.
    """
    found: dict[tuple[str, str], list[Contribution]] = {at: [] for at in base}
    for key, (source, unit) in SOURCES.items():
        u = getattr(stated, key)
        if u is None:
            continue
        changed = [values_of(each) for each in _changed(trace, key, u)]
        for at, value in base.items():
            moves = [_change_of_value(at[0], value, other[at]) for other in changed if at in other]
            effect = float(np.linalg.norm(moves)) if moves else 0.0
            if effect > 0:
                found[at].append(Contribution(source, u, unit, effect / u))
    return {at: tuple(lines) for at, lines in found.items() if lines}


def _change_of_value(name: str, value: float, other: float) -> float:
    """The change of a value; of the largest of several deviations that of its amount, whichever sign it has."""
    return abs(other) - abs(value) if name.startswith(LARGEST_OF_MANY) else other - value


def _changed(trace: Trace, key: str, u: float) -> Iterator[Trace]:
    x, z, side = (trace.columns[name] for name in ("x_mm", "z_mm", "side"))
    if key in ("styli_x_mm", "styli_z_mm"):
        # One side alone has been traced by one stylus: a distance of styli is in nothing.
        if np.any(side == SIDE_TOP) and np.any(side == SIDE_BOTTOM):
            shift = np.where(side == SIDE_BOTTOM, u, 0.0)
            yield _with(trace, x + shift, z) if key == "styli_x_mm" else _with(trace, x, z + shift)
    elif key == "squareness_deg":
        # About the middle height: x itself has no zero that a value depends on, but a large shift would cost
        # digits.
        yield _with(trace, x + np.tan(np.radians(u)) * (z - np.nanmean(z)), z)
    elif key == "straightness_um":
        # Traverse from -1 to 1, where Legendre's polynomials are orthogonal: level and slope are the frame's,
        # not the drive's.
        at = 2 * (x - np.nanmin(x)) / max(np.nanmax(x) - np.nanmin(x), 1e-9) - 1
        for degree in (2, 3):
            # sqrt(2 n + 1) makes the RMS of P_n over the traverse 1; both share the stated RMS, hence
            # 1/sqrt(2).
            shape = np.polynomial.Legendre.basis(degree)(at) * np.sqrt(2 * degree + 1)
            yield _with(trace, x, z + 1e-3 * u / np.sqrt(2) * shape)
    elif key == "drift_um":
        for code in (SIDE_TOP, SIDE_BOTTOM):
            here = np.flatnonzero(side == code)
            if here.size:
                away = np.zeros(len(side))
                # In the order of the samples, which is that of time.
                away[here] = 1e-3 * u * np.linspace(0.0, 1.0, here.size)
                yield _with(trace, x + away, z)
                yield _with(trace, x, z + away)
    else:
        late = z.copy()
        for code in (SIDE_TOP, SIDE_BOTTOM):
            here = np.flatnonzero(side == code)
            # Side by side: the gauge is lifted and set down anew between them.
            late[here] = lagging(z[here], 1e-3 * u)
        yield _with(trace, x, late)


def _with(trace: Trace, x_mm: FloatArray, z_mm: FloatArray) -> Trace:
    return replace(trace, columns={**trace.columns, "x_mm": x_mm, "z_mm": z_mm})

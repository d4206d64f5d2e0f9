"""Peaks of a spectrum, grouped and put into words: a comb of equal spacing, a lone line, a raised floor.

The floor is the median of the amplitudes in bands of equal ratio. Of noise alone (amplitudes after Rayleigh)
one order in a million exceeds 4.46 times its median, sqrt(ln 1e6 / ln 2) (derived here): that is where a line
begins. What the words say of machine speeds is a coincidence of numbers, never a proof.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np

from edgeagent.analysis.at_speed import excited_harmonics
from edgeagent.model import FloatArray, IntArray, Running, Spectrum, Thread

_ABOVE_FLOOR = float(np.sqrt(np.log(1e6) / np.log(2)))
_RAYLEIGH_MEDIAN = float(np.sqrt(2 * np.log(2)))
_MEDIAN_SPREAD = 3.0
"""Relative spread of a band's median times the root of its orders, with room for the floor's own slope."""
_LINES_MAX = 40
_BANDS = 16
_ORDERS_PER_BAND = 8
_RAISED = 3.0
"""Ratio of a band's floor to the trend of all bands from which on it is called raised."""
_SPACING_MIN = 3
_WHEEL_HARMONICS = 10
_SPOKEN_MAX = 8


@dataclass(frozen=True, slots=True)
class PeakGroup:
    """Orders that belong together.

    ``pattern`` is ``comb``, ``line`` or ``floor``. ``upr`` holds the orders of a comb or line, first and last
    order of a floor; ``amplitude_nm`` their amplitudes, for a floor its median twice. ``spacing`` is that of a
    comb, 0 otherwise; ``ratio`` that to the floor (of the greatest line) or to the trend (of a floor).
    """

    pattern: str
    upr: tuple[int, ...]
    amplitude_nm: tuple[float, ...]
    spacing: int
    ratio: float


def find_peaks(spectrum: Spectrum) -> tuple[PeakGroup, ...]:
    """Combs first, then lone lines, then raised floors; each by falling amplitude.

    A comb has at least three lines at multiples of its spacing (3 UPR or more) that are more than half of all
    multiples up to its last, or four lines in an arithmetic series. Empty for fewer than 16 orders.
    """
    amplitude = spectrum.amplitude_nm[1:]
    if len(amplitude) < 2 * _ORDERS_PER_BAND:
        return ()
    upr = spectrum.upr[1:]
    centre, level, edges = _floor(upr.astype(np.float64), amplitude)
    noise = spectrum.noise_nm[1:]
    own = np.array([_RAYLEIGH_MEDIAN * float(np.mean(noise[a:b])) for a, b in pairwise(edges)])
    real = np.flatnonzero(level > 2 * own)
    floor = _floor_at(upr.astype(np.float64), centre, level, real)
    rank = np.where(amplitude > 4 * noise, amplitude / floor, 0.0)
    members = np.repeat(np.diff(edges), np.diff(edges))
    lines = np.flatnonzero(rank > _ABOVE_FLOOR * (1 + _MEDIAN_SPREAD / np.sqrt(members)))
    lines = lines[np.argsort(-amplitude[lines], kind="stable")][:_LINES_MAX]
    known = {int(upr[i]): (float(amplitude[i]), float(rank[i])) for i in lines}
    groups = [*_combs(known), *_lone(known)]
    return (*groups, *_raised(upr, centre, level, edges, real))


def explain_peaks(spectrum: Spectrum, running: Running | None, thread: Thread | None = None) -> tuple[str, ...]:
    """One sentence for each group of peaks, the most important first.

    With ``wheel_rpm`` and ``work_rpm`` in ``running`` the machine frequency that fits is named, with a running
    speed and a ``thread`` the frequency at speed and the declared resonances that are met. Empty when nothing
    stands out.
    """
    return tuple(said["sentence"] for said in described_peaks(spectrum, running, thread))


def described_peaks(
    spectrum: Spectrum, running: Running | None, thread: Thread | None = None
) -> list[Mapping[str, Any]]:
    """The groups as JSON values, with a ``sentence`` each; see ``explain_peaks``."""
    groups = find_peaks(spectrum)[:_SPOKEN_MAX]
    return [
        {
            "pattern": g.pattern,
            "upr": list(g.upr),
            "amplitude_nm": list(g.amplitude_nm),
            "spacing": g.spacing,
            "sentence": _sentence(g, running, thread),
        }
        for g in groups
    ]


def machine_fit(spacing_upr: int, running: Running) -> tuple[int, float] | None:
    """Which multiple of the wheel's speed left waves of ``spacing_upr``: the multiple and its exact UPR.

    A wheel that turns ``wheel_rpm / work_rpm`` times per turn of the part leaves its k-th harmonic at k times
    that ratio; it fits when that lies within half an order, and within a tenth of the ratio so that a slow
    wheel does not fit everything. None when none of the first ten fits or a speed is missing.
    """
    if running.wheel_rpm is None or running.work_rpm is None:
        return None
    ratio = running.wheel_rpm / running.work_rpm
    near = max(round(spacing_upr / ratio), 1)
    exact = near * ratio
    within = min(0.5, 0.1 * ratio)
    return (near, exact) if near <= _WHEEL_HARMONICS and abs(exact - spacing_upr) <= within else None


def _floor(upr: FloatArray, amplitude: FloatArray) -> tuple[FloatArray, FloatArray, Sequence[int]]:
    """Centre order and median amplitude of each band, and where the bands begin and end."""
    edge = np.geomspace(upr[0], upr[-1] + 1, _BANDS + 1) - upr[0]
    edges = [0]
    for value in edge[1:-1]:
        if value - edges[-1] >= _ORDERS_PER_BAND and len(amplitude) - value >= _ORDERS_PER_BAND:
            edges.append(int(value))
    edges.append(len(amplitude))
    bands = list(pairwise(edges))
    centre = np.array([np.sqrt(upr[a] * upr[b - 1]) for a, b in bands])
    level = np.array([np.partition(amplitude[a:b], (b - a) // 2)[(b - a) // 2] for a, b in bands])
    tiny = float(np.finfo(np.float64).tiny)
    return centre, np.maximum(level, tiny), edges


def _floor_at(upr: FloatArray, centre: FloatArray, level: FloatArray, real: IntArray) -> FloatArray:
    """The floor at each order, in log-log; below the first band's centre it follows the trend of the bands
    ``real``, whose floor is not the measurement's noise."""
    x, y = np.log(centre), np.log(level)
    first = np.log(upr[0])
    slope, _ = _trend(x[real], y[real]) if len(real) > 2 else (0.0, 0.0)
    x, y = np.append(first, x), np.append(y[0] + min(slope, 0.0) * (first - x[0]), y)
    result: FloatArray = np.exp(np.interp(np.log(upr), x, y))
    return result


def _trend(x: FloatArray, y: FloatArray) -> tuple[float, float]:
    """Slope and height of a straight line by medians of all pairs (Theil and Sen): outliers do not bend it."""
    i, j = np.triu_indices(len(x), 1)
    slope = float(np.median((y[j] - y[i]) / (x[j] - x[i])))
    return slope, float(np.median(y - slope * x))


def _combs(known: dict[int, tuple[float, float]]) -> list[PeakGroup]:
    """Combs of harmonics, then combs of equal spacing; the lines of a comb are taken out of ``known``."""
    groups = []
    while len(known) >= 3:
        members = _harmonic_comb(set(known)) or _series(set(known))
        if not members:
            break
        taken = [known.pop(n) for n in members]
        if members[0] % (members[1] - members[0]) == 0 or len(members) < 4:
            spacing = int(np.gcd.reduce(members))
        else:
            spacing = members[1] - members[0]
        strongest = max(ratio for _, ratio in taken)
        groups.append(PeakGroup("comb", members, tuple(a for a, _ in taken), spacing, strongest))
    return sorted(groups, key=lambda g: -max(g.amplitude_nm))


def _harmonic_comb(orders: set[int]) -> tuple[int, ...]:
    """The largest set of lines at multiples of one spacing, of equal ones that with the widest spacing."""
    best: tuple[int, ...] = ()
    for spacing in range(max(orders) // 3, _SPACING_MIN - 1, -1):
        members = tuple(sorted(n for n in orders if n % spacing == 0))
        while len(members) >= 3 and len(members) <= 0.5 * (members[-1] // spacing):
            members = members[:-1]
        if len(members) >= 3 and len(members) > len(best):
            best = members
    return best


def _series(orders: set[int]) -> tuple[int, ...]:
    """The longest arithmetic series of four lines and more, spacing 3 UPR and more."""
    best: tuple[int, ...] = ()
    ordered = sorted(orders)
    for i, first in enumerate(ordered):
        for second in ordered[i + 1 :]:
            step = second - first
            members = [first]
            while step >= _SPACING_MIN and members[-1] + step in orders:
                members.append(members[-1] + step)
            if len(members) >= 4 and len(members) > len(best):
                best = tuple(members)
    return best


def _lone(known: Mapping[int, tuple[float, float]]) -> list[PeakGroup]:
    ordered = sorted(known.items(), key=lambda item: -item[1][0])
    return [PeakGroup("line", (n,), (amplitude,), 0, ratio) for n, (amplitude, ratio) in ordered]


def _raised(
    upr: IntArray, centre: FloatArray, level: FloatArray, edges: Sequence[int], real: IntArray
) -> list[PeakGroup]:
    """Bands whose floor lies well above the trend of all bands in log-log.

    Floors that are the measurement's own noise say nothing: only the bands ``real`` count.
    """
    if len(real) < 5:
        return []
    x, y = np.log(centre[real]), np.log(level[real])
    slope, height = _trend(x, y)
    above = np.exp(y - slope * x - height)
    groups: list[PeakGroup] = []
    for at in np.flatnonzero(above > _RAISED):
        band = int(real[at])
        first, last = int(upr[edges[band]]), int(upr[edges[band + 1] - 1])
        ratio, median = float(above[at]), float(level[band])
        if groups and groups[-1].upr[1] == first - 1:
            before = groups.pop()
            first, ratio = before.upr[0], max(ratio, before.ratio)
            median = max(median, before.amplitude_nm[0])
        groups.append(PeakGroup("floor", (first, last), (median, median), 0, ratio))
    return groups


def _sentence(group: PeakGroup, running: Running | None, thread: Thread | None) -> str:
    if group.pattern == "floor":
        return (
            f"raised floor from {group.upr[0]} to {group.upr[1]} UPR, {group.ratio:.1f} times the trend of the "
            "other orders: broad, no single frequency, as a worn or loaded wheel or chatter may leave it"
        )
    top = int(np.argmax(group.amplitude_nm))
    found = (
        f"{group.amplitude_nm[top]:.3g} nm at {group.upr[top]} UPR, {group.ratio:.0f} times its surroundings"
    )
    if group.pattern == "comb":
        shown = ", ".join(str(n) for n in group.upr[:6]) + (" …" if len(group.upr) > 6 else "")
        words = (
            f"comb of equal spacing {group.spacing} UPR ({shown}), greatest {found}: one source, not sinusoidal"
        )
        base = group.spacing
    else:
        words, base = f"lone line: {found}", group.upr[0]
    return words + _grinding(base, running) + _at_speed(group.upr[top], running, thread)


def _grinding(base: int, running: Running | None) -> str:
    """What the frequency was while the part was ground, and which declared speed fits."""
    if running is None or running.work_rpm is None:
        return ""
    words = f"; {base * running.work_rpm / 60:.4g} Hz while ground at {running.work_rpm:g} rpm"
    if running.wheel_rpm is None:
        return words
    fit = machine_fit(base, running)
    if fit is None:
        return words + f", which no multiple of the wheel's {running.wheel_rpm / 60:.4g} Hz fits"
    multiple = "" if fit[0] == 1 else f"{fit[0]} times "
    return words + f", which fits {multiple}the wheel's {running.wheel_rpm / 60:.4g} Hz ({fit[1]:.2f} UPR)"


def _at_speed(upr: int, running: Running | None, thread: Thread | None) -> str:
    if running is None or running.speed_rpm is None or thread is None:
        return ""
    (found,) = excited_harmonics([upr], thread, running)
    low, high = running.speed_rpm
    span, speed = f"{found.high_hz:.4g} Hz", f"{high:g} rpm"
    if low < high:
        span, speed = f"{found.low_hz:.4g} to {span}", f"{low:g} to {speed}"
    words = f"; moves a ball at {span} at {speed}"
    if found.resonances_hz:
        words += ", on the resonance at " + ", ".join(f"{f:g}" for f in found.resonances_hz) + " Hz"
    return words

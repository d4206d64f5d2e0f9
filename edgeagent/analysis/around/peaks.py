"""Peaks of a spectrum, grouped and put into words: a comb of equal spacing, a lone line, a raised floor.

The floor is the median of the amplitudes in windows that overlap. Of noise alone (amplitudes after Rayleigh)
one order in a million exceeds 4.46 times its median, sqrt(ln 1e6 / ln 2) (derived here): that is where a line
begins. What the words say of machine speeds is a coincidence of numbers, never a proof.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from edgeagent.analysis.around.at_speed import excited_harmonics
from edgeagent.model import FloatArray, IntArray, Running, Spectrum, Thread

_ABOVE_FLOOR = float(np.sqrt(np.log(1e6) / np.log(2)))
_RAYLEIGH_MEDIAN = float(np.sqrt(2 * np.log(2)))
_MEDIAN_SPREAD = 3.0
"""Relative spread of a band's median times the root of its orders, with room for the floor's own slope."""
_LEVEL_MIN_NM = 1e-9
"""Floors of computed data may be zero: no ratio to them is a number."""
# Combs are sought among all pairs of lines: cost grows with their square, and nobody reads more.
_LINES_MAX = 40
_WINDOW_MIN = 17
"""Orders in the narrowest window: a comb of every third order leaves its median alone."""
_WINDOW_SHARE = 0.3
"""Width of a window over its middle order, where that is wider."""
_STEPS = 4
"""Windows in the width of one."""
_RAISED = 3.0
"""Ratio of a window's floor to the trend of all windows from which on it is called raised."""
_TREND_WINDOWS = 12
"""Windows above the measurement's noise that make a trend: three widths of them."""
# Every second order is half of a spectrum: such a comb would be found in any.
_SPACING_MIN = 3
# A wheel's form falls off with its harmonics; far ones would fit anything.
_WHEEL_HARMONICS = 10
# A reader takes in no more; the strongest come first.
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
    multiples up to its last, or four lines in an arithmetic series. Empty for fewer than 18 orders.
    """
    # From 2 UPR on: eccentricity is no peak.
    amplitude, noise = spectrum.amplitude_nm[1:], spectrum.noise_nm[1:]
    if len(amplitude) < _WINDOW_MIN:
        return ()
    upr = spectrum.upr[1:].astype(np.float64)
    start, stop = _windows(len(upr))
    level = _medians(amplitude, start, stop)
    own = _RAYLEIGH_MEDIAN * _medians(noise, start, stop)
    real = np.flatnonzero(level > 2 * own)
    centre = (upr[start] + upr[stop - 1]) / 2
    above = _above_trend(centre, level, real)
    floor = _floor_at(upr, amplitude, noise, centre, _widen_floors(level, above > _RAISED))
    # Four of its own uncertainties besides: over a floor of rounding any noise is a line.
    rank = np.where(amplitude > 4 * noise, amplitude / floor, 0.0)
    # Few orders know their median badly, so that a line must stand out farther there.
    members = np.interp(upr, centre, (stop - start).astype(np.float64))
    lines = np.flatnonzero(rank > _ABOVE_FLOOR * (1 + _MEDIAN_SPREAD / np.sqrt(members)))
    lines = lines[np.argsort(-amplitude[lines], kind="stable")][:_LINES_MAX]
    known = {int(upr[i]): (float(amplitude[i]), float(rank[i])) for i in lines}
    groups = [*_combs(known), *_lone(known)]
    return (*groups, *_find_raised(centre, level, above))


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
    """The groups as JSON values, with a ``sentence`` each; see ``explain_peaks``.

    ``speed_hz`` is where the greatest line moves a ball, from the lowest to the highest speed (of a floor: from
    its first order to its last); ``resonances`` are those that any of its orders meets, each with the greatest
    such order; ``ground_hz`` what a comb's spacing, a line or a floor's ends were while the part was ground,
    ``wheel_multiple`` the multiple of the wheel's turning that fits it. None where the recipe does not say the
    speeds, or nothing fits.
    """
    return [_describe_group(group, running, thread) for group in find_peaks(spectrum)[:_SPOKEN_MAX]]


def _describe_group(group: PeakGroup, running: Running | None, thread: Thread | None) -> dict[str, Any]:
    top = int(np.argmax(group.amplitude_nm))
    floor = group.pattern == "floor"
    moving = group.upr if floor else (group.upr[top],)
    ground = group.upr if floor else (group.spacing or group.upr[0],)
    found: dict[str, Any] = {
        "pattern": group.pattern,
        "upr": list(group.upr),
        "amplitude_nm": list(group.amplitude_nm),
        "spacing": group.spacing,
        "ratio": group.ratio,
        "greatest_upr": group.upr[top],
        "speed_hz": None,
        "resonances": [],
        "ground_hz": None,
        "wheel_multiple": None,
    }
    if running is not None and running.speed_rpm is not None and thread is not None:
        excited = excited_harmonics(moving, thread, running)
        found["speed_hz"] = [excited[0].low_hz, excited[-1].high_hz]
        found["resonances"] = _resonances(group, thread, running)
    if running is not None and running.work_rpm is not None:
        found["ground_hz"] = [ground[0] * running.work_rpm / 60, ground[-1] * running.work_rpm / 60]
        fit = None if floor else machine_fit(ground[0], running)
        found["wheel_multiple"] = fit[0] if fit is not None else None
    return {**found, "sentence": _sentence(group, found, running)}


def _resonances(group: PeakGroup, thread: Thread, running: Running) -> list[dict[str, float]]:
    """The declared resonances that any order of a group meets, each with the greatest of these orders."""
    orders = range(group.upr[0], group.upr[-1] + 1) if group.pattern == "floor" else group.upr
    heights = dict(zip(group.upr, group.amplitude_nm, strict=True))
    met: dict[float, list[int]] = {}
    for excited in excited_harmonics(orders, thread, running):
        for hz in excited.resonances_hz:
            met.setdefault(hz, []).append(int(excited.upr))
    return [{"hz": hz, "upr": max(met[hz], key=lambda n: heights.get(n, 0.0))} for hz in sorted(met)]


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


def _windows(count: int) -> tuple[IntArray, IntArray]:
    """Where windows that overlap begin and end (exclusive), from the first order to the last."""
    pairs, middle = [(0, _WINDOW_MIN)], _WINDOW_MIN / 2
    while pairs[-1][1] < count:
        width = max(_WINDOW_MIN, round(_WINDOW_SHARE * middle))
        middle += width / _STEPS
        stop = min(round(middle + width / 2), count)
        pairs.append((max(stop - width, pairs[-1][0]), stop))
    start, stop = np.array(pairs).T
    return start, stop


def _medians(values: FloatArray, start: IntArray, stop: IntArray) -> FloatArray:
    """Upper median of each window, in nm, above zero."""
    found = [
        float(np.partition(values[a:b], (b - a) // 2)[(b - a) // 2]) for a, b in zip(start, stop, strict=True)
    ]
    result: FloatArray = np.maximum(np.array(found), _LEVEL_MIN_NM)
    return result


def _floor_at(
    upr: FloatArray, amplitude: FloatArray, noise: FloatArray, centre: FloatArray, level: FloatArray
) -> FloatArray:
    """The floor at each order, in log-log.

    Below the first window's middle it goes on with the slope of that window's own orders, as far as they stand
    out of the measurement's noise: a falling surface has no lines there.
    """
    x, y = np.log(centre), np.log(level)
    first = np.arange(_WINDOW_MIN)
    clear = first[amplitude[first] > 4 * noise[first]]
    slope = _trend(np.log(upr[clear]), np.log(amplitude[clear]))[0] if len(clear) >= _WINDOW_MIN // 3 else 0.0
    begin = np.log(upr[0])
    x, y = np.append(begin, x), np.append(y[0] + min(slope, 0.0) * (begin - x[0]), y)
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
        spacing, members = _harmonic_comb(set(known))
        if not members:
            spacing, members = _series(set(known))
        if not members:
            break
        taken = [known.pop(n) for n in members]
        strongest = max(ratio for _, ratio in taken)
        groups.append(PeakGroup("comb", members, tuple(a for a, _ in taken), spacing, strongest))
    return sorted(groups, key=lambda g: -max(g.amplitude_nm))


def _harmonic_comb(orders: set[int]) -> tuple[int, tuple[int, ...]]:
    """The largest set of lines at multiples of one spacing, of equal ones that with the widest spacing."""
    best: tuple[int, ...] = ()
    # From wide to narrow: of equal sets the widest spacing stays, since only a larger set replaces it.
    for spacing in range(max(orders) // 3, _SPACING_MIN - 1, -1):
        members = tuple(sorted(n for n in orders if n % spacing == 0))
        while len(members) >= 3 and len(members) <= 0.5 * (members[-1] // spacing):
            members = members[:-1]
        if len(members) >= 3 and len(members) > len(best):
            best = members
    # The members may all lie at a multiple of the spacing that was tried.
    return (int(np.gcd.reduce(best)), best) if best else (0, ())


def _series(orders: set[int]) -> tuple[int, tuple[int, ...]]:
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
    return (best[1] - best[0], best) if best else (0, ())


def _lone(known: Mapping[int, tuple[float, float]]) -> list[PeakGroup]:
    ordered = sorted(known.items(), key=lambda item: -item[1][0])
    return [PeakGroup("line", (n,), (amplitude,), 0, ratio) for n, (amplitude, ratio) in ordered]


def _above_trend(centre: FloatArray, level: FloatArray, real: IntArray) -> FloatArray:
    """Ratio of each window's floor to the trend of all in log-log, shape of ``level``.

    Floors that are the measurement's own noise say nothing: only the windows ``real`` count, the others are 0.
    """
    above = np.zeros(len(level))
    if len(real) >= _TREND_WINDOWS:
        x, y = np.log(centre[real]), np.log(level[real])
        slope, height = _trend(x, y)
        above[real] = np.exp(y - slope * x - height)
    return above


def _widen_floors(level: FloatArray, raised: npt.NDArray[np.bool_]) -> FloatArray:
    """The floors with raised ones carried on by half a window: its last orders lie in windows that are not
    raised, and are no lines."""
    high, carried = np.where(raised, level, 0.0), level
    for by in range(1, min(_STEPS // 2 + 1, len(level))):
        carried = np.maximum(carried, np.pad(high[by:], (0, by)))
        carried = np.maximum(carried, np.pad(high[:-by], (by, 0)))
    return carried


def _find_raised(centre: FloatArray, level: FloatArray, above: FloatArray) -> list[PeakGroup]:
    """Stretches of raised windows. A window is raised when more than half of its orders are, so that a stretch
    reaches from the first one's middle to the last one's."""
    high = np.flatnonzero(above > _RAISED)
    groups: list[PeakGroup] = []
    for run in np.split(high, np.flatnonzero(np.diff(high) > 1) + 1):
        if len(run):
            first, last = (round(float(centre[at])) for at in (run[0], run[-1]))
            median = float(level[run].max())
            # The first window has nothing before its middle: it reaches down to 2 UPR.
            reach = (2 if run[0] == 0 else first, last)
            groups.append(PeakGroup("floor", reach, (median, median), 0, float(above[run].max())))
    return groups


def _sentence(group: PeakGroup, found: Mapping[str, Any], running: Running | None) -> str:
    top = int(np.argmax(group.amplitude_nm))
    greatest = (
        f"{group.amplitude_nm[top]:.3g} nm at {group.upr[top]} UPR, {group.ratio:.0f} times its surroundings"
    )
    if group.pattern == "floor":
        words = (
            f"raised floor from {group.upr[0]} to {group.upr[1]} UPR, {group.ratio:.1f} times the trend of the "
            "other orders: broad, no single frequency, as a worn or loaded wheel or chatter may leave it"
        )
    elif group.pattern == "comb":
        shown = ", ".join(str(n) for n in group.upr[:6]) + (" …" if len(group.upr) > 6 else "")
        words = f"comb of equal spacing {group.spacing} UPR ({shown}), greatest {greatest}: "
        words += "one source, not sinusoidal"
    else:
        words = f"lone line: {greatest}"
    return words + _explain_grinding(found, running) + _explain_motion(found, running)


def span_text(hz: Sequence[float]) -> str:
    """A frequency or a range of frequencies, four digits."""
    low, high = f"{hz[0]:.4g}", f"{hz[1]:.4g}"
    return high if low == high else f"{low} to {high}"


def _explain_grinding(found: Mapping[str, Any], running: Running | None) -> str:
    """What the frequency was while the part was ground, and which declared speed fits."""
    if running is None or running.work_rpm is None:
        return ""
    words = f"; {span_text(found['ground_hz'])} Hz while ground at {running.work_rpm:g} rpm"
    if running.wheel_rpm is None or found["pattern"] == "floor":
        return words
    wheel = running.wheel_rpm / 60
    multiple = found["wheel_multiple"]
    if multiple is None:
        return words + f", which no multiple of the wheel's {wheel:.4g} Hz fits"
    times = "" if multiple == 1 else f"{multiple} times "
    exact = multiple * running.wheel_rpm / running.work_rpm
    return words + f", which fits {times}the wheel's {wheel:.4g} Hz ({exact:.2f} UPR)"


def _explain_motion(found: Mapping[str, Any], running: Running | None) -> str:
    if found["speed_hz"] is None or running is None or running.speed_rpm is None:
        return ""
    low, high = running.speed_rpm
    speed = f"{high:g} rpm" if low == high else f"{low:g} to {high:g} rpm"
    words = f"; moves a ball at {span_text(found['speed_hz'])} Hz at {speed}"
    met = resonance_text(found)
    return f"{words}, {met}" if met else words


def resonance_text(found: Mapping[str, Any]) -> str:
    """Which declared resonances a described group meets, a comb with which of its orders; empty for none."""
    if found["pattern"] == "comb":
        return ", ".join(f"{r['upr']} UPR on the resonance at {r['hz']:g} Hz" for r in found["resonances"])
    met = " and ".join(f"{r['hz']:g}" for r in found["resonances"])
    return f"on the resonance at {met} Hz" if met else ""

"""Material ratio of a roughness profile: Rmr(c), and the core, peaks and valleys of its curve (Rk family).

The curve gives for each height c the share of the profile that lies at c or above. Its flattest part over 40 %
is the core: a straight line fitted there reaches the heights of 0 % and 100 %, whose distance is Rk. Above
lies a triangle of the peaks' area over Mr1, Rpk high; below one of the valleys' over 100 % - Mr2, Rvk deep
(ISO 13565-2, ISO 21920-2; remembered). Meant for curves that are steep at both ends; of one that is not (a
sine's) the first of equally flat parts is taken.

The mean line of deep valleys lies too low around them: ISO 13565-1 (remembered) cuts all valleys at a first
mean line and filters once more, which gives the reference of the untouched profile.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from edgeagent.model import FloatArray, IntArray

CORE = 0.4
"""Share of the curve that the core's line is fitted over."""
GROUPS_MAX = 8
"""Sections are left out in at most so many groups to tell the scatter: more tell it no better."""


@dataclass(frozen=True, slots=True)
class Core:
    """Rk, Rpk, Rvk in µm; Mr1 and Mr2 in percent."""

    rk_um: float
    rpk_um: float
    rvk_um: float
    mr1_percent: float
    mr2_percent: float


def ratio_above(profile_um: FloatArray, level_um: float) -> float:
    """Share of a profile's length that lies above a level, 0 to 1; straight lines between samples, shape (n,).

    Two neighbours at the level itself count as above.
    """
    high = np.maximum(profile_um[:-1], profile_um[1:])
    low = np.minimum(profile_um[:-1], profile_um[1:])
    whole = low >= level_um
    cut = (high > level_um) & ~whole
    part = (high[cut] - level_um) / (high[cut] - low[cut])
    return float((np.count_nonzero(whole) + part.sum()) / max(len(high), 1))


def level_of(falling_um: FloatArray, ratio: float) -> float:
    """The height above which a share of a profile lies, of its samples in falling order, shape (n,)."""
    # A sample stands for the middle of its share of the length.
    share = (np.arange(len(falling_um)) + 0.5) / len(falling_um)
    return float(np.interp(ratio, share, falling_um))


def core(falling_um: FloatArray) -> Core:
    """Rk, Rpk, Rvk, Mr1 and Mr2 of a profile's samples in falling order, shape (n,), n >= 5."""
    count = len(falling_um)
    # A line needs two samples.
    width = max(round(CORE * count), 2)
    drop = falling_um[: count - width + 1] - falling_um[width - 1 :]
    # Parts that are equally flat but for rounding: the first one.
    flattest = int(np.argmax(drop <= drop.min() + 1e-9 * (falling_um[0] - falling_um[-1])))
    part = falling_um[flattest : flattest + width]
    # Sum of squares of evenly spaced steps: w (w² - 1)/12, so that no sum over squares is needed for each
    # group.
    slope = float(np.sum(_steps(width) * part)) / (width * (width * width - 1) / 12)
    middle = flattest + (width - 1) / 2
    mean = float(np.mean(part))
    # The curve begins half a sample before the first (0 %) and ends half a sample after the last (100 %).
    top, bottom = mean - slope * (middle + 0.5), mean + slope * (count - 0.5 - middle)
    above, below = (int(np.count_nonzero(falling_um >= level)) for level in (top, bottom))
    first, last = _crossing(falling_um, above, top), _crossing(falling_um, below, bottom)
    peaks, valleys = falling_um[:above] - top, bottom - falling_um[below:]
    return Core(
        rk_um=top - bottom,
        rpk_um=2 * float(peaks.sum()) / count / first if first > 0 else 0.0,
        rvk_um=2 * float(valleys.sum()) / count / (1 - last) if last < 1 else 0.0,
        mr1_percent=100 * first,
        mr2_percent=100 * last,
    )


@lru_cache(maxsize=16)
def _steps(width: int) -> FloatArray:
    """Samples counted from the middle of ``width`` of them."""
    return np.arange(width, dtype=np.float64) - (width - 1) / 2


def _crossing(falling_um: FloatArray, above: int, level_um: float) -> float:
    """Where the curve crosses a level, which ``above`` samples reach: 0 above all samples, 1 below all."""
    # Before the division: above all samples there is no pair to interpolate between.
    if level_um >= falling_um[0]:
        return 0.0
    if level_um <= falling_um[-1]:
        return 1.0
    high, low = float(falling_um[above - 1]), float(falling_um[above])
    return (above - 0.5 + (high - level_um) / (high - low)) / len(falling_um)


def without_each(falling: IntArray, group: IntArray, count: int) -> list[NDArray[np.bool_]]:
    """Which of the samples in falling order stay where each of ``count`` groups is left out in turn.

    ``falling`` are the samples' numbers in falling order, ``group`` the group of each sample, shape (n,).
    """
    ordered = group[falling]
    return [ordered != k for k in range(count)]


def jackknife(values: Sequence[tuple[float, ...]]) -> tuple[float, ...]:
    """Standard uncertainties of values that were computed with each of several groups left out in turn."""
    found = np.array(values)
    spread = np.sqrt((len(found) - 1) * np.mean((found - found.mean(axis=0)) ** 2, axis=0))
    return tuple(float(s) for s in spread)

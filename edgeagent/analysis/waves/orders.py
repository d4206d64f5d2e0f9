"""Waves that do not close in one turn: lines of the residual between whole UPR.

On a thread 37 1/3 UPR is as real as 37: the grinding wheel does not know where a turn begins. With T whole
turns the residual has lines at every 1/T UPR; a wave of order f that is none of them spreads as sin(πx)/(πx), x
= T times its distance from a line. A line is significant where noise of its surroundings exceeds it once in a
million traces; its order is refined between the lines, and the strongest one is taken out before the next is
sought.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeagent.analysis.waves.trigonometric import ComplexArray
from edgeagent.model import FloatArray, IntArray

_RISK = 1e-6
"""Probability that noise alone yields a line, in a whole trace."""
_LINES_MAX = 16
"""Lines that are taken out at most; a trace with more is noise of a kind that has no floor."""
_MEDIAN_WORTH = 0.7
"""Independent lines that a median of one is worth: its variance over that of the mean (exponential powers)."""
_SHARE = 1.5
"""A line's surroundings reach from its order over this to its order times this, and hold at most 48 lines."""
_NEAR_MAX = 48
_ORDER_MIN = 2.0
"""Below, a drift that goes on over turns looks like a line."""


@dataclass(frozen=True, slots=True)
class FractionalOrder:
    """A wave between whole orders: 2 |c| cos(upr φ + arg c), with the standard uncertainty of 2 |c|, in µm."""

    upr: float
    coefficient: complex
    standard_uncertainty_um: float

    @property
    def amplitude_um(self) -> float:
        """The wave's amplitude."""
        return 2 * abs(self.coefficient)


def significant(power: FloatArray, whole: int, floor: float) -> IntArray:
    """Indices of the lines that stand out of their surroundings, strongest first against its own bound.

    ``power`` has shape (n,), line 1 first, in units of 1/``whole`` UPR; nothing below ``floor`` counts. The
    mean of m lines of noise tells their level; a line exceeds t times it with (1 + t/m)^-m (ratio of
    exponential to gamma variables).
    """
    count = len(power)
    lines = np.arange(1, count + 1)
    noisy = np.flatnonzero(lines % whole != 0)
    if len(noisy) < 8:
        return np.zeros(0, dtype=np.int64)
    risk = _RISK / len(noisy)
    values, at = power[noisy], lines[noisy]
    # Cheap first: nothing below a dozen times the median of its block of lines can be significant.
    block = _NEAR_MAX
    whole_blocks = len(values) // block * block
    level = np.empty(len(values))
    level[:whole_blocks] = np.repeat(np.median(values[:whole_blocks].reshape(-1, block), axis=1), block)
    if whole_blocks < len(values):
        level[whole_blocks:] = np.median(values[whole_blocks:])
    candidates = np.flatnonzero((values > np.maximum(12 * level, floor)) & (at >= _ORDER_MIN * whole))
    found = []
    for i in candidates:
        low = np.searchsorted(at, at[i] / _SHARE)
        high = np.searchsorted(at, at[i] * _SHARE, side="right")
        low, high = max(low, i - _NEAR_MAX // 2), min(high, i + _NEAR_MAX // 2 + 1)
        near = np.delete(values[low:high], i - low)
        worth = _MEDIAN_WORTH * len(near)
        if worth < 2:
            continue
        bound = worth * math.expm1(-math.log(risk) / worth)
        ratio = float(values[i] * math.log(2) / max(float(np.median(near)), 1e-300))
        if ratio > bound:
            found.append((float(values[i]), int(noisy[i])))
    return np.array([i for _, i in sorted(found, reverse=True)], dtype=np.int64)


def find_orders(lines: ComplexArray, whole: int, floor: float) -> tuple[float, ...]:
    """Orders of the waves between whole UPR, strongest first.

    ``lines`` are the residual's sums exp(-i k φ / ``whole``), k = 1 …, over ``whole`` turns from φ = 0 on,
    shape (n,). Each order found is taken out with its sides before the next is sought.
    """
    left = lines.copy()
    found: list[float] = []
    bound = _of_one_turn(np.abs(lines) ** 2, whole)
    while len(found) < _LINES_MAX:
        strongest = [i for i in significant(np.abs(left) ** 2, whole, floor) if not bound[i]]
        if not strongest:
            break
        upr, spread, near, size = _refine_order(left, int(strongest[0]) + 1, whole)
        found.append(upr)
        left[near - 1] -= size * spread
    return tuple(found)


def _of_one_turn(power: FloatArray, whole: int) -> NDArray[np.bool_]:
    """Lines that have their like on the other side of a whole order: a wave of that order in some turns alone.

    A wave that does not close has its like on neither side; a quarter of the power is taken for like.
    """
    line = np.arange(1, len(power) + 1)
    found = np.zeros(len(power), dtype=np.bool_)
    for order in (line // whole * whole, -(-line // whole) * whole):
        other = 2 * order - line
        there = (other >= 1) & (other <= len(power)) & (other != line)
        like = power[np.where(there, other, 1) - 1]
        found |= there & (like > power / 4) & (power > like / 4)
    return found


def _refine_order(lines: ComplexArray, line: int, whole: int) -> tuple[float, ComplexArray, IntArray, complex]:
    """Order of the wave at a line, its spread over the lines nearby, those lines, and its size there."""
    near = np.arange(max(line - 4 * whole, 1), min(line + 4 * whole, len(lines)) + 1)
    near = near[near % whole != 0]
    centre, width = float(line), 0.5
    for _ in range(3):  # a grid of 41 steps, thrice refined: to 1e-4 of a line
        tried = np.linspace(centre - width, centre + width, 41)
        off = tried[:, None] - near[None, :]
        spread = np.sinc(off) * np.exp(1j * np.pi * off)
        fitted = spread.conj() @ lines[near - 1]
        energy = np.abs(fitted) ** 2 / np.sum(np.abs(spread) ** 2, axis=1)
        best = int(np.argmax(energy))
        centre, width = float(tried[best]), width / 10
    shape = spread[best]
    return centre / whole, shape, near, complex(fitted[best] / np.sum(np.abs(shape) ** 2))

"""Trigonometric sums at angles as they were recorded, evenly spaced or not, without interpolation.

Each angle is split into the nearest node of an even grid and a small rest; the exponential of the rest is
expanded into its Taylor series, so that each power of the rest costs one FFT on the grid. The series is
cut where its remainder falls below 5e-14 of the sum of absolute values: the sums are those of the
recorded angles, there is no resampling and so no bias from it. (Method: C. Anderson and M. D. Dahleh,
"Rapid computation of the discrete Fourier transform", SIAM J. Sci. Comput. 17 (1996), 913-919.)

**The grid.** Even steps put every sample on a node where the grid is a multiple of the mean step, and rounding
of the recorded angles leaves two or three terms. Other angles take a length that an FFT likes, which weighs
the number of terms against the length: any number of points, any order and any jitter then cost about the same.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from edgeagent.model import FloatArray

ComplexArray = NDArray[np.complex128]

_REMAINDER = 5e-14
_STEP_MIN = 1e-6
"""Steps below this (6 million points a turn) do not set the grid: memory would grow without use."""
_EVEN_TERMS = 5
"""Steps count as even where so many terms are enough on a grid of the mean step."""
_POINT_COST, _NODE_COST, _AWKWARD = 1.6, 3.0, 24.0
"""Relative costs of one sample and of one node of a transform, and the factor of a length with large prime
factors: only their ratio counts, and a factor of two in it changes the time by some per cent."""


def _terms_needed(argument: float, remainder: float = _REMAINDER) -> int:
    """Number of Taylor terms of exp(i x) for |x| <= argument with a remainder below the limit."""
    term, count = 1.0, 0
    while term > remainder:
        count += 1
        term *= argument / count
    return count


def fast_length(least: int) -> int:
    """The smallest number from ``least`` on that has no prime factor above 7: a length that an FFT likes."""
    return next(n for n in range(max(least, 1), 2 * max(least, 1) + 1) if _smooth(n))


@lru_cache(maxsize=4096)
def _smooth(number: int) -> bool:
    for prime in (2, 3, 5, 7):
        while number % prime == 0:
            number //= prime
    return number == 1


@lru_cache(maxsize=256)
def _uneven_grid(points: int, order_max: int) -> int:
    """The fast length with the least work for angles anywhere between its nodes."""

    def cost(grid: int) -> float:
        terms = _terms_needed(np.pi / grid * order_max)
        return terms * (_POINT_COST * points + _NODE_COST * grid)

    least = max(2 * order_max + 2, 16)
    return min((fast_length(int(least * (1 + k / 4))) for k in range(25)), key=cost)


class TrigonometricSums:
    """Sums over samples of ``value * exp(-i k angle)`` and the functions they belong to.

    Parameters
    ----------
    angle_rad : ndarray of float64, shape (n,), rad
        Finite angles in any order, over any number of turns.
    order_max : int
        Highest order k that will be asked for.

    Notes
    -----
    The relative error of a sum, against the sum of absolute values, stays below 1e-13 for orders up to
    20,000 (tests/analysis/test_trigonometric.py compares with direct sums).
    """

    def __init__(self, angle_rad: FloatArray, order_max: int) -> None:
        self.order_max = order_max
        self.points = len(angle_rad)
        self._origin = float(angle_rad[0])
        turned = angle_rad - self._origin
        even = self._even_grid(turned)
        self._place(turned, even or _uneven_grid(self.points, order_max))
        if even and _terms_needed(self._reach * order_max) > _EVEN_TERMS:
            self._place(turned, _uneven_grid(self.points, order_max))
        self._powers: list[FloatArray] = []

    def _even_grid(self, turned: FloatArray) -> int:
        """Nodes of a turn where the samples stand at even steps that divide it; 0 where they do not."""
        step = abs(float(turned[-1])) / max(self.points - 1, 1)
        if not _STEP_MIN < step < np.pi:
            return 0
        per_turn = round(2 * np.pi / step)
        grid = per_turn * max(-(-max(2 * self.order_max + 2, 16) // max(per_turn, 1)), 1)
        ends = np.concatenate((turned[:500], turned[-500:])) * (grid / (2 * np.pi))
        reach = float(np.max(np.abs(ends - np.rint(ends)))) * (2 * np.pi / grid)
        terms = _terms_needed(reach * self.order_max)
        if terms > _EVEN_TERMS:
            return 0
        other = _uneven_grid(self.points, self.order_max)
        own = terms * (_POINT_COST * self.points + _NODE_COST * grid * (1.0 if _smooth(grid) else _AWKWARD))
        uneven = _terms_needed(np.pi / other * self.order_max)
        return grid if own <= uneven * (_POINT_COST * self.points + _NODE_COST * other) else 0

    def _place(self, turned: FloatArray, grid: int) -> None:
        """Split each angle into its nearest node and a rest."""
        scaled = turned * (grid / (2 * np.pi))
        nearest = np.rint(scaled)
        np.subtract(scaled, nearest, out=scaled)
        scaled *= 2 * np.pi / grid
        node = nearest.astype(np.int64)
        if node.min() < 0 or node.max() >= grid:
            node %= grid
        self._grid, self._node, self._rest = grid, node, scaled
        self._reach = max(float(scaled.max()), -float(scaled.min()))

    def _power(self, k: int) -> FloatArray:
        """The rests to the power k, k >= 1."""
        while len(self._powers) < k:
            self._powers.append(self._powers[-1] * self._rest if self._powers else self._rest)
        return self._powers[k - 1]

    def sums(self, value: FloatArray | None, order_max: int, *, remainder: float = _REMAINDER) -> ComplexArray:
        """``sum_j value_j * exp(-i k angle_j)`` for k = 0 … order_max; None stands for ones.

        ``value`` has shape (n,); the answer has shape (order_max + 1,), with an error of less than
        ``remainder`` of the sum of absolute values.
        """
        terms = _terms_needed(self._reach * order_max, remainder)
        spread = np.empty((terms, self._grid))
        weighted = np.empty(self.points)  # written over: fresh memory costs more than the product itself
        for k in range(terms):
            weight = value if k == 0 else self._power(k)
            if k and value is not None:
                weight = np.multiply(value, self._power(k), out=weighted)
            spread[k] = np.bincount(self._node, weights=weight, minlength=self._grid)
        lines = np.fft.rfft(spread)  # all at once: numpy takes half the time that single ones take
        order = np.arange(order_max + 1)
        if order_max <= self._grid // 2:
            lines = lines[:, : order_max + 1]
        else:
            place = order % self._grid
            mirrored = place > self._grid // 2
            place = np.where(mirrored, self._grid - place, place)
            lines = np.where(mirrored, np.conj(lines[:, place]), lines[:, place])
        total = lines[terms - 1]
        for k in range(terms - 1, 0, -1):  # Horner's scheme
            total = lines[k - 1] + total * (order * (-1j / k))
        return np.asarray(total * np.exp(-1j * order * self._origin), dtype=np.complex128)

    def evaluate(self, coefficient: ComplexArray) -> FloatArray:
        """``c_0 + 2 Re sum_k c_k exp(i k angle_j)`` at the recorded angles, shape (n,).

        ``coefficient`` has shape (m,), orders 0 … m-1 with 2 (m - 1) below the grid of the sums. The error is
        less than 5e-14 of the sum of absolute values: large low orders need no more terms than they have.
        """
        order = np.arange(len(coefficient))
        size = np.abs(coefficient)
        goal = _REMAINDER * float(size.sum())
        waves = [coefficient * np.exp(1j * order * self._origin) * self._grid]
        for k in range(1, _terms_needed(self._reach * len(coefficient)) + 1):
            size = size * (self._reach / k * order)
            if float(size.sum()) <= goal:
                break
            waves.append(waves[-1] * (order * (1j / k)))
        derivatives = np.fft.irfft(np.stack(waves), self._grid)
        result: FloatArray = derivatives[-1][self._node]
        term = np.empty(self.points)
        for derivative in derivatives[-2::-1]:
            result *= self._rest
            result += np.take(derivative, self._node, out=term, mode="clip")
        return result


def evaluate_on_circle(coefficient: ComplexArray, points: int) -> FloatArray:
    """The function of ``TrigonometricSums.evaluate`` at ``points`` equal angles from 0, shape (points,).

    ``points`` must exceed twice the highest order; the check is the caller's.
    """
    result: FloatArray = np.fft.irfft(coefficient, points) * points
    return result

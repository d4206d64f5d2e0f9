"""Trigonometric sums at angles as they were recorded, evenly spaced or not, without interpolation.

Each angle is split into a node of an even grid and a small rest; the exponential of the rest is expanded into
a polynomial, so that each power of the rest costs one FFT on the grid. The polynomial is cut where its
remainder falls below 5e-14 of the sum of absolute values: the sums are those of the recorded angles, there is
no resampling and so no bias from it. (Method: C. Anderson and M. D. Dahleh, "Rapid computation of the discrete
Fourier transform", SIAM J. Sci. Comput. 17 (1996), 913-919.)

**The polynomial.** Of the Taylor series the powers that are not summed are replaced by their best polynomials
of those that are (Chebyshev economisation, textbook): its remainder is 2 (x/2)^K / K! instead of x^K / K!,
which saves one to four of some fifteen terms.

**The grid.** Three ways, the one with the least work: each sample at the next node of a grid of the mean step,
one after the other, which needs no search and no scattered sums (even steps, also where an eccentric part
shifts them by a few); the nearest node of that grid (even steps with gaps); the nearest node of a length that
an FFT likes (all others). Any number of points, any order and any jitter then cost about the same.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import product

import numpy as np
from numpy.typing import NDArray

from edgeagent.model import FloatArray, IntArray

ComplexArray = NDArray[np.complex128]

_REMAINDER = 5e-14
_STEP_MIN = 1e-6
"""Steps below this (6 million points a turn) do not set the grid: memory would grow without use."""
_EVEN_TERMS = 5
"""Nearest nodes of a grid of the mean step are taken where so many terms are enough."""
_ARGUMENT_MAX = 2.0
"""Rest times order of samples in line at the most: beyond, powers cancel and take digits along."""
_LINE_NODES = 1 << 18
"""Longest grid of samples in line with more terms than that: all its rows are in memory."""
_LINE_COST, _POINT_COST, _NODE_COST, _AWKWARD = 0.6, 1.6, 3.0, 24.0
"""Relative costs of one sample in line, of one at its nearest node and of one node of a transform, and the
factor of a length with large prime factors: only their ratio counts, and a factor of two in it changes the time
by some per cent."""
_REST_SMALL = 5e-6
"""Rests in rad whose third power is below the last digit of a sine."""
_CHUNK = 16_384
"""Samples whose powers are made at a time: they stay in the processor's cache."""


@lru_cache(maxsize=1024)
def _terms_needed(argument: float, remainder: float = _REMAINDER) -> tuple[int, int]:
    """Terms that are summed and terms of the Taylor series: exp(i x), |x| <= argument, a few at most."""
    summed, term = 0, 2.0
    while term > remainder:
        summed += 1
        term *= argument / 2 / summed
    series, term = 0, 1.0
    # A quarter: what the series leaves and what economising leaves share the remainder.
    while term > remainder / 4:
        series += 1
        term *= argument / series
    # For arguments beyond the number of terms the bound does not fall steadily yet: one more.
    return min(summed + (argument > summed), series), series


@lru_cache(maxsize=128)
def _economised(summed: int, series: int) -> FloatArray:
    """Polynomials of degree below ``summed`` nearest to the powers ``summed`` … ``series`` - 1 over -1 … 1.

    Shape (series - summed, summed), coefficients of rising powers. Each power less its polynomial is a sum of
    Chebyshev polynomials of degree ``summed`` and above.
    """
    found = np.zeros((series - summed, summed))
    for power in range(summed, series):
        wanted = np.zeros(power + 1)
        wanted[-1] = 1.0
        low = np.polynomial.chebyshev.cheb2poly(np.polynomial.chebyshev.poly2cheb(wanted)[:summed])
        found[power - summed, : len(low)] = low
    return found


def fast_length(least: int) -> int:
    """The smallest number from ``least`` on that has no prime factor above 7: a length that an FFT likes."""
    return next(n for n in range(max(least, 1), 2 * max(least, 1) + 1) if _smooth(n))


def quick_length(least: int) -> int:
    """As ``fast_length``, but a multiple of 128 beyond that: a little longer, and quicker by some per cent."""
    return 128 * fast_length(-(-least // 128)) if least > 128 else fast_length(least)


@lru_cache(maxsize=4096)
def _smooth(number: int) -> bool:
    for prime in (2, 3, 5, 7):
        while number % prime == 0:
            number //= prime
    return number == 1


@lru_cache(maxsize=256)
def _uneven_grid(points: int, order_max: int) -> tuple[int, float]:
    """The fast length with the least work for angles anywhere between its nodes, and that work."""

    def cost(grid: int) -> float:
        terms, _ = _terms_needed(np.pi / grid * order_max)
        return terms * (_POINT_COST * points + _NODE_COST * grid)

    least = max(2 * order_max + 2, 16)
    # From the least grid to seven times that: a finer one has smaller rests, so fewer terms, each dearer.
    grid = min((quick_length(int(least * (1 + k / 4))) for k in range(25)), key=cost)
    return grid, cost(grid)


@lru_cache(maxsize=2)
def _even_circle(turn: int) -> tuple[FloatArray, FloatArray]:
    """Cosine and sine of ``turn`` even angles from 0 on: traces of one gauge have the same."""
    angle = np.arange(turn) * (2 * np.pi / turn)
    return np.cos(angle), np.sin(angle)


@dataclass(frozen=True, slots=True)
class _Placing:
    """Samples on a grid: j at ``node[j]`` of ``grid``, where that is None at the node j times ``stride``.

    Its angle is ``origin`` and that of the node and ``reach`` times ``rest[j]``, which is not above 1.
    """

    grid: int
    origin: float
    reach: float
    rest: FloatArray
    node: IntArray | None = None
    stride: int = 1

    @property
    def turn(self) -> int:
        """Samples in line to a turn."""
        return self.grid // self.stride

    @property
    def step_max(self) -> float:
        """No step of samples in line is wider than this, in rad; infinite where they are not."""
        return np.inf if self.node is not None else 2 * np.pi / self.turn + 2 * self.reach


def _in_line(angle_rad: FloatArray, order_max: int) -> _Placing | None:
    """The samples one after the other on a grid of their mean step, where that is less work than others."""
    count = len(angle_rad)
    step = float(angle_rad[-1] - angle_rad[0]) / max(count - 1, 1)
    if not _STEP_MIN < step < np.pi:
        return None
    turn = round(2 * np.pi / step)
    # A grid must hold the highest order twice; sparse samples leave nodes between them empty.
    stride = -(-max(2 * order_max + 2, 16) // turn)
    grid, even = turn * stride, 2 * np.pi / turn
    own = _LINE_COST * count + _NODE_COST * grid * (1.0 if _smooth(grid) else _AWKWARD)
    most = _uneven_grid(count, order_max)[1]

    def costly(reach: float) -> bool:
        if not reach * order_max <= _ARGUMENT_MAX:
            return True
        terms, _ = _terms_needed(reach * order_max)
        return terms * own > most or (terms > _EVEN_TERMS and grid > _LINE_NODES)

    apart = max(count // 256, 1)  # a look at some of them first
    seen = angle_rad[::apart] - np.arange(0, count, apart) * even
    if costly(float(np.ptp(seen)) / 2):
        return None
    # In place: an angle less its node's, without arrays in between.
    rest = np.arange(count, dtype=np.float64)
    rest *= -even
    rest += angle_rad
    low, high = float(rest.min()), float(rest.max())
    # Even steps have no rest at all; then nothing must be divided by 0.
    reach = max((high - low) / 2, 1e-300)
    if costly(reach):
        return None
    rest -= (low + high) / 2
    rest /= reach
    return _Placing(grid, (low + high) / 2, reach, rest, stride=stride)


def _at_nearest(angle_rad: FloatArray, order_max: int) -> _Placing:
    """The samples at nearest nodes: of a grid of their step where few terms do, else of a fast length."""
    even = _even_grid(angle_rad, order_max)
    if even:
        found = _split(angle_rad, even)
        if _terms_needed(found.reach * order_max)[0] <= _EVEN_TERMS:
            return found
    return _split(angle_rad, _uneven_grid(len(angle_rad), order_max)[0])


def _even_grid(angle_rad: FloatArray, order_max: int) -> int:
    """Nodes of a turn where the samples stand at even steps that divide it; 0 where they do not."""
    # The begin and the end tell whether steps divide the turn; looking at all would cost as much as placing
    # them.
    few = min(len(angle_rad), 500)
    step = abs(float(angle_rad[few - 1] - angle_rad[0])) / max(few - 1, 1)
    if not _STEP_MIN < step < np.pi:
        return 0
    turn = round(2 * np.pi / step)
    grid = turn * -(-max(2 * order_max + 2, 16) // turn)
    ends = (np.concatenate((angle_rad[:few], angle_rad[-few:])) - angle_rad[0]) * (grid / (2 * np.pi))
    reach = float(np.max(np.abs(ends - np.rint(ends)))) * (2 * np.pi / grid)
    terms, _ = _terms_needed(reach * order_max)
    own = terms * (_POINT_COST * len(angle_rad) + _NODE_COST * grid * (1.0 if _smooth(grid) else _AWKWARD))
    return grid if terms <= _EVEN_TERMS and own <= _uneven_grid(len(angle_rad), order_max)[1] else 0


def _split(angle_rad: FloatArray, grid: int) -> _Placing:
    """Each angle as its nearest node, counted from the first sample, and a rest."""
    origin = float(angle_rad[0])
    scaled = (angle_rad - origin) * (grid / (2 * np.pi))
    nearest = np.rint(scaled)
    np.subtract(scaled, nearest, out=scaled)
    node = nearest.astype(np.int64)
    # A remainder of all nodes costs more than the look whether it is needed.
    if node.min() < 0 or node.max() >= grid:
        node %= grid
    most = max(float(scaled.max()), -float(scaled.min()), 1e-300)
    scaled /= most
    return _Placing(grid, origin, most * (2 * np.pi / grid), scaled, node)


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
        self._placing = _in_line(angle_rad, order_max) or _at_nearest(angle_rad, order_max)

    @property
    def step_max(self) -> float:
        """No step from sample to sample is wider than this, in rad; infinite where the steps are uneven."""
        return self._placing.step_max

    def of_whole_turns(self, angle_rad: FloatArray, turns: int, order_max: int) -> TrigonometricSums | None:
        """The sums of those samples that lie in the first whole ``turns``, their angles from the first one on
        divided by that number; None where the samples do not stand in line.

        ``angle_rad`` are the angles of these sums. Nothing of the samples need be computed anew.
        """
        at, first = self._placing, float(angle_rad[0])
        points = min(at.turn * turns, self.points)
        if at.node is not None or at.stride > 1 or at.turn * turns < 2 * order_max + 2:
            return None
        # Less a billionth: a sample that closes the turn belongs to the next one.
        end = 2 * np.pi * turns - 1e-9 + first
        # Rests below half a step cannot exchange neighbours: the first samples then are those of the first
        # turns.
        rising = at.reach < np.pi / at.turn and float(angle_rad[points - 1]) < end
        if not rising or (points < self.points and float(angle_rad[points]) < end):
            return None
        found = object.__new__(TrigonometricSums)
        found.order_max, found.points = order_max, points
        found._placing = replace(
            at, grid=at.turn * turns, origin=(at.origin - first) / turns, reach=at.reach / turns,
            rest=at.rest[:points],
        )  # fmt: skip
        return found

    def circle(self, angle_rad: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Cosine and sine of the angles of these sums, both of shape (n,).

        In line they follow from those of one turn's nodes by the series of the rests, in a fifth of the time.
        """
        at = self._placing
        if at.node is not None or at.reach > _REST_SMALL or at.turn > _LINE_NODES:
            return np.cos(angle_rad), np.sin(angle_rad)
        own_cos, own_sin = _even_circle(at.turn)
        cos_origin, sin_origin = np.cos(at.origin), np.sin(at.origin)
        node_cos = own_cos * cos_origin - own_sin * sin_origin
        node_sin = own_sin * cos_origin + own_cos * sin_origin
        cosine, sine = np.empty(self.points), np.empty(self.points)
        for begin in range(0, self.points, at.turn):
            small = at.rest[begin : begin + at.turn] * at.reach
            cos, sin = node_cos[: len(small)], node_sin[: len(small)]
            half = small * small
            half *= -0.5
            cosine[begin : begin + at.turn] = cos + (half * cos - small * sin)
            sine[begin : begin + at.turn] = sin + (half * sin + small * cos)
        return cosine, sine

    def sums(self, value: FloatArray | None, order_max: int, *, remainder: float = _REMAINDER) -> ComplexArray:
        """``sum_j value_j * exp(-i k angle_j)`` for k = 0 … order_max; None stands for ones.

        ``value`` has shape (n,); the answer has shape (order_max + 1,), with an error of less than
        ``remainder`` of the sum of absolute values.
        """
        at = self._placing
        summed, series = _terms_needed(at.reach * order_max, remainder)
        lines = np.fft.rfft(self._spread(value, summed))  # all at once: half the time that single ones take
        order = np.arange(order_max + 1)
        if order_max <= at.grid // 2:
            lines = lines[:, : order_max + 1]
        else:
            # Beyond half the grid a transform's lines are the conjugates of those below.
            place = order % at.grid
            mirrored = place > at.grid // 2
            place = np.where(mirrored, at.grid - place, place)
            lines = np.where(mirrored, np.conj(lines[:, place]), lines[:, place])
        further = _economised(summed, series)
        square, parity = -((order * at.reach) ** 2), []
        for odd in (0, 1):  # Horner's scheme in the square; powers of one parity need no others
            total: ComplexArray = np.zeros(order_max + 1, dtype=np.complex128)
            for k in range(series - 1 - (series - 1 - odd) % 2, -1, -2):
                total *= square / ((k + 1) * (k + 2))
                if k < summed:
                    total += lines[k]
                else:
                    for lower in range(odd, summed, 2):
                        total += further[k - summed, lower] * lines[lower]
            parity.append(total)
        total = parity[0] - parity[1] * (order * (1j * at.reach))
        return total if at.origin == 0.0 else total * turning(-at.origin, order_max)

    def _spread(self, value: FloatArray | None, terms: int) -> FloatArray:
        """Sums of the values times powers of their rests at each node, shape (terms, grid)."""
        at = self._placing
        spread = np.zeros((terms, at.grid)) if at.node is None else np.empty((terms, at.grid))
        if at.node is not None:
            # A copy: it is multiplied by the rests in place.
            weight = np.ones(self.points) if value is None else value.copy()
            for k in range(terms):
                if k:
                    weight *= at.rest
                spread[k] = np.bincount(at.node, weights=weight, minlength=at.grid)
            return spread
        nodes = spread[:, :: at.stride]
        chunk = at.turn * max(_CHUNK // at.turn, 1)
        for begin in range(0, self.points, chunk):
            rest = at.rest[begin : begin + chunk]
            weight = np.ones(len(rest)) if value is None else value[begin : begin + chunk].copy()
            # Whole turns are summed as rows of one array, the rest of a turn by itself.
            whole = len(rest) // at.turn * at.turn
            for k in range(terms):
                if k:
                    weight *= rest
                if whole == at.turn:
                    nodes[k] += weight[:whole]
                elif whole:
                    nodes[k] += weight[:whole].reshape(-1, at.turn).sum(axis=0)
                if whole < len(rest):
                    nodes[k, : len(rest) - whole] += weight[whole:]
        return spread

    def evaluate(self, coefficient: ComplexArray) -> FloatArray:
        """``c_0 + 2 Re sum_k c_k exp(i k angle_j)`` at the recorded angles, shape (n,).

        ``coefficient`` has shape (m,), orders 0 … m-1 with 2 (m - 1) below the grid of the sums. The error is
        less than 5e-14 of the sum of absolute values: large low orders need no more terms than they have.
        """
        at, order = self._placing, np.arange(len(coefficient))
        size = np.abs(coefficient)
        goal = _REMAINDER * float(size.sum())
        turned = coefficient if at.origin == 0.0 else coefficient * turning(at.origin, len(coefficient) - 1)
        waves = [turned * at.grid]
        summed, half = 0, 2.0  # terms that are summed; what cutting there leaves of all waves
        for k in range(1, _terms_needed(at.reach * len(coefficient))[1] + 1):
            # What each wave's k-th power is at most, so that large low orders do not ask for the terms of high
            # ones.
            size = size * (at.reach / k * order)
            left, half = float(size.sum()), half / 2
            if not summed and left * half <= goal:
                summed = k
            if left <= goal / 4:
                break
            waves.append(waves[-1] * (order * (1j * at.reach / k)))
        summed = min(summed or len(waves), len(waves))
        further = _economised(summed, len(waves))
        for power, lower in product(range(summed, len(waves)), range(summed)):
            if (power - lower) % 2 == 0:
                waves[lower] += further[power - summed, lower] * waves[power]
        derivatives = np.fft.irfft(np.stack(waves[:summed]), at.grid)
        if at.node is None:
            return self._follow(derivatives[:, :: at.stride])
        result: FloatArray = derivatives[-1][at.node]
        term = np.empty(self.points)
        for derivative in derivatives[-2::-1]:
            result *= at.rest
            result += np.take(derivative, at.node, out=term, mode="clip")
        return result

    def _follow(self, derivatives: FloatArray) -> FloatArray:
        """The polynomial of each sample in line, from its coefficients at the nodes, shape (terms, turn)."""
        at, result = self._placing, np.empty(self.points)
        for begin in range(0, self.points, at.turn):
            rest, here = at.rest[begin : begin + at.turn], result[begin : begin + at.turn]
            here[:] = derivatives[-1, : len(here)]
            for derivative in derivatives[-2::-1]:
                here *= rest
                here += derivative[: len(here)]
        return result


def turning(angle_rad: float, order_max: int) -> ComplexArray:
    """exp(i k ``angle_rad``) for k = 0 … order_max, shape (order_max + 1,), from products of some of them."""
    # 64 and N/64 exponentials instead of N, at one rounding more.
    fine = np.exp(1j * angle_rad * np.arange(64))
    coarse = np.exp(1j * angle_rad * np.arange(0, order_max + 1, 64))
    found: ComplexArray = np.multiply.outer(coarse, fine).ravel()[: order_max + 1]
    return found


def evaluate_on_circle(coefficient: ComplexArray, points: int) -> FloatArray:
    """The function of ``TrigonometricSums.evaluate`` at ``points`` equal angles from 0, shape (points,).

    ``points`` must exceed twice the highest order; the check is the caller's.
    """
    result: FloatArray = np.fft.irfft(coefficient, points) * points
    return result

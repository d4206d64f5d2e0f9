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

from edgeagent.analysis.waves.trigonometric import ComplexArray, TrigonometricSums
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
_EXPLAINED = 0.95
"""Share of the power nearby that a wave close to a whole order explains alone."""
_CLEAR = 10.0
"""So many times the noise of a line its strongest one must hold where its like lies beyond the whole order."""
_GRID = np.linspace(-1.0, 1.0, 41)
_FITTED = 12
"""Orders on each side of a crest that are fitted beside it; those farther off change its sides by less than
1 % of its height."""
_CREST_MIN, _SIDES, _SIDE_NOISES = 6, 3, 6.0
"""Lowest crest of a single turn that is looked at, orders on each side, and noises that the sides must stand
out by: waves below are not told from drift and tilt."""
_TWICE_MIN, _TWICE_REMAINDER = 1.25, 1e-10
"""Turns from which on the second one tells such waves, and the error of their lines as a share of the sum."""
_KNOWN = 0.1
"""Share of such a line that an amplitude nearby lacks where the line is that wave's."""
_NOISE_OF_SIDES = 21.0
"""So many variances of one amplitude's noise are in the sides together in at most 5 % of traces (χ² of 12)."""
_LEFT_BESIDE, _BESIDE_TURNS = 2e-3, 8
"""What a wave that was taken out may leave as a share of its size, within so many orders: uneven angles."""


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


def significant(lines: ComplexArray, whole: int, floor: float | FloatArray) -> IntArray:
    """Indices of the lines that stand out of their surroundings, strongest first against its own bound.

    ``lines`` has shape (n,), line 1 first, in units of 1/``whole`` UPR; nothing whose power is below ``floor``
    (one, or one a line) counts. The mean of m lines of noise tells their level; a line exceeds t times it with
    (1 + t/m)^-m (ratio of exponential to gamma variables). A strong wave has its own sides in its surroundings:
    then what it leaves of them tells the level.
    """
    power = np.abs(lines) ** 2
    noisy = np.flatnonzero(np.arange(1, len(power) + 1) % whole != 0)
    # Surroundings of so few lines tell no level.
    if len(noisy) < 8:
        return np.zeros(0, dtype=np.int64)
    # Shared among the lines: the whole trace is allowed one in a million.
    risk = _RISK / len(noisy)
    values, at = power[noisy], noisy + 1
    # Cheap first: nothing below a dozen times the median of its block of lines can be significant.
    block = _NEAR_MAX
    whole_blocks = len(values) // block * block
    level = np.empty(len(values))
    level[:whole_blocks] = np.repeat(np.median(values[:whole_blocks].reshape(-1, block), axis=1), block)
    if whole_blocks < len(values):
        level[whole_blocks:] = np.median(values[whole_blocks:])
    least = np.broadcast_to(floor, power.shape)[noisy]
    candidates = np.flatnonzero((values > np.maximum(12 * level, least)) & (at >= _ORDER_MIN * whole))
    found = []
    for i in candidates:
        low = np.searchsorted(at, at[i] / _SHARE)
        high = np.searchsorted(at, at[i] * _SHARE, side="right")
        # At low orders the span is an octave of few lines, at high ones 24 to each side.
        low, high = max(low, i - _NEAR_MAX // 2), min(high, i + _NEAR_MAX // 2 + 1)
        near = np.delete(np.arange(low, high), i - low)
        worth = _MEDIAN_WORTH * len(near)
        # With less the bound is so high that nothing could pass it.
        if worth < 2:
            continue
        # Solved for t; expm1, since for many lines it is a small difference from 1. Over ln 2: it multiplies a
        # median.
        bound = worth * math.expm1(-math.log(risk) / worth) / math.log(2)
        if _stands_out(lines, int(at[i]), noisy[near], whole, bound):
            found.append((float(values[i]), int(noisy[i])))
    return np.array([i for _, i in sorted(found, reverse=True)], dtype=np.int64)


def _stands_out(lines: ComplexArray, line: int, beside: IntArray, whole: int, bound: float) -> bool:
    """Whether a line exceeds ``bound`` medians of those ``beside`` it, as they are or as its own wave leaves
    them."""
    seen, power = lines[beside], abs(lines[line - 1]) ** 2
    if power > bound * max(float(np.median(np.abs(seen) ** 2)), 1e-300):
        return True
    # A line weaker than a neighbour lies in that one's sides: the stronger one is looked at by itself.
    if power < float(np.max(np.abs(seen) ** 2)):
        return False
    wave = _refine_order(lines, line, whole)
    off = wave.upr * whole - (beside + 1)
    left = np.abs(seen - wave.size * np.sinc(off) * np.exp(1j * np.pi * off)) ** 2
    return bool(power > bound * max(float(np.median(left)), 1e-300))


def find_orders(lines: ComplexArray, whole: int, floor: float) -> tuple[float, ...]:
    """Orders of the waves between whole UPR, strongest first.

    ``lines`` are the residual's sums exp(-i k φ / ``whole``), k = 1 …, over ``whole`` turns from φ = 0 on,
    shape (n,). Each order found is taken out with its sides before the next is sought. Two orders closer than
    1/``whole`` are not told apart, and what a wave leaves beside itself is none.
    """
    left = lines.copy()
    found: list[float] = []
    # Before anything is taken out: a wave's removal would leave its twin alone.
    twin = _of_one_turn(np.abs(lines) ** 2, whole)
    least = np.full(len(lines), floor)
    index = np.arange(1, len(lines) + 1)
    while len(found) < _LINES_MAX:
        strongest = significant(left, whole, least)
        if not len(strongest):
            break
        wave = _refine_order(left, int(strongest[0]) + 1, whole)
        known = all(abs(wave.upr - other) * whole >= 1.0 for other in found)
        if not known or (twin[strongest[0]] and not wave.tells_itself):
            # Passed over for good, or the search would find it again without end.
            least[strongest[0]] = np.inf
            continue
        found.append(wave.upr)
        left[wave.near - 1] -= wave.size * wave.spread
        beside = np.abs(index - wave.upr * whole) <= _BESIDE_TURNS * whole
        # Uneven angles leave something of a wave that was taken out: less than that is no wave of its own.
        least[beside] = np.maximum(least[beside], (_LEFT_BESIDE * abs(wave.size)) ** 2)
    return tuple(found)


def _of_one_turn(power: FloatArray, whole: int) -> NDArray[np.bool_]:
    """Lines that have their like on the other side of a whole order: a wave of that order in some turns alone,
    or one that closes almost.

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


@dataclass(frozen=True, slots=True)
class _RefinedOrder:
    """A wave by its lines: its order, spread over the lines ``near`` it, and size there.

    ``tells_itself`` says that it alone explains those lines, at a distance from the whole order that noise does
    not bridge: then it is no wave of that order in some turns alone.
    """

    upr: float
    spread: ComplexArray
    near: IntArray
    size: complex
    tells_itself: bool


def _refine_order(lines: ComplexArray, line: int, whole: int) -> _RefinedOrder:
    """The wave whose spread fits best, within a line of ``line``: half a line, or up to the whole order."""
    near = np.arange(max(line - 4 * whole, 1), min(line + 4 * whole, len(lines)) + 1)
    # Lines of whole orders are taken by the harmonics, so that they say nothing of a wave.
    near = near[near % whole != 0]
    seen = lines[near - 1]
    # Half a line to each side, but up to a whole order, which has no line that the wave could be nearer to.
    low, high = (line + side * (0.9 if (line + side) % whole == 0 else 0.5) for side in (-1, 1))
    centre, width = (low + high) / 2, (high - low) / 2
    for _ in range(4):  # a grid of 41 steps, refined four times: to 1e-5 of a line
        tried = np.minimum(np.maximum(centre + width * _GRID, low), high)
        step = tried - line
        step[step == 0.0] = 1e-15  # the limit
        # Lines lie at whole numbers: sinc(x) exp(iπ x), x = step - (near - line), is real but for exp(iπ step).
        real = (np.sin(np.pi * step) / np.pi)[:, None] / (step[:, None] - (near - line)[None, :])
        fitted = np.einsum("tn,n->t", real, seen)
        energy = np.abs(fitted) ** 2 / np.einsum("tn,tn->t", real, real)
        best = int(np.argmax(energy))
        centre, width = float(tried[best]), width / 10
    shape = real[best] * np.exp(1j * np.pi * (centre - line))
    size = complex(np.sum(shape.conj() * seen) / np.sum(real[best] ** 2))
    noise = float(np.median(np.abs(seen - size * shape) ** 2)) / math.log(2)
    explained = float(energy[best]) >= _EXPLAINED * float(np.sum(np.abs(seen) ** 2))
    away = abs(centre - whole * round(centre / whole))
    # The nearest line off the whole order holds about the size times ``away``: that tells size and distance.
    clear = abs(size) * away > _CLEAR * math.sqrt(noise) and low < centre < high
    return _RefinedOrder(centre / whole, shape, near, size, explained and clear)


def not_closing_um2(
    coefficient: ComplexArray, noise_um: FloatArray, begin_rad: float, turns: float
) -> FloatArray:
    """What amplitudes of a single turn may lack of waves that do not close in it, as variances, shape (N + 1,).

    A wave of order n + x stands at n with a share of its height and has sides of known size and phase
    (`_sides_of`). Where the three orders on each side of a crest hold more than noise and are such sides (nine
    tenths of what noise does not make of their power), the crest may lack the rest, and so may the larger one
    of its neighbours. ``noise_um`` are the uncertainties without it, ``begin_rad`` is where the samples begin,
    1 <= ``turns`` < 2 how far they go.
    """
    found = np.zeros(len(coefficient))
    size = np.abs(coefficient)
    inner = np.arange(_CREST_MIN, len(coefficient) - _SIDES)
    if len(inner) == 0:
        return found
    sides = np.convolve(size**2, np.ones(2 * _SIDES + 1), mode="same")[inner] - size[inner] ** 2
    crest = (size[inner] >= size[inner - 1]) & (size[inner] > size[inner + 1])
    crest &= 4 * sides > (_SIDE_NOISES * noise_um[inner]) ** 2
    places = inner[crest]
    if not len(places):
        return found
    reach = np.arange(-_SIDES, _SIDES + 1)
    spread = _sides_of(turns, begin_rad)
    beside = reach != 0
    for n in places:
        lines = coefficient[n + reach]
        wave = np.einsum("tn,n->t", spread.conj(), lines) / np.sum(np.abs(spread) ** 2, axis=1)
        left = np.sum(np.abs(lines - wave[:, None] * spread)[:, beside] ** 2, axis=1)
        # The distance x by all seven orders, the crest among them; judged below by the sides alone.
        best = int(np.argmin(np.sum(np.abs(lines - wave[:, None] * spread) ** 2, axis=1)))
        # A coefficient is half of an amplitude, its variance a quarter.
        of_noise = _NOISE_OF_SIDES * float(noise_um[n]) ** 2 / 4
        if left[best] > 0.1 * float(np.sum(np.abs(lines[beside]) ** 2)) + of_noise:
            continue
        lacks = 2 * max(float(np.abs(wave[best])) - float(size[n]), 0.0)
        # The wave lies between the crest and its larger neighbour: either may be what the curve limits.
        for at in (n, n + (1 if size[n + 1] > size[n - 1] else -1)):
            found[at] = max(found[at], lacks**2)
    return found


def unlike_um2(
    angle_rad: FloatArray, residual_um: FloatArray, lacking_um2: FloatArray, turns: float
) -> FloatArray:
    """What less than two turns show twice and unlike, as variances of amplitudes, shape (N + 1,).

    Where the second turn lies over the first one, a wave of order n + x leaves |sin πx| of its height in the
    residual, with the other sign in the second turn: at half orders both add up. Lines there that stand out of
    their like count at the orders beside them, unless ``lacking_um2`` (of `not_closing_um2`) has the wave
    there already. Zeros below ``_TWICE_MIN`` turns. ``angle_rad`` and ``residual_um`` have shape (n,).
    """
    found = np.zeros(len(lacking_um2))
    upr_max = len(found) - 1
    if turns < _TWICE_MIN or upr_max < _CREST_MIN + _NEAR_MAX:
        return found
    begun = angle_rad - float(angle_rad.min())
    twice = (begun < 2 * np.pi * (turns - 1)) | (begun >= 2 * np.pi)
    sums = TrigonometricSums(begun[twice] / 2, 2 * upr_max + 1)
    # Angles halved, so that half orders are whole ones; every second of these.
    line = sums.sums(residual_um[twice], 2 * upr_max + 1, remainder=_TWICE_REMAINDER)[1::2]
    power = (2 * np.abs(line) / np.count_nonzero(twice)) ** 2  # at 1/2, 3/2 … N + 1/2
    # So many orders wide is a wave's crest where only the turn's overlap tells it.
    reach = math.ceil(2 / (turns - 1))
    for block in np.array_split(np.arange(_CREST_MIN, upr_max), (upr_max - _CREST_MIN) // _NEAR_MAX):
        for n in block[power[block] > _SIDE_NOISES**2 * float(np.median(power[block]))]:
            # Few lines below, where a drift is steep, but all above: a low wave is as wide as those few.
            wide = min(max(n // 3, 8), _NEAR_MAX // 2)
            level = float(np.median(power[max(n - wide, 0) : n + _NEAR_MAX // 2 + 1]))
            known = float(np.max(lacking_um2[max(n - reach, 0) : n + reach + 2]))
            if power[n] > _SIDE_NOISES**2 * level and known <= _KNOWN**2 * power[n]:
                found[n : n + 2] = np.maximum(found[n : n + 2], power[n])
    return found


def _sides_of(turns: float, begin_rad: float) -> ComplexArray:
    """What the fit of whole orders makes of a wave of height 1 at order n + x, at the orders n - 3 … n + 3.

    Shape (51, 7), x from -0.5 to 0.5. Over T turns from ``begin_rad`` on the products of orders j and k are
    sinc((j - k) T), those of the wave and j are sinc((x - j) T), both turned by the middle of the turns
    (derived in NUMERICS.md).
    """
    order = np.arange(-_FITTED, _FITTED + 1)
    # A fiftieth of an order: sides change by less than the tenth that is allowed.
    off = np.linspace(-0.5, 0.5, 51)[:, None] - order[None, :]
    shares = np.linalg.solve(np.sinc((order[:, None] - order[None, :]) * turns), np.sinc(off.T * turns)).T
    seen = slice(_FITTED - _SIDES, _FITTED + _SIDES + 1)
    middle = begin_rad + np.pi * turns
    found: ComplexArray = shares[:, seen] * np.exp(1j * middle * off[:, seen])
    return found

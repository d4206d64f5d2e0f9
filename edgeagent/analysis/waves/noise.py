"""What does not repeat: noise of harmonics from the lines between them, and the closure of a single turn."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from edgeagent.analysis.waves.least_squares import solve_toeplitz
from edgeagent.analysis.waves.level import background, basis, fit_level, pool_means, pools
from edgeagent.analysis.waves.trigonometric import ComplexArray, TrigonometricSums
from edgeagent.model import FloatArray, IntArray

CLOSURE_DRIFT = 4.0
"""A closure error above this many standard uncertainties is treated as drift; noise alone exceeds it once in
16,000 traces."""
_NOISE_REMAINDER = 1e-10
"""Error of a noise line as a share of the residuals' sum: a level needs no more digits."""
_MOVED_MAX = 1.15
"""Variance of a whole order over that of the lines beside it: from three turns on slope and tilt raise it by no
more than this for white noise, flicker and a random walk; a drift that is no chance would make it more."""
_FEW = 0.93 / 3.0
"""A level from ν degrees of freedom leaves Student's tails: 95 % take 1 + 0.93/ν as many standard uncertainties
(to first order). Around order n the lines from n/2 to 2n tell it, 3 n (T - 1) degrees of freedom."""
_FEW_CLOSED, _FEW_WITH_TILT = 0.7, 2.0
"""The same for a single turn, over n: below order n few orders lie that tell a steep level, and waves stand
among them (chosen by simulation, tests/bench/drifting.py)."""
_KEPT_LINES = 20_000
"""Longest set of lines of which what does not depend on their power is kept: some megabytes."""
_TILT_FROM = 6
"""Order whose level may be a tilt alone: below, waves stand in most orders."""
_STANDING = 6.0
"""Lines beside an order that exceed the level so many times are no noise of all orders: two lines do so by
chance in one order of 10,000."""
_NOISE_LINES = 24
"""Number of lines between harmonics that a noise estimate averages at least; 24 lines are 48 degrees of
freedom, so that k = 2 covers 95 % to within 0.3 %."""


def closure_of(
    sums: TrigonometricSums,
    density: ComplexArray,
    turn: FloatArray,
    residual_um: FloatArray,
    variance: FloatArray,
) -> tuple[tuple[float, float] | None, FloatArray, FloatArray]:
    """What a closed profile fails to close by, with its uncertainty; variance and residual with it.

    A drift by D within the turn is a ramp with a jump where the turn closes. The N harmonics cannot follow the
    jump, and samples beyond the turn show it outright; D is the ramp's least-squares size beside them. The ramp
    leaves D/(π n) in one component of harmonic n. A random walk of scatter s over the turn leaves s/(√2 π n) in
    both besides, so that D/(π n) is its mean square over phases, too (derived here). Counted from four times
    its uncertainty on; a smaller one may be noise alone. None where N leaves nothing of the ramp. The residual
    then lacks the jump, which is no speck of dust.
    """
    points, upr_max, t = len(turn), len(variance) - 1, turn
    ramp = solve_toeplitz(density, sums.sums(t, upr_max)[None, :])[0]
    left = t - sums.evaluate(ramp)
    own, freedom = float(np.sum(left**2)), points - 2 * upr_max - 2
    # Harmonics up to nearly half the samples follow even the jump.
    if own <= 1e-9 * float(np.sum(t**2)) or freedom < 1:
        return None, variance, residual_um
    jump = float(np.sum(left * residual_um)) / own
    white = max(float(np.sum(residual_um**2)) - jump**2 * own, 0.0) / freedom
    closure = (jump, float(np.sqrt(white / own)))
    if abs(jump) <= CLOSURE_DRIFT * closure[1]:
        return closure, variance, residual_um
    # Beyond the turn samples take some harmonics of the ramp away, but not those of the walk.
    share = np.maximum(2 * np.abs(ramp), 1 / (np.pi * np.maximum(np.arange(upr_max + 1), 1)))
    return closure, np.maximum(variance, 2 * white / points + (share * jump) ** 2), residual_um - jump * left


@dataclass(frozen=True, slots=True)
class LinesBetween:
    """Sums of a residual over whole turns: ``line`` holds exp(-i k angle / ``whole``), k = 1 …, angles from 0
    on.

    ``points`` samples lie in the whole turns.
    """

    line: ComplexArray
    whole: int
    points: int


def lines_between(
    angle_rad: FloatArray,
    residual_um: FloatArray,
    upr_max: int,
    turns: float,
    known: TrigonometricSums | None = None,
) -> LinesBetween | None:
    """The residual's lines at every 1/T UPR of its T whole turns; None for fewer than two whole turns.

    ``known`` are sums of the same angles, where there are some: of even steps they save work.
    """
    # Turns are counted from a span that may lack a speck at its end.
    whole = int(turns + 1e-3)
    if whole < 2:
        return None
    count = upr_max * whole + whole - 1
    sums = known.of_whole_turns(angle_rad, whole, count + 1) if known is not None else None
    if sums is not None:
        line = sums.sums(residual_um[: sums.points], count, remainder=_NOISE_REMAINDER)[1:]
        return LinesBetween(line, whole, sums.points)
    start = float(angle_rad.min())
    angle = angle_rad - start
    # Only whole turns: a piece of another one would spread each wave over all lines.
    within = angle < 2 * np.pi * whole - 1e-9
    if not np.all(within):
        angle, residual_um = angle[within], residual_um[within]
    sums = TrigonometricSums(angle / whole, count + 1)
    line = sums.sums(residual_um, count, remainder=_NOISE_REMAINDER)[1:]
    return LinesBetween(line, whole, len(angle))


def noise_between(
    found: LinesBetween, upr_max: int, points: int, *, alignment: bool
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Variance of an amplitude from the lines between harmonics, shape (upr_max + 1,), and that of slope and
    tilt.

    Lines at whole UPR are taken by the fit, the others hold what does not repeat from turn to turn. A smooth
    level (`level`) follows them, steep as a drift makes it; the mean of power over level, of a window that
    widens with UPR, corrects it where the noise has a band of its own. The second array, shape (2,), holds the
    level at which noise moves slope and tilt. With ``alignment`` slope and tilt were fitted, which takes their
    share of the lines near 0 and 1 UPR; from 2 UPR on the variances then have what that brings into them. The
    third array is the plain windowed power, whose sum is that of all lines, as a variance. ``points`` is the
    number of samples that were fitted.
    """
    whole, power = found.whole, np.abs(found.line) ** 2
    known = _known_shape if len(power) <= _KEPT_LINES else _NoiseShape.of
    shape = known(len(power), whole, upr_max, alignment)
    taken, at, noisy = shape.taken, shape.at, power[shape.noisy]
    weight = fit_level(shape.pooled, pool_means(noisy, shape.share), np.diff(shape.share).astype(np.float64))
    model = np.einsum("j,jn->n", weight, shape.expected)
    if not np.any(model > 0):
        return np.zeros(upr_max + 1), np.zeros(2), np.zeros(upr_max + 1)
    # An amplitude is 2 |c|: four times half of a line's power over its samples, and over those fitted, which
    # may be more.
    scale = 2 / (found.points * points)
    plain = scale * shape.windowed(noisy)
    mean = shape.windowed(noisy / model)
    level = np.einsum("j,jn->n", weight, at)
    # What is so steep is a drift that goes one way, with one phase for all orders, and no chance.
    drifting = 1.0 + min(1.0, 2.0 / (whole - 1) ** 2) * weight[-1] * at[-1] / level
    beside = _beside(power, np.arange(upr_max + 1), whole)
    if taken is None:
        own = _standing(level * mean, beside) * shape.few * drifting * scale
        return own, (level * mean)[:2] * scale, plain
    here = np.einsum("j,jn->n", weight, shape.terms[:, : taken.near])
    level[2:] += taken.leak_of(here, shape.leaking) * (2.0 if whole == 2 and weight[-1] > 0 else 1.0)
    if whole > 2:
        left = np.exp(np.interp(np.arange(2, upr_max + 1), shape.upr, np.log(model)))
        # From three turns on the lines left are trusted, and raised by no more than chance would.
        level[2:] = left * np.clip(level[2:] / left, 1.0, _MOVED_MAX)
    own = _standing(level * mean, beside) * shape.few * drifting * scale
    return own, taken.level_of(here) * mean[:2] * scale, plain


def _beside(power: FloatArray, order: IntArray, whole: int) -> FloatArray:
    """Mean power of the lines between each order and its neighbours, 2 (T - 1) of them; 0 at the ends."""
    found = np.zeros(len(order))
    inner = (order >= 2) & ((order + 1) * whole - 1 <= len(power))
    at = order[inner][:, None] * whole + np.delete(np.arange(1 - whole, whole), whole - 1)[None, :]
    found[inner] = np.mean(power[at - 1], axis=1)
    return found


def _standing(level: FloatArray, beside: FloatArray) -> FloatArray:
    """The level; where the lines beside an order stand out of it, theirs: such is a wave that closes almost."""
    found: FloatArray = np.where(beside > _STANDING * level, beside, level)
    return found


@dataclass(frozen=True, slots=True)
class _NoiseShape:
    """What `noise_between` needs of the lines before it sees their power.

    ``noisy`` are the indices of the m lines between whole orders, ``upr`` their orders, ``terms`` the level's
    terms there and ``expected`` what the fit leaves of them, shape (terms, m), ``pooled`` its means over the
    pools that begin at ``share``. ``at`` are the terms at whole orders 0 … N, shape (terms, N + 1), ``few`` the
    allowance for few lines and ``leaking`` the products of the lines of t, t cos θ and t sin θ there. ``low``
    and ``high`` are where the window of each order begins and ends among the noisy lines.
    """

    noisy: IntArray
    upr: FloatArray
    terms: FloatArray
    expected: FloatArray
    share: IntArray
    pooled: FloatArray
    at: FloatArray
    few: FloatArray
    low: IntArray
    high: IntArray
    taken: _Taken | None
    leaking: FloatArray

    @staticmethod
    def of(count: int, whole: int, upr_max: int, alignment: bool) -> _NoiseShape:
        """For ``count`` lines of ``whole`` turns; see ``noise_between``."""
        lines, order = np.arange(1, count + 1), np.arange(upr_max + 1)
        noisy = np.flatnonzero(lines % whole)
        upr = lines[noisy] / whole
        terms = basis(upr, steep=True)
        taken = _Taken.of(lines[noisy], whole) if alignment else None
        expected = terms if taken is None else taken.left_of(terms)
        share = pools(len(noisy))
        few = (1.0 + _FEW / (np.maximum(order, 1) * (whole - 1))) ** 2
        before = np.concatenate(([0], np.cumsum(lines % whole != 0)))
        low, high = (before[edge] for edge in _window(count, order, whole))
        leaking = _alignment_lines(order[2:] * whole, whole)
        return _NoiseShape(
            noisy, upr, terms, expected, share, pool_means(expected, share),
            basis(np.maximum(order, 1.0 / whole), steep=True), few, low, high,
            taken, np.einsum("ki,kj->ijk", leaking.conj(), leaking).real,
        )  # fmt: skip

    def windowed(self, values: FloatArray) -> FloatArray:
        """Mean of the noisy lines' ``values``, shape (m,), in the window around each order, shape (N + 1,)."""
        running = np.concatenate(([0.0], np.cumsum(values)))
        mean: FloatArray = (running[self.high] - running[self.low]) / np.maximum(self.high - self.low, 1)
        return mean


@lru_cache(maxsize=4)
def _known_shape(count: int, whole: int, upr_max: int, alignment: bool) -> _NoiseShape:
    """A recipe's traces are alike: what they share is computed once."""
    return _NoiseShape.of(count, whole, upr_max, alignment)


def _window(count: int, order: IntArray, whole: int) -> tuple[IntArray, IntArray]:
    """First line and the one after the last around each order: 24 noisy ones, or five per cent of it each
    way."""
    reach = np.maximum(np.ceil(_NOISE_LINES * whole / (2.0 * (whole - 1))), 0.05 * order * whole).astype(int)
    low = np.clip(order * whole - reach - 1, 0, count)
    high = np.clip(np.maximum(order * whole + reach, 2 * reach), 0, count)
    return np.minimum(low, np.maximum(count - 2 * reach, 0)), high


@dataclass(frozen=True, slots=True)
class _Taken:
    """What the fit of slope and tilt takes of the lines between whole orders (derived in NUMERICS.md).

    ``near`` is the number of lowest lines that count, ``gain`` = A (AᵀA)⁻¹ and ``column`` = A have shape (2
    near, 3), cosine parts before sine parts.
    """

    near: int
    column: FloatArray
    gain: FloatArray

    @staticmethod
    def of(lines: IntArray, whole: int) -> _Taken:
        """For lines ``lines`` of ``whole`` turns, those at whole orders not among them."""
        # t falls by 1/k: beyond 40 UPR the fit takes less than 0.1 % of a line.
        lines = lines[lines < 40 * whole]
        columns = _alignment_lines(lines, whole)
        column = np.concatenate((columns.real, columns.imag))
        inverse = np.linalg.inv(np.einsum("ki,kj->ij", column, column))
        return _Taken(len(lines), column, np.einsum("ki,ij->kj", column, inverse))

    def left_of(self, terms: FloatArray) -> FloatArray:
        """Expected powers of lines whose power was ``terms``, shape (terms, n), after the fit."""
        found = terms.copy()
        own = np.einsum("ki,ki->k", self.gain, self.column)
        for j, term in enumerate(terms[:, : self.near]):
            both = np.concatenate((term, term))
            middle = np.einsum("ki,k,kj->ij", self.column, both, self.column)
            left = both * (1 - 2 * own) + np.einsum("ki,ij,kj->k", self.gain, middle, self.gain)
            # Cosine and sine parts of a line have one expected power.
            found[j, : self.near] = (left[: self.near] + left[self.near :]) / 2
        return found

    def leak_of(self, level: FloatArray, products: FloatArray) -> FloatArray:
        """What noise of ``level`` brings into whole orders by way of slope and tilt.

        ``products`` are those of their `_alignment_lines`, shape (3, 3, orders).
        """
        # Half of a line's power lies in its cosine, half in its sine.
        both = np.concatenate((level[: self.near], level[: self.near])) / 2
        spread = np.einsum("ki,k,kj->ij", self.gain, both, self.gain)
        found: FloatArray = np.einsum("ij,ijk->k", spread, products)
        return found

    def level_of(self, level: FloatArray) -> FloatArray:
        """The level of white noise that would move slope and tilt as much as noise of ``level``, shape (n,),
        does."""
        both = np.concatenate((level[: self.near], level[: self.near]))
        moved = np.einsum("ki,k,kj->ij", self.gain, both, self.gain)
        white = np.einsum("ki,kj->ij", self.gain, self.gain)
        ratio = np.diag(moved) / np.diag(white)
        return np.array([ratio[0], (ratio[1] + ratio[2]) / 2])


def _alignment_lines(lines: IntArray, whole: int) -> ComplexArray:
    """Lines of t, t cos θ and t sin θ over ``whole`` turns, shape (n, 3), to a common factor; from 2 UPR on, or
    between whole orders. t has the lines i (-1)^k/k, its products with cos and sin are those shifted by a
    turn's."""

    def ramp(k: IntArray) -> ComplexArray:
        found: ComplexArray = 1j * np.where(k % 2, -1.0, 1.0) / k
        return found

    down, up = ramp(lines - whole), ramp(lines + whole)
    return np.stack((ramp(lines), (down + up) / 2, (down - up) / 2j), axis=1)


def single_turn_variance(coefficient: ComplexArray, variance: FloatArray, *, alignment: bool) -> FloatArray:
    """Variance of the amplitudes of a single turn, shape (N + 1,): never below what lies between its waves.

    Nothing tells drift from profile within one turn. But a drift is in all orders, and waves stand out of it:
    what the orders between the waves have in common bounds the drift from above, with the surface's own
    roughness in it. With ``alignment`` a tilt counts, too: t cos θ less its slope leaves 1/(n (n² - 1)) in
    order n, and all of the level at ``_TILT_FROM`` may be one.
    """
    order = np.arange(2, len(coefficient), dtype=np.float64)
    # Fewer orders than the level has terms tell none.
    if len(order) < 8:
        return variance
    power = 2 * np.abs(coefficient[2:]) ** 2

    every = np.maximum(np.arange(len(coefficient)), 1).astype(np.float64)
    few = (1.0 + (_FEW_WITH_TILT if alignment else _FEW_CLOSED) / every) ** 2
    level = background(order, power, basis)(every)
    if alignment:
        at, low = float(_TILT_FROM), every[2:_TILT_FROM]
        level[2:_TILT_FROM] += level[_TILT_FROM] * (at * (at**2 - 1.0) / (low * (low**2 - 1.0))) ** 2
    # A level of the constant alone comes from all orders, not from the few below: it needs no allowance.
    white = np.all(level <= level[-1] * (1.0 + 1e-9))
    # A drift that made more than the amplitude itself would show in it: no more than that is counted.
    own = variance + 4 * np.abs(coefficient) ** 2
    found: FloatArray = np.maximum(variance, np.minimum(level if white else level * few, own))
    return found

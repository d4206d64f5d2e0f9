"""Waves between whole orders, fitted together with harmonics and alignment on the samples themselves."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from edgeagent.analysis.track.eccentric import Touch
from edgeagent.analysis.waves.joint_fit import FittedArrays, JointSolution
from edgeagent.analysis.waves.least_squares import combine, cross_product, solve_toeplitz
from edgeagent.analysis.waves.orders import FractionalOrder
from edgeagent.analysis.waves.trigonometric import ComplexArray
from edgeagent.model import FloatArray

_ORDER_STEPS, _ORDER_STEP = 5, 3e-3
"""Steps to the order of such a wave at most, and the share of a line below which no other follows."""
_STILL = 0.05
"""Share of a line by which a wave's order may still move after the last step and be taken as found. What moves
on is no wave that lasts over the trace: then orders and sizes stay as they were before that step."""
_ALIKE = 1e-7
"""Smallest normalised eigenvalue at which such waves are still told from each other, and the share of one that
harmonics and alignment must leave."""
_APART = 0.5
"""Waves nearer to each other than this share of a line are one, and no step of an order is longer."""
_CLOSE = 0.2
"""Nearer to a whole order than this, in UPR, a wave of one turn of two looks like one that does not close."""
_GROWN_MAX = 0.5
"""So much of such a wave may come upon the whole order's own."""


@dataclass(frozen=True, slots=True)
class WavesBeside:
    """Harmonics and alignment with the waves between whole orders beside them.

    ``taken`` are harmonics of the waves' columns, shape (m, N + 1), ``covariance`` that of their sizes for a
    noise of 1 µm, shape (m, m): what the waves bring into the harmonics.
    """

    solution: JointSolution
    orders: tuple[FractionalOrder, ...]
    residual_um: FloatArray
    taken: ComplexArray
    covariance: FloatArray


def fit_beside(
    trace: FittedArrays, touch: Touch, solution: JointSolution, residual: FloatArray, uprs: tuple[float, ...]
) -> WavesBeside | None:
    """Harmonics, alignment and waves between whole UPR fitted together; what is left of the readings.

    Each wave's cosine and sine, and what a step of its order changes, are taken through the fit: what harmonics
    and alignment leave of them is fitted to the residual, and what they took is given back. A wave that the
    others leave nothing of is left out, and so are the weaker one of two that come nearer than half a line, and
    one that closes almost and may as well grow over the turns (`_closes_not`). None where no wave is left.
    """
    line = 2 * np.pi / float(np.ptp(trace.angle_rad))
    while uprs:
        found = _refine_orders(touch, solution, residual, uprs, line)
        if found is None:
            # Strongest first: the weakest one is given up, which made the others hard to tell.
            uprs = uprs[:-1]
            continue
        apart = _apart(found.orders, line)
        kept = tuple(w.upr for w in apart if _closes_not(w, solution, found.solution))
        if len(kept) == len(found.orders):
            return found
        uprs = kept
    return None


def _refine_orders(
    touch: Touch, solution: JointSolution, residual: FloatArray, uprs: tuple[float, ...], line: float
) -> WavesBeside | None:
    """The waves fitted, with further steps of their orders until none of them moves; None where the first step
    cannot tell them.

    A further step that cannot tell them leaves the estimate before it.
    """
    beside = _Beside.of(touch, solution, residual)
    found: _Fitted | None = None
    try:
        for _ in range(1 + _ORDER_STEPS):
            found = beside.fit(uprs, line)
            apart = _apart(found.orders, line)
            if found.moved < _ORDER_STEP * line and len(apart) == len(found.orders):
                break
            uprs = tuple(w.upr for w in apart)
    except np.linalg.LinAlgError:
        pass  # these orders cannot be told from each other; the estimate before them can
    return None if found is None else beside.with_waves(found, line)


def _apart(orders: tuple[FractionalOrder, ...], line: float) -> tuple[FractionalOrder, ...]:
    """The waves in their order, without the weaker one of any two nearer than half a ``line``."""
    kept: list[FractionalOrder] = []
    for wave in sorted(orders, key=lambda w: w.amplitude_um, reverse=True):
        if all(abs(wave.upr - other.upr) >= _APART * line for other in kept):
            kept.append(wave)
    return tuple(w for w in orders if w in kept)


def _closes_not(wave: FractionalOrder, before: JointSolution, after: JointSolution) -> bool:
    """Whether a wave between whole orders is none that grows over the turns.

    Such a one leaves the same lines, but lies across the nearest whole order's own wave, which then has to grow
    by most of its size to make up for it (derived in NUMERICS.md).
    """
    order = round(wave.upr)
    if abs(wave.upr - order) > _CLOSE or order >= len(before.coefficient):
        return True
    grown = abs(after.coefficient[order]) - abs(before.coefficient[order])
    return bool(grown <= _GROWN_MAX * abs(wave.coefficient))


@dataclass(frozen=True, slots=True)
class _Fitted:
    """One step of the orders: the waves after it and before it, and the largest change of an order.

    ``own`` are the functions that were fitted, each of shape (n,), cosine and sine of each wave first, then
    what a step changes. ``taken`` and ``taken_beta`` are what harmonics and alignment take of each, shapes
    (m, N + 1) and (m, 3), ``size`` their fitted sizes, shape (m,), ``size_before`` those without a step.
    """

    moved: float
    orders: tuple[FractionalOrder, ...]
    size: FloatArray
    before: tuple[FractionalOrder, ...]
    size_before: FloatArray
    own: list[FloatArray]
    taken: ComplexArray
    taken_beta: FloatArray
    covariance: FloatArray


@dataclass(frozen=True, slots=True)
class _Beside:
    """Harmonics and alignment, and what they leave of the readings, for functions that are fitted beside them.

    ``angle_rad`` is counted from ``middle_rad``.
    """

    angle_rad: FloatArray
    middle_rad: float
    solution: JointSolution
    residual_um: FloatArray

    @staticmethod
    def of(touch: Touch, solution: JointSolution, residual: FloatArray) -> _Beside:
        """For samples that ``touch`` the part."""
        # About the middle, where a step of the order changes phase and size least together.
        middle = 0.5 * float(touch.angle_rad.min() + touch.angle_rad.max())
        return _Beside(touch.angle_rad - middle, middle, solution, residual)

    def fit(self, uprs: tuple[float, ...], line: float) -> _Fitted:
        """One Gauss-Newton step of the waves' orders, of half a ``line`` at most, with their sizes.

        Raises LinAlgError where the waves cannot be told from each other or from the rest.
        """
        waves = len(uprs)
        turned = [np.exp(1j * upr * self.angle_rad) for upr in uprs]
        functions = _Functions(self.solution, self.residual_um, 3 * waves)
        for each in turned:
            functions.add(each.real.copy())
            functions.add(each.imag.copy())
        # First without a step: sizes are needed to say what a step would change.
        alone = _sizes(*functions.normal())[0]
        for each, a in zip(turned, alone[0::2] - 1j * alone[1::2], strict=True):
            # The derivative of the wave by its order: exp(i f φ) gains i φ.
            functions.add(self.angle_rad * np.real(1j * a * each))
        size, covariance = _sizes(*functions.normal())
        # Farther the derivative does not hold, and another line's wave might be taken for this one.
        step = np.clip(size[2 * waves :], -_APART * line, _APART * line)
        moved = float(np.max(np.abs(step)))
        return _Fitted(
            moved=moved,
            orders=self._waves(tuple(np.add(uprs, step).tolist()), size, covariance),
            size=size,
            before=self._waves(uprs, alone, covariance),
            size_before=np.append(alone, np.zeros(waves)),
            own=functions.own,
            taken=functions.taken,
            taken_beta=functions.beta,
            covariance=covariance,
        )

    def _waves(
        self, uprs: tuple[float, ...], size: FloatArray, covariance: FloatArray
    ) -> tuple[FractionalOrder, ...]:
        """The waves by the sizes of their cosines and sines, each with that for a noise of 1 µm."""
        found = []
        for k, upr in enumerate(uprs):
            here = slice(2 * k, 2 * k + 2)
            a = complex(size[2 * k], -size[2 * k + 1])
            # Along the amplitude's own direction: across it noise turns the phase.
            along = size[here] / abs(a)
            variance = float(np.einsum("i,ij,j->", along, covariance[here, here], along))
            found.append(
                FractionalOrder(upr, a * np.exp(-1j * upr * self.middle_rad) / 2, float(np.sqrt(variance)))
            )
        return tuple(found)

    def with_waves(self, found: _Fitted, line: float) -> WavesBeside:
        """Harmonics and alignment without what they took of the waves, and what is left of the readings."""
        settled = found.moved < _STILL * line
        orders, size = (found.orders, found.size) if settled else (found.before, found.size_before)
        taken = np.einsum("m,mn->n", size, found.taken)
        beta = np.einsum("m,mi->i", size, found.taken_beta)
        rest = self.residual_um + self.solution.sums.evaluate(taken) + combine(beta, self.solution.columns)
        for factor, own in zip(size, found.own, strict=True):
            rest -= factor * own
        changed = replace(
            self.solution, coefficient=self.solution.coefficient - taken, beta=self.solution.beta - beta
        )
        return WavesBeside(changed, orders, rest, found.taken, found.covariance)


class _Functions:
    """Functions beside harmonics and alignment, and the normal equations of what these leave of them.

    The products of what is left follow from the whole ones less those of what is taken, so that no function
    need be evaluated again: what is left of each is orthogonal to all that is taken.
    """

    def __init__(self, solution: JointSolution, residual_um: FloatArray, most: int) -> None:
        orders = len(solution.coefficient)
        self._solution, self._residual_um = solution, residual_um
        self.own: list[FloatArray] = []
        self._sums = np.zeros((most, orders), dtype=np.complex128)
        self._aligned = np.zeros((most, len(solution.columns)))
        self.taken = np.zeros((most, orders), dtype=np.complex128)
        self.beta = np.zeros((most, len(solution.columns)))
        self._whole, self._left = np.zeros(most), np.zeros((most, most))
        self._right = np.zeros(most)

    def add(self, column: FloatArray) -> None:
        """Take in one more function, shape (n,)."""
        at, model = len(self.own), self._solution
        self.own.append(column)
        sums = model.sums.sums(column, len(model.coefficient) - 1)
        solved = solve_toeplitz(model.density, sums[None, :])
        if len(model.columns):
            self._aligned[at] = np.einsum("in,n->i", model.columns, column)
            right = self._aligned[at] - cross_product(model.sides[1:], solved)[:, 0]
            self.beta[at] = np.einsum("ij,j->i", model.inverse, right)
        self._sums[at] = sums
        self.taken[at] = solved[0] - np.einsum("i,in->n", self.beta[at], model.solved[1:])
        shared = cross_product(self.taken[at][None, :], self._sums[: at + 1])[0]
        shared += np.einsum("ij,j->i", self._aligned[: at + 1], self.beta[at])
        products = np.array([np.einsum("n,n->", column, other) for other in self.own])
        self._left[at, : at + 1] = self._left[: at + 1, at] = products - shared
        self._whole[at] = products[at]
        self._right[at] = np.einsum("n,n->", column, self._residual_um)

    def normal(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        """The normal equations of those taken in so far: matrix, right side, and the sums of their squares."""
        count = len(self.own)
        return self._left[:count, :count], self._right[:count], self._whole[:count]


def _sizes(gram: FloatArray, right: FloatArray, whole: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares by the normal equations of what is left of m functions, and the covariance for a noise of
    1 µm.

    ``whole`` are the sums of the functions' own squares. Raises LinAlgError where they are too alike, or where
    nothing is left of one.
    """
    square = np.diag(gram)
    # Nothing left beside harmonics and alignment: the difference is rounding, and may be negative.
    if not np.all(square > _ALIKE * whole):
        raise np.linalg.LinAlgError
    scale = np.sqrt(square)
    if not np.linalg.eigvalsh(gram / np.outer(scale, scale))[0] > _ALIKE:
        raise np.linalg.LinAlgError
    covariance = np.asarray(np.linalg.inv(gram), dtype=np.float64)
    found: FloatArray = np.einsum("ij,j->i", covariance, right)
    return found, covariance


def with_noise(
    orders: tuple[FractionalOrder, ...], noise_um: FloatArray, points: int
) -> tuple[FractionalOrder, ...]:
    """The waves with the noise of their neighbours, of which an amplitude of whole order has sqrt(2/points)."""
    if not orders:
        return ()
    order = np.arange(len(noise_um), dtype=np.float64)
    return tuple(
        replace(
            w,
            standard_uncertainty_um=float(np.interp(w.upr, order, noise_um))
            * w.standard_uncertainty_um
            / float(np.sqrt(2 / points)),
        )
        for w in orders
    )

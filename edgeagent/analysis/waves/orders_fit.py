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
_ALIKE = 1e-7
"""Smallest normalised eigenvalue at which such waves are still told from each other."""
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
    others leave nothing of is left out, and so is one that closes almost and may as well grow over the turns
    (`_closes_not`). None where no wave is left.
    """
    while uprs:
        try:
            found, moved = _fit_orders(trace, touch, solution, residual, uprs)
        except np.linalg.LinAlgError:
            uprs = uprs[:-1]
            continue
        for _ in range(_ORDER_STEPS):
            if moved < _ORDER_STEP * 2 * np.pi / float(np.ptp(trace.angle_rad)):
                break
            uprs = tuple(w.upr for w in found.orders)
            found, moved = _fit_orders(trace, touch, solution, residual, uprs)
        kept = tuple(w.upr for w in found.orders if _closes_not(w, solution, found.solution))
        if len(kept) == len(uprs):
            return found
        uprs = kept
    return None


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


def _fit_orders(
    trace: FittedArrays, touch: Touch, solution: JointSolution, residual: FloatArray, uprs: tuple[float, ...]
) -> tuple[WavesBeside, float]:
    """One Gauss-Newton step of the waves' orders with their sizes; the largest change of an order with it.

    Raises LinAlgError where the waves cannot be told from each other or from the rest.
    """
    upr_max = len(solution.coefficient) - 1
    angle = touch.angle_rad
    middle = 0.5 * float(angle.min() + angle.max())
    own, taken_c, taken_beta = [], [], []

    def take(column: FloatArray) -> None:
        solved = solve_toeplitz(solution.density, solution.sums.sums(column, upr_max)[None, :])
        beta = np.zeros(0)
        if trace.alignment:
            right = np.einsum("in,n->i", solution.columns, column)
            right -= cross_product(solution.sides[1:], solved)[:, 0]
            beta = np.asarray(solution.inverse @ right, dtype=np.float64)
        c = solved[0] - beta @ solution.solved[1:]
        own.append(column - combine(beta, solution.columns) - solution.sums.evaluate(c))
        taken_c.append(c)
        taken_beta.append(beta)

    turned = [np.exp(1j * upr * (angle - middle)) for upr in uprs]
    for each in turned:
        take(each.real.copy())
        take(each.imag.copy())
    size = _sizes(np.stack(own), residual)[0]
    amplitude = size[0::2] - 1j * size[1::2]
    for each, a in zip(turned, amplitude, strict=True):
        take(np.real(1j * (angle - middle) * a * each))
    left = np.stack(own)
    size, covariance = _sizes(left, residual)
    amplitude, change = size[0 : 2 * len(uprs) : 2] - 1j * size[1 : 2 * len(uprs) : 2], size[2 * len(uprs) :]
    found = []
    for k, (upr, a) in enumerate(zip(uprs, amplitude, strict=True)):
        along = np.array([a.real, -a.imag]) / abs(a)
        own_variance = float(along @ covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2] @ along)
        found.append(
            FractionalOrder(
                upr + float(change[k]),
                complex(a * np.exp(-1j * (upr + change[k]) * middle)) / 2,
                float(np.sqrt(own_variance)),
            )
        )
    changed = replace(
        solution,
        coefficient=solution.coefficient - size @ np.stack(taken_c),
        beta=solution.beta - size @ np.stack(taken_beta),
    )
    rest = residual - combine(size, left)
    return (
        WavesBeside(changed, tuple(found), rest, np.stack(taken_c), covariance),
        float(np.max(np.abs(change))),
    )


def _sizes(columns: FloatArray, residual: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Least squares of ``columns``, shape (m, n), in ``residual``, and the covariance for a noise of 1 µm.

    Raises LinAlgError where the columns are too alike.
    """
    gram = np.einsum("in,jn->ij", columns, columns)
    scale = np.sqrt(np.diag(gram))
    if not np.all(scale > 0) or np.linalg.eigvalsh(gram / np.outer(scale, scale))[0] < _ALIKE:
        raise np.linalg.LinAlgError
    covariance = np.linalg.inv(gram)
    found: FloatArray = covariance @ np.einsum("in,n->i", columns, residual)
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

"""Normal equations of harmonics at any angles, and of the alignment terms beside them.

The harmonics' normal matrix is Toeplitz: its product with a vector is a multiplication on the circle by the
density of the samples, so that conjugate gradients need a few FFTs; slope and tilt follow from their 3 x 3
Schur complement (derived in NUMERICS.md).
"""

from __future__ import annotations

import numpy as np

from edgeagent.analysis.waves.trigonometric import ComplexArray, quick_length
from edgeagent.errors import FitNotConvergedError
from edgeagent.model import FloatArray

# Of the right side: near the rounding of the sums, so that the solver leaves nothing behind.
_TOLERANCE = 1e-14
# Ten are common; a matrix that takes hundreds is singular for all that a measurement can tell.
_ITERATIONS_MAX = 400
_SEPARABLE_MIN = 1e-3
"""Smallest normalised eigenvalue of the Schur complement at which slope and tilt are still separable from the
harmonics."""
NO_GAP = 0.99 * np.pi
"""A gap times the highest order of less than this leaves nothing undetermined."""


def solve_toeplitz(density: ComplexArray, right_side: ComplexArray) -> ComplexArray:
    """Solve the harmonics' normal equations for several right sides by conjugate gradients.

    ``density`` holds the sums of exp(-i d angle), d = 0 … 2N; ``right_side`` has shape (r, N+1), orders
    0 … N of Hermitian sequences. Raises FitNotConvergedError.
    """
    upr_max = right_side.shape[1] - 1
    # Above 4N: density of 2N times harmonics of N must not wrap round into those looked at.
    size = quick_length(4 * upr_max + 4)
    weight = np.fft.irfft(density, size) * size
    scale = float(density[0].real)

    def product(c: ComplexArray) -> ComplexArray:
        result: ComplexArray = np.fft.rfft(weight * np.fft.irfft(c, size), axis=-1)[:, : upr_max + 1]
        return result

    def dot(a: ComplexArray, b: ComplexArray) -> FloatArray:
        both = np.real(np.conj(a) * b)
        # Orders below 0 are the conjugates: all count twice but order 0.
        result: FloatArray = 2 * both.sum(axis=-1) - both[:, 0]
        return result

    # Exact for even samples over whole turns, the common case.
    solution = right_side / scale
    rest = right_side - product(solution)
    # The matrix is off its diagonal by no more than the density off its mean, half as much again between nodes.
    off = 1.5 * max(float(weight.max()) / scale - 1, 1 - float(weight.min()) / scale)
    if np.all(off**2 * dot(rest, rest) <= _TOLERANCE**2 * dot(right_side, right_side)):
        return solution + rest / scale
    direction = rest
    power = dot(rest, rest)
    goal = _TOLERANCE**2 * dot(right_side, right_side)
    for _ in range(_ITERATIONS_MAX):
        if np.all(power <= goal):
            return solution
        image = product(direction)
        curvature = dot(direction, image)
        step = np.divide(power, curvature, out=np.zeros_like(power), where=curvature > 0)
        solution = solution + step[:, None] * direction
        rest = rest - step[:, None] * image
        before, power = power, dot(rest, rest)
        gain = np.divide(power, before, out=np.zeros_like(power), where=before > 0)
        direction = rest + gain[:, None] * direction
        if np.all(power <= 100 * goal) and np.all(power >= 0.25 * before):
            return solution  # rounding is reached: more steps only wander
    raise FitNotConvergedError(
        f"harmonics up to {upr_max} UPR cannot be separated: the angles leave too wide a gap"
    )


def shift(line: ComplexArray, upr_max: int) -> tuple[ComplexArray, ComplexArray]:
    """Sums of t cos θ and t sin θ from those of t, orders 0 … upr_max; ``line`` has orders 0 … upr_max+1."""
    up = line[1 : upr_max + 2]
    down = np.concatenate((np.conj(line[1:2]), line[:upr_max]))
    return (up + down) / 2, (down - up) / 2j


def widest_gap(angle_rad: FloatArray) -> tuple[float, float]:
    """Widest angle of the turn in which no sample of any turn lies, and its middle, both in rad.

    Quick where the steps are even: then the widest step stands for it.
    """
    step = np.abs(np.diff(angle_rad))
    wide = int(np.argmax(step))
    if step[wide] < 1.5 * float(np.mean(step)):
        return float(step[wide]), float(angle_rad[wide] + angle_rad[wide + 1]) / 2
    phase = np.sort(angle_rad % (2 * np.pi))
    gaps = np.append(np.diff(phase), phase[0] + 2 * np.pi - phase[-1])
    wide = int(np.argmax(gaps))
    return float(gaps[wide]), float(phase[wide] + gaps[wide] / 2)


def check_gap(angle_rad: FloatArray, density: ComplexArray, upr_max: int) -> None:
    """Refuse angles whose widest gap leaves the profile undetermined there.

    The variance of a fitted profile at angle φ is σ² Re Σ exp(i n φ) x_n with A x = exp(-i n φ); evenly spaced
    samples give (2N + 1)/points. More than ten times that in the middle of the gap would make every harmonic a
    guess. Raises FitNotConvergedError.
    """
    # No gap of the turn is wider than the widest step of the trace: most traces need no more than that.
    if float(np.max(np.abs(np.diff(angle_rad)))) * upr_max < NO_GAP:
        return
    gap, middle = widest_gap(angle_rad)
    if gap * upr_max < NO_GAP:
        return
    there = np.exp(-1j * np.arange(upr_max + 1) * middle)
    words = f"no sample over {np.degrees(gap):.2f} deg of the turn: {upr_max} UPR cannot be determined there"
    try:
        solved = solve_toeplitz(density, there[None, :])[0]
    except FitNotConvergedError as error:
        raise FitNotConvergedError(words) from error
    variance = 2 * float(np.real(np.conj(there) @ solved)) - float(solved[0].real)
    if variance * len(angle_rad) > 10 * (2 * upr_max + 1):
        raise FitNotConvergedError(words)


def combine(beta: FloatArray, columns: FloatArray) -> FloatArray:
    """The sum of the alignment terms, shape (n,); zeros where there are none."""
    if not len(beta):
        return np.zeros(columns.shape[1])
    # Column by column, in place: a product with the matrix would be a BLAS call over the samples.
    total: FloatArray = beta[0] * columns[0]
    part = np.empty_like(total)
    for factor, column in zip(beta[1:], columns[1:], strict=True):
        total += np.multiply(column, factor, out=part)
    return total


def leakage(leak: ComplexArray, covariance: FloatArray) -> FloatArray:
    """Variance that slope and tilt bring into amplitudes, shape (n,), for ``leak`` of shape (3, n)."""
    result: FloatArray = 2 * np.real(np.einsum("kn,kl,ln->n", leak.conj(), covariance, leak))
    return result


def cross_product(a: ComplexArray, b: ComplexArray) -> FloatArray:
    """Sums over the samples of two sets of functions, from harmonics of one and sums of the other.

    ``a`` and ``b`` have shapes (m, N + 1) and (n, N + 1), orders 0 … N of Hermitian sequences; shape (m, n).
    """
    full = 2 * np.real(np.conj(a) @ b.T) - np.real(np.outer(a[:, 0].conj(), b[:, 0]))
    result: FloatArray = full
    return result


def alignment_terms(
    columns: FloatArray, deviation_um: FloatArray, sides: ComplexArray, solved: ComplexArray
) -> tuple[FloatArray, FloatArray]:
    """The alignment terms from their Schur complement, and its inverse.

    Within hardly more than one turn a tilt looks like slope and profile: fitting it would blow noise up by
    orders of magnitude. Then only the slope is fitted, and the tilt and its variance are zero.
    """
    if not len(columns):
        return np.zeros(0), np.zeros((0, 0))

    # No BLAS over the samples: its sums depend on the number of threads, a replay must give the same digits.
    gram = np.empty((3, 3))
    for i, column in enumerate(columns):
        for j in range(i + 1):
            gram[i, j] = gram[j, i] = np.einsum("n,n->", column, columns[j])
    schur = gram - cross_product(sides[1:], solved[1:])
    right = np.einsum("in,n->i", columns, deviation_um) - cross_product(sides[1:], solved[:1])[:, 0]
    own = np.sqrt(np.diag(gram))
    # Scaled to 1 on the diagonal of the whole: what share of a term the harmonics leave over, whatever its
    # units.
    separable = np.linalg.eigvalsh(schur / np.outer(own, own))[0]
    if separable > _SEPARABLE_MIN:
        inverse = np.asarray(np.linalg.inv(schur), dtype=np.float64)
    # The slope by itself: harmonics cannot follow the jump at which a ramp closes.
    elif schur[0, 0] > 1e-9 * gram[0, 0]:
        inverse = np.zeros((3, 3))
        inverse[0, 0] = 1 / schur[0, 0]
    else:
        raise FitNotConvergedError("slope and profile cannot be separated within a single turn")
    return np.asarray(inverse @ right, dtype=np.float64), inverse

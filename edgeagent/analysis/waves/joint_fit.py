"""Harmonics and alignment of a trace by one least-squares fit; the model stands in `harmonics`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from edgeagent.analysis.track.eccentric import EccentricContact, Motion, Touch
from edgeagent.analysis.waves.least_squares import alignment_terms, shift, solve_toeplitz
from edgeagent.analysis.waves.trigonometric import ComplexArray, TrigonometricSums
from edgeagent.model import FloatArray


@dataclass(frozen=True, slots=True)
class FittedArrays:
    """What is fitted: arrays of shape (n,), ``turn`` counted from the middle, ``sums`` those of the angles."""

    angle_rad: FloatArray
    turn: FloatArray
    deviation_um: FloatArray
    alignment: bool
    circle: tuple[FloatArray, FloatArray] | None
    sums: TrigonometricSums


@dataclass(frozen=True, slots=True)
class JointSolution:
    """Least squares of one set of angles: c_n, β, the inverse Schur complement and what led to them."""

    sums: TrigonometricSums
    density: ComplexArray
    columns: FloatArray
    sides: ComplexArray
    solved: ComplexArray
    coefficient: ComplexArray
    beta: FloatArray
    inverse: FloatArray

    @property
    def once_per_turn(self) -> tuple[complex, complex]:
        """The once-per-turn vector at the middle, and its growth in a turn, in µm."""
        growth = complex(self.beta[1], self.beta[2]) if len(self.beta) else 0j
        return 2 * complex(np.conj(self.coefficient[1])), growth


def touch_of(trace: FittedArrays, contact: EccentricContact | None, motion: Motion | None) -> Touch:
    """Where each sample touches the part that lies as ``motion`` says; at the spindle's angles without it."""
    if contact is not None and motion is not None:
        return contact.touch(motion, trace.angle_rad, trace.turn, trace.circle)
    cosine, sine = trace.circle or (np.zeros(0), np.zeros(0))
    return Touch(trace.angle_rad, cosine, sine, np.zeros(0))


def alignment_columns(turn: FloatArray, touch: Touch) -> FloatArray:
    """The alignment terms t, t cos φ and t sin φ, shape (3, n)."""
    found = np.empty((3, len(turn)))
    found[0] = turn
    np.multiply(turn, touch.cosine, out=found[1])
    np.multiply(turn, touch.sine, out=found[2])
    return found


def solve_jointly(trace: FittedArrays, touch: Touch, sums: TrigonometricSums) -> JointSolution:
    """Least squares over the angles that were touched, after what the rigid part adds is taken out.

    ``sums`` are those of the angles, up to twice the highest order of the model.
    """
    upr_max = sums.order_max // 2
    # Differences of two orders reach twice the highest.
    density = sums.sums(None, 2 * upr_max)
    deviation = trace.deviation_um - touch.extra_um if len(touch.extra_um) else trace.deviation_um
    of_data = sums.sums(deviation, upr_max)
    columns = np.zeros((0, len(deviation)))
    sides = of_data[None, :]
    if trace.alignment:
        columns = alignment_columns(trace.turn, touch)
        # One order more: products with cosine and sine are those of t shifted by one order.
        of_t = sums.sums(trace.turn, upr_max + 1)
        sides = np.stack((of_data, of_t[: upr_max + 1], *shift(of_t, upr_max)))
    solved = solve_toeplitz(density, sides)
    beta, inverse = alignment_terms(columns, deviation, sides, solved)
    coefficient: ComplexArray = solved[0] - np.einsum("i,in->n", beta, solved[1:])
    return JointSolution(sums, density, columns, sides, solved, coefficient, beta, inverse)

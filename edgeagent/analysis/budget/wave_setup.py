"""What spindle, pick-up and hysteresis of the gauge do to the waves of a spiral or circle trace.

A wave of amplitude a and unknown phase on one of amplitude A makes it |A + a exp(i φ)|: the mean square of the
change over φ counts, a² where A vanishes and a²/2 where it is large (derived here). What becomes of roundness,
bands and values at speed is found by adding such waves, with phases drawn once and for all, to the waves found,
and computing them anew: the root mean square of the changes counts.

**Spindle**: its error motion of order n, radial and axial, reaches the surface's normal by N_r = cos α and
N_x = sin α cos ψ; both in full where the angle is not known. **Pick-up** of f Hz has the order 60 f / rpm,
folded at the samples of a turn. T turns leave sin(πTx)/(πTx) of it in an order that lies x away; on a wave
between whole orders that lies within half a line of it it counts in full. Without the spindle's speed its order
is not known: then it counts in full in each. **Hysteresis**: the turn is read anew with a gap of the stated
width; a once-per-turn motion decides which way the gauge goes, so that odd orders take most of it.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeagent.analysis.budget.hysteresis import lagging
from edgeagent.analysis.waves.trigonometric import ComplexArray, evaluate_on_circle
from edgeagent.model import Contribution, FloatArray, HarmonicInfluence, InstrumentUncertainty, Spectrum

Values = Mapping[tuple[str, str], float]
SPINDLE, PICKUP, HYSTERESIS = "error motion of the spindle", "electrical pick-up", "hysteresis of the gauge"
# Sixteen give the root mean square within 1 %, where both waves are alike, and far better elsewhere.
_PHASES = np.exp(2j * np.pi * np.arange(16) / 16)
# A root mean square of so many draws is known to 15 %.
_DRAWS = 24
# Any number does; fixed, so that a replay gives the same digits.
_SEED = 20_261_127
# A gap opens and closes between points: the place of a reversal is then known to a two-thousandth of a turn.
_POINTS_MIN = 8192


@dataclass(frozen=True, slots=True)
class Reading:
    """How waves were read: ``across`` are N_r and N_x, ``factor`` turns readings into displacements along the
    normal, ``turns`` and ``points_per_turn`` of the trace, ``spindle_rpm`` None where it is not known."""

    across: tuple[float, float]
    factor: float
    turns: float
    points_per_turn: float
    spindle_rpm: float | None


@dataclass(frozen=True, slots=True)
class WaveSetup:
    """Contributions by value, to every harmonic, and effects on waves between whole orders, shape (m,)."""

    values: dict[tuple[str, str], tuple[Contribution, ...]]
    harmonics: tuple[HarmonicInfluence, ...]
    orders_nm: FloatArray | None


def stated_waves(
    coefficient: ComplexArray,
    orders: Spectrum | None,
    stated: InstrumentUncertainty,
    reading: Reading,
    values: Callable[[ComplexArray], Values],
) -> WaveSetup:
    """What the stated keys do; ``coefficient`` are c_0 … c_n in µm, ``values`` yields what is made of them."""
    base = values(coefficient)
    found: dict[tuple[str, str], list[Contribution]] = {at: [] for at in base}
    harmonics: list[HarmonicInfluence] = []
    amplitude_nm = 2000 * np.abs(coefficient[1:])
    order = np.arange(1, len(coefficient), dtype=np.float64)
    orders_nm = None if orders is None else np.zeros(len(orders.upr))

    def count(source: str, u: float, unit: str, changes: list[Values], effect_nm: FloatArray) -> None:
        for at, value in base.items():
            moved = [c[at] - value for c in changes if at in c]
            effect = float(np.sqrt(np.mean(np.square(moved)))) if moved else 0.0
            if effect > 0:
                found[at].append(Contribution(source, u, unit, effect / u))
        harmonics.append(HarmonicInfluence(source, u, unit, effect_nm / u))

    if stated.spindle:
        spindle_nm = _spindle_nm(stated.spindle, order, reading.across)
        # nm of amplitude to µm of a coefficient, which is half of it.
        drawn = [values(coefficient + _drawn(spindle_nm / 2000, k)) for k in range(_DRAWS)]
        count(SPINDLE, 1.0, "1", drawn, changed_by(amplitude_nm, spindle_nm))
    if stated.pickup_nm is not None:
        size_nm = stated.pickup_nm * reading.factor
        upr = pickup_order(stated.pickup_hz, reading)
        near = _near(upr, orders, reading.turns)
        share = np.ones(len(order)) if upr is None else _laid_over(upr, order, reading.turns)
        if upr is not None and np.any(near):
            share = np.zeros(len(order))  # it was found beside the whole orders, and taken out of them
        drawn = [values(coefficient + w) for w in _pickup_waves(size_nm, upr, share, order)]
        count(PICKUP, stated.pickup_nm, "nm", drawn, changed_by(amplitude_nm, size_nm * np.abs(share)))
        if orders is not None and orders_nm is not None:
            orders_nm = np.where(near, changed_by(orders.amplitude_nm, np.full(len(near), size_nm)), 0.0)
    if stated.hysteresis_um is not None:
        late = late_coefficient(coefficient, stated.hysteresis_um * reading.factor)
        change = 2000 * np.abs(np.abs(late[1:]) - np.abs(coefficient[1:]))
        count(HYSTERESIS, stated.hysteresis_um, "um", [values(late)], change)
    lines = {at: tuple(each) for at, each in found.items() if each}
    return WaveSetup(lines, tuple(harmonics), orders_nm)


def _near(upr: float | None, orders: Spectrum | None, turns: float) -> NDArray[np.bool_]:
    """Which waves between whole orders may be a pick-up of this order, (m,); all where it is not known."""
    if orders is None:
        return np.zeros(0, dtype=bool)
    if upr is None:
        return np.ones(len(orders.upr), dtype=bool)
    return np.asarray(np.abs(orders.upr - upr) < 0.5 / max(turns, 1.0))


def changed_by(amplitude: FloatArray, other: FloatArray) -> FloatArray:
    """Root mean square of what waves of unknown phase do to amplitudes, in their unit, shape (n,)."""
    together = np.abs(amplitude[:, None] + other[:, None] * _PHASES[None, :])
    found: FloatArray = np.sqrt(np.mean((together - amplitude[:, None]) ** 2, axis=1))
    return found


def _spindle_nm(
    table: tuple[tuple[float, float, float], ...], order: FloatArray, across: tuple[float, float]
) -> FloatArray:
    """The spindle's error along the normal at each order; ends of the table hold beyond it, 1 UPR has none."""
    upr, radial, axial = np.array(table).T
    # Power laws are lines there, and spindles' errors fall about so with order.
    at = np.log(np.maximum(order, 1.0))
    floor = 1e-9

    def interpolate(nm: FloatArray) -> FloatArray:
        found: FloatArray = np.exp(np.interp(at, np.log(upr), np.log(np.maximum(nm, floor))))
        # A table's 0 has no logarithm; back to exactly 0, or every order would have a contribution.
        return np.where(found > 2 * floor, found, 0.0)

    found: FloatArray = np.hypot(across[0] * interpolate(radial), across[1] * interpolate(axial))
    # 1 UPR is the part's own eccentricity, which is taken out with what the spindle adds to it.
    return np.where(order < 2, 0.0, found)


def _drawn(half_um: FloatArray, number: int) -> ComplexArray:
    """Coefficients of waves with drawn phases, order 0 first; draws come in pairs of opposite sign."""
    # Opposite pairs cancel the first order of a change's mean, which then is not left to chance.
    phase = np.random.RandomState(_SEED + number // 2).uniform(0, 2 * np.pi, len(half_um))
    sign = 1.0 if number % 2 == 0 else -1.0
    return np.concatenate((np.zeros(1), sign * half_um * np.exp(1j * phase)))


def pickup_order(hz: float | None, reading: Reading) -> float | None:
    """The order of a pick-up in the trace, folded at its samples; None where speed or frequency are unknown."""
    if hz is None or not reading.spindle_rpm:
        return None
    upr, per_turn = 60 * hz / reading.spindle_rpm, reading.points_per_turn
    # Folded into ± half the samples of a turn; the sign of an order cannot be seen.
    return abs((upr + per_turn / 2) % per_turn - per_turn / 2)


def _laid_over(upr: float, order: FloatArray, turns: float) -> FloatArray:
    """What T turns leave of a wave in each whole order, with the sign of its phase."""
    # Only whole turns separate whole orders; less than one is fitted as one.
    whole = max(float(round(turns)), 1.0)
    found: FloatArray = np.sinc(whole * (upr - order))
    return found


def _pickup_waves(
    size_nm: float, upr: float | None, share: FloatArray, order: FloatArray
) -> list[ComplexArray]:
    """Coefficients of the pick-up with drawn phases; at drawn orders where its own is not known."""
    random = np.random.RandomState(_SEED)
    found = []
    for phase in random.uniform(0, 2 * np.pi, _DRAWS):
        weight = share
        if upr is None:
            weight = (order == random.randint(2, max(len(order), 3))).astype(np.float64)
        found.append(np.concatenate((np.zeros(1), size_nm / 2000 * weight * np.exp(1j * phase))))
    return found


def late_coefficient(coefficient: ComplexArray, width_um: float) -> ComplexArray:
    """Coefficients of a turn that is read with a gap, once the gauge has gone through a turn already."""
    points = max(_POINTS_MIN, 1 << int(np.ceil(np.log2(4 * len(coefficient)))))
    turn = evaluate_on_circle(coefficient, points)
    # Twice round: the first turn brings the gauge to the side of its gap where the second begins.
    late = lagging(np.concatenate((turn, turn)), width_um)[points:]
    found: ComplexArray = np.fft.rfft(late)[: len(coefficient)] / points
    return found

"""How to shift and tilt a part so that it turns about its own axis, from traces at one or more heights.

An axis that lies off by the vector E(h) = E_p + τ (h - h_p) in the plane across the spindle (complex: real part
towards angle 0 of the trace, imaginary part towards 90°) moves the surface once per turn. For a point of a
helical track at radius R, with the outward normal N = (N_r, N_t, N_x) (radial, around, along the axis), the
displacement along the normal is Re{e^(-iθ) [E(h) (N_r - i N_t) - τ R N_x]}: leaning towards a side lowers that
side by R τ (derived here from a rigid body's small rotation). So a trace's once-per-turn vector Y, which points
to where the material stands proud, is Y = g E(h) - a τ with g = N_r - i N_t and a = R N_x (``SurfaceNormal``),
and over the height of a spiral it grows by g τ. The unknowns are linear and are found by weighted least
squares.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from edgeagent.analysis.track.track_normal import SurfaceNormal
from edgeagent.analysis.waves.harmonics import HarmonicFit
from edgeagent.analysis.waves.trigonometric import ComplexArray
from edgeagent.errors import AnalysisError, TraceRangeError
from edgeagent.model import COVERAGE_FACTOR, FloatArray

_SHIFT_FINEST_UM, _TILT_FINEST_URAD = 0.01, 0.1
"""What a sentence states as the least uncertainty: nobody pushes a part by less."""


_NEGLECTED = 0.02
"""Share of a motion that the first order leaves out, generously: 1.3 % at 20 mm lead (tests)."""


@dataclass(frozen=True, slots=True)
class RunOut:
    """Once-per-turn motion of one trace at ``height_mm``.

    ``vector_um`` is complex, of the length of the amplitude normal to the surface and towards the angle where
    the material stands proud; ``u_um`` is the standard uncertainty of each of its parts. ``growth`` is how it
    grows over height, in µm/mm, None for a closed circle, with ``u_growth``.
    """

    height_mm: float
    vector_um: complex
    u_um: float
    normal: SurfaceNormal
    growth: complex | None = None
    u_growth: float = 0.0


@dataclass(frozen=True, slots=True)
class AlignmentAdvice:
    """What to do to the part. Directions are angles of the trace, 0 … 360°, towards which its axis lies off.

    ``shift_um`` is the distance of the axis from the spindle's at ``height_mm``, where the part is tilted;
    ``tilt_urad`` its lean, None when the traces do not tell it (a single circle). ``u_…`` are standard
    uncertainties of each Cartesian part, those of lengths too; directions are uncertain by u over length, in
    rad. ``disagreement_um`` is how far a trace lies off the axis that fits all of them best, where that is
    clearly more than its noise and 2 % of its motion; it counts in the shift's uncertainty.
    """

    height_mm: float
    shift_um: float
    shift_direction_deg: float
    u_shift_um: float
    tilt_urad: float | None
    tilt_direction_deg: float | None
    u_tilt_urad: float | None
    disagreement_um: float = 0.0


def run_out(
    fit: HarmonicFit, factor: float, normal: SurfaceNormal, *, height_mm: float, rise_mm_per_turn: float = 0.0
) -> RunOut:
    """The once-per-turn motion that a harmonic fit found.

    ``factor`` turns readings into displacement normal to the surface. ``height_mm`` is that of the trace's
    middle; ``rise_mm_per_turn`` is by how much height grows in a turn of growing angle, negative where it
    falls, 0 for a circle. A single turn tells no growth. Harmonic 1 is 2|c| cos(θ + arg c) and so is proud at
    -arg c; growth is that of the fit's tilt terms.
    """
    vector = 2 * factor * complex(np.conj(fit.centred[1]))
    u = factor * float(fit.standard_uncertainty_um[1])
    if rise_mm_per_turn == 0 or not fit.has_tilt:
        return RunOut(height_mm, vector, u, normal)
    growth = complex(fit.alignment[1], fit.alignment[2]) * factor / rise_mm_per_turn
    # Cosine and sine have nearly the same variance; the mean keeps the result from depending on the trace's
    # begin.
    spread = np.diag(fit.alignment_covariance)[1:]
    u_growth = factor * float(np.sqrt(np.mean(spread))) / abs(rise_mm_per_turn)
    return RunOut(height_mm, vector, u, normal, growth, u_growth)


def own_offset(trace: RunOut, height_mm: float) -> tuple[complex, float]:
    """Offset of the axis at a height as one spiral alone tells it, in µm, and the standard uncertainty.

    The spiral's own growth stands for the tilt. Raises AnalysisError for a trace without growth.
    """
    if trace.growth is None:
        raise AnalysisError("a circle or a single turn does not tell the tilt")
    gain = trace.normal.gain
    tilt = trace.growth / gain
    # Y = g E(h) - a τ solved for E: the lever's part is added, then the tilt carries E to the height asked for.
    lever = trace.normal.lever_mm / gain + height_mm - trace.height_mm
    offset = trace.vector_um / gain + tilt * lever
    return offset, float(np.hypot(trace.u_um, abs(lever) * trace.u_growth) / abs(gain))


def advise(
    run_outs: Sequence[RunOut], *, pivot_mm: float | None = None, scale_u: float = 0.0
) -> AlignmentAdvice:
    """Shift and tilt of the axis from one or more traces.

    ``pivot_mm`` is the height about which the table tilts, where the shift is stated; the mean height of the
    traces when None. Uncertainties are first order, the noise of the traces independent; ``scale_u``, the
    relative standard uncertainty of the gauge's scale, is common to all of them. Raises TraceRangeError
    without a trace, AnalysisError where nothing can be estimated (a surface that does not move with the axis).
    """
    if not run_outs:
        raise TraceRangeError("alignment needs a trace")
    pivot = float(np.mean([r.height_mm for r in run_outs])) if pivot_mm is None else pivot_mm
    separable = any(r.growth is not None for r in run_outs) or len({r.height_mm for r in run_outs}) > 1
    rows, sides, spread = _equations(run_outs, pivot)
    # One circle: the shift is found as if the part stood upright, and the tilt is not stated.
    unknowns = 2 if separable else 1
    found, covariance = _solve(rows[:, :unknowns], sides, spread)
    disagreement = _disagreement(rows[:, :unknowns] @ found - sides, run_outs)
    u = np.sqrt(np.real(np.diag(covariance)))
    shift = complex(found[0])
    tilt = complex(found[1]) if separable else None
    return AlignmentAdvice(
        height_mm=pivot,
        shift_um=abs(shift),
        shift_direction_deg=_direction_deg(shift),
        u_shift_um=float(np.hypot(np.hypot(u[0], disagreement), scale_u * abs(shift))),
        tilt_urad=None if tilt is None else 1000 * abs(tilt),
        tilt_direction_deg=None if tilt is None else _direction_deg(tilt),
        u_tilt_urad=None if tilt is None else 1000 * float(np.hypot(u[1], scale_u * abs(tilt))),
        disagreement_um=disagreement,
    )


def advice_sentence(advice: AlignmentAdvice, place: str | None = None) -> str:
    """One line for the person at the table: where to turn to, which way to push, by how much.

    The stylus stands still and the part turns: at the named angle its axis lies off towards the place where the
    stylus touches, on a shaft and in a bore alike. What is below its expanded uncertainty (k = 2) is left
    alone. ``place`` names the pivot in words where heights have no zero of their own.
    """
    at = place or f"height {advice.height_mm:g} mm"
    if advice.disagreement_um > 0:
        disagreement = (
            f"The traces differ by {advice.disagreement_um:.2g} um from any one axis: measure again. "
        )
        return disagreement + advice_sentence(replace(advice, disagreement_um=0.0), place)
    expanded = max(COVERAGE_FACTOR * advice.u_shift_um, _SHIFT_FINEST_UM)
    if advice.shift_um <= expanded:
        words = f"Centred within {expanded:.2g} um at {at}, no shift"
    else:
        words = f"Turn to angle {advice.shift_direction_deg:.1f} deg and push the part "
        words += f"{advice.shift_um:.2f} ± {expanded:.2g} um at {at}, from where the stylus touches towards "
        words += "the opposite side"
    if advice.tilt_urad is None or advice.tilt_direction_deg is None or advice.u_tilt_urad is None:
        return f"{words}; this tells nothing of the tilt."
    expanded = max(COVERAGE_FACTOR * advice.u_tilt_urad, _TILT_FINEST_URAD)
    if advice.tilt_urad <= expanded:
        return f"{words}; upright within {expanded:.2g} urad, no tilt."
    words += (
        f"; turn to angle {advice.tilt_direction_deg:.1f} deg and lean the part's upper end (greater height) "
    )
    words += (
        f"{advice.tilt_urad:.1f} ± {expanded:.2g} urad, {advice.tilt_urad / 10:.3g} um in 100 mm, about {at}, "
    )
    return f"{words}from where the stylus touches towards the opposite side."


def _equations(run_outs: Sequence[RunOut], pivot_mm: float) -> tuple[ComplexArray, ComplexArray, FloatArray]:
    """Coefficients of E_p and τ, the measured vectors and the standard uncertainties of their parts."""
    rows, sides, spreads = [], [], []
    for r in run_outs:
        rows.append([r.normal.gain, r.normal.gain * (r.height_mm - pivot_mm) - r.normal.lever_mm])
        sides.append(r.vector_um)
        spreads.append(r.u_um)
        if r.growth is not None:
            # Growth over height is g τ, whatever the pivot.
            rows.append([0j, r.normal.gain])
            sides.append(r.growth)
            spreads.append(r.u_growth)
    spread = np.array(spreads)
    return np.array(rows), np.array(sides), spread


def _solve(rows: ComplexArray, sides: ComplexArray, spread: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """Weighted least squares with complex unknowns; their covariance is that of each Cartesian part."""
    # Computed traces have no noise; weights 1/0 would drop all others.
    exact = bool(np.any(spread <= 0))
    scale = np.ones(len(spread)) if exact else 1 / spread
    weighted, right = rows * scale[:, None], sides * scale
    gram = weighted.conj().T @ weighted
    size = np.sqrt(np.real(np.diag(gram)))
    # Scaled first: µm and µm/mm are units of different size, which is no bad condition.
    if np.any(size == 0) or np.linalg.cond(gram / np.outer(size, size)) > 1e12:
        raise AnalysisError("shift and tilt cannot be separated by these traces")
    inverse = np.linalg.inv(gram)
    found: ComplexArray = inverse @ (weighted.conj().T @ right)
    # Equal weights: the largest noise bounds what each of them has.
    variance = float(np.max(spread)) ** 2 if exact else 1.0
    return found, np.asarray(inverse * variance, dtype=np.complex128)


def _disagreement(left: ComplexArray, run_outs: Sequence[RunOut]) -> float:
    """How far a trace lies off the common axis, in µm; 0 where all agree within noise and what is neglected."""
    place, worst = 0, 0.0
    for r in run_outs:
        off = float(abs(left[place]))
        # Three standard uncertainties: chance alone hardly ever reaches them.
        if off > 3 * float(np.hypot(r.u_um, _SHIFT_FINEST_UM + _NEGLECTED * abs(r.vector_um))):
            worst = max(worst, off)
        # A spiral has a second equation, that of its growth, in which no place is compared.
        place += 1 if r.growth is None else 2
    return worst


def _direction_deg(vector: complex) -> float:
    return float(np.degrees(np.angle(vector)) % 360.0)

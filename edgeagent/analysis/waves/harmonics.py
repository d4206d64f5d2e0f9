"""Harmonics of a trace around a revolution, with the alignment of the part fitted jointly.

The model of a spiral trace at angle θ, with t the number of turns from the middle of the trace, is

    y(θ) = Σ_{|n| ≤ N} c_n exp(i n θ)  +  β1 t  +  t (β2 cos θ + β3 sin θ)  +  noise

where c_0 is the constant, c_±1 the eccentricity, β1 the mean slope (a lead that does not match) and β2,
β3 an eccentricity that grows along the spiral (an axis that is tilted). Over a finite trace the β terms are
not orthogonal to any harmonic, so all unknowns are fitted together by least squares (`least_squares`). A whole
number of turns is not needed: surplus samples raise the density of a sector.

An eccentric part turns the place that the stylus touches (`track.eccentric`): then all of this holds over the
part's own angle φ, once what the rigid part adds to its first order is taken out. φ follows from the
once-per-turn motion that the fit itself finds: a fit of the lowest orders over θ starts, one of all orders over
φ follows, and what its motion differs by from the first one's turns the harmonics by the last bit.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np

from edgeagent.analysis.track.eccentric import EccentricContact, Motion, Touch
from edgeagent.analysis.waves.joint_fit import (
    FittedArrays,
    JointSolution,
    alignment_columns,
    solve_jointly,
    touch_of,
)
from edgeagent.analysis.waves.least_squares import NO_GAP, check_gap, combine, leakage, solve_toeplitz
from edgeagent.analysis.waves.noise import (
    LinesBetween,
    closure_of,
    lines_between,
    noise_between,
    single_turn_variance,
)
from edgeagent.analysis.waves.orders import (
    FractionalOrder,
    find_orders,
    not_closing_um2,
    significant,
    unlike_um2,
)
from edgeagent.analysis.waves.orders_fit import WavesBeside, fit_beside, with_noise
from edgeagent.analysis.waves.trigonometric import ComplexArray, TrigonometricSums
from edgeagent.errors import TraceShapeError
from edgeagent.model import FloatArray

_SHORT_TURNS = 1e-3
"""What a turn may lack: a speck of dust that was left out at its end is a gap like any other (`check_gap`)."""
_START_ORDERS = 48
"""Orders of the fit that the first motion comes from: waves above leak into it by less than 1e-4 of their size
where turns are not whole."""
_MOVED_MAX = 0.02
"""Angle in rad at the highest order by which φ may still move without another fit: its square is left."""
# One is enough in all tests: each gains the factor e/R.
_FITS_MAX = 4
_WHOLE = 0.05
"""Turns are whole within this share of one."""
_ORDER_FLOOR_UM = 1e-6
"""Waves between whole UPR below a picometre are rounding."""


@dataclass(frozen=True, slots=True)
class HarmonicFit:
    """Least-squares harmonics of one revolution.

    ``coefficient`` has shape (upr_max + 1,), order 0 first; harmonic n is
    ``2 |c_n| cos(n angle + arg c_n)``. ``standard_uncertainty_um`` is that of the amplitude of ``centred``,
    shape (upr_max + 1,), order 0 first; ``noise_um`` is the part of it that differs from turn to turn,
    ``differing_um`` that as the lines have it, without allowance for what few lines tell. The
    eccentricity of the trace is ``c_1`` at the first sample, which a tilt moves: ``centred`` is the same with
    c_1 at the middle, and ``eccentricity_uncertainty_um`` that at the first sample.
    ``residual_um`` has shape (n,): what model, alignment and a closure that counts as drift leave;
    ``touched_rad``, of the same shape, where on the part the samples touch.
    ``alignment`` holds the β of the module's model, ``alignment_covariance`` their covariance in µm² for the
    noise at the lowest orders (of the whole residual for one turn), and ``middle_rad`` the angle from which t
    counts.
    ``noise_from`` names where the uncertainty comes from: ``"between harmonics"`` or ``"residual"``.
    ``closure_um`` is what a closed profile of less than two turns fails to close by, its slope per turn, with
    ``closure_uncertainty_um``; None for all others. A closure that stands above its noise is drift and counts
    in ``standard_uncertainty_um``. With ``motion`` harmonics are those over the part's own angle, as
    ``contact`` sees it. ``orders`` are waves between whole UPR, strongest first.
    """

    coefficient: ComplexArray
    standard_uncertainty_um: FloatArray
    noise_um: FloatArray
    differing_um: FloatArray
    alignment: FloatArray
    middle_rad: float
    centred: ComplexArray
    residual_um: FloatArray
    touched_rad: FloatArray
    turns: float
    noise_from: str
    alignment_covariance: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    eccentricity_uncertainty_um: float = 0.0
    closure_um: float | None = None
    closure_uncertainty_um: float | None = None
    contact: EccentricContact | None = None
    motion: Motion | None = None
    orders: tuple[FractionalOrder, ...] = ()

    def turns_from_middle(self, angle_rad: FloatArray) -> FloatArray:
        """Turns from the trace's middle, shape of ``angle_rad``."""
        result: FloatArray = (angle_rad - self.middle_rad) / (2 * np.pi)
        return result

    def touch_of(self, angle_rad: FloatArray) -> Touch:
        """Where samples at any angles of the spindle touch the part."""
        if self.contact is None or self.motion is None or not self.contact.taken_out:
            return Touch(angle_rad, np.cos(angle_rad), np.sin(angle_rad), np.zeros(len(angle_rad)))
        return self.contact.touch(self.motion, angle_rad, self.turns_from_middle(angle_rad))

    def alignment_at(self, angle_rad: FloatArray) -> FloatArray:
        """Slope, tilt and second order of a rigid part at any angles, in µm, shape of ``angle_rad``."""
        touch = self.touch_of(angle_rad)
        if not len(self.alignment):
            return touch.extra_um
        return (
            combine(self.alignment, alignment_columns(self.turns_from_middle(angle_rad), touch))
            + touch.extra_um
        )

    def residual_at(self, angle_rad: FloatArray, deviation_um: FloatArray) -> FloatArray:
        """What the model leaves of any samples, those that were not fitted among them; shape (n,), µm."""
        rest = deviation_um - self.alignment_at(angle_rad) - self.profile_at(angle_rad, self.centred)
        for wave in self.orders:
            turned = np.exp(1j * wave.upr * self.touch_of(angle_rad).angle_rad)
            rest -= 2 * np.real(wave.coefficient * turned)
        return rest

    def mean_of_form(self, angle_rad: FloatArray, form_um: FloatArray) -> ComplexArray:
        """Harmonics of what single turns have for themselves, by least squares; shape (N + 1,)."""
        upr_max = len(self.centred) - 1
        sums = TrigonometricSums(self.touch_of(angle_rad).angle_rad, 2 * upr_max)
        density, of_form = sums.sums(None, 2 * upr_max), sums.sums(form_um, upr_max)
        found: ComplexArray = solve_toeplitz(density, of_form[None, :])[0]
        return found

    def profile_at(self, angle_rad: FloatArray, coefficient: ComplexArray) -> FloatArray:
        """The function of harmonics ``coefficient`` where samples at any angles touch; shape (n,), µm."""
        return TrigonometricSums(self.touch_of(angle_rad).angle_rad, len(coefficient)).evaluate(coefficient)

    @property
    def has_tilt(self) -> bool:
        """Whether a tilt was fitted; False for closed profiles and single turns."""
        return len(self.alignment) > 0 and bool(self.alignment_covariance[1, 1] > 0 or self.alignment[1] != 0)

    @property
    def slope_um_per_turn(self) -> float:
        """The mean slope; 0 for closed profiles."""
        return float(self.alignment[0]) if len(self.alignment) else 0.0

    @property
    def tilt_um_per_turn(self) -> float:
        """How much the eccentricity grows in a turn, as the length of a vector; 0 where none was fitted."""
        return float(np.hypot(self.alignment[1], self.alignment[2])) if len(self.alignment) else 0.0

    @property
    def slope_uncertainty_um_per_turn(self) -> float | None:
        """Standard uncertainty of the slope; None for closed profiles."""
        return float(np.sqrt(self.alignment_covariance[0, 0])) if len(self.alignment) else None

    @property
    def tilt_uncertainty_um_per_turn(self) -> float | None:
        """Standard uncertainty of the tilt, with what noise lifts it by near zero; None without a tilt."""
        if not self.has_tilt:
            return None
        tilt = max(self.tilt_um_per_turn, 1e-300)
        along = self.alignment[1:] / tilt
        across = np.array([-along[1], along[0]])
        spread = self.alignment_covariance[1:, 1:]
        if not np.any(spread):
            return 0.0
        own, other = (float(np.einsum("i,ij,j->", d, spread, d)) for d in (along, across))
        return float(np.sqrt(own + amplitude_lift(np.array(tilt), np.sqrt(np.array(other))) ** 2))

    @property
    def amplitude_um(self) -> FloatArray:
        """Amplitudes of 1 … upr_max UPR, shape (upr_max,)."""
        result: FloatArray = 2.0 * np.abs(self.coefficient[1:])
        return result

    @property
    def phase_rad(self) -> FloatArray:
        """Phases of 1 … upr_max UPR, shape (upr_max,)."""
        result: FloatArray = np.angle(self.coefficient[1:])
        return result


def amplitude_lift(amplitude: FloatArray, standard_uncertainty: FloatArray) -> FloatArray:
    """What noise adds to an amplitude on average, in their unit, for arrays of one shape (derived here).

    A point in the plane at distance a from the origin, shaken by u each way, lies u²/(2a) farther out on
    average: what is found squared, less u², is a². Below u the whole amplitude may be noise.
    """
    result: FloatArray = amplitude - np.sqrt(np.maximum(amplitude**2 - standard_uncertainty**2, 0.0))
    return result


def turns_of(angle_rad: FloatArray) -> float:
    """Number of turns that the samples stand for: their span plus one mean step."""
    count = len(angle_rad)
    if count < 2:
        return 0.0
    span = float(np.max(angle_rad) - np.min(angle_rad))
    return span * count / (count - 1) / (2 * np.pi)


def fit_harmonics(
    angle_rad: FloatArray,
    deviation_um: FloatArray,
    *,
    upr_max: int,
    alignment: bool,
    contact: EccentricContact | None = None,
) -> HarmonicFit:
    """Fit harmonics 0 … upr_max and, for a spiral, slope and tilt, to samples at any angles.

    Parameters
    ----------
    angle_rad, deviation_um : ndarray of float64, shape (n,), rad and µm
        Finite samples of at least one turn, any spacing; a thousandth of a turn may lack.
    upr_max : int
        Highest order of the model, 1 <= upr_max, below half the samples of one turn.
    alignment : bool
        True for a spiral (slope and growing eccentricity are fitted too), False for a closed profile.
    contact : EccentricContact or None
        How an eccentric part turns the contact; None takes the angles for those of the surface.

    Returns
    -------
    HarmonicFit

    Raises
    ------
    TraceShapeError
        Less than one turn, or too few samples for ``upr_max``.
    FitNotConvergedError
        Gaps in the angles are too wide to separate the harmonics.

    Notes
    -----
    Noise-free, with 4 µm eccentricity, 0.7 µm/turn tilt, 1.3 µm/turn slope in three turns of 18,000
    samples, every amplitude up to 1,500 UPR is exact within 1e-5 nm (tests/analysis/test_harmonics.py).
    """
    points = len(angle_rad)
    turns = turns_of(angle_rad)
    if turns < 1 - max(0.5 * turns / max(points, 1), _SHORT_TURNS):
        raise TraceShapeError(f"the trace covers {turns:.3f} turns; at least one whole turn is needed")
    # Per turn, since turns of even steps may fall on the same places.
    if upr_max < 1 or 2 * upr_max + 1 > points / turns:
        raise TraceShapeError(f"{points / turns:.0f} points a turn cannot carry harmonics up to {upr_max} UPR")
    # Slope and tilt counted from the middle are least alike level and eccentricity.
    middle = 0.5 * float(angle_rad.min() + angle_rad.max())
    starting = contact is not None and contact.taken_out
    spindle = TrigonometricSums(angle_rad, 2 * (min(upr_max, _START_ORDERS) if starting else upr_max))
    turning = alignment or contact is not None  # only then cosine and sine are needed
    circle = spindle.circle(angle_rad) if turning else None
    turn = angle_rad - middle
    turn /= 2 * np.pi
    trace = FittedArrays(angle_rad, turn, deviation_um, alignment, circle, spindle)
    motion: Motion | None = None
    if contact is not None and starting:
        start = solve_jointly(trace, touch_of(trace, None, None), spindle)
        motion = contact.first_motion(start.coefficient, start.once_per_turn[1])
    for _ in range(_FITS_MAX):
        touch = touch_of(trace, contact, motion)
        sums = TrigonometricSums(touch.angle_rad, 2 * upr_max) if starting else spindle
        solution = solve_jointly(trace, touch, sums)
        if contact is None or motion is None:
            break
        before, motion = motion, contact.motion(*solution.once_per_turn)
        if motion is None:
            continue
        moved = abs(motion.offset_um - before.offset_um) + abs(motion.growth_um - before.growth_um) * turns / 2
        # Growth counts at the trace's ends, half of the turns away from the middle.
        if moved / contact.radius_um * upr_max < _MOVED_MAX:
            break
    # Steps that are known to be narrow need no search for gaps.
    if solution.sums.step_max * upr_max >= NO_GAP:
        check_gap(touch.angle_rad, solution.density, upr_max)
    found = _with_uncertainty(trace, touch, solution, middle, turns)
    if contact is not None and not contact.taken_out:
        return _count_doubt(found, contact, contact.motion(*solution.once_per_turn))
    if contact is None or motion is None:
        return replace(found, contact=contact)
    middle_um = solution.once_per_turn[0]
    return replace(
        _count_doubt(found, contact, motion),
        coefficient=contact.move_harmonics(found.coefficient, before, motion, middle_um),
        centred=contact.move_harmonics(found.centred, before, motion, middle_um),
    )


def _count_doubt(fit: HarmonicFit, contact: EccentricContact, motion: Motion | None) -> HarmonicFit:
    """The fit with what is not known of the contact in its uncertainty; all of it where the part lies too far
    off."""
    if motion is None:
        return replace(fit, contact=contact)
    variance = fit.noise_um**2 + contact.doubtful_um2(fit.centred, motion)
    return replace(fit, standard_uncertainty_um=np.sqrt(variance), contact=contact, motion=motion)


def _floor(lines: LinesBetween) -> float:
    """Power of a wave of ``_ORDER_FLOOR_UM``."""
    return (lines.points * _ORDER_FLOOR_UM / 2) ** 2


@dataclass(frozen=True, slots=True)
class _Residual:
    """What a solution leaves, and the waves between whole orders that were fitted ``beside`` it."""

    solution: JointSolution
    um: FloatArray
    lines: LinesBetween | None
    beside: WavesBeside | None = None


def _residual_of(trace: FittedArrays, touch: Touch, solution: JointSolution, turns: float) -> _Residual:
    upr_max = len(solution.coefficient) - 1
    residual = trace.deviation_um - combine(solution.beta, solution.columns)
    residual -= solution.sums.evaluate(solution.coefficient)
    if len(touch.extra_um):
        residual -= touch.extra_um
    lines = lines_between(trace.angle_rad, residual, upr_max, turns, trace.sums)
    if lines is None or not len(significant(lines.line, lines.whole, _floor(lines))):
        return _Residual(solution, residual, lines)
    # Over the part's own angle a wave is one line, over the spindle's it has side bands.
    over_part = lines_between(touch.angle_rad, residual, upr_max, turns)
    uprs = find_orders(over_part.line, over_part.whole, _floor(over_part)) if over_part else ()
    beside = fit_beside(trace, touch, solution, residual, uprs)
    if beside is None:
        return _Residual(solution, residual, lines)
    # Anew: the lines of a strong wave would raise the level for all orders.
    lines = lines_between(trace.angle_rad, beside.residual_um, upr_max, turns, trace.sums)
    return _Residual(beside.solution, beside.residual_um, lines, beside)


def _single_turn(
    coefficient: ComplexArray,
    touch: Touch,
    residual_um: FloatArray,
    white_um2: float,
    middle_rad: float,
    turns: float,
    *,
    alignment: bool,
) -> FloatArray:
    """Variance of each harmonic where no line between harmonics shows the noise."""
    plain = np.full(len(coefficient), 2 * white_um2 / len(residual_um))
    variance = single_turn_variance(coefficient, plain, alignment=alignment)
    lacking = not_closing_um2(coefficient, np.sqrt(plain), middle_rad - np.pi * turns, turns)
    return variance + np.maximum(lacking, unlike_um2(touch.angle_rad, residual_um, lacking, turns))


def _with_uncertainty(
    trace: FittedArrays, touch: Touch, solution: JointSolution, middle_rad: float, turns: float
) -> HarmonicFit:
    """The fit with its residual and what that says of noise, drift and closure."""
    points, upr_max = len(trace.turn), len(solution.coefficient) - 1
    left = _residual_of(trace, touch, solution, turns)
    solution, residual, lines, beside = left.solution, left.um, left.lines, left.beside
    beta, solved = solution.beta, solution.solved
    # With a part of a turn to spare slope and tilt rest on samples that the lines of whole turns do not have.
    whole = trace.alignment and abs(turns - round(turns)) < _WHOLE
    between = None if lines is None else noise_between(lines, upr_max, points, alignment=whole)
    freedom = max(points - 2 * upr_max - 1 - len(beta), 1)
    white = float(np.sum(residual**2)) / freedom
    if between is None:
        variance = _single_turn(
            solution.coefficient, touch, residual, white, middle_rad, turns, alignment=trace.alignment
        )
    else:
        variance = between[0]
    orders: tuple[FractionalOrder, ...] = ()
    if beside is not None:
        orders = with_noise(beside.orders, np.sqrt(variance), points)
        # From the variance of an amplitude back to that of a sample at the wave's order, which `covariance`
        # asks for.
        noise_um = np.interp([w.upr for w in orders], np.arange(upr_max + 1), np.sqrt(variance * points / 2))
        size = np.append(np.repeat(noise_um, 2), noise_um)
        variance = variance + leakage(beside.taken, np.outer(size, size) * beside.covariance)
    covariance: FloatArray = np.zeros((0, 0))
    closure: tuple[float, float] | None = None
    coefficient = solution.coefficient
    if trace.alignment:
        level = np.full(2, white) if between is None else between[1] * (points / 2)
        size = np.sqrt(level[[0, 1, 1]])
        covariance = np.outer(size, size) * solution.inverse
        # Eccentricity is stated where the reading begins; a tilt makes it grow from there.
        t_first = float(trace.turn.min())
        coefficient = coefficient.copy()
        coefficient[1] += t_first * (beta[1] - 1j * beta[2]) / 2
        # What slope and tilt bring into c_1 there: by the fit's leak at the middle, less the way to the first
        # sample.
        first = solved[1:, 1] - np.array([0, 1, -1j]) * (t_first / 2)
        variance_first = variance[1] + float(leakage(first[:, None], covariance)[0])
        leak = leakage(solved[1:], covariance)
        if whole and between is not None:
            leak[2:] = 0.0  # it is in their variance
        variance = variance + leak
    else:
        if between is None:
            closure, variance, residual = closure_of(
                solution.sums, solution.density, trace.turn, residual, variance
            )
        variance_first = variance[1]
    return HarmonicFit(
        coefficient=coefficient,
        standard_uncertainty_um=np.sqrt(variance),
        noise_um=np.sqrt(variance),
        differing_um=np.sqrt(variance if between is None else between[2]),
        orders=orders,
        alignment=beta,
        middle_rad=middle_rad,
        centred=solution.coefficient,
        residual_um=residual,
        touched_rad=touch.angle_rad,
        turns=turns,
        noise_from="residual" if between is None else "between harmonics",
        alignment_covariance=covariance,
        eccentricity_uncertainty_um=float(np.sqrt(variance_first)),
        closure_um=closure[0] if closure else None,
        closure_uncertainty_um=closure[1] if closure else None,
    )

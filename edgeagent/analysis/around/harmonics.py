"""Harmonics of a trace around a revolution, with the alignment of the part fitted jointly.

The model of a spiral trace at angle θ, with t the number of turns from the middle of the trace, is

    y(θ) = Σ_{|n| ≤ N} c_n exp(i n θ)  +  β1 t  +  t (β2 cos θ + β3 sin θ)  +  noise

where c_0 is the constant, c_±1 the eccentricity, β1 the mean slope (a lead that does not match) and β2,
β3 an eccentricity that grows along the spiral (an axis that is tilted). Over a finite trace the β terms are
not orthogonal to any harmonic, so all unknowns are fitted together by least squares. The harmonics' normal
matrix is Toeplitz: its product with a vector is a multiplication on the circle by the density of the
samples, so that conjugate gradients need a few FFTs; the three β follow from their 3 x 3 Schur complement
(derived in NUMERICS.md). A whole number of turns is not needed: surplus samples raise the density
of a sector.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from edgeagent.analysis.around.trigonometric import ComplexArray, TrigonometricSums
from edgeagent.errors import FitNotConvergedError, TraceShapeError
from edgeagent.model import FloatArray, IntArray

_TOLERANCE = 1e-14
_ITERATIONS_MAX = 400
_SEPARABLE_MIN = 1e-3
"""Smallest normalised eigenvalue of the Schur complement at which slope and tilt are still separable from the
harmonics."""
_SHORT_TURNS = 1e-3
"""What a turn may lack: a speck of dust that was left out at its end is a gap like any other (`_check_gap`)."""
CLOSURE_DRIFT = 4.0
"""A closure error above this many standard uncertainties is treated as drift; noise alone exceeds it once in
16,000 traces."""
_NOISE_LINES = 24
"""Number of lines between harmonics that a noise estimate averages at least; 24 lines are 48 degrees of
freedom, so that k = 2 covers 95 % to within 0.3 %."""


@dataclass(frozen=True, slots=True)
class HarmonicFit:
    """Least-squares harmonics of one revolution.

    ``coefficient`` has shape (upr_max + 1,), order 0 first; harmonic n is
    ``2 |c_n| cos(n angle + arg c_n)``. ``standard_uncertainty_um`` is that of the amplitude of ``centred``,
    shape (upr_max + 1,), order 0 first. The eccentricity of the trace is ``c_1`` at the first sample, which a
    tilt moves: ``centred`` is the same with c_1 at the middle, and ``eccentricity_uncertainty_um`` that at the
    first sample.
    ``residual_um`` has shape (n,): what model, alignment and a closure that counts as drift leave.
    ``alignment`` holds the β of the module's model, ``alignment_covariance`` their covariance in µm² for the
    noise at the lowest orders (of the whole residual for one turn), and ``middle_rad`` the angle from which t
    counts.
    ``noise_from`` names where the uncertainty comes from: ``"between harmonics"`` or ``"residual"``.
    ``closure_um`` is what a closed profile of less than two turns fails to close by, its slope per turn, with
    ``closure_uncertainty_um``; None for all others. A closure that stands above its noise is drift and counts
    in ``standard_uncertainty_um``.
    """

    coefficient: ComplexArray
    standard_uncertainty_um: FloatArray
    alignment: FloatArray
    middle_rad: float
    centred: ComplexArray
    residual_um: FloatArray
    turns: float
    noise_from: str
    alignment_covariance: FloatArray = field(default_factory=lambda: np.zeros((0, 0)))
    eccentricity_uncertainty_um: float = 0.0
    closure_um: float | None = None
    closure_uncertainty_um: float | None = None

    def alignment_at(self, angle_rad: FloatArray) -> FloatArray:
        """Slope and tilt at any angles, in µm, shape of ``angle_rad``; zero for a closed profile."""
        if not len(self.alignment):
            return np.zeros(len(angle_rad))
        return _combined(self.alignment, _columns(angle_rad, self.middle_rad))

    def residual_at(self, angle_rad: FloatArray, deviation_um: FloatArray) -> FloatArray:
        """What the model leaves of any samples, those that were not fitted among them; shape (n,), µm."""
        profile = TrigonometricSums(angle_rad, len(self.centred)).evaluate(self.centred)
        return deviation_um - self.alignment_at(angle_rad) - profile

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


def _solve_toeplitz(density: ComplexArray, right_side: ComplexArray) -> ComplexArray:
    """Solve the harmonics' normal equations for several right sides by conjugate gradients.

    ``density`` holds the sums of exp(-i d angle), d = 0 … 2N; ``right_side`` has shape (r, N+1), orders
    0 … N of Hermitian sequences. Raises FitNotConvergedError.
    """
    upr_max = right_side.shape[1] - 1
    size = 1 << int(np.ceil(np.log2(4 * upr_max + 4)))
    weight = np.fft.irfft(density, size) * size
    scale = float(density[0].real)

    def product(c: ComplexArray) -> ComplexArray:
        result: ComplexArray = np.fft.rfft(weight * np.fft.irfft(c, size), axis=-1)[:, : upr_max + 1]
        return result

    def dot(a: ComplexArray, b: ComplexArray) -> FloatArray:
        both = np.real(np.conj(a) * b)
        result: FloatArray = 2 * both.sum(axis=-1) - both[:, 0]
        return result

    solution = right_side / scale
    rest = right_side - product(solution)
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


def _shifted(line: ComplexArray, upr_max: int) -> tuple[ComplexArray, ComplexArray]:
    """Sums of t cos θ and t sin θ from those of t, orders 0 … upr_max; ``line`` has orders 0 … upr_max+1."""
    up = line[1 : upr_max + 2]
    down = np.concatenate((np.conj(line[1:2]), line[:upr_max]))
    return (up + down) / 2, (down - up) / 2j


def fit_harmonics(
    angle_rad: FloatArray, deviation_um: FloatArray, *, upr_max: int, alignment: bool
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
    if upr_max < 1 or 2 * upr_max + 1 > points / turns:
        raise TraceShapeError(f"{points / turns:.0f} points a turn cannot carry harmonics up to {upr_max} UPR")
    sums = TrigonometricSums(angle_rad, 2 * upr_max)
    density = sums.sums(None, 2 * upr_max)
    of_data = sums.sums(deviation_um, upr_max)
    columns = np.zeros((0, points))
    sides = of_data[None, :]
    middle = 0.5 * float(angle_rad.min() + angle_rad.max())
    if alignment:
        columns = _columns(angle_rad, middle)
        of_t = sums.sums(columns[0], upr_max + 1)
        sides = np.stack((of_data, of_t[: upr_max + 1], *_shifted(of_t, upr_max)))
    solved = _solve_toeplitz(density, sides)
    _check_gap(angle_rad, density, upr_max)
    beta, inverse = _alignment(columns, deviation_um, sides, solved)
    coefficient: ComplexArray = solved[0] - beta @ solved[1:]
    residual = deviation_um - _combined(beta, columns) - sums.evaluate(coefficient)
    between = _noise_between(angle_rad, residual, upr_max, turns)
    freedom = max(points - 2 * upr_max - 1 - len(beta), 1)
    white = float(np.sum(residual**2)) / freedom
    variance = np.full(upr_max + 1, 2 * white / points) if between is None else between[0]
    covariance: FloatArray = np.zeros((0, 0))
    closure: tuple[float, float] | None = None
    centred = coefficient.copy()
    if alignment:
        level = np.full(2, white) if between is None else between[1] * (points / 2)
        size = np.sqrt(level[[0, 1, 1]])
        covariance = np.outer(size, size) * inverse
        t_first = float(columns[0].min())
        coefficient[1] += t_first * (beta[1] - 1j * beta[2]) / 2
        first = solved[1:, 1] - np.array([0, 1, -1j]) * (t_first / 2)
        variance_first = variance[1] + float(_leaked(first[:, None], covariance)[0])
        variance = variance + _leaked(solved[1:], covariance)
    else:
        if between is None:
            closure, variance, residual = _closure(sums, density, angle_rad, residual, variance)
        variance_first = variance[1]
    return HarmonicFit(
        coefficient=coefficient,
        standard_uncertainty_um=np.sqrt(variance),
        alignment=beta,
        middle_rad=middle,
        centred=centred,
        residual_um=residual,
        turns=turns,
        noise_from="residual" if between is None else "between harmonics",
        alignment_covariance=covariance,
        eccentricity_uncertainty_um=float(np.sqrt(variance_first)),
        closure_um=closure[0] if closure else None,
        closure_uncertainty_um=closure[1] if closure else None,
    )


def _closure(
    sums: TrigonometricSums,
    density: ComplexArray,
    angle_rad: FloatArray,
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
    points, upr_max = len(angle_rad), len(variance) - 1
    t = _columns(angle_rad, 0.5 * float(angle_rad.min() + angle_rad.max()))[0]
    ramp = _solve_toeplitz(density, sums.sums(t, upr_max)[None, :])[0]
    left = t - sums.evaluate(ramp)
    own, freedom = float(np.sum(left**2)), points - 2 * upr_max - 2
    if own <= 1e-9 * float(np.sum(t**2)) or freedom < 1:
        return None, variance, residual_um
    jump = float(np.sum(left * residual_um)) / own
    white = max(float(np.sum(residual_um**2)) - jump**2 * own, 0.0) / freedom
    closure = (jump, float(np.sqrt(white / own)))
    if abs(jump) <= CLOSURE_DRIFT * closure[1]:
        return closure, variance, residual_um
    # Beyond the turn samples take some harmonics of the ramp away, but not those of the walk.
    share = np.maximum(2 * np.abs(ramp), 1 / (np.pi * np.maximum(np.arange(upr_max + 1), 1)))
    return closure, 2 * white / points + (share * jump) ** 2, residual_um - jump * left


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


def _check_gap(angle_rad: FloatArray, density: ComplexArray, upr_max: int) -> None:
    """Refuse angles whose widest gap leaves the profile undetermined there.

    The variance of a fitted profile at angle φ is σ² Re Σ exp(i n φ) x_n with A x = exp(-i n φ); evenly spaced
    samples give (2N + 1)/points. More than ten times that in the middle of the gap would make every harmonic a
    guess. Raises FitNotConvergedError.
    """
    gap, middle = widest_gap(angle_rad)
    if gap * upr_max < 0.99 * np.pi:
        return
    there = np.exp(-1j * np.arange(upr_max + 1) * middle)
    words = f"no sample over {np.degrees(gap):.2f} deg of the turn: {upr_max} UPR cannot be determined there"
    try:
        solved = _solve_toeplitz(density, there[None, :])[0]
    except FitNotConvergedError as error:
        raise FitNotConvergedError(words) from error
    variance = 2 * float(np.real(np.conj(there) @ solved)) - float(solved[0].real)
    if variance * len(angle_rad) > 10 * (2 * upr_max + 1):
        raise FitNotConvergedError(words)


def _columns(angle_rad: FloatArray, middle_rad: float) -> FloatArray:
    """The alignment terms t, t cos θ and t sin θ, shape (3, n)."""
    t = (angle_rad - middle_rad) / (2 * np.pi)
    return np.stack((t, t * np.cos(angle_rad), t * np.sin(angle_rad)))


def _combined(beta: FloatArray, columns: FloatArray) -> FloatArray:
    """The sum of the alignment terms, shape (n,); zeros where there are none."""
    total = np.zeros(columns.shape[1])
    for factor, column in zip(beta, columns, strict=True):
        total += factor * column
    return total


def _leaked(leak: ComplexArray, covariance: FloatArray) -> FloatArray:
    """Variance that slope and tilt bring into amplitudes, shape (n,), for ``leak`` of shape (3, n)."""
    result: FloatArray = 2 * np.real(np.einsum("kn,kl,ln->n", leak.conj(), covariance, leak))
    return result


def _alignment(
    columns: FloatArray, deviation_um: FloatArray, sides: ComplexArray, solved: ComplexArray
) -> tuple[FloatArray, FloatArray]:
    """The alignment terms from their Schur complement, and its inverse.

    Within hardly more than one turn a tilt looks like slope and profile: fitting it would blow noise up by
    orders of magnitude. Then only the slope is fitted, and the tilt and its variance are zero.
    """
    if not len(columns):
        return np.zeros(0), np.zeros((0, 0))

    def cross(a: ComplexArray, b: ComplexArray) -> FloatArray:
        full = 2 * np.real(np.conj(a) @ b.T) - np.real(np.outer(a[:, 0].conj(), b[:, 0]))
        result: FloatArray = full
        return result

    # No BLAS over the samples: its sums depend on the number of threads, a replay must give the same digits.
    gram = np.einsum("in,jn->ij", columns, columns)
    schur = gram - cross(sides[1:], solved[1:])
    right = np.einsum("in,n->i", columns, deviation_um) - cross(sides[1:], solved[:1])[:, 0]
    own = np.sqrt(np.diag(gram))
    separable = np.linalg.eigvalsh(schur / np.outer(own, own))[0]
    if separable > _SEPARABLE_MIN:
        inverse = np.asarray(np.linalg.inv(schur), dtype=np.float64)
    elif schur[0, 0] > 1e-9 * gram[0, 0]:
        inverse = np.zeros((3, 3))
        inverse[0, 0] = 1 / schur[0, 0]
    else:
        raise FitNotConvergedError("slope and profile cannot be separated within a single turn")
    return np.asarray(inverse @ right, dtype=np.float64), inverse


def _noise_between(
    angle_rad: FloatArray, residual_um: FloatArray, upr_max: int, turns: float
) -> tuple[FloatArray, FloatArray] | None:
    """Variance of an amplitude from the lines between harmonics, shape (upr_max + 1,), and beside 0 and 1 UPR.

    With T whole turns the residual has lines at every 1/T UPR; those at whole UPR are taken by the fit, the
    others hold what does not repeat from turn to turn. Averaged over a window that widens with UPR. The second
    array, shape (2,), holds the level at which noise moves slope and tilt: that of the window, or of the lines
    next to 0 and 1 UPR where it is much higher, as it is with a drift. None for fewer than two whole turns.
    """
    whole = int(turns + 1e-3)
    if whole < 2:
        return None
    start = float(angle_rad.min())
    inside = angle_rad - start < 2 * np.pi * whole - 1e-9
    every = bool(np.all(inside))
    angle, residual = (angle_rad, residual_um) if every else (angle_rad[inside], residual_um[inside])
    lines = np.arange(1, upr_max * whole + whole)
    power = np.abs(TrigonometricSums(angle / whole, len(lines) + 1).sums(residual, len(lines))[1:]) ** 2
    noisy = lines % whole != 0
    running_power = np.concatenate(([0.0], np.cumsum(np.where(noisy, power, 0.0))))
    running_count = np.concatenate(([0], np.cumsum(noisy)))
    order = np.arange(upr_max + 1)
    reach = np.maximum(np.ceil(_NOISE_LINES * whole / (2.0 * (whole - 1))), 0.05 * order * whole).astype(int)
    low = np.clip(order * whole - reach - 1, 0, len(lines))
    high = np.clip(np.maximum(order * whole + reach, 2 * reach), 0, len(lines))
    low = np.minimum(low, np.maximum(len(lines) - 2 * reach, 0))
    mean = (running_power[high] - running_power[low]) / np.maximum(running_count[high] - running_count[low], 1)
    scale = 2 / (len(angle) * len(angle_rad))
    nearest = np.array([_level_beside(at, lines, power, whole) for at in (0, whole)])
    # The few lines that count scatter much: they speak where they say several times what the window says.
    return mean * scale, np.where(nearest > 3 * mean[:2], nearest, mean[:2]) * scale


def _level_beside(at: int, lines: IntArray, power: FloatArray, whole: int) -> float:
    """Mean power of the lines about line ``at`` as slope (0) or tilt (``whole``) meet them.

    The spectrum of t falls with the distance d from the line, so its square is the lines' weight. The fit has
    taken a part of each by its share of all weights: of slope, one of two phases; of tilt, both of two.
    """
    near = lines[: at + 16 * whole - 1]  # lines count from 1
    noisy = np.flatnonzero(near % whole)
    weight = 1.0 / (near[noisy] - at) ** 2
    share = weight / weight.sum()
    kept = 1.0 - (share if at else share / 2)
    return float(np.sum(weight * power[noisy]) / np.sum(weight * kept))

"""Capability of a series against its limits: from mean and standard deviation, and from percentiles.

Clauses of ISO 22514-2 are from memory. An index is C (Cp, Cpk) only where a control chart shows the process in
control and P (Pp, Ppk) otherwise; the formulae are the same. From percentiles X0.135 %, X50 % and X99.865 %
they are (U - L)/(X99.865 - X0.135) and the smaller of (U - X50)/(X99.865 - X50) and (X50 - L)/(X50 - X0.135);
of a normal distribution these are the common ones.

Percentiles as far out as these need thousands of values (``values_for_ranks``); with fewer they come from
distributions: normal and, where all values are positive, lognormal, gamma, Weibull and Nakagami, which contain
Rayleigh, half-normal and exponential; of values without a natural zero lognormal and gamma above or below a
bound of their own. A distribution whose normal scores fail the test of Shapiro and Wilk is
out (Chen and Balakrishnan, Journal of Quality Technology 27, 1995; remembered). The bounds hold every index of
a distribution whose likelihood is near enough to the largest of all (profile likelihood), so that they state
how little the values determine their own shape.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

from edgeagent.errors import AnalysisError, TraceRangeError

Floats = npt.NDArray[np.float64]
Bounds = tuple[float, float]

PROBABILITIES = (0.00135, 0.5, 0.99865)
"""Of the percentiles that an index is made of: those of the normal distribution at -3, 0 and 3 sigma."""
CAPABILITY_VALUES_MIN = 10
"""Least number of values of a series with a capability. From ten on simulations prove the bounds; two values
that lie close together by chance would have an index of a million."""
NORMALITY_LEVEL = 0.05
"""Probability of Shapiro and Wilk's test below which values are not normal."""
FIT_LEVEL = 0.01
"""The same for the scores of a fitted distribution: the true one is lost in one of a hundred series."""
_TESTED_MAX = 5000
"""Values up to which the probability of Shapiro and Wilk's test is known (Royston 1995, remembered)."""
_CHOICE_ALLOWANCE = 0.6
"""Logarithmic likelihood by which the bounds reach further because the values choose the distribution too:
without it they hold the true index of lognormal and gamma values in 91 to 93 % instead of 95 (simulated)."""
_NATURAL_ZERO_SHARE = 0.2
"""Least sigma over mean of positive values that may be skewed because they begin at zero. Below it, or with
values that are not positive, they may be skewed about a bound of their own."""
# Steps of the grids of shapes, scales and bounds (our own choice).
_SHAPES, _SCALES, _BOUNDS = 400, 17, 24


@dataclass(frozen=True, slots=True)
class Capability:
    """Cp and Cpk with two-sided confidence bounds; None where a limit is missing that the index needs."""

    count: int
    mean: float
    sd: float
    confidence: float
    cp: float | None
    cp_bounds: Bounds | None
    cpk: float
    cpk_bounds: Bounds


@dataclass(frozen=True, slots=True)
class PercentileCapability:
    """Indices from percentiles with two-sided confidence bounds.

    ``percentiles`` are X0.135 %, X50 %, X99.865 %, in the unit of the values. ``distribution`` is the one that
    they are of, ``ranks`` where they are the values' own. ``considered`` names all whose indices lie within the
    bounds.
    """

    distribution: str
    considered: tuple[str, ...]
    percentiles: tuple[float, float, float]
    confidence: float
    cp: float | None
    cp_bounds: Bounds | None
    cpk: float
    cpk_bounds: Bounds


@dataclass(frozen=True, slots=True)
class _Family:
    """One distribution over a grid of shapes, each with the scale that fits it best.

    ``likelihood`` is the logarithm, one a shape. ``percentiles_at`` gives percentiles (shapes, scales, 3) of
    the shapes of the mask, out to where the likelihood has lost ``slack`` (one a chosen shape).
    """

    name: str
    likelihood: Floats
    percentiles_at: Callable[[npt.NDArray[np.bool_], Floats], Floats]
    scores: Callable[[], Floats]


def _check_values(values: Sequence[float], least: int) -> None:
    if len(values) < least:
        raise AnalysisError(f"{len(values)} values; {least} at least are needed")
    for index, value in enumerate(values):
        if not math.isfinite(value):
            raise TraceRangeError(f"value {index} is not a finite number")


def capability(
    values: Sequence[float], lower: float | None, upper: float | None, confidence: float = 0.95
) -> Capability:
    """Capability of a series against its limits, with the sample standard deviation over all values.

    Raises AnalysisError without limits, for fewer than two values or without spread;
    TraceRangeError.
    """
    _check_values(values, 2)
    mean = math.fsum(values) / len(values)
    sd = math.sqrt(math.fsum((v - mean) ** 2 for v in values) / (len(values) - 1))
    return capability_of(mean, sd, len(values), lower, upper, confidence)


def capability_of(
    mean: float, sd: float, count: int, lower: float | None, upper: float | None, confidence: float = 0.95
) -> Capability:
    """Capability from mean, sample standard deviation and number of values (NIST/SEMATECH 6.1.6).

    Bounds of Cp are exact for normal values (chi-square with count - 1 degrees of freedom), those of Cpk the
    normal approximation Cpk ± z sqrt(1/(9n) + Cpk²/(2(n-1))). Raises AnalysisError as ``capability``.
    """
    if lower is None and upper is None:
        raise AnalysisError("capability needs a limit")
    if count < 2 or not sd > 0 or not 0 < confidence < 1:
        raise AnalysisError("capability needs two values or more, a spread and a confidence between 0 and 1")
    margins = [m for m in (None if upper is None else upper - mean, None if lower is None else mean - lower)
               if m is not None]  # fmt: skip
    cpk = min(margins) / (3 * sd)
    z = NormalDist().inv_cdf(0.5 + 0.5 * confidence)
    half = z * math.sqrt(1 / (9 * count) + cpk**2 / (2 * (count - 1)))
    cp = cp_bounds = None
    if lower is not None and upper is not None:
        from scipy.special import chdtri

        cp = (upper - lower) / (6 * sd)
        tail, df = 0.5 * (1 - confidence), count - 1
        # chdtri inverts the upper tail
        low, high = (cp * math.sqrt(float(chdtri(df, p)) / df) for p in (1 - tail, tail))
        cp_bounds = (low, high)
    return Capability(count, mean, sd, confidence, cp, cp_bounds, cpk, (cpk - half, cpk + half))


def indices_of(percentiles: Floats, lower: float | None, upper: float | None) -> tuple[Floats | None, Floats]:
    """Cp (None with one limit) and Cpk of X0.135 %, X50 %, X99.865 % along the last axis (ISO 22514-2, memory).

    Raises AnalysisError without limits.
    """
    low, middle, high = (percentiles[..., i] for i in range(3))
    sides = []
    if upper is not None:
        # The tail towards the limit is the one that matters: a long tail on the other side costs nothing.
        sides.append((upper - middle) / (high - middle))
    if lower is not None:
        sides.append((middle - lower) / (middle - low))
    if not sides:
        raise AnalysisError("capability needs a limit")
    cp = None if lower is None or upper is None else (upper - lower) / (high - low)
    return cp, np.minimum.reduce(sides)


def normality(values: Sequence[float]) -> float:
    """Probability of values as far from normal as these, if they are normal (Shapiro and Wilk).

    Of more than 5000 values, beyond which the test is not tabulated, 5000 evenly from first to last are tested.
    Raises AnalysisError for fewer than three values or values that are all the same, TraceRangeError.
    """
    from scipy.stats import shapiro

    _check_values(values, 3)
    tested = np.asarray(values, dtype=float)
    if len(tested) > _TESTED_MAX:
        # Not the first ones: a process that changed since would be shown as it was years ago.
        tested = tested[np.linspace(0, len(tested) - 1, _TESTED_MAX).round().astype(int)]
    spread = float(np.std(tested))
    if not spread > 0:
        raise AnalysisError(f"the {len(values)} values are all the same: no shape to test")
    # Centred and scaled: values that share many digits would lose them in the test's sums.
    return float(shapiro((tested - np.mean(tested)) / spread).pvalue)


def values_for_ranks(limits: int, confidence: float = 0.95) -> int:
    """Values from which on ranks alone bound the outer percentiles, with one or two ``limits``.

    Each of ``limits`` + 1 percentiles errs with an equal share of 1 - confidence, half of it on each side; the
    largest value is above X99.865 % with that confidence.
    """
    tail = (1 - confidence) / (limits + 1) / 2
    return math.ceil(math.log(tail) / math.log(PROBABILITIES[2]))


def percentile_capability(
    values: Sequence[float], lower: float | None, upper: float | None, confidence: float = 0.95
) -> PercentileCapability | None:
    """Capability from percentiles; None where no distribution fits and the values are too few for ranks.

    None, too, where so many values are the same that percentiles of their own coincide: no index is infinite.

    From ``values_for_ranks`` values on percentiles are the values' own with bounds from their ranks, which hold
    for any distribution; below, those of fitted distributions (see the module). The estimate is of the normal
    distribution where the values pass as normal, otherwise of the most likely one. Raises AnalysisError without
    limits, without spread or for fewer than CAPABILITY_VALUES_MIN values, TraceRangeError.
    """
    _check_values(values, CAPABILITY_VALUES_MIN)
    limits = (lower is not None) + (upper is not None)
    if not limits:
        raise AnalysisError("capability needs a limit")
    # With thousands of values no distribution need be believed any more.
    if len(values) >= values_for_ranks(limits, confidence):
        return _from_ranks(np.sort(np.asarray(values, dtype=float)), lower, upper, confidence)
    normal = normality(values) >= NORMALITY_LEVEL
    data = np.asarray(values, dtype=float)
    # Distributions that the values contradict must not widen the bounds, nor narrow them.
    fitting = [f for f in _families(data) if (f.name == "normal" and normal) or _fits(f)]
    if not fitting:
        return None
    best = max(float(f.likelihood.max()) for f in fitting)
    floor = best - _likelihood_loss(len(values), confidence)
    kept = [f for f in fitting if float(f.likelihood.max()) >= floor]
    # Normal where nothing speaks against it: the trade's index is that one, and others fit by chance.
    chosen = max(kept, key=lambda f: (normal and f.name == "normal", float(f.likelihood.max())))
    found = [indices_of(_percentiles_above(f, floor), lower, upper) for f in kept]
    cps = [cp for cp, _ in found if cp is not None]
    point = _estimate(chosen, data)
    cp, cpk = indices_of(point, lower, upper)
    return PercentileCapability(
        chosen.name,
        tuple(f.name for f in kept),
        (float(point[0]), float(point[1]), float(point[2])),
        confidence,
        None if cp is None else float(cp),
        _range_of(cps) if cps else None,
        float(cpk),
        _range_of([cpk for _, cpk in found]),
    )


def _range_of(arrays: Sequence[Floats]) -> Bounds:
    return min(float(a.min()) for a in arrays), max(float(a.max()) for a in arrays)


def _likelihood_loss(count: int, confidence: float) -> float:
    """Loss of logarithmic likelihood within the bounds.

    That of Student's t for the mean of normal values, and what the choice of a distribution adds.
    """
    from scipy.special import stdtrit

    t = float(stdtrit(count - 1, 0.5 + 0.5 * confidence))
    return 0.5 * count * math.log1p(t * t / (count - 1)) + _CHOICE_ALLOWANCE


def _fits(family: _Family) -> bool:
    # A score is infinite some eight sigma out, where no true distribution has a value.
    scores = family.scores()
    return bool(np.isfinite(scores).all()) and normality(scores.tolist()) >= FIT_LEVEL


def _percentiles_above(family: _Family, floor: float) -> Floats:
    mask = family.likelihood >= floor
    return family.percentiles_at(mask, family.likelihood[mask] - floor)


def _estimate(family: _Family, data: Floats) -> Floats:
    """The percentiles of the most likely shape; of a normal distribution with the sample standard deviation."""
    if family.name == "normal":
        from scipy.special import ndtri

        sd = float(np.std(data, ddof=1))
        normal: Floats = float(np.mean(data)) + sd * ndtri(np.asarray(PROBABILITIES))
        return normal
    mask = np.zeros(family.likelihood.size, dtype=bool)
    mask[int(family.likelihood.argmax())] = True
    found: Floats = family.percentiles_at(mask, np.zeros(1))[0, 0]
    return found


def _families(data: Floats) -> Iterator[_Family]:
    """Every distribution that such values may have."""
    yield _normal(data)
    data = _lift_zeros(data)
    if float(data.min()) > 0:
        yield _lognormal(data)
        yield _gamma("gamma", data, 1.0)
        yield _gamma("Nakagami", data, 2.0)
        yield _weibull(data)
    if not (float(data.min()) > 0 and float(np.std(data)) > _NATURAL_ZERO_SHARE * float(np.mean(data))):
        for word, sign in (("shifted", 1.0), ("mirrored", -1.0)):
            yield _shifted_family(f"{word} lognormal", _lognormal, data, sign)
            yield _shifted_family(f"{word} gamma", lambda some: _gamma("gamma", some, 1.0), data, sign)


def _lift_zeros(data: Floats) -> Floats:
    """Zeros, up to one in twenty of the values, become half of the smallest value above zero."""
    zero = data == 0
    if not 0 < np.count_nonzero(zero) <= data.size / 20 or float(data.min()) < 0:
        return data
    return np.asarray(np.where(zero, 0.5 * float(data[~zero].min()), data))


def _shifted_family(name: str, family: Callable[[Floats], _Family], data: Floats, sign: float) -> _Family:
    """A family above (``sign`` 1) or below (-1) a bound of its own, which lies a share of sigma off the values.

    No nearer than sigma over their number: at the outermost value itself the likelihood has no largest value.
    """
    signed = sign * data
    least, sd = float(signed.min()), float(np.std(data))
    # Up to 30 sigma off, where a shifted distribution is nearly a normal one.
    gaps = sd * np.geomspace(1 / data.size, 30, _BOUNDS)
    inner = [family(signed - least + gap) for gap in gaps]
    best = max(inner, key=lambda f: float(f.likelihood.max()))

    def percentiles_at(mask: npt.NDArray[np.bool_], slack: Floats) -> Floats:
        # The mask runs over the shapes of all bounds, one bound after the other, as the likelihood does.
        parts, rest = [], slack
        for one, gap, chosen in zip(inner, gaps, np.split(mask, _BOUNDS), strict=True):
            some = int(np.count_nonzero(chosen))
            if some:
                parts.append(one.percentiles_at(chosen, rest[:some]) + (least - gap))
            rest = rest[some:]
        found = sign * np.concatenate(parts)
        # A mirrored distribution has its upper percentile where the lower one was.
        return np.asarray(found if sign > 0 else found[..., ::-1])

    likelihood = np.concatenate([f.likelihood for f in inner])
    return _Family(name, likelihood, percentiles_at, lambda: sign * best.scores())


def _grid(about: float, count: int) -> Floats:
    """Shapes about a first estimate, six standard errors of a standard deviation to each side and more."""
    half = 6 * math.sqrt(2 / count) + 0.2
    return about * np.exp(np.linspace(-half, half, _SHAPES))


def _between(low: Floats, high: Floats) -> Floats:
    """``_SCALES`` steps from each of ``low`` to that of ``high``: (shapes, scales)."""
    return low[:, None] + (high - low)[:, None] * np.linspace(0, 1, _SCALES)


def _normal(data: Floats) -> _Family:
    from scipy.special import ndtri

    n, mean, sd = data.size, float(np.mean(data)), float(np.std(data))
    sigma = _grid(sd, n)
    likelihood = -n * (np.log(sigma) + 0.5 * (sd / sigma) ** 2 + 0.5 * math.log(2 * math.pi))
    z = ndtri(np.asarray(PROBABILITIES))

    def percentiles_at(mask: npt.NDArray[np.bool_], slack: Floats) -> Floats:
        width = sigma[mask] * np.sqrt(2 * slack / n)
        middle = mean + _between(-width, width)
        found: Floats = middle[..., None] + sigma[mask][:, None, None] * z
        return found

    return _Family("normal", likelihood, percentiles_at, lambda: (data - mean) / sd)


def _lognormal(data: Floats) -> _Family:
    logs = np.log(data)
    if not float(np.std(logs)) > 0:
        raise AnalysisError(f"the {data.size} values are all the same: no spread to judge by")
    inner = _normal(logs)
    return _Family(
        "lognormal",
        # The density of a logarithm is that of the value times the value.
        inner.likelihood - float(logs.sum()),
        lambda mask, slack: np.exp(inner.percentiles_at(mask, slack)),
        inner.scores,
    )


def _scale_losses(loss: Floats) -> tuple[Floats, Floats]:
    """The two d where d + exp(-d) - 1 is ``loss``: what a scale e^d from the best one costs a value."""
    from scipy.special import lambertw

    # exp(-d) = -W(-exp(-1 - loss)); the larger branch is the larger d
    at = -np.exp(-1 - loss)
    low, high = (1 + loss + np.real(lambertw(at, k)) for k in (-1, 0))
    # Near zero, where both branches meet, the loss is d²/2
    near, root = loss < 1e-9, np.sqrt(2 * loss)
    return np.where(near, -root, low), np.where(near, root, high)


def _gamma(name: str, data: Floats, power: float) -> _Family:
    """Values whose ``power`` has a gamma distribution: power 2 is Nakagami's, with Rayleigh and half-normal."""
    from scipy.special import gammainc, gammaincinv, gammaln, ndtri

    n, logs = data.size, power * np.log(data)
    centre = float(np.mean(logs))
    # About the geometric mean, so that powers of large or small values neither overflow nor vanish.
    mean = float(np.mean(np.exp(logs - centre)))
    # Not zero, which values that are nearly all the same would give: the estimate divides by it.
    excess = max(math.log(mean), 1e-300)
    # First estimate by the series of log(a) - digamma(a) (Greenwood and Durand, remembered)
    shape = _grid((1 + math.sqrt(1 + 4 * excess / 3)) / (4 * excess), n)
    scale = mean / shape
    likelihood = -n * (gammaln(shape) + shape * np.log(scale) + shape + centre)
    likelihood = likelihood + float(logs.sum()) - float(np.log(data).sum()) + n * math.log(power)
    best = int(np.argmax(likelihood))

    def percentiles_at(mask: npt.NDArray[np.bool_], slack: Floats) -> Floats:
        low, high = _scale_losses(slack / (n * shape[mask]))
        # In logarithms up to the end: of a small shape the lowest percentile would underflow.
        logs_at = np.log(scale[mask])[:, None] + centre + _between(low, high)
        quantiles = gammaincinv(shape[mask][:, None], np.asarray(PROBABILITIES))
        found: Floats = np.exp((logs_at[..., None] + np.log(quantiles)[:, None, :]) / power)
        return found

    def scores() -> Floats:
        return np.asarray(ndtri(gammainc(shape[best], np.exp(logs - centre) / scale[best])))

    return _Family(name, likelihood, percentiles_at, scores)


def _weibull(data: Floats) -> _Family:
    from scipy.special import logsumexp, ndtri

    n, logs = data.size, np.log(data)
    # The logarithm's standard deviation is pi/sqrt(6) over the shape
    shape = _grid(math.pi / math.sqrt(6) / float(np.std(logs)), n)
    log_scale = (logsumexp(shape[:, None] * logs, axis=1) - math.log(n)) / shape
    likelihood = n * (np.log(shape) - shape * log_scale - 1) + (shape - 1) * float(logs.sum())
    best = int(np.argmax(likelihood))
    cumulated = np.log(-np.log1p(-np.asarray(PROBABILITIES)))

    def percentiles_at(mask: npt.NDArray[np.bool_], slack: Floats) -> Floats:
        low, high = _scale_losses(slack / n)
        logs_at = log_scale[mask][:, None] + _between(low, high) / shape[mask][:, None]
        found: Floats = np.exp(logs_at[..., None] + cumulated / shape[mask][:, None, None])
        return found

    def scores() -> Floats:
        return np.asarray(ndtri(-np.expm1(-np.exp(shape[best] * (logs - log_scale[best])))))

    return _Family("Weibull", likelihood, percentiles_at, scores)


def _from_ranks(
    ordered: Floats, lower: float | None, upper: float | None, confidence: float
) -> PercentileCapability | None:
    """Percentiles that are the values' own, each bounded by two values of known ranks (binomial).

    None where the bounds of two neighbouring percentiles meet.
    """
    from scipy.stats import binom

    if ordered[0] == ordered[-1]:
        raise AnalysisError(f"the {ordered.size} values are all the same: no shape to test")
    # The median always, of the outer ones only those that a limit asks for: fewer bounds, each less wide.
    needed = [i for i, limit in ((0, lower), (1, 0.0), (2, upper)) if limit is not None]
    tail, n = (1 - confidence) / len(needed) / 2, ordered.size
    point = np.quantile(ordered, PROBABILITIES)
    corners = [(float(v), float(v)) for v in point]
    for i in needed:
        low, high = int(binom.ppf(tail, n, PROBABILITIES[i])), int(binom.ppf(1 - tail, n, PROBABILITIES[i])) + 1
        # Ranks count from 1.
        corners[i] = (float(ordered[max(low, 1) - 1]), float(ordered[min(high, n) - 1]))
    # A coarse gauge repeats a few values: between percentiles that meet there is nothing to measure a limit by.
    if any(corners[i][1] >= corners[i + 1][0] for i in (0, 1) if i in needed and i + 1 in needed):
        return None
    # An index is monotonic in each percentile, so that its extremes lie at corners
    grid = np.stack(np.meshgrid(*corners, indexing="ij"), axis=-1).reshape(-1, 3)
    cps, cpks = indices_of(grid, lower, upper)
    cp, cpk = indices_of(point, lower, upper)
    return PercentileCapability(
        "ranks",
        ("ranks",),
        (float(point[0]), float(point[1]), float(point[2])),
        confidence,
        None if cp is None else float(cp),
        None if cps is None else _range_of([cps]),
        float(cpk),
        _range_of([cpks]),
    )

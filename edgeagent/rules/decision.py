"""From values, uncertainties and limits to verdicts and a disposition (ISO 14253-1, JCGM 106).

Rule ``guarded``: conformity is proved when a value lies inside its limits by at least the guard band,
nonconformity when it lies outside by at least the guard band; between the two the value is inconclusive. The
guard band is 1.65 standard uncertainties, which gives at least 95 % conformance probability at one limit
(ISO 14253-1:2017; JCGM 106, table 1). Where two limits are so close that both tails count, the probability
itself must reach 95 %. Another stated conformance probability takes the normal quantile in place of 1.65.

Rule ``simple``: value against limit, uncertainty disregarded. Rule ``capped-risk``: accepted only when the
probability of nonconformity, which counts every limit, is at most the stated risk; rejected only when the true
value lies beyond one limit with all but that risk; inconclusive between the two (JCGM 106, 7 and 8). So a
tolerance that is narrow against the uncertainty holds, it does not reject.

**Few degrees of freedom.** An uncertainty from n sections is itself uncertain: with finite degrees of freedom
the value's distribution is Student's, scaled and shifted (JCGM 101:2008, 6.4.9, from memory), which takes the
place of the normal one in guard bands and probabilities. From 200 on the two are one for all purposes here.

**Amplitudes near their noise.** Noise of u each way lifts the square of an amplitude by 2 u² on average, so
that an amplitude at a limit of 3 u would be rejected by a guard band of 1.65 u in 6.5 % of cases, not 5 %.
Rejecting therefore compares sqrt(A² - 2 u²), which keeps that rate at or below the stated one for limits from u
on (tests, by the distribution of Rice); accepting compares A itself, which errs on the safe side.

**Harmonics as a family.** Accepting asks each of n harmonics to prove its conformity, so that a wrong accept
needs one given harmonic to err: its risk is at most that of one comparison however large n is, and needs no
correction (an intersection-union test). Rejecting asks one of n to prove its nonconformity: by chance alone
1 - (1 - a)^n of the parts that lie at their limits would fail. Family ``sidak`` lets each err with
1 - (1 - a)^(1/n) instead, which makes the part's risk a when the noise of the harmonics is independent and less
when it is positively correlated, as with a common scale (Slepian's inequality).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from edgeagent.model import (
    COVERAGE_FACTOR,
    Analysis,
    Characteristic,
    DecisionPolicy,
    Disposition,
    FloatArray,
    JudgedSpectrum,
    Judgement,
    MeasurementPlan,
    Quantity,
    ScalarLimit,
    Spectrum,
    Verdict,
)
from edgeagent.model.reasons import Code, Reason, at_most, reason
from edgeagent.rules.limits import caution_bounds, curve_at, scalar_limits

GUARD_FACTOR = 1.65
"""Guard band in standard uncertainties (ISO 14253-1:2017, default conformance probability 95 %)."""
CONFORMANCE_PROBABILITY = 0.95
_REASONS_MAX = 20


def normal_quantile(probability: float) -> float:
    """The standard normal quantile, for a probability in (0, 1)."""
    # Loaded here since few policies need it and the module would delay every start.
    from statistics import NormalDist

    return NormalDist().inv_cdf(probability)


def guard_factors(policy: DecisionPolicy, judged: int = 1) -> tuple[float, float]:
    """Guard bands in standard uncertainties at one limit: for proving conformity, and nonconformity.

    ``judged`` is the number of values that are judged together, 1 or more.
    """
    if policy.rule == "simple":
        return 0.0, 0.0
    risk = policy.risk if policy.rule == "capped-risk" else 1.0 - policy.conformance
    if policy.rule == "guarded" and policy.conformance == CONFORMANCE_PROBABILITY:
        accept = GUARD_FACTOR
    else:
        accept = normal_quantile(1.0 - risk)
    if policy.family == "none" or judged < 2:
        return accept, accept
    return accept, normal_quantile((1.0 - risk) ** (1.0 / judged))


def _finite(degrees_of_freedom: float) -> bool:
    """Whether Student's distribution differs from the normal one: its 95 % quantile by more than 0.5 %."""
    return degrees_of_freedom < 200.0


def _student_factor(factor: float, degrees_of_freedom: float) -> float:
    """The number of standard uncertainties that leaves the same tail as ``factor`` does in a normal one."""
    if not _finite(degrees_of_freedom) or factor == 0.0:
        return factor
    from scipy.special import stdtrit  # only where a few sections tell an uncertainty

    tail = 0.5 * math.erfc(abs(factor) / math.sqrt(2.0))
    return math.copysign(float(-stdtrit(max(degrees_of_freedom, 1.0), tail)), factor)


def _policy(rule: str | DecisionPolicy) -> DecisionPolicy:
    return rule if isinstance(rule, DecisionPolicy) else DecisionPolicy.of(rule)


def conformance_probability(
    value: float,
    standard_uncertainty: float,
    lower: float | None,
    upper: float | None,
    degrees_of_freedom: float = math.inf,
) -> float:
    """Probability that the true value lies within the limits (JCGM 106, 7).

    For a normal distribution, or Student's where the uncertainty has few degrees of freedom.
    """
    if standard_uncertainty <= 0:
        inside = (lower is None or value >= lower) and (upper is None or value <= upper)
        return 1.0 if inside else 0.0

    def beyond(distance: float) -> float:
        """Probability of lying farther off the value than this to one side."""
        z = distance / standard_uncertainty
        if _finite(degrees_of_freedom):
            from scipy.special import stdtr

            return float(stdtr(max(degrees_of_freedom, 1.0), -z))
        return 0.5 * math.erfc(z / math.sqrt(2.0))

    # Tails are taken on the side where they are small, so that none is lost in a difference from 1.
    above = 0.0 if upper is None else beyond(upper - value)
    below = 0.0 if lower is None else beyond(value - lower)
    return max(1.0 - above - below, 0.0)


def verdict(
    value: float | None,
    standard_uncertainty: float | None,
    limit: ScalarLimit | None,
    rule: str | DecisionPolicy,
    degrees_of_freedom: float = math.inf,
    *,
    together: int = 1,
) -> Verdict:
    """What is known of one value against its limits.

    ``together`` values of one part, such as its turns, meet the same limit: each of them rejects only with a
    probability that makes the stated one for all of them (Šidák), whatever the policy's family.

    ``rule`` is a policy or its text. A value that could not be computed or is not finite is inconclusive
    where a limit asks for it. An unknown uncertainty counts as 0; the result then shows none.
    """
    policy = _policy(rule)
    if limit is None:
        return Verdict.UNJUDGED
    u = (standard_uncertainty or 0.0) if policy.rule != "simple" else 0.0
    if value is None or not math.isfinite(value) or not math.isfinite(u):
        return Verdict.INCONCLUSIVE
    if policy.rule == "capped-risk" and u > 0:
        found = _by_risk(value, u, limit, policy.risk, degrees_of_freedom, together)
        return found if found is not None else _with_caution(value, limit)
    guard = _student_factor(guard_factors(policy)[0], degrees_of_freedom) * u
    over = -math.inf if limit.upper is None else value - limit.upper
    under = -math.inf if limit.lower is None else limit.lower - value
    outside = max(over, under)
    if outside > 0 and outside >= max(guard, _rejecting_factor(policy, together, degrees_of_freedom) * u):
        return Verdict.NONCONFORMING
    if outside > -guard or outside > 0:
        return Verdict.INCONCLUSIVE
    if u > 0 and _probable(value, u, limit, degrees_of_freedom) < policy.conformance:
        return Verdict.INCONCLUSIVE
    return _with_caution(value, limit)


def _rejecting_factor(policy: DecisionPolicy, together: int, degrees_of_freedom: float) -> float:
    """Guard band of rejection in standard uncertainties where several values are judged together; 0 for one."""
    if together < 2 or policy.rule == "simple":
        return 0.0
    family = guard_factors(replace(policy, family="sidak"), together)[1]
    return _student_factor(family, degrees_of_freedom)


def _probable(value: float, u: float, limit: ScalarLimit, degrees_of_freedom: float) -> float:
    return conformance_probability(value, u, limit.lower, limit.upper, degrees_of_freedom)


def _by_risk(
    value: float, u: float, limit: ScalarLimit, risk: float, degrees_of_freedom: float, together: int
) -> Verdict | None:
    """Verdict of the capped risk, None for conforming."""
    if 1.0 - _probable(value, u, limit, degrees_of_freedom) <= risk:
        return None
    within = [
        conformance_probability(value, u, low, high, degrees_of_freedom)
        for low, high in ((None, limit.upper), (limit.lower, None))
        if low is not None or high is not None
    ]
    inside = min(within, default=1.0)
    each = 1.0 - (1.0 - risk) ** (1.0 / together)
    return Verdict.NONCONFORMING if inside <= each else Verdict.INCONCLUSIVE


def _with_caution(value: float, limit: ScalarLimit) -> Verdict:
    low, high = caution_bounds(limit)
    if (low is not None and value < low) or (high is not None and value > high):
        return Verdict.CAUTION
    return Verdict.CONFORMING


def judge_spectrum(
    spectrum: Spectrum,
    plan: MeasurementPlan | None,
    rule: str | DecisionPolicy,
    uncertainty_nm: FloatArray | None = None,
    *,
    beside: int = 0,
) -> JudgedSpectrum:
    """Every harmonic against the limit curves. The curves are upper limits of amplitudes in nm.

    ``uncertainty_nm``, the standard uncertainties of shape (n,) where a budget adds to the spectrum's noise.
    ``beside`` is the number of other waves that are judged together with these.
    """
    u = spectrum.noise_nm if uncertainty_nm is None else uncertainty_nm
    upper, caution = curve_at(plan.curve_limits if plan else (), spectrum.upr.astype(np.float64))
    over = spectrum.amplitude_nm - upper
    with np.errstate(invalid="ignore", over="ignore"):
        sure = np.sqrt(np.maximum(spectrum.amplitude_nm**2 - 2 * u**2, 0.0)) - upper
    policy = _policy(rule)
    accepting, rejecting = guard_factors(policy, beside + int(np.count_nonzero(np.isfinite(upper))))
    # A risk of one half or more accepts beyond the limit; then nothing is left to be inconclusive.
    rejecting = max(rejecting, -accepting)
    codes = np.zeros(len(over), dtype=np.int64)
    codes[spectrum.amplitude_nm > caution] = 1
    codes[(over > -accepting * u) | ((over > 0) & (accepting >= 0))] = 2
    if accepting <= 0:  # the bare value counts, or a risk of more than one half
        sure = over
    codes[(over > 0) & (sure >= rejecting * u) & (codes == 2)] = 3
    codes[~np.isfinite(spectrum.amplitude_nm) | ((policy.rule != "simple") & ~np.isfinite(u))] = 2
    codes[np.isnan(upper)] = 4
    verdicts = tuple(_BY_CODE[code] for code in codes.tolist())
    return JudgedSpectrum(spectrum, upper, caution, verdicts, uncertainty_nm)


_BY_CODE = (
    Verdict.CONFORMING,
    Verdict.CAUTION,
    Verdict.INCONCLUSIVE,
    Verdict.NONCONFORMING,
    Verdict.UNJUDGED,
)


def judge(
    analysis: Analysis,
    plan: MeasurementPlan | None,
    rule: str | DecisionPolicy,
    *,
    extra_limits: Sequence[ScalarLimit] = (),
    holds: Sequence[Reason] = (),
    uncertainty_nm: FloatArray | None = None,
    orders_uncertainty_nm: FloatArray | None = None,
) -> Judgement:
    """Verdicts of all values and the disposition of the file.

    ``plan`` is the recipe's measurement, None when there is none. ``extra_limits`` are a standard's limits
    that the plan's grade asks for; ``holds`` are reasons from outside the trace that forbid acceptance;
    ``uncertainty_nm`` are the harmonics' standard uncertainties where a budget says more than their noise,
    ``orders_uncertainty_nm`` those of the waves between whole orders, which the same curves limit.
    Nonconformity rejects whatever else is wrong; anything doubtful holds; else the file is accepted.
    """
    rule = _policy(rule)
    limits = (*(plan.scalar_limits if plan else ()), *extra_limits)
    turns = sum(q.name == "roundness_total" and q.instance.startswith("turn[") for q in analysis.quantities)
    judged = [
        _characteristic(
            q,
            scalar_limits(limits, q.name, q.instance),
            rule,
            turns if q.instance.startswith("turn[") else 1,
        )
        for q in analysis.quantities
    ]
    missing = [_unmeasured(x) for x in limits if not _measured(x, analysis.quantities)]
    spectrum, orders = _judged_waves(analysis, plan, rule, uncertainty_nm, orders_uncertainty_nm)
    harmonics = [
        c for found in (spectrum, orders) if found is not None for c in _harmonic_characteristics(found)
    ]
    if plan is not None and not _covers(spectrum, plan):
        missing.append(
            Characteristic("harmonic_amplitude", "", None, "nm", None, None, None, None, Verdict.INCONCLUSIVE)
        )
    everything = (*judged, *missing, *harmonics)
    failed = (c for c in analysis.quality if not c.ok)
    reasons = [*holds, *(reason(Code.CHECK_FAILED, check=c.check, note=c.note) for c in failed)]
    order = (Verdict.NONCONFORMING, Verdict.INCONCLUSIVE)
    doubtful = [(c, _reason(c)) for wanted in order for c in everything if c.verdict == wanted]
    rejecting = [s for c, s in doubtful if c.verdict == Verdict.NONCONFORMING]
    holding = [s for c, s in doubtful if c.verdict == Verdict.INCONCLUSIVE]
    if rejecting:
        disposition, reasons = Disposition.REJECT, [*rejecting, *holding, *reasons]
    elif holding or reasons:
        disposition, reasons = Disposition.HOLD, [*reasons, *holding]
    elif plan is None:
        disposition, reasons = Disposition.HOLD, [reason(Code.NOTHING_ASKED)]
    else:
        disposition = Disposition.ACCEPT
        reasons = [_reason(c) for c in everything if c.verdict == Verdict.CAUTION]
    return Judgement(everything, spectrum, disposition, at_most(reasons, _REASONS_MAX), orders)


def _judged_waves(
    analysis: Analysis,
    plan: MeasurementPlan | None,
    policy: DecisionPolicy,
    uncertainty_nm: FloatArray | None,
    orders_uncertainty_nm: FloatArray | None,
) -> tuple[JudgedSpectrum | None, JudgedSpectrum | None]:
    """Whole orders and the waves between them, one family; None where the trace has none."""
    whole, between = analysis.spectrum, analysis.orders
    curves = plan.curve_limits if plan else ()
    count = [
        0 if s is None else int(np.count_nonzero(np.isfinite(curve_at(curves, s.upr.astype(np.float64))[0])))
        for s in (whole, between)
    ]
    return (
        None if whole is None else judge_spectrum(whole, plan, policy, uncertainty_nm, beside=count[1]),
        None
        if between is None
        else judge_spectrum(between, plan, policy, orders_uncertainty_nm, beside=count[0]),
    )


def _expanded(u: float | None) -> float | None:
    """None for an infinite one, too: a value whose error has no bound is told by its verdict."""
    return None if u is None or not math.isfinite(u) else COVERAGE_FACTOR * u


def _probability(
    value: float | None,
    u: float | None,
    lower: float | None,
    upper: float | None,
    degrees_of_freedom: float = math.inf,
) -> float | None:
    if value is None or u is None or (lower is None and upper is None):
        return None
    if not math.isfinite(value) or not math.isfinite(u):
        return None
    return conformance_probability(value, u, lower, upper, degrees_of_freedom)


def _characteristic(
    q: Quantity, limit: ScalarLimit | None, rule: DecisionPolicy, together: int = 1
) -> Characteristic:
    lower, upper = (limit.lower, limit.upper) if limit is not None else (None, None)
    low, high = caution_bounds(limit) if limit is not None else (None, None)
    return Characteristic(
        name=q.name,
        instance=q.instance,
        value=q.value,
        unit=q.unit,
        expanded_uncertainty=_expanded(q.standard_uncertainty),
        lower=lower,
        upper=upper,
        caution=high if high is not None else low,
        verdict=verdict(q.value, q.standard_uncertainty, limit, rule, q.degrees_of_freedom, together=together),
        caution_lower=low if high is not None else None,
        conformance_probability=_probability(
            q.value, q.standard_uncertainty, lower, upper, q.degrees_of_freedom
        ),
    )


def _measured(limit: ScalarLimit, quantities: Sequence[Quantity]) -> bool:
    return any(q.name == limit.characteristic and limit.instance in (None, q.instance) for q in quantities)


def _covers(judged: JudgedSpectrum | None, plan: MeasurementPlan) -> bool:
    """Whether the spectrum has a harmonic for every UPR that the plan's curves judge."""
    highest = 0 if judged is None else int(judged.spectrum.upr.max(initial=0))
    return all(highest >= int(curve.upr[-1]) for curve in plan.curve_limits)


def _unmeasured(limit: ScalarLimit) -> Characteristic:
    """A limit for which the trace yields no value is never passed by silence."""
    return Characteristic(
        limit.characteristic,
        limit.instance or "",
        None,
        "",
        None,
        limit.lower,
        limit.upper,
        None,
        Verdict.INCONCLUSIVE,
    )


def _harmonic_characteristics(judged: JudgedSpectrum) -> list[Characteristic]:
    """The harmonic nearest to or farthest over its limit, and every one that is not conforming."""
    share = judged.spectrum.amplitude_nm / judged.upper_nm
    nearest = np.where(np.isnan(judged.upper_nm), -1.0, np.where(np.isnan(share), np.inf, share))
    if not len(nearest) or nearest.max() < 0:
        return []
    worst = int(np.argmax(nearest))
    rest = [i for i, v in enumerate(judged.verdicts) if v in _NOTABLE and i != worst]
    rest.sort(key=lambda i: -nearest[i])
    return [_harmonic(judged, i) for i in (worst, *rest)]


_NOTABLE = (Verdict.CAUTION, Verdict.INCONCLUSIVE, Verdict.NONCONFORMING)


def _harmonic(judged: JudgedSpectrum, i: int) -> Characteristic:
    def finite(values: FloatArray) -> float | None:
        return float(values[i]) if np.isfinite(values[i]) else None

    own = judged.uncertainty_nm
    u = finite(judged.spectrum.noise_nm if own is None else own)
    value, upper = finite(judged.spectrum.amplitude_nm), finite(judged.upper_nm)
    return Characteristic(
        name="harmonic_amplitude",
        instance=_order_name(float(judged.spectrum.upr[i])),
        value=value,
        unit="nm",
        expanded_uncertainty=_expanded(u),
        lower=None,
        upper=upper,
        caution=finite(judged.caution_nm),
        verdict=judged.verdicts[i],
        conformance_probability=_probability(value, u, None, upper),
    )


def _order_name(upr: float) -> str:
    """Instance of a harmonic: 37, and 37.33 between whole orders."""
    return str(int(upr)) if upr == int(upr) else f"{upr:.2f}"


def _reason(c: Characteristic) -> Reason:
    if c.value is None:
        return reason(Code.NO_VALUE, name=c.name, instance=c.instance)
    return reason(
        _CODES[c.verdict],
        name=c.name,
        instance=c.instance,
        value=c.value,
        unit=c.unit,
        expanded_uncertainty=c.expanded_uncertainty,
        lower=c.lower,
        upper=c.upper,
    )


_CODES = {
    Verdict.NONCONFORMING: Code.OUTSIDE_LIMIT,
    Verdict.INCONCLUSIVE: Code.UNDECIDABLE,
    Verdict.CAUTION: Code.NEAR_LIMIT,
}

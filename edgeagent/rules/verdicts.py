"""From one value, its uncertainty and its limits to a verdict (ISO 14253-1, JCGM 106).

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
"""

from __future__ import annotations

import math
from dataclasses import replace
from functools import lru_cache

from edgeagent.model import DecisionPolicy, ScalarLimit, Verdict
from edgeagent.rules.limits import caution_bounds

GUARD_FACTOR = 1.65
"""Guard band in standard uncertainties (ISO 14253-1:2017, default conformance probability 95 %)."""
CONFORMANCE_PROBABILITY = 0.95


def normal_quantile(probability: float) -> float:
    """The standard normal quantile, for a probability in (0, 1)."""
    # Loaded here since few policies need it and the module would delay every start.
    from statistics import NormalDist

    return NormalDist().inv_cdf(probability)


@lru_cache(maxsize=1024)
def guard_factors(policy: DecisionPolicy, judged: int = 1) -> tuple[float, float]:
    """Guard bands in standard uncertainties at one limit: for proving conformity, and nonconformity.

    ``judged`` is the number of values that are judged together, 1 or more.
    """
    if policy.rule == "simple":
        return 0.0, 0.0
    risk = policy.risk if policy.rule == "capped-risk" else 1.0 - policy.conformance
    # The standard's rounded 1.65, not the quantile 1.645: an auditor computes with the printed number.
    if policy.rule == "guarded" and policy.conformance == CONFORMANCE_PROBABILITY:
        accept = GUARD_FACTOR
    else:
        accept = normal_quantile(1.0 - risk)
    if policy.family == "none" or judged < 2:
        return accept, accept
    # Accepting needs no correction (see `decision`); rejecting one of many does.
    return accept, normal_quantile((1.0 - risk) ** (1.0 / judged))


def _finite(degrees_of_freedom: float) -> bool:
    """Whether Student's distribution differs from the normal one: its 95 % quantile by more than 0.5 %."""
    return degrees_of_freedom < 200.0


def student_factor(factor: float, degrees_of_freedom: float) -> float:
    """The number of standard uncertainties that leaves the same tail as ``factor`` does in a normal one."""
    if not _finite(degrees_of_freedom) or factor == 0.0:
        return factor
    from scipy.special import stdtrit  # only where a few sections yield an uncertainty

    # Through the upper tail: 1 - tail would lose all its digits at six standard uncertainties.
    tail = 0.5 * math.erfc(abs(factor) / math.sqrt(2.0))
    return math.copysign(float(-stdtrit(max(degrees_of_freedom, 1.0), tail)), factor)


def policy_of(rule: str | DecisionPolicy) -> DecisionPolicy:
    """A policy, or the one that a text says. Raises ValueError for a text that says none."""
    return rule if isinstance(rule, DecisionPolicy) else _policy_of_text(rule)


@lru_cache(maxsize=64)
def _policy_of_text(text: str) -> DecisionPolicy:
    return DecisionPolicy.of(text)


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
    probable: float | None = None,
) -> Verdict:
    """What is known of one value against its limits.

    ``together`` values of one part, such as its turns, meet the same limit: each of them rejects only with a
    probability that makes the stated one for all of them (Šidák), whatever the policy's family.

    ``rule`` is a policy or its text. A value that could not be computed or is not finite is inconclusive
    where a limit asks for it. An unknown uncertainty counts as 0; the result then shows none. ``probable`` is
    the value's conformance probability where the caller has it.
    """
    policy = policy_of(rule)
    if limit is None:
        return Verdict.UNJUDGED
    # "simple" must not hold a part for an uncertainty that it disregards, so that it is dropped here, once.
    u = (standard_uncertainty or 0.0) if policy.rule != "simple" else 0.0
    if value is None or not math.isfinite(value) or not math.isfinite(u):
        return Verdict.INCONCLUSIVE
    if policy.rule == "capped-risk" and u > 0:
        found = _by_risk(value, u, limit, policy.risk, degrees_of_freedom, together)
        return found if found is not None else _with_caution(value, limit)
    guard = student_factor(guard_factors(policy)[0], degrees_of_freedom) * u
    over = -math.inf if limit.upper is None else value - limit.upper
    under = -math.inf if limit.lower is None else limit.lower - value
    outside = max(over, under)
    # With u = 0 every guard band is 0; a value exactly on its limit is then inside, as the limit includes it.
    if outside > 0 and outside >= max(guard, _rejecting_factor(policy, together, degrees_of_freedom) * u):
        return Verdict.NONCONFORMING
    if outside > -guard or outside > 0:
        return Verdict.INCONCLUSIVE
    # Two limits near each other: clear of both by 1.65 u, and still beyond one or the other with more than 5 %.
    if u > 0 and probable is None:
        probable = _probable(value, u, limit, degrees_of_freedom)
    if u > 0 and probable is not None and probable < policy.conformance:
        return Verdict.INCONCLUSIVE
    return _with_caution(value, limit)


def _rejecting_factor(policy: DecisionPolicy, together: int, degrees_of_freedom: float) -> float:
    """Guard band of rejection in standard uncertainties where several values are judged together; 0 for one."""
    if together < 2 or policy.rule == "simple":
        return 0.0
    family = guard_factors(replace(policy, family="sidak"), together)[1]
    return student_factor(family, degrees_of_freedom)


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
    # One side at a time: a tolerance narrower than its uncertainty is never proved exceeded by its narrowness.
    inside = min(within, default=1.0)
    each = 1.0 - (1.0 - risk) ** (1.0 / together)
    return Verdict.NONCONFORMING if inside <= each else Verdict.INCONCLUSIVE


def _with_caution(value: float, limit: ScalarLimit) -> Verdict:
    low, high = caution_bounds(limit)
    if (low is not None and value < low) or (high is not None and value > high):
        return Verdict.CAUTION
    return Verdict.CONFORMING

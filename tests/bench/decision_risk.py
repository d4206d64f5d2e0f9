"""Realised rates of wrong decisions against the stated ones: 20,000 synthetic parts for each line of the table.

Parts lie at their limit, where the risk is largest, or at a stated distance from it; noise is normal with known
standard uncertainty. A stated rate below is that of the rule's own definition; the realised one must lie inside
the binomial 99 % interval around it. Exit code 1 when one does not.
"""

from __future__ import annotations

import sys
from statistics import NormalDist

import numpy as np
from scipy.stats import binom

from edgeagent.model import (
    Analysis,
    CurveLimit,
    DecisionPolicy,
    MeasurementPlan,
    Quantity,
    ScalarLimit,
    Spectrum,
)
from edgeagent.rules.decision import judge

PARTS = 20_000
HARMONICS = 100
LIMIT = 10.0
PHI = NormalDist().cdf
SCALAR = MeasurementPlan("f", "circle", None, (ScalarLimit(characteristic="x", upper=LIMIT),))
CURVE = MeasurementPlan(
    "f", "circle", None, curve_limits=(CurveLimit(np.array([2.0, HARMONICS + 1]), np.full(2, LIMIT), None),)
)


def share_of_one(policy: DecisionPolicy, true: float, wanted: str, rng: np.random.Generator) -> int:
    """How many parts with this true value, measured with u = 1, get the disposition ``wanted``."""
    values = rng.normal(true, 1.0, PARTS)
    return sum(
        judge(Analysis((), (Quantity("x", float(v), "um", "", 1.0),)), SCALAR, policy).disposition == wanted
        for v in values
    )


def share_of_many(
    policy: DecisionPolicy, true: np.ndarray, wanted: str, rng: np.random.Generator, scale: float = 0.0
) -> int:
    """The same for parts with HARMONICS judged harmonics; ``scale`` is the noise that all share."""
    upr, phase, noise = np.arange(1, HARMONICS + 2), np.zeros(HARMONICS + 1), np.ones(HARMONICS + 1)
    found = 0
    for _ in range(PARTS):
        own = rng.normal(0.0, np.sqrt(1 - scale**2), HARMONICS) + scale * rng.normal()
        spectrum = Spectrum(upr, np.concatenate(([0.0], true + own)), phase, noise)
        found += judge(Analysis((), (), spectrum), CURVE, policy).disposition == wanted
    return found


def line(what: str, stated: float, count: int, *, at_most: bool = False) -> bool:
    """Print one line; whether the realised rate is inside the interval, or below it."""
    low, high = binom.ppf([0.005, 0.995], PARTS, stated) / PARTS
    inside = count / PARTS <= high and (at_most or count / PARTS >= low)
    interval = f"{'0' if at_most else f'{low:.4f}'} to {high:.4f}"
    print(f"{what:<78} {stated:7.4f} {count / PARTS:9.4f}  {interval:<17} {'yes' if inside else 'NO'}")
    return inside


def single_values(rng: np.random.Generator) -> list[bool]:
    """Each rule on one value."""
    ok = []
    for policy in (DecisionPolicy(), DecisionPolicy(conformance=0.99), DecisionPolicy("capped-risk", risk=0.1)):
        if policy.rule == "guarded":
            stated = PHI(-1.65) if policy.conformance == 0.95 else 1 - policy.conformance
        else:
            stated = policy.risk
        for wanted, what in (("accept", "false accept"), ("reject", "false reject")):
            # A value at the limit may be called bad or good: either wrong decision has its stated risk.
            ok.append(
                line(
                    f"{policy.text}: {what}, value at the limit",
                    stated,
                    share_of_one(policy, LIMIT, wanted, rng),
                )
            )
    simple = DecisionPolicy("simple")
    ok.append(
        line("simple: false accept, value 1 u over", PHI(-1), share_of_one(simple, LIMIT + 1, "accept", rng))
    )
    ok.append(
        line("simple: false reject, value 1 u under", PHI(-1), share_of_one(simple, LIMIT - 1, "reject", rng))
    )
    return ok


def families(rng: np.random.Generator) -> list[bool]:
    """Parts with many harmonics, with and without the correction."""
    n = HARMONICS
    at_limit, one_bad = np.full(n, LIMIT), np.full(n, LIMIT - 6)
    one_bad[n // 2] = LIMIT
    plain, family = DecisionPolicy(), DecisionPolicy(family="sidak")
    capped = DecisionPolicy("capped-risk", risk=0.1, family="sidak")
    chance = 1 - (1 - PHI(-1.65)) ** n
    return [
        line(
            f"guarded, no correction: false reject, {n} harmonics at the limit",
            chance,
            share_of_many(plain, at_limit, "reject", rng),
        ),
        line(
            f"guarded, sidak: false reject, {n} harmonics at the limit",
            0.05,
            share_of_many(family, at_limit, "reject", rng),
        ),
        line(
            "guarded, sidak: the same, half the noise's variance in common",
            0.05,
            share_of_many(family, at_limit, "reject", rng, scale=0.5**0.5),
            at_most=True,
        ),
        line(
            "guarded, sidak: false accept, one harmonic at the limit, the others good",
            PHI(-1.65),
            share_of_many(family, one_bad, "accept", rng),
        ),
        line(
            f"capped-risk 0.1, sidak: false reject, {n} harmonics at the limit",
            0.1,
            share_of_many(capped, at_limit, "reject", rng),
        ),
        line(
            "capped-risk 0.1, sidak: false accept, one harmonic at the limit, the others good",
            0.1,
            share_of_many(capped, one_bad, "accept", rng),
        ),
    ]


def main() -> int:
    """Print the table."""
    rng = np.random.default_rng(20_261_125)
    print(f"{'rule, decision, parts':<78} {'stated':>7} {'realised':>9}  {'binomial 99 %':<17} inside")
    return 0 if all([*single_values(rng), *families(rng)]) else 1


if __name__ == "__main__":
    sys.exit(main())

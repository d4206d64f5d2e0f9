"""Whether an artefact's trace is merely too noisy to decide, or proves in spite of its noise what is wrong.

A trace too noisy to decide is no evidence against its instrument; but noise must not hide what is proved.
Each value that is not conforming is asked whether noise alone explains it.

**E_n numbers** carry the trace's own uncertainty, so that what lies outside in spite of it is wrong. Of n
numbers the largest may lie outside by chance: within k = 2 each is with 95.45 %, and all of n together are so
within en_max times z(n)/2, where z(n) is the two-sided normal quantile of 0.9545^(1/n) (Šidák; for one number
en_max itself).

**The largest of n waves that should not be there.** In pure noise of u each way an amplitude A is exceeded with
exp(-A² / 2 u²) (Rayleigh), by one of n with 1 - (1 - that)^n. Noise explains it while that is NOISE_RISK or
more. What is less likely is a wave: then it is known which, and it alone is compared with its limit, as
sqrt(A² - 2 u²) with 1.65 u (`decision`, `verdicts`).

Everything else, such as a limit of the noise itself, is a limit that somebody stated: noise does not excuse it.
Derived here.
"""

from __future__ import annotations

import math

from edgeagent.model import COVERAGE_FACTOR, Analysis, Characteristic, Disposition, Judgement, Verdict
from edgeagent.rules.verdicts import GUARD_FACTOR, normal_quantile

NOISE_RISK = 1e-3
"""How unlikely noise alone must be for the largest of many waves to count as a wave."""
_WAVES = ("spurious_amplitude", "side_band_amplitude")


def undecided_by_noise(analysis: Analysis, judgement: Judgement) -> bool:
    """Whether an artefact's trace is held for nothing but its noise, and nothing in it is proved wrong.

    Any failed check but ``trace_uncertainty``, a value that is not there and an uncertainty that is not known
    are other grounds. ``judgement`` is that of ``analysis``, without holds from outside the trace.
    """
    # A reject is proof, whatever the noise is.
    if judgement.disposition != Disposition.HOLD:
        return False
    # `trace_uncertainty` without a value means unknown noise: unknown excuses nothing.
    if any(not c.ok and (c.check != "trace_uncertainty" or c.value is None) for c in analysis.quality):
        return False
    among = {(q.name, q.instance): q.among for q in analysis.quantities}
    numbers = sum(c.name == "en_number" for c in judgement.characteristics)
    doubtful = (
        c for c in judgement.characteristics if c.verdict in (Verdict.INCONCLUSIVE, Verdict.NONCONFORMING)
    )
    return all(_noise_explains(c, among.get((c.name, c.instance), 1), numbers) for c in doubtful)


def _noise_explains(c: Characteristic, among: int, numbers: int) -> bool:
    """Whether noise explains why a value is not conforming."""
    if c.value is None or c.upper is None or not math.isfinite(c.value):
        return False
    if c.name == "en_number":
        return abs(c.value) <= c.upper * _family_factor(numbers)
    if c.name not in _WAVES or not c.expanded_uncertainty:
        return False
    u = c.expanded_uncertainty / COVERAGE_FACTOR
    # expm1 and log1p: with 450 waves and chances of 1e-12 the plain powers would round to 0.
    chance = math.exp(-0.5 * (c.value / u) ** 2)
    if chance >= 1.0 or -math.expm1(among * math.log1p(-chance)) >= NOISE_RISK:
        return True
    # A value that noise would hardly show is 3.7 u at least, so that the root is one of a positive number.
    return math.sqrt(c.value**2 - 2.0 * u**2) < c.upper + GUARD_FACTOR * u


def _family_factor(numbers: int) -> float:
    """How much farther than one the largest of so many E_n numbers may lie out by chance; 1 for one."""
    inside = math.erf(COVERAGE_FACTOR / math.sqrt(2.0)) ** (1.0 / max(numbers, 1))
    return normal_quantile(0.5 * (1.0 + inside)) / COVERAGE_FACTOR

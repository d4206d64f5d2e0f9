"""From values, uncertainties and limits to verdicts and a disposition (ISO 14253-1, JCGM 106).

Rule ``guarded``: conformity is proved when a value lies inside its limits by at least the guard band,
nonconformity when it lies outside by at least the guard band; between the two the value is inconclusive. The
guard band is 1.65 standard uncertainties, which gives at least 95 % conformance probability at one limit
(ISO 14253-1:2017; JCGM 106, table 1). Where two limits are so close that both tails count, the probability
itself must reach 95 %. Rule ``simple``: value against limit, uncertainty disregarded.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from edgeagent.model import (
    COVERAGE_FACTOR,
    Analysis,
    Characteristic,
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
from edgeagent.rules.limits import caution_bounds, curve_at, scalar_limits

GUARD_FACTOR = 1.65
"""Guard band in standard uncertainties (ISO 14253-1:2017, default conformance probability 95 %)."""
CONFORMANCE_PROBABILITY = 0.95
_REASONS_MAX = 20


def conformance_probability(
    value: float, standard_uncertainty: float, lower: float | None, upper: float | None
) -> float:
    """Probability that the true value lies within the limits, for a normal distribution (JCGM 106, 7)."""
    if standard_uncertainty <= 0:
        inside = (lower is None or value >= lower) and (upper is None or value <= upper)
        return 1.0 if inside else 0.0

    def below(bound: float) -> float:
        return 0.5 * math.erfc((value - bound) / (standard_uncertainty * math.sqrt(2)))

    return (1.0 if upper is None else below(upper)) - (0.0 if lower is None else below(lower))


def verdict(
    value: float | None, standard_uncertainty: float | None, limit: ScalarLimit | None, rule: str
) -> Verdict:
    """What is known of one value against its limits.

    ``rule`` is ``guarded`` or ``simple``. A value that could not be computed or is not finite is inconclusive
    where a limit asks for it. An unknown uncertainty counts as 0; the result then shows none.
    """
    if limit is None:
        return Verdict.UNJUDGED
    u = (standard_uncertainty or 0.0) if rule == "guarded" else 0.0
    if value is None or not math.isfinite(value) or not math.isfinite(u):
        return Verdict.INCONCLUSIVE
    guard = GUARD_FACTOR * u
    over = -math.inf if limit.upper is None else value - limit.upper
    under = -math.inf if limit.lower is None else limit.lower - value
    outside = max(over, under)
    if outside > 0 and outside >= guard:
        return Verdict.NONCONFORMING
    if outside > -guard or outside > 0:
        return Verdict.INCONCLUSIVE
    if u > 0 and conformance_probability(value, u, limit.lower, limit.upper) < CONFORMANCE_PROBABILITY:
        return Verdict.INCONCLUSIVE
    low, high = caution_bounds(limit)
    if (low is not None and value < low) or (high is not None and value > high):
        return Verdict.CAUTION
    return Verdict.CONFORMING


def judge_spectrum(spectrum: Spectrum, plan: MeasurementPlan | None, rule: str) -> JudgedSpectrum:
    """Every harmonic against the limit curves. The curves are upper limits of amplitudes in nm."""
    upper, caution = curve_at(plan.curve_limits if plan else (), spectrum.upr.astype(np.float64))
    over = spectrum.amplitude_nm - upper
    guard = GUARD_FACTOR * spectrum.noise_nm if rule == "guarded" else np.zeros(len(over))
    codes = np.zeros(len(over), dtype=np.int64)
    codes[spectrum.amplitude_nm > caution] = 1
    codes[(over > -guard) | (over > 0)] = 2
    codes[(over > 0) & (over >= guard)] = 3
    codes[~np.isfinite(spectrum.amplitude_nm) | ~np.isfinite(guard)] = 2
    codes[np.isnan(upper)] = 4
    return JudgedSpectrum(spectrum, upper, caution, tuple(_BY_CODE[code] for code in codes.tolist()))


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
    rule: str,
    *,
    extra_limits: Sequence[ScalarLimit] = (),
    holds: Sequence[str] = (),
) -> Judgement:
    """Verdicts of all values and the disposition of the file.

    ``plan`` is the recipe's measurement, None when there is none. ``extra_limits`` are a standard's limits
    that the plan's grade asks for; ``holds`` are reasons from outside the trace that forbid acceptance.
    Nonconformity rejects whatever else is wrong; anything doubtful holds; else the file is accepted.
    """
    limits = (*(plan.scalar_limits if plan else ()), *extra_limits)
    judged = [_characteristic(q, scalar_limits(limits, q.name, q.instance), rule) for q in analysis.quantities]
    missing = [_unmeasured(x) for x in limits if not _measured(x, analysis.quantities)]
    spectrum = judge_spectrum(analysis.spectrum, plan, rule) if analysis.spectrum is not None else None
    harmonics = _harmonic_characteristics(spectrum) if spectrum is not None else []
    if plan is not None and not _covers(spectrum, plan):
        missing.append(
            Characteristic("harmonic_amplitude", "", None, "nm", None, None, None, None, Verdict.INCONCLUSIVE)
        )
    everything = (*judged, *missing, *harmonics)
    reasons = [*holds, *(f"{c.check}: {c.note}" for c in analysis.quality if not c.ok)]
    order = (Verdict.NONCONFORMING, Verdict.INCONCLUSIVE)
    doubtful = [(c, _sentence(c)) for wanted in order for c in everything if c.verdict == wanted]
    rejecting = [s for c, s in doubtful if c.verdict == Verdict.NONCONFORMING]
    holding = [s for c, s in doubtful if c.verdict == Verdict.INCONCLUSIVE]
    if rejecting:
        disposition, reasons = Disposition.REJECT, [*rejecting, *holding, *reasons]
    elif holding or reasons:
        disposition, reasons = Disposition.HOLD, [*reasons, *holding]
    elif plan is None:
        disposition, reasons = Disposition.HOLD, ["no recipe says what this trace must be"]
    else:
        disposition = Disposition.ACCEPT
        reasons = [_sentence(c) for c in everything if c.verdict == Verdict.CAUTION]
    return Judgement(everything, spectrum, disposition, _shortened(reasons))


def _shortened(reasons: Sequence[str]) -> tuple[str, ...]:
    if len(reasons) <= _REASONS_MAX:
        return tuple(reasons)
    return (*reasons[:_REASONS_MAX], f"and {len(reasons) - _REASONS_MAX} more")


def _expanded(u: float | None) -> float | None:
    return None if u is None else COVERAGE_FACTOR * u


def _characteristic(q: Quantity, limit: ScalarLimit | None, rule: str) -> Characteristic:
    low, high = caution_bounds(limit) if limit is not None else (None, None)
    return Characteristic(
        name=q.name,
        instance=q.instance,
        value=q.value,
        unit=q.unit,
        expanded_uncertainty=_expanded(q.standard_uncertainty),
        lower=limit.lower if limit else None,
        upper=limit.upper if limit else None,
        caution=high if high is not None else low,
        verdict=verdict(q.value, q.standard_uncertainty, limit, rule),
        caution_lower=low if high is not None else None,
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

    return Characteristic(
        name="harmonic_amplitude",
        instance=str(int(judged.spectrum.upr[i])),
        value=finite(judged.spectrum.amplitude_nm),
        unit="nm",
        expanded_uncertainty=_expanded(finite(judged.spectrum.noise_nm)),
        lower=None,
        upper=finite(judged.upper_nm),
        caution=finite(judged.caution_nm),
        verdict=judged.verdicts[i],
    )


def _sentence(c: Characteristic) -> str:
    name = f"{c.name} {c.instance}".strip() + (" UPR" if c.name == "harmonic_amplitude" and c.instance else "")
    if c.value is None:
        return f"{name}: no value, though the recipe limits it"
    found = f"{name} {c.value:.5g} {c.unit}"
    if c.expanded_uncertainty is not None:
        found += f" ± {c.expanded_uncertainty:.2g}"
    bounds = [f"lower limit {c.lower:.5g}" if c.lower is not None else ""]
    bounds.append(f"upper limit {c.upper:.5g}" if c.upper is not None else "")
    against = ", ".join(b for b in bounds if b)
    words = {
        Verdict.NONCONFORMING: "is outside its",
        Verdict.INCONCLUSIVE: "cannot be told from its",
        Verdict.CAUTION: "is near its",
    }
    return f"{found} {words.get(c.verdict, 'is within its')} {against}"

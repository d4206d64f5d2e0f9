"""From values, uncertainties and limits to verdicts and a disposition (ISO 14253-1, JCGM 106).

What one value proves stands in `verdicts`; here many are judged together.

**Amplitudes near their noise.** Noise of u each way lifts the square of an amplitude by 2 u² on average, so
that an amplitude at a limit of 3 u would be rejected by a guard band of 1.65 u in 6.5 % of cases, not 5 %.
Rejecting therefore compares sqrt(A² - 2 u²), which keeps that rate at or below the stated one for limits from u
on (tests, by the distribution of Rice); accepting compares A itself, which errs on the safe side.

**Harmonics as a family.** Accepting asks each of n harmonics to prove its conformity, so that a wrong accept
needs one given harmonic to err: its risk is at most that of one comparison however large n is, and needs no
correction (an intersection-union test). Rejecting asks one of n to prove its nonconformity: by chance alone
1 - (1 - a)^n of the parts that lie at their limits would fail. Family ``sidak`` lets each err with
1 - (1 - a)^(1/n) instead, which makes the part's risk a when the noise of the harmonics is independent and less
when it is positively correlated, as with a common scale (Slepian's inequality). n counts the harmonics of all
traces of the part, each trace taken to have as many as this one.

**Failed checks.** A value that a failed check touches (`rules.touched`) proves nothing: it rejects nothing, and
its file is held.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

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
from edgeagent.model.reasons import Code, Parameter, Reason, at_most, reason
from edgeagent.rules.limits import LimitLookup, is_turn
from edgeagent.rules.touched import touching
from edgeagent.rules.verdicts import conformance_probability, guard_factors, policy_of, verdict

# A record has room for so many beside its characteristics.
_REASONS_MAX = 20
TURNS_COUNTED_BY = "roundness_total"
"""Every whole turn has this value: as many as there are, so many turns are one family."""


def judge_spectrum(
    spectrum: Spectrum,
    plan: MeasurementPlan | None,
    rule: str | DecisionPolicy,
    uncertainty_nm: FloatArray | None = None,
    *,
    beside: int = 0,
    traces: int = 1,
    limits: LimitLookup | None = None,
) -> JudgedSpectrum:
    """Every harmonic against the limit curves. The curves are upper limits of amplitudes in nm.

    ``uncertainty_nm``, the standard uncertainties of shape (n,) where a budget adds to the spectrum's noise.
    ``beside`` is the number of other waves that are judged together with these, ``traces`` that of the part's
    traces with as many; ``limits`` are the plan's.
    """
    (judged,) = judge_spectra(
        (spectrum,), plan, rule, (uncertainty_nm,), beside=(beside,), traces=traces, limits=limits
    )
    return judged


def judge_spectra(
    spectra: Sequence[Spectrum],
    plan: MeasurementPlan | None,
    rule: str | DecisionPolicy,
    uncertainties_nm: Sequence[FloatArray | None],
    *,
    beside: Sequence[int],
    traces: int = 1,
    limits: LimitLookup | None = None,
) -> list[JudgedSpectrum]:
    """Spectra of the same orders, each as `judge_spectrum` says; many at once cost little more than one."""
    upper, caution = (limits or _limits_of(plan)).curves_at(spectra[0])
    if not len(upper):
        return [
            JudgedSpectrum(s, upper, caution, (), u) for s, u in zip(spectra, uncertainties_nm, strict=True)
        ]
    amplitude = np.stack([s.amplitude_nm for s in spectra])
    u = np.stack([s.noise_nm if u is None else u for s, u in zip(spectra, uncertainties_nm, strict=True)])
    policy, count = policy_of(rule), int(np.count_nonzero(np.isfinite(upper)))
    factors = [guard_factors(policy, traces * (other + count)) for other in beside]
    accepting = factors[0][0]
    # A risk of one half or more accepts beyond the limit; then nothing is left to be inconclusive.
    rejecting = np.array([[max(factor, -accepting)] for _, factor in factors])
    over = amplitude - upper
    # An amplitude of NaN or 1e200 must become a verdict (inconclusive, nonconforming), not a warning.
    with np.errstate(invalid="ignore", over="ignore"):
        sure = np.sqrt(np.maximum(amplitude**2 - 2 * u**2, 0.0)) - upper
    if accepting <= 0:  # the bare value counts, or a risk of more than one half
        sure = over
    # Later lines overrule earlier ones, so that doubt stands above caution, and proof above doubt.
    codes = np.zeros(over.shape, dtype=np.int8)
    codes[amplitude > caution] = 1
    codes[(over > -accepting * u) | ((over > 0) & (accepting >= 0))] = 2
    codes[(over > 0) & (sure >= rejecting * u) & (codes == 2)] = 3
    codes[~np.isfinite(amplitude) | ((policy.rule != "simple") & ~np.isfinite(u))] = 2
    # Last: an order that no curve asks for is no reason to hold, not even with an unknown amplitude.
    codes[:, np.isnan(upper)] = 4
    share = amplitude / upper
    # NaN beside a limit sorts as worst: an order that could not be measured is what a person must see first.
    nearest = np.where(np.isnan(upper), -1.0, np.where(np.isnan(share), np.inf, share))
    return [
        JudgedSpectrum(spectrum, upper, caution, _verdicts(row.tobytes()), own, _named(row, near))
        for spectrum, own, row, near in zip(spectra, uncertainties_nm, codes, nearest, strict=True)
    ]


# By their bytes, since arrays are no keys.
@lru_cache(maxsize=256)
def _verdicts(codes: bytes) -> tuple[Verdict, ...]:
    """Verdicts by their codes; good spectra have them in common."""
    return tuple(map(_BY_CODE.__getitem__, codes))


def _named(codes: NDArray[np.int8], nearest: FloatArray) -> tuple[int, ...]:
    """The harmonic nearest to or farthest over its limit, then every other that is not conforming."""
    worst = int(nearest.argmax())
    if nearest[worst] < 0:
        return ()
    rest = [i for i in np.flatnonzero((codes > 0) & (codes < 4)).tolist() if i != worst]
    # By their share of the limit: what a reader sees first is what is farthest over.
    rest.sort(key=lambda i: -nearest[i])
    return (worst, *rest)


def _limits_of(plan: MeasurementPlan | None) -> LimitLookup:
    return LimitLookup(() if plan is None else plan.scalar_limits, () if plan is None else plan.curve_limits)


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
    noise_only: bool = False,
    traces: int = 1,
    table: LimitLookup | None = None,
    waves: tuple[JudgedSpectrum | None, JudgedSpectrum | None] | None = None,
) -> Judgement:
    """Verdicts of all values and the disposition of the file.

    ``plan`` is the recipe's measurement, None when there is none. ``extra_limits`` are a standard's limits
    that the plan's grade asks for; ``holds`` are reasons from outside the trace that forbid acceptance;
    ``uncertainty_nm`` are the harmonics' standard uncertainties where a budget says more than their noise,
    ``orders_uncertainty_nm`` those of the waves between whole orders, which the same curves limit.
    ``noise_only`` says that no budget stands behind the uncertainties: then no value has a conformance
    probability. ``traces`` is how many traces of the part are judged by curves, whose waves are one family.
    ``table`` holds plan's and standard's limits, where many traces are judged by the same; ``waves`` are whole
    orders and those between them where they are judged already.
    Nonconformity that no failed check touches rejects; anything doubtful holds; else the file is accepted.
    """
    rule = policy_of(rule)
    limits = (*(plan.scalar_limits if plan else ()), *extra_limits)
    table = table or LimitLookup(limits, plan.curve_limits if plan else ())
    # Turns share one limit, so each is one of a family of as many: the chance of a false reject is the part's.
    turns = sum(q.name == TURNS_COUNTED_BY and is_turn(q.instance) for q in analysis.quantities)
    judged = [
        _characteristic(
            q,
            table,
            rule,
            max(turns if is_turn(q.instance) else 1, q.among),
        )
        for q in analysis.quantities
    ]
    missing = [_without_value(x) for x in limits if not _has_value(x, analysis.quantities)]
    spectrum, orders = waves or _judged_waves(
        analysis, plan, rule, (uncertainty_nm, orders_uncertainty_nm), traces, table
    )
    # Checks come after the verdicts: a doubted value keeps its number and loses only what it proves.
    failed = [c for c in analysis.quality if not c.ok]
    names = [c.check for c in failed]
    spectrum, orders = (_without_proof(each, names) for each in (spectrum, orders))
    harmonics = [_harmonic(found, i) for found in (spectrum, orders) if found is not None for i in found.named]
    # A trace too short for the curve's highest order would otherwise pass it by showing nothing there.
    if plan is not None and not _covers(spectrum, plan):
        missing.append(
            Characteristic("harmonic_amplitude", "", None, "nm", None, None, None, None, Verdict.INCONCLUSIVE)
        )
    everything = tuple(_without_doubted_proof(c, names, noise_only) for c in (*judged, *missing, *harmonics))
    reasons = [*holds, *(reason(Code.CHECK_FAILED, check=c.check, note=c.note) for c in failed)]
    # The list is cut at its end, so that what rejects must stand first.
    order = (Verdict.NONCONFORMING, Verdict.INCONCLUSIVE)
    doubtful = [(c, _reason(c, names)) for wanted in order for c in everything if c.verdict == wanted]
    rejecting = [s for c, s in doubtful if c.verdict == Verdict.NONCONFORMING]
    holding = [s for c, s in doubtful if c.verdict == Verdict.INCONCLUSIVE]
    # A reject outranks every hold: what is proved bad stays bad, however doubtful the rest is.
    if rejecting:
        disposition, reasons = Disposition.REJECT, [*rejecting, *holding, *reasons]
    elif holding or reasons:
        disposition, reasons = Disposition.HOLD, [*reasons, *holding]
    # Without a plan nothing was asked, so that nothing was proved: never an accept.
    elif plan is None:
        disposition, reasons = Disposition.HOLD, [reason(Code.NOTHING_ASKED)]
    else:
        disposition = Disposition.ACCEPT
        reasons = [_reason(c, ()) for c in everything if c.verdict == Verdict.CAUTION]
    return Judgement(everything, spectrum, disposition, at_most(reasons, _REASONS_MAX), orders)


def _judged_waves(
    analysis: Analysis,
    plan: MeasurementPlan | None,
    policy: DecisionPolicy,
    uncertainty_nm: tuple[FloatArray | None, FloatArray | None],
    traces: int,
    table: LimitLookup,
) -> tuple[JudgedSpectrum | None, JudgedSpectrum | None]:
    """Whole orders and the waves between them, one family; None where the trace has none."""
    waves = analysis.spectrum, analysis.orders
    count = [0 if s is None else table.judged(s) for s in waves]
    found = [
        None if s is None else judge_spectrum(s, plan, policy, u, beside=other, traces=traces, limits=table)
        for s, u, other in zip(waves, uncertainty_nm, reversed(count), strict=True)
    ]
    return found[0], found[1]


def _without_proof(judged: JudgedSpectrum | None, failed: Sequence[str]) -> JudgedSpectrum | None:
    """The spectrum as ``_trusted`` takes its harmonics; every order is touched by the same checks."""
    if judged is None or not touching(failed, "harmonic_amplitude", ""):
        return judged
    doubted = (Verdict.INCONCLUSIVE if v == Verdict.NONCONFORMING else v for v in judged.verdicts)
    return replace(judged, verdicts=tuple(doubted))


def _without_doubted_proof(c: Characteristic, failed: Sequence[str], noise_only: bool) -> Characteristic:
    """The value with what its trace can prove: nothing where a failed check touches it."""
    if noise_only:
        known = c.expanded_uncertainty is not None
        c = replace(c, conformance_probability=None, noise_only=known)
    if c.verdict == Verdict.NONCONFORMING and touching(failed, c.name, c.instance):
        return replace(c, verdict=Verdict.INCONCLUSIVE)
    return c


def _expand(u: float | None) -> float | None:
    """None for an infinite one, too: the verdict already says that the error has no bound."""
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


def _characteristic(q: Quantity, table: LimitLookup, rule: DecisionPolicy, together: int = 1) -> Characteristic:
    limit, low, high = table.scalar(q.name, q.instance)
    lower, upper = (limit.lower, limit.upper) if limit is not None else (None, None)
    u, dof = q.standard_uncertainty, q.degrees_of_freedom
    probable = _probability(q.value, u, lower, upper, dof)
    return Characteristic(
        name=q.name,
        instance=q.instance,
        value=q.value,
        unit=q.unit,
        expanded_uncertainty=_expand(u),
        lower=lower,
        upper=upper,
        caution=high if high is not None else low,
        verdict=verdict(q.value, u, limit, rule, dof, together=together, probable=probable),
        caution_lower=low if high is not None else None,
        conformance_probability=probable,
    )


def _has_value(limit: ScalarLimit, quantities: Sequence[Quantity]) -> bool:
    return any(q.name == limit.characteristic and limit.instance in (None, q.instance) for q in quantities)


def _covers(judged: JudgedSpectrum | None, plan: MeasurementPlan) -> bool:
    """Whether the spectrum has a harmonic for every UPR that the plan's curves judge."""
    highest = 0 if judged is None else int(judged.spectrum.upr.max(initial=0))
    # Whole orders alone: waves between them are there only where they are significant.
    return all(highest >= int(curve.upr[-1]) for curve in plan.curve_limits)


def _without_value(limit: ScalarLimit) -> Characteristic:
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
        expanded_uncertainty=_expand(u),
        lower=None,
        upper=upper,
        caution=finite(judged.caution_nm),
        verdict=judged.verdicts[i],
        conformance_probability=_probability(value, u, None, upper),
    )


def _order_name(upr: float) -> str:
    """Instance of a harmonic: 37, and 37.33 between whole orders."""
    return str(int(upr)) if upr == int(upr) else f"{upr:.2f}"


def _reason(c: Characteristic, failed: Sequence[str]) -> Reason:
    if c.value is None:
        return reason(Code.NO_VALUE, name=c.name, instance=c.instance)
    code = _CODES[c.verdict]
    more: dict[str, Parameter] = {}
    if c.verdict == Verdict.INCONCLUSIVE and not _straddles(c):
        # Only a value clear of its limit owes its doubt to a check; one near it is undecided by itself.
        checks = touching(failed, c.name, c.instance)
        if checks:
            code, more = Code.OUTSIDE_UNTRUSTED, {"checks": checks}
    return reason(
        code,
        name=c.name,
        instance=c.instance,
        value=c.value,
        unit=c.unit,
        expanded_uncertainty=c.expanded_uncertainty,
        lower=c.lower,
        upper=c.upper,
        **more,
    )


def _straddles(c: Characteristic) -> bool:
    """Whether a limit lies within the value's expanded uncertainty."""
    return c.value is not None and any(
        limit is not None and abs(c.value - limit) <= (c.expanded_uncertainty or 0.0)
        for limit in (c.lower, c.upper)
    )


_CODES = {
    Verdict.NONCONFORMING: Code.OUTSIDE_LIMIT,
    Verdict.INCONCLUSIVE: Code.UNDECIDABLE,
    Verdict.CAUTION: Code.NEAR_LIMIT,
}

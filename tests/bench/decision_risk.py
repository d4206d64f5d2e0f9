"""Realised rates of wrong decisions against the stated ones: 20,000 synthetic parts for each line of the table.

Three ways to make parts: values with normal noise of known u; spectra whose harmonics are points in the plane
with noise both ways; whole traces of one turn, read by the analysis, which finds values and u itself. Parts lie
at their limit, where the risk is largest, or at a stated distance. A stated rate is that of the rule's own
definition, computed here from scipy's distributions and root finder alone; the realised one must lie inside the
binomial 99 % interval around it. Lines with "<=" state a bound, where the realised rate must not lie below a
least one either, so that none passes by deciding nothing. Exit code 1 when a line fails. All decisions go
through `judge`.
"""

from __future__ import annotations

import sys
from datetime import UTC, datetime

import numpy as np
from scipy import integrate, optimize
from scipy.stats import binom, norm

from edgeagent.analysis.kinds import Request, circle
from edgeagent.model import (
    Analysis,
    CurveLimit,
    DecisionPolicy,
    MeasurementPlan,
    Quantity,
    ScalarLimit,
    Spectrum,
    Trace,
    TraceHeader,
)
from edgeagent.rules.decision import judge

PARTS = 20_000
HARMONICS = 100
LIMIT = 10.0
HIGH = 100.0
"""Limit of the families' harmonics in u: so far above the noise that theirs is normal."""
G = 1.65
"""Guard band of ISO 14253-1:2017 in standard uncertainties."""
CURVE = MeasurementPlan(
    "f", "circle", None, curve_limits=(CurveLimit(np.array([2.0, HARMONICS + 1]), np.full(2, HIGH), None),)
)
GUARDED, CAPPED = DecisionPolicy(), DecisionPolicy("capped-risk", risk=0.1)
SIMPLE, STRICT = DecisionPolicy("simple"), DecisionPolicy(conformance=0.99)


def line(what: str, stated: float, count: int, *, at_most: bool = False, least: float = 0.0) -> bool:
    """Print one line; whether the realised rate is inside the interval, or between ``least`` and its end."""
    low, high = binom.ppf([0.005, 0.995], PARTS, stated) / PARTS
    low = least if at_most else low
    inside = bool(low <= count / PARTS <= high)
    bound = "<=" if at_most else "  "
    interval = f"{low:.4f} to {high:.4f}"
    print(f"{what:<92} {bound}{stated:7.4f} {count / PARTS:9.4f}  {interval:<17} {'yes' if inside else 'NO'}")
    return inside


# ---------------------------------------------------------------- values


def share_of_one(
    policy: DecisionPolicy, true: float, wanted: str, rng: np.random.Generator, lower: float | None = None
) -> int:
    """How many parts with this true value, measured with u = 1, get the disposition ``wanted``."""
    plan = MeasurementPlan("f", "circle", None, (ScalarLimit(characteristic="x", lower=lower, upper=LIMIT),))
    return sum(
        judge(Analysis((), (Quantity("x", float(v), "um", "", 1.0),)), plan, policy).disposition == wanted
        for v in rng.normal(true, 1.0, PARTS)
    )


def share_of_few(true: float, wanted: str, sections: int, rng: np.random.Generator) -> int:
    """The same for a mean of few sections that tell its uncertainty themselves."""
    plan = MeasurementPlan("f", "circle", None, (ScalarLimit(characteristic="x", upper=LIMIT),))
    drawn = rng.normal(true, 1.0, (PARTS, sections))
    u = drawn.std(axis=1, ddof=1) / sections**0.5
    return sum(
        judge(
            Analysis((), (Quantity("x", float(v), "um", "", float(s), sections - 1.0),)), plan, GUARDED
        ).disposition
        == wanted
        for v, s in zip(drawn.mean(axis=1), u, strict=True)
    )


def one_limit(rng: np.random.Generator) -> list[bool]:
    """Each rule on one value with one limit."""
    ok = []
    for policy, stated in ((GUARDED, norm.sf(G)), (STRICT, 0.01), (CAPPED, 0.1)):
        for wanted in ("accept", "reject"):
            # A value at the limit may be called bad or good: either wrong decision has its stated risk.
            what = f"{policy.text}: false {wanted}, value at the limit"
            ok.append(line(what, stated, share_of_one(policy, LIMIT, wanted, rng)))
    for wanted, off in (("accept", 1), ("reject", -1)):
        what = f"simple: false {wanted}, value 1 u {'over' if off > 0 else 'under'}"
        ok.append(line(what, norm.sf(1), share_of_one(SIMPLE, LIMIT + off, wanted, rng)))
    for sections in (3, 5, 15):
        for wanted in ("accept", "reject"):
            what = f"guarded: false {wanted}, value at the limit, u from {sections} sections"
            ok.append(line(what, norm.sf(G), share_of_few(LIMIT, wanted, sections, rng)))
    return ok


def two_limits(rng: np.random.Generator) -> list[bool]:
    """Each rule on one value between two limits, far apart and close together."""
    ok = []
    for width in (8.0, 4.0):
        # The guard band at which both tails together leave the stated probability, if that exceeds the rule's.
        goals = {GUARDED: (0.95, G), CAPPED: (0.9, 0.0)}
        for policy, (goal, least) in goals.items():
            both = optimize.brentq(
                lambda g, t=width, p=goal: norm.cdf(t - g) - norm.cdf(-g) - p, 0.5, width / 2, xtol=1e-12
            )
            guard = max(both, least)
            stated = norm.cdf(width - guard) - norm.cdf(guard)
            what = f"{policy.text}: false accept, value at one of two limits {width:g} u apart"
            ok.append(line(what, stated, share_of_one(policy, LIMIT, "accept", rng, LIMIT - width)))
            out = least or norm.ppf(0.9)
            stated = norm.sf(out) + norm.sf(width + out)
            what = f"{policy.text}: false reject, value at one of two limits {width:g} u apart"
            ok.append(line(what, stated, share_of_one(policy, LIMIT, "reject", rng, LIMIT - width)))
        what = f"simple: false accept, value 1 u outside two limits {width:g} u apart"
        stated = norm.sf(1) - norm.sf(1 + width)
        ok.append(line(what, stated, share_of_one(SIMPLE, LIMIT + 1, "accept", rng, LIMIT - width)))
    return ok


# ---------------------------------------------------------------- families of harmonics


def share_of_many(
    policy: DecisionPolicy,
    true: np.ndarray,
    wanted: str,
    rng: np.random.Generator,
    *,
    common: float = 0.0,
    neighbours: float = 0.0,
) -> int:
    """How many spectra of HARMONICS judged harmonics, each with u = 1, get the disposition.

    ``common`` is the share of the noise's standard deviation that all have in common, as a gauge's scale;
    ``neighbours`` the correlation of one harmonic with the next, as leakage of slope and tilt makes it.
    """
    upr, phase, noise = np.arange(1, HARMONICS + 2), np.zeros(HARMONICS + 1), np.ones(HARMONICS + 1)
    lag = np.arange(HARMONICS)
    mixing = np.linalg.cholesky(neighbours ** np.abs(lag[:, None] - lag)) if neighbours else None
    found = 0
    for _ in range(PARTS):
        own = rng.normal(size=(2, HARMONICS))
        own = own if mixing is None else own @ mixing.T
        along = np.sqrt(1 - common**2) * own[0] + common * rng.normal()
        amplitude = np.concatenate(([0.0], np.hypot(true + along, own[1])))
        found += (
            judge(Analysis((), (), Spectrum(upr, amplitude, phase, noise)), CURVE, policy).disposition == wanted
        )
    return found


def any_of(guard: float, common: float) -> float:
    """Chance that one of HARMONICS normal values with a common part exceeds the guard band, by quadrature."""
    own = np.sqrt(1 - common**2)
    none = integrate.quad(
        lambda z: norm.pdf(z) * norm.cdf((guard - common * z) / own) ** HARMONICS, -9, 9, epsabs=1e-10
    )[0]
    return 1 - none


def families(rng: np.random.Generator) -> list[bool]:
    """Parts with many harmonics, with and without the correction."""
    n, half = HARMONICS, 0.5**0.5
    at_limit, one_bad = np.full(n, HIGH), np.full(n, HIGH - 6)
    one_bad[n // 2] = HIGH
    ok = []
    for policy, each in ((GUARDED, norm.sf(G)), (CAPPED, 0.1)):
        sidak = DecisionPolicy(policy.rule, risk=policy.risk, family="sidak")
        total = 0.05 if policy is GUARDED else 0.1
        corrected = norm.isf(1 - (1 - total) ** (1 / n))
        for family, guard in ((policy, norm.isf(each)), (sidak, corrected)):
            for common, words in ((0.0, "independent"), (half, "half the variance common")):
                what = f"{family.text}: false reject, {n} harmonics at the limit, {words}"
                found = share_of_many(family, at_limit, "reject", rng, common=common)
                ok.append(line(what, any_of(guard, common), found))
        what = f"{sidak.text}: false accept, one harmonic of {n} at the limit, independent"
        ok.append(line(what, each, share_of_many(sidak, one_bad, "accept", rng)))
    sidak = DecisionPolicy(family="sidak")
    what = f"guarded family=sidak: false reject, {n} at the limit, neighbours correlated by 0.5"
    found = share_of_many(sidak, at_limit, "reject", rng, neighbours=0.5)
    ok.append(line(what, 0.05, found, at_most=True, least=0.03))
    what = f"guarded family=sidak: false accept, one of {n} at the limit, half the variance common"
    ok.append(line(what, norm.sf(G), share_of_many(sidak, one_bad, "accept", rng, common=half)))
    return ok


# ---------------------------------------------------------------- whole traces

POINTS, NOISE_UM = 256, 0.02
SHARES = {3: 1.0, 4: 2.0, 5: 3.0, 7: 5.0, 9: 10.0}
"""Waves of a trace: UPR and amplitude in standard uncertainties of an amplitude."""


def traces(rng: np.random.Generator, waves: dict[int, tuple[float, float]]) -> list[Analysis]:
    """PARTS closed profiles of one turn with white noise, each read and analysed by itself."""
    angle_deg = np.arange(POINTS) * (360.0 / POINTS)
    theta = np.radians(angle_deg)
    clean = 2.0 * np.cos(theta + 0.2) + sum(a * np.cos(n * theta + p) for n, (a, p) in waves.items())
    header = TraceHeader(
        kind="circle", feature="f", measured_at=datetime(2026, 3, 2, tzinfo=UTC), part="P", serial="1"
    )
    request = Request(None, circle.Options(upr=(2, 10)), 10.0)
    return [
        circle.analyse(
            Trace(header, {"angle_deg": angle_deg, "deviation_um": clean + rng.normal(0, NOISE_UM, POINTS)}),
            request,
        )
        for _ in range(PARTS)
    ]


def decided(found: list[Analysis], plan: MeasurementPlan, policy: DecisionPolicy, wanted: str) -> int:
    """How many of the traces get the disposition."""
    return sum(judge(a, plan, policy).disposition == wanted for a in found)


def harmonics_of_traces(rng: np.random.Generator) -> list[bool]:
    """Amplitudes at limits of one to ten standard uncertainties, from traces to dispositions."""
    u_nm = 1000 * NOISE_UM * np.sqrt(2 / POINTS)
    waves = {n: (share * u_nm / 1000, 0.3 * n) for n, share in SHARES.items()}
    found = traces(rng, waves)
    ok = []
    for n, share in SHARES.items():
        curve = CurveLimit(np.array([n, n + 0.5]), np.full(2, share * u_nm), None)
        plan = MeasurementPlan("f", "circle", None, curve_limits=(curve,))
        for policy, stated in ((GUARDED, norm.sf(G)), (CAPPED, 0.1)):
            for wanted in ("accept", "reject"):
                # Noise lifts an amplitude: near it hardly any is accepted, and rejecting leaves the lift out.
                least = stated / 2 if wanted == "reject" or share >= 5 else 0.0
                what = f"{policy.text}: false {wanted}, traces, harmonic at a limit of {share:g} u"
                ok.append(line(what, stated, decided(found, plan, policy, wanted), at_most=True, least=least))
    return ok


def roundness_of_traces(rng: np.random.Generator) -> list[bool]:
    """RONt at its limit, from traces to dispositions; the lift by noise is in its uncertainty."""
    ok = []
    for waves, words in (
        ({2: (0.6, 0.0)}, "two lobes"),
        ({2: (0.3, 0.4), 3: (0.2, 1.0), 5: (0.1, 2.0)}, "three waves"),
    ):
        angle = np.arange(1 << 16) * (2 * np.pi / (1 << 16))
        clean = sum(a * 0.5 ** ((n / 10) ** 2) * np.cos(n * angle + p) for n, (a, p) in waves.items())
        true = float(np.ptp(clean))
        found = traces(rng, waves)
        plan = MeasurementPlan(
            "f", "circle", None, (ScalarLimit(characteristic="roundness_total", upper=true),)
        )
        for wanted in ("accept", "reject"):
            what = f"guarded: false {wanted}, traces, RONt of {words} at the limit"
            ok.append(line(what, norm.sf(G), decided(found, plan, GUARDED, wanted), at_most=True))
        # That neither is zero for want of deciding: a limit four uncertainties away decides nearly all.
        u = float(np.median([a.quantities[0].standard_uncertainty for a in found]))
        for wanted, off in (("accept", 4 * u), ("reject", -4 * u)):
            away = ScalarLimit(characteristic="roundness_total", upper=true + off)
            plan = MeasurementPlan("f", "circle", None, (away,))
            what = f"guarded: right {wanted}, traces, RONt of {words} 4 u off its limit"
            ok.append(line(what, 1.0, decided(found, plan, GUARDED, wanted), at_most=True, least=0.95))
    return ok


def main() -> int:
    """Print the table."""
    rng = np.random.default_rng(20_261_125)
    print(f"{'rule, decision, parts':<92} {'stated':>9} {'realised':>9}  {'binomial 99 %':<17} inside")
    makers = (one_limit, two_limits, families, harmonics_of_traces, roundness_of_traces)
    failed = sum(not ok for make in makers for ok in make(rng))
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())

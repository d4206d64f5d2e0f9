"""Decision rules with stated risks, and harmonics judged as a family."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from scipy import stats

from edgeagent.codec.configuration.settings import parse_settings
from edgeagent.codec.records.result import characteristic_object
from edgeagent.errors import ConfigError
from edgeagent.model import (
    Analysis,
    CurveLimit,
    DecisionPolicy,
    Disposition,
    MeasurementPlan,
    Quantity,
    ScalarLimit,
    Spectrum,
    Verdict,
)
from edgeagent.rules.decision import judge, judge_spectrum
from edgeagent.rules.verdicts import conformance_probability, guard_factors, policy_of, student_factor, verdict

ONE = ScalarLimit(characteristic="x", upper=10.0)


def spectrum_of(amplitudes, noise):
    n = len(amplitudes)
    return Spectrum(np.arange(1, n + 1), np.asarray(amplitudes, float), np.zeros(n), np.full(n, float(noise)))


def plan_of(last, upper):
    curve = CurveLimit(np.array([2.0, last]), np.full(2, float(upper)), None)
    return MeasurementPlan("f", "circle", None, curve_limits=(curve,))


def test_conformance_probability_of_the_worked_examples():
    # JCGM 106:2012, 7: a breakdown voltage against one limit (printed 0.92) and an oil's viscosity between two
    # (printed 0.66); further digits computed here from the normal distribution
    assert conformance_probability(-5.47, 0.05, None, -5.40) == pytest.approx(0.919243, abs=1e-6)
    assert conformance_probability(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.662630, abs=1e-6)


@pytest.mark.parametrize(("conformance", "factor"), [(0.80, 0.84), (0.90, 1.28), (0.99, 2.33), (0.999, 3.09)])
def test_guard_band_follows_the_stated_conformance_probability(conformance, factor):
    # JCGM 106:2012, table 1, two decimals
    assert guard_factors(DecisionPolicy(conformance=conformance))[0] == pytest.approx(factor, abs=0.005)


def test_default_guard_band_is_the_standards_own():
    # ISO 14253-1:2017: 1.65 standard uncertainties for 95 %
    assert guard_factors(DecisionPolicy()) == (1.65, 1.65)


def test_stricter_conformance_widens_the_inconclusive_zone():
    strict = DecisionPolicy(conformance=0.99)
    assert verdict(8.0, 1.0, ONE, "guarded") == Verdict.CONFORMING
    assert verdict(8.0, 1.0, ONE, strict) == Verdict.INCONCLUSIVE
    assert verdict(7.6, 1.0, ONE, strict) == Verdict.CONFORMING
    assert verdict(12.0, 1.0, ONE, "guarded") == Verdict.NONCONFORMING
    assert verdict(12.0, 1.0, ONE, strict) == Verdict.INCONCLUSIVE


@pytest.mark.parametrize(
    ("value", "risk", "expected"),  # of a scalar and of a harmonic
    [
        (8.7, 0.10, Verdict.CONFORMING),  # P(nonconforming) = 9.7 %
        (8.74, 0.10, Verdict.INCONCLUSIVE),  # 10.4 %
        (11.26, 0.10, Verdict.INCONCLUSIVE),
        (11.3, 0.10, (Verdict.NONCONFORMING, Verdict.INCONCLUSIVE)),
        (11.36, 0.10, (Verdict.NONCONFORMING, Verdict.INCONCLUSIVE)),
        (11.38, 0.10, Verdict.NONCONFORMING),  # sqrt(11.2816² + 2) = 11.370
        (10.5, 0.70, Verdict.CONFORMING),  # 69.1 %: a risk that somebody agreed to
        (10.6, 0.70, Verdict.NONCONFORMING),  # 72.6 %: nothing is left between the two
    ],
)
def test_capped_risk_compares_probabilities(value, risk, expected):
    policy = DecisionPolicy("capped-risk", risk=risk)
    scalar, harmonic = expected if isinstance(expected, tuple) else (expected, expected)
    assert verdict(value, 1.0, ONE, policy) == scalar
    judged = judge_spectrum(spectrum_of([0, value], 1.0), plan_of(3, 10.0), policy)
    assert judged.verdicts[1] == harmonic


@pytest.mark.parametrize("together", [2, 3, 40])
def test_capped_risk_rejects_one_of_several_beyond_the_quantile_that_keeps_the_risk_for_all(together):
    # Šidák: each of n independent values errs with 1 - (1 - risk)^(1/n), all of them together with the risk
    far = stats.norm.isf(1.0 - 0.95 ** (1.0 / together))
    policy = DecisionPolicy("capped-risk", risk=0.05)
    for off, expected in ((far - 1e-6, Verdict.INCONCLUSIVE), (far + 1e-6, Verdict.NONCONFORMING)):
        above, below = (ScalarLimit(characteristic="x", **side) for side in ({"upper": 0.0}, {"lower": 0.0}))
        assert verdict(off, 1.0, above, policy, together=together) == expected
        assert verdict(-off, 1.0, below, policy, together=together) == expected


def test_capped_risk_counts_both_tails():
    both = ScalarLimit(characteristic="x", lower=-1.0, upper=1.0)
    # P within ± 1 u is 68.3 %, so that a risk of 30 % cannot be had anywhere between the limits
    assert verdict(0.0, 1.0, both, DecisionPolicy("capped-risk", risk=0.30)) == Verdict.INCONCLUSIVE
    assert verdict(0.0, 1.0, both, DecisionPolicy("capped-risk", risk=0.32)) == Verdict.CONFORMING


def test_a_tolerance_far_below_the_uncertainty_holds_and_does_not_reject():
    # P within ± 0.05 u is 4 %, less than the risk, and that says nothing against a value in the middle
    narrow = ScalarLimit(characteristic="x", lower=-0.05, upper=0.05)
    policy = DecisionPolicy("capped-risk", risk=0.05)
    for value in (0.0, 0.05, 1.6, -1.6):
        assert verdict(value, 1.0, narrow, policy) == Verdict.INCONCLUSIVE
    for value in (1.75, -1.75):
        assert verdict(value, 1.0, narrow, policy) == Verdict.NONCONFORMING


def test_unknown_uncertainty_counts_as_none_and_states_no_probability():
    policy = DecisionPolicy("capped-risk")
    assert verdict(9.99, None, ONE, policy) == Verdict.CONFORMING
    assert verdict(10.01, None, ONE, policy) == Verdict.NONCONFORMING
    found = judge(
        Analysis((), (Quantity("x", 9.0, "um"),)), MeasurementPlan("f", "circle", None, (ONE,)), policy
    )
    assert characteristic_object(found.characteristics[0])["conformance_probability"] is None


def test_every_judged_characteristic_carries_its_probability():
    quantities = (Quantity("x", 9.0, "um", "", 1.0), Quantity("y", 1.0, "um", "", 0.1))
    plan = replace(plan_of(4, 10.0), scalar_limits=(ONE,))
    analysis = Analysis((), quantities, spectrum_of([0, 1, 9, 2], 1.0))
    for rule in ("guarded", "simple", "capped-risk"):
        x, y, harmonic = (characteristic_object(c) for c in judge(analysis, plan, rule).characteristics[:3])
        assert x["conformance_probability"] == pytest.approx(0.841345, abs=1e-6)  # normal table at 1
        assert "conformance_probability" not in y
        assert (harmonic["instance"], harmonic["conformance_probability"]) == (
            "3",
            pytest.approx(0.841345, abs=1e-6),
        )


def test_family_correction_moves_rejection_alone():
    policy = DecisionPolicy(family="sidak")
    accept, reject = guard_factors(policy, 500)
    assert accept == 1.65
    # Šidák: 1 - 0.95**(1/500) = 1.0258e-4 each, one-sided normal quantile (computed with another library's
    # special functions in the next assertion)
    from scipy.special import ndtri

    assert reject == pytest.approx(float(ndtri(0.95 ** (1 / 500))), abs=1e-12)
    assert guard_factors(policy, 1) == (1.65, 1.65)
    amplitudes = np.zeros(501)
    amplitudes[100] = 12.0
    plain, family = (
        judge_spectrum(spectrum_of(amplitudes, 1.0), plan_of(501, 10), p) for p in ("guarded", policy)
    )
    assert plain.verdicts[100] == Verdict.NONCONFORMING
    assert family.verdicts[100] == Verdict.INCONCLUSIVE
    assert plain.verdicts[99] == family.verdicts[99] == Verdict.CONFORMING


def test_family_correction_never_turns_a_reject_into_an_accept():
    rng = np.random.default_rng(5)
    for _ in range(50):
        spectrum = spectrum_of(10 + rng.normal(0, 2, 40), 1.0)
        analysis = Analysis((), (), spectrum)
        plain = judge(analysis, plan_of(40, 10.0), "guarded").disposition
        family = judge(analysis, plan_of(40, 10.0), DecisionPolicy(family="sidak")).disposition
        assert plain == family or (plain, family) == (Disposition.REJECT, Disposition.HOLD)


@pytest.mark.parametrize(
    "policy",
    [
        DecisionPolicy(),
        DecisionPolicy("simple"),
        DecisionPolicy(conformance=0.99, family="sidak"),
        DecisionPolicy("capped-risk", risk=0.1),
    ],
)
def test_policy_survives_its_line_in_a_record(policy):
    assert DecisionPolicy.of(policy.text) == policy


def test_plain_rules_keep_their_old_line():
    assert (DecisionPolicy().text, DecisionPolicy("simple").text) == ("guarded", "simple")


@pytest.mark.parametrize("text", ["", "strict", "guarded colour=3", "guarded family=holm"])
def test_other_lines_are_no_policy(text):
    with pytest.raises(ValueError, match="not a decision policy"):
        DecisionPolicy.of(text)


STATION = '[station]\nsite = "a"\ncell = "b"\nname = "c"\n[decision]\n'


def test_configuration_states_rule_and_risk():
    settings = parse_settings(
        f'{STATION}rule = "capped-risk"\nrisk = 0.02\nfamily = "sidak"\n'.encode(), "agent.toml"
    )
    assert settings.decision.policy == DecisionPolicy("capped-risk", risk=0.02, family="sidak")


@pytest.mark.parametrize("line", ["conformance = 0.5", "conformance = 1.0", "risk = 0.0", 'family = "holm"'])
def test_impossible_risks_are_refused_by_key(line):
    with pytest.raises(ConfigError, match=f"decision.{line.split()[0]}"):
        parse_settings(f"{STATION}{line}\n".encode(), "agent.toml")


def test_one_value_has_the_same_guard_band_for_both_proofs_and_the_simple_rule_none():
    assert guard_factors(policy_of("simple")) == (0.0, 0.0)
    accept, reject = guard_factors(DecisionPolicy(rule="guarded", family="sidak"))
    assert accept == reject == 1.65
    assert guard_factors(DecisionPolicy(rule="guarded", family="sidak"), 2)[1] > 1.65


def test_few_degrees_of_freedom_widen_a_factor_on_its_own_side_and_many_leave_it():
    # Student's 95 % quantile with 5 degrees of freedom is 2.015, that of 1.645 normal (tables).
    assert student_factor(1.6449, 5.0) == pytest.approx(2.015, abs=1e-3)
    assert student_factor(-1.6449, 5.0) == pytest.approx(-2.015, abs=1e-3)
    assert student_factor(1.6449, math.inf) == 1.6449
    assert student_factor(0.0, 5.0) == 0.0


@pytest.mark.parametrize("u", [0.1, 3.0])
@pytest.mark.parametrize("together", [2, 20])
def test_guarded_value_of_several_rejects_beyond_the_quantile_that_keeps_the_risk_for_all(together, u):
    # Accepting asks every one of them, so that its guard band stays 1.65
    far = stats.norm.isf(1.0 - 0.95 ** (1.0 / together))
    for step, expected in ((-1e-6, Verdict.INCONCLUSIVE), (1e-6, Verdict.NONCONFORMING)):
        assert verdict(10.0 + (far + step) * u, u, ONE, "guarded", together=together) == expected
    assert verdict(10.0 - 1.651 * u, u, ONE, "guarded", together=together) == Verdict.CONFORMING


def test_risk_of_more_than_a_tenth_rejects_within_one_standard_uncertainty():
    limit, policy = ScalarLimit(characteristic="x", upper=1.0), DecisionPolicy(conformance=0.8)
    # The normal quantile of 80 % is 0.8416 (tables)
    assert verdict(1.0 + 0.841 * 0.1, 0.1, limit, policy) == Verdict.INCONCLUSIVE
    assert verdict(1.0 + 0.842 * 0.1, 0.1, limit, policy) == Verdict.NONCONFORMING


def test_one_of_several_turns_rejects_by_what_keeps_the_risk_for_as_many_turns_as_there_are():
    far, u = stats.norm.isf(1.0 - 0.95**0.5), 0.1  # 1.955 for two turns, however many values each of them has
    plan = MeasurementPlan("f", "circle", None, (ScalarLimit(characteristic="roundness_total", upper=1.0),))
    for step, expected in ((-1e-6, Disposition.HOLD), (1e-6, Disposition.REJECT)):
        values = [("roundness_total", 1.0 + (far + step) * u, "turn[1]"), ("roundness_total", 0.1, "turn[2]")]
        values += [(name, 0.1, f"turn[{n}]") for n in (1, 2) for name in ("roundness_peak", "roundness_valley")]
        quantities = tuple(Quantity(name, value, "um", turn, u) for name, value, turn in values)
        assert judge(Analysis((), quantities), plan, "guarded").disposition == expected


def test_harmonics_of_one_trace_are_a_family_unless_more_traces_are_said():
    analysis = Analysis((), (), spectrum_of([0, 12.6, *[0] * 38], 1.0))
    assert judge(analysis, plan_of(40, 10.0), DecisionPolicy()).disposition == Disposition.REJECT
    assert judge(analysis, plan_of(40, 10.0), DecisionPolicy(family="sidak")).disposition == Disposition.HOLD


def test_lift_of_noise_is_taken_off_wherever_the_rule_leaves_a_guard_band_and_nowhere_else():
    # sqrt(108.5² - 2 · 10²) = 107.57, short of 0.8416 u beyond the limit; the bare value is 0.85 u beyond it
    found = judge_spectrum(spectrum_of([0, 108.5], 10.0), plan_of(3, 100.0), DecisionPolicy(conformance=0.8))
    assert found.verdicts[1] == Verdict.INCONCLUSIVE
    found = judge_spectrum(spectrum_of([0, 109.5], 10.0), plan_of(3, 100.0), DecisionPolicy(conformance=0.8))
    assert found.verdicts[1] == Verdict.NONCONFORMING
    found = judge_spectrum(spectrum_of([0, 100.5], 10.0), plan_of(3, 100.0), "simple")
    assert found.verdicts[1] == Verdict.NONCONFORMING

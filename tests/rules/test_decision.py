"""Verdicts and dispositions against the worked examples of JCGM 106 and the rule of ISO 14253-1.

Figures of JCGM 106:2012 (table 1, diode, oil viscosity) are remembered and were reproduced from the normal
distribution by another hand; the guard factor 1.65 is that of ISO 14253-1:2017, seen in a secondary source.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from edgeagent.model import (
    Analysis,
    CurveLimit,
    Disposition,
    MeasurementPlan,
    QualityCheck,
    Quantity,
    ScalarLimit,
    Spectrum,
    Verdict,
)
from edgeagent.model.reasons import Code, reason
from edgeagent.rules.decision import judge, judge_spectrum
from edgeagent.rules.sentences import sentences
from edgeagent.rules.verdicts import GUARD_FACTOR, conformance_probability, verdict

GOOD = QualityCheck("whole_turns", True, 3.0, 1.0, "turns", "the trace covers 3.000 turns")
BAD = QualityCheck("spikes", False, 2.0, 0.0, "samples", "2 samples lie off the profile")


def limit(lower=None, upper=None, caution=None):
    return ScalarLimit(characteristic="x", lower=lower, upper=upper, caution=caution)


def plan(*limits, curves=()):
    return MeasurementPlan("f", "spiral", None, tuple(limits), tuple(curves))


def one_value(value, u=None, check=GOOD):
    return Analysis((check,), (Quantity("x", value, "um", "", u),))


def spectrum(amplitudes_nm, noise_nm=0.0):
    n = len(amplitudes_nm)
    return Spectrum(
        np.arange(1, n + 1), np.array(amplitudes_nm, dtype=float), np.zeros(n), np.full(n, float(noise_nm))
    )


# ---------------------------------------------------------------- conformance probability


@pytest.mark.parametrize(
    ("probability", "z"), [(0.80, 0.84), (0.90, 1.28), (0.95, 1.64), (0.99, 2.33), (0.999, 3.09)]
)
def test_table_1_of_jcgm_106(probability, z):
    # JCGM 106:2012, table 1: z rounded to two places
    exact = stats.norm.ppf(probability)
    assert exact == pytest.approx(z, abs=5.1e-3)
    assert conformance_probability(-exact, 1.0, None, 0.0) == pytest.approx(probability, abs=1e-12)
    assert conformance_probability(exact, 1.0, 0.0, None) == pytest.approx(probability, abs=1e-12)


def test_diode_of_jcgm_106():
    # breakdown voltage at most -5.40 V, measured -5.47 V, u 0.05 V: 0.92 printed, 0.919243 computed
    assert conformance_probability(-5.47, 0.05, None, -5.40) == pytest.approx(0.919243, abs=1e-6)


def test_oil_viscosity_of_jcgm_106():
    # between 12.5 and 16.3 mm2/s, measured 13.6, u 1.8: 0.66 printed, 0.662630 computed
    assert conformance_probability(13.6, 1.8, 12.5, 16.3) == pytest.approx(0.662630, abs=1e-6)


@pytest.mark.parametrize(
    ("guard_in_expanded", "probability"),
    [
        (0.0, 0.5), (0.25, 0.691462), (0.5, 0.841345), (0.6, 0.884930), (0.8224, 0.949994), (1.0, 0.977250),
        (1.25, 0.993790), (1.5, 0.998650),
    ],
)  # fmt: skip
def test_probability_at_the_acceptance_limit_by_guard_band(guard_in_expanded, probability):
    # JCGM 106, 8.3: w = r U with U = 2 u gives Phi(2 r) at the limit
    assert conformance_probability(-2 * guard_in_expanded, 1.0, None, 0.0) == pytest.approx(
        probability, abs=1e-6
    )


def test_guard_factor_gives_the_probability_that_the_standard_wants():
    # ISO 14253-1:2017: 1.65 standard uncertainties for 95 %; Phi(1.65) = 0.950529
    assert GUARD_FACTOR == 1.65
    assert conformance_probability(-GUARD_FACTOR, 1.0, None, 0.0) == pytest.approx(0.950529, abs=1e-6)


def test_probability_without_uncertainty_is_certain():
    assert conformance_probability(1.0, 0.0, 0.0, 1.0) == 1.0
    assert conformance_probability(1.0 + 1e-12, 0.0, 0.0, 1.0) == 0.0


# ---------------------------------------------------------------- one value


@pytest.mark.parametrize(
    ("value", "expected"),
    [
        (1.0 - 0.1650001, Verdict.CONFORMING), (1.0 - 0.1649999, Verdict.INCONCLUSIVE),
        (1.0, Verdict.INCONCLUSIVE), (1.0 + 0.1649999, Verdict.INCONCLUSIVE),
        (1.0 + 0.1650001, Verdict.NONCONFORMING),
    ],
)  # fmt: skip
def test_conformity_and_nonconformity_are_proved_beyond_1_65_u(value, expected):
    assert verdict(value, 0.1, limit(upper=1.0), "guarded") == expected
    assert verdict(-value, 0.1, limit(lower=-1.0), "guarded") == expected


@pytest.mark.parametrize(
    ("value", "expected"),
    [(0.999, Verdict.CONFORMING), (1.0, Verdict.CONFORMING), (1.0000001, Verdict.NONCONFORMING)],
)
def test_simple_rule_compares_the_value_and_takes_the_limit_itself(value, expected):
    assert verdict(value, 0.5, limit(upper=1.0), "simple") == expected
    assert verdict(-value, 0.5, limit(lower=-1.0), "simple") == expected


def test_a_value_at_its_limit_conforms_where_no_uncertainty_is_known():
    assert verdict(1.0, None, limit(upper=1.0), "guarded") == Verdict.CONFORMING
    assert verdict(1.0, 0.0, limit(upper=1.0), "guarded") == Verdict.CONFORMING
    assert verdict(1.0000001, None, limit(upper=1.0), "guarded") == Verdict.NONCONFORMING


@pytest.mark.parametrize(("tolerance_in_u", "guard"), [(4.0, 1.79621), (6.0, 1.65), (8.0, 1.65)])
def test_close_limits_widen_the_guard_band(tolerance_in_u, guard):
    # Phi(T/u - g) - Phi(-g) = 0.95: g 1.79621 for T = 4 u, by another hand; 1.6449 for wider ones, where the
    # factor 1.65 of the standard is the larger
    both = limit(0.0, tolerance_in_u)
    for mirrored in (False, True):
        for step, expected in ((1e-4, Verdict.CONFORMING), (-1e-4, Verdict.INCONCLUSIVE)):
            place = guard + step
            value = tolerance_in_u - place if mirrored else place
            assert verdict(value, 1.0, both, "guarded") == expected


def test_limits_closer_than_the_uncertainty_allows_never_prove_conformity():
    # T = 2 u: the largest conformance probability is 0.682689, at the middle
    assert conformance_probability(1.0, 1.0, 0.0, 2.0) == pytest.approx(0.682689, abs=1e-6)
    for value in np.linspace(-1.6, 3.6, 105):
        assert verdict(float(value), 1.0, limit(0.0, 2.0), "guarded") == Verdict.INCONCLUSIVE


@pytest.mark.parametrize(
    ("bounds", "value", "expected"),
    [
        # upper alone: from 0.75 of the limit on
        ((None, 2.0), 1.5, Verdict.CONFORMING), ((None, 2.0), 1.51, Verdict.CAUTION),
        # lower alone: below the limit / 0.75
        ((3.0, None), 4.0, Verdict.CONFORMING), ((3.0, None), 3.99, Verdict.CAUTION),
        # both: beyond 0.75 of half the tolerance on either side of the middle
        ((42.0, 48.0), 47.25, Verdict.CONFORMING), ((42.0, 48.0), 47.26, Verdict.CAUTION),
        ((42.0, 48.0), 42.75, Verdict.CONFORMING), ((42.0, 48.0), 42.74, Verdict.CAUTION),
    ],
)  # fmt: skip
def test_caution_on_either_side(bounds, value, expected):
    assert verdict(value, None, limit(*bounds, 0.75), "guarded") == expected


def test_without_a_limit_nothing_is_judged_and_without_a_value_nothing_is_known():
    assert verdict(5.0, 0.1, None, "guarded") == Verdict.UNJUDGED
    assert verdict(None, None, limit(upper=1.0), "guarded") == Verdict.INCONCLUSIVE
    assert verdict(None, None, limit(upper=1.0), "simple") == Verdict.INCONCLUSIVE


@settings(max_examples=300, deadline=None)
@given(
    st.floats(-5, 15), st.floats(1e-3, 5), st.floats(0.01, 10), st.sampled_from([None, 0.5, 1.0]),
)  # fmt: skip
def test_conforming_means_95_percent_and_nonconforming_at_most_5(value, u, upper, caution):
    both = limit(0.0, upper, caution)
    found = verdict(value, u, both, "guarded")
    probability = stats.norm.cdf((upper - value) / u) - stats.norm.cdf(-value / u)
    if found in (Verdict.CONFORMING, Verdict.CAUTION):
        assert probability >= 0.95 - 1e-12
    if found == Verdict.NONCONFORMING:
        assert probability <= 0.05 + 1e-12


@settings(max_examples=200, deadline=None)
@given(st.floats(-5, 5), st.floats(0, 2), st.floats(-2, 2))
def test_a_worse_value_is_never_judged_better(value, u, upper):
    rank = {Verdict.CONFORMING: 0, Verdict.CAUTION: 1, Verdict.INCONCLUSIVE: 2, Verdict.NONCONFORMING: 3}
    for rule in ("guarded", "simple"):
        here, above = (rank[verdict(v, u, limit(upper=upper), rule)] for v in (value, value + 0.1))
        assert here <= above


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
@pytest.mark.parametrize("rule", ["guarded", "simple"])
def test_what_is_not_finite_proves_nothing(bad, rule):
    assert verdict(bad, 0.1, limit(upper=1.0), rule) == Verdict.INCONCLUSIVE
    assert verdict(bad, None, limit(lower=0.0, upper=1.0), rule) == Verdict.INCONCLUSIVE
    assert verdict(0.5, bad, limit(upper=1.0), "guarded") == Verdict.INCONCLUSIVE
    curve = CurveLimit(np.array([2.0, 4.0]), np.array([100.0, 100.0]), None)
    judged = judge_spectrum(spectrum([0.0, bad, 50.0]), plan(curves=[curve]), rule)
    assert judged.verdicts[1:] == (Verdict.INCONCLUSIVE, Verdict.CONFORMING)
    noisy = judge_spectrum(spectrum([0.0, 50.0], bad), plan(curves=[curve]), "guarded")
    assert noisy.verdicts[1] == Verdict.INCONCLUSIVE


# ---------------------------------------------------------------- a spectrum

CURVE = CurveLimit(np.array([2.0, 4.0]), np.array([100.0, 100.0]), np.array([75.0, 75.0]))


def test_each_harmonic_is_judged_where_the_curve_reaches():
    judged = judge_spectrum(spectrum([5000.0, 70.0, 80.0, 101.0, 900.0]), plan(curves=[CURVE]), "simple")
    assert judged.verdicts == (
        Verdict.UNJUDGED, Verdict.CONFORMING, Verdict.CAUTION, Verdict.NONCONFORMING, Verdict.UNJUDGED,
    )  # fmt: skip


def test_wave_above_its_limit_conforms_by_no_rule_where_its_noise_is_unknown():
    judged = judge_spectrum(spectrum([0.0, 50.0, 101.0], math.nan), plan(curves=[CURVE]), "simple")
    assert judged.verdicts[1:] == (Verdict.CONFORMING, Verdict.INCONCLUSIVE)


@pytest.mark.parametrize(
    ("amplitude", "expected"),
    [
        (100 - 16.501, Verdict.CAUTION), (100 - 16.499, Verdict.INCONCLUSIVE), (116.499, Verdict.INCONCLUSIVE),
        (117.4, Verdict.NONCONFORMING), (50.0, Verdict.CONFORMING),
    ],
)  # fmt: skip
def test_harmonics_keep_the_same_guard_band_as_scalars(amplitude, expected):
    values = spectrum([0.0, amplitude], 10.0)
    assert judge_spectrum(values, plan(curves=[CURVE]), "guarded").verdicts[1] == expected
    assert verdict(amplitude, 10.0, limit(upper=100.0, caution=0.75), "guarded") == expected


def test_a_harmonic_is_outside_when_it_is_without_what_noise_adds():
    # sqrt(116.5² + 2 · 10²) = 117.355, of a limit of 100 and u = 10
    for amplitude, expected in ((117.35, Verdict.INCONCLUSIVE), (117.36, Verdict.NONCONFORMING)):
        judged = judge_spectrum(spectrum([0.0, amplitude], 10.0), plan(curves=[CURVE]), "guarded")
        assert judged.verdicts[1] == expected


def test_harmonic_at_its_limit_conforms_by_the_simple_rule():
    assert judge_spectrum(spectrum([0.0, 100.0]), plan(curves=[CURVE]), "simple").verdicts[1] == Verdict.CAUTION


def test_characteristics_hold_the_nearest_harmonic_and_every_one_not_conforming():
    analysis = Analysis((GOOD,), (), spectrum([0.0, 60.0, 90.0, 130.0]))
    found = judge(analysis, plan(curves=[CURVE]), "simple")
    assert [(c.instance, c.verdict) for c in found.characteristics] == [
        ("4", Verdict.NONCONFORMING), ("3", Verdict.CAUTION),
    ]  # fmt: skip
    quiet = judge(Analysis((GOOD,), (), spectrum([0.0, 40.0, 30.0, 20.0])), plan(curves=[CURVE]), "simple")
    assert [(c.instance, c.verdict) for c in quiet.characteristics] == [("2", Verdict.CONFORMING)]


# ---------------------------------------------------------------- a file


def test_everything_conforming_is_accepted_and_says_nothing():
    found = judge(one_value(0.5, 0.1), plan(limit(upper=1.0)), "guarded")
    assert (found.disposition, sentences(found.reasons)) == (Disposition.ACCEPT, ())


def test_caution_is_accepted_and_said():
    found = judge(one_value(0.8, 0.01), plan(limit(upper=1.0, caution=0.75)), "guarded")
    assert found.disposition == Disposition.ACCEPT
    assert sentences(found.reasons) == ("x = 0.80 ± 0.02 µm is near its upper limit 1",)


def test_inconclusive_is_held():
    found = judge(one_value(0.95, 0.1), plan(limit(upper=1.0)), "guarded")
    assert found.disposition == Disposition.HOLD
    assert sentences(found.reasons) == ("x = 0.95 ± 0.2 µm: too close to the upper limit 1 to decide",)


def test_failed_check_never_accepts_and_lets_nothing_reject_that_it_touches():
    assert judge(one_value(0.5, None, BAD), plan(limit(upper=1.0)), "guarded").disposition == Disposition.HOLD
    held = judge(one_value(1.5, 0.1, BAD), plan(limit(upper=1.0)), "guarded")
    assert held.disposition == Disposition.HOLD
    assert held.characteristics[0].verdict == Verdict.INCONCLUSIVE
    assert sentences(held.reasons) == (
        "spikes: 2 samples lie off the profile",
        "x = 1.5 ± 0.2 µm is above its upper limit 1, but a failed check touches it: spikes",
    )


def test_failed_check_does_not_save_what_it_does_not_touch():
    reach = replace(BAD, check="tip_reach")
    values = (
        Quantity("roundness_total", 1.5, "um", "", 0.1),
        Quantity("lead_mismatch", 9.0, "um/turn", "", 0.1),
    )
    limits = [ScalarLimit(characteristic=q.name, upper=1.0) for q in values]
    held = judge(Analysis((reach,), values[:1]), plan(limits[0]), "guarded")
    assert held.disposition == Disposition.HOLD
    rejected = judge(Analysis((reach,), values), plan(*limits), "guarded")
    assert rejected.disposition == Disposition.REJECT
    assert [c.verdict for c in rejected.characteristics] == [Verdict.INCONCLUSIVE, Verdict.NONCONFORMING]


def test_harmonics_that_a_failed_check_touches_reject_nothing():
    waves = spectrum([1000.0] * 600, 0.1)
    found = judge(Analysis((BAD,), (), waves), plan(curves=[CURVE]), "guarded")
    assert found.disposition == Disposition.HOLD
    assert Verdict.NONCONFORMING not in found.spectrum.verdicts
    assert (
        judge(Analysis((GOOD,), (), waves), plan(curves=[CURVE]), "guarded").disposition == Disposition.REJECT
    )


def test_without_a_budget_no_value_has_a_conformance_probability():
    found = judge(one_value(0.5, 0.1), plan(limit(upper=1.0)), "guarded", noise_only=True).characteristics[0]
    assert (found.verdict, found.conformance_probability, found.noise_only) == (Verdict.CONFORMING, None, True)
    stated = judge(one_value(0.5, 0.1), plan(limit(upper=1.0)), "guarded").characteristics[0]
    assert stated.conformance_probability > 0.999
    assert not stated.noise_only


def test_a_limit_that_nothing_answers_holds():
    absent = ScalarLimit(characteristic="y", upper=1.0)
    found = judge(one_value(0.5), plan(limit(upper=1.0), absent), "guarded")
    assert found.disposition == Disposition.HOLD
    assert sentences(found.reasons) == ("y: no value, though the recipe limits it",)
    assert found.characteristics[-1].verdict == Verdict.INCONCLUSIVE


def test_an_instance_that_nothing_answers_holds():
    wanted = ScalarLimit(characteristic="x", instance="top[2]", upper=1.0)
    assert judge(one_value(0.5), plan(wanted), "guarded").disposition == Disposition.HOLD


def test_a_curve_without_a_spectrum_holds():
    found = judge(Analysis((GOOD,), ()), plan(curves=[CURVE]), "guarded")
    assert found.disposition == Disposition.HOLD
    assert "harmonic amplitude: not known at every order that the recipe limits" in sentences(found.reasons)


def test_a_curve_that_reaches_beyond_the_spectrum_holds():
    found = judge(Analysis((GOOD,), (), spectrum([0.0, 40.0, 30.0])), plan(curves=[CURVE]), "guarded")
    assert found.disposition == Disposition.HOLD
    assert "harmonic amplitude: not known at every order that the recipe limits" in sentences(found.reasons)


def test_a_harmonic_that_is_not_a_number_holds():
    found = judge(Analysis((GOOD,), (), spectrum([0.0, 40.0, math.nan, 30.0])), plan(curves=[CURVE]), "simple")
    assert found.disposition == Disposition.HOLD
    assert sentences(found.reasons) == ("harmonic amplitude at 3 UPR: no value, though the recipe limits it",)
    assert all(c.value is None or math.isfinite(c.value) for c in found.characteristics)


def test_without_a_recipe_nothing_is_accepted():
    found = judge(one_value(0.5), None, "guarded")
    assert (found.disposition, sentences(found.reasons)) == (
        Disposition.HOLD, ("no recipe says what this trace must be",),
    )  # fmt: skip


def test_reasons_from_outside_hold_and_do_not_hide_a_reject():
    outside = [reason(Code.NO_RECIPE, part="P")]
    assert judge(one_value(0.5), plan(limit(upper=1.0)), "guarded", holds=outside).reasons == tuple(outside)
    found = judge(one_value(1.5), plan(limit(upper=1.0)), "guarded", holds=outside)
    assert found.disposition == Disposition.REJECT
    assert found.reasons[-1] == outside[0]


def test_limits_of_a_standard_are_drawn_together_with_those_of_the_recipe():
    extra = [ScalarLimit(characteristic="x", upper=0.4)]
    assert judge(one_value(0.5), plan(limit(upper=1.0)), "guarded", extra_limits=extra).disposition == (
        Disposition.REJECT
    )


def test_many_reasons_are_cut_and_counted():
    values = tuple(Quantity("x", 2.0, "um", str(i)) for i in range(30))
    found = judge(Analysis((GOOD,), values), plan(limit(upper=1.0)), "guarded")
    assert len(sentences(found.reasons)) == 21
    assert sentences(found.reasons)[-1] == "and 10 more"


@settings(max_examples=200, deadline=None)
@given(
    st.lists(
        st.tuples(st.one_of(st.none(), st.floats(-3, 3)), st.one_of(st.none(), st.floats(0, 2))), max_size=4
    ),
    st.lists(st.booleans(), max_size=3),
    st.lists(st.floats(0, 300), max_size=5),
    st.sampled_from(["guarded", "simple"]),
    st.booleans(),
)  # fmt: skip
def test_acceptance_needs_every_limit_met_and_every_check_passed(values, checks, amplitudes, rule, outside):
    analysis = Analysis(
        tuple(GOOD if ok else BAD for ok in checks),
        tuple(Quantity("x", v, "um", str(i), u) for i, (v, u) in enumerate(values)),
        spectrum(amplitudes, 5.0) if amplitudes else None,
    )
    asked = plan(limit(-1.0, 1.0), curves=[CURVE])
    found = judge(analysis, asked, rule, holds=["from outside"] if outside else ())
    fine = {Verdict.CONFORMING, Verdict.CAUTION, Verdict.UNJUDGED}
    bad = any(c.verdict == Verdict.NONCONFORMING for c in found.characteristics)
    doubt = not all(c.verdict in fine for c in found.characteristics) or not all(checks) or outside
    expected = Disposition.REJECT if bad else Disposition.HOLD if doubt else Disposition.ACCEPT
    assert found.disposition == expected
    if found.disposition == Disposition.ACCEPT:
        assert values
        assert len(amplitudes) >= 4
        assert all(v is not None and -1.0 <= v <= 1.0 for v, _ in values)
        assert all(a <= 100.0 for a in amplitudes[1:4])


def test_every_harmonic_beyond_its_limit_is_listed_the_worst_first():
    found = judge(Analysis((GOOD,), (), spectrum([0.0, 120.0, 90.0, 130.0])), plan(curves=[CURVE]), "simple")
    assert [(c.instance, c.verdict) for c in found.characteristics] == [
        ("4", Verdict.NONCONFORMING), ("2", Verdict.NONCONFORMING), ("3", Verdict.CAUTION),
    ]  # fmt: skip


def test_waves_without_a_plan_are_not_judged():
    judged = judge_spectrum(spectrum([1e6, 1e6]), None, "guarded")
    assert set(judged.verdicts) <= {Verdict.UNJUDGED}
    assert judged.named == ()


def test_curve_of_the_first_order_alone_holds_a_trace_without_a_spectrum():
    curve = CurveLimit(np.array([0.5, 1.0]), np.array([100.0, 100.0]), None)
    assert judge(Analysis((GOOD,), ()), plan(curves=[curve]), "guarded").disposition == Disposition.HOLD


@pytest.mark.parametrize("value", [0.95, 1.05])
def test_value_whose_uncertainty_holds_its_limit_is_undecided_whatever_check_failed(value):
    found = judge(one_value(value, 0.1, BAD), plan(limit(upper=1.0)), "guarded")
    assert sentences(found.reasons) == (
        "spikes: 2 samples lie off the profile",
        f"x = {value} ± 0.2 µm: too close to the upper limit 1 to decide",
    )

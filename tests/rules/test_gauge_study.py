"""Analysis of variance against certified sets, gauge studies against a published example and planted values."""

from __future__ import annotations

import importlib.util
import math
import re
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest

from edgeagent.errors import AnalysisError, TraceRangeError
from edgeagent.rules import gauge_study
from edgeagent.rules.gauge_study import anova_study, one_way, range_study, repeat_study, two_way

NIST = Path(__file__).resolve().parents[2] / "fixtures" / "nist"

# Ten parts by three appraisers, three trials each: the example data of the AIAG manual on measurement systems
# analysis, 4th edition, as public test suites quote them.
AIAG = """
.29 -.56 1.34 .47 -.80 .02 .59 -.31 2.26 -1.36
.41 -.68 1.17 .50 -.92 -.11 .75 -.20 1.99 -1.25
.64 -.58 1.27 .64 -.84 -.21 .66 -.17 2.01 -1.31
.08 -.47 1.19 .01 -.56 -.20 .47 -.63 1.80 -1.68
.25 -1.22 .94 1.03 -1.20 .22 .55 .08 2.12 -1.62
.07 -.68 1.34 .20 -1.28 .06 .83 -.34 2.19 -1.50
.04 -1.38 .88 .14 -1.46 -.29 .02 -.46 1.77 -1.49
-.11 -1.13 1.09 .20 -1.07 -.67 .01 -.56 1.45 -1.77
-.15 -.96 .67 .11 -1.45 -.49 .21 -.49 1.87 -2.16
"""


def aiag():
    """The example as values[part][appraiser][trial]."""
    rows = np.array([[float(v) for v in line.split()] for line in AIAG.split("\n") if line])
    return rows.reshape(3, 3, 10).transpose(2, 0, 1).tolist()


def nist_set(name):
    """A certified set from the fixtures, or from the scipy installed for those too large to keep here."""
    path = NIST / f"{name}.dat"
    if not path.exists():
        spec = importlib.util.find_spec("scipy.stats")
        path = Path(spec.origin).parent / "tests" / "data" / "nist_anova" / f"{name}.dat"
        if not path.exists():
            pytest.skip(f"this installation of scipy does not carry {name}.dat")
    lines = path.read_text().splitlines()
    groups, texts = {}, []
    for line in lines[60:]:
        if line.strip():
            label, text = line.split()
            groups.setdefault(label, []).append(float(text))
            texts.append(text)
    number = r"-?\d\.\d+E[+-]\d+"
    head = "\n".join(lines[38:50])
    between = re.search(rf"Between.*?({number})\s+({number})\s+({number})", head)
    within = re.search(rf"Within.*?({number})\s+({number})", head)
    certified = {
        "ss_between": between[1],
        "ss_within": within[1],
        "f": between[3],
        "r_squared": re.search(rf"R-Squared\s+({number})", head)[1],
        "residual_sd": re.search(rf"Deviation\s+({number})", head)[1],
    }
    return list(groups.values()), {k: float(v) for k, v in certified.items()}


def in_fractions(groups):
    """One-way analysis of variance of the very doubles in rational numbers: a second hand without rounding."""
    # As whole numbers of a power of two sums and squares are exact, and far quicker than fractions.
    scale = max(v.as_integer_ratio()[1] for g in groups for v in g)
    exact = [[n * (scale // d) for n, d in (v.as_integer_ratio() for v in g)] for g in groups]
    count = sum(len(g) for g in exact)
    squares, by_group = sum(v * v for g in exact for v in g), sum(Fraction(sum(g) ** 2, len(g)) for g in exact)
    between = (by_group - Fraction(sum(map(sum, exact)) ** 2, count)) / scale**2
    within = (squares - by_group) / scale**2
    df_between, df_within = len(exact) - 1, count - len(exact)
    return {
        "ss_between": float(between),
        "ss_within": float(within),
        "f": float(between / df_between / (within / df_within)),
        "r_squared": float(between / (between + within)),
        "residual_sd": math.sqrt(within / df_within),
    }


def digits(value, wanted):
    """How many leading digits agree (logarithm of the relative error), 15 at most."""
    return 15.0 if value == wanted else min(15.0, -math.log10(abs(value - wanted) / abs(wanted)))


@pytest.mark.parametrize("name", ["SiRstv", "AtmWtAg", *(f"SmLs0{n}" for n in range(1, 10))])
def test_one_way_analysis_agrees_with_the_certified_set_as_far_as_doubles_hold_its_data(name):
    # NIST StRD, one-way analysis of variance. Data with 13 leading digits are not exact as doubles: what
    # rational numbers make of the very doubles is the most that any engine can reach.
    groups, certified = nist_set(name)
    found, exact = one_way(groups), in_fractions(groups)
    for key, wanted in certified.items():
        value = getattr(found, key)
        assert digits(value, exact[key]) > 13.0, key
        assert digits(value, wanted) > min(13.0, digits(exact[key], wanted)) - 0.05, key


def test_sets_whose_data_doubles_hold_well_agree_to_twelve_certified_digits():
    # NIST StRD
    for name in ("SiRstv", "SmLs01", "SmLs02", "SmLs03"):
        groups, certified = nist_set(name)
        found = one_way(groups)
        for key, wanted in certified.items():
            assert digits(getattr(found, key), wanted) > 12.0, (name, key)


def test_one_way_analysis_of_the_handbook_has_its_published_table():
    # NIST/SEMATECH e-Handbook 7.4.2: three levels of five values; data remembered, sums of squares, mean square
    # and F seen on its page 7.4.2.4
    found = one_way([[6.9, 5.4, 5.8, 4.6, 4.0], [8.3, 6.8, 7.8, 9.2, 6.5], [8.0, 10.5, 8.1, 6.9, 9.3]])
    assert (found.ss_between, found.ss_within) == pytest.approx((27.897, 17.452), abs=5e-4)
    assert (found.df_between, found.df_within) == (2, 12)
    assert found.ms_between == pytest.approx(13.949, abs=5e-4)
    assert found.f == pytest.approx(9.59, abs=5e-3)


def test_two_way_sums_of_squares_are_those_of_least_squares_on_indicators():
    # A second way: residual sums of squares of nested models, fitted with numpy
    random = np.random.default_rng(3)
    parts, operators, trials = 6, 3, 4
    values = 50 + random.normal(0, 1, (parts, 1, 1)) + random.normal(0, 1, (parts, operators, trials))
    y = values.ravel()
    part, operator, _ = (index.ravel() for index in np.indices(values.shape))

    def residual(*labels):
        columns = [np.ones((y.size, 1)), *(np.eye(label.max() + 1)[label] for label in labels)]
        design = np.hstack(columns)
        return np.sum((y - design @ np.linalg.lstsq(design, y, rcond=None)[0]) ** 2)

    total, both, cells = residual(), residual(part, operator), residual(part * operators + operator)
    wanted = [total - residual(part), total - residual(operator), both - cells, cells]
    assert [s.ss for s in two_way(values.tolist())] == pytest.approx(wanted, rel=1e-9)


def test_probability_of_f_is_that_of_the_distribution():
    # Upper 5 % point of F with 4 and 20 degrees of freedom: 2.866 (any table of F)
    _, p = gauge_study._f_test(2.8661, 4, 1.0, 20)
    assert p == pytest.approx(0.05, abs=2e-5)


def test_anova_of_the_aiag_example_has_its_published_table():
    # AIAG MSA, 4th edition, as public test suites quote the results, computed again
    part, operator, both, error = two_way(aiag())
    assert [s.ss for s in (part, operator, both, error)] == pytest.approx(
        [88.361934, 3.167262, 0.358982, 2.758933], abs=1e-6
    )
    assert [s.ms for s in (part, operator, both, error)] == pytest.approx(
        [9.817993, 1.583631, 0.019943, 0.045982], abs=1e-6
    )
    assert [s.df for s in (part, operator, both, error)] == [9, 2, 18, 60]
    assert both.f == pytest.approx(0.433721, abs=1e-6)
    assert both.p == pytest.approx(0.974106, abs=1e-6)


def test_anova_study_of_the_aiag_example_has_its_published_components():
    # AIAG MSA, 4th edition, interaction pooled
    study = anova_study(aiag())
    assert study.pooled
    assert study.repeatability_sd**2 == pytest.approx(0.0399733, abs=1e-7)
    assert study.operator_sd**2 == pytest.approx(0.0514553, abs=1e-7)
    assert study.gauge_sd == pytest.approx(0.302372, abs=1e-6)
    assert study.part_sd == pytest.approx(1.042327, abs=1e-6)
    assert study.total_sd == pytest.approx(1.085300, abs=1e-6)
    assert study.study_percent == pytest.approx(27.86, abs=0.005)
    assert study.categories == 4
    assert study.degrees_of_freedom == 78


def test_average_and_range_of_the_aiag_example_has_its_published_components():
    # AIAG MSA, 4th edition
    study = range_study(aiag())
    assert study.repeatability_sd == pytest.approx(0.201857, abs=1e-6)
    assert study.operator_sd == pytest.approx(0.229667, abs=1e-6)
    assert study.gauge_sd == pytest.approx(0.305766, abs=1e-6)
    assert study.part_sd == pytest.approx(1.104596, abs=1e-6)
    assert study.total_sd == pytest.approx(1.146135, abs=1e-6)
    assert study.study_percent == pytest.approx(26.678, abs=0.001)
    assert study.categories == 5


def test_constants_of_ranges_agree_with_the_integrals_that_define_them():
    # d2 = E(R), d3² = E(R²) - d2² of n standard normal values, integrated here from its distribution
    from scipy.stats import norm

    x = np.linspace(-8, 8, 801)
    step = x[1] - x[0]
    below = norm.cdf(x)
    inside = np.clip(below[None, :] - below[:, None], 0, None)
    gap = np.clip(x[None, :] - x[:, None], 0, None) > 0
    for n in (2, 5, 10):
        d2 = np.sum(1 - below**n - (1 - below) ** n) * step
        # E(R²) = 2 ∫∫_{x<y} P(min <= x, max > y) dx dy
        both = 1 - below[None, :] ** n - (1 - below[:, None]) ** n + inside**n
        second = 2 * np.sum(np.where(gap, both, 0.0)) * step**2
        second += np.sum(1 - below**n - (1 - below) ** n) * step**2  # the diagonal's half cells
        assert gauge_study._D2[n - 2] == pytest.approx(d2, abs=1e-5)
        assert gauge_study._D3[n - 2] == pytest.approx(math.sqrt(second - d2**2), abs=2e-4)


def test_planted_components_come_back():
    random = np.random.default_rng(7)
    parts, operators, trials = 60, 20, 3
    values = (
        100.0
        + random.normal(0, 3.0, (parts, 1, 1))
        + random.normal(0, 1.0, (1, operators, 1))
        + random.normal(0, 0.8, (parts, operators, 1))
        + random.normal(0, 0.5, (parts, operators, trials))
    )
    study = anova_study(values.tolist())
    assert not study.pooled
    assert study.repeatability_sd == pytest.approx(0.5, rel=0.05)
    assert study.interaction_sd == pytest.approx(0.8, rel=0.1)
    assert study.operator_sd == pytest.approx(1.0, rel=0.5)
    assert study.part_sd == pytest.approx(3.0, rel=0.3)


def test_study_without_operators_finds_the_repeatability_of_unequal_trials():
    random = np.random.default_rng(11)
    groups = [list(10 * i + random.normal(0, 0.2, 2 + i % 4)) for i in range(200)]
    study = repeat_study(groups)
    assert study.repeatability_sd == pytest.approx(0.2, rel=0.08)
    assert study.operator_sd == 0
    assert study.gauge_sd == study.repeatability_sd
    assert study.degrees_of_freedom == sum(len(g) - 1 for g in groups)
    assert study.trials == pytest.approx(3.5, abs=0.05)


def test_effective_degrees_of_freedom_are_those_of_the_scatter_of_the_gauge_variance():
    # Var(s²) = 2 σ⁴/ν defines ν; 600 invented studies of eight parts, six operators and two trials
    random = np.random.default_rng(1)
    found = [
        anova_study(
            (
                random.normal(0, 3.0, (8, 1, 1))
                + random.normal(0, 0.3, (1, 6, 1))
                + random.normal(0, 0.3, (8, 6, 1))
                + random.normal(0, 0.5, (8, 6, 2))
            ).tolist()
        )
        for _ in range(600)
    ]
    variances = np.array([s.gauge_sd**2 for s in found])
    scatter = 2 * variances.mean() ** 2 / variances.var()
    assert np.median([s.gauge_degrees_of_freedom for s in found]) == pytest.approx(scatter, rel=0.25)


def test_effective_degrees_of_freedom_of_the_aiag_example_follow_from_its_mean_squares():
    # Pooled: gauge variance = MS_operator/30 + MS_error (1 - 1/30), by hand from the published table
    operator, error = 1.583631 / 30, 0.0399733 * 29 / 30
    wanted = (operator + error) ** 2 / (operator**2 / 2 + error**2 / 78)
    assert anova_study(aiag()).gauge_degrees_of_freedom == pytest.approx(wanted, rel=1e-5)
    assert 5 < wanted < 7


def test_mean_square_of_an_interaction_below_zero_leaves_the_degrees_of_freedom_to_the_others():
    # Not pooled, by hand from the published table: gauge variance (MS_operator - MS_interaction)/30 + MS_error
    study = anova_study(aiag(), pool_above=1.0)
    assert (study.pooled, study.floored, study.interaction_sd) == (False, ("interaction",), 0.0)
    operator, both, error = 1.583631 / 30, -0.019943 / 30, 0.045982
    wanted = (operator + both + error) ** 2 / (operator**2 / 2 + both**2 / 18 + error**2 / 60)
    assert study.gauge_degrees_of_freedom == pytest.approx(wanted, rel=1e-5)


def test_interaction_between_trials_that_never_differ_is_no_repeatability():
    values = [[[1.0, 1.0], [1.2, 1.2]], [[2.0, 2.0], [2.0, 2.0]], [[3.0, 3.0], [3.1, 3.1]]]
    study = anova_study(values)
    assert not study.pooled
    assert study.repeatability_sd == 0
    # By hand: deviations ±0.05, 0, ±0.05 of two trials each, sum of squares 0.02 over 2 degrees of freedom; the
    # component is half of that mean square with two trials
    assert study.interaction_sd**2 == pytest.approx(0.005)
    assert study.gauge_sd > 0


def test_component_below_zero_counts_as_zero_and_is_named():
    values = [[[0.0, 2.0], [2.0, 0.0]], [[1.0, 1.2], [0.8, 1.0]]]
    study = anova_study(values)
    assert study.part_sd == 0
    assert "part" in study.floored
    assert study.categories == 1


def test_gauge_that_never_varies_tells_any_number_of_parts_apart():
    study = repeat_study([[1.0, 1.0], [2.0, 2.0]])
    assert study.gauge_sd == 0
    assert study.categories is None
    assert study.table[0].f is None


def test_share_of_the_tolerance_needs_both_limits():
    study = range_study(aiag())
    assert study.tolerance_percent(-3.0, 3.0) == pytest.approx(100 * 0.305766, abs=1e-4)
    assert study.tolerance_percent(None, 3.0) is None


def test_origin_of_the_values_does_not_change_a_study():
    moved = [[[v + 1e6 for v in cell] for cell in row] for row in aiag()]
    assert anova_study(moved).gauge_sd == pytest.approx(anova_study(aiag()).gauge_sd, rel=1e-8)


@pytest.mark.parametrize(
    "values",
    [
        [[[1.0, 2.0]]],
        [[[1.0], [2.0]], [[1.0], [2.0]]],
        [[[1.0, 2.0], [1.0]], [[1.0, 2.0], [1.0, 2.0]]],
        [[[1.0, 2.0], [1.0, 2.0]], [[1.0, 2.0]]],
        [],
    ],
)
def test_study_that_is_no_full_square_is_refused(values):
    with pytest.raises(AnalysisError):
        two_way(values)
    with pytest.raises(AnalysisError):
        range_study(values)


def test_groups_that_tell_nothing_are_refused():
    for groups in ([[1.0, 2.0]], [[1.0], [2.0]], [[], [1.0, 2.0]]):
        with pytest.raises(AnalysisError):
            one_way(groups)
    with pytest.raises(TraceRangeError):
        one_way([[1.0, math.nan], [1.0, 2.0]])


def test_one_way_table_of_a_small_example_is_that_of_the_definitions():
    # Groups 1, 3 and 5, 7, 9: means 2 and 7, grand mean 5; between 2·3² + 3·2² = 30, within 1+1+4+0+4 = 10
    found = one_way([[1.0, 3.0], [5.0, 7.0, 9.0]])
    assert (found.ss_between, found.ss_within) == (pytest.approx(30.0), pytest.approx(10.0))
    assert (found.df_between, found.df_within) == (1, 3)
    assert (found.ms_between, found.ms_within) == (pytest.approx(30.0), pytest.approx(10.0 / 3.0))
    assert found.f == pytest.approx(9.0)
    assert found.r_squared == pytest.approx(0.75)
    assert found.residual_sd == pytest.approx(math.sqrt(10.0 / 3.0))
    assert found.group_size == pytest.approx(5.0 - (4.0 + 9.0) / 5.0)


def test_groups_of_values_that_never_vary_have_neither_ratio_nor_share():
    found = one_way([[2.0, 2.0], [2.0]])
    assert (found.f, found.p, found.r_squared, found.residual_sd) == (None, None, None, 0.0)
    apart = one_way([[2.0, 2.0], [3.0]])
    assert (apart.f, apart.p, apart.r_squared) == (None, None, 1.0)


def test_smallest_full_square_is_taken_and_its_table_is_that_of_the_definitions():
    # Cell means 1, 3 / 5, 11; grand mean 5; effects of parts ∓3, of operators ∓2, interaction ±1; trials ±1
    table = {s.name: s for s in two_way([[[0.0, 2.0], [2.0, 4.0]], [[4.0, 6.0], [10.0, 12.0]]])}
    assert {name: (s.ss, s.df) for name, s in table.items()} == {
        "part": (pytest.approx(72.0), 1),
        "operator": (pytest.approx(32.0), 1),
        "interaction": (pytest.approx(8.0), 1),
        "repeatability": (pytest.approx(8.0), 4),
    }
    assert table["part"].f == pytest.approx(72.0 / 8.0)
    assert table["operator"].f == pytest.approx(32.0 / 8.0)
    assert table["interaction"].f == pytest.approx(8.0 / 2.0)
    assert table["repeatability"].f is None
    assert range_study([[[0.0, 2.0], [2.0, 4.0]], [[4.0, 6.0], [10.0, 12.0]]]).operators == 2


def test_components_of_a_small_example_are_those_of_the_expected_mean_squares():
    # Mean squares 72, 32, 8 and 2 as above: interaction (8 - 2)/2, operators (32 - 8)/4, parts (72 - 8)/4
    values = [[[0.0, 2.0], [2.0, 4.0]], [[4.0, 6.0], [10.0, 12.0]]]
    study = anova_study(values, pool_above=0.9)
    assert not study.pooled
    assert study.repeatability_sd**2 == pytest.approx(2.0)
    assert study.interaction_sd**2 == pytest.approx(3.0)
    assert study.operator_sd**2 == pytest.approx(6.0)
    assert study.part_sd**2 == pytest.approx(16.0)
    assert study.gauge_sd**2 == pytest.approx(11.0)
    assert study.total_sd**2 == pytest.approx(27.0)
    assert (study.method, study.parts, study.operators, study.trials) == ("anova", 2, 2, 2.0)
    assert study.categories == math.floor(1.41 * 4.0 / math.sqrt(11.0))
    # Gauge variance = 32/4 + 8 (1/2 - 1/4) + 2 (1 - 1/2) = 8 + 2 + 1
    assert study.gauge_degrees_of_freedom == pytest.approx(11.0**2 / (8.0**2 / 1 + 2.0**2 / 1 + 1.0**2 / 4))


def test_interaction_is_pooled_only_where_chance_makes_it_likelier_than_asked():
    values = [[[0.0, 2.0], [2.0, 4.0]], [[4.0, 6.0], [10.0, 12.0]]]
    probability = anova_study(values).table[2].p
    assert not anova_study(values, pool_above=probability).pooled
    pooled = anova_study(values, pool_above=0.99 * probability)
    assert pooled.pooled
    assert pooled.repeatability_sd**2 == pytest.approx((8.0 + 8.0) / 5)
    assert (pooled.interaction_sd, pooled.degrees_of_freedom) == (0.0, 5)
    assert pooled.operator_sd**2 == pytest.approx((32.0 - 3.2) / 4)


def test_interaction_below_zero_leaves_the_gauge_with_the_repeatability_of_its_cells():
    # All means are 1: mean squares 0, 0, 0 and 2; the interaction would be (0 - 2)/2, the others are zero
    study = anova_study([[[0.0, 2.0], [0.0, 2.0]], [[0.0, 2.0], [0.0, 2.0]]], pool_above=1.0)
    assert not study.pooled
    assert study.floored == ("interaction",)
    assert study.gauge_sd == study.repeatability_sd == pytest.approx(math.sqrt(2.0))
    assert study.gauge_degrees_of_freedom == pytest.approx(4)
    assert study.study_percent == pytest.approx(100.0)


def test_nothing_that_varies_has_no_share_of_anything():
    study = repeat_study([[1.0, 1.0], [1.0, 1.0]])
    assert study.study_percent is None
    assert study.categories is None
    assert study.floored == ()
    assert anova_study([[[1.0, 1.0]] * 2] * 2).gauge_degrees_of_freedom == math.inf


def test_study_of_parts_alone_takes_the_part_component_from_the_mean_square_between():
    # As the small example above: mean squares 30 and 10/3, group size 2.4
    study = repeat_study([[1.0, 3.0], [5.0, 7.0, 9.0]])
    assert study.part_sd**2 == pytest.approx((30.0 - 10.0 / 3.0) / 2.4)
    assert (study.parts, study.operators, study.trials) == (2, 1, pytest.approx(2.4))
    assert (study.degrees_of_freedom, study.gauge_degrees_of_freedom) == (3, 3.0)
    assert [(s.name, s.df) for s in study.table] == [("part", 1), ("repeatability", 3)]
    assert study.interaction_sd == 0.0


def test_every_gauge_tells_at_least_one_category():
    assert repeat_study([[1.0, 9.0], [1.0, 9.0], [2.0, 8.1]]).categories == 1


def test_share_of_the_tolerance_is_six_standard_deviations_over_its_width():
    study = repeat_study([[1.0, 3.0], [5.0, 7.0]])
    assert study.tolerance_percent(10.0, 34.0) == pytest.approx(100 * 6 * math.sqrt(2.0) / 24.0)
    assert study.tolerance_percent(10.0, None) is None


def test_studies_of_like_characteristics_are_pooled_by_their_variances():
    one, two = repeat_study([[1.0, 3.0], [5.0, 7.0]]), repeat_study([[0.0, 0.2, 0.4], [3.0, 3.0]])
    both = gauge_study.pooled_study([one, two])
    for origin in ("repeatability_sd", "gauge_sd", "part_sd", "total_sd"):
        wanted = math.sqrt((getattr(one, origin) ** 2 + getattr(two, origin) ** 2) / 2)
        assert getattr(both, origin) == pytest.approx(wanted)
    assert (both.degrees_of_freedom, both.gauge_degrees_of_freedom) == (2, 2.0)
    assert both.categories == math.floor(1.41 * both.part_sd / both.gauge_sd)
    assert (both.table, both.floored, both.pooled) == ((), (), False)
    operators = gauge_study.pooled_study([anova_study(aiag()), one])
    assert operators.operator_sd == pytest.approx(anova_study(aiag()).operator_sd / math.sqrt(2))
    assert not operators.pooled
    with pytest.raises(AnalysisError):
        gauge_study.pooled_study([])


def test_average_and_range_is_made_for_two_to_ten_of_each():
    def square(parts, operators, trials):
        return [
            [[i + 0.1 * j + 0.01 * k for k in range(trials)] for j in range(operators)] for i in range(parts)
        ]

    for size in ((2, 2, 2), (10, 10, 10)):
        study = range_study(square(*size))
        assert (study.parts, study.operators, study.trials) == size
        assert study.degrees_of_freedom == size[0] * size[1] * (size[2] - 1)
        assert study.gauge_degrees_of_freedom == study.degrees_of_freedom
        assert study.method == "range"
    for size in ((11, 2, 2), (2, 11, 2), (2, 2, 11), (1, 2, 2), (2, 1, 2), (2, 2, 1)):
        with pytest.raises(AnalysisError, match="2 to 10"):
            range_study(square(*size))


def test_average_and_range_of_a_small_example_is_worked_out_by_hand():
    # Ranges 2 in each cell; operators' means 3 and 7, parts' means 2 and 8; 1/1.12838 = 0.8862, and
    # 1/sqrt(1.12838² + 0.8525²) = 0.7071
    study = range_study([[[0.0, 2.0], [2.0, 4.0]], [[4.0, 6.0], [10.0, 12.0]]])
    ev = 2.0 * 0.8862
    assert study.repeatability_sd == pytest.approx(ev)
    assert study.operator_sd == pytest.approx(math.sqrt((4.0 * 0.7071) ** 2 - ev**2 / 4))
    assert study.part_sd == pytest.approx(6.0 * 0.7071)
    assert study.interaction_sd == 0.0


def test_number_that_is_not_finite_is_named_by_its_place_in_the_square():
    with pytest.raises(TraceRangeError, match="value 2 is not a finite number"):
        two_way([[[1.0, 2.0], [math.inf, 1.0]], [[1.0, 2.0], [1.0, 2.0]]])


def test_study_of_no_parts_says_what_it_needs():
    for study in (two_way, range_study):
        with pytest.raises(AnalysisError, match="needs"):
            study([])


def test_interaction_that_is_estimated_below_zero_adds_nothing_to_the_degrees_of_freedom_of_the_gauge():
    # Mean squares by hand: operators 8 (means 1 and 3), interaction 0, trials 0.5; at 1.0 nothing is pooled
    study = anova_study([[[0.5, 1.5], [2.5, 3.5]], [[0.5, 1.5], [2.5, 3.5]]], pool_above=1.0)
    assert study.floored == ("interaction",)
    operator, error = 8.0 / 4, 0.5
    wanted = (operator + error) ** 2 / (operator**2 / 1 + error**2 / 4)
    assert study.gauge_degrees_of_freedom == pytest.approx(wanted)

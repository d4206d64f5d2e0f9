"""Uncertainty budgets: published examples, an independent calculator, and what each line counts."""

from __future__ import annotations

import math

import GTC
import numpy as np
import pytest

from edgeagent.analysis.budget.contributions import (
    Known,
    at_reference_temperature,
    contributions,
    harmonic_uncertainty_nm,
    interpolate,
    wanted_influences,
)
from edgeagent.codec.configuration.recipe import parse_recipe
from edgeagent.codec.configuration.settings import parse_settings
from edgeagent.errors import ConfigError
from edgeagent.judging.configuration import describe_kind
from edgeagent.model import (
    Contribution,
    Influences,
    InstrumentUncertainty,
    PartUncertainty,
    Quantity,
    Spectrum,
)
from edgeagent.rules.budget import combine, coverage_factor

NOTHING = InstrumentUncertainty()


def effects(quantity, known):
    return {c.source: c.effect for c in contributions(quantity, known)}


def end_gauge():
    """JCGM 100:2008, H.1: calibration of an end gauge, first-order terms, in nm."""
    length_nm, expansion = 50_000_623.0, 11.5e-6
    comparison = (
        Contribution("repeated observations", 5.8, "nm", 1.0, 24),
        Contribution("comparator, random", 3.9, "nm", 1.0, 5),
        Contribution("comparator, systematic", 6.7, "nm", 1.0, 8),
    )
    return (
        Contribution("standard", 25.0, "nm", 1.0, 18),
        *comparison,
        Contribution("difference of expansion coefficients", 1e-6 / math.sqrt(3), "1/K", length_nm * 0.1, 50),
        Contribution("difference of temperatures", 0.05 / math.sqrt(3), "K", -length_nm * expansion, 2),
    ), comparison


def test_end_gauge_of_the_guide():
    everything, comparison = end_gauge()
    found = combine(comparison)
    # JCGM 100:2008, H.1.3.2: u(d) = 9.7 nm and 25.6 degrees of freedom
    assert found.standard_uncertainty == pytest.approx(9.681941954, abs=1e-8)
    assert found.degrees_of_freedom == pytest.approx(25.447, abs=1e-3)
    whole = combine(everything)
    # H.1.4, H.1.6: u = 32 nm, 16 degrees of freedom, U99 = 93 nm (k = 2.92); more digits by another hand
    assert whole.standard_uncertainty == pytest.approx(31.66387911, abs=1e-7)
    assert math.floor(whole.degrees_of_freedom) == 16
    k = coverage_factor(whole.degrees_of_freedom, 0.99)
    assert k == pytest.approx(2.92, abs=0.005)
    # the guide multiplies its rounded 32 nm
    assert k * 32 == pytest.approx(93, abs=0.6)


def test_an_independent_calculator_finds_the_same():
    everything, _ = end_gauge()
    total = sum(
        c.sensitivity * GTC.ureal(0.0, c.standard_uncertainty, c.degrees_of_freedom) for c in everything
    )
    found = combine(everything)
    assert found.standard_uncertainty == pytest.approx(total.u, rel=1e-12)
    assert found.degrees_of_freedom == pytest.approx(total.df, rel=1e-10)


def test_coverage_factors_of_the_guide():
    # JCGM 100:2008, table G.2, columns 95 % and 99 %
    for dof, p95, p99 in ((1, 12.71, 63.66), (5, 2.57, 4.03), (10, 2.23, 3.17), (50, 2.01, 2.68)):
        assert coverage_factor(dof) == pytest.approx(p95, abs=0.005)
        assert coverage_factor(dof + 0.9, 0.99) == pytest.approx(p99, abs=0.005), "degrees of freedom are cut"
    assert coverage_factor(math.inf) == pytest.approx(1.960, abs=0.0005)
    assert coverage_factor(0.4) == coverage_factor(1.0) == pytest.approx(12.706, abs=0.0005), "never below one"


@pytest.mark.parametrize(("u", "dof"), [(-1.0, 5.0), (math.nan, 5.0), (1.0, 0.5)])
def test_impossible_contributions_are_refused(u, dof):
    with pytest.raises(ValueError, match="source"):
        combine([Contribution("source", u, "nm", 1.0, dof)])


def test_temperature_counts_thermometer_coefficient_and_departure():
    part = PartUncertainty(expansion_per_k=11.5e-6, expansion_uncertainty_per_k=1e-6)
    instrument = InstrumentUncertainty(temperature_k=0.2, temperature_dof=10)
    q = Quantity("pitch", 5.0, "mm", "1", 1e-5)
    influences = Influences(length_scale={("pitch", "1"): 5.0})
    assert effects(q, Known(influences, instrument, part, 22.0)) == {
        "noise of this trace": 1e-5,
        "temperature": pytest.approx(5 * 11.5e-6 * 0.2),
        "expansion coefficient": pytest.approx(5 * 2 * 1e-6),
        "departure from 20 °C": pytest.approx(5 * 11.5e-6 * 2),
    }


def test_values_at_reference_temperature_lose_the_expansion_and_its_departure():
    part = PartUncertainty(expansion_per_k=11.5e-6, expansion_uncertainty_per_k=1e-6, correct_temperature=True)
    influences = Influences(length_scale={("mean_travel_deviation", ""): 800_000.0})
    known = Known(influences, InstrumentUncertainty(temperature_k=0.1), part, 22.0)
    e, v = at_reference_temperature(
        (Quantity("mean_travel_deviation", 20.0, "um"), Quantity("travel_variation", 5.0, "um")), known
    )
    # 800 mm of steel are 18.4 µm longer at 22 °C (11.5e-6 per K: handbook value, common practice)
    assert e.value == pytest.approx(20.0 - 18.4)
    assert v.value == 5.0
    assert effects(e, known) == {
        "temperature": pytest.approx(0.92),
        "expansion coefficient": pytest.approx(1.6),
    }
    # A trace that does not tell its temperature is not corrected.
    assert at_reference_temperature((e,), Known(influences, NOTHING, part, None)) == (e,)


def test_only_what_a_stated_uncertainty_meets_is_asked_of_the_kind():
    assert wanted_influences(NOTHING, PartUncertainty()) == frozenset()
    assert wanted_influences(NOTHING, PartUncertainty(expansion_per_k=1e-5)) == {"length_scale"}
    stated = InstrumentUncertainty(tip_radius_mm=0.001, waves=((10.0, 0.01, 0.0),))
    assert wanted_influences(stated, PartUncertainty()) == {"tip_radius_mm", "gauge_scale"}


def test_artefact_is_interpolated_over_the_logarithm_of_upr():
    waves = ((10.0, 0.01, -0.02), (1000.0, 0.03, 0.04))
    u, deviation = interpolate(waves, np.array([2.0, 10.0, 100.0, 1000.0, 4000.0]))
    assert u == pytest.approx([0.01, 0.01, 0.02, 0.03, 0.03])
    assert deviation == pytest.approx([0.02, 0.02, 0.01, 0.04, 0.04])


def test_artefact_counts_for_an_rms_as_its_own_waves_do():
    # Truth by changing every wave by its own share: an RMS of waves of 30 and 40 nm.
    waves = ((10.0, 0.01, 0.0), (1000.0, 0.03, 0.10))
    amplitude = np.zeros(500)
    amplitude[[9, 99]] = 30.0, 40.0
    spectrum = Spectrum(np.arange(1, 501), amplitude, np.zeros(500), np.zeros(500))
    at = {("band_rms", "2-15"): 30.0, ("band_rms", "2-500"): 50.0, ("roundness_total", ""): 120.0}
    at = {key: value / math.sqrt(2) for key, value in at.items()}
    known = Known(
        Influences(gauge_scale=at), InstrumentUncertainty(waves=waves), PartUncertainty(), spectrum=spectrum
    )
    u, deviation = interpolate(waves, np.arange(1.0, 501.0))
    for (name, instance), rms in at.items():
        found = effects(Quantity(name, rms, "nm", instance), known)
        if name == "band_rms":
            low, high = (int(end) for end in instance.split("-"))
            changed = np.sqrt(np.sum((amplitude * (1 + 1e-6 * u))[low - 1 : high] ** 2) / 2)
            assert found["artefact's certificate"] == pytest.approx((changed - rms) / 1e-6, rel=1e-4)
            changed = np.sqrt(np.sum((amplitude * (1 + 1e-6 * deviation))[low - 1 : high] ** 2) / 2)
            assert found.get("artefact's last deviation", 0.0) == pytest.approx(
                (changed - rms) / 1e-6, abs=1e-3
            )
        else:
            assert found["artefact's certificate"] == pytest.approx(rms * u.max())


def test_every_harmonic_gets_noise_scale_artefact_and_tip():
    instrument = InstrumentUncertainty(gauge_scale=0.03, tip_radius_mm=0.002, waves=((10.0, 0.04, 0.12),))
    part = PartUncertainty(repeatability={"harmonic_amplitude": 5.0})
    spectrum = Spectrum(
        np.array([1, 2, 3]), np.array([0.0, 100.0, 0.0]), np.zeros(3), np.array([1.0, 1.0, 7.0])
    )
    found = harmonic_uncertainty_nm(spectrum, Known(Influences(), instrument, part))
    assert found == pytest.approx([5.0, math.sqrt(25 + 13.0**2), 7.0])
    influences = Influences(
        harmonics_per_tip_mm=np.array([0.0, 0.0, 1000.0]), harmonics_uncorrected_nm=np.array([0.0, 3.0, 4.0])
    )
    found = harmonic_uncertainty_nm(spectrum, Known(influences, instrument, part))
    assert found == pytest.approx([5.0, math.sqrt(25 + 13.0**2 + 9.0), math.sqrt(49.0 + 16.0 + 4.0)])


def test_repeatability_stands_in_for_smaller_noise_only():
    part = PartUncertainty(repeatability={"roundness_total": 0.02}, repeatability_dof=18)
    for noise, wanted in ((0.005, (0.02, 18)), (0.05, (0.05, 7)), (None, (0.02, 18))):
        q = Quantity("roundness_total", 0.6, "um", "", noise, 7)
        (c,) = contributions(q, Known(Influences(), NOTHING, part))
        assert (c.standard_uncertainty, c.degrees_of_freedom) == wanted


def test_value_that_is_missing_has_no_budget():
    q = Quantity("roundness_total", None, "um")
    instrument = InstrumentUncertainty(gauge_scale=0.1)
    influences = Influences(gauge_scale={("roundness_total", ""): 1.0})
    assert contributions(q, Known(influences, instrument, PartUncertainty())) == ()


STATION = '[station]\nsite = "a"\ncell = "b"\nname = "c"\n[uncertainty]\n'
RECIPE = 'part = "p"\nrevision = "A"\n[[measurement]]\nfeature = "f"\nkind = "circle"\n[uncertainty]\n'


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ("gauge_scale = 0.0", "uncertainty.gauge_scale"),
        ("tip_radius_mm = -0.1", "uncertainty.tip_radius_mm"),
        ("gauge_scale_dof = 0.5", "uncertainty.gauge_scale_dof"),
        ("gauge_scal = 0.5", "uncertainty.gauge_scal"),
    ],
)
def test_impossible_uncertainties_of_the_instrument_name_file_and_key(line, key):
    with pytest.raises(ConfigError, match=f"agent.toml: line 6: {key}"):
        parse_settings(f"{STATION}{line}\n".encode(), "agent.toml")


@pytest.mark.parametrize(
    ("line", "key"),
    [
        ("expansion_per_k = 0.0", "uncertainty.expansion_per_k"),
        ("repeatability_dof = 0.9", "uncertainty.repeatability_dof"),
        ("repeatability = { roundness_total = 0.0 }", "uncertainty.repeatability"),
        ("repeatability = { roundness_totl = 0.1 }", "did you mean 'roundness_total'"),
    ],
)
def test_impossible_uncertainties_of_the_part_name_file_and_key(line, key):
    with pytest.raises(ConfigError, match=f"p.toml: line 7: .*{key}|p.toml: line 7: {key}"):
        parse_recipe(f"{RECIPE}{line}\n".encode(), "p.toml", {}, describe_kind)


def test_correction_without_an_expansion_is_refused():
    with pytest.raises(
        ConfigError, match=r"p.toml: line 6: uncertainty: correct_temperature needs expansion_per_k"
    ):
        parse_recipe(f"{RECIPE}correct_temperature = true\n".encode(), "p.toml", {}, describe_kind)


def test_repeatability_of_a_study_is_taken_over():
    recipe = parse_recipe(
        f"{RECIPE}repeatability = {{ roundness_total = 0.02 }}\nrepeatability_dof = 18\n".encode(),
        "p.toml",
        {},
        describe_kind,
    )
    assert recipe.uncertainty == PartUncertainty(repeatability={"roundness_total": 0.02}, repeatability_dof=18)


def test_budget_of_a_value_that_may_not_repeat_is_not_complete():
    assert not combine([Contribution("length scale", 1e-5, "1", 5.0)], complete=False).complete
    assert combine([Contribution("noise of this trace", 1e-5, "mm", 1.0)]).complete

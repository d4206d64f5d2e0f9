"""How a study's repeatability of harmonics, by bands of UPR, enters uncertainties and recipes."""

from __future__ import annotations

import numpy as np
import pytest

from edgeagent.analysis.budget.contributions import (
    Known,
    contributions,
    harmonic_contributions,
    harmonic_uncertainty_nm,
)
from edgeagent.codec.configuration.recipe import parse_recipe
from edgeagent.errors import ConfigError
from edgeagent.judging.configuration import describe_kind
from edgeagent.model import (
    Influences,
    InstrumentUncertainty,
    PartUncertainty,
    Quantity,
    Spectrum,
    harmonic_band,
)
from edgeagent.rules.budget import combine

RECIPE = 'part = "p"\nrevision = "A"\n[[measurement]]\nfeature = "f"\nkind = "circle"\n[uncertainty]\n'


def parsed(entry):
    return parse_recipe((RECIPE + entry).encode(), "r.toml", {}, describe_kind)


def test_each_harmonic_has_the_repeatability_of_its_band_and_the_rest_that_of_the_name():
    part = PartUncertainty(
        repeatability={"harmonic_amplitude": 1, "harmonic_amplitude[2-3]": 9, "harmonic_amplitude[4-7]": 4},
        repeatability_dof=6,
    )
    upr = np.arange(1, 10)
    noise = np.where(upr == 5, 20.0, 0.5)
    spectrum = Spectrum(upr, np.full(9, 100.0), np.zeros(9), noise)
    known = Known(Influences(), InstrumentUncertainty(), part)
    found = harmonic_uncertainty_nm(spectrum, known)
    assert found == pytest.approx([1, 9, 9, 4, 20, 4, 4, 1, 1])
    budgets = [combine(harmonic_contributions(spectrum, known, int(n))) for n in upr]
    assert [b.standard_uncertainty for b in budgets] == pytest.approx(found)
    assert budgets[1].degrees_of_freedom == pytest.approx(6)


def test_harmonics_outside_all_bands_keep_the_noise_of_the_trace():
    part = PartUncertainty(repeatability={"harmonic_amplitude[2-3]": 9.0})
    spectrum = Spectrum(np.arange(1, 6), np.full(5, 100.0), np.zeros(5), np.full(5, 0.5))
    found = harmonic_uncertainty_nm(spectrum, Known(Influences(), InstrumentUncertainty(), part))
    assert found == pytest.approx([0.5, 9, 9, 0.5, 0.5])


def test_instance_goes_before_the_name_alone():
    part = parsed('repeatability = { band_rms = 1.0, "band_rms[2-15]" = 3.0 }').uncertainty
    for instance, wanted in (("2-15", 3.0), ("16-50", 1.0)):
        quantity = Quantity("band_rms", 20.0, "nm", instance, 0.5)
        (own,) = contributions(quantity, Known(Influences(), InstrumentUncertainty(), part))
        assert (own.source, own.standard_uncertainty) == ("repeatability of the study", wanted)
    assert part.repeatability_of("roundness_total") is None


def test_recipe_takes_bands_of_harmonics():
    part = parsed('repeatability = { "harmonic_amplitude[2-3]" = 9.0, roundness_total = 0.1 }').uncertainty
    assert part.repeatability == {"harmonic_amplitude[2-3]": 9.0, "roundness_total": 0.1}
    assert [harmonic_band(n) for n in part.repeatability] == [(2, 3), None]


@pytest.mark.parametrize(
    "entry",
    [
        'repeatability = { "harmonic_amplitude[3-2]" = 9.0 }',
        'repeatability = { "harmonic_amplitude[2-4]" = 9.0, "harmonic_amplitude[4-7]" = 1.0 }',
        'repeatability = { "harmonic_amplitude[x]" = 9.0 }',
        'repeatability = { "harmonic_amplitude[7]" = 9.0 }',
        'repeatability = { "roundnes_total[2-4]" = 9.0 }',
        'repeatability = { "harmonic_amplitude[2-4]" = 0.0 }',
    ],
)
def test_band_that_means_nothing_is_refused_by_its_key(entry):
    with pytest.raises(ConfigError, match="repeatability"):
        parsed(entry)

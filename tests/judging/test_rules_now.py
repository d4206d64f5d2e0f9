"""What the last verification of each instrument found goes into the rulebook, where the budget counts it."""

from __future__ import annotations

import pytest
from judged_station import JudgedStation, configured

from edgeagent.judging.evaluation.evaluate import Rulebook
from edgeagent.judging.rules_now import rules_now

COUNTED = '[uncertainty]\ngauge_scale = 0.001\nartefact = "MW-03"\n'
AMPLITUDES_NM = {36: 812.0, 180: 403.0}


def rules_after(more: str, **verification):
    """The rulebook before and after a verification under a configuration with ``more``."""
    configuration = configured(more=more)
    station = JudgedStation(configuration)
    station.verify(1.0, **verification)
    before = Rulebook.of(configuration)
    return before, rules_now(before, station.memory, configuration)


def test_deviation_of_each_certified_wave_counts_relative_to_its_certified_amplitude():
    before, after = rules_after(COUNTED, errors_nm={"36": 1.0, "180": -2.0, "77": 5.0})
    assert before.deviations == {}
    (instrument,) = after.deviations
    assert after.deviations[instrument] == pytest.approx({36.0: 1.0 / 812.0, 180.0: -2.0 / 403.0})
    waves = {upr: (u, deviation) for upr, u, deviation in after.uncertainty_of(instrument).waves}
    assert waves[36.0] == (pytest.approx(3.0 / 812.0), pytest.approx(1.0 / 812.0))
    assert waves[180.0] == (pytest.approx(2.5 / 403.0), pytest.approx(-2.0 / 403.0))


@pytest.mark.parametrize("more", ["", "[uncertainty]\ngauge_scale = 0.001\n"], ids=["none", "no artefact"])
def test_without_an_artefact_in_the_budget_the_rules_stay_what_they_were(more):
    before, after = rules_after(more)
    assert after is before


def test_deviation_of_another_artefact_is_not_counted():
    before, after = rules_after(COUNTED, artefact="MW-04", certificate_sha256=None)
    assert (before.deviations, after.deviations) == ({}, {})

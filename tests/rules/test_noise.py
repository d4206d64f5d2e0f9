"""Noise excuses what noise explains, and nothing else. Values are invented; probabilities from closed forms."""

from __future__ import annotations

import math

import pytest

from edgeagent.model import Analysis, Characteristic, Disposition, Judgement, QualityCheck, Quantity, Verdict
from edgeagent.rules.noise import NOISE_RISK, undecided_by_noise

NOISY = QualityCheck("trace_uncertainty", False, 1.7, 1.0, "1", "too noisy")
SURE = QualityCheck("trace_uncertainty", True, 0.2, 1.0, "1", "")


def number(value, instance="36"):
    return Characteristic("en_number", instance, value, "1", None, -1.0, 1.0, None, Verdict.INCONCLUSIVE)


def wave(value, u, name="spurious_amplitude", upper=4.0):
    return Characteristic(name, "90", value, "nm", 2 * u, None, upper, None, Verdict.INCONCLUSIVE)


def undecided(*characteristics, checks=(NOISY,), disposition=Disposition.HOLD, among=450):
    quantities = tuple(Quantity(c.name, c.value, c.unit, c.instance, among=among) for c in characteristics)
    return undecided_by_noise(Analysis(checks, quantities), Judgement(characteristics, None, disposition, ()))


def test_noise_alone_decides_nothing():
    assert undecided()
    assert undecided(wave(8.0, 2.0))
    assert undecided(wave(8.0, 2.0), checks=(SURE,)), "the largest of 450 in noise of 2 nm"
    assert undecided(wave(0.0, 5.0)), "no wave at all, and a noise beyond the limit"


@pytest.mark.parametrize("disposition", [Disposition.ACCEPT, Disposition.REJECT])
def test_what_is_decided_is_decided(disposition):
    assert not undecided(disposition=disposition)


@pytest.mark.parametrize(
    "checks",
    [
        (NOISY, QualityCheck("turns", False, 1.0, 2.0, "1", "one turn")),
        (SURE, QualityCheck("contact_point", False, None, None, "um", "")),
        (QualityCheck("trace_uncertainty", False, None, 1.0, "1", "no known uncertainty"),),
    ],
    ids=["also-another", "another-alone", "unknown-uncertainty"],
)
def test_other_failed_checks_are_no_noise(checks):
    assert not undecided(checks=checks)


def test_one_number_outside_is_wrong_whatever_the_noise():
    assert undecided(number(1.0))
    assert not undecided(number(1.001))
    assert not undecided(number(-1.001))


def test_larger_of_two_numbers_may_lie_out_so_far_that_both_keep_the_risk_of_one():
    # 0.9545 ^ 0.5 = 0.97699 of a normal distribution lie within 2.273 of its middle, and 2.273 / 2 = 1.1365
    assert undecided(number(0.3), number(1.136, "180"))
    assert not undecided(number(0.3), number(1.137, "180"))


def test_wave_that_noise_would_hardly_show_is_compared_with_its_limit():
    u = 1.0
    chance = -math.expm1(math.log1p(-NOISE_RISK) / 450)
    known = u * math.sqrt(-2.0 * math.log(chance))
    assert 5.0 < known < 5.2
    assert undecided(wave(known - 0.01, u, upper=1.0))
    assert not undecided(wave(known + 0.01, u, upper=1.0))
    assert undecided(wave(6.0, u, upper=5.0)), "there is a wave, but it may lie inside"
    assert not undecided(wave(7.0, u, upper=5.0))
    assert not undecided(wave(5.0, u, "side_band_amplitude", 1.0), among=8), "fewer places, less chance"


@pytest.mark.parametrize(
    "found",
    [
        Characteristic("residual_noise", "7", 9.0, "nm", None, None, 1.0, None, Verdict.INCONCLUSIVE),
        Characteristic("spurious_amplitude", "", None, "", None, None, 4.0, None, Verdict.INCONCLUSIVE),
        Characteristic("spurious_amplitude", "9", 5.0, "nm", None, None, 4.0, None, Verdict.INCONCLUSIVE),
        number(math.nan),
    ],
    ids=["limit-of-the-noise", "no-value", "no-uncertainty", "not-a-number"],
)
def test_what_noise_does_not_explain_is_a_ground_of_its_own(found):
    assert undecided(wave(5.0, 2.0))
    assert not undecided(wave(5.0, 2.0), found)

"""Reasons of a period's refused parts: each chatter once, by its worst wave."""

from __future__ import annotations

from types import SimpleNamespace

from edgeagent.model import Verdict
from edgeagent.model.records import JudgedValue
from edgeagent.report.period import _file_reasons


def wave(instance, value, verdict=Verdict.NONCONFORMING):
    return JudgedValue(
        name="harmonic_amplitude",
        instance=instance,
        value=value,
        unit="nm",
        expanded_uncertainty=0.5,
        lower=None,
        upper=10.0,
        caution=None,
        verdict=verdict,
    )


def said(*waves, held=False):
    return list(
        _file_reasons("left flank", SimpleNamespace(characteristics=waves, quality_failed=()), held=held)
    )


def test_a_wave_between_whole_orders_is_named_where_it_is_the_worst():
    # of a record, whole orders come first
    found = said(wave("37", 12.0), wave("38", 11.0), wave("37.33", 80.0))
    assert found[0] == "left flank: harmonic amplitude at 37.33 UPR"


def test_chatter_and_its_multiples_are_one_reason_and_another_chatter_a_second_one():
    assert said(wave("37", 30.0), wave("74", 15.0), wave("111", 12.0), wave("41.33", 20.0)) == [
        "left flank: harmonic amplitude at 37 UPR",
        "left flank: harmonic amplitude at 41.33 UPR",
    ]
    assert said(wave("37", 30.0), wave("74", 15.0)) == ["left flank: harmonic amplitude at 37 UPR"]


def test_only_waves_that_decided_are_named():
    doubtful = wave("37.33", 9.9, Verdict.INCONCLUSIVE)
    assert said(wave("12", 30.0), doubtful) == ["left flank: harmonic amplitude at 12 UPR"]
    assert said(wave("12", 1.0, Verdict.CONFORMING), doubtful, held=True) == [
        "left flank: harmonic amplitude at 37.33 UPR"
    ]

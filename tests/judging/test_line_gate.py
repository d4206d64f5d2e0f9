"""Is the gate closed for the line as a whole? Verified instruments each count, long retired ones do not."""

from __future__ import annotations

import pytest
from judged_station import JudgedStation, configured, posix
from records import body_of

from edgeagent.judging.line_gate import RETIRED_H, line_gate, line_gate_closed


def closed(station, at_h, configuration=None):
    return line_gate_closed(station.memory, configuration or station.configuration, posix(at_h))


def test_without_a_gate_it_is_never_closed():
    station = JudgedStation()
    assert not closed(station, 0.0, configured(verification=""))
    assert not closed(station, 0.0, configured(verification="# no age"))


def test_station_that_was_never_verified_is_closed_until_it_passes_and_again_when_that_is_too_old():
    station = JudgedStation()
    assert closed(station, 0.0)
    station.verify(1.0)
    assert not closed(station, 25.0)
    assert closed(station, 25.1)


def test_refused_certificate_closes_it_over_every_verification():
    station = JudgedStation()
    station.verify(1.0)
    station.append(
        [body_of("recovery", {"what": "configuration-rejected", "reason": "bad", "certificate": True})], 1.5
    )
    assert closed(station, 2.0)
    station.append([body_of("configuration")], 2.5)
    assert not closed(station, 3.0)


def test_certificate_that_is_gone_closes_it():
    station = JudgedStation()
    station.verify(1.0)
    assert closed(station, 2.0, configured(certificate=""))


def test_one_instrument_whose_verification_failed_or_ran_out_closes_it_for_all():
    station = JudgedStation()
    station.verify(1.0, instrument="gauge-1")
    station.verify(20.0, instrument="gauge-2")
    assert not closed(station, 25.0)
    assert closed(station, 25.1), "gauge-1 ran out"
    station.verify(26.0, instrument="gauge-1")
    assert not closed(station, 27.0)
    station.verify(28.0, "reject", instrument="gauge-2")
    assert closed(station, 28.1)


@pytest.mark.parametrize(
    ("disposition", "after_h", "wanted"),
    [
        ("accept", RETIRED_H - 0.01, True),
        ("accept", RETIRED_H + 0.01, False),
        ("reject", RETIRED_H + 0.1, True),
    ],
)
def test_instrument_that_passed_long_ago_is_retired_and_one_that_failed_is_not(disposition, after_h, wanted):
    station = JudgedStation()
    station.verify(0.0, disposition, instrument="old")
    station.verify(after_h - 1.0, instrument="gauge-1")
    assert closed(station, after_h) is wanted


def test_where_all_are_retired_it_is_closed():
    station = JudgedStation()
    station.verify(0.0, instrument="old")
    assert closed(station, RETIRED_H + 5.0)


def test_longer_age_than_a_week_retires_no_sooner_than_that_age():
    configuration = configured(verification="max_age_h = 400")
    station = JudgedStation(configuration)
    station.verify(0.0, instrument="old")
    station.verify(400.0, instrument="gauge-1")
    assert not closed(station, 400.0)
    assert not closed(station, 400.1), "what ran out is retired at once, a week being over long ago"


def test_gate_says_until_when_it_stays_open_and_nothing_where_it_is_closed_or_there_is_none():
    station = JudgedStation()
    assert line_gate(station.memory, station.configuration, posix(0.0)).until is None
    station.verify(1.0)
    open_now = line_gate(station.memory, station.configuration, posix(2.0))
    assert (open_now.closed, open_now.until) == (False, "2026-03-03T01:00:00.000000Z")
    late = line_gate(station.memory, station.configuration, posix(26.0))
    assert (late.closed, late.until) == (True, None)
    without = line_gate(station.memory, configured(verification=""), posix(26.0))
    assert (without.closed, without.until) == (False, None)

"""Waves that do not close in one turn, as rows of a page."""

from __future__ import annotations

import pytest

from edgeagent.codec.records.archived_result import ResultOrders
from edgeagent.model import Running, Thread
from edgeagent.report.standing_out import _orders

THREAD = Thread(
    member="shaft", hand="right", starts=1, lead_mm=5.0, ball_diameter_mm=3.175, ball_pitch_circle_mm=20.75,
    contact_angle_deg=45.0, track_conformity=0.535,
)  # fmt: skip
LINES = ResultOrders(upr=(37.3333, 110.5), amplitude_nm=(50.0, 4.0), noise_nm=(0.1, 0.2), upper_nm=(33.6, None))


def test_each_wave_has_its_order_amplitude_and_limit():
    first, second = _orders(LINES, None, None)
    assert first.what == ("wave that does not close in a turn", "37.33 UPR")
    assert first.amplitude_nm == 50.0
    assert first.amplitude[0].startswith("50.0")
    assert "0.20" in first.amplitude[0]  # k = 2
    assert "33.6" in first.amplitude[1]
    assert second.amplitude[1] == "no limit"
    assert first.at_speed == first.ground == ("", "")


def test_at_speed_each_wave_has_its_frequency_and_the_resonance_it_meets():
    running = Running(speed_rpm=(1500.0, 3000.0), resonances_hz=((1027.0, 30.0),), work_rpm=60.0)
    first, _ = _orders(LINES, running, THREAD)
    gamma = 3.175 * 0.70711 * 0.99707 / 20.75
    low, high = (float(t) for t in first.at_speed[0].replace("\u202f", " ").split("Hz")[0].split("to"))
    assert high == pytest.approx(37.3333 * 50 * (1 + gamma) / 2, rel=1e-3)
    assert low == pytest.approx(high / 2, rel=1e-3)
    assert "1027" in first.at_speed[1]
    assert "37.33" in first.ground[0]


def test_a_trace_that_tells_no_such_waves_has_no_rows():
    assert _orders(None, None, None) == []

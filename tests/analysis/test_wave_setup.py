"""Spindle, pick-up and hysteresis of the gauge: stated effects against errors of traces that were read so."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest

from edgeagent.analysis.budget.contributions import SETUP_KEYS
from edgeagent.analysis.budget.wave_setup import HYSTERESIS, PICKUP, SPINDLE, changed_by
from edgeagent.analysis.kinds import Request, circle, spiral
from edgeagent.judging.evaluation.budget import apply_budget
from edgeagent.model import InstrumentUncertainty, Thread, Trace, TraceHeader

PER_TURN = 1800
SURFACE = {2: (0.300, 0.4), 3: (0.010, 1.0), 20: (0.020, 2.0), 37: (0.015, -1.0)}
THREAD = Thread(
    member="shaft", hand="right", starts=1, lead_mm=5.0, ball_diameter_mm=3.175, ball_pitch_circle_mm=20.75,
    contact_angle_deg=45.0, track_conformity=0.535,
)  # fmt: skip
NORMAL_R, NORMAL_X = np.cos(np.pi / 4), np.sin(np.pi / 4) * np.cos(THREAD.lead_angle_rad)


def angles(turns):
    return np.arange(turns * PER_TURN) * (2 * np.pi / PER_TURN)


def surface(angle):
    return sum(a * np.cos(n * angle + p) for n, (a, p) in SURFACE.items())


def trace_of(reading, *, kind="spiral", **header):
    angle = np.arange(len(reading)) * (360.0 / PER_TURN)
    stated = {"tip_radius_mm": 0.005, "track_diameter_mm": 18.505} | header
    return Trace(
        TraceHeader(kind=kind, feature="left-flank", measured_at=None, part="P", serial="1", **stated),
        {"angle_deg": angle, "deviation_um": reading},
    )


def budgeted(trace, instrument, **options):
    kind = spiral if trace.header.kind == "spiral" else circle
    request = Request(THREAD, kind.Options(upr=(2, 50), **options), 50.0, instrument=instrument)
    return apply_budget(kind.analyse(trace, request), trace, kind, request, instrument, None, frozenset())


def effect(found, name, source, instance=""):
    return sum(c.effect for c in found.budgets[name, instance].contributions if c.source == source)


def of_harmonic(found, upr, source):
    return sum(c.effect for c in found.of_harmonic(upr).contributions if c.source == source)


def value(found, name, instance=""):
    return next(q.value for q in found.analysis.quantities if (q.name, q.instance) == (name, instance))


def errors_and_stated(reads, instrument, source, seeds=40, **header):
    """Root mean square errors of readings with random phases, and the stated effects, by value."""
    rng, rows = np.random.default_rng(7), []
    clean = budgeted(trace_of(reads(None), **header), instrument)
    for _ in range(seeds):
        found = spiral.analyse(
            trace_of(reads(rng), **header), Request(THREAD, spiral.Options(upr=(2, 50)), 50.0)
        )
        values = {q.name: q.value for q in found.quantities if not q.instance}
        rows.append(
            [values["roundness_total"], values["roundness_rms"], *found.spectrum.amplitude_nm[[1, 2, 36]]]
        )
    truth = [value(clean, "roundness_total"), value(clean, "roundness_rms")]
    truth += [clean.analysis.spectrum.amplitude_nm[n - 1] for n in (2, 3, 37)]
    rms = np.sqrt(np.mean((np.array(rows) - truth) ** 2, axis=0))
    stated = [effect(clean, name, source) for name in ("roundness_total", "roundness_rms")]
    return rms, stated + [of_harmonic(clean, n, source) for n in (2, 3, 37)]


def test_pick_up_that_was_found_between_whole_orders_counts_there_alone():
    angle = angles(2)
    reading = 0.4 * np.cos(angle) + surface(angle) + 0.03 * np.cos(36.9 * angle)
    stated_as = InstrumentUncertainty(pickup_nm=30.0, pickup_hz=50.0)
    found = budgeted(trace_of(reading, spindle_rpm=3000 / 36.9), stated_as)
    assert found.analysis.orders.upr.tolist() == pytest.approx([36.9], abs=0.01)
    assert of_harmonic(found, 37, PICKUP) == 0.0


def test_spindle_error_counts_by_order_and_direction():
    table = ((2.0, 40.0, 20.0), (3.0, 15.0, 5.0), (37.0, 4.0, 2.0), (50.0, 0.0, 0.0))
    angle = angles(3)

    def reads(rng):
        reading = 0.4 * np.cos(angle) + surface(angle)
        if rng is None:
            return reading
        for n in range(2, 51):  # the table in log-log, as documented
            for column, along in ((1, NORMAL_R), (2, NORMAL_X)):
                upr, nm = np.array(table)[:3, 0], np.array(table)[:3, column]
                size = 0.0 if n > 37 else float(np.exp(np.interp(np.log(n), np.log(upr), np.log(nm))))
                reading = reading + 1e-3 * size * along * np.cos(n * angle + rng.uniform(0, 2 * np.pi))
        return reading

    rms, stated = errors_and_stated(reads, InstrumentUncertainty(spindle=table), SPINDLE)
    # 40 errors tell their RMS to 11 %; 24 drawn sets the stated one to 14 %
    assert np.all(np.array(stated) / rms > 0.7), (rms, stated)
    assert np.all(np.array(stated) / rms < 1.5), (rms, stated)


@pytest.mark.parametrize(("turns", "rpm"), [(1, 81.3), (2, 81.15)])
def test_pick_up_that_is_no_whole_order_counts_where_it_falls(turns, rpm):
    # 50 Hz are 36.9 undulations in a turn, and 36.97, which two turns do not tell from 37
    angle = angles(turns)
    order = 60 * 50 / rpm

    def reads(rng):
        reading = 0.4 * np.cos(angle) + surface(angle)
        return reading if rng is None else reading + 0.03 * np.cos(order * angle + rng.uniform(0, 2 * np.pi))

    stated_as = InstrumentUncertainty(pickup_nm=30.0, pickup_hz=50.0)
    rms, stated = errors_and_stated(reads, stated_as, PICKUP, spindle_rpm=rpm)
    harmonic = stated[4] / rms[4]
    assert 0.7 < harmonic < 1.5
    assert stated[0] / rms[0] > 0.7  # RONt of the mean surface
    unknown = budgeted(trace_of(reads(None)), stated_as)
    assert of_harmonic(unknown, 3, PICKUP) > 20.0  # without the speed it may be of any order


def test_pick_up_between_whole_orders_is_no_chatter_of_the_part():
    angle = angles(3)
    reading = 0.4 * np.cos(angle) + surface(angle) + 0.03 * np.cos((36 + 1 / 3) * angle + 1.0)
    reading = reading + np.random.default_rng(1).normal(0, 0.002, len(angle))
    rpm = 60 * 50 / (36 + 1 / 3)
    found = budgeted(trace_of(reading, spindle_rpm=rpm), InstrumentUncertainty(pickup_nm=30.0, pickup_hz=50.0))
    assert found.analysis.orders.upr[0] == pytest.approx(36 + 1 / 3, abs=0.01)
    assert found.orders_nm[0] > 20.0
    other = budgeted(trace_of(reading, spindle_rpm=rpm), InstrumentUncertainty(pickup_nm=30.0, pickup_hz=60.0))
    assert other.orders_nm[0] < 1.0


def follows(values, width):
    """The other hand: a gauge in its gap, sample by sample."""
    at, found = values[0], []
    for v in values:
        if v - at > width / 2:
            at = v - width / 2
        elif at - v > width / 2:
            at = v + width / 2
        found.append(at)
    return np.array(found)


@pytest.mark.parametrize("off_um", [0.5, 4.0])
def test_hysteresis_is_that_of_a_gauge_in_its_gap(off_um):
    angle = angles(3)
    reading = off_um * np.cos(angle + 0.3) + surface(angle)
    stated = InstrumentUncertainty(hysteresis_um=0.05)
    found = budgeted(trace_of(reading), stated)
    late = 2000 * np.abs(np.fft.rfft(follows(reading, 0.05)[-PER_TURN:])) / PER_TURN
    for upr in (3, 5, 7, 20, 37):
        moved = abs(late[upr] - found.analysis.spectrum.amplitude_nm[upr - 1])
        assert of_harmonic(found, upr, HYSTERESIS) == pytest.approx(moved, rel=0.1, abs=0.1), upr
    assert effect(found, "roundness_total", HYSTERESIS) > 0.001


def test_a_drive_out_of_square_leans_in_the_lead_alone():
    angle = angles(3)
    found = budgeted(trace_of(0.4 * np.cos(angle) + surface(angle)), InstrumentUncertainty(squareness_deg=0.01))
    wanted = 1000 * 5.0 * np.tan(np.radians(0.01)) * NORMAL_R
    assert effect(found, "lead_mismatch", "squareness of the drive") == pytest.approx(wanted, rel=1e-6)
    assert effect(found, "roundness_total", "squareness of the drive") == 0.0


def test_a_wave_of_unknown_phase_changes_amplitudes_as_the_plane_says():
    rng = np.random.default_rng(1)
    for amplitude, other in ((0.0, 2.0), (10.0, 2.0), (2.0, 2.0)):
        turned = np.exp(2j * np.pi * rng.uniform(size=200_000))
        wanted = np.sqrt(np.mean((np.abs(amplitude + other * turned) - amplitude) ** 2))
        assert changed_by(np.array([amplitude]), np.array([other]))[0] == pytest.approx(wanted, rel=0.02)


def test_every_turn_and_the_whole_budget_carry_what_is_stated():
    angle = angles(3)
    noisy = surface(angle) + np.random.default_rng(1).normal(0, 0.002, len(angle))
    plain = budgeted(trace_of(noisy), InstrumentUncertainty(gauge_scale=1e-6))
    found = budgeted(trace_of(noisy), InstrumentUncertainty(gauge_scale=1e-6, spindle=((2.0, 40.0, 0.0),)))
    for instance in ("", "turn[1]", "turn[3]"):
        before, after = (f.budgets["roundness_total", instance].standard_uncertainty for f in (plain, found))
        assert after > before + 0.01
    assert found.harmonics_nm[1] > plain.harmonics_nm[1] + 10.0
    assert set(SETUP_KEYS) <= {field.name for field in fields(InstrumentUncertainty)}

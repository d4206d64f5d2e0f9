"""An eccentric part turns the place that the stylus touches: against plane geometry and an exact ball in a
groove."""

from __future__ import annotations

import math
from datetime import UTC, datetime

import numpy as np
import pytest
from eccentric_part import CYLINDER, EccentricTrack, waves
from stylus_contact import Groove

from edgeagent.analysis.kinds import Request, circle, spiral
from edgeagent.model import Thread, Trace, TraceHeader

WHEN = datetime(2026, 3, 2, 9, 41, 7, tzinfo=UTC)


def thread_of(**changed):
    return Thread(
        **{
            "member": "shaft", "hand": "right", "starts": 1, "lead_mm": 5.0, "ball_diameter_mm": 3.175,
            "ball_pitch_circle_mm": 20.75, "contact_angle_deg": 45.0, "track_conformity": 0.535, **changed,
        }
    )  # fmt: skip


def analysed(angle, reading, *, thread, upr, kind="spiral", feature="left-flank", flank=None, **header):
    stated = {"tip_radius_mm": 0.005} | header
    trace = Trace(
        TraceHeader(kind=kind, feature=feature, measured_at=WHEN, part="P", serial="1", **stated),
        {"angle_deg": np.degrees(angle), "deviation_um": reading},
    )
    module = spiral if kind == "spiral" else circle
    return module.analyse(trace, Request(thread, module.Options(upr=(2, upr), flank=flank), float(upr)))


def even(turns, per_turn):
    return np.arange(turns * per_turn) * (2 * np.pi / per_turn)


def planted(track, off_um, surface, *, turns=3, per_turn=6000, growth_um=0.0, towards=0.7):
    angle = even(turns, per_turn)
    reads = (off_um + growth_um * angle / (2 * np.pi)) * np.exp(1j * towards)
    offset = reads * track.offset_mm(1 + 0j)
    return angle, track.reading_um(angle, waves(surface), offset)


def check(found, name):
    return next(c for c in found.quality if c.check == name)


@pytest.mark.parametrize(
    ("off_um", "upr", "growth_um"), [(15.0, 500, 0.0), (15.0, 500, 0.7), (4.0, 1500, 0.0), (4.0, 1500, 0.3)]
)
def test_waves_and_their_side_bands_are_right_however_far_the_part_lies_off(off_um, upr, growth_um):
    surface = {2: (0.090, 0.3), 37: (0.05, 1.0), upr // 3: (0.02, -2.0), upr - 40: (0.005, 2.0)}
    angle, reading = planted(EccentricTrack(), off_um, surface, growth_um=growth_um, per_turn=12_000)
    found = analysed(angle, reading, thread=thread_of(), upr=upr)
    amplitude = found.spectrum.amplitude_nm
    for order, (a, _) in surface.items():
        assert amplitude[order - 1] == pytest.approx(1000 * a, rel=1e-3)
    other = np.delete(amplitude, [0, *(order - 1 for order in surface)])
    assert other.max() < 0.01 * 5.0
    assert not [c for c in found.quality if not c.ok]


def test_uncorrected_such_a_part_would_pass_for_a_better_one():
    # the disturbance itself, from outside: what the reading holds at the order of the wave
    angle, reading = planted(EccentricTrack(), 15.0, {500: (0.005, 0.0)})
    seen = 2 * np.abs(np.mean(reading * np.exp(-500j * angle)))
    assert seen == pytest.approx(0.0035, abs=0.0002)


@pytest.mark.parametrize(
    ("member", "side"), [("shaft", "left"), ("shaft", "right"), ("nut", "left"), ("nut", "right")]
)
def test_both_flanks_of_shaft_and_nut_take_their_own_way(member, side):
    outward = 1.0 if member == "shaft" else -1.0
    thread = thread_of(member=member, hand="left" if side == "right" else "right")
    rises = 1.0 if thread.hand == "right" else -1.0
    track = EccentricTrack(
        radius_mm=thread.contact_diameter_mm / 2 + outward * 0.005 * math.cos(math.pi / 4),
        lead_mm=rises * 5.0, side=1.0 if side == "left" else -1.0, outward=outward,
    )  # fmt: skip
    surface = {2: (0.090, 0.3), 460: (0.005, 2.0)}
    angle, reading = planted(track, 15.0, surface)
    amplitude = analysed(angle, reading, thread=thread, upr=500, feature=f"{side}-flank").spectrum.amplitude_nm
    assert amplitude[1] == pytest.approx(90.0, rel=1e-3)
    assert amplitude[459] == pytest.approx(5.0, rel=1e-3)
    assert max(amplitude[457:459].max(), amplitude[460:462].max()) < 0.05


def test_a_flank_that_nobody_names_counts_and_its_key_names_it():
    angle, reading = planted(EccentricTrack(), 15.0, {300: (0.05, 0.0)})
    unnamed = analysed(angle, reading, thread=thread_of(), upr=500, feature="track")
    bands = unnamed.spectrum.amplitude_nm[[298, 300]]
    assert bands.max() > 0.5  # 1 % of the wave
    assert np.all(bands < 2 * unnamed.spectrum.noise_nm[[298, 300]])
    assert "no flank is named" in check(unnamed, "contact_point").note
    named = analysed(angle, reading, thread=thread_of(), upr=500, feature="track", flank="left")
    assert named.spectrum.amplitude_nm[[298, 300]].max() < 0.05
    assert named.spectrum.noise_nm[298] < 0.5 * unnamed.spectrum.noise_nm[298]


@pytest.mark.parametrize("off_um", [1.0, 4.0, 15.0])
def test_without_thread_or_diameter_the_error_is_in_the_uncertainty(off_um):
    surface = {2: (0.090, 0.3), 100: (0.05, 0.0), 500: (0.005, 0.0)}
    angle, reading = planted(EccentricTrack(), off_um, surface)
    spectrum = analysed(angle, reading, thread=None, upr=500).spectrum
    for order, (a, _) in surface.items():
        assert abs(spectrum.amplitude_nm[order - 1] - 1000 * a) <= 2 * spectrum.noise_nm[order - 1]
    for order in (99, 101, 499):
        assert spectrum.amplitude_nm[order - 1] <= 2 * spectrum.noise_nm[order - 1]


def test_a_cylinder_keeps_its_waves_too():
    surface = {2: (0.090, 0.3), 460: (0.005, 2.0)}
    angle, reading = planted(CYLINDER, 15.0, surface, turns=1)
    header = {"kind": "circle", "tip_radius_mm": None, "track_diameter_mm": 2 * CYLINDER.radius_mm}
    amplitude = analysed(angle, reading, thread=thread_of(), upr=500, **header).spectrum.amplitude_nm
    assert amplitude[1] == pytest.approx(90.0, rel=1e-3)
    assert amplitude[459] == pytest.approx(5.0, rel=1e-3)


@pytest.mark.parametrize("sensing", ["normal", "radial"])
@pytest.mark.parametrize("member", ["shaft", "nut"])
def test_an_exact_ball_in_an_exact_groove_says_the_same(member, sensing):
    def surface(theta):
        return 1e-6 * (20.0 * np.cos(100 * theta) + 5.0 * np.cos(500 * theta))

    angle = 0.4 + even(2, 2000)
    spectra = []
    for shift in (0j, 0.0212 * np.exp(0.7j)):
        reading, _ = Groove(member=member, left=surface, shift_mm=shift).reading(angle, "left", sensing=sensing)
        found = analysed(angle, reading, thread=thread_of(member=member), upr=600, sensing=sensing)
        spectra.append(found.spectrum)
    centred, off = spectra
    for order in (100, 500):
        true = centred.amplitude_nm[order - 1]
        assert off.amplitude_nm[order - 1] == pytest.approx(true, rel=0.01)
        assert max(off.amplitude_nm[order - 2], off.amplitude_nm[order]) < 0.01 * true
    # the gauge's line leans along the helix, which the section does not know: in the uncertainty
    assert off.amplitude_nm[1] < 2 * off.noise_nm[1]


def test_a_part_that_leans_is_right_within_its_uncertainty():
    def surface(theta):
        return 1e-6 * (20.0 * np.cos(100 * theta) + 5.0 * np.cos(500 * theta))

    angle = 0.4 + even(2, 2000)
    track = Groove(left=surface, shift_mm=0.0057 * np.exp(0.7j), lean_rad=1e-4 * np.exp(2j))
    reading, _ = track.reading(angle, "left")
    spectrum = analysed(angle, reading, thread=thread_of(), upr=600).spectrum
    true = np.zeros(600)
    true[[99, 499]] = 20.0, 5.0
    for order in (2, 99, 100, 101, 499, 500, 501):
        assert (
            abs(spectrum.amplitude_nm[order - 1] - true[order - 1]) <= 2 * spectrum.noise_nm[order - 1] + 0.01
        )


def test_a_part_that_lies_beside_the_spindle_is_held():
    angle, reading = planted(EccentricTrack(), 700.0, {37: (0.05, 1.0)})
    found = analysed(angle, reading, thread=thread_of(), upr=500)
    assert "clamp it anew" in check(found, "contact_point").note
    assert not check(found, "contact_point").ok

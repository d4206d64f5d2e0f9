"""Curves of an artefact off centre are those of its analysis; limit circles are those of the least-squares
circle."""

from __future__ import annotations

from dataclasses import asdict

import numpy as np
from eccentric_part import EccentricTrack, waves

from edgeagent.analysis.around.options import SpiralOptions
from edgeagent.codec.records.archived_result import ArchivedResult, CheckOutcome
from edgeagent.model import Disposition, RoundSurface, Trace, TraceHeader
from edgeagent.model.records import JudgedValue, TraceIdentity
from edgeagent.report.pictures.draw_around import around_picture, take_apart


def bore(off_um):
    angle = np.arange(3 * 3000) * (2 * np.pi / 3000)
    track = EccentricTrack(lead_mm=0.0, angle_rad=0.0, arc_mm=None, outward=-1.0, radius_mm=9.2475)
    reading = track.reading_um(
        angle, waves({180: (0.4, 1.0)}), np.full(len(angle), track.offset_mm(off_um + 0j))
    )
    header = TraceHeader(
        kind="circle", feature="waves", measured_at=None, artefact="MW-03", tip_radius_mm=0.005,
        track_diameter_mm=18.505,
    )  # fmt: skip
    return Trace(header, {"angle_deg": np.degrees(angle), "deviation_um": reading})


def height_of(surface):
    curves = take_apart(bore(15.0), SpiralOptions(upr=(2, 500)), 1.0, None, surface)
    return float(np.ptp(curves.around_um))


def test_curves_of_a_bore_are_drawn_as_a_bore():
    true = 0.8 * 2 ** -((180 / 500) ** 2)  # twice the wave's amplitude after the recipe's band
    assert (
        abs(height_of(asdict(RoundSurface(inside=True))) - true) < 0.03
    )  # the picture's points miss the crests
    assert height_of(None) > height_of(asdict(RoundSurface(inside=True))) + 0.02


def result_with(*checks):
    value = JudgedValue(
        name="roundness_total", instance="", value=0.8, unit="um", expanded_uncertainty=0.01, lower=None,
        upper=1.2, caution=None, verdict="conforming",
    )  # fmt: skip
    return ArchivedResult(
        trace=TraceIdentity(
            kind="circle", feature="f", measured_at="2026-03-02T09:41:07Z", points=9000, turns=3.0
        ),
        quality=tuple(
            CheckOutcome(check=c, ok=True, value=None, allowed=None, unit="", note="") for c in checks
        ),
        characteristics=(value,), spectrum=None, disposition=Disposition.ACCEPT, reasons=(),
    )  # fmt: skip


def test_circles_of_the_limit_are_drawn_about_the_least_squares_circle_alone():
    curves = take_apart(bore(0.5), SpiralOptions(upr=(2, 500)), 1.0, None)
    assert "both black circles" in around_picture(curves, result_with(), "a").caption
    assert "both black circles" not in around_picture(curves, result_with("reference_circle"), "b").caption

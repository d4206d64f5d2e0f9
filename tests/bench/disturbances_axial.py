"""Axial traces disturbed as a plant does it: bias, scatter, stated uncertainty, decisions at the limit.

    nice python tests/bench/disturbances_axial.py [seeds]

Every part is built in space (tests/skew_section.py) and goes through analysis and decision. A part "at the
limit" has its true value there: it may be accepted or rejected with at most 5 % each, the rest is held.
Invented parts.
"""

from __future__ import annotations

import datetime
import sys
from collections import Counter
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from figures import print_table

sys.path.insert(0, str(Path(__file__).parent.parent))
import skew_section
from skew_section import Plane, bell, traced, with_texture

from edgeagent.analysis.kinds import Request, axial
from edgeagent.demo.thread_surface import Cut, Part, Section, with_noise
from edgeagent.model import MeasurementPlan, ScalarLimit, Thread, Trace, TraceHeader
from edgeagent.rules.decision import judge

CUT = Cut(x_end_mm=18.0, spacing_mm=0.004, tip_radius_mm=0.02)
STEEP = Part(lead_mm=20.0, starts=2, ball_pitch_circle_mm=16.6, land_mm=-0.4)
LONG = replace(CUT, x_start_mm=-3.0, x_end_mm=34.0)
Draw = Callable[[int], Section]
PLAIN = axial.Options()


@dataclass(frozen=True)
class Case:
    """One line: parts by seed, the value looked at with its truth, and the limits that judge the part."""

    name: str
    part: Part
    draw: Draw
    characteristic: str
    true: float
    limits: tuple[ScalarLimit, ...]
    options: axial.Options = PLAIN
    instance: str | None = None


def upper(name: str, limit: float, **more: float) -> ScalarLimit:
    return ScalarLimit(characteristic=name, upper=limit, **more)


def noisy(built: Section) -> Draw:
    return lambda seed: with_noise(built, 20.0, seed)


def textured(built: Section, part: Part, name: str) -> Draw:
    texture = getattr(skew_section, name)
    return lambda seed: with_noise(with_texture(built, part, texture, np.random.default_rng(seed)), 20.0, seed)


def on_right(shape: Callable, only: int | None = None) -> Callable:
    def heights(side, groove, flank, angle):
        there = flank == "right" and (only is None or (side > 0 and groove == only))
        return shape(angle) if there else np.zeros_like(angle)

    return heights


def cases() -> list[Case]:
    part, plain = Part(), traced(Part(), CUT)
    band = (upper("profile_band_excess_left", 0.0), upper("profile_band_excess_right", 0.0))
    in_band = axial.Options(profile_band_um=(-2.0, 2.0))
    circle = (ScalarLimit(characteristic="ball_pitch_circle_diameter", lower=20.742, upper=20.758),)

    def deep(um):
        return noisy(traced(part, CUT, depth_um=lambda side, k: um if side > 0 and k == 1 else 0.0))

    def bump(um, width, only=None):
        return noisy(traced(part, CUT, heights_um=on_right(bell(um, 50.0, width), only)))

    angle = (upper("contact_angle_left", 48.0),)
    steep48 = replace(STEEP, contact_angle_deg=(48.0, 45.0))
    one = replace(LONG, sides=(1.0,))
    off, wide, turn = "profile_deviation_right", "ball_pitch_circle_diameter", "contact_angle_left"
    found = [
        Case("clean, circle", part, noisy(plain), wide, 20.75, circle, instance="top[2]"),
        Case("one groove 8 um deep, at the limit", part, deep(8.0), wide, 20.742, circle,
             instance="top[2]"),
        Case("one groove 8.1 um deep", part, deep(8.1), wide, 20.7419, circle,
             instance="top[2]"),
        Case("plane through the axis, 48.0 at the limit", steep48, noisy(traced(steep48, LONG)),
             turn, 48.0, angle),
        Case("plane 0.1 mm beside, 48.0 at the limit", steep48, noisy(traced(steep48, LONG, plane=Plane(0.1))),
             turn, 48.0, angle),
        Case("plane 0.1 mm beside, good part 45.0", STEEP, noisy(traced(STEEP, LONG, plane=Plane(-0.1))),
             turn, 45.0, angle),
        Case("plane 0.1 mm beside, yaw 0.02", STEEP, noisy(traced(STEEP, LONG, plane=Plane(0.1, 0.02))),
             "pitch_deviation", 0.0, (ScalarLimit(characteristic="pitch_deviation", lower=-2.0, upper=2.0),)),
        Case("one side, plane 0.05 mm beside, 48.0", steep48, noisy(traced(steep48, one, plane=Plane(0.05))),
             turn, 48.0, angle),
        Case("clean, band of 2 um", part, noisy(plain), off, 0.0, band, in_band),
        Case("bump of 3 um on every groove", part, bump(3.0, 0.045), off, 3.0, band, in_band),
        Case("dip of 3 um on every groove", part, bump(-3.0, 0.045), off, -3.0, band, in_band),
        Case("bump of 20 um on every groove", part, bump(20.0, 0.03), off, 20.0, band, in_band),
        Case("bump of 1 um on every groove", part, bump(1.0, 0.045), off, 1.0, band, in_band),
        Case("one grain of 6 um", part, bump(6.0, 0.03, 1), off, 6.0, band, in_band, "top[2]"),
    ]  # fmt: skip
    for texture in ("turned", "ground", "honed"):
        for name in ("flank_form_left", "root_clearance"):
            limits = (upper(name, 100.0),)
            found.append(Case(f"{texture} flanks", part, textured(plain, part, texture), name, np.nan, limits))
    return found


def thread_of(part: Part) -> Thread:
    return Thread(
        member=part.member,
        hand=part.hand,
        starts=part.starts,
        lead_mm=part.lead_mm,
        ball_diameter_mm=part.ball_diameter_mm,
        ball_pitch_circle_mm=part.ball_pitch_circle_mm,
        contact_angle_deg=45.0,
        track_conformity=0.53,
    )


def row(case: Case, seeds: int) -> list[object]:
    header = TraceHeader(
        kind="axial",
        feature="profile",
        measured_at=datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC),
        part="DEMO",
        serial="1",
        tip_radius_mm=0.02,
    )
    plan = MeasurementPlan("profile", "axial", case.options, scalar_limits=case.limits)
    verdicts: Counter[str] = Counter()
    dispositions: Counter[str] = Counter()
    values: dict[str, list[tuple[float, float]]] = {}
    for seed in range(seeds):
        result = axial.analyse(
            Trace(header, case.draw(seed).columns()), Request(thread_of(case.part), case.options)
        )
        judged = judge(result, plan, "guarded")
        dispositions[str(judged.disposition)] += 1
        for c in judged.characteristics:
            if c.name == case.characteristic and case.instance in (None, c.instance):
                verdicts[str(c.verdict)] += 1
        for q in result.quantities:
            if q.name == case.characteristic and case.instance in (None, q.instance) and q.value is not None:
                values.setdefault(q.instance, []).append((q.value, q.standard_uncertainty or np.nan))
    both = np.array(list(values.values()))
    scatter = float(np.sqrt(np.mean(np.var(both[..., 0], axis=1, ddof=1))))
    stated = float(np.sqrt(np.mean(np.square(both[..., 1]))))
    total = sum(verdicts.values())
    shares = [f"{100 * verdicts[v] / total:.1f}" for v in ("conforming", "nonconforming", "inconclusive")]
    ends = [f"{100 * dispositions[d] / seeds:.0f}" for d in ("accept", "reject", "hold")]
    bias = "-" if np.isnan(case.true) else f"{both[..., 0].mean() - case.true:+.4g}"
    ratio = f"{stated / scatter:.2f}" if scatter > 0 else "-"
    return [case.name, case.characteristic, bias, f"{scatter:.3g}", f"{stated:.3g}", ratio, *shares, *ends]


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    heads = ["disturbance", "value", "bias", "scatter", "stated u", "u/sc"]
    heads += ["conf %", "nonc %", "inconcl %", "accept %", "reject %", "hold %"]
    rows = [row(case, seeds) for case in cases()]
    print_table(
        f"{seeds} seeds each, 20 nm noise; shares of the value's verdicts, then of the parts", heads, rows
    )


if __name__ == "__main__":
    main()

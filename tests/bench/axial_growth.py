"""How the time of axial and travel traces grows with points, grooves and sampling; process time, best of 5.

    OMP_NUM_THREADS=1 python tests/bench/axial_growth.py

Each table has its fitted exponent (at most 1.1 wanted) and how far the worst line lies off the fit (at most 2).
Invented parts.
"""

from __future__ import annotations

import datetime
import time
from collections.abc import Callable, Sequence

import numpy as np
from figures import print_table

from edgeagent.analysis.kinds import Request, axial, travel
from edgeagent.demo.thread_surface import Cut, Part, section, with_noise
from edgeagent.model import Thread, Trace, TraceHeader

PART = Part()
THREAD = Thread(
    member="shaft",
    hand="right",
    starts=1,
    lead_mm=5.0,
    ball_diameter_mm=3.175,
    ball_pitch_circle_mm=20.75,
    contact_angle_deg=45.0,
    track_conformity=0.53,
)


def header(kind: str) -> TraceHeader:
    at = datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC)
    return TraceHeader(
        kind=kind, feature="x", measured_at=at, part="DEMO", serial="1", tip_radius_mm=0.02, lead_mm=5.0
    )


def best_ms(call: Callable[[], object]) -> float:
    """Least process time of five calls, ms."""
    spent = []
    for _ in range(5):
        began = time.process_time()
        call()
        spent.append(time.process_time() - began)
    return 1e3 * min(spent)


def axial_ms(grooves: float, points_a_side: int) -> float:
    end = 5.0 * grooves - 2.4
    cut = Cut(x_start_mm=-2.4, x_end_mm=end, spacing_mm=(end + 2.4) / points_a_side, tip_radius_mm=0.02)
    trace = Trace(header("axial"), with_noise(section(PART, cut, nodes=300), 20.0, 1).columns())
    return best_ms(lambda: axial.analyse(trace, Request(THREAD, axial.Options())))


def travel_ms(points: int) -> float:
    at = np.linspace(0.0, 900.0, points)
    noise = np.random.default_rng(1).normal(0.0, 0.2, points)
    trace = Trace(header("travel"), {"travel_mm": at, "deviation_um": 3.0 * np.sin(at / 100.0) + noise})
    return best_ms(lambda: travel.analyse(trace, Request(None, travel.TravelOptions())))


def table(title: str, what: str, sizes: Sequence[int], took: Sequence[float]) -> None:
    """Times with a fit of a constant and a power of the size; the exponent is that of the upper half."""
    upper = len(sizes) // 2 - 1
    exponent = float(np.polyfit(np.log(sizes[upper:]), np.log(took[upper:]), 1)[0])
    design = np.column_stack([np.ones(len(sizes)), sizes])
    weight = 1.0 / np.array(took)
    trend = design @ np.linalg.lstsq(design * weight[:, None], np.array(took) * weight, rcond=None)[0]
    off = [max(t / f, f / t) for t, f in zip(took, trend.tolist(), strict=True)]
    rows = [[s, t, f"{o:.2f}"] for s, t, o in zip(sizes, took, off, strict=True)]
    print_table(
        f"{title}: exponent {exponent:.2f}, worst {max(off):.2f} times off the line", (what, "ms", "off"), rows
    )


def main() -> None:
    points = (3_000, 10_000, 30_000, 100_000, 99_991, 300_000)
    table("axial, 10 grooves a side, points a side", "points", points, [axial_ms(10, n) for n in points])
    grooves = (3, 10, 30, 100, 200)
    table("axial, 5,000 points a groove", "grooves", grooves, [axial_ms(g, 5000 * g) for g in grooves])
    lengths = (3_000, 10_000, 30_000, 99_991, 100_000, 1_000_000)  # with fewer there is no variation in a turn
    table("travel", "points", lengths, [travel_ms(n) for n in lengths])


if __name__ == "__main__":
    main()

"""How long an axial trace of 2 x 100,000 points with 10 grooves a side takes, after reading.

    python tests/bench/axial_speed.py

Processor time, least and median of 15 runs that take turns, for the plain measurement and with roughness and
contact ellipse; target 0.25 s. Run with OMP_NUM_THREADS=1 to keep linear algebra on one core. Invented part.
"""

from __future__ import annotations

import datetime
import time
from pathlib import Path

import numpy as np

from edgeagent.analysis.kinds import Request, axial
from edgeagent.analysis.texture.options import RoughnessOptions
from edgeagent.demo import thread_surface as section
from edgeagent.model import Thread, Trace, TraceHeader

ROOT = Path(__file__).resolve().parents[2]

TARGET_S = 0.25


def main() -> int:
    part = section.Part()
    cut = section.Cut(x_start_mm=-2.4, x_end_mm=50.1, spacing_mm=52.5 / 100_000, tip_radius_mm=0.02)
    trace = section.with_noise(section.section(part, cut), 20.0, 1)
    header = TraceHeader(
        kind="axial",
        feature="profile",
        measured_at=datetime.datetime(2026, 1, 1, tzinfo=datetime.UTC),
        part="DEMO",
        serial="1",
        tip_radius_mm=0.02,
    )
    thread = Thread(
        member="shaft",
        hand="right",
        starts=1,
        lead_mm=5.0,
        ball_diameter_mm=3.175,
        ball_pitch_circle_mm=20.75,
        contact_angle_deg=45.0,
        track_conformity=0.53,
    )
    fine = True
    print(f"{trace.x_mm.size} points")
    cases = {
        "plain": axial.Options(),
        "with roughness and contact": axial.Options(
            roughness=RoughnessOptions(lambda_c_mm=0.08, lambda_s_mm=0.0025), ball_load_n=50.0
        ),
    }
    spent: dict[str, list[float]] = {name: [] for name in cases}
    results = {}
    for _ in range(15):
        for name, options in cases.items():
            columns = {key: value.copy() for key, value in trace.columns().items()}
            begin = time.process_time()
            results[name] = axial.analyse(Trace(header, columns), Request(thread, options))
            spent[name].append(time.process_time() - begin)
    for name, result in results.items():
        grooves = result.details["axial"]["grooves_measured"]
        none = sum(q.value is None for q in result.quantities)
        median = float(np.median(spent[name]))
        fine &= median <= TARGET_S
        print(
            f"{name:28} {grooves} grooves, {none} values missing: least {min(spent[name]):.3f} s, "
            f"median {median:.3f} s, target {TARGET_S} s"
        )
    return 0 if fine else 1


if __name__ == "__main__":
    raise SystemExit(main())

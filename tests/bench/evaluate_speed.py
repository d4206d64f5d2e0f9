"""What evaluating a spiral trace costs: by length, order and jitter, against the arithmetic it cannot do
without.

    OMP_NUM_THREADS=1 python tests/bench/evaluate_speed.py

First table: every shape of a trace as a ratio to the first one. Second: evaluation against reading the file,
one real FFT and one pass of sine and cosine. Third: growth with the number of points. Times are processor time.
"""

from __future__ import annotations

import statistics
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
from figures import print_table

sys.path.insert(0, str(Path(__file__).parents[1]))
from eccentric_part import EccentricTrack, waves

from edgeagent.analysis.kinds import Request, spiral
from edgeagent.codec.traces.reader import read_trace
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.model import Thread, Trace, TraceHeader

THREAD = Thread(
    member="shaft", hand="right", starts=1, lead_mm=5.0, ball_diameter_mm=3.175, ball_pitch_circle_mm=20.75,
    contact_angle_deg=45.0, track_conformity=0.535,
)  # fmt: skip
SURFACE = waves({2: (0.6, 0.3), 18: (0.08, -1.0), 200: (0.01, 2.0)})
HEAD = """# trace = 1
# kind = "spiral"
# part = "P"
# serial = "1"
# feature = "left-flank"
# measured_at = 2026-03-02T09:41:07Z
# tip_radius_mm = 0.005
angle_deg,deviation_um
"""


def samples(per_turn: float, turns: float, jitter: float = 0.0) -> tuple[np.ndarray, np.ndarray]:
    """Angles in deg, as a file holds them, and readings in µm of an eccentric part with 2 nm of noise."""
    rng = np.random.default_rng(1)
    count = round(turns * per_turn)
    angle_deg = np.round((np.arange(count) + rng.uniform(-jitter, jitter, count)) * 360 / per_turn, 5)
    theta = np.radians(angle_deg)
    track = EccentricTrack()
    reading = track.reading_um(theta, SURFACE, np.full(count, track.offset_mm(4.0 + 0j)))
    return angle_deg, np.round(reading + 1.3 * theta / (2 * np.pi) + rng.normal(0, 0.002, count), 6)


def cpu_ms(call: Callable[[], object], repeats: int = 9) -> float:
    """Median processor time in ms after one warm-up."""
    call()
    times = []
    for _ in range(repeats):
        began = time.process_time()
        call()
        times.append(time.process_time() - began)
    return 1000 * statistics.median(times)


def analysis_ms(per_turn: float, turns: float, jitter: float, upr: int, repeats: int = 9) -> float:
    angle_deg, reading = samples(per_turn, turns, jitter)
    header = TraceHeader(
        kind="spiral", feature="left-flank", measured_at=datetime(2026, 3, 2, tzinfo=UTC), part="P", serial="1",
        tip_radius_mm=0.005,
    )  # fmt: skip
    trace = Trace(header, {"angle_deg": angle_deg, "deviation_um": reading})
    request = Request(THREAD, spiral.Options(upr=(2, upr)), float(upr))
    return cpu_ms(lambda: spiral.analyse(trace, request), repeats)


def shapes() -> None:
    found = []
    for name, per_turn, turns, jitter, upr in (
        ("3 x 18,000, 500 UPR", 18_000, 3, 0.0, 500),
        ("3 x 18,000, 1,500 UPR", 18_000, 3, 0.0, 1500),
        ("3 x 17,989 (prime), 500 UPR", 17_989, 3, 0.0, 500),
        ("3 x 18,000, 30 % jitter", 18_000, 3, 0.3, 500),
        ("3.4 x 18,000, 500 UPR", 18_000, 3.4, 0.0, 500),
        ("3 x 17,500.3, 500 UPR", 17_500.3, 3, 0.0, 500),
        ("3 x 4,001, 500 UPR", 4_001, 3, 0.0, 500),
    ):
        ms = analysis_ms(per_turn, turns, jitter, upr)
        found.append((name, ms, ms / (per_turn * turns) * 54_000))
    best = found[0][1]
    rows = [(name, ms, ms / best, scaled) for name, ms, scaled in found]
    print_table("Analysis by shape", ("trace", "ms", "to the first", "ms per 54,000 points"), rows)


def against_floor() -> None:
    angle_deg, reading = samples(18_000, 3)
    rows = "\n".join(f"{a:.5f},{y:.6f}" for a, y in zip(angle_deg.tolist(), reading.tolist(), strict=True))
    data = (HEAD + rows + "\n").encode()
    rules = Rulebook(rule="guarded", recipes={}, layouts={}, certificates={})
    theta = np.radians(angle_deg)
    parse = cpu_ms(lambda: read_trace("a.txt", data, None, {}))
    fft = cpu_ms(lambda: np.fft.rfft(reading))
    turning = cpu_ms(lambda: (np.sin(theta), np.cos(theta)))
    whole = cpu_ms(lambda: evaluate("a.txt", data, None, rules))
    floor = parse + fft + turning
    print_table(
        "Evaluation of 3 x 18,000 points to 500 UPR",
        ("parse", "rfft", "sin, cos", "sum", "evaluate", "ratio"),
        [(parse, fft, turning, floor, whole, whole / floor)],
    )


def growth() -> None:
    points = [1_000, 3_000, 10_000, 30_000, 100_000, 300_000, 1_000_000, 3_000_000]
    rows = [(f"{n:,}", analysis_ms(n / 3, 3, 0.0, max(min(n // 30, 500), 10), 3)) for n in points]
    large = [(n, r[1]) for n, r in zip(points, rows, strict=True) if n >= 10_000]
    exponent = np.polyfit(np.log([n for n, _ in large]), np.log([ms for _, ms in large]), 1)[0]
    print_table("Growth with the number of points, 3 turns", ("points", "ms"), rows)
    print(f"  exponent from 10,000 points on: {exponent:.2f}")


if __name__ == "__main__":
    shapes()
    against_floor()
    growth()

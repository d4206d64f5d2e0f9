"""Each turn of a spiral another surface: a dent of one turn, judged by the roundness of every turn.

    OMP_NUM_THREADS=1 python tests/bench/disturbances_turns.py [seeds]

Spirals are built from geometry (tests/eccentric_part.py), 4 µm off centre. The true RONt of the dented turn is
that of its surface by numpy.fft. The limit of ``at limit`` stands there, that of ``good`` 20 % above it; with
``turns = "mean"`` the same file is judged by the mean surface alone, which is what hides such a dent.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from figures import print_table

sys.path.insert(0, str(Path(__file__).parents[1]))
from eccentric_part import EccentricTrack, waves

from edgeagent.analysis.kinds import Request, spiral
from edgeagent.model import Analysis, Disposition, MeasurementPlan, ScalarLimit, Thread, Trace, TraceHeader
from edgeagent.rules.decision import judge

THREAD = Thread(
    member="shaft", hand="right", starts=1, lead_mm=5.0, ball_diameter_mm=3.175, ball_pitch_circle_mm=20.75,
    contact_angle_deg=45.0, track_conformity=0.535,
)  # fmt: skip
PER_TURN, UPR = 3600, 100
SURFACE = {2: (0.090, 0.3), 3: (0.250, 0.0), 20: (0.020, 0.0), 37: (0.010, 1.0)}
AT_DEG, WIDE_DEG = 60.0, 8.0


def heights(phi: np.ndarray, depth_um: float) -> np.ndarray:
    """The surface in µm; a dent within one turn from 0 on."""
    return waves(SURFACE)(phi) - depth_um * np.exp(-0.5 * ((np.degrees(phi) - AT_DEG) / WIDE_DEG) ** 2)


def true_um(depth_um: float, turns: float = 1.0) -> float:
    """RONt of a turn by numpy.fft; of the mean of some turns with the dent shared out over them."""
    c = np.fft.rfft(heights(2 * np.pi * np.arange(20_000) / 20_000, depth_um / turns))
    n = np.arange(len(c))
    return float(np.ptp(np.fft.irfft(c * np.where(n < 2, 0.0, 0.5 ** ((n / UPR) ** 2)), 20_000)))


def analysed(turns: int, depth_um: float, noise_um: float, seed: int, judged: str) -> Analysis:
    angle = np.arange(turns * PER_TURN) * (2 * np.pi / PER_TURN)
    track, dented = EccentricTrack(), min(2, turns) - 1

    def surface(phi: np.ndarray) -> np.ndarray:
        return (
            waves(SURFACE)(phi)
            + heights(phi - 2 * np.pi * dented, depth_um)
            - heights(phi - 2 * np.pi * dented, 0)
        )

    reading = track.reading_um(angle, surface, np.full(len(angle), track.offset_mm(4 + 0j)))
    reading = reading + np.random.default_rng(seed).normal(0, noise_um, len(angle))
    header = TraceHeader(
        kind="spiral", feature="left-flank", measured_at=None, part="P", serial="1", tip_radius_mm=0.005
    )
    trace = Trace(header, {"angle_deg": np.degrees(angle), "deviation_um": reading})
    return spiral.analyse(trace, Request(THREAD, spiral.Options(upr=(2, UPR), turns=judged), float(UPR)))


def decided(found: Analysis, upper: float) -> Disposition:
    plan = MeasurementPlan(
        "left-flank", "spiral", spiral.Options(), (ScalarLimit(characteristic="roundness_total", upper=upper),)
    )
    return judge(found, plan, "guarded").disposition


def line(turns: int, depth_um: float, noise_um: float, seeds: int) -> tuple[object, ...]:
    """Bias, scatter and stated u of the dented turn, and what is decided with its true value at the limit."""
    true, instance = true_um(depth_um), f"turn[{min(2, turns)}]" if turns > 1 else ""
    values, stated, at_limit, good, hidden = [], [], [], [], []
    for seed in range(seeds):
        found = analysed(turns, depth_um, noise_um, seed, "each")
        q = next(q for q in found.quantities if (q.name, q.instance) == ("roundness_total", instance))
        values.append(q.value)
        stated.append(q.standard_uncertainty)
        at_limit.append(decided(found, true))
        good.append(decided(found, 1.2 * true))
        hidden.append(decided(analysed(turns, depth_um, noise_um, seed, "mean"), 0.9 * true))
    error = np.array(values) - true
    real, u = float(np.sqrt(np.mean(error**2))), float(np.mean(stated))
    share = [sum(d == which for d in at_limit) / seeds for which in (Disposition.ACCEPT, Disposition.REJECT)]
    held = sum(d != Disposition.ACCEPT for d in good) / seeds
    passed = sum(d == Disposition.ACCEPT for d in hidden) / seeds
    numbers = (f"{1000 * error.mean():+.1f}", f"{1000 * error.std():.1f}", f"{1000 * u:.1f}", f"{u / real:.2f}")
    return (
        turns,
        f"{depth_um:g}",
        f"{true:.3f}",
        *numbers,
        *(f"{100 * s:.0f} %" for s in (*share, held, passed)),
    )


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    heads = ("turns", "dent um", "true RONt um", "bias nm", "scatter nm", "stated u nm", "u / real")
    heads += ("accepted at limit", "rejected at limit", "good not accepted", "mean alone accepts 10 % over")
    for noise_um in (0.005, 0.03):
        rows = [line(turns, depth, noise_um, seeds) for turns in (1, 2, 3, 5) for depth in (0.0, 0.3)]
        print_table(f"A dent in one turn, {seeds} seeds, {1000 * noise_um:g} nm of noise a sample", heads, rows)


if __name__ == "__main__":
    main()

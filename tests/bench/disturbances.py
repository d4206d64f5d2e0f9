"""What real surfaces and set-ups do beyond the ideal: bias, scatter, stated u, risks at the limit, held share.

    OMP_NUM_THREADS=1 python tests/bench/disturbances.py [seeds]

Each line is one disturbance of a spiral, built from geometry (tests/eccentric_part.py) and analysed as a part
is; a dent in one turn by ``disturbances_turns.py``. The limit of ``at limit`` stands at the true value, that of
``good`` 20 % above it; the rule is ``guarded``.
"""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import disturbances_turns
import numpy as np
from figures import print_table

sys.path.insert(0, str(Path(__file__).parents[1]))
from eccentric_part import EccentricTrack, waves

from edgeagent.analysis.kinds import Request, spiral
from edgeagent.model import (
    Analysis,
    CurveLimit,
    Disposition,
    MeasurementPlan,
    Thread,
    Trace,
    TraceHeader,
)
from edgeagent.rules.decision import judge

THREAD = Thread(
    member="shaft", hand="right", starts=1, lead_mm=5.0, ball_diameter_mm=3.175, ball_pitch_circle_mm=20.75,
    contact_angle_deg=45.0, track_conformity=0.535,
)  # fmt: skip
PER_TURN, UPR, NOISE_UM = 3600, 500, 0.005
BASE = {2: (0.090, 0.3), 20: (0.020, 0.0), 37: (0.010, 1.0)}
Readings = Callable[[np.ndarray, np.random.Generator], np.ndarray]


def eccentric(off_um: float, more: dict[float, tuple[float, float]], growth_um: float = 0.0) -> Readings:
    """A part that is read ``off_um`` off centre once a turn, with waves in µm that need not close."""
    track = EccentricTrack()
    per_um = track.offset_mm(1 + 0j)

    def read(theta: np.ndarray, _rng: np.random.Generator) -> np.ndarray:
        return track.reading_um(theta, waves({**BASE, **more}), (off_um + growth_um * theta / 6.2832) * per_um)

    return read


def drifting(kind: str, size_um: float) -> Readings:
    """A centred part on a gauge that drifts: a random walk of this size a turn, flicker, or a warm-up."""
    still = eccentric(0.2, {10: (0.01, 0.5)})

    def read(theta: np.ndarray, rng: np.random.Generator) -> np.ndarray:
        count = len(theta)
        if kind == "random walk":
            drift = np.cumsum(rng.normal(0, size_um / np.sqrt(PER_TURN), count))
        elif kind == "warm-up":
            drift = size_um * (1 - np.exp(-theta / (2 * np.pi * 0.7)))
        else:
            shape = 1 / np.sqrt(np.fft.rfftfreq(8 * count)[1:])
            wave = np.append(0, shape * (rng.normal(size=len(shape)) + 1j * rng.normal(size=len(shape))))
            drift = np.fft.irfft(wave, 8 * count)[:count] * 4 * count / np.sqrt(np.sum(shape**2)) * size_um
        turned = theta + rng.uniform(0, 2 * np.pi)  # drift and part have no phase in common
        return still(turned, rng) + drift

    return read


def analysed(read: Readings, turns: int, seed: int, thread: Thread | None) -> Analysis:
    rng = np.random.default_rng(seed)
    angle = np.arange(turns * PER_TURN) * (2 * np.pi / PER_TURN)
    reading = read(angle, rng) + rng.normal(0, NOISE_UM, len(angle))
    header = TraceHeader(
        kind="spiral", feature="left-flank", measured_at=None, part="P", serial="1", tip_radius_mm=0.005
    )
    trace = Trace(header, {"angle_deg": np.degrees(angle), "deviation_um": reading})
    return spiral.analyse(trace, Request(thread, spiral.Options(upr=(2, UPR), turns="mean"), float(UPR)))


def disposition(found: Analysis, upr: float, limit_nm: float) -> Disposition:
    """The file's, with a curve that limits the one wave alone."""
    ends = np.array([upr - 0.01, upr + 0.01])
    curve = CurveLimit(ends, np.array([limit_nm, limit_nm]), None)
    plan = MeasurementPlan("left-flank", "spiral", spiral.Options(upr=(2, UPR)), (), (curve,))
    return judge(found, plan, "guarded").disposition


def value_of(found: Analysis, upr: float) -> tuple[float, float]:
    """Amplitude and standard uncertainty of one wave in nm; zeros where no wave of that order was found."""
    if upr == int(upr) and found.spectrum is not None:
        return float(found.spectrum.amplitude_nm[int(upr) - 1]), float(found.spectrum.noise_nm[int(upr) - 1])
    if found.orders is not None:
        for k, each in enumerate(found.orders.upr):
            if abs(each - upr) < 0.01:
                return float(found.orders.amplitude_nm[k]), float(found.orders.noise_nm[k])
    return 0.0, 0.0


def line(
    name: str,
    read: Readings,
    turns: int,
    upr: float,
    true_nm: float,
    seeds: int,
    thread: Thread | None = THREAD,
) -> tuple[object, ...]:
    values, stated, at_limit, good = [], [], [], []
    for seed in range(seeds):
        found = analysed(read, turns, seed, thread)
        value, u = value_of(found, upr)
        values.append(value)
        stated.append(u)
        at_limit.append(disposition(found, upr, true_nm))
        good.append(disposition(found, upr, 1.2 * true_nm))
    bias, scatter = float(np.mean(values)) - true_nm, float(np.std(values))
    real = float(np.sqrt(np.mean(np.square(np.array(values) - true_nm))))
    share = [sum(d == which for d in at_limit) / seeds for which in (Disposition.ACCEPT, Disposition.REJECT)]
    held = sum(d != Disposition.ACCEPT for d in good) / seeds
    u = float(np.mean(stated))
    ratio = u / real if real else float("nan")
    numbers = (f"{bias:+.3f}", f"{scatter:.3f}", f"{u:.3f}", f"{ratio:.2f}")
    return (name, turns, f"{upr:g}", f"{true_nm:g}", *numbers, *(f"{100 * s:.0f} %" for s in (*share, held)))


def main() -> None:
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 40
    rows = []
    for turns in (1, 2, 3, 5):
        high = {480: (0.005, 0.5)}
        rows.append(line("centred part", eccentric(0.2, high), turns, 480, 5.0, seeds))
        rows.append(line("eccentric, 4 um", eccentric(4.0, high), turns, 480, 5.0, seeds))
        rows.append(line("eccentric, 15 um", eccentric(15.0, high), turns, 480, 5.0, seeds))
        rows.append(line("eccentric, 15 um", eccentric(15.0, high), turns, 2, 90.0, seeds))
        grows = eccentric(4.0, high, 0.7)
        rows.append(line("eccentric, growing", grows, turns, 480, 5.0, seeds))
        rows.append(line("eccentric, no thread", eccentric(4.0, high), turns, 480, 5.0, seeds, None))
        for kind, size_um in (("random walk", 0.05), ("1/f", 0.02), ("warm-up", 0.3)):
            for upr, true_nm in ((2, 90.0), (10, 10.0), (37, 10.0)):
                rows.append(line(kind, drifting(kind, size_um), turns, upr, true_nm, seeds))
        if turns > 1:
            upr = 300 + (0.5 if turns == 2 else 0.4)
            rows.append(
                line("wave that does not close", eccentric(4.0, {upr: (0.02, 1.0)}), turns, upr, 20.0, seeds)
            )
    heads = ("disturbance", "turns", "UPR", "true nm", "bias", "scatter", "stated u", "u / real")
    print_table(
        f"Disturbances, {seeds} seeds, {1000 * NOISE_UM:g} nm of noise a sample",
        (*heads, "accepted at limit", "rejected at limit", "good not accepted"),
        rows,
    )
    disturbances_turns.main()


if __name__ == "__main__":
    main()

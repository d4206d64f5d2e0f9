"""Stated over real error of amplitudes, and risks at the limit, where the gauge drifts.

    OMP_NUM_THREADS=1 python tests/bench/drifting.py [seeds]

Waves of known size with white noise of 5 nm and a drift, spirals (with slope, tilt and eccentricity) and
circles of
1, 2, 3 and 5 turns. One line: for each order stated u over the error's root mean square, then per cent accepted
wrongly and rejected wrongly at the limit by a guard band of 1.65 u.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

import numpy as np
from figures import print_table

from edgeagent.analysis.waves.harmonics import fit_harmonics

PER_TURN, UPR_MAX = 1200, 450
WAVES_UM = {2: 0.09, 3: 0.03, 5: 0.02, 10: 0.008, 20: 0.02, 37: 0.01, 100: 0.005}
Noise = Callable[[int, np.random.Generator], np.ndarray]


def random_walk(count: int, rng: np.random.Generator, size_um: float) -> np.ndarray:
    return np.cumsum(rng.normal(0, size_um / np.sqrt(PER_TURN), count))


def flicker(count: int, rng: np.random.Generator, size_um: float) -> np.ndarray:
    shape = 1 / np.sqrt(np.fft.rfftfreq(8 * count)[1:])
    line = np.append(0, shape * (rng.normal(size=len(shape)) + 1j * rng.normal(size=len(shape))))
    return np.fft.irfft(line, 8 * count)[:count] * 4 * count / np.sqrt(np.sum(shape**2)) * size_um


def warm_up(count: int, size_um: float, turns: float) -> np.ndarray:
    return size_um * (1 - np.exp(-np.arange(count) / PER_TURN / turns))


NOISES: dict[str, Noise] = {
    "white": lambda n, _rng: np.zeros(n),
    "random walk 0.05 um": lambda n, rng: random_walk(n, rng, 0.05),
    "random walk 0.2 um": lambda n, rng: random_walk(n, rng, 0.2),
    "1/f 0.02 um": lambda n, rng: flicker(n, rng, 0.02),
    "warm-up 0.3 um, 0.7 turns": lambda n, _rng: warm_up(n, 0.3, 0.7),
    "warm-up 1 um, 3 turns": lambda n, _rng: warm_up(n, 1.0, 3.0),
}


def line(name: str, noise: Noise, turns: int, spiral: bool, seeds: int) -> tuple[object, ...]:
    order, true_um = np.array(list(WAVES_UM)), np.array(list(WAVES_UM.values()))
    angle = np.arange(turns * PER_TURN) * (2 * np.pi / PER_TURN)
    error, stated, sure = [], [], []
    for seed in range(seeds):
        rng = np.random.default_rng(1000 * turns + seed)
        read = 3 * np.cos(angle - 1) + rng.normal(0, 0.005, len(angle)) + noise(len(angle), rng)
        for upr, size in WAVES_UM.items():
            read += size * np.cos(upr * angle + rng.uniform(0, 2 * np.pi))
        if spiral:
            turn = angle / (2 * np.pi)
            read += 1.3 * turn + 0.4 * turn * np.cos(angle)
        fit = fit_harmonics(angle, read, upr_max=UPR_MAX, alignment=spiral)
        found, u = fit.amplitude_um[order - 1], fit.standard_uncertainty_um[order]
        error.append(found - true_um)
        stated.append(u)
        sure.append(np.sqrt(np.maximum(found**2 - 2 * u**2, 0)) - true_um)
    e, u = np.array(error), np.array(stated)
    ratio = u.mean(axis=0) / np.sqrt(np.mean(e**2, axis=0))
    accepted, rejected = np.mean(e < -1.65 * u, axis=0), np.mean(np.array(sure) > 1.65 * u, axis=0)
    shares = [f"{100 * a:.0f}/{100 * r:.0f}" for a, r in zip(accepted, rejected, strict=True)]
    return ("spiral" if spiral else "circle", name, turns, *(f"{x:.2f}" for x in ratio), *shares)


if __name__ == "__main__":
    seeds = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    rows = [
        line(name, noise, turns, spiral, seeds)
        for spiral in (True, False) for name, noise in NOISES.items() for turns in (1, 2, 3, 5)
    ]  # fmt: skip
    heads = ("trace", "noise", "turns", *(f"u/real {n}" for n in WAVES_UM), *(f"a/r % {n}" for n in WAVES_UM))
    print_table(f"Drift, {seeds} seeds", heads, rows)

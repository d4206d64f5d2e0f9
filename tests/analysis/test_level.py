"""The level of noise over the orders, against spectra drawn from what it must find."""

from __future__ import annotations

import numpy as np
import pytest

from edgeagent.analysis.waves.harmonics import fit_harmonics
from edgeagent.analysis.waves.level import background, basis, fit_level, pool_means, pools

UPR = np.arange(1, 601) / 2.0


def level_found(true, seed):
    power = true * np.random.default_rng(seed).exponential(size=len(true))
    edges = pools(len(power))
    terms = basis(UPR)
    weight = fit_level(pool_means(terms, edges), pool_means(power, edges), np.diff(edges).astype(float))
    return np.einsum("j,jn->n", weight, terms)


@pytest.mark.parametrize(
    "true",
    [np.full(600, 3.0), 1 + 40 / UPR, 1 + 400 / UPR**2, 1 + 50 / (1 + (UPR / 8) ** 2)],
    ids=["white", "flicker", "walk", "memory"],
)
def test_level_is_found_from_lines_that_scatter(true):
    found = np.array([level_found(true, seed) for seed in range(20)])
    ratio = (np.exp(np.mean(np.log(found), axis=0)) / true)[UPR >= 2]  # below it two lines tell it alone
    assert np.all(ratio > 0.75)
    assert np.all(ratio < 1.33)


def test_white_noise_has_a_flat_level_in_most_traces():
    flat = [np.ptp(level_found(np.ones(600), seed)) < 1e-9 for seed in range(40)]
    assert sum(flat) >= 36


def test_nothing_has_the_level_of_nothing():
    assert not np.any(fit_level(basis(UPR), np.zeros(600), np.ones(600)))


def test_waves_are_no_background():
    order = np.arange(2.0, 400.0)
    power = (1 + 300 / order**2) * np.random.default_rng(3).exponential(size=len(order))
    waves = power.copy()
    waves[[0, 3, 18, 35, 110]] = 1e5
    quiet, loud = (background(order, p, basis)(np.array([5.0, 20.0, 100.0])) for p in (power, waves))
    assert loud == pytest.approx(quiet, rel=0.3)


@pytest.mark.parametrize("turns", [1, 2, 3])
@pytest.mark.parametrize("alignment", [True, False])
def test_error_of_a_drifting_gauge_is_stated(turns, alignment):
    angle = np.arange(turns * 720) * (2 * np.pi / 720)
    error, stated = [], []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        read = 0.09 * np.cos(2 * angle + rng.uniform(0, 6.28)) + 0.01 * np.cos(
            37 * angle + rng.uniform(0, 6.28)
        )
        read += np.cumsum(rng.normal(0, 0.05 / np.sqrt(720), len(angle))) + rng.normal(0, 0.003, len(angle))
        fit = fit_harmonics(angle, read, upr_max=150, alignment=alignment)
        error.append(fit.amplitude_um[[1, 36]] - [0.09, 0.01])
        stated.append(fit.standard_uncertainty_um[[2, 37]])
    ratio = np.sqrt(np.mean(np.square(stated), axis=0) / np.mean(np.square(error), axis=0))
    assert np.all(ratio > 0.7), "40 traces: a standard deviation is known to 11 %"
    assert np.all(ratio[(0 if turns > 2 else 1) :] < 1.5)

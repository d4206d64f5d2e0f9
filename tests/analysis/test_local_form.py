"""A smooth run of one turn's samples is its form; what is short, rough or at the trace's end is not."""

from __future__ import annotations

import numpy as np
import pytest

from edgeagent.analysis.around.local_form import local_form

COUNT, PER_TURN = 6000, 2000


def run_of(bump, at=3000, *, turns=3.0, edge=False):
    """What is found of a bump of these heights in µm, in white noise of 5 nm."""
    residual = np.random.default_rng(1).normal(0, 0.005, COUNT)
    start = 0 if edge else at
    residual[start : start + len(bump)] += bump
    every = np.ones(COUNT, dtype=bool)
    return local_form(
        residual, every, ~every, 0.005, 8.0, points_per_turn=PER_TURN, upr=500.0, turns=turns
    )  # fmt: skip


def hill(length, height):
    return height * np.sin(np.pi * (np.arange(length) + 1) / (length + 1))


@pytest.mark.parametrize("bump", [hill(12, -1.0), hill(60, -0.2), hill(60, 0.5), hill(600, 0.3)])
def test_smooth_run_is_found_with_its_ends(bump):
    found = run_of(bump)
    assert found.start <= 3000 + 0.02 * len(bump)
    assert found.stop >= 3000 + 0.98 * len(bump)
    assert found.stop - found.start < 1.5 * len(bump) + 10


@pytest.mark.parametrize(
    "bump",
    [
        [-1.0], [-0.5, -1.0, -0.5], hill(12, 1.0), hill(1200, 0.5),
        np.random.default_rng(2).normal(0, 1.0, 60), np.full(60, 0.02),
    ],
    ids=["a sample", "three", "as long as a grain", "more than half a turn", "rough", "in the noise"],
)  # fmt: skip
def test_what_may_be_dust_disturbance_or_noise_is_no_form(bump):
    assert run_of(bump) is None


def test_beginning_of_a_trace_is_no_form_since_drift_looks_alike():
    assert run_of(hill(120, -1.0)[60:], edge=True) is None


def test_two_turns_do_not_tell_a_short_dent_from_a_grain_in_the_other_turn():
    assert run_of(hill(12, -1.0), turns=2.0) is None
    assert run_of(hill(60, -1.0), turns=2.0) is not None

"""Pauses before the next connection: growing, bounded, and drawn anew by everybody for himself."""

from __future__ import annotations

import itertools

import pytest

from edgeagent.rules.line.back_off import PAUSE_MAX_S, PAUSE_MIN_S, draw_pause_s, next_pause_s


def test_whole_pauses_double_to_their_limit():
    wholes = list(itertools.accumulate(range(8), lambda before, _: next_pause_s(before), initial=0.0))[1:]
    assert wholes == [0.5, 1.0, 2.0, 4.0, 8.0, PAUSE_MAX_S, PAUSE_MAX_S, PAUSE_MAX_S]


@pytest.mark.parametrize("whole_s", [0.5, 2.0, PAUSE_MAX_S])
def test_two_hundred_agents_that_fail_at_one_moment_come_back_spread_over_half_the_pause(whole_s):
    drawn = sorted(draw_pause_s(whole_s, f"store-{n}", 1000.0) for n in range(200))
    assert whole_s / 2 <= drawn[0] < drawn[-1] <= whole_s
    busiest = max(sum(at <= other < at + whole_s / 20 for other in drawn) for at in drawn)
    assert busiest <= 45, "of 200, 20 are expected in each tenth of the spread"


def test_agents_whose_lasting_connections_end_at_one_moment_do_not_come_at_one_moment():
    drawn = [draw_pause_s(0.0, f"store-{n}", 1000.0) for n in range(200)]
    assert 0.0 <= min(drawn) < max(drawn) <= PAUSE_MIN_S
    assert len({round(at, 2) for at in drawn}) > 40


def test_agent_draws_anew_each_time():
    assert len({draw_pause_s(PAUSE_MAX_S, "store", float(now)) for now in range(100)}) == 100

"""How often capability intervals hold the true index, and how often a process in control is called P.

Run as ``python tests/bench/capability_coverage.py [RUNS]`` (300 by default, three minutes). Values are drawn
from known distributions; the true index is that of their exact percentiles. ``over`` are intervals that lie
above it, ``none`` series that no distribution fits, which get no interval; ``width`` is the median of upper
over lower bound. The second table is per cent of series whose indices are called P.
"""

from __future__ import annotations

import statistics
import sys
from pathlib import Path

import numpy as np
from scipy import stats

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from edgeagent.judging.drift import Observation, SeriesKey
from edgeagent.judging.studies.trend import Series, trend_of
from edgeagent.rules.capability import PROBABILITIES, capability, indices_of, percentile_capability

PROCESSES = {
    "normal, one limit": (stats.norm(10, 1), (None, 1.33)),
    "normal, two limits": (stats.norm(10, 1), (1.6, 1.33)),
    "lognormal 0.2": (stats.lognorm(0.2), (None, 1.33)),
    "lognormal 0.5": (stats.lognorm(0.5), (None, 1.33)),
    "lognormal 0.5, two limits": (stats.lognorm(0.5), (1.2, 1.33)),
    "Rayleigh": (stats.rayleigh(), (None, 1.33)),
    "half-normal": (stats.halfnorm(), (None, 1.33)),
    "gamma 3": (stats.gamma(3), (None, 1.33)),
    "100 + lognormal 0.5": (stats.lognorm(0.5, loc=100), (None, 1.33)),
    "100 + exponential": (stats.expon(loc=100), (None, 1.33)),
    "exponential": (stats.expon(), (None, 1.33)),
}
COUNTS = (10, 25, 50, 100, 300, 4000)


def limits_of(distribution, sides):
    """Lower and upper limit so that the one-sided true indices are ``sides``; None stays None."""
    low, middle, high = distribution.ppf(PROBABILITIES)
    lower, upper = sides
    return (
        None if lower is None else middle - lower * (middle - low),
        None if upper is None else middle + upper * (high - middle),
    )


def series_of(values):
    """A series of the command ``trend``."""
    key = SeriesKey("KX-1", False, "left-flank", "gauge-1", "roundness_total")
    found = [Observation(key, 0, "2026-03-02T09:41:07Z", "1", "", v, "um", None, 1e9) for v in values]
    return Series(key, tuple(found))


def print_control(runs, rng):
    """Per cent of series that are not shown in control, without any change and with one of 1.5 sigma."""
    print(f"\n{'process':<28}{'n':>5}{'P in control':>14}{'P after a shift of 1.5 sigma at 2/3':>38}")
    for name in ("normal, one limit", "lognormal 0.2", "Rayleigh", "half-normal"):
        distribution = PROCESSES[name][0]
        for count in (30, 50, 100, 300):
            called = [0, 0]
            for _ in range(runs):
                values = distribution.rvs(count, random_state=rng)
                shifted = values + 1.5 * distribution.std() * (np.arange(count) >= 2 * count // 3)
                for i, some in enumerate((values, shifted)):
                    called[i] += not trend_of(series_of(some.tolist()), 25).capability.in_control
            shares = [f"{100 * c / runs:.0f} %" for c in called]
            print(f"{name:<28}{count:>5}{shares[0]:>14}{shares[1]:>38}", flush=True)


def main() -> None:
    """Print both tables."""
    runs = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    rng = np.random.default_rng(20260302)
    print(f"{'process':<28}{'n':>5}{'percentile':>12}{'over':>8}{'if normal':>12}{'none':>6}{'width':>7}")
    for name, (distribution, sides) in PROCESSES.items():
        lower, upper = limits_of(distribution, sides)
        _, true = indices_of(distribution.ppf(PROBABILITIES), lower, upper)
        for count in COUNTS:
            held = plain = none = over = 0
            widths = []
            drawn = runs if count < 1000 else runs // 5
            for _ in range(drawn):
                values = distribution.rvs(count, random_state=rng).tolist()
                bounds = capability(values, lower, upper).cpk_bounds
                plain += bounds[0] <= true <= bounds[1]
                found = percentile_capability(values, lower, upper)
                if found is None:
                    none += 1
                    continue
                held += found.cpk_bounds[0] <= true <= found.cpk_bounds[1]
                over += found.cpk_bounds[0] > true
                widths.append(found.cpk_bounds[1] / found.cpk_bounds[0])
            shares = (100 * held / (drawn - none), 100 * over / (drawn - none), 100 * plain / drawn)
            text = "{:>10.1f} %{:>6.1f} %{:>10.1f} %".format(*shares)
            print(f"{name:<28}{count:>5}{text}{none:>6}{statistics.median(widths):>7.2f}", flush=True)
    print_control(max(20, runs // 5), rng)


if __name__ == "__main__":
    main()

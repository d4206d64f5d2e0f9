"""How often drift charts cry wolf and how soon they see a shift, for known and for estimated baselines.

Run as ``python tests/bench/drift_alarms.py``; takes half a minute. Values are normal and independent. A shift
or a slow drift begins right behind the first baseline, or 75 usual values later; runs with an alarm before it
are left out. Delays are medians, in values.
"""

from __future__ import annotations

import random
import statistics
import sys
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from edgeagent.rules.control_charts import ChartPlan, Monitor, observe

BASELINES = {
    "known": ChartPlan(minimum=25, centre=0.0, sigma=1.0),
    "first 25": ChartPlan(minimum=25),
    "first 25, wider": ChartPlan(minimum=25, limit_sigma=3.7, decision_sigma=8.0),
    "first 100": ChartPlan(minimum=100),
    "25 growing to 100": ChartPlan(minimum=25, grow_to=100),
    "25 growing, wider": ChartPlan(minimum=25, grow_to=100, limit_sigma=3.7, decision_sigma=8.0),
}
RUNS, USUAL, LATER, PATIENCE = 600, 100, 75, 600


def begun(plan: ChartPlan) -> Monitor:
    """A chart that judges the next value."""
    monitor = Monitor()
    for _ in range(plan.minimum if plan.centre is None else 0):
        monitor = observe(monitor, random.gauss(0.0, 1.0), plan)
    return monitor


def run_length(plan: ChartPlan, most: int, *, baseline: int = 0, shift: float = 0.0, slope: float = 0.0) -> int:
    """Values behind the baseline's until the first signal; 0 where one came before, ``most`` + 1 for none."""
    monitor = begun(plan)
    for _ in range(baseline):
        monitor = observe(monitor, random.gauss(0.0, 1.0), plan)
        if monitor.signalling:
            return 0
    for count in range(1, most + 1):
        monitor = observe(monitor, random.gauss(shift + slope * count, 1.0), plan)
        if monitor.signalling:
            return count
    return most + 1


def delay(plan: ChartPlan, baseline: int, shift: float, slope: float = 0.0) -> str:
    """Median delay of the runs without an earlier signal."""
    lengths = [
        run_length(plan, PATIENCE, baseline=baseline, shift=shift, slope=slope) for _ in range(RUNS // 4)
    ]
    median = statistics.median(n for n in lengths if n)
    return f"{median:.0f}" if median <= PATIENCE else "never"


def main() -> None:
    """Print one line for each chart and baseline."""
    random.seed(20260302)
    names = ("alarm in 100", "1 sigma", "2 sigma", "0.03/value")
    late = ("1 sigma", "2 sigma", "0.03/value")
    print(f"{'':<31}{'':>14}{'at once':^36}{'75 values later':^36}")
    print(f"{'chart':<12}{'baseline':<19}{names[0]:>14}" + "".join(f"{n:>12}" for n in (*names[1:], *late)))
    for chart in ("individuals", "ewma", "cusum"):
        for name, baseline in BASELINES.items():
            plan = replace(baseline, chart=chart)
            false = sum(run_length(plan, USUAL) <= USUAL for _ in range(RUNS)) / RUNS
            delays = [
                delay(plan, behind, shift, slope)
                for behind in (0, LATER)
                for shift, slope in ((1.0, 0.0), (2.0, 0.0), (0.0, 0.03))
            ]
            print(f"{chart:<12}{name:<19}{100 * false:>12.0f} %" + "".join(f"{d:>12}" for d in delays))


if __name__ == "__main__":
    main()

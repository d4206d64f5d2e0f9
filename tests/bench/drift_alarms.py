"""How often drift charts cry wolf and how soon they see a shift, baselines estimated from the first values.

Run as ``python tests/bench/drift_alarms.py``; takes some seconds. Values are normal and independent.
"""

from __future__ import annotations

import random
import statistics
import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from edgeagent.rules.control_charts import ChartPlan, Monitor, observed

SETTINGS = (
    (25, {}),
    (50, {}),
    (50, {"limit_sigma": 3.3, "decision_sigma": 6.0}),
    (50, {"limit_sigma": 3.7, "decision_sigma": 8.0}),
)
RUNS, WATCHED, PATIENCE = 500, 100, 2000


def begun(plan: ChartPlan) -> Monitor:
    """A chart whose baseline is complete."""
    monitor = Monitor()
    for _ in range(plan.minimum):
        monitor = observed(monitor, random.gauss(0.0, 1.0), plan)
    return monitor


def run_length(plan: ChartPlan, shift: float, most: int) -> int:
    """Values until the first signal, ``most`` plus one when there is none."""
    monitor = begun(plan)
    for count in range(1, most + 1):
        monitor = observed(monitor, random.gauss(shift, 1.0), plan)
        if monitor.signalling:
            return count
    return most + 1


def main() -> None:
    """Print one line for each chart and setting."""
    random.seed(20260302)
    print(
        f"chart        minimum  constants            alarm in {WATCHED} usual values  median delay at 1 sigma"
    )
    for minimum, constants in SETTINGS:
        for chart in ("individuals", "ewma", "cusum"):
            plan = ChartPlan(chart=chart, minimum=minimum, **constants)
            false = sum(run_length(plan, 0.0, WATCHED) <= WATCHED for _ in range(RUNS)) / RUNS
            delay = statistics.median(run_length(plan, 1.0, PATIENCE) for _ in range(RUNS // 2))
            limit = plan.decision_sigma if chart == "cusum" else plan.limit_sigma
            print(
                f"{chart:<12} {minimum:>7}  limit {limit:g} sigma{'':<9} {100 * false:>14.0f} % {delay:>22.0f}"
            )


if __name__ == "__main__":
    main()

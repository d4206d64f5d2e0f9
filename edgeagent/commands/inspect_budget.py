"""Uncertainty budgets of one trace for a script and for a reader."""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from edgeagent.codec.plain_text import align_rows, number
from edgeagent.judging.evaluation.evaluate import Evaluation
from edgeagent.rules.budget import Budget, coverage_factor


def budget_objects(found: Evaluation, *, harmonics_max: int) -> list[dict[str, Any]]:
    """Budget of every value, and of the harmonics among the characteristics; empty where none was asked for.

    Infinite degrees of freedom are None, as in all JSON of the project.
    """
    if found.budgeted is None:
        return []
    # Those of harmonics are made when asked for: a spiral has five hundred.
    budgets = dict(found.budgeted.budgets)
    harmonics = [c for c in found.judgement.characteristics if c.name == "harmonic_amplitude" and c.instance]
    for c in harmonics[:harmonics_max]:
        budget = found.budgeted.of_harmonic(int(c.instance))
        if budget is not None:
            budgets[c.name, c.instance] = budget
    values = {(c.name, c.instance): c for c in found.judgement.characteristics}
    return [_object(values[at].value, values[at].unit, at, budget) for at, budget in budgets.items()]


def _object(value: float | None, unit: str, at: tuple[str, str], budget: Budget) -> dict[str, Any]:
    return {
        "name": at[0],
        "instance": at[1],
        "value": value,
        "unit": unit,
        "complete": budget.complete,
        "standard_uncertainty": budget.standard_uncertainty,
        "degrees_of_freedom": _finite(budget.degrees_of_freedom),
        "coverage_factor": coverage_factor(budget.degrees_of_freedom),
        "contributions": [
            {
                "source": c.source,
                "standard_uncertainty": c.standard_uncertainty,
                "unit": c.unit,
                "sensitivity": c.sensitivity,
                "effect": c.effect,
                "degrees_of_freedom": _finite(c.degrees_of_freedom),
            }
            for c in sorted(budget.contributions, key=lambda c: -c.effect)
        ],
    }


def _finite(dof: float) -> float | None:
    # JSON has no infinity
    return None if math.isinf(dof) else dof


def budget_table(result: Mapping[str, Any]) -> str:
    """The budgets of a result as tables, the largest contribution first."""
    budgets = result["details"]["budgets"]
    if not budgets:
        return "  no budget: neither agent.toml nor the recipe has [uncertainty], or the file is no part's\n"
    lines = []
    for b in budgets:
        name = f"{b['name']}[{b['instance']}]" if b["instance"] else b["name"]
        u, k = b["standard_uncertainty"], b["coverage_factor"]
        stated = (
            f"u {u:.3g}, ν {_freedom(b['degrees_of_freedom'])}, U (k=2) {2 * u:.3g}, "
            f"U (95 %, k={k:.2f}) {k * u:.3g}"
        )
        if not b["complete"]:
            stated = f"u not known: enter its repeatability from a study; without that the rest is {u:.3g}"
        lines.append(f"  {name} {number(b['value'])} {b['unit']}: {stated}")
        rows: list[tuple[str, ...]] = [("contribution", "u(x)", "unit", "sensitivity", "in " + b["unit"], "ν")]
        rows += [
            (
                c["source"],
                f"{c['standard_uncertainty']:.3g}",
                c["unit"],
                f"{c['sensitivity']:.4g}",
                f"{c['effect']:.3g}",
                _freedom(c["degrees_of_freedom"]),
            )
            for c in b["contributions"]
        ]
        lines += align_rows(rows, "    ")
    return "\n".join([*lines, ""])


def _freedom(dof: float | None) -> str:
    return "∞" if dof is None else f"{dof:.1f}"

"""Uncertainty budgets (JCGM 100): contributions to one standard uncertainty with its degrees of freedom.

Inputs are taken as uncorrelated; the model is linear about the measured value, by the contributions'
sensitivities. Source: JCGM 100:2008, 5.1.2 (combination), G.4.1 (effective degrees of freedom), G.3 (coverage).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from edgeagent.model import Contribution


@dataclass(frozen=True, slots=True)
class Budget:
    """All contributions to one value; ``standard_uncertainty`` in the value's unit.

    ``degrees_of_freedom`` is infinite where no contribution with finite ones counts. A budget is not
    ``complete`` where nothing is known of how the value repeats: then the rest is no uncertainty of the value.
    """

    contributions: tuple[Contribution, ...]
    standard_uncertainty: float
    degrees_of_freedom: float
    complete: bool = True


def combine(contributions: Sequence[Contribution], *, complete: bool = True) -> Budget:
    """Root sum of squares with the effective degrees of freedom of Welch and Satterthwaite.

    Raises ValueError for an uncertainty below zero or degrees of freedom below one.
    """
    for c in contributions:
        if not c.standard_uncertainty >= 0 or not c.degrees_of_freedom >= 1:
            raise ValueError(f"{c.source}: uncertainty {c.standard_uncertainty}, ν {c.degrees_of_freedom}")
    parts = [c.effect for c in contributions]
    # hypot: squares of very small effects would underflow.
    u = math.hypot(*parts)
    fourth = (
        # Shares of u to the fourth, which neither overflow nor underflow whatever the unit is.
        sum((p / u) ** 4 / c.degrees_of_freedom for p, c in zip(parts, contributions, strict=True)) if u else 0
    )
    return Budget(tuple(contributions), u, 1.0 / fourth if fourth > 0 else math.inf, complete)


def coverage_factor(degrees_of_freedom: float, probability: float = 0.95) -> float:
    """Student's two-sided factor; effective degrees of freedom are cut to whole ones (JCGM 100, G.4.1)."""
    # Loaded here: only the printed budget needs it, and a start must not wait for it.
    from scipy.special import ndtri, stdtrit

    upper = 0.5 + probability / 2.0
    if math.isinf(degrees_of_freedom):
        return float(ndtri(upper))
    return float(stdtrit(max(1, math.floor(degrees_of_freedom)), upper))

"""Limits that nothing can meet, or that every value meets, found before the first part is measured."""

from __future__ import annotations

import math
from collections.abc import Iterator
from math import hypot, isfinite

import numpy as np

from edgeagent.analysis.kinds import find_kind, possible_range
from edgeagent.codec.plain_text import number
from edgeagent.model import CurveLimit, DecisionPolicy, MeasurementPlan, PartUncertainty, ScalarLimit
from edgeagent.model.uncertainty import harmonic_band
from edgeagent.rules.limits import curve_at
from edgeagent.rules.verdicts import guard_factors
from edgeagent.store.configuration import StationConfiguration

_BY_GAUGE_SCALE = ("um", "nm")
"""Units of the deviations of spiral and circle, whose uncertainty grows with the value itself."""


def list_impossible_limits(configuration: StationConfiguration) -> list[str]:
    """A sentence for each limit that no part can pass, or that does nothing since no value can be beyond it.

    Only what recipe and station state counts, the noise of a trace comes on top: a limit that is not named here
    may still be too tight.
    """
    policy, stated = configuration.settings.decision.policy, configuration.settings.uncertainty
    gauge_scale = (stated.gauge_scale if stated is not None else None) or 0.0
    return [
        f"{loaded.recipe.part} {plan.feature}: {sentence}"
        for loaded in configuration.recipes.values()
        for plan in loaded.recipe.measurements
        for sentence in _list_of_plan(plan, policy, loaded.recipe.uncertainty, gauge_scale)
    ]


def _list_of_plan(
    plan: MeasurementPlan,
    policy: DecisionPolicy,
    part: PartUncertainty | None,
    gauge_scale: float,
) -> Iterator[str]:
    kind = find_kind(plan.kind)
    for limit in plan.scalar_limits:
        name = f"{limit.characteristic}[{limit.instance}]" if limit.instance else limit.characteristic
        unit = kind.CHARACTERISTICS[limit.characteristic]
        lowest, highest = possible_range(kind, limit.characteristic)
        outside = _outside_words(limit, lowest, highest)
        # Said once: a limit that no value can reach is tight as well.
        if outside:
            yield f"{name} {outside}"
            continue
        # Axial and travel values are not multiples of a gauge's deflection.
        scale = gauge_scale if plan.kind in ("spiral", "circle") and unit in _BY_GAUGE_SCALE else 0.0
        repeatability = part.repeatability_of(limit.characteristic, limit.instance or "") if part else None
        sentence = _tight_words(limit, (lowest, highest), guard_factors(policy)[0], repeatability or 0.0, scale)
        if sentence:
            yield f"{name} {sentence.format(unit=unit)}"
    for curve in plan.curve_limits:
        yield from _list_tight_bands(curve, guard_factors(policy)[0], part)


def _outside_words(limit: ScalarLimit, lowest: float, highest: float) -> str:
    """What is wrong with limits that lie where no value can be; empty for none."""
    spoken = (
        f"lies between {number(lowest)} and {number(highest)}" if isfinite(highest) else "is never negative"
    )
    if limit.upper is not None and limit.upper <= lowest:
        return f"{spoken}: no value can pass its upper limit {number(limit.upper)}"
    if limit.lower is not None and limit.lower >= highest:
        return f"{spoken}: no value can pass its lower limit {number(limit.lower)}"
    if limit.upper is not None and limit.upper > highest:
        return f"{spoken}: its upper limit {number(limit.upper)} limits nothing"
    if limit.lower is not None and limit.lower < lowest:
        return f"{spoken}: its lower limit {number(limit.lower)} limits nothing"
    return ""


def _tight_words(
    limit: ScalarLimit, possible: tuple[float, float], factor: float, repeatability: float, scale: float
) -> str:
    """Why the guard bands leave nothing between the limits; empty where they leave something."""
    low = limit.lower if limit.lower is not None else possible[0]
    high = limit.upper if limit.upper is not None else possible[1]
    if not (isfinite(low) and isfinite(high)) or factor <= 0.0:
        return ""
    # The uncertainty grows with the value: if not even the least of them leaves room, none does.
    nearest = 0.0 if low <= 0.0 <= high else min(abs(low), abs(high))
    u = hypot(repeatability, scale * nearest)
    # One guard band for each limit: a value must clear both.
    bands = (limit.lower is not None) + (limit.upper is not None)
    if u <= 0.0 or bands * factor * u < high - low:
        return ""
    room = "between its limits" if bands == 2 else f"below its limit {number(high)}"
    stated = "repeatability" if repeatability >= scale * nearest else "gauge scale"
    return (
        f"can never be accepted: the guard band, {factor:.4g} times {number(u)} {{unit}} by its {stated}, "
        f"leaves nothing {room}"
    )


def _list_tight_bands(curve: CurveLimit, factor: float, part: PartUncertainty | None) -> Iterator[str]:
    """Bands of harmonics whose stated repeatability uses up the curve."""
    stated = part.repeatability if part is not None else {}
    for name, u_nm in stated.items():
        if name.partition("[")[0] != "harmonic_amplitude":
            continue
        # Without a band the entry is for all orders.
        first, last = harmonic_band(name) or (1, int(curve.upr[-1]))
        first, last = max(first, math.ceil(curve.upr[0])), min(last, math.floor(curve.upr[-1]))
        if first > last:
            continue
        orders = np.arange(first, last + 1)
        upper_nm, _ = curve_at([curve], orders.astype(np.float64))
        # One sentence a band, for its tightest order: a curve has hundreds.
        worst = int(np.argmin(upper_nm))
        if factor * u_nm >= upper_nm[worst]:
            limit = number(float(upper_nm[worst]))
            yield (
                f"{name}: {orders[worst]} UPR can never be accepted: the guard band, {factor:.4g} times the "
                f"repeatability {number(u_nm)} nm, leaves nothing below its limit {limit} nm"
            )

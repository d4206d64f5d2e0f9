"""The uncertainty of every value of a trace where ``[uncertainty]`` of station or recipe asks for a budget."""

from __future__ import annotations

import math
from collections.abc import Mapping, Set
from dataclasses import dataclass, replace
from typing import Any

from edgeagent.analysis.budget.contributions import (
    REFERENCE_TEMPERATURE_C,
    Known,
    at_reference_temperature,
    contributions,
    harmonic_contributions,
    harmonic_uncertainty_nm,
    order_uncertainty_nm,
    wanted_influences,
)
from edgeagent.analysis.kinds import Kind, Request
from edgeagent.model import (
    Analysis,
    FloatArray,
    Influences,
    InstrumentUncertainty,
    PartUncertainty,
    QualityCheck,
    Trace,
)
from edgeagent.rules.budget import Budget, combine


@dataclass(frozen=True, slots=True)
class Budgeted:
    """An analysis whose uncertainties are those of ``budgets``; those of harmonics and orders have shape (n,).

    ``known`` is all that they were made from.
    """

    analysis: Analysis
    budgets: Mapping[tuple[str, str], Budget]
    harmonics_nm: FloatArray | None
    orders_nm: FloatArray | None
    known: Known

    @property
    def wanted(self) -> frozenset[str]:
        """The influences that some stated uncertainty meets."""
        return wanted_influences(self.known.instrument, self.known.part)

    def of_harmonic(self, upr: int) -> Budget | None:
        """The budget of one harmonic; None where the trace has no such."""
        spectrum = self.analysis.spectrum
        if spectrum is None or not 1 <= upr <= len(spectrum.upr):
            return None
        return combine(harmonic_contributions(spectrum, self.known, upr))


def apply_budget(
    analysis: Analysis,
    trace: Trace,
    kind: Kind,
    request: Request,
    instrument: InstrumentUncertainty | None,
    part: PartUncertainty | None,
    limited: frozenset[str],
) -> Budgeted:
    """Every value with the uncertainty that instrument, part and trace together give it; see `with_budget`."""
    wanted = wanted_influences(instrument or InstrumentUncertainty(), part or PartUncertainty())
    known_influences = getattr(kind, "influences", None)
    influences = Influences()
    if known_influences is not None:
        influences = known_influences(trace, request, analysis, wanted)
    return with_budget(
        analysis, influences, request.options, trace.header.temperature_c, instrument, part, limited
    )


def with_budget(
    analysis: Analysis,
    influences: Influences,
    options: Any,
    temperature_c: float | None,
    instrument: InstrumentUncertainty | None,
    part: PartUncertainty | None,
    limited: frozenset[str],
) -> Budgeted:
    """Every value with its budget, whose ``influences`` are known.

    A value whose repeatability is known from neither trace nor study keeps an unknown uncertainty; one that
    grows with a part of unknown temperature has an infinite one, where the recipe states an expansion.
    ``options`` are the kind's, ``temperature_c`` what the trace says of the part, ``limited`` the
    characteristics that have a limit: where one of them grows with a part of unknown temperature, the trace is
    not fit to be accepted.
    """
    instrument, part = instrument or InstrumentUncertainty(), part or PartUncertainty()
    # Kinds without a band of their own: values of no single UPR take the artefact's waves in the usual one.
    low, high = getattr(options, "upr", None) or (2, 500)
    known = Known(
        influences,
        instrument,
        part,
        temperature_c,
        (float(max(low, 2)), float(high)),
        analysis.spectrum,
    )
    unmeasured = part.expansion_per_k is not None and known.temperature_c is None
    budgets, quantities = {}, []
    # Corrected first: sensitivities belong to the value that is stated.
    for q in at_reference_temperature(analysis.quantities, known):
        parts = contributions(q, known)
        studied = part.repeatability_of(q.name, q.instance) is not None
        repeats = q.standard_uncertainty is not None or studied
        if parts:
            budget = budgets[q.name, q.instance] = combine(parts, complete=repeats)
            # Without its repeatability the rest is too small: an unknown uncertainty is safer than a wrong one.
            if budget.complete:
                u, dof = budget.standard_uncertainty, budget.degrees_of_freedom
                q = replace(q, standard_uncertainty=u, degrees_of_freedom=dof)
        if unmeasured and (q.name, q.instance) in influences.length_scale:
            q = replace(q, standard_uncertainty=math.inf)
        quantities.append(q)
    spectrum = analysis.spectrum
    growing = {name for name, _ in influences.length_scale}
    checks = (*analysis.quality, *temperature_check(part, temperature_c, growing, limited))
    return Budgeted(
        replace(analysis, quality=checks, quantities=tuple(quantities)),
        budgets,
        harmonic_uncertainty_nm(spectrum, known) if spectrum is not None else None,
        order_uncertainty_nm(analysis.orders, known) if analysis.orders is not None else None,
        known,
    )


def temperature_check(
    part: PartUncertainty, temperature_c: float | None, growing: Set[str], limited: frozenset[str]
) -> tuple[QualityCheck, ...]:
    """Whether values that grow with the part have the temperature that the recipe's expansion needs."""
    if part.expansion_per_k is None or not growing:
        return ()
    if temperature_c is None:
        note = "the trace states no temperature_c, so that expansion_per_k cannot be applied"
        return (QualityCheck("temperature", not growing & limited, None, None, "", note),)
    corrected = "are those at 20 °C" if part.correct_temperature else "are not corrected for it"
    note = f"measured at {temperature_c:g} °C, values {corrected}"
    away = temperature_c - REFERENCE_TEMPERATURE_C
    return (QualityCheck("temperature", True, away, None, "K", note),)

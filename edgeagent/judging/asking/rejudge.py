"""A result judged again with other limits, rule or uncertainties, without its trace.

Possible where the analysis would be asked for the same: the numbers are then those of the archived result. The
budget is made anew only where an uncertainty changed, from the influences that the result holds.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from edgeagent.analysis.budget.contributions import SETUP_KEYS, wanted_influences
from edgeagent.analysis.kinds import Kind, Request, find_kind
from edgeagent.codec.records.judged_from import Check, JudgingRow, floats
from edgeagent.judging.configuration import LoadedRecipe
from edgeagent.judging.evaluation.budget import temperature_check, with_budget
from edgeagent.judging.evaluation.evaluate import (
    Rulebook,
    find_plan,
    request_for,
    traces_with_curves,
    without_value,
)
from edgeagent.model import (
    Analysis,
    FloatArray,
    Influences,
    InstrumentUncertainty,
    JudgedSpectrum,
    Judgement,
    MeasurementPlan,
    PartUncertainty,
    QualityCheck,
    ScalarLimit,
)
from edgeagent.model.reasons import Reason
from edgeagent.model.records import TraceIdentity, given
from edgeagent.rules.decision import TURNS_COUNTED_BY, judge, judge_spectra, judge_spectrum
from edgeagent.rules.limits import LimitLookup, is_turn

ANOTHER_ANALYSIS = "the analysis would be asked for something else"
ANOTHER_LAYOUT = "another layout would read it"
ANOTHER_SETUP = "the recipe states another set-up"
ANOTHER_GRADE = "another grade asks for limits that the result does not hold"
ANOTHER_INFLUENCE = "the result does not hold what the stated uncertainties do to its values"
"""Why a file must be computed again; so is one whose result is older than what is held for this."""


@dataclass(frozen=True, slots=True)
class AskedOfTrace:
    """What one trace would be judged by. Built once for all traces of a feature under the same two recipes."""

    plan: MeasurementPlan | None
    holds: tuple[Reason, ...]
    kind: Kind
    request: Request
    part: PartUncertainty | None
    part_before: PartUncertainty | None
    traces: int
    limited: frozenset[str]
    tables: dict[tuple[ScalarLimit, ...], LimitLookup]

    def table(self, grade_limits: tuple[ScalarLimit, ...]) -> LimitLookup:
        """The plan's limits and those of its grade, made once for all traces that share them."""
        found = self.tables.get(grade_limits)
        if found is None:
            scalar, curves = (
                ((), ()) if self.plan is None else (self.plan.scalar_limits, self.plan.curve_limits)
            )
            found = self.tables[grade_limits] = LimitLookup((*scalar, *grade_limits), curves)
        return found


def asked_of(trace: TraceIdentity, before: Rulebook, now: Rulebook, layout: str | None) -> AskedOfTrace | str:
    """What a trace would be judged by, or why it must be computed again.

    ``before`` is the rulebook that it was decided by, ``now`` the one that is asked about, ``layout`` the name
    of the layout that read it.
    """
    if layout is not None and _layout(before, layout) != _layout(now, layout):
        return ANOTHER_LAYOUT
    kind = find_kind(trace.kind)
    part = given(trace.part, None)
    recipes = before.recipes.get(part or ""), now.recipes.get(part or "")
    (plan_before, _), (plan, holds) = (find_plan(part, trace.feature, trace.kind, each) for each in recipes)
    request_before = request_for(kind, plan_before, recipes[0], before)
    request = request_for(kind, plan, recipes[1], now)
    if request_before != request:
        return ANOTHER_ANALYSIS
    if _setup(plan_before) != _setup(plan):
        return ANOTHER_SETUP
    if _grade(plan_before) != _grade(plan):
        return ANOTHER_GRADE
    limits = plan.scalar_limits if plan is not None else ()
    return AskedOfTrace(
        plan,
        tuple(holds),
        kind,
        request,
        _part_uncertainty(recipes[1]),
        _part_uncertainty(recipes[0]),
        traces_with_curves(recipes[1]),
        frozenset(x.characteristic for x in limits),
        {},
    )


@dataclass(frozen=True, slots=True)
class Prepared:
    """A result with all that its judgement needs, its harmonics aside."""

    asked: AskedOfTrace
    rule: str
    analysis: Analysis
    grade_limits: tuple[ScalarLimit, ...]
    grade_holds: tuple[Reason, ...]
    harmonics_nm: FloatArray | None
    orders_nm: FloatArray | None
    noise_only: bool


def prepare(
    row: JudgingRow,
    asked: AskedOfTrace,
    rule: str,
    uncertainty: InstrumentUncertainty | None,
    uncertainty_before: InstrumentUncertainty | None,
) -> Prepared | str:
    """A result made ready to be judged again, or why its file must be computed again.

    Values without a limit are left out of it: they decide nothing, unless they say how many turns there are.
    ``uncertainty`` is the instrument's now, ``uncertainty_before`` the one that its record holds.
    """
    grade_limits = row.limits_of_grade()
    every = (*grade_limits, *(asked.plan.scalar_limits if asked.plan is not None else ()))
    limited = asked.limited | {x.characteristic for x in grade_limits} if grade_limits else asked.limited
    budgeted = uncertainty is not None or asked.part is not None
    same = uncertainty == uncertainty_before and asked.part == asked.part_before
    quantities = row.quantities(_with_their_family(row, limited), budgeted=budgeted and same)
    spectrum, orders = row.spectrum(), row.orders()
    harmonics_nm: FloatArray | None = None
    orders_nm: FloatArray | None = None
    last: tuple[QualityCheck, ...] = ()
    analysis = Analysis((), quantities, spectrum, orders)
    doubts = (*without_value(every, analysis, asked.kind, asked.request), *_checks(row.setup_checks))
    if budgeted and same:
        harmonics_nm, orders_nm = floats(row.uncertainty_nm), floats(row.orders_uncertainty_nm)
        last = _temperature(row, asked.part, limited)
    elif budgeted:
        influences = _influences(row, asked, uncertainty, uncertainty_before)
        if influences is None:
            return ANOTHER_INFLUENCE
        known = with_budget(
            analysis, influences, asked.request.options, row.temperature_c, uncertainty, asked.part, limited
        )
        quantities, harmonics_nm, orders_nm = known.analysis.quantities, known.harmonics_nm, known.orders_nm
        last = known.analysis.quality
    return Prepared(
        asked,
        rule,
        Analysis((*_checks(row.checks), *doubts, *last), quantities, spectrum, orders),
        grade_limits,
        row.grade_holds,
        harmonics_nm,
        orders_nm,
        uncertainty is None or not uncertainty.stated,
    )


def _with_their_family(row: JudgingRow, limited: frozenset[str]) -> frozenset[str]:
    """The names of limited values, and where single turns are limited, the value by which they are counted."""
    turns = any(is_turn(i) and name in limited for name, i in zip(row.names, row.instances, strict=True))
    return limited | {TURNS_COUNTED_BY} if turns else limited


def judge_prepared(prepared: Sequence[Prepared]) -> list[Judgement]:
    """The judgement of each, in their order. Spectra of the same orders and limits are judged together."""
    together: dict[tuple[object, ...], list[int]] = {}
    for i, one in enumerate(prepared):
        if one.analysis.spectrum is not None:
            key = (id(one.asked), one.rule, one.grade_limits, len(one.analysis.spectrum.upr))
            together.setdefault(key, []).append(i)
    spectra: dict[int, JudgedSpectrum] = {}
    for indices in together.values():
        for at in range(0, len(indices), _TOGETHER):
            some = indices[at : at + _TOGETHER]
            spectra.update(zip(some, _spectra([prepared[i] for i in some]), strict=True))
    return [_judge(one, spectra.get(i)) for i, one in enumerate(prepared)]


_TOGETHER = 32
"""Spectra that are judged at once: with 500 orders their arrays stay in the processor's cache."""


def _spectra(prepared: Sequence[Prepared]) -> list[JudgedSpectrum]:
    asked, rule = prepared[0].asked, prepared[0].rule
    table = asked.table(prepared[0].grade_limits)
    return judge_spectra(
        [one.analysis.spectrum for one in prepared if one.analysis.spectrum is not None],
        asked.plan,
        rule,
        [one.harmonics_nm for one in prepared],
        beside=[0 if one.analysis.orders is None else table.judged(one.analysis.orders) for one in prepared],
        traces=asked.traces,
        limits=table,
    )


def _judge(one: Prepared, spectrum: JudgedSpectrum | None) -> Judgement:
    asked, orders = one.asked, one.analysis.orders
    table = asked.table(one.grade_limits)
    between = None
    if orders is not None:
        beside = 0 if one.analysis.spectrum is None else table.judged(one.analysis.spectrum)
        between = judge_spectrum(
            orders, asked.plan, one.rule, one.orders_nm, beside=beside, traces=asked.traces, limits=table
        )
    return judge(
        one.analysis,
        asked.plan,
        one.rule,
        extra_limits=one.grade_limits,
        holds=(*asked.holds, *one.grade_holds),
        noise_only=one.noise_only,
        table=table,
        waves=(spectrum, between),
    )


def _influences(
    row: JudgingRow,
    asked: AskedOfTrace,
    uncertainty: InstrumentUncertainty | None,
    before: InstrumentUncertainty | None,
) -> Influences | None:
    """What the result holds of them, if that is all that the budget needs.

    The effect of what `SETUP_KEYS` state was found for their very numbers.
    """
    stored = row.influences()
    if stored is None:
        return None
    now, then = uncertainty or InstrumentUncertainty(), before or InstrumentUncertainty()
    wanted = wanted_influences(now, asked.part or PartUncertainty())
    if not wanted <= {*stored.wanted}:
        return None
    if any(getattr(now, key) != getattr(then, key) for key in (*SETUP_KEYS, "pickup_hz")):
        return None
    return stored.influences()


def _temperature(
    row: JudgingRow, part: PartUncertainty | None, limited: frozenset[str]
) -> tuple[QualityCheck, ...]:
    """The check that the budget adds, which depends on what has a limit."""
    stored = row.influences() if part is not None and part.expansion_per_k is not None else None
    if part is None or stored is None:
        return ()
    growing = {name for name, _, _ in stored.length_scale}
    return temperature_check(part, row.temperature_c, growing, limited)


def _checks(stored: tuple[Check, ...]) -> tuple[QualityCheck, ...]:
    return tuple(
        QualityCheck(check, False, value, allowed, unit, note) for check, value, allowed, unit, note in stored
    )


def _layout(rules: Rulebook, name: str) -> str | None:
    found = rules.layouts.get(name)
    return None if found is None else found[1].sha256


def _setup(plan: MeasurementPlan | None) -> Mapping[str, Any]:
    return plan.setup if plan is not None else {}


def _grade(plan: MeasurementPlan | None) -> int | None:
    return plan.grade if plan is not None else None


def _part_uncertainty(recipe: LoadedRecipe | None) -> PartUncertainty | None:
    return recipe.recipe.uncertainty if recipe is not None else None

"""From a file's bytes to its result: the one way that service, inspect and replay all take.

No state, no disk, no clock: the same bytes with the same configuration give the same result.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from msgspec.structs import asdict

from edgeagent import __version__
from edgeagent.analysis.kinds import Kind, Request, find_kind, require_columns
from edgeagent.codec.layout import Layout
from edgeagent.codec.reader import read_trace
from edgeagent.codec.result import result_object
from edgeagent.codec.settings import Certificate
from edgeagent.errors import AnalysisError, ConfigError, InputError
from edgeagent.model import (
    COVERAGE_FACTOR,
    Analysis,
    FloatArray,
    InstrumentUncertainty,
    Judgement,
    MeasurementPlan,
    PartUncertainty,
    QualityCheck,
    ScalarLimit,
    Trace,
)
from edgeagent.rules.budget import Budget, combine
from edgeagent.rules.decision import judge
from edgeagent.rules.limits import highest_judged_upr
from edgeagent.shell.archive import digest_of
from edgeagent.shell.configuration import Configuration, Document, LoadedRecipe
from edgeagent.shell.evaluate_artefact import evaluate_artefact


@dataclass(frozen=True, slots=True)
class Rulebook:
    """What an evaluation decides from. ``rule`` is the text of ``[decision]``'s policy."""

    rule: str
    recipes: Mapping[str, LoadedRecipe]
    layouts: Mapping[str, tuple[Layout, Document]]
    certificates: Mapping[str, tuple[Certificate, Document]]
    uncertainty: InstrumentUncertainty | None = None

    @staticmethod
    def of(configuration: Configuration) -> Rulebook:
        """The rulebook of a whole configuration."""
        return Rulebook(
            rule=configuration.settings.decision.policy.text,
            recipes=configuration.recipes,
            layouts=configuration.layouts,
            certificates=configuration.certificates,
            uncertainty=instrument_uncertainty(configuration, {}),
        )


@dataclass(frozen=True, slots=True)
class Evaluation:
    """A judged file. ``result`` is the contract's result object without secrets of the disk."""

    trace: Trace
    analysis: Analysis
    judgement: Judgement
    result: dict[str, Any]
    recipe: LoadedRecipe | None
    layout: str | None
    certificate: str | None
    required: tuple[str, ...]
    budgets: Mapping[tuple[str, str], Budget] = field(default_factory=dict)
    missing_upr: tuple[int, ...] = ()
    """Certified waves of an artefact that this file does not show."""
    incomplete: bool = False
    """Whether an artefact's file is held for nothing but its missing waves."""


def instrument_uncertainty(
    configuration: Configuration, errors_nm: Mapping[int, float]
) -> InstrumentUncertainty | None:
    """What ``[uncertainty]`` says of the instrument, with the errors of the artefact's waves found last."""
    stated = configuration.settings.uncertainty
    if stated is None:
        return None
    given = asdict(stated)
    artefact = given.pop("artefact")
    waves = []
    if artefact is not None:
        for w in sorted(configuration.certificates[artefact][0].wave, key=lambda wave: wave.upr):
            relative_u = w.expanded_uncertainty_nm / COVERAGE_FACTOR / w.amplitude_nm
            waves.append((float(w.upr), relative_u, errors_nm.get(w.upr, 0.0) / w.amplitude_nm))
    return InstrumentUncertainty(**given, waves=tuple(waves))


def evaluate(
    name: str, data: bytes, side: bytes | None, rules: Rulebook, *, digest: str | None = None
) -> Evaluation:
    """Read, qualify, analyse and judge one file.

    ``name`` is its relative path, ``side`` the bytes of its side file where its format needs one,
    ``digest`` its SHA-256 where the caller has it already. Raises InputError for a file that is no usable
    trace; a bad part is a result.
    """
    read = read_trace(name, data, side, {key: layout for key, (layout, _) in rules.layouts.items()})
    trace = read.trace
    kind = find_kind(trace.header.kind)
    require_columns(trace, kind)
    recipe = None if trace.header.part is None else rules.recipes.get(trace.header.part)
    certificate = None
    budgets: Mapping[tuple[str, str], Budget] = {}
    missing: tuple[int, ...] = ()
    incomplete = False
    if trace.header.artefact is not None:
        certificate = rules.certificates.get(trace.header.artefact)
        analysis, judgement, missing, incomplete = evaluate_artefact(
            trace, kind, certificate[0] if certificate else None, rules.rule
        )
    else:
        analysis, judgement, budgets = _part(trace, kind, recipe, rules)
    source = {"name": name, "sha256": digest or digest_of(data), "bytes": len(data)}
    if side is not None:
        source["side_sha256"] = digest_of(side)
    result = result_object(
        source=source,
        trace=trace,
        recipe=recipe.identity if recipe else None,
        version=__version__,
        analysis=analysis,
        judgement=judgement,
    )
    return Evaluation(
        trace=trace,
        analysis=analysis,
        judgement=judgement,
        result=result,
        recipe=recipe,
        layout=read.layout,
        certificate=certificate[1].sha256 if certificate else None,
        required=tuple(m.feature for m in recipe.recipe.measurements) if recipe else (),
        budgets=budgets,
        missing_upr=missing,
        incomplete=incomplete,
    )


def _budgeted(
    analysis: Analysis, trace: Trace, request: Request, recipe: LoadedRecipe | None, rules: Rulebook
) -> tuple[Analysis, dict[tuple[str, str], Budget], FloatArray | None]:
    """The analysis with every uncertainty that the budget makes of it, if a budget is asked for."""
    part = recipe.recipe.uncertainty if recipe is not None else None
    if rules.uncertainty is None and part is None:
        return analysis, {}, None
    from edgeagent.analysis.uncertainty import contributions, harmonic_uncertainty_nm

    instrument, part = rules.uncertainty or InstrumentUncertainty(), part or PartUncertainty()
    values = {(q.name, q.instance): q.value for q in analysis.quantities if q.value is not None}
    low, high = getattr(request.options, "upr", None) or (2, 500)
    budgets, quantities = {}, []
    for q in analysis.quantities:
        parts = contributions(
            q, values, trace.header, request.thread, instrument, part, (float(max(low, 2)), float(high))
        )
        if parts:
            budget = budgets[q.name, q.instance] = combine(parts)
            quantities.append(replace(q, standard_uncertainty=budget.standard_uncertainty))
        else:
            quantities.append(q)
    uncertainty_nm, spectrum = None, analysis.spectrum
    if spectrum is not None:
        uncertainty_nm = harmonic_uncertainty_nm(
            spectrum.upr.astype(np.float64), spectrum.amplitude_nm, spectrum.noise_nm, instrument, part
        )
    checks = analysis.quality
    if trace.header.kind == "axial" and part.expansion_per_k is not None and trace.header.temperature_c is None:
        note = "the trace states no temperature_c, without which expansion_per_k tells nothing"
        checks = (*checks, QualityCheck("temperature", False, None, None, "", note))
    return replace(analysis, quality=checks, quantities=tuple(quantities)), budgets, uncertainty_nm


def _part(
    trace: Trace, kind: Kind, recipe: LoadedRecipe | None, rules: Rulebook
) -> tuple[Analysis, Judgement, dict[tuple[str, str], Budget]]:
    header = trace.header
    plan, holds = _find_plan(trace, recipe)
    request = Request(
        thread=recipe.recipe.thread if recipe else None,
        options=plan.options if plan else kind.Options(),
        judged_upr=_judged_upr(plan),
        running=recipe.recipe.running if recipe else None,
    )
    try:
        analysis = kind.analyse(trace, request)
    except AnalysisError as error:
        analysis = Analysis((QualityCheck(header.kind, False, None, None, "", str(error)),), ())
    analysis, budgets, uncertainty_nm = _budgeted(analysis, trace, request, recipe, rules)
    limits, grade_holds = _grade_limits(trace, kind, plan, request)
    judgement = judge(
        analysis,
        plan,
        rules.rule,
        extra_limits=limits,
        holds=(*holds, *grade_holds),
        uncertainty_nm=uncertainty_nm,
    )
    return analysis, judgement, budgets


def _judged_upr(plan: MeasurementPlan | None) -> float | None:
    """The highest UPR that a curve judges; None, the recipe's whole band, where roundness is judged too."""
    if plan is None or any(x.characteristic.startswith("roundness_") for x in plan.scalar_limits):
        return None
    return highest_judged_upr(plan.curve_limits)


def _find_plan(trace: Trace, recipe: LoadedRecipe | None) -> tuple[MeasurementPlan | None, list[str]]:
    """The recipe's measurement of this trace, or why there is none. Never a guess."""
    header = trace.header
    if recipe is None:
        return None, [f"no recipe for part {header.part}"]
    plan = recipe.recipe.plan(header.feature)
    if plan is None:
        known = ", ".join(m.feature for m in recipe.recipe.measurements)
        return None, [f"feature {header.feature} is not in the recipe of {header.part}, which has {known}"]
    if plan.kind != header.kind:
        return None, [f"the trace is a {header.kind}, the recipe measures {header.feature} as {plan.kind}"]
    return plan, []


def _grade_limits(
    trace: Trace, kind: Kind, plan: MeasurementPlan | None, request: Request
) -> tuple[tuple[ScalarLimit, ...], list[str]]:
    if plan is None or plan.grade is None:
        return (), []
    by_grade = getattr(kind, "grade_limits", None)
    if by_grade is None:
        return (), [f"kind {trace.header.kind} has no limits by grade"]
    try:
        return tuple(by_grade(plan.grade, trace, request)), []
    except (InputError, AnalysisError, ConfigError) as error:
        return (), [str(error)]

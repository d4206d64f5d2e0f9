"""From a file's bytes to its result: the one way that service, inspect and replay all take.

No state, no disk, no clock: the same bytes with the same configuration give the same result.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec.structs import asdict

from edgeagent import __version__
from edgeagent.analysis.kinds import Kind, Request, find_kind, key_lacking, require_columns
from edgeagent.codec.configuration.settings import Certificate
from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.judged_from import judged_from_object
from edgeagent.codec.records.result import result_object
from edgeagent.codec.traces.layout import Layout
from edgeagent.codec.traces.reader import ReadTrace, read_trace
from edgeagent.errors import AnalysisError, ConfigError, InputError
from edgeagent.judging.configuration import Configuration, Document, LoadedRecipe
from edgeagent.judging.evaluation.artefact import ArtefactEvaluation, evaluate_artefact
from edgeagent.judging.evaluation.setup_checks import setup_checks
from edgeagent.model import (
    COVERAGE_FACTOR,
    PLANE_OFFSET_MM,
    PLANE_YAW_DEG,
    Analysis,
    InstrumentUncertainty,
    Judgement,
    MeasurementPlan,
    QualityCheck,
    Quantity,
    ScalarLimit,
    Trace,
)
from edgeagent.model.reasons import Code, Reason, reason
from edgeagent.rules.decision import judge
from edgeagent.rules.limits import highest_judged_upr
from edgeagent.rules.sentences import sentences

if TYPE_CHECKING:
    from edgeagent.judging.evaluation.budget import Budgeted


@dataclass(frozen=True, slots=True)
class Rulebook:
    """What an evaluation decides from. ``rule`` is the text of ``[decision]``'s policy.

    ``uncertainty`` is that of the station; ``deviations`` are the relative ones found last of the artefact's
    waves, by instrument and UPR. A trace that names no instrument is by that of the ``station``.
    """

    rule: str
    recipes: Mapping[str, LoadedRecipe]
    layouts: Mapping[str, tuple[Layout, Document]]
    certificates: Mapping[str, tuple[Certificate, Document]]
    uncertainty: InstrumentUncertainty | None = None
    deviations: Mapping[str, Mapping[float, float]] = field(default_factory=dict)
    station: str = ""
    plane_offset_mm: float = PLANE_OFFSET_MM
    plane_yaw_deg: float = PLANE_YAW_DEG

    @property
    def budget_stated(self) -> bool:
        """Whether the station states anything of its instrument's uncertainty."""
        return self.uncertainty is not None and self.uncertainty.stated

    def uncertainty_of(self, instrument: str | None) -> InstrumentUncertainty | None:
        """The station's uncertainty with what was found last of this instrument."""
        found = self.deviations.get(instrument or self.station)
        if self.uncertainty is None or not found:
            return self.uncertainty
        # Waves that the last verification did not show keep what was stated.
        waves = tuple((upr, u, found.get(upr, deviation)) for upr, u, deviation in self.uncertainty.waves)
        return replace(self.uncertainty, waves=waves)

    @staticmethod
    def of(configuration: Configuration) -> Rulebook:
        """The rulebook of a whole configuration."""
        return Rulebook(
            rule=configuration.settings.decision.policy.text,
            recipes=configuration.recipes,
            layouts=configuration.layouts,
            certificates=configuration.certificates,
            uncertainty=_station_uncertainty(configuration),
            station=configuration.settings.station.name,
            plane_offset_mm=configuration.settings.station.plane_offset_mm,
            plane_yaw_deg=configuration.settings.station.plane_yaw_deg,
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
    budgeted: Budgeted | None = None
    """What the uncertainties were made from, where a budget was asked for."""
    missing_upr: tuple[int, ...] = ()
    """Certified waves of an artefact that this file does not show."""
    incomplete: bool = False
    """Whether an artefact's file is held for nothing but its missing waves."""
    partial: bool = False
    """Whether its certificate names no other feature for some of them."""
    too_noisy: bool = False
    """Whether an artefact's file is held for nothing but its noise, and nothing in it is proved wrong."""
    uncertainty: InstrumentUncertainty | None = None
    """The instrument's whole input to the budget."""


def _station_uncertainty(configuration: Configuration) -> InstrumentUncertainty | None:
    """What ``[uncertainty]`` says of the station, nothing being known of last deviations."""
    stated = configuration.settings.uncertainty
    if stated is None:
        return None
    given = asdict(stated)
    artefact = given.pop("artefact")
    given["spindle"] = configuration.spindle if given.pop("spindle_file") is not None else ()
    waves = () if artefact is None else configuration.certificates[artefact][0].wave
    return InstrumentUncertainty(
        **given,
        waves=tuple(
            # Relative: between certified amplitudes only the share can be interpolated.
            (float(w.upr), w.expanded_uncertainty_nm / COVERAGE_FACTOR / w.amplitude_nm, 0.0)
            for w in sorted(waves, key=lambda wave: wave.upr)
        ),
    )


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
    # Here, not in the kind: what is missing is then named the same way for all of them.
    require_columns(trace, kind)
    recipe = None if trace.header.part is None else rules.recipes.get(trace.header.part)
    uncertainty = rules.uncertainty_of(trace.header.instrument)
    certificate = None
    known: Budgeted | None = None
    against: ArtefactEvaluation | None = None
    judged_from: dict[str, Any] | None = None
    if trace.header.artefact is not None:
        certificate = rules.certificates.get(trace.header.artefact)
        against = evaluate_artefact(trace, kind, certificate[0] if certificate else None, rules.rule)
        analysis, judgement = against.analysis, against.judgement
    else:
        analysis, judgement, known, judged_from = _part(read, kind, recipe, rules, uncertainty)
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
        sentences=sentences(judgement.reasons),
        judged_from=judged_from,
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
        budgeted=known,
        missing_upr=against.missing_upr if against else (),
        incomplete=against is not None and against.incomplete,
        partial=against is not None and against.partial,
        too_noisy=against is not None and against.too_noisy,
        uncertainty=uncertainty,
    )


def _part(
    read: ReadTrace,
    kind: Kind,
    recipe: LoadedRecipe | None,
    rules: Rulebook,
    uncertainty: InstrumentUncertainty | None,
) -> tuple[Analysis, Judgement, Budgeted | None, dict[str, Any]]:
    trace, header = read.trace, read.trace.header
    plan, holds = find_plan(header.part, header.feature, header.kind, recipe)
    request = request_for(kind, plan, recipe, rules, uncertainty)
    try:
        # Squares of absurd readings overflow; what is not finite then has no value, which holds the part.
        with np.errstate(over="ignore", invalid="ignore"):
            analysis = _without_overflow(kind.analyse(trace, request))
    except AnalysisError as error:
        # The file is fine and its part must be held: a record without values says why.
        analysis = Analysis((QualityCheck(header.kind, False, None, None, "", str(error)),), ())
    limits, grade_holds = _grade_limits(trace, kind, plan, request)
    every = (*limits, *(plan.scalar_limits if plan else ()))
    limited = frozenset(x.characteristic for x in every)
    doubts = without_value(every, analysis, kind, request)
    # Added to the checks before judging: a doubted set-up takes from each value what it proves.
    doubts += setup_checks(trace, read.side, request.thread, plan)
    analysis = replace(analysis, quality=(*analysis.quality, *doubts))
    part = recipe.recipe.uncertainty if recipe is not None else None
    # Kept as analysed: what-ifs and replay apply another budget to the same values.
    known, raw = None, analysis.quantities
    if uncertainty is not None or part is not None:
        from edgeagent.judging.evaluation.budget import apply_budget  # only where a budget is asked for

        known = apply_budget(analysis, trace, kind, request, uncertainty, part, limited)
        analysis = known.analysis
    judgement = judge(
        analysis,
        plan,
        rules.rule,
        extra_limits=limits,
        holds=(*holds, *grade_holds),
        uncertainty_nm=known.harmonics_nm if known else None,
        orders_uncertainty_nm=known.orders_nm if known else None,
        noise_only=not rules.budget_stated,
        traces=traces_with_curves(recipe),
    )
    judged_from = judged_from_object(
        raw,
        known.analysis.quantities if known else None,
        temperature_c=header.temperature_c,
        grade_limits=limits,
        grade_holds=grade_holds,
        orders=analysis.orders,
        orders_uncertainty_nm=known.orders_nm if known else None,
        influences=known.known.influences if known else None,
        wanted=known.wanted if known else frozenset(),
    )
    return analysis, judgement, known, judged_from


def request_for(
    kind: Kind,
    plan: MeasurementPlan | None,
    recipe: LoadedRecipe | None,
    rules: Rulebook,
    uncertainty: InstrumentUncertainty | None = None,
) -> Request:
    """What the analysis of a part's trace is asked for; what it has in common gives the same numbers."""
    return Request(
        thread=recipe.recipe.thread if recipe else None,
        options=plan.options if plan else kind.Options(),
        judged_upr=_judged_upr(plan),
        limits_by_turn=_limits_by_turn(kind, plan),
        turns_judged=_turns_judged(kind, plan),
        curves_upr=tuple((float(c.upr[0]), float(c.upr[-1])) for c in plan.curve_limits) if plan else (),
        running=recipe.recipe.running if recipe else None,
        plane_offset_mm=rules.plane_offset_mm,
        plane_yaw_deg=rules.plane_yaw_deg,
        instrument=uncertainty,
    )


def traces_with_curves(recipe: LoadedRecipe | None) -> int:
    """How many traces of the part are judged by curves."""
    return sum(bool(m.curve_limits) for m in recipe.recipe.measurements) if recipe else 1


def _without_overflow(analysis: Analysis) -> Analysis:
    """An uncertainty that is no number, as where squares overflow, is infinite: it proves nothing."""
    # Nearly all files: the copy below is for absurd readings alone.
    if not any(map(_is_no_uncertainty, analysis.quantities)):
        return analysis
    known = (
        replace(q, standard_uncertainty=math.inf, degrees_of_freedom=math.inf) if _is_no_uncertainty(q) else q
        for q in analysis.quantities
    )
    return replace(analysis, quantities=tuple(known))


def _is_no_uncertainty(q: Quantity) -> bool:
    return math.isnan(q.degrees_of_freedom) or math.isnan(q.standard_uncertainty or 0.0)


def without_value(
    limits: Sequence[ScalarLimit], analysis: Analysis, kind: Kind, request: Request
) -> list[QualityCheck]:
    """Why there is nothing that a limit could judge: a value without a reason would be silence."""
    found = []
    for limit in limits:
        there = [q.instance for q in analysis.quantities if q.name == limit.characteristic]
        if limit.instance in there or (limit.instance is None and there):
            continue
        name = f"{limit.characteristic}[{limit.instance}]" if limit.instance else limit.characteristic
        lacking = key_lacking(kind, request, limit.characteristic)
        if lacking is not None:
            note = f"{name} has a limit, but the recipe does not ask for it by {lacking}"
        else:
            note = f"{name} has a limit, but there is no such value"
            note += f"; there is {', '.join(there[:8])}" if any(there) else ""
        found.append(QualityCheck("limit_without_value", False, None, None, "", note))
    return found


def _judged_upr(plan: MeasurementPlan | None) -> float | None:
    """The highest UPR that a curve judges; None, the recipe's whole band, where roundness is judged too."""
    if plan is None or any(x.characteristic.startswith("roundness_") for x in plan.scalar_limits):
        return None
    return highest_judged_upr(plan.curve_limits)


def _turns_judged(kind: Kind, plan: MeasurementPlan | None) -> bool:
    """Whether a limit on roundness judges each turn by itself."""
    if plan is None or getattr(plan.options, "turns", "mean") != "each":
        return False
    of_turns = [name for name in getattr(kind, "WITHOUT_TURNS", ()) if name.startswith("roundness_")]
    return any(x.characteristic in of_turns and x.instance is None for x in plan.scalar_limits)


def _limits_by_turn(kind: Kind, plan: MeasurementPlan | None) -> bool:
    """Whether each turn is judged by itself, and nothing else of the mean over the turns."""
    if plan is None or plan.curve_limits or getattr(plan.options, "turns", "mean") != "each":
        return False
    of_turns: tuple[str, ...] = getattr(kind, "WITHOUT_TURNS", ())
    return all(x.characteristic in of_turns and x.instance is None for x in plan.scalar_limits)


def find_plan(
    part: str | None, feature: str, kind: str, recipe: LoadedRecipe | None
) -> tuple[MeasurementPlan | None, list[Reason]]:
    """The recipe's measurement of a trace, or why there is none. Never a guess."""
    if recipe is None:
        return None, [reason(Code.NO_RECIPE, part=part)]
    plan = recipe.recipe.plan(feature)
    if plan is None:
        known = [m.feature for m in recipe.recipe.measurements]
        return None, [reason(Code.UNKNOWN_FEATURE, asked=feature, part=part, known=known)]
    if plan.kind != kind:
        return None, [reason(Code.OTHER_KIND, kind=kind, asked=feature, wanted=plan.kind)]
    return plan, []


def _grade_limits(
    trace: Trace, kind: Kind, plan: MeasurementPlan | None, request: Request
) -> tuple[tuple[ScalarLimit, ...], list[Reason]]:
    if plan is None or plan.grade is None:
        return (), []
    by_grade = getattr(kind, "grade_limits", None)
    if by_grade is None:
        return (), [reason(Code.NO_GRADE_LIMITS, kind=trace.header.kind)]
    try:
        return tuple(by_grade(plan.grade, trace, request)), []
    except (InputError, AnalysisError, ConfigError) as error:
        return (), [reason(Code.GRADE_UNUSABLE, text=str(error))]

"""Travel: a lead test, actual minus nominal travel over the nominal travel (ISO 3408-3).

All on the curve within the useful travel: the mean travel is its least-squares line; every variation is the
width of the narrowest band parallel to that line, so peak to valley after the line is taken away - over the
useful travel, within any 300 mm, and within any one lead (one revolution).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from itertools import pairwise
from typing import Annotated, Any

import msgspec
import numpy as np

from edgeagent.analysis.kinds import Request
from edgeagent.analysis.travel.deviations import (
    POINTS_PER_TURN_MIN,
    MeanLine,
    Window,
    mean_line,
    noise_lift,
    other_noise_um,
    points_per_turn,
    spikes,
    widest_window,
)
from edgeagent.analysis.travel.grades import TRANSPORT_FACTORS, measurements_per_300, travel_limits
from edgeagent.analysis.travel.options import UsefulTravel
from edgeagent.analysis.travel.white_noise import scatter_of
from edgeagent.errors import TraceRangeError
from edgeagent.model import (
    Analysis,
    Contribution,
    FloatArray,
    Influences,
    IntArray,
    QualityCheck,
    Quantity,
    ScalarLimit,
    Trace,
)

COLUMNS = ("travel_mm", "deviation_um")
OPTIONAL_COLUMNS: tuple[str, ...] = ()
CHARACTERISTICS: Mapping[str, str] = {
    "mean_travel_deviation": "um",
    "travel_variation": "um",
    "travel_variation_300": "um",
    "travel_variation_turn": "um",
}
RANGES = {"travel_variation": (0.0, math.inf)}

READING_MAX_UM = 1e9
"""A kilometre: beyond it squares of readings leave the numbers' range, and no uncertainty can be told."""
# A lost sample in a thousand is a glitch; more hides what the screw does there (our own choice).
MISSING_SHARE_MAX = 0.001
SPIKE_SHARE_MAX = 0.001
SPIKE_CROWD = 16
"""Three spikes within so many samples are no dust and no glitch; our own choice."""
GAP_STEPS_MAX = 3.0
"""Widest gap in middle steps, where those are longer than what a turn needs; our own choice."""

# As many as a drawing shows: pairs of extremes a pixel's width apart.
_CURVE_POINTS_MAX = 2000


class TravelOptions(UsefulTravel, frozen=True, forbid_unknown_fields=True):
    """Recipe keys of a travel measurement.

    ``travel_compensation_um`` is C, the travel that the part is
    meant to gain over the useful travel. ``grade`` says how many measured points the standard asks for;
    without it, as many as the finest grade needs.
    """

    travel_compensation_um: float = 0.0
    grade: Annotated[int, msgspec.Meta(ge=0, le=10)] | None = None


Options = TravelOptions


@dataclass(frozen=True, slots=True)
class Curve:
    """Finite samples in the order of rising travel, and the end points of the useful travel."""

    travel_mm: FloatArray
    deviation_um: FloatArray
    useful_mm: tuple[float, float]


def analyse(trace: Trace, request: Request) -> Analysis:
    """Mean travel deviation e_oa and travel variations v_ua, v_300a, v_2pia of a lead test.

    ``trace.columns`` holds ``travel_mm`` and ``deviation_um``; ``request.options`` is TravelOptions. The lead
    comes from the recipe's thread, else from the header. Values that cannot be computed are None: all of them
    where a failed check forbids a curve, ``travel_variation_300`` on less than 300 mm and
    ``travel_variation_turn`` without a lead or with too few samples a turn, each with a note in the quality.
    Spikes are left out and counted where a turn has enough samples to be separable from the thread. Raises
    nothing for a bad trace.
    """
    options: TravelOptions = request.options
    lead_mm = _lead_mm(trace, request)
    curve, checks = _curve(trace, options, lead_mm)
    if curve is None:
        return Analysis(tuple(checks), tuple(Quantity(n, None, u) for n, u in CHARACTERISTICS.items()))
    # Before the useful travel is cut out: the ends' spikes are told from their neighbours on both sides.
    curve, spike_check = _without_spikes(curve, lead_mm)
    slack_mm = 1e-9 * float(np.abs(curve.travel_mm).max())  # bounds worked out from samples meet them again
    first = int(np.searchsorted(curve.travel_mm, curve.useful_mm[0] - slack_mm, side="left"))
    last = int(np.searchsorted(curve.travel_mm, curve.useful_mm[1] + slack_mm, side="right"))
    travel_mm, deviation_um = curve.travel_mm[first:last], curve.deviation_um[first:last]
    checks += [
        spike_check,
        *_sampling_checks(travel_mm, lead_mm, options.grade),
        _scale(travel_mm, deviation_um),
    ]
    if travel_mm.size < 3:
        return Analysis(tuple(checks), tuple(Quantity(n, None, u) for n, u in CHARACTERISTICS.items()))
    checks += _transport_limit(options.grade)
    line = mean_line(travel_mm, deviation_um)
    residual_um = deviation_um - line.at(travel_mm)
    useful_mm = curve.useful_mm[1] - curve.useful_mm[0]
    checks.append(_mean_travel_meaning(line.slope_um_per_mm * useful_mm, options.travel_compensation_um))
    in_300 = widest_window(travel_mm, residual_um, 300.0)
    in_turn = _turn_window(travel_mm, residual_um, lead_mm)
    scatter = scatter_of(travel_mm, deviation_um)
    if lead_mm is None or points_per_turn(travel_mm, lead_mm) < POINTS_PER_TURN_MIN:
        # With few samples a turn a wave of the thread looks like noise: nothing is taken off then.
        scatter = replace(scatter, is_white=False)

    def lift_of(length_mm: float | None) -> tuple[float, float]:
        share = 1.0 if length_mm is None else length_mm / float(travel_mm[-1] - travel_mm[0])
        lift_um, left_um = noise_lift(residual_um, scatter, window_share=min(share, 1.0))
        # Both ends of a variation are off by it.
        other_um = math.sqrt(2.0) * other_noise_um(deviation_um, scatter)
        return lift_um, float(np.hypot(left_um, other_um))

    quantities = (
        Quantity(
            "mean_travel_deviation",
            line.slope_um_per_mm * useful_mm - options.travel_compensation_um,
            "um",
            standard_uncertainty=line.slope_uncertainty_um_per_mm * useful_mm,
            degrees_of_freedom=float(travel_mm.size - 2),
        ),
        _variation("travel_variation", float(np.ptp(residual_um)), lift_of(None)),
        *(
            Quantity(name, None, "um") if window is None else _variation(name, window.variation_um, lift_of(mm))
            for name, window, mm in (
                ("travel_variation_300", in_300, 300.0),
                ("travel_variation_turn", in_turn, lead_mm),
            )
        ),
    )
    return Analysis(
        quality=tuple(checks),
        quantities=quantities,
        turns=None if lead_mm is None else useful_mm / lead_mm,
        details={
            "useful_mm": list(curve.useful_mm),
            **_details(travel_mm, deviation_um, residual_um, line, in_300, in_turn),
        },
    )


def influences(trace: Trace, request: Request, analysis: Analysis, wanted: frozenset[str]) -> Influences:
    """What scales do to the values: each is proportional to the gauge's readings, and the mean travel deviation
    takes the length scale's error over the whole useful travel; variations lie about the mean line, which takes
    it out. The part's expansion acts like the length scale.
    """
    own = {(q.name, q.instance): q.value for q in analysis.quantities if q.value is not None}
    line = analysis.details.get("useful_mm")
    along = {}
    if line is not None and "length_scale" in wanted:
        along["mean_travel_deviation", ""] = 1000.0 * (line[1] - line[0])
    # C is subtracted, not measured.
    if ("mean_travel_deviation", "") in own:
        own["mean_travel_deviation", ""] += request.options.travel_compensation_um
    stated = {}
    u = request.instrument.drift_um if request.instrument is not None else None
    if u is not None and line is not None:
        # A drift over the traverse is a slope; variations lie about the mean line, which takes it out.
        travel = trace.columns["travel_mm"]
        whole = float(np.nanmax(travel) - np.nanmin(travel))
        share = (line[1] - line[0]) / whole if whole > 0 else 1.0
        stated["mean_travel_deviation", ""] = (Contribution("drift during the traverse", u, "um", share),)
    return Influences(gauge_scale=own, length_scale=along, stated=stated)


def grade_limits(grade: int, trace: Trace, request: Request) -> tuple[ScalarLimit, ...]:
    """Permissible values of ISO 3408-3 for the useful travel of this trace.

    The limit for 300 mm is left out on a shorter useful travel, where the standard has none; transport grades
    (7, 10) have none for the whole useful travel and for one turn. Raises ConfigError for an unknown grade and
    TraceRangeError where the table has no cell, or the trace has no useful travel.
    """
    curve, _ = _curve(trace, request.options, _lead_mm(trace, request))
    if curve is None:
        raise TraceRangeError("the trace has no useful travel to look up the limits of its grade")
    useful_mm = curve.useful_mm[1] - curve.useful_mm[0]
    limits = travel_limits(grade, useful_mm)
    found = [ScalarLimit(characteristic="mean_travel_deviation", lower=-limits.mean_um, upper=limits.mean_um)]
    if limits.variation_um is not None:
        found.append(ScalarLimit(characteristic="travel_variation", upper=limits.variation_um))
    # Ends worked out from samples miss 300 mm by rounding.
    if useful_mm >= 300.0 * (1.0 - 1e-9):
        found.append(ScalarLimit(characteristic="travel_variation_300", upper=limits.variation_300_um))
    if limits.variation_turn_um is not None:
        found.append(ScalarLimit(characteristic="travel_variation_turn", upper=limits.variation_turn_um))
    return tuple(found)


def _mean_travel_meaning(against_nominal_um: float, compensation_um: float) -> QualityCheck:
    """Which of the standard's two deviations `mean_travel_deviation` is; they differ by the compensation."""
    if compensation_um == 0.0:
        note = "mean_travel_deviation is e0a, against the nominal travel; no compensation is specified"
    else:
        note = (
            f"mean_travel_deviation is esa, against the specified travel (C = {compensation_um:g} µm); "
            f"against the nominal travel, e0a = {against_nominal_um:.4g} µm"
        )
    return QualityCheck("mean_travel", True, against_nominal_um, None, "um", note)


def _transport_limit(grade: int | None) -> tuple[QualityCheck, ...]:
    """Sources of the limit for transport screws differ by a factor of two."""
    if grade is None or grade not in TRANSPORT_FACTORS:
        return ()
    strict, wide = TRANSPORT_FACTORS[grade]
    note = (
        f"grade {grade}: sources give e_p as {strict:g} or {wide:g} times useful travel / 300 mm times v300p; "
        "a limit of this grade takes the stricter"
    )
    return (QualityCheck("disputed_limit", True, wide, strict, "1", note),)


def _lead_mm(trace: Trace, request: Request) -> float | None:
    return request.thread.lead_mm if request.thread is not None else trace.header.lead_mm


def _variation(name: str, variation_um: float, lifted: tuple[float, float]) -> Quantity:
    """A variation less what white noise lifts it by."""
    lift_um, u_um = lifted
    return Quantity(name, max(variation_um - lift_um, 0.0), "um", standard_uncertainty=u_um)


def _curve(
    trace: Trace, options: TravelOptions, lead_mm: float | None
) -> tuple[Curve | None, list[QualityCheck]]:
    """The samples that can be used, or None where there is no curve to speak of; and why."""
    travel_mm, deviation_um = trace.columns["travel_mm"], trace.columns["deviation_um"]
    finite = np.isfinite(travel_mm) & np.isfinite(deviation_um)
    missing, points = int(np.count_nonzero(~finite)), travel_mm.size
    share = missing / points if points else 1.0
    checks = [
        QualityCheck(
            "missing_samples", share <= MISSING_SHARE_MAX, share, MISSING_SHARE_MAX, "1",
            f"{missing} of {points} samples are missing or not finite",
        )
    ]  # fmt: skip
    travel_mm, deviation_um = travel_mm[finite], deviation_um[finite]
    if travel_mm.size < 3:
        note = f"{travel_mm.size} usable samples are no travel curve"
        checks.append(QualityCheck("samples", False, float(travel_mm.size), 3.0, "samples", note))
        return None, checks
    largest_um = float(np.abs(deviation_um).max())
    if largest_um > READING_MAX_UM:
        note = f"a deviation of {largest_um:.4g} um is no reading of a travel"
        checks.append(QualityCheck("samples", False, largest_um, READING_MAX_UM, "um", note))
        return None, checks
    # A test run backwards has the same curve; direction does not count here.
    if travel_mm[-1] < travel_mm[0]:
        travel_mm, deviation_um = travel_mm[::-1], deviation_um[::-1]
    backward = int(np.count_nonzero(np.diff(travel_mm) <= 0.0))
    note = f"{backward} steps of the travel do not go on in the direction of the first to the last sample"
    checks.append(QualityCheck("monotonic_travel", backward == 0, float(backward), 0.0, "samples", note))
    # A gauge that went back has two readings at one place: nothing tells which one holds.
    if backward:
        return None, checks
    span_mm = float(travel_mm[-1] - travel_mm[0])
    checks.append(_span(span_mm, lead_mm))
    useful_mm, check = _useful(travel_mm, options)
    checks.append(check)
    return (Curve(travel_mm, deviation_um, useful_mm) if check.ok else None), checks


def _span(span_mm: float, lead_mm: float | None) -> QualityCheck:
    """A lead test covers more than a turn and less than the longest screw tabulated, with room to spare."""
    low, high = lead_mm if lead_mm is not None else 1.0, 20_000.0
    ok = low <= span_mm <= high
    hint = "" if ok else "; is the travel column in mm?"
    note = f"the travel column spans {span_mm:.6g} mm, expected {low:g} to {high:g} mm{hint}"
    return QualityCheck("travel_span", ok, span_mm, low if span_mm < low else high, "mm", note)


def _useful(travel_mm: FloatArray, options: TravelOptions) -> tuple[tuple[float, float], QualityCheck]:
    low, high = float(travel_mm[0]), float(travel_mm[-1])
    if options.useful_start_mm is None or options.useful_end_mm is None:
        start, end = options.bounds_mm(low, high)
        ok = end > start
        note = f"useful travel from {start:.6g} to {end:.6g} mm" if ok else "the excess leaves no useful travel"
    else:
        start, end = options.bounds_mm(low, high)
        # the end samples may lie a step inside the window that the recipe asks for
        step_mm = float(np.median(np.diff(travel_mm)))
        ok = low <= start + step_mm and high >= end - step_mm
        note = f"useful travel from {start:.6g} to {end:.6g} mm; the trace covers {low:.6g} to {high:.6g} mm"
    return (start, end), QualityCheck("useful_travel", ok, max(end - start, 0.0), None, "mm", note)


def _without_spikes(curve: Curve, lead_mm: float | None) -> tuple[Curve, QualityCheck]:
    if lead_mm is None or points_per_turn(curve.travel_mm, lead_mm) < POINTS_PER_TURN_MIN:
        note = "too few samples a turn to separate a spike from the thread; none left out"
        return curve, QualityCheck("spikes", True, None, None, "samples", note)
    found = spikes(curve.deviation_um)
    allowed = max(1.0, float(np.floor(SPIKE_SHARE_MAX * curve.travel_mm.size)))
    # Spikes in a crowd are a short wave on a part of the travel, which is the screw's.
    crowded = found.size > 2 and int(np.min(found[2:] - found[:-2])) < SPIKE_CROWD
    where = f", the first at {curve.travel_mm[found[0]]:.6g} mm" if found.size else ""
    check = QualityCheck(
        "spikes", found.size <= allowed and not crowded, float(found.size), allowed, "samples",
        f"{found.size} {'sample stands off its' if found.size == 1 else 'samples stand off their'} neighbours "
        f"and {'was' if found.size == 1 else 'were'} left out{where}"
        + ("; three are so close together that they may be a wave of the screw" if crowded else ""),
    )  # fmt: skip
    kept = np.delete(np.arange(curve.travel_mm.size), found)
    return Curve(curve.travel_mm[kept], curve.deviation_um[kept], curve.useful_mm), check


def _sampling_checks(travel_mm: FloatArray, lead_mm: float | None, grade: int | None) -> list[QualityCheck]:
    """Are there samples enough, evenly spread; and is there a window of 300 mm and one of a turn?"""
    if travel_mm.size < 3:
        note = f"{travel_mm.size} samples in the useful travel"
        return [QualityCheck("samples", False, float(travel_mm.size), 3.0, "samples", note)]
    span_mm = float(travel_mm[-1] - travel_mm[0])
    step_mm = np.diff(travel_mm)
    widest_mm, at_mm = float(step_mm.max()), float(travel_mm[int(np.argmax(step_mm))])
    # The larger: a dense trace may lack some samples as long as a turn still has enough.
    gap_mm = max(GAP_STEPS_MAX * float(np.median(step_mm)), (lead_mm or 0.0) / POINTS_PER_TURN_MIN)
    short = "" if span_mm >= 300.0 * (1.0 - 1e-9) else ", so travel_variation_300 has no value"
    checks = [
        QualityCheck(
            "widest_gap", widest_mm <= gap_mm, widest_mm, gap_mm, "mm",
            f"the widest gap between samples is {widest_mm:.4g} mm, at {at_mm:.6g} mm",
        ),
        QualityCheck(
            "window_300", True, span_mm, 300.0, "mm",
            f"the samples cover {span_mm:.6g} mm of useful travel{short}",
        ),
    ]  # fmt: skip
    if lead_mm is None:
        note = "no lead is known, so travel_variation_turn has no value"
        return [*checks, QualityCheck("samples_per_turn", True, None, POINTS_PER_TURN_MIN, "samples", note)]
    wanted = measurements_per_300(lead_mm, grade)
    # Where they are sparsest, since the standard asks for so many in any 300 mm.
    per_300 = 300.0 / widest_mm
    per_turn = points_per_turn(travel_mm, lead_mm)
    few = "" if per_turn >= POINTS_PER_TURN_MIN else ", too few for travel_variation_turn, which has no value"
    return [
        *checks,
        QualityCheck(
            "measurements_per_300", per_300 >= wanted, per_300, float(wanted), "samples",
            f"{per_300:.1f} samples per 300 mm where they are sparsest; the standard asks for {wanted}",
        ),
        QualityCheck(
            "samples_per_turn", True, per_turn, POINTS_PER_TURN_MIN, "samples",
            f"{per_turn:.2f} samples a turn{few}",
        ),
    ]  # fmt: skip


def _scale(travel_mm: FloatArray, deviation_um: FloatArray) -> QualityCheck:
    """Deviations off by a factor of 1000 are smaller or larger than any thread's."""
    if travel_mm.size < 3:
        return QualityCheck("deviation_scale", False, None, None, "um", "no deviations to look at")
    # No curve of a real screw is flatter than 50 nm; a column in mm for µm, or a gauge out of contact, is.
    low = 0.05
    high = 300.0 + 1.5 * float(travel_mm[-1] - travel_mm[0])  # twice what the coarsest grade permits
    height = float(np.ptp(deviation_um))
    ok = low <= height <= high
    hint = "" if ok else "; is the deviation column in µm, and was the gauge in contact?"
    note = f"the deviations span {height:.4g} µm, expected {low:g} to {high:.0f} µm{hint}"
    return QualityCheck("deviation_scale", ok, height, low if height < low else high, "um", note)


def _turn_window(travel_mm: FloatArray, residual_um: FloatArray, lead_mm: float | None) -> Window | None:
    if lead_mm is None or points_per_turn(travel_mm, lead_mm) < POINTS_PER_TURN_MIN:
        return None
    return widest_window(travel_mm, residual_um, lead_mm)


def _thin_out(height: FloatArray) -> IntArray:
    """Numbers of at most 2000 samples that keep the highest and the lowest of every stretch."""
    if height.size <= _CURVE_POINTS_MAX:
        return np.arange(height.size, dtype=np.int64)
    borders = np.linspace(0, height.size, _CURVE_POINTS_MAX // 2 + 1).astype(np.int64)
    kept = [
        a + pick for a, b in pairwise(borders)
        for pick in (int(np.argmin(height[a:b])), int(np.argmax(height[a:b])))
    ]  # fmt: skip
    # In rising order, and once where one sample is both extremes of its stretch.
    return np.unique(np.array(kept, dtype=np.int64))


def _details(
    travel_mm: FloatArray,
    deviation_um: FloatArray,
    residual_um: FloatArray,
    line: MeanLine,
    in_300: Window | None,
    in_turn: Window | None,
) -> dict[str, Any]:
    """What a report draws: a thinned curve, the mean line, the band about it and the worst windows."""
    kept = _thin_out(residual_um)
    windows = [
        {"name": name, "start_mm": w.start_mm, "end_mm": w.end_mm, "variation_um": w.variation_um}
        for name, w in (("travel_variation_300", in_300), ("travel_variation_turn", in_turn))
        if w is not None
    ]
    return {
        "curve": {"travel_mm": travel_mm[kept].tolist(), "deviation_um": deviation_um[kept].tolist()},
        "mean_line": {
            "travel_mm": [line.start_mm, line.end_mm],
            "deviation_um": [float(v) for v in line.at(np.array([line.start_mm, line.end_mm]))],
        },
        "band_um": [float(residual_um.min()), float(residual_um.max())],
        "windows": windows,
    }

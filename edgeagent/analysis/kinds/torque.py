"""Torque: dynamic preload drag torque of a nut on its screw over the useful travel, forth and back (ISO
3408-3).

The screw turns evenly without an outer load; what it takes to drag the nut along is read over the travel. Mean
and variation are taken for each direction by itself, between the reversals, within the useful travel. Clauses
and terms are remembered, the standard was not seen.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from edgeagent.analysis.kinds import Request
from edgeagent.analysis.travel.deviations import (
    POINTS_PER_TURN_MIN,
    noise_lift,
    other_noise_um,
    point_noise_um,
    points_per_turn,
)
from edgeagent.analysis.travel.options import UsefulTravel
from edgeagent.analysis.travel.white_noise import rounding_of, scatter_of
from edgeagent.model import Analysis, FloatArray, Influences, QualityCheck, Quantity, Trace

COLUMNS = ("travel_mm", "torque_n_m")
OPTIONAL_COLUMNS: tuple[str, ...] = ()
CHARACTERISTICS: Mapping[str, str] = {"drag_torque_mean": "N m", "drag_torque_variation": "N m"}
RANGES = {"drag_torque_": (0.0, math.inf)}

# Fewer tell neither a mean nor a variation over a travel (our own choice).
MIN_SAMPLES = 20
# As for travels: a glitch, no more (our own choice).
MISSING_SHARE_MAX = 0.001
GAP_SHARE_MAX = 0.02
"""Of the useful travel: a wider gap between samples may hide a peak; our own choice."""
# Beyond an encoder's jitter, far below the length of a stroke.
_PIECES = 200
# Of the middle speed: run-up and run-down at the reversals show the drive's inertia, not the nut's drag.
_MOVING = 0.25
_CURVE_POINTS_MAX = 1000
_DITHER = math.sqrt(3.0)
"""Noise of half a step q, over the standard deviation of rounding: rounding then errs by q exp(-pi²/2) / pi on
average, 0.2 % of q (characteristic function of the normal law; derived here)."""


class TorqueOptions(UsefulTravel, frozen=True, forbid_unknown_fields=True):
    """Recipe keys of a torque measurement: the useful travel, and which ``directions`` it must show."""

    directions: Literal["both", "forward", "return"] = "both"

    @property
    def wanted(self) -> tuple[str, ...]:
        return ("forward", "return") if self.directions == "both" else (self.directions,)


Options = TorqueOptions


@dataclass(frozen=True, slots=True)
class Stroke:
    """Samples of one direction within the useful travel, in the order of rising travel; positive on average."""

    travel_mm: FloatArray
    torque_n_m: FloatArray


def analyse(trace: Trace, request: Request) -> Analysis:
    """Mean drag torque and its variation, forward (travel grows) and return.

    ``trace.columns`` holds ``travel_mm`` and ``torque_n_m``, (n,), in the order of time; ``request.options``
    is TorqueOptions. The sign of the torque does not count: a gauge may show it against the motion. The mean
    is taken over the travel, not over time; the variation is the largest amount by which the torque leaves its
    mean. A direction that the recipe wants and the trace does not show has no values and a failed check.
    Raises nothing.
    """
    options = request.options if isinstance(request.options, TorqueOptions) else TorqueOptions()
    travel_mm, torque = trace.columns["travel_mm"], trace.columns["torque_n_m"]
    good = np.isfinite(travel_mm) & np.isfinite(torque)
    missing = int(good.size - np.count_nonzero(good))
    share = missing / good.size if good.size else 1.0
    note = f"{missing} of {good.size} samples are missing or not finite"
    checks = [QualityCheck("missing_samples", share <= MISSING_SHARE_MAX, share, MISSING_SHARE_MAX, "1", note)]
    travel_mm, torque = travel_mm[good], torque[good]
    if travel_mm.size < MIN_SAMPLES or not np.ptp(travel_mm) > 0.0:
        note = f"{travel_mm.size} usable samples over no travel are no torque curve"
        checks.append(
            QualityCheck("samples", False, float(travel_mm.size), float(MIN_SAMPLES), "samples", note)
        )
        return Analysis(
            tuple(checks), tuple(q for name in options.wanted for q in _quantities(name, None, None))
        )
    # By both extremes: the trace goes forth and back, so that its ends may be one place.
    useful = options.bounds_mm(float(travel_mm.min()), float(travel_mm.max()))
    strokes = {name: _stroke(travel_mm, torque, useful, name) for name in ("forward", "return")}
    shown = {name: s for name, s in strokes.items() if s is not None}
    lead_mm = request.thread.lead_mm if request.thread is not None else trace.header.lead_mm
    checks += [_coverage(name, strokes[name], useful) for name in options.wanted]
    quantities = [
        q for name in ("forward", "return") if name in options.wanted or name in shown
        for q in _quantities(name, strokes[name], lead_mm)
    ]  # fmt: skip
    return Analysis(tuple(checks), tuple(quantities), details=_details(shown, useful))


def influences(_trace: Trace, _request: Request, analysis: Analysis, _wanted: frozenset[str]) -> Influences:
    """Both values are proportional to the gauge's readings; no length scale touches them."""
    return Influences(
        gauge_scale={(q.name, q.instance): q.value for q in analysis.quantities if q.value is not None}
    )


def _stroke(travel_mm: FloatArray, torque: FloatArray, useful: tuple[float, float], name: str) -> Stroke | None:
    """The samples that move in one direction; None where there are too few.

    Direction is that of the travel over a two-hundredth of the trace, so that an encoder's jitter is none; what
    moves slower than a quarter of the middle speed is reversal or rest.
    """
    reach = max(travel_mm.size // (2 * _PIECES), 1)
    index = np.arange(travel_mm.size)
    moved = travel_mm[np.minimum(index + reach, index[-1])] - travel_mm[np.maximum(index - reach, 0)]
    sign = 1.0 if name == "forward" else -1.0
    moving = sign * moved > _MOVING * float(np.median(np.abs(moved)))
    here = moving & (travel_mm >= useful[0]) & (travel_mm <= useful[1])
    if np.count_nonzero(here) < MIN_SAMPLES:
        return None
    order = np.argsort(travel_mm[here], kind="stable")
    found = torque[here][order]
    # The gauge's sign depends on its mounting; a torque that changes its sign on the way stays as it is.
    return Stroke(travel_mm[here][order], found if found.mean() >= 0.0 else -found)


def _coverage(name: str, stroke: Stroke | None, useful: tuple[float, float]) -> QualityCheck:
    """Whether a direction was measured over all of the useful travel without a wide gap."""
    check, length = f"{name}_stroke", useful[1] - useful[0]
    if stroke is None or length <= 0.0:
        note = f"the trace shows no {name} stroke of {MIN_SAMPLES} samples within the useful travel"
        return QualityCheck(check, False, None, None, "mm", note)
    # With the ends: a stroke that begins late has a gap there.
    gaps = np.diff(np.concatenate([[useful[0]], stroke.travel_mm, [useful[1]]]))
    widest, allowed = float(gaps.max()), GAP_SHARE_MAX * length
    note = (
        f"{stroke.travel_mm.size} samples from {useful[0]:.6g} to {useful[1]:.6g} mm; "
        f"the widest gap is {widest:.4g} mm"
    )
    return QualityCheck(check, widest <= allowed, widest, allowed, "mm", note)


def _quantities(name: str, stroke: Stroke | None, lead_mm: float | None) -> tuple[Quantity, Quantity]:
    if stroke is None:
        return Quantity("drag_torque_mean", None, "N m", name), Quantity(
            "drag_torque_variation", None, "N m", name
        )
    mean = _mean_over_travel(stroke)
    noise = point_noise_um(stroke.torque_n_m)
    scatter = scatter_of(stroke.travel_mm, stroke.torque_n_m)
    if lead_mm is not None and points_per_turn(stroke.travel_mm, lead_mm) < POINTS_PER_TURN_MIN:
        # With few samples a turn a wave of the thread looks like noise: nothing is taken off then.
        scatter = replace(scatter, is_white=False)
    lift, left = noise_lift(stroke.torque_n_m - mean, scatter, window_share=None)
    other = other_noise_um(stroke.torque_n_m, scatter)
    deviation = float(np.max(np.abs(stroke.torque_n_m - mean)))
    own = noise / float(np.sqrt(stroke.torque_n_m.size))
    rounding = rounding_of(stroke.torque_n_m)
    if noise < _DITHER * rounding:
        own = float(np.hypot(own, rounding))  # rounding that no noise spreads does not average out
    # The largest departure is one reading against the mean: both errors count.
    spread = float(np.linalg.norm([left, other, own]))
    return (
        Quantity("drag_torque_mean", mean, "N m", name, own),
        Quantity("drag_torque_variation", max(deviation - lift, 0.0), "N m", name, spread),
    )


def _mean_over_travel(stroke: Stroke) -> float:
    """Mean over the way, straight between the samples, however unevenly they lie."""
    span = float(stroke.travel_mm[-1] - stroke.travel_mm[0])
    if span <= 0.0:
        return float(stroke.torque_n_m.mean())
    # Not the mean of samples: a slow part has more of them and would weigh more.
    return float(np.trapezoid(stroke.torque_n_m, stroke.travel_mm)) / span


def _details(strokes: Mapping[str, Stroke], useful: tuple[float, float]) -> dict[str, object]:
    """Thinned curves of what was measured."""
    curves = {}
    for name, stroke in strokes.items():
        step = -(-stroke.travel_mm.size // _CURVE_POINTS_MAX)
        curves[name] = {
            "travel_mm": stroke.travel_mm[::step].tolist(),
            "torque_n_m": stroke.torque_n_m[::step].tolist(),
        }
    return {"useful_mm": list(useful), "torque": curves}

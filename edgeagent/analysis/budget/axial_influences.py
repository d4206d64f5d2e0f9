"""Sensitivities of axial values to length scale and tip radius, by finite differences (JCGM 100, 5.1.3).

The whole analysis is repeated with a trace whose coordinates are a little larger, and with a tip that is a
little larger, to both sides; the central difference is the sensitivity of every value, however it is made. So
nothing has to be derived again when a characteristic is added. A scale changes the groove, but not the nominal
ball that is seated in it. The repetitions run on a thinned trace: a sensitivity needs three digits only.

The largest of several deviations has kinks where another one becomes the largest, and jumps where that one has
the other sign: see ``_slope``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace

import msgspec
import numpy as np

from edgeagent.analysis.axial.options import AxialOptions
from edgeagent.analysis.budget.axial_setup import SOURCES, stated_setup
from edgeagent.analysis.kinds import Request
from edgeagent.errors import AnalysisError, InputError
from edgeagent.model import SIDE_BOTTOM, SIDE_TOP, Analysis, Contribution, Influences, Trace

Analyse = Callable[[Trace, Request], Analysis]
Values = Mapping[tuple[str, str], float]

SCALE_STEP = 3e-4
"""Large against the jump of a value when a sample drops out of a fit; small against the ball's play in the
groove."""
# As for the scale: above the jumps of samples that drop out, below the radius of a tip.
TIP_STEP_MM = 5e-4
# A tenth of a dense trace and of its time; some hundred samples a flank are left.
_POINTS_A_SIDE = 10_000
_HEIGHTS = ("profile_roughness_", "profile_waviness_")


def axial_influences(
    trace: Trace, request: Request, analysis: Analysis, wanted: frozenset[str], analyse: Analyse
) -> Influences:
    """Sensitivities of every value of ``analysis`` to the members of Influences that are ``wanted``.

    Heights of roughness and waviness are proportional to the scale and have no other sensitivity (decimated
    samples do not show them). A value that a changed trace does not yield has none. Raises nothing.
    """
    options = request.options if isinstance(request.options, AxialOptions) else AxialOptions()
    quick = replace(
        request,
        options=msgspec.structs.replace(options, roughness=None),
        # What the station states of the plane is counted once, by `analyse` itself, not in each repetition.
        plane_offset_mm=0.0,
        plane_yaw_deg=0.0,
    )
    thin = decimate(trace)
    lengths = {
        (q.name, q.instance): q.value
        for q in analysis.quantities
        if q.value is not None and q.name.startswith(_HEIGHTS) and q.unit == "um"
    }
    scale: dict[tuple[str, str], float] = {}
    tip: dict[tuple[str, str], float] = {}

    def values_of(changed: Trace) -> Values:
        return _values(analyse, changed, quick)

    # Compared on equal terms: values of the thinned trace differ from those of all points by noise.
    found = _numbers(analysis) if thin is trace else values_of(thin)
    if "length_scale" in wanted:
        low, high = (values_of(_scale_trace(thin, 1.0 + step)) for step in (-SCALE_STEP, SCALE_STEP))
        scale = _slopes(low, found, high, SCALE_STEP)
    if "tip_radius_mm" in wanted:
        # A trace that the instrument has corrected for its tip is wrong by the tip's error all the same.
        radius_mm = 0.0 if trace.header.tip_corrected else trace.header.tip_radius_mm or 0.0
        # A central difference needs room below; no tip has a negative radius.
        middle_mm = max(radius_mm, TIP_STEP_MM)
        if middle_mm != radius_mm:
            found = values_of(_with_tip(thin, middle_mm))
        low, high = (values_of(_with_tip(thin, middle_mm + step)) for step in (-TIP_STEP_MM, TIP_STEP_MM))
        tip = _slopes(low, found, high, TIP_STEP_MM)
    stated: dict[tuple[str, str], tuple[Contribution, ...]] = {}
    if request.instrument is not None and wanted & SOURCES.keys():
        at_rest = _numbers(analysis) if thin is trace else values_of(thin)
        stated = stated_setup(thin, request.instrument, at_rest, values_of)
    return Influences(length_scale={**scale, **lengths}, tip_radius_mm=tip, stated=stated)


def decimate(trace: Trace) -> Trace:
    """Decimate each side to about 10,000 samples."""
    side = trace.columns["side"]
    kept = []
    for code in (SIDE_TOP, SIDE_BOTTOM):
        here = np.flatnonzero(side == code)
        # Rounded up, so that a side is never longer than that.
        kept.append(here[:: max(1, -(-here.size // _POINTS_A_SIDE))])
    # The order of the trace must stay: `order_of_x` and drifts depend on it.
    index = np.sort(np.concatenate(kept))
    if index.size == side.size:
        return trace
    return replace(trace, columns={name: column[index] for name, column in trace.columns.items()})


def _scale_trace(trace: Trace, factor: float) -> Trace:
    # Both: a material's or scale's error grows all lengths alike, angles keep their size.
    longer = {name: trace.columns[name] * factor for name in ("x_mm", "z_mm")}
    return replace(trace, columns={**trace.columns, **longer})


def _with_tip(trace: Trace, radius_mm: float) -> Trace:
    return replace(trace, header=replace(trace.header, tip_radius_mm=radius_mm, tip_corrected=False))


def _numbers(analysis: Analysis) -> Values:
    return {(q.name, q.instance): q.value for q in analysis.quantities if q.value is not None}


def _values(analyse: Analyse, trace: Trace, request: Request) -> Values:
    """What a changed trace yields; nothing where it is no trace any more."""
    try:
        return _numbers(analyse(trace, request))
    except (AnalysisError, InputError):
        return {}


def _slopes(low: Values, middle: Values, high: Values, step: float) -> dict[tuple[str, str], float]:
    """Sensitivity of every value that all three yield."""
    return {at: _slope(low[at], middle[at], high[at]) / step for at in low.keys() & middle.keys() & high.keys()}


def _slope(low: float, middle: float, high: float) -> float:
    """Change of a value per step from three of them.

    The mean of both sides where they agree. Where they differ by more than half there is a kink, at which the
    mean may vanish: the steeper side counts. A side on which the value jumps to the other sign is left to the
    other one. Derived here.
    """
    before, after = middle - low, high - middle
    if abs(before - after) <= 0.5 * max(abs(before), abs(after)):
        return (before + after) / 2.0
    usable = [side for side, end in ((before, low), (after, high)) if end * middle >= 0.0]
    return max(usable or (before, after), key=abs)

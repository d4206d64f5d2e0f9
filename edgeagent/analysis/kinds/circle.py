"""Circle: a closed roundness plane. The steps of a spiral without slope and tilt."""

from __future__ import annotations

from collections.abc import Mapping

from edgeagent.analysis.around import options
from edgeagent.analysis.budget.wave_influences import of_trace
from edgeagent.analysis.kinds import Request, spiral
from edgeagent.model import Analysis, Influences, Trace

COLUMNS = spiral.COLUMNS
OPTIONAL_COLUMNS = spiral.OPTIONAL_COLUMNS
CHARACTERISTICS: Mapping[str, str] = {
    name: unit for name, unit in spiral.CHARACTERISTICS.items() if name not in ("tilt", "lead_mismatch")
}
Options = options.SpiralOptions
RANGES = spiral.RANGES
NEEDS = spiral.NEEDS


def analyse(trace: Trace, request: Request) -> Analysis:
    """Harmonics, roundness, bands, eccentricity and roughness of a closed profile; see ``spiral.analyse``."""
    return spiral.analyse_around(trace, request, spiral=False)


def influences(trace: Trace, request: Request, analysis: Analysis, wanted: frozenset[str]) -> Influences:
    """What scales, tip and eccentricity do to the values; see ``budget.wave_influences``."""
    return of_trace(trace, request, analysis, wanted, spiral=False)

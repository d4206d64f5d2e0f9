"""All roughness parameters that a recipe's ``roughness`` asks for, of a track or of a groove's flank.

The one list of their names: kinds put their own words around these.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from edgeagent.analysis.texture import material_ratio as curve
from edgeagent.analysis.texture.elements import profile_elements
from edgeagent.analysis.texture.filters import gaussian_smooth
from edgeagent.analysis.texture.options import RoughnessOptions
from edgeagent.analysis.texture.roughness import EvaluatedProfile, evaluate_profile, height_parameters
from edgeagent.model import FloatArray

PARAMETERS: Mapping[str, str] = {
    "ra": "um", "rq": "um", "rz": "um", "rt": "um", "rsk": "1", "rku": "1", "rsm": "um", "rmr": "%",
    "rk": "um", "rpk": "um", "rvk": "um", "mr1": "%", "mr2": "%",
}  # fmt: skip
"""Parameters and their units."""
PARAMETER_RANGES: Mapping[str, tuple[float, float]] = {
    name: {"um": (0.0, math.inf), "%": (0.0, 100.0), "1": (-math.inf, math.inf)}[unit]
    for name, unit in PARAMETERS.items()
} | {"rku": (1.0, math.inf)}
"""The lowest and highest value that a parameter can have, by definition; a kurtosis is 1 or more."""


@dataclass(frozen=True, slots=True)
class Parameter:
    """A value, None where the profile has none, with its standard uncertainty and that one's freedom."""

    value: float | None
    standard_uncertainty: float | None = None
    degrees_of_freedom: float = math.inf


def wanted_parameters(wanted: RoughnessOptions) -> Mapping[str, str]:
    """Names and units of what a recipe asks for: Rmr(c) only with its c."""
    return {name: unit for name, unit in PARAMETERS.items() if name != "rmr" or wanted.rmr_c_um is not None}


def parameters(
    z_um: FloatArray, spacing_mm: float, wanted: RoughnessOptions
) -> tuple[Mapping[str, Parameter], EvaluatedProfile]:
    """Every wanted parameter of heights at equal steps, shape (n,), and the profile that they are taken from.

    Raises what `roughness.evaluate_profile` does.
    """
    found = evaluate_profile(
        z_um,
        spacing_mm,
        lambda_c_mm=wanted.lambda_c_mm,
        lambda_s_mm=wanted.lambda_s_mm,
        section_count=wanted.section_count,
    )
    heights = height_parameters(found)
    freedom = float(heights.section_count - 1) if heights.section_count > 1 else math.inf
    values = {
        name: Parameter(getattr(heights, member), getattr(heights, f"u_{member}"), freedom)
        for name, member in (
            ("ra", "ra_um"), ("rq", "rq_um"), ("rz", "rz_um"), ("rt", "rt_um"), ("rsk", "rsk"), ("rku", "rku"),
        )
    }  # fmt: skip
    flat = heights.rsk is None
    elements = None if flat else profile_elements(found.used, spacing_mm, heights.rz_um)
    values["rsm"] = (
        Parameter(None)
        if elements is None
        else Parameter(elements.rsm_um, elements.u_rsm_um, float(max(elements.count - 1, 1)))
    )
    if wanted.rmr_c_um is not None:
        values["rmr"] = (
            Parameter(None) if flat else _ratio(found, wanted.rmr_c_um, wanted.rmr_reference_percent)
        )
    names = ("rk", "rpk", "rvk", "mr1", "mr2")
    values |= dict.fromkeys(names, Parameter(None))
    if not flat and len(found.used) >= 5:
        values |= dict(zip(names, _core(found, wanted), strict=True))
    return values, found


def _groups(found: EvaluatedProfile) -> tuple[np.ndarray, int]:
    """Group of each sample of the used profile: its section, several together where there are many."""
    borders = np.array(found.sections) - found.sections[0]
    sections = len(borders) - 1
    count = min(sections, curve.GROUPS_MAX)
    number = np.searchsorted(borders, np.arange(len(found.used)), side="right") - 1
    # The last border belongs to the last section; whole sections stay together, since neighbours within one are
    # alike.
    return np.minimum(number, sections - 1) * count // sections, count


def _ratio(found: EvaluatedProfile, c_um: float, reference_percent: float | None) -> Parameter:
    """Rmr(c) in percent, c above the mean line or above the height of a reference ratio."""

    def of(profile: FloatArray) -> float:
        level = c_um
        if reference_percent is not None:
            # Of the same profile each time: the reference scatters with the sections as well.
            level += curve.level_of(np.sort(profile)[::-1], reference_percent / 100)
        return 100 * curve.ratio_above(profile, level)

    group, count = _groups(found)
    value = of(found.used)
    if count < 2:
        return Parameter(value)
    without = [(of(found.used[group != k]),) for k in range(count)]
    return Parameter(value, curve.jackknife(without)[0], float(count - 1))


def _core(found: EvaluatedProfile, wanted: RoughnessOptions) -> tuple[Parameter, ...]:
    """Rk, Rpk, Rvk, Mr1 and Mr2, on the profile whose valleys do not pull its mean line down."""
    used = found.used
    if wanted.rk_filter == "two-step":
        # The first mean line is the long wave, primary less profile: valleys below it are cut to it (ISO
        # 13565-1, remembered).
        kept = np.maximum(found.primary_um, found.primary_um - found.profile_um)
        line = gaussian_smooth(kept, found.spacing_mm, wanted.lambda_c_mm)
        # The untouched profile above the second line: the cut valleys served to place the line only.
        used = (found.primary_um - line)[found.sections[0] : found.sections[-1]]
    order = np.argsort(used)[::-1]
    falling = used[order]

    def of(samples: FloatArray) -> tuple[float, ...]:
        each = curve.core(samples)
        return each.rk_um, each.rpk_um, each.rvk_um, each.mr1_percent, each.mr2_percent

    group, count = _groups(found)
    values = of(falling)
    if count < 2:
        return tuple(Parameter(v) for v in values)
    # Samples are sorted once; leaving a group out keeps their order.
    spread = curve.jackknife([of(falling[stays]) for stays in curve.without_each(order, group, count)])
    return tuple(Parameter(v, u, float(count - 1)) for v, u in zip(values, spread, strict=True))

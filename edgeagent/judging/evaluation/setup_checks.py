"""Whether what a trace says of its set-up can be believed: the stylus tip, the diameter, the spacing.

These numbers are typed, change every value that is computed with them, and nothing in the samples contradicts a
wrong one. A recipe may state them in ``[measurement.setup]``. Where it does not, it takes a checksum:
a digit that the disk turned over may be possible on the thread and change a value unseen.
"""

from __future__ import annotations

import math
from collections.abc import Collection, Iterator, Mapping
from typing import Any

from edgeagent.codec.traces.side_file import SideFile
from edgeagent.model import MeasurementPlan, QualityCheck, Thread, Trace

_EQUAL = 1e-9
"""Relative difference of two statements of the same number."""
_TEMPERATURE_C = (0.0, 50.0)
"""Wider than any measuring room: outside of it the number was mistyped."""
_DECISIVE = ("tip_radius_mm", "track_diameter_mm", "degrees_per_mm")
"""Numbers of which no range is narrow enough to show a wrong digit."""


def setup_checks(
    trace: Trace, side: SideFile | None, thread: Thread | None, plan: MeasurementPlan | None
) -> list[QualityCheck]:
    """A check for each number that may be wrong.

    It differs from the recipe's ``setup``, is not possible on its thread, or a side file without a checksum is
    alone in saying it.
    """
    found = _stated_numbers(trace, side)
    checks = list(_differences(found, plan.setup)) if plan is not None else []
    # With a checksum the number is as it was written; whether it was measured right no range can say.
    if side is not None and not side.sealed and thread is not None:
        stated = plan.setup if plan is not None else {}
        # What the recipe states was compared already, to nine digits.
        checks += _impossible({k: v for k, v in found.items() if k not in stated}, thread)
    if side is not None and not side.sealed and plan is not None:
        # One doubt for each number is enough.
        doubted = {check.note.partition(" ")[0] for check in checks}
        checks += _said_once(side, plan, doubted)
    return checks


def _said_once(side: SideFile, plan: MeasurementPlan, doubted: Collection[str]) -> Iterator[QualityCheck]:
    for key in _DECISIVE:
        value = side.table.get(key)
        if value is not None and key not in plan.setup and key not in doubted:
            note = f"{key} = {value:g} stands in the side file alone, where a wrong digit would not show"
            note += ": seal the side file with a checksum, or state it in the recipe's setup"
            yield QualityCheck("side_file", False, float(value), None, _unit(key), note)


def _stated_numbers(trace: Trace, side: SideFile | None) -> dict[str, Any]:
    header = trace.header
    found = {
        # A corrected profile no longer depends on the tip.
        "tip_radius_mm": None if header.tip_corrected else header.tip_radius_mm,
        "track_diameter_mm": header.track_diameter_mm,
        "lead_mm": header.lead_mm,
        "temperature_c": header.temperature_c,
        "sensing": header.sensing,
        "degrees_per_mm": side.table.get("degrees_per_mm") if side is not None else None,
    }
    return {key: value for key, value in found.items() if value is not None}


def _differences(found: Mapping[str, Any], stated: Mapping[str, Any]) -> Iterator[QualityCheck]:
    for key, wanted in stated.items():
        value = found.get(key)
        same = (
            math.isclose(value, wanted, rel_tol=_EQUAL)
            if isinstance(value, float | int) and isinstance(wanted, float)
            else value == wanted
        )
        if not same:
            said = f"the trace says {value}" if value is not None else "the trace says nothing of it"
            note = f"{key}: {said}, the recipe's setup {wanted}"
            yield QualityCheck("setup", False, *_numbers(value, wanted), _unit(key), note)


def _impossible(found: Mapping[str, Any], thread: Thread) -> Iterator[QualityCheck]:
    """What no trace of the thread can have: its tip would not fit, its diameter lies beside the track."""
    flank_mm = thread.track_conformity * thread.ball_diameter_mm
    inside_mm = thread.ball_pitch_circle_mm - thread.ball_diameter_mm
    outside_mm = thread.ball_pitch_circle_mm + thread.ball_diameter_mm
    ranges = {
        # A tip nearly as large as the flank's radius would touch beside it.
        "tip_radius_mm": (0.0, 0.9 * flank_mm),
        "track_diameter_mm": (inside_mm, outside_mm),
        # A thousandth is far beyond any lead error of a ball screw, and far below a wrong digit of three.
        "lead_mm": (thread.lead_mm * (1 - 1e-3), thread.lead_mm * (1 + 1e-3)),
        # A path once around the track, whose diameter lies between these.
        "degrees_per_mm": (360.0 / (math.pi * outside_mm), 360.0 / (math.pi * inside_mm)),
        "temperature_c": _TEMPERATURE_C,
    }
    for key, (low, high) in ranges.items():
        value = found.get(key)
        if value is not None and not low <= value <= high:
            allowed = low if value < low else high
            note = f"{key} = {value:g} is not possible on this thread: {low:.4g} to {high:.4g}"
            note += "; the side file has no checksum that would show it as written"
            yield QualityCheck("side_file", False, float(value), allowed, _unit(key), note)


def _numbers(value: object, wanted: object) -> tuple[float | None, float | None]:
    if isinstance(value, float | int) and isinstance(wanted, float):
        return float(value), wanted
    return None, None


def _unit(key: str) -> str:
    return {"temperature_c": "C", "degrees_per_mm": "deg/mm", "sensing": ""}.get(key, "mm")

"""Capability of a trend in words and as JSON values."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import asdict
from typing import Any

from edgeagent.codec.plain_text import number
from edgeagent.judging.drift import Observation
from edgeagent.judging.studies.trend import CapabilityFinding
from edgeagent.rules.capability import (
    Bounds,
    Capability,
    PercentileCapability,
    values_for_ranks,
)


def as_object(found: CapabilityFinding) -> dict[str, Any]:
    """JSON values: cp and cpk of a process shown in control, pp and ppk of any other, the rest null.

    At the top those from percentiles, which count, below ``if_normal`` those of a normal distribution.
    """
    counted = found.by_percentiles
    return {
        "index": found.letter,
        "in_control": found.in_control,
        "reason": found.reason,
        "count": found.if_normal.count,
        "confidence": found.if_normal.confidence,
        **_named(found.letter, counted),
        "percentiles": None
        if counted is None
        else {
            "distribution": counted.distribution,
            "considered": counted.considered,
            **dict(zip(("x0_135", "x50", "x99_865"), counted.percentiles, strict=True)),
        },
        "normality": found.normality,
        "passes_as_normal": found.passes_as_normal,
        "if_normal": {
            "mean": found.if_normal.mean,
            "sd": found.if_normal.sd,
            **_named(found.letter, found.if_normal),
        },
    }


def _named(letter: str, found: Capability | PercentileCapability | None) -> dict[str, Any]:
    """All index names; those of the other letter are null."""
    # All names always: a reader that finds no cpk must see null, not guess that it was forgotten.
    empty: dict[str, Any] = dict.fromkeys(
        f"{c}{kind}{end}" for c in "cp" for kind in ("p", "pk") for end in ("", "_bounds")
    )
    if found is not None:
        shown = {k: v for k, v in asdict(found).items() if k in ("cp", "cp_bounds", "cpk", "cpk_bounds")}
        empty |= {letter.lower() + k[1:]: v for k, v in shown.items()}
    return empty


def index_words(found: CapabilityFinding) -> str:
    """The index that counts, with its name and bounds, in a few words."""
    counted = found.by_percentiles
    return (
        "no distribution fits"
        if counted is None
        else _one(found.letter + "pk", counted.cpk, counted.cpk_bounds)
    )


def _one(name: str, value: float, bounds: Bounds) -> str:
    return f"{name} {value:.2f} ({bounds[0]:.2f} to {bounds[1]:.2f})"


def _both(letter: str, found: Capability | PercentileCapability) -> str:
    text = _one(letter + "pk", found.cpk, found.cpk_bounds)
    if found.cp is not None and found.cp_bounds is not None:
        text = f"{_one(letter + 'p', found.cp, found.cp_bounds)}, {text}"
    return text


def capability_lines(found: CapabilityFinding | None, last: Observation) -> Iterator[str]:
    """The indices that count, why they are named so, and those of a normal distribution."""
    if found is None:
        return
    counted, confidence = found.by_percentiles, f"{100 * found.if_normal.confidence:g} % confidence"
    limits = f"limits {number(last.lower)} to {number(last.upper)} {last.unit}"
    if counted is None:
        needed = values_for_ranks((last.lower is not None) + (last.upper is not None))
        why = f"no distribution fits, and ranks alone need {needed} values"
        if found.if_normal.count >= needed:
            why = "so many values are the same that their percentiles coincide"
        yield f"  capability   none: {why}; {limits}"
    else:
        yield f"  capability   {_both(found.letter, counted)} at {confidence}, {limits}"
        yield f"  percentiles  {_source(counted)}"
    shown = "shown in control" if found.in_control else "control not shown"
    yield f"  {found.letter} indices    {shown}: {found.reason}"
    outcome = "pass as normal" if found.passes_as_normal else "are not normal"
    yield (
        f"  if normal    {_both(found.letter, found.if_normal)}; the values {outcome} "
        f"(Shapiro-Wilk p {_probability(found.normality)})"
    )


def _source(found: PercentileCapability) -> str:
    low, middle, high = (number(p) for p in found.percentiles)
    text = f"{low}, {middle}, {high} (0.135, 50, 99.865 %)"
    if found.distribution == "ranks":
        return f"{text} of the values themselves, bounds from their ranks"
    others = [name for name in found.considered if name != found.distribution]
    if len(others) > 3:
        others[3:] = [f"{len(others) - 3} more"]
    more = f"; bounds cover {', '.join(others)} too" if others else ""
    return f"{text}, {found.distribution} distribution{more}"


def _probability(value: float) -> str:
    return f"= {value:.3f}" if value >= 0.001 else "< 0.001"

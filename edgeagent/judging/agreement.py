"""Does a result that was computed again agree with the recorded one? Codes, numbers and verdicts count.

The wording of ``reasons`` and ``note`` never counts: sentences may become better. Numbers of two machines
differ in their last digits, since sums are taken in another order; such a difference is no sign of a change.
"""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import IntEnum
from typing import Any

from edgeagent.codec.records.judged_from import MEMBER, without_member

RELATIVE_BOUND = 1e-9
"""Numbers that differ by at most this share of the larger one agree within rounding."""
ABSOLUTE_BOUND = 1e-9
"""So do numbers that differ by at most this, in their own unit: a form error of 0 has no share to speak of."""
UNCERTAINTY_BOUND = 1e-6
"""So do expanded uncertainties that differ by this share: some sensitivities are finite differences, which keep
half of the digits, and no uncertainty is known to six (JCGM 100, 7.2.6: two). Verdicts count as ever."""
INFLUENCE_BOUND = 1e-7
"""So do sensitivities that differ by this in their own unit: one may be the difference of two equal values."""
PHASOR_BOUND_NM = 1e-6
"""So do harmonics whose phasors differ by at most this: a wave of no amplitude has any phase."""

_INFLUENCES = "judged_from.influences."
_UNCERTAINTIES = ("judged_from.u[", "judged_from.budget_u[")
_WORDING = frozenset({"note", "reasons"})
_SOFTWARE = "software"


class Agreement(IntEnum):
    """How a file came out, from best to worst; up to ``OTHER_PROGRAM`` nothing speaks of a change."""

    IDENTICAL = 0
    WITHIN_ROUNDING = 1
    OTHER_PROGRAM = 2
    DIFFERENT = 3
    FLIPPED = 4


@dataclass(frozen=True, slots=True)
class Mismatch:
    """One place of a result that did not come out to the last digit."""

    where: str
    recorded: str
    now: str
    rounding: bool
    verdict: bool


@dataclass(frozen=True, slots=True)
class Compared:
    """A result against the recorded one: how they agree, and every place that differs beyond rounding."""

    agreement: Agreement
    mismatches: tuple[Mismatch, ...]


def compare_results(recorded: Mapping[str, Any], now: Mapping[str, Any]) -> Compared:
    """Compare two results of the same bytes, as JSON values.

    Where another program wrote the recorded one, members that only one of them has do not count.
    """
    # Older results name no software: they count as another program's.
    before, after = recorded.get(_SOFTWARE) or {}, now.get(_SOFTWARE) or {}
    other = before != after
    if MEMBER not in recorded:  # written before results held it: it decides nothing
        now = without_member(now)
    found = list(_mismatches(_without_phases(recorded), _without_phases(now), "", other_program=other))
    found += _phasors(recorded.get("spectrum"), now.get("spectrum"))
    beyond = tuple(m for m in found if not m.rounding)
    if not found:
        agreement = Agreement.IDENTICAL
    elif not beyond:
        agreement = Agreement.WITHIN_ROUNDING
    elif any(m.verdict for m in beyond):
        agreement = Agreement.FLIPPED
    else:
        agreement = Agreement.OTHER_PROGRAM if other else Agreement.DIFFERENT
    return Compared(agreement, beyond)


def beyond_rounding(recorded: Any, now: Any, *, other_program: bool = False) -> list[Mismatch]:
    """What differs between two JSON values by more than rounding, wording passed over."""
    found = _mismatches(recorded, now, "", other_program=other_program)
    return [mismatch for mismatch in found if not mismatch.rounding]


def _without_phases(result: Mapping[str, Any]) -> dict[str, Any]:
    """The result without what is compared by itself or not at all."""
    spectrum = result.get("spectrum")
    # Amplitude and phase apart would differ wherever a wave is so small that its phase is noise.
    rest = {k: v for k, v in result.items() if k not in (_SOFTWARE, "spectrum")}
    if isinstance(spectrum, dict):
        rest["spectrum"] = {k: v for k, v in spectrum.items() if k not in ("amplitude_nm", "phase_deg")}
    return rest


def _mismatches(a: Any, b: Any, where: str, *, other_program: bool) -> Iterator[Mismatch]:
    """Every value that differs, with its place."""
    if isinstance(a, dict) and isinstance(b, dict):
        # The same program writes the same members: one that is missing was taken out.
        shared = a.keys() & b.keys() if other_program else a.keys() | b.keys()
        for key in sorted(shared - _WORDING):
            place = f"{where}.{key}" if where else str(key)
            yield from _mismatches(a.get(key), b.get(key), place, other_program=other_program)
    # Tuples too: what was never JSON, as the reasons of two judgements, is compared number by number as well.
    elif isinstance(a, list | tuple) and isinstance(b, list | tuple) and len(a) == len(b):
        for i, (x, y) in enumerate(zip(a, b, strict=True)):
            yield from _mismatches(x, y, f"{where}[{i}]", other_program=other_program)
    elif a != b:
        yield Mismatch(where, _brief(a), _brief(b), _close(a, b, where), _decides(where))


def _decides(where: str) -> bool:
    # What flips is told apart from what differs: an auditor reads the flips first.
    return where == "disposition" or where.endswith(".verdict")


def _close(a: Any, b: Any, where: str) -> bool:
    numbers = isinstance(a, int | float) and isinstance(b, int | float)
    # Python takes True for 1: a check that turned must not pass for rounding.
    if not numbers or isinstance(a, bool) or isinstance(b, bool):
        return False
    if where.startswith(_INFLUENCES):
        return math.isclose(a, b, rel_tol=UNCERTAINTY_BOUND, abs_tol=INFLUENCE_BOUND)
    uncertain = where.endswith("expanded_uncertainty") or where.startswith(_UNCERTAINTIES)
    return math.isclose(
        a, b, rel_tol=UNCERTAINTY_BOUND if uncertain else RELATIVE_BOUND, abs_tol=ABSOLUTE_BOUND
    )


def _phasors(a: Any, b: Any) -> list[Mismatch]:
    """Harmonics that differ, amplitude and phase taken together."""
    if not (isinstance(a, dict) and isinstance(b, dict)):
        return [] if a == b else [Mismatch("spectrum", _brief(a), _brief(b), False, False)]
    before, after = _harmonics(a), _harmonics(b)
    if len(before) != len(after):
        return [Mismatch("spectrum", f"{len(before)} harmonics", str(len(after)), False, False)]
    return [
        Mismatch(f"spectrum[{i}]", _brief(x), _brief(y), _near(x, y), False)
        for i, (x, y) in enumerate(zip(before, after, strict=True))
        if x != y
    ]


def _harmonics(spectrum: Mapping[str, Any]) -> list[tuple[float | None, float | None]]:
    return list(zip(spectrum.get("amplitude_nm", ()), spectrum.get("phase_deg", ()), strict=False))


def _near(a: tuple[float | None, float | None], b: tuple[float | None, float | None]) -> bool:
    if None in a or None in b:
        return False
    x, y = (cmath.rect(float(v[0] or 0.0), math.radians(float(v[1] or 0.0))) for v in (a, b))
    return abs(x - y) <= max(PHASOR_BOUND_NM, RELATIVE_BOUND * max(abs(x), abs(y)))


def _brief(value: Any) -> str:
    text = repr(value)
    return text if len(text) <= 80 else text[:77] + "..."

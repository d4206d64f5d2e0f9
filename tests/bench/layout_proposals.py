"""How many invented exports are proposed right, with a doubt, or wrong.

The moment of measuring may stay open without making an export doubtful: most headers give no offset from UTC.
An aspect (kind, a column, a header key) is right when the layout reads what was written and nothing of it is
left open, doubtful when the proposal leaves it open or calls it unsure, wrong when neither. An export is wrong
when one of its aspects is. Most of those by chance leave something away (a unit, the kind, names): they are
counted on a line of their own, on which a doubt about what was left away is right.

    python tests/bench/layout_proposals.py [count]
"""

from __future__ import annotations

import sys
import time
from collections import Counter
from datetime import datetime
from pathlib import Path
from types import ModuleType

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from fixture_modules import load  # noqa: E402

from edgeagent.codec.proposals.layout import LayoutProposal, propose_layout  # noqa: E402
from edgeagent.errors import InputError  # noqa: E402

UNSURE = {
    "kind": ("kind",),
    "angle_deg": ("angle", "unit of the angle", "direction of the angle"),
    "deviation_um": ("deviation", "unit of the deviation", "decimal mark", "delimiter"),
    "travel_mm": ("travel", "unit of the travel"),
    "x_mm": ("x along, z across the axis", "unit of x"),
    "z_mm": ("x along, z across the axis", "unit of z"),
    "side": ("side",),
}
"""What the findings on an aspect are called."""


def exports() -> ModuleType:
    """The module that makes the exports."""
    return load("make_exports", ".")


def _open(proposal: LayoutProposal, aspect: str) -> bool:
    names = UNSURE.get(aspect, (aspect,))
    doubted = any(not f.sure and f.what in names for f in proposal.findings)
    places = (f"column {aspect}:", f"header {aspect}:", f"constants: {aspect}")
    return doubted or any(key.startswith(places) for key, _ in proposal.fill_in)


def _equal(found: object, wanted: object) -> bool:
    if isinstance(wanted, np.ndarray):
        array = np.asarray(found)
        size = float(np.nanmax(np.abs(wanted))) or 1.0
        return array.shape == wanted.shape and bool(
            np.allclose(array, wanted, rtol=0, atol=1e-4 * size, equal_nan=True)
        )
    if isinstance(wanted, float):
        return isinstance(found, float) and bool(np.isclose(found, wanted, rtol=1e-12))
    if isinstance(wanted, datetime):
        return isinstance(found, datetime) and found == wanted and found.utcoffset() == wanted.utcoffset()
    return found == wanted


def _open_keys(proposal: LayoutProposal, aspect: str) -> set[str]:
    places = (f"column {aspect}: ", f"header {aspect}: ", f"constants: {aspect}")
    return {key.rsplit(" ", 1)[1] for key, _ in proposal.fill_in if key.startswith(places)}


def _wrong_beside_the_doubt(proposal: LayoutProposal, aspect: str, value: object, wanted: object) -> bool:
    """Whether more is wrong than what is open: the values beyond a unit, the date beyond its offset."""
    if isinstance(wanted, np.ndarray) and value is not None:
        only_unit = _open_keys(proposal, aspect) <= {"unit", "scale"}
        named = {f.what for f in proposal.findings if not f.sure} & set(UNSURE.get(aspect, ()))
        if not only_unit or named - {f"unit of the {aspect.split('_')[0]}"}:
            return False
        found = np.asarray(value)
        factor = np.nanmax(np.abs(wanted)) / max(float(np.nanmax(np.abs(found))), 1e-300)
        return not _equal(found * factor, wanted)
    if isinstance(wanted, datetime) and isinstance(value, datetime):
        doubted = any(not f.sure and "offset" not in f.why for f in proposal.findings if f.what == aspect)
        only_offset = _open_keys(proposal, aspect) <= {"utc_offset_h"} and not doubted
        return only_offset and value.replace(tzinfo=None) != wanted.replace(tzinfo=None)
    return False


def judged(proposal: LayoutProposal, export) -> dict[str, str]:  # type: ignore[no-untyped-def]
    """Each aspect of the export with right, doubtful, missed (an optional header key) or wrong."""
    trace = proposal.trace
    pairs: list[tuple[str, object, object]] = [("kind", trace.header.kind, export.kind)]
    pairs += [(name, trace.columns.get(name), wanted) for name, wanted in export.columns.items()]
    pairs += [(key, getattr(trace.header, key), wanted) for key, wanted in export.header.items()]
    found = {}
    for aspect, value, wanted in pairs:
        if _open(proposal, aspect):
            beside = _wrong_beside_the_doubt(proposal, aspect, value, wanted)
            found[aspect] = "wrong" if beside else "doubtful"
        elif _equal(value, wanted):
            found[aspect] = "right"
        else:
            found[aspect] = "missed" if value is None and aspect in export.header else "wrong"
        if value is None and aspect in export.columns and _open(proposal, "kind"):
            found[aspect] = "doubtful"  # which columns there are follows from the kind
    for key in ("part", "serial", "feature", "measured_at"):
        if key not in export.header:
            found[key] = "doubtful" if _open(proposal, key) else "wrong"
    return found


def verdict(aspects: dict[str, str], doubts: frozenset[str]) -> str:
    """One word for an export; of ``doubts`` the file does not tell, so only a doubt is right."""
    if "wrong" in aspects.values() or any(aspects.get(d, "doubtful") != "doubtful" for d in doubts):
        return "wrong"
    return "doubtful" if any(v != "right" for a, v in aspects.items() if a not in doubts) else "right"


def main(count: int) -> None:
    """Print the ten by hand, then the table of those by chance."""
    made = exports()
    for make in made.TEN:
        export = make()
        aspects = judged(propose_layout(export.name, export.data), export)
        doubtful = ", ".join(sorted(a for a, v in aspects.items() if v == "doubtful"))
        print(f"{export.name:24} {verdict(aspects, export.doubts):9} doubt said: {doubtful or '-'}")
    verdicts: Counter[str] = Counter()
    told: Counter[str] = Counter()
    honest: Counter[str] = Counter()
    by_aspect: dict[str, Counter[str]] = {}
    begin = time.perf_counter()
    for seed in range(1, count + 1):
        export = made.by_chance(seed)
        try:
            proposal = propose_layout(export.name, export.data)
        except InputError as error:
            verdicts["refused"] += 1
            print(f"seed {seed} refused: {error}")
            continue
        aspects = judged(proposal, export)
        if "measured_at" not in export.header:
            aspects.pop("measured_at")
        untold = frozenset(
            a for a in ("measured_at",) if aspects.get(a) == "doubtful"
        )  # offsets are rarely told
        found = verdict(aspects, untold)
        verdicts[found] += 1
        asked = frozenset(a for a in export.untold if aspects.get(a) == "doubtful")
        (honest if export.untold else told)[verdict(aspects, untold | asked)] += 1
        for aspect, value in aspects.items():
            by_aspect.setdefault(aspect, Counter())[value] += 1
        if found == "wrong":
            print(f"seed {seed} wrong: {', '.join(a for a, v in aspects.items() if v == 'wrong')}")
    seconds = time.perf_counter() - begin
    print(f"\n{sum(told.values())} tell all; of the others what was left away may be asked about")
    print(f"\n{count} by chance, {1000 * seconds / count:.0f} ms each, share in %")
    print(f"{'':14}{'right':>9}{'doubtful':>10}{'missed':>9}{'wrong':>9}{'refused':>9}")
    words = ("right", "doubtful", "missed", "wrong", "refused")
    rows = [("whole export", verdicts), ("all is told", told), ("not all told", honest), *by_aspect.items()]
    for name, counts in rows:
        total = max(sum(counts.values()), 1)
        cells = [f"{100 * counts[w] / total:.1f}" for w in words]
        print(f"{name:14}{cells[0]:>9}{cells[1]:>10}{cells[2]:>9}{cells[3]:>9}{cells[4]:>9}")


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 500)

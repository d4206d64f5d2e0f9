"""Gauge studies of re-measured parts: which values belong together, and what their variance is made of."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace

from edgeagent.errors import AnalysisError
from edgeagent.judging.drift import Observation
from edgeagent.judging.studies.series_names import HARMONICS, harmonic_of
from edgeagent.rules.gauge_study import GaugeStudy, anova_study, range_study, repeat_study

_HINT = "; --by none gives the repeatability alone"


@dataclass(frozen=True, slots=True)
class CharacteristicStudy:
    """One characteristic of one feature over re-measured parts.

    ``by`` is ``operator``, ``instrument`` or ``none``. ``ranges`` is the same by average and range where that
    is possible. ``notes`` say what was left out, ``reason`` why there is no study.
    """

    part: str
    feature: str
    label: str
    unit: str
    by: str
    study: GaugeStudy | None
    ranges: GaugeStudy | None
    lower: float | None
    upper: float | None
    last_at: str
    notes: tuple[str, ...] = ()
    reason: str = ""

    @property
    def name(self) -> str:
        """What repeats in one way: grooves are alike, their instance is left out; bands, as 2-15, are not."""
        band = re.fullmatch(r".+\[[\d.]+-[\d.]+\]", self.label)
        return self.label if band else self.label.partition("[")[0]


def study_characteristics(observations: Iterable[Observation], by: str) -> list[CharacteristicStudy]:
    """One study for each part number, feature and characteristic, in the order of their first values.

    ``by`` is ``operator``, ``instrument``, ``none``, or ``auto`` for what there are several of.
    """
    groups: dict[tuple[str, str, str], list[Observation]] = {}
    for one in observations:
        groups.setdefault((one.key.subject, one.key.feature, one.key.label), []).append(one)
    return [_study(values, by) for values in groups.values()]


def pool_octaves(studies: Sequence[CharacteristicStudy]) -> list[CharacteristicStudy]:
    """The same with the harmonics of one part and feature by octaves: 2-3, 4-7, 8-15 UPR and so on.

    The one that repeats worst stands for its octave: a mean would hide it behind its neighbours.
    """
    found: list[CharacteristicStudy] = []
    bands: dict[tuple[str, str, int], list[CharacteristicStudy]] = {}
    for one in studies:
        upr = harmonic_of(one.label)
        if upr is None:
            found.append(one)
        else:
            # The number of binary digits is the octave: 4 to 7 UPR have three.
            bands.setdefault((one.part, one.feature, upr.bit_length() - 1), []).append(one)
    for (_, _, octave), members in sorted(bands.items()):
        usable = [m for m in members if m.study is not None]
        label = f"{HARMONICS}[{2**octave}-{2 ** (octave + 1) - 1}]"
        if not usable:
            found.append(replace(members[0], label=label))
            continue
        worst = max(usable, key=lambda m: m.study.gauge_sd if m.study is not None else 0.0)
        notes = (f"worst of {len(usable)} harmonics: {harmonic_of(worst.label)} UPR", *worst.notes)
        # Of all members: the entry says how far the study goes, whichever harmonic is the worst.
        newest = max(m.last_at for m in usable)
        found.append(
            replace(worst, label=label, ranges=None, lower=None, upper=None, notes=notes, last_at=newest)
        )
    return found


def _study(values: Sequence[Observation], by: str) -> CharacteristicStudy:
    key, last = values[0].key, values[-1]
    asked, by = by, _factor(values, by)
    notes: list[str] = []
    study = ranges = None
    reason = ""
    try:
        if by == "none":
            repeated = _repeated_trials(values, notes)
            study = repeat_study(repeated)
        else:
            square = _square(values, by, notes)
            study = anova_study(square)
            # The constants of the range are tabulated up to ten
            ranges = range_study(square) if max(len(square), len(square[0]), len(square[0][0])) <= 10 else None
    except AnalysisError as error:
        # Only where auto chose it: who asked for operators knows that there are some.
        reason = str(error) + (_HINT if asked == "auto" and by != "none" else "")
    return CharacteristicStudy(
        key.subject, key.feature, key.label, last.unit, by, study, ranges, last.lower, last.upper,
        max(o.measured_at for o in values), tuple(notes), reason,
    )  # fmt: skip


def _appraiser(found: Observation, by: str) -> str:
    return {"operator": found.operator, "instrument": found.key.instrument}.get(by, "")


def _factor(values: Sequence[Observation], by: str) -> str:
    if by != "auto":
        return by
    # Operators first: where both vary, the usual study is theirs.
    return next((f for f in ("operator", "instrument") if len({_appraiser(o, f) for o in values}) > 1), "none")


def _cells(values: Sequence[Observation], by: str) -> dict[str, dict[str, list[float]]]:
    """Values by serial and then by operator or instrument, in the order in which they were measured."""
    cells: dict[str, dict[str, list[float]]] = {}
    for one in values:
        cells.setdefault(one.serial, {}).setdefault(_appraiser(one, by), []).append(one.value)
    return cells


def _repeated_trials(values: Sequence[Observation], notes: list[str]) -> list[list[float]]:
    """Trials of each part that was measured more than once. Raises AnalysisError for fewer than two of them."""
    groups = [row[""] for row in _cells(values, "none").values()]
    repeated = [g for g in groups if len(g) > 1]
    if len(repeated) < 2:
        raise AnalysisError(
            f"{len(repeated)} of {len(groups)} parts were measured more than once; two are needed"
        )
    if len(repeated) < len(groups):
        notes.append(f"{len(groups) - len(repeated)} parts measured only once are left out")
    return repeated


def _square(values: Sequence[Observation], by: str, notes: list[str]) -> list[list[list[float]]]:
    """As many first trials of each part by each operator as all of them have; what does not fit is noted."""
    cells = _cells(values, by)
    names = sorted({name for row in cells.values() for name in row})
    whole = {
        serial: [row[n] for n in names]
        for serial, row in cells.items()
        # Two trials in each cell, or its repeatability cannot be told from the interaction.
        if all(len(row.get(n, ())) > 1 for n in names)
    }
    missing = sorted(set(cells) - set(whole))
    if missing:
        shown = ", ".join(missing[:5]) + (", …" if len(missing) > 5 else "")
        notes.append(f"{len(missing)} parts not measured twice by every {by} are left out: {shown}")
    if len(names) < 2 or len(whole) < 2:
        raise AnalysisError(f"two {by}s with two trials of the same two parts at least are needed")
    # The analysis of variance here is for balanced data: as many trials in each cell.
    trials = min(len(cell) for row in whole.values() for cell in row)
    surplus = sum(len(cell) - trials for row in whole.values() for cell in row)
    if surplus:
        notes.append(f"{surplus} values beyond {trials} trials of a part are left out")
    return [[cell[:trials] for cell in row] for row in whole.values()]

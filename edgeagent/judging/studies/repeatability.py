"""From gauge studies to the repeatability that a recipe takes: pooled over features, grooves and bands."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

from edgeagent.codec.configuration.repeatability_entry import RepeatabilityEntry
from edgeagent.judging.studies.gauge_study import CharacteristicStudy
from edgeagent.model import harmonic_band


def repeatability_entries(
    studies: Iterable[CharacteristicStudy], component: str
) -> dict[str, RepeatabilityEntry]:
    """What to write into the recipe of each part number; ``component`` is ``gauge`` or ``repeatability``.

    Features and grooves of one characteristic are pooled by the degrees of freedom of their repeatability,
    bands of UPR or Hz over features. The degrees of freedom of a pooled variance are the effective ones
    (Satterthwaite), those of an entry the fewest of its characteristics, since a recipe has one number for all.
    Values that did not scatter at all are left out: no uncertainty is zero; so is a harmonic outside a band.
    """
    found: dict[str, dict[str, list[CharacteristicStudy]]] = {}
    until: dict[str, str] = {}
    for one in studies:
        # A recipe takes bands alone: one harmonic asked for by its UPR is for reading.
        single = one.name.startswith("harmonic_amplitude") and harmonic_band(one.name) is None
        if one.study is not None and not single:
            found.setdefault(one.part, {}).setdefault(one.name, []).append(one)
            until[one.part] = max(one.last_at[:10], until.get(one.part, ""))
    made: dict[str, RepeatabilityEntry] = {}
    for part, by_name in found.items():
        pooled = {name: _pool(members, component) for name, members in by_name.items()}
        # Four digits: a study of ten parts knows its standard deviation to a tenth at best
        values = {name: float(f"{sd:.4g}") for name, (sd, _) in pooled.items() if sd > 0}
        dof = min((df for sd, df in pooled.values() if sd > 0), default=math.inf)
        made[part] = RepeatabilityEntry(values, dof, component, until[part])
    return made


def _pool(members: Sequence[CharacteristicStudy], component: str) -> tuple[float, float]:
    """Standard deviation and effective degrees of freedom of one characteristic."""
    terms = []
    for one in members:
        study = one.study
        assert study is not None
        gauge = component == "gauge"
        sd = study.gauge_sd if gauge else study.repeatability_sd
        df = study.gauge_degrees_of_freedom if gauge else study.degrees_of_freedom
        # Weighted by the repeatability's degrees of freedom; those of a gauge are effective ones.
        terms.append((study.degrees_of_freedom, sd**2, df))
    weights = math.fsum(w for w, _, _ in terms)
    variance = math.fsum(w * v for w, v, _ in terms) / weights
    # Satterthwaite: (sum of variances) squared over the sum of their squares by degrees of freedom.
    fourth = math.fsum((w * v) ** 2 / df for w, v, df in terms)
    return math.sqrt(variance), (weights * variance) ** 2 / fourth if fourth > 0 else math.inf

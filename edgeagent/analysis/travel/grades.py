"""Permissible travel deviations and variations by tolerance grade and useful travel (ISO 3408-3).

Every cell's standing is in ``fixtures/travel_sources.md``: read from public catalogues that print the
standard's tables, or remembered. Two things to know before relying on it:

- grade 5, useful travel over 800 up to 1000 mm: catalogues disagree, 34 against 35 µm; the stricter 34 is here;
- the row for one revolution, the limits of the transport grades 7 and 10 in a useful travel other than 300 mm,
  and the absence of other limits for them were not seen in the standard itself.
"""

from __future__ import annotations

from dataclasses import dataclass

from edgeagent.errors import ConfigError, TraceRangeError

GRADES = (0, 1, 3, 5, 7, 10)
"""Grades of ISO 3408-3 with values here: 0, 1, 3, 5 as positioning screws, 7 and 10 as transport screws."""

TRAVEL_300_UM = {0: 3.5, 1: 6.0, 3: 12.0, 5: 23.0, 7: 52.0, 10: 210.0}
"""v300p: permissible travel variation within any 300 mm."""

TRAVEL_TURN_UM = {0: 3.0, 1: 4.0, 3: 6.0, 5: 8.0}
"""v2pip: permissible travel variation within one revolution; from memory, not seen in the standard."""

DISPUTED_CELLS = {(5, 1000.0): (34.0, 35.0)}
"""(grade, useful travel up to): values that sources print for vup."""

TRANSPORT_FACTORS = {7: (1.0, 2.0), 10: (1.0, 2.0)}
"""Transport grades: e_p over useful travel / 300 mm times v300p. One public catalogue prints 1 (it is used: the
stricter one); 2 is remembered of the standard. Compare with your copy before a part is rejected by it."""

USEFUL_TRAVEL_MM = (
    315.0, 400.0, 500.0, 630.0, 800.0, 1000.0, 1250.0, 1600.0, 2000.0, 2500.0, 3150.0,
    4000.0, 5000.0, 6300.0, 8000.0, 10000.0, 12000.0,
)  # fmt: skip
"""Upper ends of the table's rows; a row begins above the end of the one before."""

_MEAN_UM: dict[int, tuple[float, ...]] = {
    0: (4, 5, 6, 6, 7, 8, 9, 11, 13, 15, 18),
    1: (6, 7, 8, 9, 10, 11, 13, 15, 18, 22, 26, 32, 39, 48),
    3: (12, 13, 15, 16, 18, 21, 24, 29, 35, 41, 50, 62, 76, 92),
    5: (23, 25, 27, 32, 36, 40, 47, 55, 65, 78, 96, 115, 140, 170, 210, 260, 320),
}

_VARIATION_UM: dict[int, tuple[float, ...]] = {
    0: (3.5, 3.5, 4, 4, 5, 6, 6, 7),
    1: (6, 6, 7, 7, 8, 9, 10, 11, 13, 15, 17, 21),
    3: (12, 12, 13, 14, 16, 17, 19, 22, 25, 29, 34, 41, 49),
    5: (23, 25, 26, 29, 31, 34, 39, 44, 51, 59, 69, 82, 99, 119, 130, 145, 180),
}

_COUNT_GRADES = (1, 3, 5, 7, 9)
_COUNTS_PER_300: dict[float, tuple[int | None, ...]] = {
    2.5: (30, 20, 10, 5, 5),
    5.0: (15, 10, 6, 3, 3),
    10.0: (10, 5, 3, 1, 1),
    16.0: (8, 5, 3, 1, 1),
    20.0: (5, 5, 3, 1, 1),
    25.0: (4, 4, 3, 1, 1),
    32.0: (3, 3, 2, 1, 1),
    40.0: (None, 2, 1, 1, 1),
}


@dataclass(frozen=True, slots=True, kw_only=True)
class TravelLimits:
    """Permissible values in µm; None where the grade has none.

    `mean_um` is ep, a band of both signs; `variation_um` vup over the useful travel, `variation_300_um` v300p,
    `variation_turn_um` v2pip.
    """

    mean_um: float
    variation_um: float | None
    variation_300_um: float
    variation_turn_um: float | None


def travel_limits(grade: int, useful_travel_mm: float) -> TravelLimits:
    """Permissible values of one grade for one useful travel.

    Parameters
    ----------
    grade : {0, 1, 3, 5, 7, 10}
        0 to 5 as positioning screws, 7 and 10 as transport screws, for which ep grows in proportion to the
        useful travel from v300p at 300 mm and there is no vup and no v2pip.
    useful_travel_mm : float
        Useful travel lu, above 0; the positioning grades end between 1600 and 12000 mm.

    Returns
    -------
    TravelLimits

    Raises
    ------
    ConfigError
        The grade is not one of those above.
    TraceRangeError
        The table has no value for this grade and useful travel; the message names grade, row and symbol.

    Notes
    -----
    ISO 3408-3; the sources of each cell are in ``fixtures/travel_sources.md``.
    """
    if grade not in GRADES:
        raise ConfigError(
            "recipe", "limit.grade", "ISO 3408-3 values are not known for this grade",
            value=grade, allowed=", ".join(map(str, GRADES)),
        )  # fmt: skip
    if not useful_travel_mm > 0.0:
        raise TraceRangeError(f"useful travel of {useful_travel_mm:.6g} mm is not above 0")
    if grade not in _MEAN_UM:
        mean_um = TRANSPORT_FACTORS[grade][0] * useful_travel_mm / 300.0 * TRAVEL_300_UM[grade]
        return TravelLimits(
            mean_um=mean_um, variation_um=None, variation_300_um=TRAVEL_300_UM[grade], variation_turn_um=None
        )
    return TravelLimits(
        mean_um=_cell(_MEAN_UM[grade], "ep", grade, useful_travel_mm),
        variation_um=_cell(_VARIATION_UM[grade], "vup", grade, useful_travel_mm),
        variation_300_um=TRAVEL_300_UM[grade],
        variation_turn_um=TRAVEL_TURN_UM[grade],
    )


def _cell(column: tuple[float, ...], symbol: str, grade: int, useful_travel_mm: float) -> float:
    # a useful travel worked out from samples may miss a row's end by rounding
    row = next((i for i, end in enumerate(USEFUL_TRAVEL_MM) if useful_travel_mm <= end + 1e-6), None)
    if row is None or row >= len(column):
        raise TraceRangeError(
            f"ISO 3408-3 gives no {symbol} for grade {grade} at a useful travel of {useful_travel_mm:.6g} mm; "
            f"its column ends at {USEFUL_TRAVEL_MM[len(column) - 1]:.0f} mm"
        )
    return float(column[row])


def measurements_per_300(lead_mm: float, grade: int | None) -> int:
    """Least number of measured points in 300 mm of travel.

    Parameters
    ----------
    lead_mm : float
        Lead; the row of the next smaller tabulated lead counts, which asks for more.
    grade : int or None
        Tolerance grade; the next finer tabulated one counts, None for the finest.

    Returns
    -------
    int

    Notes
    -----
    DIN 69051-3 / ISO 3408-3 as a public catalogue prints it, for leads of 2.5 to 40 mm and the grades 1, 3, 5,
    7 and 9. A lead below 2.5 mm is asked for what 2.5 mm is. The empty cell (lead 40, grade 1) takes the
    number of the lead above it.
    """
    column = max(
        (i for i, known in enumerate(_COUNT_GRADES) if grade is not None and known <= grade), default=0
    )
    rows = [counts for lead, counts in _COUNTS_PER_300.items() if lead <= max(lead_mm, 2.5) + 1e-9]
    return next(count for count in (row[column] for row in reversed(rows)) if count is not None)

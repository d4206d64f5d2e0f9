"""Recipe keys that say which part of a travel is useful."""

from __future__ import annotations

from typing import Annotated

import msgspec

NonNegative = Annotated[float, msgspec.Meta(ge=0)]


class UsefulTravel(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """From ``useful_start_mm`` to ``useful_end_mm`` of the trace, or all of it less ``excess_mm``."""

    useful_start_mm: float | None = None
    useful_end_mm: float | None = None
    excess_mm: NonNegative = 0.0

    def __post_init__(self) -> None:
        if (self.useful_start_mm is None) != (self.useful_end_mm is None):
            raise ValueError("useful_start_mm and useful_end_mm belong together")
        if self.useful_start_mm is not None and self.useful_end_mm is not None:
            if self.useful_end_mm <= self.useful_start_mm:
                raise ValueError("useful_end_mm must be above useful_start_mm")
            if self.excess_mm > 0.0:
                raise ValueError("excess_mm does not go with useful_start_mm and useful_end_mm")

    def bounds_mm(self, low: float, high: float) -> tuple[float, float]:
        """Both ends of the useful travel of a trace from ``low`` to ``high``, mm."""
        if self.useful_start_mm is None or self.useful_end_mm is None:
            return low + self.excess_mm, high - self.excess_mm
        return self.useful_start_mm, self.useful_end_mm

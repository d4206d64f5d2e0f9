"""Recipe keys of roughness, along a track or across a groove."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

Positive = Annotated[float, msgspec.Meta(gt=0)]


class RoughnessOptions(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Cut-offs (nesting indices, ISO 21920-2) and number of sections.

    Without ``lambda_s_mm`` no short-wave filter is applied; without ``section_count`` all whole sections count.
    ``rmr_c_um`` asks for Rmr(c): c above the mean line, or above the height whose material ratio is
    ``rmr_reference_percent`` (below it c is negative). ``rk_filter`` is the reference of the Rk family: the
    mean line of ISO 13565-1, which valleys do not pull down, or the Gaussian one of all other parameters.
    """

    lambda_c_mm: Positive
    lambda_s_mm: Positive | None = None
    section_count: Annotated[int, msgspec.Meta(ge=1)] | None = None
    rmr_c_um: float | None = None
    rmr_reference_percent: Annotated[float, msgspec.Meta(gt=0, lt=100)] | None = None
    rk_filter: Literal["two-step", "gaussian"] = "two-step"

    def __post_init__(self) -> None:
        if self.rmr_reference_percent is not None and self.rmr_c_um is None:
            raise ValueError("rmr_reference_percent needs rmr_c_um")

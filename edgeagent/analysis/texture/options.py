"""Recipe keys of roughness, along a track or across a groove."""

from __future__ import annotations

from typing import Annotated

import msgspec

Positive = Annotated[float, msgspec.Meta(gt=0)]


class RoughnessOptions(msgspec.Struct, frozen=True, forbid_unknown_fields=True, kw_only=True):
    """Cut-offs (nesting indices, ISO 21920-2) and number of sections.

    Without ``lambda_s_mm`` no short-wave filter is applied; without ``section_count`` all whole sections count.
    """

    lambda_c_mm: Positive
    lambda_s_mm: Positive | None = None
    section_count: Annotated[int, msgspec.Meta(ge=1)] | None = None

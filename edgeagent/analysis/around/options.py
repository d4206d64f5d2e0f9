"""Recipe keys of a spiral or circle measurement beyond feature, kind and limits."""

from __future__ import annotations

from typing import Annotated, Literal

import msgspec

from edgeagent.analysis.around.reference_circle import ReferenceCircle
from edgeagent.analysis.texture.options import RoughnessOptions

Upr = Annotated[int, msgspec.Meta(ge=1, le=100_000)]
Positive = Annotated[float, msgspec.Meta(gt=0)]


class SpiralOptions(msgspec.Struct, frozen=True, forbid_unknown_fields=True):
    """Recipe keys of a spiral or circle measurement.

    ``reference_circle`` is the one of roundness_total: least squares, minimum zone, minimum circumscribed or
    maximum inscribed (ISO 12181-1). Peak, valley and RMS are those about the least-squares circle.
    """

    upr: tuple[Upr, Upr] = (2, 500)
    bands: tuple[tuple[Upr, Upr], ...] = ()
    roughness: RoughnessOptions | None = None
    reference_circle: ReferenceCircle = "LSCI"
    turns: Literal["each", "mean"] = "each"
    turns_min: Annotated[float, msgspec.Meta(ge=1)] = 1.0
    turn_agreement_um: Positive = 0.05
    spike_factor: Annotated[float, msgspec.Meta(ge=4)] = 8.0
    flank: Literal["left", "right"] | None = None
    surface_angle_deg: Annotated[float, msgspec.Meta(ge=0, le=90)] | None = None
    velocity_bands_hz: tuple[tuple[Positive, Positive], ...] = ()

    def __post_init__(self) -> None:
        asked: list[tuple[str, tuple[float, float]]] = [("upr", self.upr), *(("bands", b) for b in self.bands)]
        for name, pair in [*asked, *(("velocity_bands_hz", b) for b in self.velocity_bands_hz)]:
            if pair[0] >= pair[1]:
                raise ValueError(f"{name} {list(pair)} must rise from low to high")

"""What is known of errors: contributions to a value's uncertainty, what instrument and part state, influences.

Units are the last word of each name.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

NOISE_ONLY = "noise of this trace only"
"""What a value's uncertainty is where the station states none of its instrument's."""


@dataclass(frozen=True, slots=True)
class Contribution:
    """One line of an uncertainty budget: a source, its standard uncertainty, and what it does to the value.

    ``unit`` is the source's; ``sensitivity`` is the value's change per unit of it.
    """

    source: str
    standard_uncertainty: float
    unit: str
    sensitivity: float
    degrees_of_freedom: float = math.inf

    @property
    def effect(self) -> float:
        """The contribution in the value's unit, without sign."""
        return abs(self.sensitivity) * self.standard_uncertainty


@dataclass(frozen=True, slots=True)
class InstrumentUncertainty:
    """What is known of an instrument's own errors, all standard uncertainties; None for what is not stated.

    ``gauge_scale`` and ``length_scale`` are relative. Degrees of freedom of None are infinite. ``waves`` holds
    (upr, relative standard uncertainty of the certificate, relative deviation found last), upr rising;
    ``spindle`` (upr, radial_nm, axial_nm), amplitudes of its error motion. ``hysteresis_um`` is the width of
    the gauge's gap, ``pickup_nm`` the amplitude of a pick-up of ``pickup_hz``; ``styli_x_mm`` and
    ``styli_z_mm`` are of the distance of two styli, ``straightness_um`` (RMS), ``squareness_deg`` and
    ``drift_um`` of the drive and of one traverse.
    """

    gauge_scale: float | None = None
    gauge_scale_dof: float | None = None
    length_scale: float | None = None
    length_scale_dof: float | None = None
    tip_radius_mm: float | None = None
    tip_radius_dof: float | None = None
    temperature_k: float | None = None
    temperature_dof: float | None = None
    waves: tuple[tuple[float, float, float], ...] = ()
    spindle: tuple[tuple[float, float, float], ...] = ()
    hysteresis_um: float | None = None
    styli_x_mm: float | None = None
    styli_z_mm: float | None = None
    straightness_um: float | None = None
    squareness_deg: float | None = None
    pickup_nm: float | None = None
    pickup_hz: float | None = None
    drift_um: float | None = None

    @property
    def stated(self) -> bool:
        """Whether anything is: degrees of freedom alone state nothing."""
        own = (f.name for f in fields(self) if not f.name.endswith(("_dof", "pickup_hz")))
        return any(getattr(self, name) not in (None, ()) for name in own)


@dataclass(frozen=True, slots=True)
class PartUncertainty:
    """What a recipe knows of its part's uncertainty; ``repeatability`` by characteristic, in its unit.

    ``band_rms[2-15]`` there is that of one instance, ``harmonic_amplitude[8-15]`` that of the harmonics of 8 to
    15 UPR; both go before the name alone.
    ``correct_temperature`` asks for values at 20 °C; without it they stay as the instrument gave them.
    """

    expansion_per_k: float | None = None
    expansion_uncertainty_per_k: float | None = None
    correct_temperature: bool = False
    repeatability: Mapping[str, float] = field(default_factory=dict)
    repeatability_dof: float | None = None

    def repeatability_of(self, name: str, instance: str = "") -> float | None:
        """What the study says of one value that is no harmonic; None where it says nothing."""
        own = self.repeatability.get(f"{name}[{instance}]")
        return self.repeatability.get(name) if own is None else own


def harmonic_band(name: str) -> tuple[int, int] | None:
    """First and last UPR of a ``harmonic_amplitude[8-15]``; None for any other name."""
    # Six digits at most: a name comes from a file, and a number of any length would be converted.
    band = re.fullmatch(r"harmonic_amplitude\[(\d{1,6})-(\d{1,6})\]", name)
    return (int(band[1]), int(band[2])) if band else None


@dataclass(frozen=True, slots=True)
class HarmonicInfluence:
    """What a source does to every harmonic: ``per_unit_nm``, shape (n,), 1 UPR first, per ``unit`` of it."""

    source: str
    standard_uncertainty: float
    unit: str
    per_unit_nm: FloatArray


@dataclass(frozen=True, slots=True)
class Influences:
    """What the instrument's errors do to the values of one trace, by name and instance.

    ``gauge_scale`` and ``length_scale`` hold a value's change per unit of relative error, ``tip_radius_mm``
    that per mm; a value that is not named is not known to change. ``uncorrected`` holds effects that are known
    and left in the value. The last two stand for harmonics, shape (n,), 1 UPR first: the change of an amplitude
    per mm of tip radius, and the amplitude's uncorrected effects together, in nm.
    ``stated`` holds what else the station states, as the kind found its effect on each value;
    ``harmonics_stated`` the same for harmonics, ``orders_stated_nm`` for waves between whole orders.
    """

    gauge_scale: Mapping[tuple[str, str], float] = field(default_factory=dict)
    length_scale: Mapping[tuple[str, str], float] = field(default_factory=dict)
    tip_radius_mm: Mapping[tuple[str, str], float] = field(default_factory=dict)
    uncorrected: Mapping[tuple[str, str], tuple[Contribution, ...]] = field(default_factory=dict)
    harmonics_per_tip_mm: FloatArray | None = None
    harmonics_uncorrected_nm: FloatArray | None = None
    stated: Mapping[tuple[str, str], tuple[Contribution, ...]] = field(default_factory=dict)
    harmonics_stated: tuple[HarmonicInfluence, ...] = ()
    orders_stated_nm: FloatArray | None = None

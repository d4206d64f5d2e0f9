"""Frozen values that all rooms of the house share. No behaviour beyond small derived properties.

Arrays inside are float64 and treated as read-only. Units are the last word of each name. UPR stands for
undulations per revolution.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edgeagent.model.reasons import Reason
from edgeagent.model.uncertainty import FloatArray, PartUncertainty

IntArray = NDArray[np.int64]

SIDE_TOP = 1.0
"""Code of the label ``top`` in an axial trace's ``side`` column."""
SIDE_BOTTOM = -1.0
"""Code of the label ``bottom`` in an axial trace's ``side`` column."""

COVERAGE_FACTOR = 2.0
"""k of every expanded uncertainty that a result carries."""


PLANE_OFFSET_MM = 0.05
"""Standard uncertainty of the measuring plane's distance from the axis where the station states none (our own
choice: what a stylus is set to over the crest of a shaft by hand)."""
PLANE_YAW_DEG = 0.02
"""The same of the angle between the measuring plane and the axis (our own choice)."""


class Verdict(StrEnum):
    """What is known of one value against its limits (ISO 14253-1 for the proofs)."""

    CONFORMING = "conforming"
    CAUTION = "caution"
    INCONCLUSIVE = "inconclusive"
    NONCONFORMING = "nonconforming"
    UNJUDGED = "unjudged"


class Disposition(StrEnum):
    """What is to be done with a file's part."""

    ACCEPT = "accept"
    REJECT = "reject"
    HOLD = "hold"


@dataclass(frozen=True, slots=True)
class DecisionPolicy:
    """How values become verdicts; `rules.decision` says what each rule does.

    ``rule`` is ``guarded``, ``simple`` or ``capped-risk``. ``conformance`` is the conformance probability that
    ``guarded`` asks for, ``risk`` the probability of a wrong verdict that ``capped-risk`` allows, ``family``
    the correction for many harmonics judged at once: ``none`` or ``sidak``.
    """

    rule: str = "guarded"
    conformance: float = 0.95
    risk: float = 0.05
    family: str = "none"

    @property
    def text(self) -> str:
        """The policy in one line: the rule's name and whatever is not the default."""
        words = [self.rule]
        if self.rule == "guarded" and self.conformance != 0.95:
            # repr, so that of() reads back the same double.
            words.append(f"conformance={self.conformance!r}")
        if self.rule == "capped-risk":
            words.append(f"risk={self.risk!r}")
        if self.family != "none":
            words.append(f"family={self.family}")
        return " ".join(words)

    @staticmethod
    def of(text: str) -> DecisionPolicy:
        """The policy from its line, as a record keeps it. Raises ValueError for anything else."""
        rule, *rest = text.split(" ")
        given = dict(word.partition("=")[::2] for word in rest)
        policy = DecisionPolicy(
            rule,
            float(given.pop("conformance", 0.95)),
            float(given.pop("risk", 0.05)),
            given.pop("family", "none"),
        )
        # A policy that is not understood must not judge: a misread rule would be another decision.
        if given or rule not in ("guarded", "simple", "capped-risk") or policy.family not in ("none", "sidak"):
            raise ValueError(f"not a decision policy: {text!r}")
        return policy


@dataclass(frozen=True, slots=True, kw_only=True)
class TraceHeader:
    """What a trace says of itself. Either ``part`` and ``serial`` are set or ``artefact``."""

    kind: str
    feature: str
    measured_at: datetime
    part: str | None = None
    serial: str | None = None
    artefact: str | None = None
    instrument: str | None = None
    operator: str | None = None
    order: str | None = None
    remark: str | None = None
    sensing: str = "normal"
    tip_radius_mm: float | None = None
    tip_corrected: bool = False
    track_diameter_mm: float | None = None
    spindle_rpm: float | None = None
    temperature_c: float | None = None
    lead_mm: float | None = None
    extra: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class Trace:
    """Sampled values of one file, with their header.

    ``columns`` maps a column's name (unit included) to float64 of one common length; a missing sample is
    NaN. The label column ``side`` holds SIDE_TOP and SIDE_BOTTOM. Which columns a kind needs is said by its
    module in ``analysis.kinds``.
    """

    header: TraceHeader
    columns: Mapping[str, FloatArray]

    @property
    def points(self) -> int:
        """Number of samples as recorded, missing ones included."""
        return len(next(iter(self.columns.values()), ()))


@dataclass(frozen=True, slots=True)
class QualityCheck:
    """One reason to trust or not to trust a trace: what was found, what is allowed, one sentence.

    ``value`` and ``allowed`` are None where the check has no number. ``ok`` False forbids acceptance.
    """

    check: str
    ok: bool
    value: float | None
    allowed: float | None
    unit: str
    note: str


@dataclass(frozen=True, slots=True)
class Quantity:
    """A measured value before it is judged.

    ``value`` is None where it could not be computed (a quality check then says why).
    ``standard_uncertainty`` is in ``unit``; None where one trace does not yield it, infinite where a
    required contribution is unknown: the verdict is then inconclusive.
    ``degrees_of_freedom`` are those of that uncertainty: infinite where it comes from very many samples.
    ``among`` is the number of values of which this is the largest: chance alone makes that one large.
    """

    name: str
    value: float | None
    unit: str
    instance: str = ""
    standard_uncertainty: float | None = None
    degrees_of_freedom: float = math.inf
    among: int = 1


@dataclass(frozen=True, slots=True)
class Spectrum:
    """Harmonics of one revolution, normal to the surface; all arrays of shape (n,), upr from 1 to n.

    Waves between whole orders come in the same form, with their own ``upr`` in any order.

    Component k is ``amplitude_nm[k-1] * cos(k * angle + phase)``; ``noise_nm`` is the standard
    uncertainty of the amplitude.
    """

    upr: NDArray[Any]
    amplitude_nm: FloatArray
    phase_deg: FloatArray
    noise_nm: FloatArray


@dataclass(frozen=True, slots=True)
class Analysis:
    """All that the numbers say about one trace; nothing of it is judged.

    ``orders`` are the significant waves that do not close in one turn, None where they cannot be estimated.
    ``details`` holds what a report draws (JSON values only: lists, numbers, strings, mappings).
    """

    quality: tuple[QualityCheck, ...]
    quantities: tuple[Quantity, ...]
    spectrum: Spectrum | None = None
    orders: Spectrum | None = None
    turns: float | None = None
    details: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Thread:
    """Nominal geometry of a ball-screw thread (terms of ISO 3408-1).

    ``member`` is ``shaft`` or ``nut``; ``hand`` is ``right`` or ``left``. ``track_conformity`` is flank
    radius over ball diameter.
    """

    member: str
    hand: str
    starts: int
    lead_mm: float
    ball_diameter_mm: float
    ball_pitch_circle_mm: float
    contact_angle_deg: float
    track_conformity: float

    @property
    def pitch_mm(self) -> float:
        """Axial distance of neighbouring grooves."""
        return self.lead_mm / self.starts

    @property
    def lead_angle_rad(self) -> float:
        """Lead angle at the ball pitch circle."""
        # The lead, not the pitch: with several starts each helix rises by the whole lead in a turn.
        return float(np.arctan2(self.lead_mm, np.pi * self.ball_pitch_circle_mm))

    @property
    def contact_diameter_mm(self) -> float:
        """Diameter at which the ball touches the track: inside the ball circle on a shaft, outside in a nut."""
        inward = -1.0 if self.member == "shaft" else 1.0
        return self.ball_pitch_circle_mm + inward * self.ball_diameter_mm * float(
            np.cos(np.radians(self.contact_angle_deg))
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class RoundSurface:
    """The surface of a reference artefact that is no thread: outside or inside, at an angle to the radius.

    ``diameter_mm`` is that at which the stylus runs, None where only a trace may say it. ``turned`` is False
    for readings in which the contact does not turn, since the instrument took that out.
    """

    diameter_mm: float | None = None
    inside: bool = False
    surface_angle_deg: float = 0.0
    turned: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class ScalarLimit:
    """Limits of one characteristic; ``instance`` None means every instance of it.

    ``caution`` is the share of the limit (of half the tolerance where both are given) from which on a
    conforming value is cautioned; None for no caution zone.
    """

    characteristic: str
    instance: str | None = None
    lower: float | None = None
    upper: float | None = None
    caution: float | None = None


@dataclass(frozen=True, slots=True)
class CurveLimit:
    """Upper limit of the amplitude over UPR, already expressed as amplitude in nm.

    Straight lines in log-log between ``upr`` (rising, shape (n,)) and ``upper_nm``; ``caution_nm`` has the
    same shape or is None. Outside ``upr`` nothing is judged.
    """

    upr: FloatArray
    upper_nm: FloatArray
    caution_nm: FloatArray | None


@dataclass(frozen=True, slots=True)
class MeasurementPlan:
    """One ``[[measurement]]`` of a recipe.

    ``options`` is the kind's own frozen options object; ``grade`` asks the kind for a standard's limits.
    ``setup`` holds what the trace's header must say of its set-up, by header key.
    """

    feature: str
    kind: str
    options: Any
    scalar_limits: tuple[ScalarLimit, ...] = ()
    curve_limits: tuple[CurveLimit, ...] = ()
    grade: int | None = None
    setup: Mapping[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Running:
    """How the part runs in its drive and how it was ground; every value may be unknown.

    ``speed_rpm`` is the lowest and the highest speed, twice the same for one speed. ``ball_count`` is the
    number of balls in one turn of the track, which need not be whole; None stands for balls that touch.
    ``resonances_hz`` holds centre and full width of each declared resonance. ``wheel_rpm`` and ``work_rpm``
    are the speeds of grinding wheel and part while the track was ground.
    """

    speed_rpm: tuple[float, float] | None = None
    ball_count: float | None = None
    resonances_hz: tuple[tuple[float, float], ...] = ()
    wheel_rpm: float | None = None
    work_rpm: float | None = None


@dataclass(frozen=True, slots=True)
class Recipe:
    """What is asked of one part number.

    ``speed_rpm`` is the highest running speed; ``running`` is None where the recipe says nothing of running.
    ``approved_by`` and ``approved_for`` (the reason) are empty where the recipe does not say.
    """

    part: str
    revision: str
    thread: Thread | None
    speed_rpm: float | None
    measurements: tuple[MeasurementPlan, ...]
    running: Running | None = None
    uncertainty: PartUncertainty | None = None
    approved_by: str = ""
    approved_for: str = ""

    def plan(self, feature: str) -> MeasurementPlan | None:
        """The measurement of this feature, or None."""
        return next((m for m in self.measurements if m.feature == feature), None)


@dataclass(frozen=True, slots=True)
class Characteristic:
    """A value with its limits and what is known of it against them.

    ``conformance_probability`` is that of the true value lying within the limits (JCGM 106); None where there
    is no limit, no value or no known uncertainty. ``noise_only``: the uncertainty is the noise of the trace,
    which is no uncertainty of measurement as ISO 14253-1 means it.
    """

    name: str
    instance: str
    value: float | None
    unit: str
    expanded_uncertainty: float | None
    lower: float | None
    upper: float | None
    caution: float | None
    verdict: Verdict
    caution_lower: float | None = None
    conformance_probability: float | None = None
    noise_only: bool = False


@dataclass(frozen=True, slots=True)
class JudgedSpectrum:
    """A spectrum with its limit curves; NaN in a limit array where nothing is judged.

    ``uncertainty_nm`` is the standard uncertainty that the verdicts were found with where a budget adds to the
    noise; None where the noise alone counts. ``named`` are the indices of the worst harmonic and of all others
    that are not conforming, the worst first.
    """

    spectrum: Spectrum
    upper_nm: FloatArray
    caution_nm: FloatArray
    verdicts: tuple[Verdict, ...]
    uncertainty_nm: FloatArray | None = None
    named: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Judgement:
    """The decision on one file, before it is written down."""

    characteristics: tuple[Characteristic, ...]
    spectrum: JudgedSpectrum | None
    disposition: Disposition
    reasons: tuple[Reason, ...]
    orders: JudgedSpectrum | None = None

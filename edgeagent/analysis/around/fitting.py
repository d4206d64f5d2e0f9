"""From a trace's columns to its harmonics: samples that count, order of the model, spikes left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from edgeagent.analysis.around import quality
from edgeagent.analysis.around.options import SpiralOptions
from edgeagent.analysis.track.eccentric import EccentricContact
from edgeagent.analysis.track.sensing import unwrapped_deg
from edgeagent.analysis.waves.harmonics import HarmonicFit, fit_harmonics, turns_of
from edgeagent.errors import FitNotConvergedError, TraceShapeError
from edgeagent.model import FloatArray, QualityCheck, Trace

_SPIKE_ROUNDS = 8
_SAMPLES_MIN = 16
"""Fewer samples are no trace: checks of runs and steps would divide by nothing."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Finite samples of a trace in radians and µm, with what was dropped."""

    angle_rad: FloatArray
    deviation_um: FloatArray
    dropped: int
    points: int

    @property
    def points_per_turn(self) -> float:
        """Samples per turn; 0 for fewer than two samples."""
        turns = turns_of(self.angle_rad)
        return len(self.angle_rad) / turns if turns > 0 else 0.0


def clean(trace: Trace) -> Samples:
    """Angles in rad, counted over all turns, and deviations in µm without the samples that are missing."""
    angle, deviation = unwrapped_deg(trace.columns["angle_deg"]), trace.columns["deviation_um"]
    finite = np.isfinite(angle) & np.isfinite(deviation)
    kept = int(np.count_nonzero(finite))
    if kept < len(angle):
        angle, deviation = angle[finite], deviation[finite]
    return Samples(np.radians(angle), deviation, trace.points - kept, trace.points)


def run_checks(samples: Samples) -> tuple[QualityCheck, ...]:
    """Runs of one reading: a gauge at its stop, and one that sticks. Empty for fewer than 16 samples."""
    if len(samples.deviation_um) < _SAMPLES_MIN:
        return ()
    values, lengths = quality.run_lengths(samples.deviation_um)
    return (
        quality.gauge_saturation(values, lengths),
        quality.frozen_reading(lengths, samples.points_per_turn),
    )


def without_stuck(samples: Samples, checks: Sequence[QualityCheck]) -> Samples:
    """The samples without long runs of one reading, by the ``checks`` of ``run_checks``.

    A gauge at its stop says nothing of the surface.
    """
    bounds = [c.allowed for c in checks if not c.ok and c.allowed is not None]
    if not bounds:
        return samples
    kept = ~quality.stuck_samples(samples.deviation_um, min(bounds))
    return Samples(samples.angle_rad[kept], samples.deviation_um[kept], samples.dropped, samples.points)


@dataclass(frozen=True, slots=True)
class TraceFit:
    """The fit of a trace: ``residual_um`` of all samples, shape (n,), its robust scatter, and which samples the
    fit left out as dust."""

    fit: HarmonicFit
    residual_um: FloatArray
    scatter_um: float
    left_out: NDArray[np.bool_]


def fit_trace(
    samples: Samples, options: SpiralOptions, *, spiral: bool, contact: EccentricContact | None
) -> TraceFit:
    """Fit harmonics far enough above the recipe's band that the Gaussian filter's skirt is in the model.

    At three times the cut-off the filter passes 0.2 %; the model ends there or where the sampling ends.
    Samples far off a first fit are left out of a second one, so that a speck of dust moves no harmonic; the
    residual that comes with the fit has all samples. ``contact`` is how an eccentric part turns the contact.
    Raises TraceShapeError (less than one turn, too few points) or FitNotConvergedError.
    """
    per_turn = samples.points_per_turn
    carried = int((per_turn - 1) / 2)
    comfortable = max(int(0.4 * per_turn), 1)
    needed = max(min(options.upr[1], carried), 1)
    wanted = max(min(3 * options.upr[1], comfortable), needed)
    try:
        return _fit_without_spikes(samples, wanted, options.spike_factor, spiral, contact)
    except FitNotConvergedError:
        if wanted == needed:
            raise
        return _fit_without_spikes(samples, needed, options.spike_factor, spiral, contact)


def _fit_without_spikes(
    samples: Samples, upr_max: int, factor: float, spiral: bool, contact: EccentricContact | None
) -> TraceFit:
    """Fit, leave out what lies far off, fit again, until nothing more does.

    A spike rings in the residual around its place and in the other turns, so that only samples of at least
    0.4 of the largest residual go at a time. More than 2 % of far samples are no spikes, and a fit without
    them that the gap makes uncertain is not taken.
    """
    angle, deviation = samples.angle_rad, samples.deviation_um
    fit = fit_harmonics(angle, deviation, upr_max=upr_max, alignment=spiral, contact=contact)
    residual = fit.residual_um
    kept = np.ones(len(angle), dtype=bool)
    for _ in range(_SPIKE_ROUNDS):
        size = np.abs(residual)
        scatter = quality.robust_scatter_um(size)
        bound = max(factor * scatter, 0.4 * float(size[kept].max()))
        far = kept & (size > bound)
        if not np.any(far) or np.count_nonzero(~kept | far) > 0.02 * len(kept):
            break
        kept &= ~far
        try:
            fit = fit_harmonics(
                angle[kept], deviation[kept], upr_max=upr_max, alignment=spiral, contact=contact
            )
        except (FitNotConvergedError, TraceShapeError):
            break  # they leave a gap, or less than a turn where its first or last sample is one of them
        residual = fit.residual_at(angle, deviation)
    else:
        scatter = quality.robust_scatter_um(residual)
    return TraceFit(fit, residual, scatter, ~kept)

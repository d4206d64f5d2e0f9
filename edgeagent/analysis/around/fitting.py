"""From a trace's columns to its harmonics: samples that count, order of the model, spikes left out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from edgeagent.analysis.around import quality
from edgeagent.analysis.around.local_form import local_form
from edgeagent.analysis.around.options import SpiralOptions
from edgeagent.analysis.track.eccentric import EccentricContact
from edgeagent.analysis.track.sensing import unwrapped_deg
from edgeagent.analysis.waves.harmonics import HarmonicFit, fit_harmonics, turns_of
from edgeagent.errors import FitNotConvergedError, TraceShapeError
from edgeagent.model import FloatArray, QualityCheck, Trace

# Each round is a fit; dust that takes more fails its check in any case.
_SPIKE_ROUNDS = 8
_TURNS_OF_FORM = 1.9
"""With hardly more than one turn a dent is in the profile itself; turns of a circle go over one surface."""
_FORMS_MAX = 4
"""Runs of single turns that are looked for: chatter that comes and goes has many, and each costs a fit."""
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
    """The fit of a trace: harmonics of its mean surface and what they leave.

    ``residual_um`` of all samples, shape (n,), is about the mean surface; ``left_out`` says which samples were
    left out as dust. ``unexplained_um`` is the residual without the local forms of single turns, ``scatter_um``
    its robust scatter.
    """

    fit: HarmonicFit
    residual_um: FloatArray
    unexplained_um: FloatArray
    scatter_um: float
    left_out: NDArray[np.bool_]

    @property
    def differing_um(self) -> float:
        """RMS between the turns of what single turns have for themselves, as of a sample of turns."""
        turns = self.fit.turns
        if turns < 2 or self.unexplained_um is self.residual_um:
            return 0.0
        own = np.where(self.left_out, 0.0, self.residual_um - self.unexplained_um)
        # T/(T - 1): the mean surface has taken a T-th of each turn's own form.
        return float(np.sqrt(np.mean(own**2) * turns / (turns - 1)))


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
    # As many harmonics as samples of a turn can carry at all.
    carried = int((per_turn - 1) / 2)
    # Nearer to half the samples a jittered step makes the harmonics hard to separate.
    comfortable = max(int(0.4 * per_turn), 1)
    needed = max(min(options.upr[1], carried), 1)
    wanted = max(min(3 * options.upr[1], comfortable), needed)
    try:
        return _fit_without_spikes(samples, wanted, options, spiral, contact)
    except FitNotConvergedError:
        if wanted == needed:
            raise
        return _fit_without_spikes(samples, needed, options, spiral, contact)


def _fit_without_spikes(
    samples: Samples, upr_max: int, options: SpiralOptions, spiral: bool, contact: EccentricContact | None
) -> TraceFit:
    """Fit, leave out what lies far off, fit again, until nothing more does.

    What stands off as one smooth run is form of that turn (`local_form`): it is given back to the mean surface.
    Else it is dust. A spike rings in the residual around its place and in the other turns, so that only samples
    of at least 0.4 of the largest residual go at a time. More than 2 % of far samples are no spikes, and a fit
    without them that the gap makes uncertain is not taken.
    """
    angle, deviation, factor = samples.angle_rad, samples.deviation_um, options.spike_factor
    fit = fit_harmonics(angle, deviation, upr_max=upr_max, alignment=spiral, contact=contact)
    residual = fit.residual_um
    kept = np.ones(len(angle), dtype=bool)
    form, forms = np.zeros(len(angle), dtype=bool), 0
    for _ in range(_SPIKE_ROUNDS):
        size = np.abs(residual)
        scatter = quality.robust_scatter_um(size)
        run = None
        if spiral and fit.turns > _TURNS_OF_FORM and forms < _FORMS_MAX:
            run = local_form(
                residual,
                kept,
                form,
                scatter,
                factor,
                points_per_turn=samples.points_per_turn,
                upr=options.upr[1],
                turns=fit.turns,
            )
        tried = kept.copy()
        if run is not None:
            tried[run] = False
        else:
            bound = max(factor * scatter, 0.4 * float(size[kept].max()))
            far = kept & (size > bound)
            if not np.any(far) or np.count_nonzero(~kept & ~form | far) > 0.02 * len(kept):
                break
            tried &= ~far
        try:
            fit = fit_harmonics(
                angle[tried], deviation[tried], upr_max=upr_max, alignment=spiral, contact=contact
            )
        except (FitNotConvergedError, TraceShapeError):
            if run is None:
                kept = tried
            break  # they leave a gap, or less than a turn where its first or last sample is one of them
        kept = tried
        if run is not None:
            form[run] = True
            forms += 1
        residual = fit.residual_at(angle, deviation)
    else:
        scatter = quality.robust_scatter_um(residual)
    if not np.any(form):
        return TraceFit(fit, residual, residual, scatter, ~kept)
    unexplained = np.where(form, 0.0, residual)
    dust = ~kept & ~form
    added = fit.mean_of_form(angle[~dust], np.where(form, residual, 0.0)[~dust])
    mean = replace(fit, coefficient=fit.coefficient + added, centred=fit.centred + added)
    return TraceFit(mean, residual - fit.profile_at(angle, added), unexplained, scatter, dust)

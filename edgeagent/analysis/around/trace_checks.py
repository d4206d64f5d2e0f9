"""Which checks a spiral or circle trace meets, before its harmonics are fitted and after."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from edgeagent.analysis.around import quality
from edgeagent.analysis.around.fitting import Samples, TraceFit
from edgeagent.analysis.around.options import SpiralOptions
from edgeagent.analysis.kinds import Request
from edgeagent.analysis.waves.harmonics import HarmonicFit, turns_of
from edgeagent.analysis.waves.noise import CLOSURE_DRIFT
from edgeagent.model import QualityCheck, Spectrum


def checks_before_fit(
    samples: Samples, options: SpiralOptions, judged_upr: float, runs: Sequence[QualityCheck]
) -> list[QualityCheck]:
    """Samples, turns, steps and readings: what can be said of a trace before anything is computed.

    ``runs`` are the checks of `fitting.run_checks`.
    """
    checks = [quality.missing_samples(samples.dropped, samples.points)]
    # Steps and runs of fewer samples say nothing, and would divide by nothing.
    if len(samples.angle_rad) < 16:
        return checks
    step = np.diff(samples.angle_rad)
    per_turn = samples.points_per_turn
    return [
        *checks,
        quality.monotonic_angle(step),
        quality.whole_turns(turns_of(samples.angle_rad), per_turn, options.turns_min),
        quality.points_per_undulation(per_turn, judged_upr),
        *quality.regular_spacing(step, judged_upr),
        quality.plausible_range(samples.deviation_um),
        *runs,
    ]


def drift_in_one_turn(fit: HarmonicFit, factor: float) -> list[QualityCheck]:
    """What a single turn shows of a drift during the measurement; nothing for traces that compare turns.

    Never fails: it says what the stated uncertainties contain. Within a spiral's turn a drift looks like a lead
    error; a closed profile shows what it does not close by, and no drift that comes back by its end.
    """
    if fit.noise_from != "residual":
        return []
    note = "one turn: drift looks like the profile; what lies between the waves is counted for it"
    if fit.closure_um is None or fit.closure_uncertainty_um is None:
        return [QualityCheck("drift_in_one_turn", True, None, None, "um", note)]
    jump, u = factor * abs(fit.closure_um), factor * fit.closure_uncertainty_um
    if jump > CLOSURE_DRIFT * u:
        note = f"one turn: it does not close by {1000 * jump:.3g} nm, counted in the uncertainties as drift"
    else:
        within = 1000 * CLOSURE_DRIFT * u
        note = f"one turn: it closes within {within:.3g} nm; what lies between the waves is counted for drift"
    return [QualityCheck("drift_in_one_turn", True, jump, None, "um", note)]


_CIRCLES = {
    "MZCI": "minimum zone circles",
    "MCCI": "minimum circumscribed circle",
    "MICI": "maximum inscribed circle",
}


def reference_of(options: SpiralOptions) -> list[QualityCheck]:
    """Which circle the recipe asks for, where that is not the least-squares circle. Never fails."""
    circle = _CIRCLES.get(options.reference_circle)
    if circle is None:
        return []
    note = f"roundness_total is about the {circle}; peak, valley and RMS are about the least-squares circle"
    return [QualityCheck("reference_circle", True, None, None, "", note)]


def contact_point(fit: HarmonicFit) -> list[QualityCheck]:
    """What an eccentric part does to the place that the stylus touches, and whether that is taken out."""
    contact, motion = fit.contact, fit.motion
    if contact is None:
        return []
    if motion is None:
        note = "the part's axis lies off by more than a tenth of the track's radius: clamp it anew"
        return [QualityCheck("contact_point", False, None, None, "um", note)]
    off = abs(motion.offset_um)
    turned_mrad = 1000 * off / contact.radius_um
    note = f"the part's axis lies {off:.3g} um off, which turns the contact by up to {turned_mrad:.2g} mrad: "
    if not contact.taken_out:
        note += "not removed without the recipe's thread, but in the uncertainties"
    elif contact.axial_unknown:
        note += "removed along the radius; no flank is named, its part along the axis is in the uncertainties"
    else:
        note += "removed"
    return [QualityCheck("contact_point", True, off, None, "um", note)]


def checks_after_fit(
    found: TraceFit,
    factor: float,
    options: SpiralOptions,
    spectrum: Spectrum,
    request: Request,
    length_mm: float | None,
    tip_radius_mm: float | None,
    ron_q_um: float,
) -> list[QualityCheck]:
    """Whether the turns agree and the tip reaches every valley; ``length_mm`` is one turn of the track."""
    fit = found.fit
    repeats = fit.noise_from == "between harmonics"
    variance = fit.differing_um[2:] ** 2
    band = variance[: options.upr[1] - 1]
    # What lies at the level of most orders is noise that is in all of them alike.
    uneven = max(float(np.sum(band) - len(band) * np.median(variance)), 0.0) if len(band) else 0.0
    # Where all limits are on values that each turn has, what a turn has for itself is judged there.
    own = 0.0 if request.limits_by_turn else found.differing_um
    # Waves between whole orders are in no mean over the turns: without a curve at their order, or turns that
    # show them, nothing but this check judges them.
    alone = request.judged_upr is None and not request.turns_judged
    unclosed = sum(
        wave.amplitude_um**2 / 2
        for wave in fit.orders
        if alone and not any(low <= wave.upr <= high for low, high in request.curves_upr)
    )
    # The mean's variance times the number of turns is that of a single one.
    differing = factor * float(np.hypot(np.sqrt(fit.turns * uneven + unclosed), own)) if repeats else None
    judged = (spectrum.upr >= 2) & (spectrum.upr <= (request.judged_upr or options.upr[1]))
    return [
        quality.turn_agreement(differing, ron_q_um, options.turn_agreement_um),
        quality.tip_reach(
            spectrum.amplitude_nm[judged] / 1000,
            spectrum.upr[judged].astype(np.float64),
            length_mm,
            tip_radius_mm,
        ),
    ]

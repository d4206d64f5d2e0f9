"""A reference artefact's trace against its certificate: amplitude errors, E_n numbers, spurious waves.

E_n = (measured - certified) / sqrt(U_measured² + U_certified²), both expanded with k = 2 (ISO/IEC 17043).
Nothing here depends on phase, so it does not matter how the artefact was put on.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from edgeagent.errors import TraceRangeError
from edgeagent.model import COVERAGE_FACTOR, QualityCheck, Quantity, Spectrum

CHARACTERISTICS = {
    "amplitude_error": "nm",
    "en_number": "1",
    "spurious_amplitude": "nm",
    "side_band_amplitude": "nm",
    "residual_noise": "nm",
}


def compare_waves(
    spectrum: Spectrum,
    waves: Sequence[tuple[int, float, float]],
    upr_max: int,
    *,
    others_upr: Sequence[int] = (),
    side_band_upr: int = 0,
    orders: Spectrum | None = None,
) -> tuple[Quantity, ...]:
    """Errors of the certified waves and the largest wave that the certificate does not name.

    ``waves`` holds (upr, amplitude_nm, expanded_uncertainty_nm). ``upr_max`` ends the judged range, which
    begins at 2 UPR. ``others_upr`` are certified waves of other traces of the artefact: not compared here,
    and not spurious either. ``side_band_upr`` above 0 tells what lies so near to a certified wave (a
    turntable that wobbles or a wave that is not quite periodic) from what lies far off: then
    ``spurious_amplitude`` is the largest far one and ``side_band_amplitude`` the largest near one.
    ``orders`` are the waves between whole orders: no certificate names them, so that all are such waves, too.

    Raises TraceRangeError when a certified wave lies above the spectrum.
    """
    found: list[Quantity] = []
    certified = {upr for upr, _, _ in waves} | set(others_upr)
    for upr, amplitude_nm, expanded_nm in waves:
        if upr > len(spectrum.upr):
            raise TraceRangeError(
                f"the certified wave of {upr} UPR lies above the trace's range of {len(spectrum.upr)} UPR"
            )
        measured = float(spectrum.amplitude_nm[upr - 1])
        u_trace = float(spectrum.noise_nm[upr - 1])
        u = float(np.hypot(u_trace, expanded_nm / COVERAGE_FACTOR))
        error = measured - amplitude_nm
        found.append(Quantity("amplitude_error", error, "nm", str(upr), u))
        found.append(Quantity("en_number", error / (COVERAGE_FACTOR * u), "1", str(upr)))
    count = min(upr_max, len(spectrum.upr))
    others: list[tuple[float, float, float]] = [
        (n, float(spectrum.amplitude_nm[n - 1]), float(spectrum.noise_nm[n - 1]))
        for n in range(2, count + 1)
        if n not in certified
    ]
    if orders is not None:
        between = zip(orders.upr.tolist(), orders.amplitude_nm.tolist(), orders.noise_nm.tolist(), strict=True)
        others += [wave for wave in between if wave[0] <= upr_max]
    near = [wave for wave in others if any(abs(wave[0] - upr) <= side_band_upr for upr in certified)]
    for name, among in (
        ("spurious_amplitude", [wave for wave in others if wave not in near]),
        ("side_band_amplitude", near),
    ):
        if among:
            order, value, noise = max(among, key=lambda wave: wave[1])
            instance = str(int(order)) if order == int(order) else f"{order:.2f}"
            # The largest of many is large by chance: it rejects as one of them all.
            found.append(Quantity(name, value, "nm", instance, noise, among=len(among)))
    return tuple(found)


def residual_noise(spectrum: Spectrum, upr_max: int) -> Quantity:
    """The largest noise of a harmonic from 2 UPR to ``upr_max``; that of every UPR stands in the spectrum.

    Both the spectrum and ``upr_max`` reach 2 UPR or more.
    """
    noise = spectrum.noise_nm[1:upr_max]
    worst = int(np.argmax(noise)) + 2
    return Quantity("residual_noise", float(noise[worst - 2]), "nm", str(worst))


def trace_uncertainty(
    spectrum: Spectrum, waves: Sequence[tuple[int, float, float]], ratio_max: float
) -> QualityCheck:
    """Whether the trace knows each certified wave well enough to judge the instrument by it.

    The E_n number has the trace's own uncertainty in its denominator, so that a trace which is noisy enough
    agrees with any certificate. ``waves`` holds (upr, amplitude_nm, expanded_uncertainty_nm), one or more, none
    above the spectrum; the trace's expanded uncertainty (k = 2) of each wave may be at most ``ratio_max`` times
    the certificate's. An uncertainty that is not finite fails. Derived here.
    """
    found = []
    for upr, _, expanded_nm in waves:
        own_nm = COVERAGE_FACTOR * float(spectrum.noise_nm[upr - 1])
        ratio = own_nm / expanded_nm
        found.append((ratio if math.isfinite(ratio) else math.inf, upr, own_nm, expanded_nm))
    failing = sorted((each for each in found if each[0] > ratio_max), reverse=True)
    worst = max(found)[0]
    note = "the trace knows every certified wave well enough to judge the instrument by it"
    if failing:
        waves_told = [_state_knowledge(*each) for each in failing[:_TOLD_MAX]]
        more = [f"{len(failing) - _TOLD_MAX} waves more"] if len(failing) > _TOLD_MAX else []
        note = f"too noisy to tell whether the instrument is right: {', '.join([*waves_told, *more])}"
    value = worst if math.isfinite(worst) else None
    return QualityCheck("trace_uncertainty", not failing, value, ratio_max, "1", note)


_TOLD_MAX = 3


def _state_knowledge(ratio: float, upr: int, own_nm: float, expanded_nm: float) -> str:
    if not math.isfinite(ratio):
        return f"the wave of {upr} UPR without a known uncertainty"
    return (
        f"the wave of {upr} UPR is known to ±{own_nm:.3g} nm, {ratio:.2g} times the certificate's "
        f"±{expanded_nm:.3g} nm"
    )

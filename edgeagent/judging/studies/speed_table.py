"""What the judged harmonics of a trace do at the recipe's running speed."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from edgeagent.analysis.around import at_speed
from edgeagent.analysis.around.peaks import explain_peaks
from edgeagent.errors import AgentError
from edgeagent.judging.evaluation.evaluate import Evaluation
from edgeagent.judging.studies.evaluated_file import spectrum_of, thread_and_running
from edgeagent.model import FloatArray, JudgedSpectrum, Running, Thread

PASSING = ("turning_hz", "ball_set_hz", "shaft_spot_hz", "nut_spot_hz", "ball_spot_hz")
"""Names of the pass frequencies."""


@dataclass(frozen=True, slots=True)
class HarmonicAtSpeed:
    """One harmonic: the band of frequencies in which it moves a ball, how fast, and what it meets.

    ``axial_share`` and ``radial_share`` are what is left along and across the axis when all balls of a turn
    follow the wave at once.
    """

    upr: float
    amplitude_nm: float
    low_hz: float
    high_hz: float
    velocity_um_s: float
    resonances_hz: tuple[float, ...]
    axial_share: float
    radial_share: float


@dataclass(frozen=True, slots=True)
class OrderAtSpeed(HarmonicAtSpeed):
    """A wave between whole orders at speed, with its standard uncertainty and its limit, None where there is
    none."""

    noise_nm: float
    upper_nm: float | None


@dataclass(frozen=True, slots=True)
class SpeedTable:
    """Judged harmonics at the lowest and highest speed of a recipe.

    ``orders`` are the significant waves between whole orders, strongest first; None where the trace is too
    short to separate them.

    ``pass_hz`` holds each pass frequency at these speeds; ``balls_touch`` says that the number of balls was not
    stated and is that of touching balls.
    """

    thread: Thread
    speed_rpm: tuple[float, ...]
    ball_count: float
    balls_touch: bool
    gamma: float
    pass_hz: dict[str, tuple[float, ...]]
    harmonics: tuple[HarmonicAtSpeed, ...]
    orders: tuple[OrderAtSpeed, ...] | None
    peaks: tuple[str, ...]


def speed_table(file: Evaluation) -> SpeedTable:
    """The judged harmonics of one file at speed; without a limit curve all of 2 UPR and above.

    Raises AgentError where the recipe has no thread or speed, or the file no spectrum.
    """
    thread, running = thread_and_running(file)
    if running is None or running.speed_rpm is None:
        raise AgentError(f"the recipe of {file.trace.header.part} says no speed_rpm in [running]")
    spectrum, judged = spectrum_of(file), file.judgement.spectrum
    limited = np.isfinite(judged.upper_nm) if judged is not None else np.zeros(len(spectrum.upr), bool)
    # 1 UPR is the eccentricity of the set-up.
    chosen = spectrum.upr[limited if np.any(limited) else spectrum.upr >= 2]
    balls = running.ball_count or at_speed.touching_balls(thread)
    harmonics = _moving(chosen.tolist(), spectrum.amplitude_nm[chosen - 1], thread, running, balls)
    ratios = at_speed.thread_kinematics(thread)
    passing = [at_speed.pass_frequencies(ratios, rpm, balls) for rpm in running.speed_rpm]
    return SpeedTable(
        thread=thread,
        speed_rpm=tuple(running.speed_rpm),
        ball_count=balls,
        balls_touch=running.ball_count is None,
        gamma=ratios.gamma,
        pass_hz={name: tuple(getattr(p, name) for p in passing) for name in PASSING},
        harmonics=tuple(HarmonicAtSpeed(**each) for each in harmonics),
        orders=_orders(file.judgement.orders, thread, running, balls),
        peaks=tuple(explain_peaks(spectrum, running, thread)),
    )


def _moving(
    upr: Sequence[float], amplitude_nm: FloatArray, thread: Thread, running: Running, balls: float
) -> list[dict[str, Any]]:
    """The members of HarmonicAtSpeed of waves of any order."""
    along, across = at_speed.ball_set_response(np.array(upr, dtype=np.float64), balls)
    return [
        {
            "upr": excited.upr,
            "amplitude_nm": float(amplitude_nm[i]),
            "low_hz": excited.low_hz,
            "high_hz": excited.high_hz,
            # 2 pi f a, with nanometres to micrometres.
            "velocity_um_s": float(2e-3 * np.pi * excited.high_hz * amplitude_nm[i]),
            "resonances_hz": tuple(excited.resonances_hz),
            "axial_share": float(along[i]),
            "radial_share": float(across[i]),
        }
        for i, excited in enumerate(at_speed.excited_harmonics(upr, thread, running))
    ]


def _orders(
    judged: JudgedSpectrum | None, thread: Thread, running: Running, balls: float
) -> tuple[OrderAtSpeed, ...] | None:
    if judged is None:
        return None
    lines = judged.spectrum
    # The uncertainty by which it was judged, where a budget made one.
    own = lines.noise_nm if judged.uncertainty_nm is None else judged.uncertainty_nm
    moving = _moving(lines.upr.tolist(), lines.amplitude_nm, thread, running, balls)
    return tuple(
        OrderAtSpeed(**each, noise_nm=float(u), upper_nm=float(upper) if np.isfinite(upper) else None)
        for each, u, upper in zip(moving, own, judged.upper_nm, strict=True)
    )

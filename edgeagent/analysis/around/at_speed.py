"""What waves of a ball track do at running speed: kinematics, band velocities, resonances.

A ball rolls between shaft and nut without slipping, so that the ball set turns at (1 - γ)/2 of the shaft's
speed when the nut stands still, with γ = Dw cos α cos ψ / Dpw (Dw ball diameter, Dpw ball pitch circle, α
contact angle, ψ lead angle). Seen from a ball the shaft turns at (1 + γ)/2 and the nut at (1 - γ)/2 of the
shaft's speed relative to the nut: a wave of n undulations per revolution moves the ball n times as often. With
ψ = 0 these are the kinematics of an angular-contact ball bearing with a standing outer ring (common textbook
relations). cos ψ is the usual first order for a helix. No slip along the helix at both contacts has cos² ψ
instead, while across it both contacts cannot but slip (derived here): the frequencies differ by γ ψ² / 4 of a
turn, 0.04 % of a wave's at 10 mm lead on 33 mm, up to 1.2 % at 20 mm on 16.6 mm.

All of it holds for the surface on which the balls roll; slip, elasticity and return of the balls are left out.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from edgeagent.analysis.around.roundness import root_mean_square
from edgeagent.errors import TraceRangeError
from edgeagent.model import FloatArray, Quantity, Running, Spectrum, Thread

_EDGE = 1e-9
"""Relative width within which a frequency counts as lying on the edge of a band or resonance."""


_NO_LINES = Spectrum(*(np.zeros(0) for _ in range(4)))


@dataclass(frozen=True, slots=True)
class Kinematics:
    """Ratios to the relative speed of shaft and nut, per revolution.

    ``ball_set`` is that of the ball set against the nut, ``shaft_wave`` and ``nut_wave`` are the number of
    times that one undulation per revolution of shaft or nut passes a ball, ``ball_spin`` is the ball's own
    rotation against the ball set.
    """

    gamma: float
    ball_set: float
    shaft_wave: float
    nut_wave: float
    ball_spin: float

    def wave(self, member: str) -> float:
        """Passes per revolution of one undulation on ``shaft`` or ``nut``."""
        return self.shaft_wave if member == "shaft" else self.nut_wave


@dataclass(frozen=True, slots=True)
class PassFrequencies:
    """Frequencies in Hz at one speed: ball set against the nut, a spot of shaft or nut over all balls of
    its turn, a spot of a ball over both tracks (twice its spin)."""

    turning_hz: float
    ball_set_hz: float
    shaft_spot_hz: float
    nut_spot_hz: float
    ball_spot_hz: float


@dataclass(frozen=True, slots=True)
class ExcitedHarmonic:
    """A wave at speed: frequency at the lowest and highest speed, and the resonances that lie there."""

    upr: float
    low_hz: float
    high_hz: float
    resonances_hz: tuple[float, ...]


def kinematics(
    ball_diameter_mm: float, ball_pitch_circle_mm: float, contact_angle_deg: float, lead_angle_rad: float = 0.0
) -> Kinematics:
    """Rolling kinematics of a ball between two tracks.

    ``contact_angle_deg`` is counted from the radial direction; ``lead_angle_rad`` is 0 for a bearing. The path
    of a ball along a helix is 1/cos ψ longer than the circle, so that its spin is
    (1 - γ²) / (2 Dw cos ψ / Dpw) (derived here; the bearing's relation for ψ = 0).
    Raises TraceRangeError unless 0 < Dw < Dpw and both angles lie in [0°, 90°).
    """
    if not 0 < ball_diameter_mm < ball_pitch_circle_mm:
        raise TraceRangeError(
            f"a ball of {ball_diameter_mm:g} mm does not fit a ball circle of {ball_pitch_circle_mm:g} mm"
        )
    if not (0 <= contact_angle_deg < 90 and 0 <= lead_angle_rad < np.pi / 2):
        raise TraceRangeError("contact angle and lead angle must lie between 0 and 90 deg")
    along = ball_diameter_mm * np.cos(lead_angle_rad) / ball_pitch_circle_mm
    gamma = float(along * np.cos(np.radians(contact_angle_deg)))
    return Kinematics(
        gamma=gamma,
        ball_set=(1 - gamma) / 2,
        shaft_wave=(1 + gamma) / 2,
        nut_wave=(1 - gamma) / 2,
        ball_spin=float((1 - gamma**2) / (2 * along)),
    )


def thread_kinematics(thread: Thread) -> Kinematics:
    """Kinematics of a ball screw; see ``kinematics``."""
    return kinematics(
        thread.ball_diameter_mm, thread.ball_pitch_circle_mm, thread.contact_angle_deg, thread.lead_angle_rad
    )


def touching_balls(thread: Thread) -> float:
    """Number of balls in one turn of the track when they touch each other: π Dpw / (Dw cos ψ)."""
    turn_mm = np.pi * thread.ball_pitch_circle_mm / np.cos(thread.lead_angle_rad)
    return float(turn_mm / thread.ball_diameter_mm)


def pass_frequencies(ratios: Kinematics, speed_rpm: float, ball_count: float) -> PassFrequencies:
    """Ball pass frequencies at one speed; ``ball_count`` balls in one turn, not necessarily whole."""
    turning = speed_rpm / 60
    return PassFrequencies(
        turning_hz=turning,
        ball_set_hz=turning * ratios.ball_set,
        shaft_spot_hz=turning * ratios.shaft_wave * ball_count,
        nut_spot_hz=turning * ratios.nut_wave * ball_count,
        ball_spot_hz=turning * 2 * ratios.ball_spin,
    )


def ball_set_response(
    upr: FloatArray, balls_per_turn: float, loaded_balls: int | None = None
) -> tuple[FloatArray, FloatArray]:
    """Share of a wave that is left when it acts on all balls at once: along the axis and across it.

    Balls at the angles 2πj / ``balls_per_turn``, j = 0 … ``loaded_balls`` - 1 (one turn when None), are moved
    by cos(n φ). Along the axis their mean counts, across it (a radial push, a tilting) the greater of the means
    with cos φ and sin φ, doubled. Both have the shape of ``upr`` and lie between 0 and 1: for a whole number Z
    of balls in whole turns only n = kZ acts along the axis and only n = kZ ± 1 across it (Wardle 1988,
    remembered; the sums are exact). Balls that do not fill whole turns leave something of every order.
    """
    count = loaded_balls or max(round(balls_per_turn), 1)
    angle = 2 * np.pi * np.arange(count) / balls_per_turn
    order = np.asarray(upr, dtype=np.float64)[:, None]
    axial = np.abs(np.mean(np.exp(1j * order * angle), axis=1))
    plus = np.mean(np.exp(1j * (order + 1) * angle), axis=1)
    minus = np.mean(np.exp(1j * (order - 1) * angle), axis=1)
    return axial, np.maximum(np.abs(plus), np.abs(minus))


def hertz_per_upr(thread: Thread, speed_rpm: float) -> float:
    """Frequency in Hz at which one undulation per revolution of this member moves a ball."""
    return speed_rpm / 60 * thread_kinematics(thread).wave(thread.member)


def excited_harmonics(upr: Sequence[float], thread: Thread, running: Running) -> tuple[ExcitedHarmonic, ...]:
    """Frequencies of waves at the recipe's speeds and the declared resonances that they meet.

    ``upr`` may lie between whole orders.

    A harmonic meets a resonance when its frequency lies within half the width of the centre at any speed from
    the lowest to the highest. Raises TraceRangeError without a speed.
    """
    if running.speed_rpm is None:
        raise TraceRangeError("the recipe says no running speed")
    low, high = (hertz_per_upr(thread, speed) for speed in running.speed_rpm)
    return tuple(
        ExcitedHarmonic(
            n, n * low, n * high,
            tuple(f for f, width in running.resonances_hz if _meets(n * low, n * high, f, width)),
        )
        for n in upr
    )  # fmt: skip


def _meets(low_hz: float, high_hz: float, centre_hz: float, width_hz: float) -> bool:
    reach = width_hz / 2 + _EDGE * centre_hz
    return low_hz <= centre_hz + reach and high_hz >= centre_hz - reach


def band_velocity(
    amplitude_nm: FloatArray,
    noise_nm: FloatArray,
    band_hz: tuple[float, float],
    per_upr_hz: tuple[float, float],
    between: Spectrum | None = None,
) -> tuple[float, float] | None:
    """RMS velocity with which the waves in a frequency band move a ball, in µm/s, and its standard uncertainty.

    In the style of ISO 15242, which measures it on the outer ring: here it is computed from the surface,
    v² = Σ (2π f_n A_n)² / 2 over the harmonics n >= 2 with low < f_n <= high, f_n = n times ``per_upr_hz``,
    normal to the surface at one ball. ``amplitude_nm`` and ``noise_nm`` have shape (N,), 1 UPR first.
    ``per_upr_hz`` is the frequency of 1 UPR at the lowest and at the highest speed; the value is the greatest
    over that range (within a set of harmonics v grows with speed, so only speeds at which one leaves the band
    have to be tried). ``between`` are waves between whole orders, which count alike. None where the band
    reaches beyond N at one of those speeds. Raises TraceRangeError unless 0 < low < high and 0 < lowest <=
    highest speed.
    """
    low, high = band_hz
    slow, fast = per_upr_hz
    if not (0 < low < high and 0 < slow <= fast):
        raise TraceRangeError(f"band {low:g} to {high:g} Hz and speeds must rise from above 0")
    # Orders that leave the band at its upper edge somewhere in the range of speeds.
    leaving = np.arange(max(int(np.ceil(high / fast)), 2), int(high / slow * (1 + _EDGE)) + 1)
    lines = between if between is not None else _NO_LINES
    gone = high / lines.upr
    speeds = np.concatenate((high / leaving, gone[(gone >= slow) & (gone <= fast)], [fast]))
    # The edge's slack: a speed worked out from an order must hold that order.
    last = np.floor(high / speeds * (1 + _EDGE)).astype(np.int64)
    if last.max() > len(amplitude_nm):
        return None
    # 1 UPR is eccentricity, no wave; the running sum below starts behind it.
    first = np.maximum(np.floor(low / speeds * (1 + _EDGE)).astype(np.int64), 1)
    order = np.arange(1, len(amplitude_nm) + 1)
    # One sum serves all speeds: between them only its two ends change.
    running_sum = np.concatenate(([0.0], np.cumsum((order * amplitude_nm) ** 2)))
    square = np.where(last > first, speeds**2 * (running_sum[last] - running_sum[np.minimum(first, last)]), 0.0)
    line_hz = speeds[:, None] * lines.upr
    heard = (line_hz > low * (1 + _EDGE)) & (line_hz <= high * (1 + _EDGE))
    square = square + np.sum(np.where(heard, line_hz * lines.amplitude_nm, 0.0) ** 2, axis=1)
    worst = int(np.argmax(square))
    inside = slice(int(first[worst]), max(int(last[worst]), int(first[worst])))
    also = heard[worst]
    # 2π f A with f in Hz and A in nm, in µm/s.
    scale = 2e-3 * np.pi * float(speeds[worst]) * np.append(order[inside], lines.upr[also])
    return root_mean_square(
        scale * np.append(amplitude_nm[inside], lines.amplitude_nm[also]),
        scale * np.append(noise_nm[inside], lines.noise_nm[also]),
    )


def band_velocities(
    amplitude_nm: FloatArray,
    noise_nm: FloatArray,
    bands_hz: Sequence[tuple[float, float]],
    thread: Thread,
    running: Running,
    between: Spectrum | None = None,
) -> tuple[Quantity, ...]:
    """Characteristic ``band_velocity`` of each band, instance such as ``50-300``; see ``band_velocity``."""
    if running.speed_rpm is None:
        raise TraceRangeError("band velocities need the running speed")
    slow, fast = (hertz_per_upr(thread, speed) for speed in running.speed_rpm)
    found = []
    for low, high in bands_hz:
        value = band_velocity(amplitude_nm, noise_nm, (low, high), (slow, fast), between)
        rms, u = value if value is not None else (None, None)
        found.append(Quantity("band_velocity", rms, "um/s", band_name(low, high), u))
    return tuple(found)


def band_name(low_hz: float, high_hz: float) -> str:
    """Instance of a band: ``50-300``."""
    return f"{low_hz:g}-{high_hz:g}"


def resonance_amplitudes(
    amplitude_nm: FloatArray,
    noise_nm: FloatArray,
    thread: Thread,
    running: Running,
    between: Spectrum | None = None,
) -> tuple[Quantity, ...]:
    """Characteristic ``resonance_amplitude`` of each declared resonance: the greatest amplitude that meets it.

    Instance ``n@f``: n is the order of the greatest harmonic (2 UPR and above) that meets the resonance at f Hz
    at any of the recipe's speeds. Where the resonance lies between the harmonics none excites it: instance
    ``none@f``, value 0. Where it lies above the last harmonic measured the value is None, instance ``?@f``.
    ``amplitude_nm`` and ``noise_nm`` have shape (N,), 1 UPR first; ``between`` are waves between whole orders,
    named like ``37.33@f``. Raises TraceRangeError without a speed.
    """
    lines = between if between is not None else _NO_LINES
    if running.speed_rpm is None:
        raise TraceRangeError("resonances need the running speed")
    slow, fast = (hertz_per_upr(thread, speed) for speed in running.speed_rpm)
    found = []
    for centre, width in running.resonances_hz:
        reach = width / 2 + _EDGE * centre
        first = max(int(np.ceil((centre - reach) / fast)), 2)
        last = int(np.floor((centre + reach) / slow))
        met = np.flatnonzero((lines.upr >= (centre - reach) / fast) & (lines.upr <= (centre + reach) / slow))
        line = int(met[np.argmax(lines.amplitude_nm[met])]) if len(met) else None
        # Where harmonics are missing one of them may be the greatest: no line between orders speaks for them.
        top = float(amplitude_nm[first - 1 : last].max(initial=0.0)) if last <= len(amplitude_nm) else np.inf
        if line is not None and lines.amplitude_nm[line] > top:
            found.append(
                Quantity(
                    "resonance_amplitude", float(lines.amplitude_nm[line]), "nm",
                    f"{lines.upr[line]:.2f}@{centre:g}", float(lines.noise_nm[line]),
                )
            )  # fmt: skip
        elif last < first:
            found.append(Quantity("resonance_amplitude", 0.0, "nm", f"none@{centre:g}"))
        elif last > len(amplitude_nm):
            found.append(Quantity("resonance_amplitude", None, "nm", f"?@{centre:g}"))
        else:
            worst = first + int(np.argmax(amplitude_nm[first - 1 : last]))
            found.append(
                Quantity(
                    "resonance_amplitude", float(amplitude_nm[worst - 1]), "nm", f"{worst}@{centre:g}",
                    float(noise_nm[worst - 1]),
                )
            )  # fmt: skip
    return tuple(found)

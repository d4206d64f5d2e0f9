"""Two flanks of one groove together: how the groove moved along the radius and along the axis.

Where the groove moves by a along the radius and by b along the axis, a flank is displaced along its normal by
a cos α ± b sin α cos ψ, α the contact angle from the radial direction and ψ the lead angle: the normal of a
helical track lies in the plane normal to the helix, its axial part is sin α cos ψ (derived here). So for each
order n, as complex amplitudes A exp(i phase) normal to the surface,

    radial = (left + right) / (2 cos α)        axial = (left - right) / (2 sin α cos ψ)

Radial motion is positive out of the material towards the ball (outward on a shaft, inward in a nut), axial
motion towards larger x; the left flank lies at smaller x and faces larger x.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from edgeagent.analysis.around.peaks import machine_fit
from edgeagent.analysis.waves.trigonometric import ComplexArray
from edgeagent.errors import TraceRangeError, TraceShapeError
from edgeagent.model import FloatArray, IntArray, QualityCheck, Running, Spectrum

_SIGNIFICANT = 4.0
"""Standard uncertainties that an amplitude must exceed to be explained."""
_ONE_WAY = 0.8
"""Share of the motion from which on it is called radial or axial alone."""
_PHASE_ALLOWED_RAD = 0.2
"""Phase by which a doubtful datum may turn a harmonic: a fifth of its amplitude, then."""
_ALONE = 3.0
"""Ratio of the flanks from which on one of them is called to move alone."""


@dataclass(frozen=True, slots=True)
class FlankPair:
    """Radial and axial motion of a groove; arrays of shape (n,), upr from 1.

    ``radial_nm`` and ``axial_nm`` are complex amplitudes, ``left_nm`` and ``right_nm`` what they come from;
    ``u_radial_nm`` and ``u_axial_nm`` the standard uncertainties of their moduli.
    """

    upr: IntArray
    radial_nm: ComplexArray
    axial_nm: ComplexArray
    u_radial_nm: FloatArray
    u_axial_nm: FloatArray
    left_nm: ComplexArray
    right_nm: ComplexArray
    noise_left_nm: FloatArray
    noise_right_nm: FloatArray

    @property
    def noise_nm(self) -> FloatArray:
        """Standard uncertainty of the sum and the difference of both flanks, shape (n,)."""
        result: FloatArray = np.hypot(self.noise_left_nm, self.noise_right_nm)
        return result


def combine_flanks(
    left: Spectrum,
    right: Spectrum,
    *,
    contact_angle_deg: float,
    lead_angle_rad: float,
    shift_rad: float = 0.0,
    contact_angle_u_deg: float = 0.0,
    scale_u: float | FloatArray = 0.0,
) -> FlankPair:
    """Radial and axial motion from the spectra of both flanks.

    Parameters
    ----------
    left, right : Spectrum
        Normal to the surface, over the same angular datum; the shorter one ends the result.
    contact_angle_deg, lead_angle_rad : float
        0° < α < 90°, 0 <= ψ < π/2.
    shift_rad : float
        Angle by which the left flank is taken ahead of the groove's middle, the right one behind: 0 compares
        both flanks in one plane through the axis, ``track_normal.normal_plane_shift_rad`` where one ball
        touches.
    contact_angle_u_deg : float
        Standard uncertainty of the contact angle.
    scale_u : float, or ndarray of float64 for the orders of the longer spectrum
        Relative standard uncertainty of the gauge's scale. It is the same gauge on both flanks: the error is
        common to them, turns no radial motion into an axial one and stays a share of each (JCGM 100, 5.2.2).

    Uncertainties are first order (JCGM 100, 5.1.2), the flanks' noise independent. Raises TraceRangeError for
    angles outside their range, TraceShapeError for empty spectra.
    """
    if not (0 < contact_angle_deg < 90 and 0 <= lead_angle_rad < np.pi / 2):
        raise TraceRangeError("contact angle must lie between 0 and 90 deg, lead angle from 0 to below 90 deg")
    count = min(len(left.upr), len(right.upr))
    if count == 0:
        raise TraceShapeError("a spectrum is empty")
    upr = left.upr[:count]
    # A turn by an angle turns order n by n times that.
    at_left = _complex(left, count) * np.exp(1j * upr * shift_rad)
    at_right = _complex(right, count) * np.exp(-1j * upr * shift_rad)
    angle = np.radians(contact_angle_deg)
    along, across = 2 * np.cos(angle), 2 * np.sin(angle) * np.cos(lead_angle_rad)
    radial, axial = (at_left + at_right) / along, (at_left - at_right) / across
    own_left, own_right = left.noise_nm[:count], right.noise_nm[:count]
    noise = np.hypot(own_left, own_right)
    turn = np.radians(contact_angle_u_deg)
    scale = np.broadcast_to(scale_u, (max(len(left.upr), len(right.upr)),))[:count]
    # d(1/cos α)/(1/cos α) = tan α dα; for 1/sin α it is cot α.
    radial_u = np.hypot(np.tan(angle) * turn, scale)
    axial_u = np.hypot(turn / np.tan(angle), scale)
    return FlankPair(
        upr=upr,
        radial_nm=radial,
        axial_nm=axial,
        u_radial_nm=np.hypot(noise / along, np.abs(radial) * radial_u),
        u_axial_nm=np.hypot(noise / across, np.abs(axial) * axial_u),
        left_nm=at_left,
        right_nm=at_right,
        noise_left_nm=own_left,
        noise_right_nm=own_right,
    )


def datum_check(
    left_um: complex, right_um: complex, u_um: float, *, share_allowed: float = 0.1, upr_needed: int = 0
) -> QualityCheck:
    """Do both flanks count their angle from the same mark, the part clamped once?

    Then they see the part's axis at the same place: ``left_um`` and ``right_um`` are the offset of the axis as
    each flank's trace tells it (complex, directions as angles of the trace), ``u_um`` the standard uncertainty
    of their difference. The difference, as a share of their mean, may be ``share_allowed`` (0.1 is 5.7° of
    turn) beyond twice its standard uncertainty: more is a contradiction. Offsets below ten of these tell
    nothing: not ok. Nor is what proves the angle, but not as far up as ``upr_needed`` (``trusted_upr``);
    the value is then the doubt in rad. A true once-per-turn motion of the groove along its axis counts against
    all of it.
    """
    mean = (abs(left_um) + abs(right_um)) / 2
    if min(abs(left_um), abs(right_um)) <= 10 * u_um or mean == 0:
        note = f"eccentricities of {abs(left_um):.3g} and {abs(right_um):.3g} um are too small to tell"
        return QualityCheck("angular_datum", False, None, share_allowed, "1", note)
    turned_deg = float(np.degrees(np.angle(right_um * np.conj(left_um))))
    # Twice the uncertainty is taken off first: what noise explains contradicts nothing.
    share = max(abs(left_um - right_um) - 2 * u_um, 0.0) / mean
    note = f"eccentricity {abs(left_um):.3f} um by the left, {abs(right_um):.3f} um by the right flank, "
    note += f"turned by {turned_deg:.2f} deg against each other"
    causes = "the flanks do not share their angle, or the groove moves along the axis once a turn"
    if share > share_allowed:
        return QualityCheck("angular_datum", False, share, share_allowed, "1", f"{note}: {causes}")
    doubt_rad = datum_doubt_rad(left_um, right_um, u_um)
    if trusted_upr(doubt_rad, upr_needed) < upr_needed:
        note += f", which is not near enough for {upr_needed} UPR: {causes}"
        return QualityCheck("angular_datum", False, doubt_rad, _PHASE_ALLOWED_RAD / upr_needed, "rad", note)
    return QualityCheck("angular_datum", True, share, share_allowed, "1", note)


def datum_doubt_rad(left_um: complex, right_um: complex, u_um: float) -> float:
    """By how much the flanks' angles may be turned against each other, as the offsets of ``datum_check`` tell.

    The angle between them and twice its standard uncertainty; π, nothing known, without eccentricity. A
    once-per-turn motion of the groove along the axis makes it larger than it is.
    """
    mean = (abs(left_um) + abs(right_um)) / 2
    # An offset within its own noise has no direction.
    if min(abs(left_um), abs(right_um)) <= u_um or mean == 0:
        return float(np.pi)
    return abs(float(np.angle(right_um * np.conj(left_um)))) + 2 * u_um / mean


def trusted_upr(doubt_rad: float, upr_last: int) -> int:
    """Highest order at which the flanks' angles are known well enough to put numbers on both motions.

    ``datum_doubt_rad`` times n stays below 0.2 rad; ``upr_last`` at most.
    """
    return upr_last if doubt_rad * upr_last <= _PHASE_ALLOWED_RAD else int(_PHASE_ALLOWED_RAD / doubt_rad)


def greatest_orders(pair: FlankPair, count: int) -> tuple[int, ...]:
    """The ``count`` orders of 2 UPR and more with the greatest velocity (order times motion) that stand out of
    the noise by four standard uncertainties, greatest first."""
    # Both flanks together, so that neither radial nor axial motion is preferred.
    size = np.hypot(np.abs(pair.left_nm), np.abs(pair.right_nm))
    clear = (size > _SIGNIFICANT * pair.noise_nm) & (pair.upr >= 2)
    weight = np.where(clear, size * pair.upr, 0.0)
    # Stable: of equal ones the lower order comes first, on every machine.
    chosen = np.argsort(-weight, kind="stable")[:count]
    return tuple(int(pair.upr[i]) for i in chosen if weight[i] > 0)


@dataclass(frozen=True, slots=True)
class GrooveMotion:
    """How the groove moves at one order.

    ``motion`` is ``radial`` (both flanks together), ``axial`` (against each other), ``left`` or ``right`` (that
    flank alone), ``both`` (along both ways, of no single source) or ``unsure``, with ``doubt`` in words.
    """

    upr: int
    motion: str
    doubt: str = ""


def judge_motion(
    pair: FlankPair, upr: Sequence[int], *, doubt_rad: float = 0.0, elsewhere: FlankPair | None = None
) -> tuple[GrooveMotion, ...]:
    """What moved the groove at each order, only as far as it can be estimated.

    A motion counts when it stays the same with every flank's amplitude and the angle between them moved by two
    standard uncertainties of the noise, with the flanks turned against each other by n times ``doubt_rad``
    (``datum_doubt_rad``) and, where given, in ``elsewhere``, the same flanks compared in the other plane.
    """
    return tuple(_verdict(pair, int(n) - 1, doubt_rad, elsewhere) for n in upr)


def _verdict(pair: FlankPair, i: int, doubt_rad: float, elsewhere: FlankPair | None) -> GrooveMotion:
    n = int(pair.upr[i])
    motion = _motion(pair.left_nm[i], pair.right_nm[i])
    # Noise alone first, so that the reason named is the one that would not go away with a better angle.
    if not _holds(pair, i, motion, 0.0):
        return GrooveMotion(n, "unsure", "too near to the noise")
    if not _holds(pair, i, motion, n * doubt_rad):
        return GrooveMotion(n, "unsure", "the shared angle is not proved this far up")
    if elsewhere is not None:
        other = _motion(elsewhere.left_nm[i], elsewhere.right_nm[i])
        if other != motion:
            doubt = f"{_WORDS[motion]} in this plane of comparison, {_WORDS[other]} in the other"
            return GrooveMotion(n, "unsure", doubt)
    return GrooveMotion(n, motion)


def _motion(left: complex, right: complex) -> str:
    """The pattern of two complex amplitudes."""
    sizes = abs(left), abs(right)
    if max(sizes) > _ALONE * min(sizes):
        return "left" if sizes[0] > sizes[1] else "right"
    # |L + R|² / (|L + R|² + |L - R|²): the part of the motion that both flanks share.
    share = 0.5 + float(np.real(left * np.conj(right))) / (sizes[0] ** 2 + sizes[1] ** 2)
    return "radial" if share >= _ONE_WAY else "axial" if share <= 1 - _ONE_WAY else "both"


def _holds(pair: FlankPair, i: int, motion: str, turn_rad: float) -> bool:
    """Whether the pattern is the same at the ends of what noise and angle may have done."""
    left, right = complex(pair.left_nm[i]), complex(pair.right_nm[i])
    u_left, u_right = 2 * float(pair.noise_left_nm[i]), 2 * float(pair.noise_right_nm[i])
    # Noise across a vector turns it by noise over length; the floor stands for a flank without amplitude.
    turn_rad += np.hypot(u_left / max(abs(left), 1e-300), u_right / max(abs(right), 1e-300))
    # Beyond a quarter turn radial may be axial; a flank that moves alone has no phase to compare.
    if turn_rad > np.pi / 2 and motion not in ("left", "right"):
        return False
    turn = np.exp(1j * turn_rad)
    # Larger left with smaller right and the reverse: the patterns' bounds lie at these ends.
    for more in (1, -1):
        a = max(abs(left) + more * u_left, 0.0) * np.exp(1j * np.angle(left))
        b = max(abs(right) - more * u_right, 0.0) * np.exp(1j * np.angle(right))
        if {_motion(a * turn, b), _motion(a * np.conj(turn), b)} != {motion}:
            return False
    return True


_WORDS = {
    "radial": "both flanks together",
    "axial": "the flanks against each other",
    "left": "the left flank alone",
    "right": "the right flank alone",
    "both": "along both ways at once",
}


def explain_pair(
    pair: FlankPair, verdicts: Sequence[GrooveMotion], running: Running | None = None
) -> tuple[str, ...]:
    """One careful sentence for each verdict: how the groove moves there and what usually moves it so.

    Common practice of grinding, not proof. What both flanks share came along the radius: a wheel out of round,
    out of balance or dressed so where the order fits the wheel's turning, else radial motion of the work
    spindle. Opposite flanks came along the axis: the wheel's own wobble where it fits, else lead drive or axial
    play of the work spindle, which the flanks do not tell apart. One flank alone came from the dressing of that
    side of the wheel. Wheel and work speed are those of ``running``.
    """
    return tuple(_order_sentence(pair, verdict, running) for verdict in verdicts)


def _order_sentence(pair: FlankPair, verdict: GrooveMotion, running: Running | None) -> str:
    n, i = verdict.upr, verdict.upr - 1
    found = f"{n} UPR: radial {abs(pair.radial_nm[i]):.3g} nm, axial {abs(pair.axial_nm[i]):.3g} nm"
    known = running is not None and running.wheel_rpm is not None and running.work_rpm is not None
    fit = machine_fit(n, running) if running is not None else None
    wheel = ""
    if fit is not None:
        wheel = f"; {n} UPR fits {'the' if fit[0] == 1 else f'{fit[0]} times the'} turning of the wheel"
    if verdict.motion == "unsure":
        return f"{found}: unsure where from, {verdict.doubt}{wheel}"
    if verdict.motion == "both":
        return f"{found}: unsure where from, {_WORDS['both']}, no single source fits{wheel}"
    return f"{found}: {_WORDS[verdict.motion]}, as {_cause(verdict.motion, known, fit is not None)}{wheel}"


def _cause(motion: str, known: bool, fits: bool) -> str:
    """What usually leaves a motion; ``known``: the wheel's speed is; ``fits``: the order fits it."""
    if motion == "radial":
        if not known:
            return (
                "the wheel or radial motion of the work spindle would leave it (the wheel's speed would tell)"
            )
        if fits:
            return "a wheel out of round, out of balance or dressed so would leave it"
        return "radial motion of the work spindle or chatter would leave it"
    if motion == "axial":
        if fits:
            return "a wheel that wobbles along its axis would leave it, or the lead drive at the same order"
        return "the lead drive or axial play of the work spindle would leave it"
    words = "the dressing of that side of the wheel would leave it"
    return f"{words}, though no multiple of the wheel's turning fits" if known and not fits else words


def _complex(spectrum: Spectrum, count: int) -> ComplexArray:
    turned: ComplexArray = np.exp(1j * np.radians(spectrum.phase_deg[:count]))
    return turned * spectrum.amplitude_nm[:count]

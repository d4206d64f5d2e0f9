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

from edgeagent.analysis.peaks import machine_fit
from edgeagent.analysis.trigonometric import ComplexArray
from edgeagent.errors import TraceRangeError, TraceShapeError
from edgeagent.model import FloatArray, IntArray, QualityCheck, Running, Spectrum

_SIGNIFICANT = 4.0
"""Standard uncertainties that an amplitude must exceed to be explained."""
_ONE_WAY = 0.8
"""Share of the motion from which on it is called radial or axial alone."""
_PHASE_ALLOWED_RAD = 0.2
"""Phase by which a doubtful datum may turn a harmonic: a fifth of its amplitude, then."""


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
    noise_nm: FloatArray


def combine_flanks(
    left: Spectrum,
    right: Spectrum,
    *,
    contact_angle_deg: float,
    lead_angle_rad: float,
    shift_rad: float = 0.0,
    contact_angle_u_deg: float = 0.0,
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
        touches. contact_angle_u_deg : float
        Standard uncertainty of the contact angle.

    Uncertainties are first order (JCGM 100, 5.1.2), the flanks' noise independent. Raises TraceRangeError for
    angles outside their range, TraceShapeError for empty spectra.
    """
    if not (0 < contact_angle_deg < 90 and 0 <= lead_angle_rad < np.pi / 2):
        raise TraceRangeError("contact angle must lie between 0 and 90 deg, lead angle from 0 to below 90 deg")
    count = min(len(left.upr), len(right.upr))
    if count == 0:
        raise TraceShapeError("a spectrum is empty")
    upr = left.upr[:count]
    at_left = _complex(left, count) * np.exp(1j * upr * shift_rad)
    at_right = _complex(right, count) * np.exp(-1j * upr * shift_rad)
    angle = np.radians(contact_angle_deg)
    along, across = 2 * np.cos(angle), 2 * np.sin(angle) * np.cos(lead_angle_rad)
    radial, axial = (at_left + at_right) / along, (at_left - at_right) / across
    noise = np.hypot(left.noise_nm[:count], right.noise_nm[:count])
    turn = np.radians(contact_angle_u_deg)
    return FlankPair(
        upr=upr,
        radial_nm=radial,
        axial_nm=axial,
        u_radial_nm=np.hypot(noise / along, np.abs(radial) * np.tan(angle) * turn),
        u_axial_nm=np.hypot(noise / across, np.abs(axial) / np.tan(angle) * turn),
        left_nm=at_left,
        right_nm=at_right,
        noise_nm=noise,
    )


def datum_check(
    left_um: complex, right_um: complex, u_um: float, *, share_allowed: float = 0.1
) -> QualityCheck:
    """Do both flanks count their angle from the same mark, the part clamped once?

    Then they see the part's axis at the same place: ``left_um`` and ``right_um`` are the offset of the axis as
    each flank's trace tells it (complex, directions as angles of the trace), ``u_um`` the standard uncertainty
    of their difference. The difference, as a share of their mean, may be ``share_allowed`` (0.1 is 5.7° of
    turn) beyond twice its standard uncertainty. Offsets below ten of these tell nothing: not ok. A true
    once-per-turn motion of the groove along its axis counts against it.
    """
    mean = (abs(left_um) + abs(right_um)) / 2
    if min(abs(left_um), abs(right_um)) <= 10 * u_um or mean == 0:
        note = f"eccentricities of {abs(left_um):.3g} and {abs(right_um):.3g} um are too small to tell"
        return QualityCheck("angular_datum", False, None, share_allowed, "1", note)
    turned_deg = float(np.degrees(np.angle(right_um * np.conj(left_um))))
    share = max(abs(left_um - right_um) - 2 * u_um, 0.0) / mean
    note = f"eccentricity {abs(left_um):.3f} um by the left, {abs(right_um):.3f} um by the right flank, "
    note += f"turned by {turned_deg:.2f} deg against each other"
    if share > share_allowed:
        note += ": the flanks do not share their angle, or the groove moves along the axis once a turn"
    return QualityCheck("angular_datum", share <= share_allowed, share, share_allowed, "1", note)


def trusted_upr(left_um: complex, right_um: complex, u_um: float, upr_last: int) -> int:
    """Highest order to which the eccentricities prove the datum well enough to tell radial from axial motion.

    The angle between them and twice its standard uncertainty, times n, stay below 0.2 rad; ``upr_last`` at
    most. A once-per-turn motion of the groove along the axis makes it smaller than it is. 0 without
    eccentricity.
    """
    mean = (abs(left_um) + abs(right_um)) / 2
    if min(abs(left_um), abs(right_um)) <= u_um or mean == 0:
        return 0
    doubt = abs(float(np.angle(right_um * np.conj(left_um)))) + 2 * u_um / mean
    return upr_last if doubt * upr_last <= _PHASE_ALLOWED_RAD else int(_PHASE_ALLOWED_RAD / doubt)


def radial_share(pair: FlankPair) -> FloatArray:
    """Share of the motion that both flanks make together, |L + R|² / (|L + R|² + |L - R|²), shape (n,).

    1 for radial motion, 0 for axial motion, 0.5 where one flank alone moves; NaN where neither does.
    """
    both = np.abs(pair.left_nm + pair.right_nm) ** 2
    against = np.abs(pair.left_nm - pair.right_nm) ** 2
    total = both + against
    share: FloatArray = np.divide(both, total, out=np.full(len(total), np.nan), where=total > 0)
    return share


def greatest_orders(pair: FlankPair, count: int) -> tuple[int, ...]:
    """The ``count`` orders of 2 UPR and more with the greatest velocity (order times motion) that stand out of
    the noise by four standard uncertainties, greatest first."""
    size = np.hypot(np.abs(pair.left_nm), np.abs(pair.right_nm))
    clear = (size > _SIGNIFICANT * pair.noise_nm) & (pair.upr >= 2)
    weight = np.where(clear, size * pair.upr, 0.0)
    chosen = np.argsort(-weight, kind="stable")[:count]
    return tuple(int(pair.upr[i]) for i in chosen if weight[i] > 0)


def explain_pair(pair: FlankPair, upr: Sequence[int], running: Running | None = None) -> tuple[str, ...]:
    """One careful sentence for each order: how the groove moves there and what usually moves it so.

    Common practice of grinding, not proof: what both flanks share came along the radius (wheel out of round or
    out of balance, work spindle, centres); opposite flanks came along the axis (lead drive, axial play of the
    work spindle); one flank alone came from that side of the wheel (dressing). With wheel and work speed in
    ``running`` an order that fits the wheel's turning is said to.
    """
    shares = radial_share(pair)
    return tuple(_order_sentence(pair, int(n) - 1, float(shares[int(n) - 1]), running) for n in upr)


def _order_sentence(pair: FlankPair, i: int, share: float, running: Running | None) -> str:
    n = int(pair.upr[i])
    left, right = abs(pair.left_nm[i]), abs(pair.right_nm[i])
    fit = machine_fit(n, running) if running is not None else None
    wheel = ""
    if fit is not None:
        wheel = f"; {n} UPR fits {'the' if fit[0] == 1 else f'{fit[0]} times the'} turning of the wheel"
    radial = f"{n} UPR: radial {abs(pair.radial_nm[i]):.3g} nm"
    found = f"{radial}, axial {abs(pair.axial_nm[i]):.3g} nm"
    if share >= _ONE_WAY:
        cause = "a wheel out of round or balance" if fit else "the wheel or radial motion of the work spindle"
        return f"{found}: both flanks together, as {cause} would leave it{wheel}"
    if share <= 1 - _ONE_WAY:
        return f"{found}: the flanks against each other, as the lead drive or axial play would leave it{wheel}"
    if max(left, right) > 3 * min(left, right):
        side = "left" if left > right else "right"
        return (
            f"{found}: the {side} flank alone, as the dressing of that side of the wheel would leave it{wheel}"
        )
    return f"{found}: along both ways at once; no single source fits{wheel}"


def _complex(spectrum: Spectrum, count: int) -> ComplexArray:
    turned: ComplexArray = np.exp(1j * np.radians(spectrum.phase_deg[:count]))
    return turned * spectrum.amplitude_nm[:count]

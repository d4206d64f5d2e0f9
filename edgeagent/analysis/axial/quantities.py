"""From measured grooves to named quantities, and to what a report draws."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np

from edgeagent.analysis.axial.flanks import Flank, Groove, even_residual
from edgeagent.analysis.axial.frame import Nominal
from edgeagent.analysis.axial.options import AxialOptions
from edgeagent.analysis.groove.ball import Seat
from edgeagent.analysis.texture.options import RoughnessOptions
from edgeagent.analysis.texture.parameters import PARAMETERS, Parameter, parameters, wanted_parameters
from edgeagent.analysis.texture.roughness import EvaluatedProfile, waviness
from edgeagent.errors import AgentError, AnalysisError, InputError
from edgeagent.model import FloatArray, Quantity, Thread

_BOTH = ("left", "right")
_Values = Mapping[str, tuple[float | None, float | None]]
"""Values and their standard uncertainties by name."""
_WAVINESS = ("wa", "wq", "wt")
GROOVE_UNITS: Mapping[str, str] = {
    **{f"contact_angle_{s}": "deg" for s in _BOTH},
    **{f"flank_radius_{s}": "mm" for s in _BOTH},
    **{f"track_conformity_{s}": "1" for s in _BOTH},
    "arc_centre_separation": "mm",
    **{f"arc_centre_height_{s}": "mm" for s in _BOTH},
    **{f"flank_form_{s}": "um" for s in _BOTH},
    "root_clearance": "um",
    **{f"profile_contact_angle_{s}": "deg" for s in _BOTH},
    "profile_seat_height": "um",
    **{f"profile_deviation_{s}": "um" for s in _BOTH},
}
"""Per groove, always."""
BAND_UNITS: Mapping[str, str] = {f"profile_band_excess_{s}": "um" for s in _BOTH}
ROUGHNESS_UNITS: Mapping[str, str] = {
    f"profile_roughness_{name}_{s}": unit for name, unit in PARAMETERS.items() for s in _BOTH
}
WAVINESS_UNITS: Mapping[str, str] = {f"profile_waviness_{name}_{s}": "um" for name in _WAVINESS for s in _BOTH}
CONTACT_UNITS: Mapping[str, str] = {
    **{f"contact_ellipse_margin_{s}": "mm" for s in _BOTH},
    **{f"contact_pressure_{s}": "MPa" for s in _BOTH},
}
TRACE_UNITS: Mapping[str, str] = {
    "pitch": "mm",
    "pitch_deviation": "um",
    "cumulative_pitch_deviation": "um",
    "start_index_error": "um",
    "lead": "mm",
    "ball_pitch_circle_diameter": "mm",
    "ball_pitch_circle_variation": "um",
    "ball_pitch_circle_taper": "um",
    "lead_angle": "deg",
    "axis_tilt": "deg",
    "plane_offset": "mm",
    "plane_yaw": "deg",
}
# Some 150 kB of text together with the arcs, in each archived result.
_POINTS_IN_DETAILS = 4000
_GROOVES_IN_DETAILS = 60


@dataclass(frozen=True, slots=True)
class GrooveReport:
    """Quantities of one groove and sentences on what could not be had.

    ``remarks`` name values that a groove need not have (a root that the tip does not reach, waviness of a
    flank that is long enough for roughness only), ``failures`` of those that the recipe asked for by an option.
    """

    quantities: tuple[Quantity, ...]
    remarks: tuple[str, ...]
    failures: tuple[str, ...]


def wanted_groove_units(options: AxialOptions) -> dict[str, str]:
    """Names and units of what is asked for in each groove."""
    units = dict(GROOVE_UNITS)
    if options.profile_band_um is not None:
        units.update(BAND_UNITS)
    if options.roughness is not None:
        asked = wanted_parameters(options.roughness).items()
        units.update({f"profile_roughness_{name}_{s}": unit for name, unit in asked for s in _BOTH})
        units.update(WAVINESS_UNITS)
    if options.ball_load_n is not None:
        units.update(CONTACT_UNITS)
    return units


def unmeasured_groove(instance: str, options: AxialOptions) -> tuple[Quantity, ...]:
    """The quantities of a groove without any value."""
    return tuple(Quantity(name, None, unit, instance) for name, unit in wanted_groove_units(options).items())


def groove_quantities(
    groove: Groove,
    instance: str,
    *,
    nominal: Nominal,
    thread: Thread,
    options: AxialOptions,
    ball_circle_mm: float,
    lead_angle_deg: float,
) -> GrooveReport:
    """Everything that one groove yields, in the units of GROOVE_UNITS and its companions.

    The standard uncertainties are those of arcs and seat; of form and profile deviation an upper bound from the
    scatter of neighbouring samples (`flanks.Flank`); of roughness and waviness the scatter between sections of
    the flank (`roughness`), with its degrees of freedom; of the contact ellipse what radius, angle and
    the flank's edge bring into it; None for the seat on the profile, whose scatter one trace does not show.
    """
    values: dict[str, tuple[float | None, float | None]] = {}
    freedom: dict[str, float] = {}
    failures: list[str] = []
    remarks = list(groove.remarks)
    seat, spread = groove.seat, groove.seat.uncertainty
    for name, flank in zip(_BOTH, (groove.left, groove.right), strict=True):
        radius = flank.arc.radius_mm + nominal.tip_radius_mm
        radius_spread = float(np.sqrt(flank.arc.covariance[2, 2]))
        angle, height = f"contact_angle_{name}_deg", f"height_{name}_mm"
        values[f"contact_angle_{name}"] = (getattr(seat, angle), spread[angle])
        values[f"flank_radius_{name}"] = (radius, radius_spread)
        conformity = radius / thread.ball_diameter_mm
        values[f"track_conformity_{name}"] = (conformity, radius_spread / thread.ball_diameter_mm)
        values[f"arc_centre_height_{name}"] = (getattr(seat, height), spread[height])
        values.update(_shape(flank, name, seat, options))
        if options.roughness is not None:
            rough, profile = _roughness(flank, name, options.roughness, failures)
            for key, each in rough.items():
                values[key] = (each.value, each.standard_uncertainty)
                freedom[key] = each.degrees_of_freedom
            texture, dof = _waviness(flank, name, options.roughness, remarks, profile)
            values.update(texture)
            freedom.update(dict.fromkeys(texture, dof))
        if options.ball_load_n is not None:
            # The edges count from the root's direction as recorded, not from the groove's constructed axis.
            raw_angle = getattr(seat, angle) + (-seat.axis_turn_deg if name == "left" else seat.axis_turn_deg)
            found = _contact(
                flank,
                (radius, radius_spread),
                (raw_angle, spread[angle]),
                thread,
                options.ball_load_n,
                ball_circle_mm,
                lead_angle_deg,
                failures,
                nominal.tip_radius_mm,
            )
            values[f"contact_ellipse_margin_{name}"], values[f"contact_pressure_{name}"] = found
    values["arc_centre_separation"] = (seat.separation_mm, spread["separation_mm"])
    values["root_clearance"] = (groove.root_clearance_um, groove.root_uncertainty_um)
    values.update(_profile_seat(groove))
    units = wanted_groove_units(options)
    quantities = tuple(
        Quantity(n, values[n][0], units[n], instance, values[n][1], freedom.get(n, math.inf)) for n in units
    )
    return GrooveReport(
        quantities,
        tuple(f"{instance}: {r}" for r in remarks),
        tuple(f"{instance}: {r}" for r in failures),
    )


def _profile_seat(groove: Groove) -> _Values:
    """How the ball rests on the profile itself; its scatter cannot be estimated from one trace."""
    rest = groove.profile_seat
    return {
        "profile_contact_angle_left": (rest.contact_angle_left_deg if rest else None, None),
        "profile_contact_angle_right": (rest.contact_angle_right_deg if rest else None, None),
        "profile_seat_height": ((rest.centre_h_mm - groove.seat.centre_h_mm) * 1e3 if rest else None, None),
    }


def _shape(flank: Flank, name: str, seat: Seat, options: AxialOptions) -> _Values:
    """Form, deviation from the nominal profile and, where a band is set, what leaves it."""
    deviation, _, doubt = flank.worst_deviation()
    form = flank.form
    found: dict[str, tuple[float | None, float | None]] = {
        f"flank_form_{name}": (None, None)
        if form is None
        else (form.value_um, float(np.hypot(form.uncertainty_um, form.doubt_um))),
        f"profile_deviation_{name}": (deviation, flank.deviation_uncertainty_um(seat, doubt)),
    }
    if options.profile_band_um is not None:
        excess, doubt = flank.band_excess(options.profile_band_um)
        found[f"profile_band_excess_{name}"] = (excess, flank.deviation_uncertainty_um(seat, doubt))
    return found


def _roughness(
    flank: Flank, name: str, wanted: RoughnessOptions, failures: list[str]
) -> tuple[Mapping[str, Parameter], EvaluatedProfile | None]:
    """Every roughness parameter of a flank by its full name, and the profile that they were taken from."""
    profile = None
    try:
        residual_um, spacing_mm = even_residual(flank)
        found, profile = parameters(residual_um, spacing_mm, wanted)
    except (AnalysisError, InputError) as error:
        failures.append(f"no roughness of the {name} flank: {error}")
        found = dict.fromkeys(wanted_parameters(wanted), Parameter(None))
    return {f"profile_roughness_{key}_{name}": each for key, each in found.items()}, profile


def _freedom(sections: int) -> float:
    """Degrees of freedom of a scatter between sections; infinite for a single section, which has no scatter."""
    return float(sections - 1) if sections > 1 else math.inf


def _waviness(
    flank: Flank, name: str, wanted: RoughnessOptions, remarks: list[str], known: EvaluatedProfile | None
) -> tuple[_Values, float]:
    """Values with their standard uncertainties, and the degrees of freedom of these."""
    try:
        residual_um, spacing_mm = even_residual(flank)
        found = waviness(
            residual_um,
            spacing_mm,
            lambda_c_mm=wanted.lambda_c_mm,
            lambda_s_mm=wanted.lambda_s_mm,
            # What roughness left over is the waviness: filtered once instead of twice.
            profile_um=None if known is None else known.primary_um - known.profile_um,
        )
    except (AnalysisError, InputError) as error:
        remarks.append(f"no waviness of the {name} flank: {error}")
        return {f"profile_waviness_{key}_{name}": (None, None) for key in _WAVINESS}, math.inf
    heights = ((found.wa_um, found.u_wa_um), (found.wq_um, found.u_wq_um), (found.wt_um, found.u_wt_um))
    values = {f"profile_waviness_{k}_{name}": h for k, h in zip(_WAVINESS, heights, strict=True)}
    return values, _freedom(found.piece_count)


def _contact(
    flank: Flank,
    radius_mm: tuple[float, float],
    angle_deg: tuple[float, float],
    thread: Thread,
    load_n: float,
    ball_circle_mm: float,
    lead_angle_deg: float,
    failures: list[str],
    tip_radius_mm: float,
) -> tuple[tuple[float | None, float | None], tuple[float | None, float | None]]:
    """Margin of the contact ellipse inside the flank, mm, and greatest pressure, MPa, with their uncertainties.

    ``radius_mm`` and ``angle_deg`` come with theirs. Both stand on the same arc, so their effects are added as
    if they always went together: an upper bound. The margin ends where the arc does, which is known to
    `Flank.edge_uncertainty_mm`.
    """

    def at(radius: float, angle: float) -> FloatArray:
        ellipse = contact_ellipse(
            track_curvature(
                member=thread.member,
                ball_diameter_mm=thread.ball_diameter_mm,
                ball_pitch_circle_mm=ball_circle_mm,
                track_conformity=radius / thread.ball_diameter_mm,
                contact_angle_deg=angle,
                lead_angle_deg=lead_angle_deg,
            ),
            load_n,
        )
        gap = radius - thread.ball_diameter_mm / 2.0
        # Towards the root the turn is negative; the nearer end limits the ellipse.
        inner, outer = (arc_length(edge - angle, radius, gap) for edge in flank.edges_deg)
        return np.array([min(outer, -inner) - ellipse.semi_major_mm, ellipse.pressure_max_mpa])

    # brings scipy, which no part without a ball load needs
    from edgeagent.analysis.groove.contact import contact_ellipse, track_curvature

    try:
        found = at(radius_mm[0], angle_deg[0])
        spread = np.abs(at(sum(radius_mm), angle_deg[0]) - found) + np.abs(
            at(radius_mm[0], sum(angle_deg)) - found
        )
    except AgentError as error:
        failures.append(f"no contact ellipse: {error}")
        return (None, None), (None, None)
    margin_spread = float(np.hypot(spread[0], flank.edge_uncertainty_mm(tip_radius_mm)))
    return (float(found[0]), margin_spread), (float(found[1]), float(spread[1]))


def arc_length(turn_deg: float, radius_mm: float, gap_mm: float) -> float:
    """Length along a flank from the contact to a point seen from the ball's centre under an angle, mm.

    ``gap_mm`` is flank radius less ball radius, the distance of the two centres; from the sine rule.
    """
    turn = np.radians(turn_deg)
    return float(radius_mm * (turn - np.arcsin(gap_mm * np.sin(turn) / radius_mm)))


def report_details(
    grooves: Mapping[str, Groove], nominal: Nominal, balls: Mapping[str, tuple[float, float]]
) -> list[dict[str, Any]]:
    """What a report draws of each groove: at most 60 grooves, and points thinned to fit in 150 kB."""
    shown = dict(list(grooves.items())[:_GROOVES_IN_DETAILS])
    points = int(np.clip(_POINTS_IN_DETAILS // max(2 * len(shown), 1), 20, 200))
    out = []
    for instance, groove in shown.items():
        seat = groove.seat
        entry: dict[str, Any] = {
            "instance": instance,
            "ball_along_mm": round(balls[instance][0], 7),
            "ball_radius_mm": round(balls[instance][1], 7),
            "centre_mm": [round(seat.centre_u_mm, 7), round(seat.centre_h_mm, 7)],
            "axis_turn_deg": round(seat.axis_turn_deg, 5),
        }
        for name, sign, flank in (("left", -1.0, groove.left), ("right", 1.0, groove.right)):
            entry[name] = _flank_details(flank, sign, seat, nominal, points)
        out.append(entry)
    return out


def _flank_details(flank: Flank, sign: float, seat: Any, nominal: Nominal, points: int) -> dict[str, Any]:
    arc, tip = flank.arc, nominal.tip_radius_mm
    # Rounded up, so that never more points than allowed remain.
    stride = -(-flank.u_mm.size // points)
    u, h, residual = flank.u_mm[::stride], flank.h_mm[::stride], arc.residual_mm[::stride]
    from_u, from_h = u - arc.x_mm, h - arc.y_mm
    # The tip touches the surface one tip radius farther along the arc's normal.
    outward = 1.0 + tip / np.hypot(from_u, from_h)
    raw = (
        seat.contact_angle_left_deg if sign < 0 else seat.contact_angle_right_deg
    ) + sign * seat.axis_turn_deg
    angle = np.radians(raw)
    ball = nominal.ball_radius_mm + tip
    worst, at, _ = flank.worst_deviation()
    shown = flank.judged
    return {
        "u_mm": _round_to(arc.x_mm + from_u * outward, 6),
        "h_mm": _round_to(arc.y_mm + from_h * outward, 6),
        # Proud material positive, as all heights in a result.
        "residual_um": _round_to(-residual * 1e3, 4),
        "left_out": [int(i) for i in np.flatnonzero(~shown[::stride])],
        "arc": {
            "u_mm": round(arc.x_mm, 7),
            "h_mm": round(arc.y_mm, 7),
            "radius_mm": round(arc.radius_mm + tip, 7),
        },
        "contact_mm": [
            round(seat.centre_u_mm + sign * ball * float(np.sin(angle)), 6),
            round(seat.centre_h_mm - ball * float(np.cos(angle)), 6),
        ],
        "edges_deg": [round(e, 3) for e in flank.edges_deg],
        "noise_um": round(arc.noise_mm * 1e3, 5),
        "worst_deviation_um": round(worst, 4),
        "worst_deviation_at_deg": round(at, 3),
    }


def _round_to(values: FloatArray, digits: int) -> list[float]:
    return [float(v) for v in np.round(values, digits)]

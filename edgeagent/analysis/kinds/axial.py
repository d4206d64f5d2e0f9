"""Axial: a trace in the plane of the part's axis, on one side of the part or on both.

The order of the steps: clean each side, refuse what is not in mm or not in one frame, roll a ball to find the
grooves, find axis, lead and normal planes together, measure each groove on all its points, measure across
grooves. The sides share one frame, top has the larger z. An axial section is the same for both hands, and
mirrored x turns one into the other, so neither can be detected: the hand changes no number, mirrored x
exchanges left and right. Left is the flank at smaller x. A trace that ran from large to small x is turned round
and measured, but fit to be accepted only where the recipe expects it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from math import inf
from typing import Any

import msgspec
import numpy as np

from edgeagent.analysis.axial import checks
from edgeagent.analysis.axial.frame import Frame, Nominal, rough_pitch
from edgeagent.analysis.axial.grooves import CleanSide, clean_side, side_name
from edgeagent.analysis.axial.measuring import FoundGrooves, MeasuredGrooves, find_grooves, measure_grooves
from edgeagent.analysis.axial.options import AxialOptions
from edgeagent.analysis.axial.plane import Plane
from edgeagent.analysis.axial.quantities import (
    BAND_UNITS,
    CONTACT_UNITS,
    GROOVE_UNITS,
    ROUGHNESS_UNITS,
    TRACE_UNITS,
    WAVINESS_UNITS,
    groove_quantities,
    report_details,
    unmeasured_groove,
)
from edgeagent.analysis.budget.axial_influences import axial_influences, decimate
from edgeagent.analysis.budget.plane_influence import count_plane
from edgeagent.analysis.groove.circle import Across, ball_pitch_circle, circle_taper, circle_variation
from edgeagent.analysis.groove.helicoid import lead_angle_rad
from edgeagent.analysis.groove.pitch import (
    PitchGrid,
    cumulative_deviation,
    fit_grid,
    largest,
    neighbour_pitches,
)
from edgeagent.analysis.kinds import Request
from edgeagent.analysis.texture.parameters import PARAMETER_RANGES
from edgeagent.errors import AnalysisError, InputError, TraceRangeError, TraceShapeError
from edgeagent.model import (
    SIDE_BOTTOM,
    SIDE_TOP,
    Analysis,
    Influences,
    QualityCheck,
    Quantity,
    Thread,
    Trace,
)

COLUMNS = ("side", "x_mm", "z_mm")
OPTIONAL_COLUMNS: tuple[str, ...] = ()
CHARACTERISTICS: Mapping[str, str] = {
    **GROOVE_UNITS,
    **BAND_UNITS,
    **ROUGHNESS_UNITS,
    **WAVINESS_UNITS,
    **CONTACT_UNITS,
    **TRACE_UNITS,
}

WITHOUT_UNCERTAINTY = frozenset(
    {"profile_contact_angle_left", "profile_contact_angle_right", "profile_seat_height"}
)
Options = AxialOptions
RANGES = {
    **dict.fromkeys(("contact_angle_", "profile_contact_angle_", "lead_angle"), (0.0, 90.0)),
    **dict.fromkeys(("flank_radius_", "track_conformity_", "flank_form_", "contact_pressure_"), (0.0, inf)),
    **dict.fromkeys(("pitch", "lead", "ball_pitch_circle_"), (0.0, inf)),
    **dict.fromkeys(("pitch_deviation", "ball_pitch_circle_taper"), (-inf, inf)),
    **{f"profile_roughness_{name}_": bounds for name, bounds in PARAMETER_RANGES.items()},
    "profile_waviness_": (0.0, inf),
}
NEEDS = {
    "profile_band_excess_": "profile_band_um",
    "profile_roughness_rmr_": "roughness.rmr_c_um",
    "profile_roughness_": "roughness",
    "profile_waviness_": "roughness",
    "contact_ellipse_margin_": "ball_load_n",
    "contact_pressure_": "ball_load_n",
}

__all__ = [
    "CHARACTERISTICS",
    "COLUMNS",
    "NEEDS",
    "OPTIONAL_COLUMNS",
    "RANGES",
    "WITHOUT_UNCERTAINTY",
    "Options",
    "analyse",
    "influences",
]


def analyse(trace: Trace, request: Request) -> Analysis:
    """Grooves, pitch, lead and ball pitch circle of an axial trace.

    Parameters
    ----------
    trace : Trace
        Columns ``side`` (SIDE_TOP, SIDE_BOTTOM), ``x_mm`` along and ``z_mm`` across the axis; NaN where a
        sample is missing. The locus of the tip's centre unless the header says ``tip_corrected``.
    request : Request
        Needs a thread.

    Returns
    -------
    Analysis
        Quantities per groove (instances ``top[1]``, ``bottom[2]``, from small to large x), between
        neighbours (``top[1-2]``), per side (``top``), per start (``start[2]``) and per trace.
        A quantity that cannot be had is None, and a quality check says why.

    Raises
    ------
    AnalysisError
        No thread in the request.
    TraceShapeError
        No groove, too few samples, unknown tip radius, unknown side.
    TraceRangeError
        Lengths that hardly in mm, sides swapped, a tip that does not fit the groove.

    Notes
    -----
    Lead angles of 2° to 25°, shaft or nut, either hand, 1 to 4 starts, tilt to 0.5°, tip radius to 0.05 mm:
    contact angle within 0.01°, radii, separations and diameter within 0.1 µm, pitch within 0.05 µm
    (tests/analysis/test_axial.py).
    """
    thread = request.thread
    if thread is None:
        raise AnalysisError("the recipe has no [thread]; grooves cannot be found without it")
    options = request.options if isinstance(request.options, AxialOptions) else AxialOptions()
    nominal = nominal_of(trace, thread, options)
    analysis = _analyse_steps(trace, thread, options, nominal)
    found = {q.name: q.value for q in analysis.quantities if q.name in ("plane_offset", "plane_yaw")}
    measured = any(q.value is not None for q in analysis.quantities)
    if found["plane_yaw"] is not None or not measured:
        return analysis
    # Two grooves on a side show how far the plane lies off, but not a yaw, which stretches their pitch.
    offset_mm = found["plane_offset"]
    unknown_mm = request.plane_offset_mm if offset_mm is None else 0.0
    if unknown_mm == request.plane_yaw_deg == 0.0:
        return analysis
    return _with_plane_counted(trace, request, analysis, nominal, offset_mm or 0.0, unknown_mm)


def _with_plane_counted(
    trace: Trace, request: Request, analysis: Analysis, nominal: Nominal, offset_mm: float, unknown_mm: float
) -> Analysis:
    """The analysis with what an unknown measuring plane may do in its uncertainties, on a decimated trace.

    ``offset_mm`` is where the plane was found or else taken to be, ``unknown_mm`` how far it may lie off that.
    """
    thread, thin = request.thread, decimate(trace)
    options = request.options if isinstance(request.options, AxialOptions) else AxialOptions()
    # Roughness takes half of the time, and no plane of 0.1 mm changes it.
    quick = msgspec.structs.replace(options, roughness=None)

    def values_in(plane: Plane) -> dict[tuple[str, str], float]:
        if thread is None:
            return {}
        try:
            found = _analyse_steps(thin, thread, quick, replace(nominal, plane=plane))
        except (AnalysisError, InputError):
            return {}
        values = {(q.name, q.instance): q.value for q in found.quantities if q.value is not None}
        return {**values, ("plane_offset", ""): plane.offset_mm}

    x = trace.columns["x_mm"]
    return count_plane(
        analysis,
        values_in,
        offset_mm=offset_mm,
        plane_offset_mm=unknown_mm,
        plane_yaw_deg=request.plane_yaw_deg,
        middle_mm=float(np.nanmin(x) + np.nanmax(x)) / 2.0,
    )


def _analyse_steps(trace: Trace, thread: Thread, options: AxialOptions, nominal: Nominal) -> Analysis:
    """The steps in their order; see `analyse`."""
    sides = sides_of(trace)
    checks.require_plausible_units(sides, thread)
    quality = [
        checks.missing_samples(sides, trace.points, options.max_missing_share),
        checks.order_of_x(sides, trace.points, falling_allowed=options.falling_x),
        checks.one_side(sides),
        checks.hand_of_thread(thread, trace.header),
        *checks.stated_lead(thread, trace.header),
    ]
    found = find_grooves(sides, nominal, thread)
    quality.append(checks.cut_grooves(found.cut))
    if not found.names:
        quality.append(checks.failed_check("grooves", "no groove is whole; nothing was measured"))
        return _without_values(quality, found, options)
    rough = rough_pitch(found.frame.along_mm, found.frame.side, thread.pitch_mm)
    # Before anything is fitted: with a wrong lead all normal planes would be wrong, and their values look
    # sound.
    gross = checks.gross_pitch(rough, thread, 100.0 * checks.MAX_GROSS_PITCH_ERROR, coarse=True)
    if not gross.ok:
        return _without_values([*quality, gross], found, options)
    try:
        measured = measure_grooves(found, sides, nominal, options.groove_axis)
    except (AnalysisError, InputError) as error:
        quality.append(
            checks.failed_check("grooves", f"the grooves could not be brought into one frame: {error}")
        )
        return _without_values(quality, found, options)
    return _collect(measured, quality, nominal, thread, options)


def influences(trace: Trace, request: Request, analysis: Analysis, wanted: frozenset[str]) -> Influences:
    """What length scale and tip radius do to every value; see ``budget.axial_influences``."""
    return axial_influences(trace, request, analysis, wanted, analyse)


def nominal_of(trace: Trace, thread: Thread, options: AxialOptions) -> Nominal:
    """What the recipe says of the groove. Raises TraceShapeError and TraceRangeError for an unusable tip."""
    header = trace.header
    # A corrected trace is the surface itself; its tip still counts in the uncertainty (`budget`).
    tip = 0.0 if header.tip_corrected else header.tip_radius_mm
    if tip is None:
        raise TraceShapeError(
            "the trace is the path of the tip's centre without tip_radius_mm; give it or tip_corrected = true"
        )
    radius = thread.ball_diameter_mm / 2.0
    # Beyond half a ball's radius a tip in um has been taken for mm, or it rests on both flanks at once.
    if not 0.0 <= tip < radius / 2.0:
        raise TraceRangeError(f"tip radius {tip:.6g} mm does not fit a groove for {2 * radius:.6g} mm balls")
    half = options.zone_half_width_deg
    return Nominal(
        ball_radius_mm=radius - tip,
        flank_radius_mm=thread.track_conformity * thread.ball_diameter_mm - tip,
        tip_radius_mm=tip,
        contact_angle_deg=thread.contact_angle_deg,
        # 2° and 88°: neither beyond the root's axis nor round to where the section turns vertical.
        zone_deg=(max(thread.contact_angle_deg - half, 2.0), min(thread.contact_angle_deg + half, 88.0)),
        facing=1.0 if thread.member == "shaft" else -1.0,
        starts=thread.starts,
        lead_mm=thread.lead_mm,
        ball_circle_radius_mm=thread.ball_pitch_circle_mm / 2.0,
        align=options.alignment == "ball-centres",
        form_cutoff_mm=options.form_cutoff_mm,
    )


def sides_of(trace: Trace) -> dict[float, CleanSide]:
    """The samples of each side that was measured, cleaned. Raises TraceShapeError for any other side."""
    side, x, z = (trace.columns[name] for name in COLUMNS)
    sides = {}
    for code in (SIDE_TOP, SIDE_BOTTOM):
        here = side == code
        if np.any(here):
            sides[code] = clean_side(code, x[here], z[here])
    # After the known sides, so that NaN, which equals nothing, is counted here, too.
    foreign = np.count_nonzero((side != SIDE_TOP) & (side != SIDE_BOTTOM))
    if foreign or not sides:
        raise TraceShapeError(f"{foreign} of {side.size} samples belong neither to side top nor to side bottom")
    return sides


def _without_values(quality: list[QualityCheck], found: FoundGrooves, options: AxialOptions) -> Analysis:
    """All that was asked for, without a value; the failed check is already in ``quality``."""
    quantities = [q for name in found.names for q in unmeasured_groove(name, options)]
    # All names without values: a limit on one that was not measured must hold, not pass unseen.
    quantities += [Quantity(name, None, unit) for name, unit in TRACE_UNITS.items()]
    return Analysis(quality=tuple(quality), quantities=tuple(quantities))


def _collect(
    measured: MeasuredGrooves,
    quality: list[QualityCheck],
    nominal: Nominal,
    thread: Thread,
    options: AxialOptions,
) -> Analysis:
    """Quantities, checks and details of a measured trace."""
    frame, names = measured.frame, list(measured.grooves)
    grid = fit_grid(
        frame.along_mm,
        frame.side,
        pitch_mm=rough_pitch(frame.along_mm, frame.side, thread.pitch_mm),
        starts=thread.starts,
        uncertainty_mm=measured.along_spread_mm,
    )
    across = ball_pitch_circle(
        frame.along_mm,
        frame.side * frame.radius_mm,
        frame.side,
        pitch_mm=thread.pitch_mm,
        uncertainty_mm=measured.height_spread_mm,
        common_mm=frame.axis.plane.diameter_uncertainty_mm(frame.along_mm, frame.radius_mm),
    )
    # Curvature and lead angle need a circle only roughly: the nominal one does where none is measured.
    circle = across.diameter_mm if across is not None else thread.ball_pitch_circle_mm
    psi = float(np.degrees(lead_angle_rad(circle / 2.0, frame.lead_mm)))
    quantities, remarks, failures = _groove_reports(measured, nominal, thread, options, circle, psi)
    steps, pitch_details = _pitch_quantities(measured, grid, names, thread)
    quantities += steps + _trace_quantities(frame, grid, across, thread)
    quantities += _circle_quantities(across, frame, names)
    quality += _closing_checks(measured, grid, across, thread, options)
    if across is None and np.unique(frame.side).size == 2:
        note = "no groove lies opposite to, or between, grooves of the other side"
        quality.append(checks.lacking("ball_pitch_circle", note, expected=not nominal.align))
    quality += checks.without_number(remarks)
    if failures:
        quality.append(checks.failed_check("asked_without_number", "; ".join(failures)))
    balls = {n: (float(a), float(r)) for n, a, r in zip(names, frame.along_mm, frame.radius_mm, strict=True)}
    details: dict[str, Any] = {
        "axial": {
            "grooves": report_details(measured.grooves, nominal, balls),
            "grooves_measured": len(names),
            "tip_radius_mm": nominal.tip_radius_mm,
            **pitch_details,
            "ball_pitch_circle": []
            if across is None
            else [
                {"instance": names[i], "diameter_mm": round(float(d), 7)}
                for i, d in zip(across.place, across.each_mm, strict=True)
            ],
        }
    }
    return Analysis(quality=tuple(quality), quantities=tuple(quantities), details=details)


def _groove_reports(
    measured: MeasuredGrooves,
    nominal: Nominal,
    thread: Thread,
    options: AxialOptions,
    circle_mm: float,
    psi_deg: float,
) -> tuple[list[Quantity], list[str], list[str]]:
    quantities: list[Quantity] = []
    remarks: list[str] = []
    failures: list[str] = []
    for name, groove in measured.grooves.items():
        report = groove_quantities(
            groove,
            name,
            nominal=nominal,
            thread=thread,
            options=options,
            ball_circle_mm=circle_mm,
            lead_angle_deg=psi_deg,
        )
        quantities += report.quantities
        remarks += report.remarks
        failures += report.failures
    # Listed without values, so that their limits hold.
    for name in measured.failed:
        quantities += unmeasured_groove(name, options)
    return quantities, remarks, failures


def _pitch_quantities(
    measured: MeasuredGrooves, grid: PitchGrid, names: list[str], thread: Thread
) -> tuple[list[Quantity], dict[str, Any]]:
    """Pitch of each pair, the largest cumulative deviation of each side, index error of each start."""
    frame = measured.frame
    quantities, pairs = [], []
    turned = frame.axis.plane.side_stretch(frame.radius_mm)
    for step in neighbour_pitches(frame.along_mm, frame.side, measured.number, measured.along_spread_mm):
        side = side_name(frame.side[step.first])
        pair = f"{side}[{measured.number[step.first] + 1}-{measured.number[step.second] + 1}]"
        deviation = (step.pitch_mm - thread.pitch_mm) * 1e3
        # A yaw stretches all pitches of a side together: it does not average out over the grooves.
        spread = float(np.hypot(step.uncertainty_mm, turned * step.pitch_mm))
        quantities.append(Quantity("pitch", step.pitch_mm, "mm", pair, spread))
        quantities.append(Quantity("pitch_deviation", deviation, "um", pair, spread * 1e3))
        pairs.append(
            {"instance": pair, "pitch_mm": round(step.pitch_mm, 7), "deviation_um": round(deviation, 4)}
        )
    sums = cumulative_deviation(frame.along_mm, frame.side, measured.number, thread.pitch_mm) * 1e3
    for code in (SIDE_TOP, SIDE_BOTTOM):
        here = frame.side == code
        if np.count_nonzero(here) > 1:
            # Of the difference of two places: the first groove's own counts in each.
            spread = np.hypot(measured.along_spread_mm[here], measured.along_spread_mm[here][0]) * 1e3
            spread = np.hypot(spread, 1e3 * turned * (frame.along_mm[here] - frame.along_mm[here][0]))
            # The first groove is 0 by definition.
            worst = int(np.argmax(np.abs(sums[here][1:]))) + 1
            quantities.append(
                Quantity(
                    "cumulative_pitch_deviation",
                    largest(sums[here]),
                    "um",
                    side_name(code),
                    float(spread[worst]),
                )
            )
    if grid.index_error_mm is not None and grid.index_uncertainty_mm is not None:
        # Start 1 is what the others are counted from.
        for start in range(1, thread.starts):
            error, spread = grid.index_error_mm[start] * 1e3, grid.index_uncertainty_mm[start] * 1e3
            quantities.append(
                Quantity("start_index_error", float(error), "um", f"start[{start + 1}]", float(spread))
            )
    cumulative = [{"instance": n, "deviation_um": round(float(d), 4)} for n, d in zip(names, sums, strict=True)]
    return quantities, {"pitch": pairs, "cumulative_deviation": cumulative}


def _trace_quantities(frame: Frame, grid: PitchGrid, across: Across | None, thread: Thread) -> list[Quantity]:
    pitch, pitch_spread = grid.pitch_mm, grid.pitch_uncertainty_mm
    if pitch is not None and pitch_spread is not None:
        turned = frame.axis.plane.mean_stretch(frame.along_mm, frame.side, frame.radius_mm)
        pitch_spread = float(np.hypot(pitch_spread, turned * pitch))
    lead = pitch * thread.starts if pitch is not None else None
    lead_spread = pitch_spread * thread.starts if pitch_spread is not None else None
    diameter, diameter_spread = (across.diameter_mm, across.uncertainty_mm) if across else (None, None)
    psi, psi_spread = None, None
    if lead is not None and lead_spread is not None and across is not None:
        psi = float(np.degrees(lead_angle_rad(across.diameter_mm / 2.0, lead)))
        relative = float(np.hypot(lead_spread / lead, across.uncertainty_mm / across.diameter_mm))
        # From tan ψ = lead / (π D): dψ = sin 2ψ / 2 times the relative error of lead over diameter.
        psi_spread = float(np.degrees(np.sin(2.0 * np.radians(psi)) / 2.0)) * relative
    tilt_spread = frame.axis.tilt_uncertainty_rad
    tilt = float(np.degrees(frame.axis.tilt_rad)) if tilt_spread is not None else None
    return [
        Quantity("pitch", pitch, "mm", "", pitch_spread),
        Quantity("lead", lead, "mm", "", lead_spread),
        Quantity("ball_pitch_circle_diameter", diameter, "mm", "", diameter_spread),
        Quantity("lead_angle", psi, "deg", "", psi_spread),
        Quantity(
            "axis_tilt", tilt, "deg", "", float(np.degrees(tilt_spread)) if tilt_spread is not None else None
        ),
        *_plane_quantities(frame.axis.plane),
    ]


def _plane_quantities(plane: Plane) -> list[Quantity]:
    """The measuring plane against the axis, as far as the grooves show it."""
    offset_u, yaw_u = plane.offset_uncertainty_mm, plane.yaw_uncertainty_rad
    offset = None if offset_u is None else plane.offset_mm
    yaw = (None, None) if yaw_u is None else (float(np.degrees(plane.yaw_rad)), float(np.degrees(yaw_u)))
    return [
        Quantity("plane_offset", offset, "mm", "", offset_u),
        Quantity("plane_yaw", yaw[0], "deg", "", yaw[1]),
    ]


def _circle_quantities(across: Across | None, frame: Frame, names: list[str]) -> list[Quantity]:
    """Diameter at each groove, variation and taper; the last two without a value where nothing faces."""
    found, variation, taper = [], None, None
    if across is not None:
        each = zip(across.place, across.each_mm, across.each_uncertainty_mm, strict=True)
        found = [Quantity("ball_pitch_circle_diameter", float(d), "mm", names[i], float(u)) for i, d, u in each]
        variation, taper = circle_variation(across), circle_taper(across, frame.along_mm)
    for name, value in (("ball_pitch_circle_variation", variation), ("ball_pitch_circle_taper", taper)):
        in_um = (None, None) if value is None else (value[0] * 1e3, value[1] * 1e3)
        found.append(Quantity(name, in_um[0], "um", "", in_um[1]))
    return found


def _closing_checks(
    measured: MeasuredGrooves, grid: PitchGrid, across: Across | None, thread: Thread, options: AxialOptions
) -> list[QualityCheck]:
    """Checks that need the measured grooves."""
    frame = measured.frame
    flanks = {
        f"{name} {label}": flank
        for name, groove in measured.grooves.items()
        for label, flank in zip(("left", "right"), groove.flanks, strict=True)
    }
    tilt = None if frame.axis.tilt_uncertainty_rad is None else float(np.degrees(frame.axis.tilt_rad))
    found = [
        checks.failed_grooves(measured.failed),
        checks.unbroken_sequence(measured.number, frame.side),
        checks.left_out_points(flanks, options.max_left_out_share),
        checks.flank_ends(flanks, options.max_land_share),
        checks.axis_tilt(tilt, options.max_axis_tilt_deg, trusted=options.alignment == "as-recorded"),
    ]
    found.append(checks.measuring_plane(frame.axis.plane, frame.along_mm, options.max_plane_offset_mm))
    if grid.pitch_mm is not None:
        found.append(checks.gross_pitch(grid.pitch_mm, thread, options.max_pitch_error_percent))
    else:
        note = "no two neighbouring grooves on a side: no pitch, and the lead is the recipe's"
        found.append(checks.lacking("pitch", note, expected=options.alignment == "as-recorded"))
    if grid.side_phase is not None:
        found.append(checks.side_phase(grid.side_phase, thread))
    if across is not None:
        found.append(checks.ball_circle(across.diameter_mm, thread))
    return found

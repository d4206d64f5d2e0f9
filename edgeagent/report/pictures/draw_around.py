"""Pictures of a spiral or circle trace: spectrum, turns over one another, around the part, alignment."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from edgeagent.analysis.around.fitting import clean, fit_trace, run_checks, without_stuck
from edgeagent.analysis.around.options import SpiralOptions
from edgeagent.analysis.around.roundness import filtered_profile
from edgeagent.analysis.track.contact import contact_of
from edgeagent.codec.plain_text import count_text
from edgeagent.codec.records.archived_result import ArchivedResult
from edgeagent.errors import TraceShapeError
from edgeagent.model import FloatArray, IntArray, RoundSurface, Thread, Trace, Verdict
from edgeagent.model.records import JudgedValue
from edgeagent.report.pictures.draw import (
    CAUTION,
    COMPARED,
    GREY,
    KEY_IN,
    LIMIT,
    MEASURED,
    MEASURED_MARK,
    NOMINAL,
    PALE,
    UNCERTAINTY,
    Picture,
    halo,
    key_above,
    limit_above,
    picture,
    plain_log,
    thin_samples,
)
from edgeagent.report.words import limit_text

# More names cover the lines that they name.
_LABELS_MAX = 8
# More than a printed plot resolves: all 54,000 would only make the page larger.
_POINTS_MAX = 5000
_TURNS_NAMED_MAX = 4
_DASHES = ("-", (0, (4, 1.5)), (0, (1.5, 1.2)), (0, (6, 1.5, 1.5, 1.5)))
_AROUND_POINTS = 1440
_NEIGHBOURS_SHARE = 0.04
"""Orders of a second spectrum within this share of one another share a point of its line."""
_PLOT_PT = np.array([524.0, 201.0])
"""Size of the spectrum's field within its picture, near enough to keep names apart."""
_LABEL_PT = (56.0, 14.0)


@dataclass(frozen=True, slots=True)
class Curves:
    """A trace taken apart once more: arrays of shape (n,) but ``around_um``, which goes once around.

    ``surface_um`` is normal to the surface, without constant, eccentricity and alignment; ``taken_out_um`` is
    what was taken out, as the gauge read it. ``turn`` counts whole turns from 0.
    """

    angle_deg: FloatArray
    taken_out_um: FloatArray
    surface_um: FloatArray
    turn: IntArray
    around_um: FloatArray
    band: tuple[int, int]


def take_apart(
    trace: Trace,
    options: SpiralOptions,
    factor: float,
    thread: Thread | None,
    artefact: Mapping[str, Any] | None = None,
) -> Curves:
    """Fit the trace again as its analysis did; ``artefact`` is what that says of its surface.

    Raises InputError or AnalysisError where that is impossible.
    """
    samples = clean(trace)
    samples = without_stuck(samples, run_checks(samples))
    spiral = trace.header.kind == "spiral"
    contact = contact_of(
        trace,
        thread,
        factor,
        flank=options.flank,
        surface_angle_deg=options.surface_angle_deg,
        spiral=spiral,
        surface=None if artefact is None else RoundSurface(**artefact),
    )
    found = fit_trace(samples, options, spiral=spiral, contact=contact)
    fit = found.fit
    surface = fit.coefficient.copy()
    # Orders 0 and 1 are constant and eccentricity: set-up, not surface.
    surface[:2] = 0
    shape = fit.profile_at(samples.angle_rad, surface) + found.residual_um
    angle_deg = np.degrees(samples.angle_rad)
    # A sample at 360° whose angle was rounded down belongs to the next turn.
    turn = np.floor((angle_deg - angle_deg.min()) / 360.0 + 1e-9).astype(np.int64)
    return Curves(
        angle_deg=angle_deg,
        taken_out_um=samples.deviation_um - shape,
        surface_um=shape * factor,
        turn=turn,
        around_um=factor * filtered_profile(fit.coefficient, *options.upr, _AROUND_POINTS),
        band=options.upr,
    )


def spectrum_picture(
    result: ArchivedResult, name: str, others: Sequence[ArchivedResult | None] = ()
) -> Picture | None:
    """Amplitude over UPR with limit, caution, noise, offenders by name; None without a spectrum.

    ``others`` are what ``COMPARED`` names, in its order.
    """
    spectrum = result.spectrum
    if spectrum is None or len(spectrum.upr) < 2:
        return None
    lines = (spectrum.upr, spectrum.amplitude_nm, spectrum.noise_nm, spectrum.upper_nm, spectrum.caution_nm)
    upr, amplitude, noise, upper, caution = (np.array(line, dtype=np.float64) for line in lines)
    # Below two undulations lie constant and eccentricity, which are set-up.
    shown = upr >= 2
    upr, amplitude, noise, upper, caution = (a[shown] for a in (upr, amplitude, noise, upper, caution))
    marked = _offenders(result.characteristics, dict(zip(upr.tolist(), amplitude.tolist(), strict=True)))

    limited = np.isfinite(upper)
    judged = bool(np.any(limited))

    def paint(figure: Figure) -> None:
        axes = figure.add_subplot()
        plain_log(axes, x=True, y=True)
        positive = amplitude[amplitude > 0]
        # the lower half is mostly noise; to show all of it would press the rest together
        bottom = float(np.median(positive)) / 3 if positive.size else 0.1
        top = (2.5 if judged else 15.0) * np.nanmax(
            np.concatenate((amplitude + 2 * noise, upper, [bottom * 10]))
        )
        low = np.maximum(amplitude - 2 * noise, bottom)
        high = np.maximum(amplitude + 2 * noise, bottom)
        _stems(axes, upr, amplitude, bottom)
        axes.fill_between(
            upr, low, high, step="mid", label="noise of this trace, k = 2", zorder=0, **UNCERTAINTY
        )
        if judged:
            limit_above(axes, upr[limited], upper[limited], float(top))
        if np.any(np.isfinite(caution)):
            axes.plot(upr, caution, label="caution", **CAUTION)
        for other, (style, label) in zip(others, COMPARED, strict=False):
            _second_spectrum(axes, other, bottom, style, label)
        axes.set_ylim(bottom, top)
        axes.set_xlim(1.8, float(upr[-1]) * 1.15)
        _name_offenders(axes, marked, upr[limited], upper[limited])
        axes.set_xlabel("undulations per revolution")
        axes.set_ylabel("amplitude in nm")
        key_above(axes, 6)

    over = [n for n, _, verdict in marked if verdict == Verdict.NONCONFORMING]
    words = f"{count_text(len(over), 'undulation')} over the limit" if over else "No undulation over the limit"
    caption = f"{words}. Each line is one undulation; the hatched field is not allowed."
    if not judged:
        caption = "Each line is one undulation; no limit curve judges them."
    if any(o is not None for o in others):
        caption += " Thin: the highest of neighbouring undulations of what is compared."
    return picture(
        "Amplitude spectrum", caption, paint, name=name, size_in=(8.2, 3.6), shape="wide", top_in=KEY_IN
    )


def _second_spectrum(
    axes: Axes, other: ArchivedResult | None, bottom: float, style: Mapping[str, Any], label: str
) -> None:
    """The tops of another spectrum as a thin line; where orders lie close, the highest of its neighbours."""
    if other is None or other.spectrum is None:
        return
    upr = np.array(other.spectrum.upr, dtype=np.float64)
    amplitude = np.array(other.spectrum.amplitude_nm, dtype=np.float64)
    upr, amplitude = upr[upr >= 2], amplitude[upr >= 2]
    if not upr.size:
        return
    # Cells of equal width on the logarithmic axis.
    cell = np.floor(np.log(upr) / np.log(1.0 + _NEIGHBOURS_SHARE)).astype(np.int64)
    first = np.flatnonzero(np.diff(cell, prepend=cell[0] - 1))
    tops = np.maximum.reduceat(amplitude, first)
    at = np.exp(np.add.reduceat(np.log(upr), first) / np.diff(first, append=upr.size))
    axes.plot(at, np.maximum(tops, bottom), label=label, **{**style, "zorder": 4})


def _stems(axes: Axes, upr: FloatArray, amplitude: FloatArray, bottom: float) -> None:
    """A line per undulation; above a thousand they would merge, so there the tops are joined."""
    drawn = amplitude > bottom
    if upr.size <= 1000:
        # NaN ends a line: all stems in one path instead of a thousand.
        gap = np.full(int(drawn.sum()), np.nan)
        x = np.column_stack((upr[drawn], upr[drawn], gap)).ravel()
        y = np.column_stack((np.full(gap.size, bottom), amplitude[drawn], gap)).ravel()
        axes.plot(x, y, label="measured", **{**MEASURED, "linewidth": 0.8 if upr.size < 200 else 0.5})
    else:
        axes.plot(upr[drawn], amplitude[drawn], label="measured", **{**MEASURED, "linewidth": 0.8})


def _offenders(
    characteristics: Sequence[JudgedValue], spectrum: Mapping[float, float]
) -> list[tuple[int, float, str]]:
    """(UPR, amplitude, verdict) of the undulations worth a name: the nearest to its limit, those over it.

    Of a reference artefact: the waves that its certificate names.
    """
    certified = [int(c.instance) for c in characteristics if c.name == "amplitude_error"]
    # Of an artefact there is no limit to be near to: its certified waves are what one looks for.
    waves = [(n, spectrum[n], "certified") for n in certified if n in spectrum]
    return waves + [
        (int(c.instance), c.value, c.verdict)
        for c in characteristics
        if c.name == "harmonic_amplitude" and c.value is not None and c.instance.isdigit()
    ]


def _name_offenders(
    axes: Axes, marked: Sequence[tuple[int, float, str]], upr: FloatArray, upper: FloatArray
) -> None:
    """Names beside their undulations, clear of one another and of the limit's line."""
    if not marked:
        return
    everything = np.array([(n, a) for n, a, _ in marked])
    axes.plot(
        everything[:, 0], everything[:, 1], MEASURED_MARK, color=MEASURED["color"], markersize=5, zorder=9
    )
    to_axes = axes.transData + axes.transAxes.inverted()
    taken: list[tuple[float, float]] = []
    for n, amplitude, _ in sorted(marked[:_LABELS_MAX]):
        x, y = to_axes.transform((n, amplitude)) * _PLOT_PT
        # Upwards until neither name nor limit is in the way: there is room above, the curve is below.
        line = _line_beside(to_axes, upr, upper, x)
        height = y + 7.0
        while any(
            abs(x - other) < _LABEL_PT[0] and abs(height - above) < _LABEL_PT[1] for other, above in taken
        ) or (line is not None and line[0] - 14.0 < height < line[1] + 3.0):
            height += 2.0
        taken.append((x, height))
        axes.annotate(
            f"{n} UPR",
            (n, amplitude),
            xytext=(0, height - y) if n > 3 else (7, -4),
            textcoords="offset points",
            ha="center" if n > 3 else "left",
            fontweight="bold",
            zorder=6,
            arrowprops={"arrowstyle": "-", "color": GREY, "linewidth": 0.6} if height - y > 8 else None,
            path_effects=halo(),
        )


def _line_beside(to_axes: Any, upr: FloatArray, upper: FloatArray, x: float) -> tuple[float, float] | None:
    """Lowest and highest place of the limit's line where a name at ``x`` would stand, None without a line."""
    if not upr.size:
        return None
    at = to_axes.transform(np.column_stack((upr, upper))) * _PLOT_PT
    near = np.abs(at[:, 0] - x) < _LABEL_PT[0] / 2 + 2
    if not np.any(near):
        return None
    return float(at[near, 1].min()), float(at[near, 1].max())


def turns_picture(curves: Curves, name: str) -> Picture:
    """The surface over one revolution, every turn of the trace laid over the others."""
    turns = int(curves.turn.max()) + 1

    def paint(figure: Figure) -> None:
        axes = figure.add_subplot()
        axes.grid(visible=True)
        stretches = max(_POINTS_MAX // (2 * turns), 40)
        for k in range(turns):
            here = np.flatnonzero(curves.turn == k)
            if here.size < 2:
                continue
            kept = here[thin_samples(curves.surface_um[here], stretches)]
            style = {**MEASURED, "linewidth": 0.7, "alpha": 0.9 if turns <= _TURNS_NAMED_MAX else 0.35}
            if turns <= _TURNS_NAMED_MAX:
                style |= {"linestyle": _DASHES[k], "label": f"turn {k + 1}"}
            kept = kept[np.argsort(curves.angle_deg[kept] % 360.0, kind="stable")]  # a turn may begin anywhere
            axes.plot(curves.angle_deg[kept] % 360.0, curves.surface_um[kept], **style)
        axes.set_xlim(0, 360)
        axes.set_xticks(range(0, 361, 60))
        axes.set_xlabel("angle in °")
        axes.set_ylabel("deviation in µm")
        if 1 < turns <= _TURNS_NAMED_MAX:
            key_above(axes, turns)

    caption = f"{count_text(turns, 'turn')} laid over one another, normal to the surface, alignment taken out."
    return picture("Trace over the angle", caption, paint, name=name, size_in=(5.2, 2.5), top_in=KEY_IN)


def around_picture(
    curves: Curves, result: ArchivedResult, name: str, others: Sequence[Curves | None] = ()
) -> Picture:
    """The deviation around the part in the recipe's band, with the two circles that a limit allows.

    ``others`` are what ``COMPARED`` names, in its order.

    These are concentric with the least-squares circle: where the recipe asks for another one they are left out.
    """
    limit = next((c.upper for c in result.characteristics if c.name == "roundness_total"), None)
    if any(c.check == "reference_circle" for c in result.quality):
        limit = None
    # A perfect circle, as of a simulation, still needs a scale.
    height = float(np.ptp(curves.around_um)) or 1e-6
    second = [(o, *how) for o, how in zip(others, COMPARED, strict=False) if o is not None]
    height = max([height, *(float(np.ptp(o.around_um)) for o, _, _ in second)])
    step = _nice(max(height, limit or 0.0) / 3.0)
    # The deviation is a third of the radius: larger, and a lobe would fold over the middle.
    base = 3.2 * max(height, limit or 0.0)

    def circle(axes: Axes, deviation: float, **style: Any) -> None:
        turn = np.linspace(0, 2 * np.pi, 181)
        axes.plot((base + deviation) * np.cos(turn), (base + deviation) * np.sin(turn), **style)

    def paint(figure: Figure) -> None:
        axes = figure.add_subplot()
        axes.set_aspect("equal")
        axes.set_axis_off()
        circle(axes, 0.0, label="least-squares circle", **NOMINAL)
        if limit is not None:
            # Roundness is a width: the two circles lie where they hold the profile best.
            middle = float(curves.around_um.max() + curves.around_um.min()) / 2
            circle(axes, middle - limit / 2, label="limit", **LIMIT)
            circle(axes, middle + limit / 2, **LIMIT)
        angle = np.linspace(0, 2 * np.pi, curves.around_um.size + 1)
        for one, style, label in [*second, (curves, MEASURED, "measured")]:
            radius = base + np.append(one.around_um, one.around_um[0])
            axes.plot(radius * np.cos(angle), radius * np.sin(angle), label=label, **style)
        reach = base + max(height, limit or 0.0) * 0.75
        for degrees in (0, 90, 180, 270):
            turn = np.radians(degrees)
            x, y = 1.1 * reach * np.cos(turn), 1.1 * reach * np.sin(turn)
            axes.text(x, y, f"{degrees}°", ha="center", va="center")
        axes.plot([-step / 2, step / 2], [0, 0], color=GREY, linewidth=1.4, marker="|")
        axes.text(0, -0.06 * base, f"{limit_text(step)} µm", ha="center", va="top")
        axes.set_xlim(-1.24 * reach, 1.24 * reach)
        axes.set_ylim(-1.5 * reach, 1.18 * reach)
        axes.legend(loc="lower center", ncols=3, columnspacing=1.2, handlelength=1.8, frameon=False)

    low, high = curves.band
    both = " Limit: both black circles, which the profile must fit between." if limit is not None else ""
    caption = f"{low} to {high} UPR, mean of all turns, about the least-squares circle.{both}"
    return picture("Deviation around the part", caption, paint, name=name, size_in=(5.2, 5.0), shape="tall")


def _nice(length: float) -> float:
    """1, 2 or 5 times a power of ten, at most ``length``."""
    power = 10.0 ** np.floor(np.log10(length))
    return float(power * max(k for k in (1, 2, 5) if k * power <= length * (1 + 1e-9)))


def reading_picture(trace: Trace, curves: Curves | None, name: str) -> Picture:
    """All that the gauge read over the turns, and what of it was set-up and not surface.

    ``curves`` None, for a trace that could not be taken apart, leaves the bare reading. Raises TraceShapeError
    when there is no usable sample.
    """
    samples = clean(trace)
    if not samples.angle_rad.size:
        raise TraceShapeError("no sample is finite")
    start = float(samples.angle_rad.min())

    def paint(figure: Figure) -> None:
        axes = figure.add_subplot()
        axes.grid(visible=True)
        if curves is not None:
            # What was taken out is smooth: a point for each degree of a turn shows it.
            sparse = np.linspace(0, curves.angle_deg.size - 1, 361).astype(np.int64)
            turns = (curves.angle_deg[sparse] - np.degrees(start)) / 360.0
            axes.plot(turns, curves.taken_out_um[sparse], label="taken out", color=PALE, linewidth=6)
        kept = thin_samples(samples.deviation_um, 500)
        turns = (samples.angle_rad[kept] - start) / (2 * np.pi)
        axes.plot(turns, samples.deviation_um[kept], label="as the gauge read it", **MEASURED)
        axes.set_xlabel("turns")
        axes.set_ylabel("reading in µm")
        key_above(axes, 2)

    if curves is None:
        title, caption = "What the gauge read", "The trace as it was recorded, nothing taken out."
    else:
        title = "Alignment that was taken out"
        caption = "Eccentricity, tilt and mean slope belong to the set-up: reported, never judged as surface."
    return picture(title, caption, paint, name=name, size_in=(5.2, 2.5), top_in=KEY_IN)

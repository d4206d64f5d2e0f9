"""Command ``pair``: both flanks of one groove together, radial and axial motion apart."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from edgeagent.errors import AgentError, AnalysisError, InputError, UsageError

if TYPE_CHECKING:
    from edgeagent.analysis.around.flank_pair import FlankPair, Verdict
    from edgeagent.judging.evaluate import Evaluation, Rulebook
    from edgeagent.model import FloatArray, IntArray, QualityCheck, Running, Spectrum, Thread

_ORDERS = 12
_PITCH_AGREES = 0.1
"""Share of a pitch within which recorded axial positions are those of two flanks of one thread."""


@click.command()
@click.argument("left", type=click.Path(path_type=Path))
@click.argument("right", type=click.Path(path_type=Path))
@click.option("--config", type=click.Path(path_type=Path), required=True, help="The station's agent.toml.")
@click.option(
    "--plane",
    type=click.Choice(("axial", "normal")),
    default="axial",
    show_default=True,
    help="Compare the flanks in one plane through the axis, or where one ball touches both, as does a wheel "
    "set to the lead angle.",
)
@click.option(
    "--contact-angle-u-deg",
    type=click.FloatRange(min=0),
    default=0.0,
    help="Standard uncertainty of the contact angle.",
)
@click.option(
    "--one-clamping",
    is_flag=True,
    help="You vouch that both traces share clamping and angle; the eccentricities then only contradict.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout, nothing else there.")
def pair(
    left: Path, right: Path, config: Path, plane: str, contact_angle_u_deg: float, one_clamping: bool,
    as_json: bool,
) -> None:  # fmt: skip
    """Tell radial from axial motion of a groove from the traces LEFT and RIGHT of its two flanks.

    Both traces must be spirals of the same part, measured in one clamping, so that they share the angle's mark.
    What the pattern points to is said with care, and as unsure where noise, the shared angle or the plane of
    comparison leave it open: it is a hint for a person. Exit code 0 when the traces could be combined, 1 when
    not.

    \b
    Example:
      edgeagent pair export/000412-left.txt export/000412-right.txt --config config/agent.toml
    """
    from functools import partial

    from edgeagent.analysis.around.flank_pair import (
        combine_flanks,
        greatest_orders,
        judge_motion,
        trusted_upr,
    )
    from edgeagent.analysis.around.track_normal import normal_plane_shift_rad
    from edgeagent.codec.records.result import encode, quality_object
    from edgeagent.commands.align import rise_mm_per_turn

    both, rules = read_files((left, right), config)
    spectra, thread, running = _same_part(both)
    rises = rise_mm_per_turn(both[0].trace, thread) > 0
    tip_mm = max(found.trace.header.tip_radius_mm or 0.0 for found in both)
    combine = partial(
        combine_flanks,
        *spectra,
        contact_angle_deg=thread.contact_angle_deg,
        lead_angle_rad=thread.lead_angle_rad,
        contact_angle_u_deg=contact_angle_u_deg,
        scale_u=scale_uncertainty(both[0], rules, max(spectra, key=lambda s: len(s.upr)).upr),
    )
    shift_rad = normal_plane_shift_rad(thread, rises=rises, tip_radius_mm=tip_mm)
    touched = combine(shift_rad=shift_rad)
    combined, elsewhere = (touched, None) if plane == "normal" else (combine(shift_rad=0.0), touched)
    greatest = greatest_orders(combined, _ORDERS)
    check, doubt_rad = _shared_angle(both, thread, 0 if one_clamping else max(greatest, default=0))
    if one_clamping and (check.ok or check.value is None):
        doubt_rad = 0.0
    verdicts = judge_motion(combined, greatest, doubt_rad=doubt_rad, elsewhere=elsewhere)
    found = _as_json(both, combined, verdicts, running)
    found["plane"] = plane
    found["quality"] = [quality_object(check)]
    found["one_clamping"] = one_clamping
    found["unfit"] = unfit(both)
    found["trusted_upr"] = trusted_upr(doubt_rad, len(combined.upr))
    click.echo(encode(found).decode() if as_json else _text(found))


def read_files(paths: tuple[Path, ...], config: Path) -> tuple[list[Evaluation], Rulebook]:
    """Files evaluated with a configuration, and its rules. Ends the command with 1 and a line for one that
    cannot be."""
    from edgeagent.commands.inspect import evaluate_file
    from edgeagent.judging.evaluate import Rulebook
    from edgeagent.store.configuration import load_configuration

    rules = Rulebook.of(load_configuration(config))
    found = []
    for path in paths:
        try:
            found.append(evaluate_file(path, rules))
        except OSError as error:
            refuse(path, str(error.strerror))
        except InputError as error:
            refuse(path, str(error))
    return found, rules


def refuse(path: Path | str, why: str) -> None:
    """One line on stderr and exit code 1."""
    click.echo(f"edgeagent: {path}: {why}", err=True)
    sys.exit(1)


def of_recipe(found: Evaluation) -> tuple[Thread, Running | None]:
    """Thread and running of a file's recipe. Raises AgentError where there is no thread."""
    header, name = found.trace.header, found.result["source"]["name"]
    if header.artefact is not None:
        raise AgentError(f"{name} traces artefact {header.artefact}, which has no thread that runs")
    recipe = found.recipe.recipe if found.recipe is not None else None
    if recipe is None or recipe.thread is None:
        raise AgentError(f"{name}: no recipe with a [thread] for part {header.part}")
    return recipe.thread, recipe.running


def unfit(files: list[Evaluation]) -> list[str]:
    """One sentence for each file that failed checks: what was computed from it is not to be relied on."""
    said = []
    for found in files:
        failed = ", ".join(c["check"].replace("_", " ") for c in found.result["quality"] if not c["ok"])
        if failed:
            said.append(f"{found.result['source']['name']} failed its checks, do not rely on it: {failed}")
    return said


def scale_uncertainty(found: Evaluation, rules: Rulebook, upr: IntArray) -> FloatArray:
    """Relative standard uncertainty of the gauge's scale at each order, common to all files of an instrument:
    what ``[uncertainty]`` states of the gauge, the artefact's certificate and its last deviation."""
    import numpy as np

    from edgeagent.analysis.budget.contributions import interpolated

    stated = rules.uncertainty_of(found.trace.header.instrument)
    if stated is None:
        return np.zeros(len(upr))
    certified, deviation = interpolated(stated.waves, upr.astype(np.float64))
    result: FloatArray = np.sqrt((stated.gauge_scale or 0.0) ** 2 + certified**2 + deviation**2)
    return result


def spectrum_of(found: Evaluation) -> Spectrum:
    """The spectrum of a file. Raises AgentError with the failed checks where there is none."""
    if found.analysis.spectrum is None:
        failed = "; ".join(c.note for c in found.analysis.quality if not c.ok)
        kind = found.trace.header.kind
        raise AgentError(f"{found.result['source']['name']} has no spectrum ({failed or f'kind {kind}'})")
    return found.analysis.spectrum


def _same_part(both: list[Evaluation]) -> tuple[tuple[Spectrum, Spectrum], Thread, Running | None]:
    """The spectra of two flanks of one part.

    Raises AgentError for an artefact, UsageError where the files contradict the command.
    """
    left, right = (found.trace.header for found in both)
    for found in both:
        if found.trace.header.artefact is not None:
            of_recipe(found)  # refuses it by name
    for key in ("part", "serial", "kind"):
        if getattr(left, key) != getattr(right, key):
            raise UsageError(
                f"{key} {getattr(left, key)} and {getattr(right, key)}: not two flanks of one part"
            )
    if left.kind != "spiral":
        raise UsageError(f"kind {left.kind}: the flanks of a groove are traced as spirals")
    if left.feature == right.feature:
        raise UsageError(f"both traces are of feature {left.feature}: a left and a right flank are needed")
    if "right" in left.feature and "left" in right.feature:
        raise UsageError(f"{left.feature} is given as LEFT, {right.feature} as RIGHT: turn them round")
    thread, running = of_recipe(both[0])
    return (spectrum_of(both[0]), spectrum_of(both[1])), thread, running


def _shared_angle(both: list[Evaluation], thread: Thread, upr: int) -> tuple[QualityCheck, float]:
    """The check that both flanks count their angle from one mark, well enough for ``upr``, and by how much they
    may not, in rad."""
    import math

    from edgeagent.analysis.around.flank_pair import datum_check, datum_doubt_rad
    from edgeagent.model import QualityCheck

    try:
        offsets = _axis_offsets(both, thread)
    except AnalysisError as error:
        return QualityCheck("angular_datum", False, None, None, "1", str(error)), math.pi
    return datum_check(*offsets, upr_needed=upr), datum_doubt_rad(*offsets)


def _axis_offsets(both: list[Evaluation], thread: Thread) -> tuple[complex, complex, float]:
    """Where each flank sees the part's axis at one height, and the uncertainty of the difference."""
    import numpy as np

    from edgeagent.analysis.around.alignment_advice import own_offset
    from edgeagent.commands.align import run_out_of

    heights = _heights_mm(both, thread)
    left = own_offset(run_out_of(both[0], heights[0], flank="left"), 0.0)
    right = own_offset(run_out_of(both[1], heights[1], flank="right"), 0.0)
    return left[0], right[0], float(np.hypot(left[1], right[1]))


def _heights_mm(both: list[Evaluation], thread: Thread) -> tuple[float, float]:
    """Heights of the traces' middles, half of them either side of 0.

    From the recorded axial positions where they differ as two flanks of one thread can, else from the angles,
    taken as counted on from turn to turn along the thread.
    """
    import numpy as np

    from edgeagent.commands.align import rise_mm_per_turn

    across = np.sin(np.radians(thread.contact_angle_deg)) * np.cos(thread.lead_angle_rad)
    apart = float(thread.ball_diameter_mm * across)
    traces = [found.trace for found in both]
    middles = [(np.nanmin(t.columns["angle_deg"]) + np.nanmax(t.columns["angle_deg"])) / 2 for t in traces]
    apart += rise_mm_per_turn(traces[0], thread) * float(middles[1] - middles[0]) / 360.0
    if all("axial_mm" in t.columns for t in traces):
        left, right = (float(np.nanmean(t.columns["axial_mm"])) for t in traces)
        pitches = (right - left - apart) * thread.starts / thread.lead_mm
        if abs(pitches - round(pitches)) < _PITCH_AGREES:
            apart = right - left
    return -apart / 2, apart / 2


def _as_json(
    both: list[Evaluation], combined: FlankPair, verdicts: tuple[Verdict, ...], running: Running | None
) -> dict[str, Any]:
    from dataclasses import asdict

    import numpy as np

    from edgeagent.analysis.around.flank_pair import explain_pair

    header = both[0].trace.header
    values: dict[str, Any] = {"upr": combined.upr.tolist()}
    for name, amplitude, u in (
        ("radial", combined.radial_nm, combined.u_radial_nm),
        ("axial", combined.axial_nm, combined.u_axial_nm),
    ):
        values[f"{name}_nm"] = np.abs(amplitude).tolist()
        values[f"{name}_phase_deg"] = np.degrees(np.angle(amplitude)).tolist()
        values[f"{name}_u_nm"] = u.tolist()
    return {
        "schema": "edgeagent.pair/1",
        "part": header.part,
        "serial": header.serial,
        "sources": [found.result["source"] for found in both],
        "motion": values,
        "greatest": [verdict.upr for verdict in verdicts],
        "verdicts": [asdict(verdict) for verdict in verdicts],
        "sentences": list(explain_pair(combined, verdicts, running)),
    }


def _text(found: dict[str, Any]) -> str:
    from edgeagent.codec.plain_text import aligned, clean, number

    (check,) = found["quality"]
    names = " with ".join(s["name"] for s in found["sources"])
    lines = [
        f"{clean(found['part'])} {clean(found['serial'])}: {clean(names)}",
        f"  shared angle: {_shared(found, check)}: {check['note']}",
    ]
    lines += [f"  {clean(sentence)}" for sentence in found["unfit"]]
    where = "in one plane through the axis" if found["plane"] == "axial" else "where one ball touches both"
    lines.append(f"  the flanks are compared {where}")
    rows: list[tuple[str, ...]] = [("UPR", "radial nm", "±U (k=2)", "axial nm", "±U (k=2)", "")]
    values = found["motion"]
    for n in found["greatest"]:
        numbers = [values["radial_nm"][n - 1], 2 * values["radial_u_nm"][n - 1]]
        numbers += [values["axial_nm"][n - 1], 2 * values["axial_u_nm"][n - 1]]
        rows.append((str(n), *(number(v) for v in numbers), ""))
    lines += ["", *aligned(rows), ""]
    lines += [f"  - {s}" for s in found["sentences"]] or ["  nothing stands out of the noise"]
    return "\n".join([*lines, ""])


def _shared(found: dict[str, Any], check: dict[str, Any]) -> str:
    """Whether the flanks share their angle, and how far up that is proved."""
    if found["one_clamping"] and (check["ok"] or check["value"] is None):
        return "yes, as you vouch"
    if check["ok"]:
        return "yes"
    if check["unit"] == "rad":
        return f"proved only as far as {found['trusted_upr']} UPR"
    return "NOT PROVED" if check["value"] is None else "NO"

"""Command ``pair``: both flanks of one groove together, radial and axial motion apart."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any

import click
import numpy as np

from edgeagent.analysis.track.flank_pair import FlankPair
from edgeagent.codec.plain_text import align_rows, clean, number
from edgeagent.codec.records.result import quality_object
from edgeagent.commands.shared_files import evaluate_files
from edgeagent.commands.shared_options import CONFIG, ONE_OBJECT
from edgeagent.commands.shared_output import json_line
from edgeagent.judging.evaluation.evaluate import Evaluation
from edgeagent.judging.studies.flank_motion import FlankMotion, flank_motion
from edgeagent.model import QualityCheck


@click.command()
@click.argument("left", type=click.Path(path_type=Path))
@click.argument("right", type=click.Path(path_type=Path))
@CONFIG
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
@ONE_OBJECT
def pair(
    left: Path, right: Path, config: Path, plane: str, contact_angle_u_deg: float, one_clamping: bool,
    as_json: bool,
) -> None:  # fmt: skip
    """Separate radial from axial motion of a groove by the traces LEFT and RIGHT of its two flanks.

    Both traces must be spirals of the same part, measured in one clamping, so that they share the angle's mark.
    What the pattern points to is said with care, and as unsure where noise, the shared angle or the plane of
    comparison leave it open: it is a hint for a person. Exit code 0 when the traces could be combined, 1 when
    not.

    \b
    Example:
      edgeagent pair export/000412-left.txt export/000412-right.txt --config config/agent.toml
    """
    both, rules = evaluate_files((left, right), config)
    first, second = both
    motion = flank_motion(
        first, second, rules, plane=plane, contact_angle_u_deg=contact_angle_u_deg, one_clamping=one_clamping
    )
    click.echo(json_line(_as_object(both, motion)) if as_json else _text(both, motion))


def _as_object(both: Sequence[Evaluation], motion: FlankMotion) -> dict[str, Any]:
    header = both[0].trace.header
    return {
        "schema": "edgeagent.pair/1",
        "part": header.part,
        "serial": header.serial,
        "sources": [file.result["source"] for file in both],
        "motion": _motion_object(motion.combined),
        "greatest": [verdict.upr for verdict in motion.verdicts],
        "verdicts": [asdict(verdict) for verdict in motion.verdicts],
        "sentences": list(motion.sentences),
        "plane": motion.plane,
        "quality": [quality_object(motion.datum)],
        "one_clamping": motion.one_clamping,
        "unfit": list(motion.failed),
        "trusted_upr": motion.trusted_upr,
    }


def _motion_object(combined: FlankPair) -> dict[str, Any]:
    values: dict[str, Any] = {"upr": combined.upr.tolist()}
    for name, amplitude, u in (
        ("radial", combined.radial_nm, combined.u_radial_nm),
        ("axial", combined.axial_nm, combined.u_axial_nm),
    ):
        values[f"{name}_nm"] = np.abs(amplitude).tolist()
        values[f"{name}_phase_deg"] = np.degrees(np.angle(amplitude)).tolist()
        values[f"{name}_u_nm"] = u.tolist()
    return values


def _text(both: Sequence[Evaluation], motion: FlankMotion) -> str:
    header, combined = both[0].trace.header, motion.combined
    names = " with ".join(file.result["source"]["name"] for file in both)
    lines = [
        f"{clean(header.part)} {clean(header.serial)}: {clean(names)}",
        f"  shared angle: {_shared_angle(motion, motion.datum)}: {motion.datum.note}",
    ]
    lines += [f"  {clean(sentence)}" for sentence in motion.failed]
    where = "in one plane through the axis" if motion.plane == "axial" else "where one ball touches both"
    lines.append(f"  the flanks are compared {where}")
    rows: list[tuple[str, ...]] = [("UPR", "radial nm", "±U (k=2)", "axial nm", "±U (k=2)", "")]
    for n in (verdict.upr for verdict in motion.verdicts):
        # Arrays begin with 1 UPR.
        numbers = [abs(combined.radial_nm[n - 1]), 2 * combined.u_radial_nm[n - 1]]
        numbers += [abs(combined.axial_nm[n - 1]), 2 * combined.u_axial_nm[n - 1]]
        rows.append((str(n), *(number(float(v)) for v in numbers), ""))
    lines += ["", *align_rows(rows), ""]
    lines += [f"  - {s}" for s in motion.sentences] or ["  nothing stands out of the noise"]
    return "\n".join([*lines, ""])


def _shared_angle(motion: FlankMotion, check: QualityCheck) -> str:
    """Whether the flanks share their angle, and up to which order that is proved."""
    # A person's word stands where the eccentricities say nothing, not where they contradict.
    if motion.one_clamping and (check.ok or check.value is None):
        return "yes, as you vouch"
    if check.ok:
        return "yes"
    if check.unit == "rad":
        return f"proved only as far as {motion.trusted_upr} UPR"
    return "NOT PROVED" if check.value is None else "NO"

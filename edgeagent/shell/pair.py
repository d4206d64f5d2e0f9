"""Command ``pair``: both flanks of one groove together, radial and axial motion apart."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from edgeagent.errors import AgentError, InputError, UsageError

if TYPE_CHECKING:
    from edgeagent.analysis.flank_pair import FlankPair
    from edgeagent.model import Running, Spectrum, Thread
    from edgeagent.shell.evaluate import Evaluation

_ORDERS = 12


@click.command()
@click.argument("left", type=click.Path(path_type=Path))
@click.argument("right", type=click.Path(path_type=Path))
@click.option("--config", type=click.Path(path_type=Path), required=True, help="The station's agent.toml.")
@click.option(
    "--plane",
    type=click.Choice(("axial", "normal")),
    default="axial",
    show_default=True,
    help="Compare the flanks in one plane through the axis, or where one ball touches both.",
)
@click.option(
    "--contact-angle-u-deg",
    type=click.FloatRange(min=0),
    default=0.0,
    help="Standard uncertainty of the contact angle.",
)
@click.option("--json", "as_json", is_flag=True, help="One JSON object on stdout, nothing else there.")
def pair(left: Path, right: Path, config: Path, plane: str, contact_angle_u_deg: float, as_json: bool) -> None:
    """Tell radial from axial motion of a groove from the traces LEFT and RIGHT of its two flanks.

    Both traces must be spirals of the same part, measured in one clamping, so that they share the angle's mark.
    What the pattern points to is said with care: it is a hint for a person. Exit code 0 when the traces could
    be combined, 1 when not.

    \b
    Example:
      edgeagent pair export/000412-left.txt export/000412-right.txt --config config/agent.toml
    """
    from edgeagent.analysis.flank_pair import combine_flanks, datum_check, trusted_upr
    from edgeagent.analysis.track_normal import normal_plane_shift_rad
    from edgeagent.codec.result import encode, quality_object
    from edgeagent.shell.align import rise_mm_per_turn

    both = read_files((left, right), config)
    spectra, thread, running = _same_part(both)
    offsets = _axis_offsets(both, thread)
    rises = rise_mm_per_turn(both[0].trace, thread) > 0
    combined = combine_flanks(
        *spectra,
        contact_angle_deg=thread.contact_angle_deg,
        lead_angle_rad=thread.lead_angle_rad,
        shift_rad=normal_plane_shift_rad(thread, rises=rises) if plane == "normal" else 0.0,
        contact_angle_u_deg=contact_angle_u_deg,
    )
    found = _as_json(both, combined, running)
    found["plane"] = plane
    found["quality"] = [quality_object(datum_check(*offsets))]
    found["trusted_upr"] = trusted_upr(*offsets, len(combined.upr))
    click.echo(encode(found).decode() if as_json else _text(found))


def read_files(paths: tuple[Path, ...], config: Path) -> list[Evaluation]:
    """Files evaluated with a configuration. Ends the command with 1 and a line for one that cannot be."""
    from edgeagent.shell.configuration import load_configuration
    from edgeagent.shell.evaluate import Rulebook
    from edgeagent.shell.inspect import evaluate_file

    rules = Rulebook.of(load_configuration(config))
    found = []
    for path in paths:
        try:
            found.append(evaluate_file(path, rules))
        except OSError as error:
            refuse(path, str(error.strerror))
        except InputError as error:
            refuse(path, str(error))
    return found


def refuse(path: Path | str, why: str) -> None:
    """One line on stderr and exit code 1."""
    click.echo(f"edgeagent: {path}: {why}", err=True)
    sys.exit(1)


def of_recipe(found: Evaluation) -> tuple[Thread, Running | None]:
    """Thread and running of a file's recipe. Raises AgentError where there is no thread."""
    header = found.trace.header
    recipe = found.recipe.recipe if found.recipe is not None else None
    if recipe is None or recipe.thread is None:
        raise AgentError(f"no recipe with a [thread] for part {header.part or header.artefact}")
    return recipe.thread, recipe.running


def spectrum_of(found: Evaluation) -> Spectrum:
    """The spectrum of a file. Raises AgentError with the failed checks where there is none."""
    if found.analysis.spectrum is None:
        failed = "; ".join(c.note for c in found.analysis.quality if not c.ok)
        kind = found.trace.header.kind
        raise AgentError(f"{found.result['source']['name']} has no spectrum ({failed or f'kind {kind}'})")
    return found.analysis.spectrum


def _same_part(both: list[Evaluation]) -> tuple[tuple[Spectrum, Spectrum], Thread, Running | None]:
    """The spectra of two flanks of one part. Raises UsageError where the files contradict the command."""
    left, right = (found.trace.header for found in both)
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


def _axis_offsets(both: list[Evaluation], thread: Thread) -> tuple[complex, complex, float]:
    """Where each flank sees the part's axis at the groove's middle, and the uncertainty of the difference."""
    import numpy as np

    from edgeagent.analysis.alignment_advice import own_offset
    from edgeagent.shell.align import run_out_of

    half = np.sin(np.radians(thread.contact_angle_deg)) * np.cos(thread.lead_angle_rad) / 2
    half_mm = float(thread.ball_diameter_mm * half)
    left = own_offset(run_out_of(both[0], -half_mm, flank="left"), 0.0)
    right = own_offset(run_out_of(both[1], half_mm, flank="right"), 0.0)
    return left[0], right[0], float(np.hypot(left[1], right[1]))


def _as_json(both: list[Evaluation], combined: FlankPair, running: Running | None) -> dict[str, Any]:
    import numpy as np

    from edgeagent.analysis.flank_pair import explain_pair, greatest_orders

    header = both[0].trace.header
    greatest = greatest_orders(combined, _ORDERS)
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
        "greatest": list(greatest),
        "sentences": list(explain_pair(combined, greatest, running)),
    }


def _text(found: dict[str, Any]) -> str:
    from edgeagent.shell.inspect import aligned, clean, number

    (check,) = found["quality"]
    names = " with ".join(s["name"] for s in found["sources"])
    lines = [
        f"{clean(found['part'])} {clean(found['serial'])}: {clean(names)}",
        f"  shared angle: {'yes' if check['ok'] else 'NO'}: {check['note']}",
    ]
    where = "in one plane through the axis" if found["plane"] == "axial" else "where one ball touches both"
    lines.append(f"  the flanks are compared {where}")
    if found["trusted_upr"] < max((*found["greatest"], 2)):
        lines.append(f"  the eccentricities prove the shared angle only as far as {found['trusted_upr']} UPR")
    rows: list[tuple[str, ...]] = [("UPR", "radial nm", "±U (k=2)", "axial nm", "±U (k=2)", "")]
    values = found["motion"]
    for n in found["greatest"]:
        numbers = [values["radial_nm"][n - 1], 2 * values["radial_u_nm"][n - 1]]
        numbers += [values["axial_nm"][n - 1], 2 * values["axial_u_nm"][n - 1]]
        rows.append((str(n), *(number(v) for v in numbers), ""))
    lines += ["", *(line.rstrip() for line in aligned(rows)), ""]
    lines += [f"  - {s}" for s in found["sentences"]] or ["  nothing stands out of the noise"]
    return "\n".join([*lines, ""])

"""Command ``align``: by how much to shift and tilt the part, in one line."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path

import click
import numpy as np

from edgeagent.analysis.track.alignment_advice import advice_sentence, advise
from edgeagent.commands.shared_files import evaluate_files
from edgeagent.commands.shared_options import CONFIG, ONE_OBJECT
from edgeagent.commands.shared_output import json_line
from edgeagent.errors import UsageError
from edgeagent.judging.evaluation.evaluate import Evaluation
from edgeagent.judging.studies.evaluated_file import failed_check_sentences, scale_uncertainty
from edgeagent.judging.studies.run_out import assumption_sentences, run_out_of


@click.command()
@click.argument("files", nargs=-1, required=True, type=click.Path(path_type=Path))
@CONFIG
@click.option(
    "--height-mm",
    "heights",
    multiple=True,
    type=float,
    help="Height of the trace's middle above the table's zero; once for each file, in their order. Without it "
    "heights count from the trace's middle.",
)
@click.option("--pivot-mm", type=float, help="Height about which the table tilts; the traces' mean by default.")
@click.option("--internal", is_flag=True, help="The circles are traced in a bore.")
@ONE_OBJECT
def align(
    files: tuple[Path, ...], config: Path, heights: tuple[float, ...], pivot_mm: float | None, internal: bool,
    as_json: bool,
) -> None:  # fmt: skip
    """Say by how much and in which direction to shift and tilt the part of FILES to align it.

    One spiral of two turns or more gives both; of circles, the tilt needs two at different heights.
    Directions are angles of the trace. Heights grow with x, along the thread as axial_mm says or, without it,
    with the angle on a right-hand thread; each assumption is stated. Exit code 0 with an advice, 1
    without.

    \b
    Example:
      edgeagent align low.txt high.txt --height-mm 12 --height-mm 60 --config config/agent.toml
    """
    _check_heights(files, heights, pivot_mm)
    evaluated, rules = evaluate_files(files, config)
    _check_one_part(evaluated)
    motions = [run_out_of(f, h, internal=internal) for f, h in zip(evaluated, heights or (0.0,), strict=True)]
    # At 1 UPR, which is what shift and tilt are; of several gauges the worst counts for all.
    scale_u = max(float(scale_uncertainty(f, rules, np.ones(1, dtype=np.int64))[0]) for f in evaluated)
    advice = advise(motions, pivot_mm=pivot_mm, scale_u=scale_u)
    assumptions = [
        *(f"({sentence}.)" for sentence in failed_check_sentences(evaluated)),
        *assumption_sentences(evaluated),
    ]
    where = None if heights else _from_middle(advice.height_mm)
    sentence = " ".join((advice_sentence(advice, where), *assumptions))
    if as_json:
        sources = [f.result["source"] for f in evaluated]
        whole = {"schema": "edgeagent.align/1", "sources": sources, **asdict(advice)}
        click.echo(json_line({**whole, "taken_for_granted": assumptions, "sentence": sentence}))
        return
    click.echo(sentence)


def _check_heights(files: Sequence[Path], heights: Sequence[float], pivot_mm: float | None) -> None:
    if heights and len(heights) != len(files):
        raise UsageError(
            f"{len(files)} files and {len(heights)} times --height-mm: one for each file is needed"
        )
    if len(files) > 1 and not heights:
        raise UsageError("several files need --height-mm, once for each")
    if not all(math.isfinite(value) for value in (*heights, pivot_mm or 0.0)):
        raise UsageError("--height-mm and --pivot-mm must be finite numbers")


def _check_one_part(evaluated: Sequence[Evaluation]) -> None:
    headers = [f.trace.header for f in evaluated]
    if len({(h.part, h.serial, h.artefact) for h in headers}) > 1:
        raise UsageError("the files are not of one part")
    # Two heights of one trace would give a tilt of exactly nothing, and look like a proof.
    if len({f.result["source"]["sha256"] for f in evaluated}) < len(evaluated):
        raise UsageError("one file is given twice: a copy adds no information")


def _from_middle(height_mm: float) -> str:
    """A height without a zero of its own."""
    if height_mm == 0:
        return "the trace's middle"
    return f"{abs(height_mm):g} mm {'above' if height_mm > 0 else 'below'} the trace's middle"

"""What the studies ask of one evaluated file: its thread, its spectrum, its scale, and what failed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from edgeagent.analysis.budget.contributions import interpolate
from edgeagent.errors import AgentError
from edgeagent.judging.evaluation.evaluate import Evaluation, Rulebook
from edgeagent.model import FloatArray, IntArray, Running, Spectrum, Thread


def thread_and_running(file: Evaluation) -> tuple[Thread, Running | None]:
    """Thread and running of a file's recipe. Raises AgentError where there is no thread."""
    header, name = file.trace.header, file.result["source"]["name"]
    if header.artefact is not None:
        raise AgentError(f"{name} traces artefact {header.artefact}, which has no thread that runs")
    recipe = file.recipe.recipe if file.recipe is not None else None
    if recipe is None or recipe.thread is None:
        raise AgentError(f"{name}: no recipe with a [thread] for part {header.part}")
    return recipe.thread, recipe.running


def spectrum_of(file: Evaluation) -> Spectrum:
    """The spectrum of a file. Raises AgentError with the failed checks where there is none."""
    if file.analysis.spectrum is None:
        failed = "; ".join(c.note for c in file.analysis.quality if not c.ok)
        kind = file.trace.header.kind
        raise AgentError(f"{file.result['source']['name']} has no spectrum ({failed or f'kind {kind}'})")
    return file.analysis.spectrum


def failed_check_sentences(files: Sequence[Evaluation]) -> list[str]:
    """One sentence for each file that failed checks: do not rely on what was computed from it."""
    sentences = []
    for file in files:
        failed = ", ".join(c["check"].replace("_", " ") for c in file.result["quality"] if not c["ok"])
        if failed:
            sentences.append(f"{file.result['source']['name']} failed its checks, do not rely on it: {failed}")
    return sentences


def scale_uncertainty(file: Evaluation, rules: Rulebook, upr: IntArray) -> FloatArray:
    """Relative standard uncertainty of the gauge's scale at each order, shape (len(upr),).

    It is common to all files of an instrument: what ``[uncertainty]`` states of the gauge, the artefact's
    certificate and its last deviation. Zeros where nothing is stated.
    """
    stated = rules.uncertainty_of(file.trace.header.instrument)
    if stated is None:
        return np.zeros(len(upr))
    # Independent of each other: gauge, certificate and last deviation add in squares.
    certified, deviation = interpolate(stated.waves, upr.astype(np.float64))
    result: FloatArray = np.sqrt((stated.gauge_scale or 0.0) ** 2 + certified**2 + deviation**2)
    return result

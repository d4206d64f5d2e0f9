"""The rulebook as it is after the last verifications."""

from __future__ import annotations

from dataclasses import replace

from edgeagent.judging.configuration import Configuration
from edgeagent.judging.evaluation.evaluate import Rulebook
from edgeagent.judging.memory import Memory


def rules_now(rules: Rulebook, memory: Memory, configuration: Configuration) -> Rulebook:
    """The rulebook with each instrument's latest deviations, if ``[uncertainty]`` names an artefact."""
    stated = configuration.settings.uncertainty
    if stated is None or stated.artefact is None:
        return rules
    certified = {w.upr: w.amplitude_nm for w in configuration.certificates[stated.artefact][0].wave}
    # Relative, as a gauge's scale is wrong by a share; waves that are no longer certified have none.
    deviations = {
        instrument: {float(upr): nm / certified[upr] for upr, nm in errors.items() if upr in certified}
        for (instrument, artefact), errors in memory.artefact_errors_nm.items()
        if artefact == stated.artefact
    }
    return replace(rules, deviations=deviations)

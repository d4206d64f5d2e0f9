"""What a study asks of one file, and how it says no: no thread, no spectrum, checks that failed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from field import ROOT, spiral_text

from edgeagent.errors import AgentError
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.judging.studies.evaluated_file import (
    failed_check_sentences,
    scale_uncertainty,
    spectrum_of,
    thread_and_running,
)
from edgeagent.model import InstrumentUncertainty
from edgeagent.store.configuration import load_configuration

RULES = Rulebook.of(load_configuration(ROOT / "config" / "agent.toml"))
WAVES = {36: 812.0, 180: 403.0}


def file_of(text: str, name: str = "a.txt"):
    return evaluate(name, text.encode(), None, RULES)


@pytest.fixture(scope="module")
def good():
    return file_of(spiral_text())


def test_thread_and_running_are_the_recipe_s(good):
    recipe = RULES.recipes["KX-2005-R"].recipe
    assert thread_and_running(good) == (recipe.thread, recipe.running)
    assert recipe.thread is not None


def test_artefact_and_part_without_a_recipe_have_no_thread(good):
    artefact = spiral_text(artefact="MW-03", feature="waves", kind="circle", turns=2, waves_nm=WAVES)
    with pytest.raises(AgentError, match="artefact MW-03, which has no thread"):
        thread_and_running(file_of(artefact))
    with pytest.raises(AgentError, match=r"no recipe with a \[thread\] for part NO-RECIPE"):
        thread_and_running(file_of(spiral_text(part="NO-RECIPE")))
    without = replace(good.recipe, recipe=replace(good.recipe.recipe, thread=None))
    with pytest.raises(AgentError, match=r"no recipe with a \[thread\]"):
        thread_and_running(replace(good, recipe=without))


def test_file_without_a_spectrum_says_what_failed_or_of_what_kind_it_is(good):
    assert spectrum_of(good) is good.analysis.spectrum
    bare = replace(good, analysis=replace(good.analysis, spectrum=None))
    with pytest.raises(AgentError, match=r"a\.txt has no spectrum \(kind spiral\)"):
        spectrum_of(bare)
    checks = (replace(good.analysis.quality[0], ok=False, note="too short"), *good.analysis.quality[1:])
    with pytest.raises(AgentError, match=r"has no spectrum \(too short\)"):
        spectrum_of(replace(bare, analysis=replace(bare.analysis, quality=checks)))


def test_only_files_that_failed_checks_get_a_sentence(good):
    bad = replace(good, result={**good.result, "quality": [{"check": "points_per_undulation", "ok": False}]})
    assert failed_check_sentences([good]) == []
    (sentence,) = failed_check_sentences([good, bad])
    assert sentence == "a.txt failed its checks, do not rely on it: points per undulation"


def test_scale_is_the_gauge_s_the_certificate_s_and_the_last_deviation_s_together(good):
    upr = np.array([36, 180])
    waves = ((36.0, 0.003, 0.0), (180.0, 0.004, 0.0))

    def scale(gauge_scale, deviations):
        stated = InstrumentUncertainty(gauge_scale=gauge_scale, waves=waves)
        rules = replace(RULES, uncertainty=stated, deviations={RULES.station: deviations})
        unnamed = replace(good.trace, header=replace(good.trace.header, instrument=None))
        return scale_uncertainty(replace(good, trace=unnamed), rules, upr)

    assert scale_uncertainty(good, replace(RULES, uncertainty=None), upr).tolist() == [0.0, 0.0]
    assert scale(None, {}) == pytest.approx([0.003, 0.004])
    assert scale(0.002, {36.0: 0.006}) == pytest.approx([0.007, np.hypot(0.002, 0.004)])

"""A verification passes only where the trace can tell: its own uncertainty against the certificate's."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from field import spiral_text

from edgeagent.analysis.around.artefact import trace_uncertainty
from edgeagent.codec.configuration.settings import Acceptance, Certificate, Wave
from edgeagent.judging.configuration import Document
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.model import Spectrum
from edgeagent.rules.sentences import sentences

CERTIFIED = {36: (812.0, 6.0), 180: (403.0, 5.0)}
WAVES_NM = {36: 812.0, 180: 403.0}


def judged(text, certified=CERTIFIED, waves=None, **accept):
    certificate = Certificate(
        artefact="MW-03",
        certificate="C-1",
        valid_until=date(2099, 1, 1),
        wave=waves
        or tuple(
            Wave(upr=upr, amplitude_nm=nm, expanded_uncertainty_nm=u) for upr, (nm, u) in certified.items()
        ),
        accept=Acceptance(**accept),
    )
    rules = Rulebook("guarded", {}, {}, {"MW-03": (certificate, Document("MW-03.toml", b""))})
    return evaluate("a.txt", text.encode(), None, rules)


def traced(noise_nm, waves_nm=WAVES_NM, **more):
    return spiral_text(artefact="MW-03", feature="waves", waves_nm=waves_nm, noise_nm=noise_nm, **more)


def values(found, name):
    return {c.instance: c.value for c in found.judgement.characteristics if c.name == name}


def check(found):
    return next(c for c in found.result["quality"] if c["check"] == "trace_uncertainty")


def test_noisy_trace_of_a_wrong_gauge_agrees_with_the_certificate_but_does_not_pass():
    wrong = {36: 820.0, 180: 403.0}
    clean, noisy = judged(traced(5.0, wrong)), judged(traced(400.0, wrong, seed=2))
    assert values(clean, "en_number")["36"] == pytest.approx(8.0 / 6.0, abs=0.05)
    assert clean.judgement.disposition == "reject"
    assert abs(values(noisy, "en_number")["36"]) < 1.0, "noise in the denominator hides the error"
    assert noisy.judgement.disposition == "hold"
    told = next(r for r in sentences(noisy.judgement.reasons) if r.startswith("trace uncertainty"))
    assert "too noisy to tell whether the instrument is right: the wave of " in told
    assert "the wave of 36 UPR is known to ±10.4 nm, 1.7 times the certificate's ±6 nm" in told


@pytest.mark.parametrize("seed", range(1, 7))
@pytest.mark.parametrize("noise_nm", [60.0, 150.0, 400.0])
def test_noisy_trace_of_a_right_gauge_passes_or_cannot_tell(noise_nm, seed):
    found = judged(traced(noise_nm, turns=2, seed=seed), spurious_nm=4.0)
    assert found.judgement.disposition == "accept" or (found.judgement.disposition, found.too_noisy) == (
        "hold",
        True,
    )


@pytest.mark.parametrize(
    "waves",
    [{36: 850.0, 180: 403.0}, WAVES_NM | {90: 60.0}, WAVES_NM | {37: 60.0}],
    ids=["gain", "far", "near"],
)
def test_noise_does_not_excuse_what_is_wrong_in_spite_of_it(waves):
    found = judged(traced(400.0, waves, seed=2), spurious_nm=4.0)
    assert not check(found)["ok"]
    assert (found.judgement.disposition, found.too_noisy) == ("hold", False)


def test_noise_excuses_no_certificate_that_ended_and_no_limit_of_the_noise_itself():
    text = traced(400.0)
    assert judged(text).too_noisy
    assert not judged(text, residual_noise_nm=1.0).too_noisy
    late = text.replace(found_date(text), "2100-01-01T00:00:00Z")
    assert not judged(late).too_noisy


def found_date(text):
    return next(x for x in text.splitlines() if "measured_at" in x).split("=")[1].strip()


def test_noisy_file_of_a_set_cannot_tell_where_another_is_to_show_the_rest():
    others = Wave(upr=180, amplitude_nm=403.0, expanded_uncertainty_nm=5.0, feature="other")
    own = Wave(upr=36, amplitude_nm=812.0, expanded_uncertainty_nm=6.0)
    found = judged(traced(600.0, {36: 812.0}), waves=(own, others))
    assert (found.missing_upr, found.too_noisy, found.incomplete) == ((180,), True, False)
    lost = judged(traced(600.0, {36: 812.0}))
    assert (lost.missing_upr, lost.too_noisy) == ((180,), False), "which may be lost"


def test_ratio_is_that_of_the_expanded_uncertainties_of_the_worst_wave():
    found = judged(traced(100.0))
    stated = {c.instance: c for c in found.judgement.characteristics if c.name == "amplitude_error"}
    noise_nm = found.result["spectrum"]["noise_nm"]
    ratios = [2.0 * noise_nm[upr - 1] / u for upr, (_, u) in CERTIFIED.items()]
    assert check(found)["value"] == pytest.approx(max(ratios))
    # what the trace adds to the certificate's uncertainty is the same figure, found from the outside
    added = [np.sqrt((stated[str(n)].expanded_uncertainty / u) ** 2 - 1) for n, (_, u) in CERTIFIED.items()]
    assert max(added) == pytest.approx(max(ratios))


@pytest.mark.parametrize(("ratio_max", "passes"), [(1.0, False), (2.5, True)])
def test_certificate_says_how_unsure_a_trace_may_be(ratio_max, passes):
    found = judged(traced(400.0), uncertainty_ratio_max=ratio_max)
    assert check(found)["ok"] is passes
    assert (found.judgement.disposition == "accept") is passes
    assert check(found)["allowed"] == ratio_max


def test_more_turns_of_the_same_noise_make_the_trace_sure_enough():
    few, many = judged(traced(250.0, turns=2)), judged(traced(250.0, turns=8))
    assert (few.judgement.disposition, many.judgement.disposition) == ("hold", "accept")
    # noise of an amplitude falls with the root of the number of points; estimates from few lines scatter
    assert check(few)["value"] / check(many)["value"] == pytest.approx(2.0, rel=0.35)


def test_every_wave_that_the_trace_does_not_know_is_named_up_to_three():
    waves = [(upr, 100.0, 1.0) for upr in (10, 20, 30, 40, 50)]
    noise_nm = np.full(60, 0.1)
    noise_nm[[9, 19, 29, 39]] = 1.0, 2.0, 3.0, 4.0
    spectrum = Spectrum(np.arange(1, 61), np.full(60, 100.0), np.zeros(60), noise_nm)
    found = trace_uncertainty(spectrum, waves, 1.0)
    assert (found.ok, found.value) == (False, 8.0)
    assert found.note == (
        "too noisy to tell whether the instrument is right: "
        "the wave of 40 UPR is known to ±8 nm, 8 times the certificate's ±1 nm, "
        "the wave of 30 UPR is known to ±6 nm, 6 times the certificate's ±1 nm, "
        "the wave of 20 UPR is known to ±4 nm, 4 times the certificate's ±1 nm, 1 waves more"
    )
    assert trace_uncertainty(spectrum, waves[4:], 0.2).ok, "the limit itself is allowed"


@pytest.mark.parametrize("noise_nm", [np.nan, np.inf])
def test_uncertainty_that_is_not_known_passes_nothing(noise_nm):
    spectrum = Spectrum(np.arange(1, 3), np.ones(2), np.zeros(2), np.array([0.0, noise_nm]))
    found = trace_uncertainty(spectrum, [(2, 1.0, 1.0)], 1e300)
    assert (found.ok, found.value) == (False, None)
    assert "the wave of 2 UPR without a known uncertainty" in found.note


def test_how_the_artefact_is_put_on_plays_no_role():
    count, turns = 1800, 3
    angle_deg = np.arange(turns * count) * (360.0 / count)
    waves = sum(
        a * 1e-3 * np.cos(n * np.radians(angle_deg) + n) for n, a in ((36, 815.0), (180, 401.0), (90, 3.0))
    )
    around = waves + np.tile(np.random.default_rng(3).normal(0, 1e-3, count), turns)
    around = around + np.random.default_rng(4).normal(0, 5e-3, len(around))
    found = []
    for shift in (0, 137, 901):
        rows = "\n".join(
            f"{a:.9f},{d:.12f}"
            for a, d in zip(angle_deg.tolist(), np.roll(around, shift).tolist(), strict=True)
        )
        head = (
            '# trace = 1\n# kind = "circle"\n# artefact = "MW-03"\n# feature = "waves"\n'
            "# measured_at = 2026-11-25T09:41:07Z\n# tip_radius_mm = 0.005\n# track_diameter_mm = 19.2\n"
        )
        found.append(judged(f"{head}angle_deg,deviation_um\n{rows}\n", spurious_nm=4.0))
    names = ("amplitude_error", "en_number", "spurious_amplitude", "side_band_amplitude", "residual_noise")
    first = [values(found[0], name) for name in names]
    for other in found[1:]:
        for one, two in zip(first, [values(other, name) for name in names], strict=True):
            assert one.keys() == two.keys()
            assert list(one.values()) == pytest.approx(list(two.values()), rel=2e-3, abs=2e-4)
        assert other.judgement.disposition == found[0].judgement.disposition == "accept"


def test_result_has_spurious_waves_side_bands_and_the_noise_of_every_undulation():
    waves = WAVES_NM | {38: 3.0, 250: 2.0}
    found = judged(traced(5.0, waves), spurious_nm=4.0)
    assert values(found, "side_band_amplitude")["38"] == pytest.approx(3.0, abs=0.3)
    assert values(found, "spurious_amplitude")["250"] == pytest.approx(2.0, abs=0.3)
    spectrum = found.result["spectrum"]
    assert len(spectrum["noise_nm"]) == len(spectrum["upr"]) >= 500
    ((instance, largest),) = values(found, "residual_noise").items()
    assert largest == spectrum["noise_nm"][int(instance) - 1] == max(spectrum["noise_nm"][1:500])
    # noise of sigma in N points: standard deviation sigma * sqrt(2 / N) of an amplitude (linear least squares)
    assert np.median(spectrum["noise_nm"]) == pytest.approx(5.0 * np.sqrt(2 / 10800), rel=0.2)


def test_side_bands_without_a_limit_of_their_own_have_that_of_spurious_waves():
    text = traced(5.0, WAVES_NM | {37: 6.0})
    assert judged(text, spurious_nm=4.0).judgement.disposition == "reject"
    assert judged(text, spurious_nm=4.0, side_band_nm=8.0).judgement.disposition == "accept"
    assert judged(text).judgement.disposition == "accept"


def test_trace_that_cannot_be_analysed_is_held_and_says_why(monkeypatch):
    from edgeagent.analysis.kinds import spiral
    from edgeagent.errors import FitNotConvergedError

    def fail(*_):
        raise FitNotConvergedError("no end in sight")

    monkeypatch.setattr(spiral, "analyse", fail)
    found = judged(traced(5.0, points_per_turn=400))
    assert (found.judgement.disposition, found.incomplete) == ("hold", False)
    assert "spiral: no end in sight" in sentences(found.judgement.reasons)
    assert "En number: no value, though the recipe limits it" in sentences(found.judgement.reasons)

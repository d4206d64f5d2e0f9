"""A reference artefact traced band by band: side bands, waves of other files, clocks, and sets of files."""

from __future__ import annotations

from datetime import date

import numpy as np
import pytest
from field import spiral_text

from edgeagent.analysis.around.artefact import compare_waves, residual_noise
from edgeagent.codec.configuration.settings import Acceptance, Certificate, Wave
from edgeagent.judging.configuration import Document
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.model import Spectrum
from edgeagent.model.reasons import Code, reason
from edgeagent.model.records import Outcome
from edgeagent.rules.gate import Sighting, Verified, clock_doubt, closed_reason, counted_from
from edgeagent.rules.sentences import sentence, sentences


def spectrum_of(amplitudes_nm, noise_nm=0.5):
    amplitude = np.full(500, 0.1)
    for upr, value in amplitudes_nm.items():
        amplitude[upr - 1] = value
    return Spectrum(np.arange(1, 501), amplitude, np.zeros(500), np.full(500, noise_nm))


def named(quantities, name):
    return [(q.instance, q.value) for q in quantities if q.name == name]


def test_side_bands_beside_a_wave_are_told_from_far_amplitudes():
    spectrum = spectrum_of({36: 812.0, 35: 9.0, 38: 6.0, 40: 5.0, 300: 3.0})
    found = compare_waves(spectrum, [(36, 812.0, 6.0)], 500, side_band_upr=2)
    assert named(found, "side_band_amplitude") == [("35", 9.0)]
    assert named(found, "spurious_amplitude") == [("40", 5.0)]
    plain = compare_waves(spectrum, [(36, 812.0, 6.0)], 500)
    assert named(plain, "side_band_amplitude") == []
    assert named(plain, "spurious_amplitude") == [("35", 9.0)]


def test_waves_of_other_traces_are_neither_compared_nor_spurious():
    found = compare_waves(spectrum_of({36: 812.0, 180: 50.0}), [(36, 812.0, 6.0)], 500, others_upr=[180])
    assert [q.instance for q in found if q.name == "en_number"] == ["36"]
    assert named(found, "spurious_amplitude")[0][1] == pytest.approx(0.1)


def test_residual_noise_is_the_largest_in_the_judged_range():
    spectrum = spectrum_of({})
    spectrum.noise_nm[[0, 99, 449]] = 9.0, 2.0, 7.0
    found = residual_noise(spectrum, 400)
    assert (found.instance, found.value) == ("100", 2.0)


def judged(text, **accept):
    waves = (
        Wave(upr=36, amplitude_nm=812.0, expanded_uncertainty_nm=6.0, feature="low"),
        Wave(upr=180, amplitude_nm=403.0, expanded_uncertainty_nm=5.0, feature="high"),
    )
    if accept.pop("anywhere", False):
        waves = tuple(
            Wave(upr=w.upr, amplitude_nm=w.amplitude_nm, expanded_uncertainty_nm=w.expanded_uncertainty_nm)
            for w in waves
        )
    certificate = Certificate(
        artefact="MW-03",
        certificate="C-1",
        valid_until=accept.pop("valid_until", date(2099, 1, 1)),
        wave=waves,
        accept=Acceptance(**accept),
    )
    rules = Rulebook("guarded", {}, {}, {"MW-03": (certificate, Document("MW-03.toml", b""))})
    return evaluate("a.txt", text.encode(), None, rules)


def band(feature, waves, **more):
    return spiral_text(artefact="MW-03", feature=feature, waves_nm=waves, noise_nm=2.0, **more)


def test_file_of_one_band_is_incomplete_and_says_what_is_missing():
    found = judged(band("low", {36: 812.0}))
    assert (found.missing_upr, found.incomplete) == ((180,), True)
    assert found.judgement.disposition == "hold"
    (reason,) = sentences(found.judgement.reasons)
    assert reason == "certificate C-1: wave[1].upr: 180 UPR is not in this file but in feature high"
    assert [c.instance for c in found.judgement.characteristics if c.name == "en_number"] == ["36"]


def test_bad_file_of_one_band_is_not_merely_incomplete():
    for text in (band("low", {36: 850.0}), band("low", {36: 812.0, 90: 30.0})):
        found = judged(text, spurious_nm=4.0)
        assert (found.judgement.disposition, found.incomplete) == ("reject", False)


def test_gap_behind_the_first_point_does_not_shorten_the_range_of_the_trace():
    head, columns, rows = (text := band("waves", {36: 812.0, 180: 403.0})).partition("angle_deg,deviation_um\n")
    first, *others = rows.splitlines(keepends=True)
    assert judged(text, anywhere=True).missing_upr == ()
    assert judged(head + columns + first + "".join(others[9:]), anywhere=True).missing_upr == ()


def test_roundness_of_an_artefact_counts_from_two_undulations_on():
    ((_, total), *_) = named(
        judged(band("waves", {2: 5000.0, 36: 812.0})).analysis.quantities, "roundness_total"
    )
    assert total == pytest.approx(2 * (5.0 + 0.812), rel=0.03)


def test_verification_that_nothing_can_be_said_of_is_not_one_whose_waves_may_be_lost():
    # Partial closes the gate until other files come; without a certificate or a wave none can.
    rules = Rulebook("guarded", {}, {}, {})
    unknown = evaluate("a.txt", band("waves", {36: 812.0}).encode(), None, rules)
    assert (unknown.judgement.disposition, unknown.partial, unknown.missing_upr) == ("hold", False, ())
    complete = judged(band("waves", {36: 812.0, 180: 403.0}), anywhere=True)
    assert (complete.judgement.disposition, complete.partial) == ("accept", False)
    assert not judged(band("elsewhere", {36: 812.0})).partial


def test_wave_above_nyquist_is_said_and_never_passed():
    found = judged(band("waves", {36: 812.0}, points_per_turn=300), anywhere=True)
    assert (found.judgement.disposition, found.missing_upr, found.incomplete) == ("hold", (180,), True)
    assert found.partial
    (reason,) = sentences(found.judgement.reasons)
    assert reason == "certificate C-1: wave[1].upr: 180 UPR lies above the trace's range of 120 UPR"


def test_wave_that_is_hardly_there_is_missing_unless_the_certificate_says_that_this_file_shows_it():
    found = judged(band("waves", {36: 812.0}), anywhere=True)
    assert (found.judgement.disposition, found.missing_upr) == ("hold", (180,))
    assert (found.incomplete, found.partial) == (True, True)
    (reason,) = sentences(found.judgement.reasons)
    assert reason.startswith("certificate C-1: wave[1].upr: 180 UPR is missing: ")
    named_here = judged(band("high", {36: 812.0}))
    assert (named_here.judgement.disposition, named_here.partial) == ("reject", False)
    everything_gone = judged(band("waves", {90: 812.0}), anywhere=True)
    assert (everything_gone.judgement.disposition, everything_gone.missing_upr) == ("reject", ())


def test_file_of_three_points_a_turn_is_held_like_any_other_that_shows_no_wave():
    found = judged(band("waves", {36: 812.0}, points_per_turn=3), anywhere=True)
    assert (found.judgement.disposition, found.missing_upr, found.incomplete) == ("hold", (36, 180), False)
    assert named(found.analysis.quantities, "residual_noise") == []


def test_expired_certificate_does_not_pass_a_band():
    found = judged(band("low", {36: 812.0}), valid_until=date(2020, 1, 1))
    assert (found.judgement.disposition, found.incomplete) == ("hold", False)
    assert "certificate C-1 was valid until 2020-01-01" in sentences(found.judgement.reasons)


def test_trace_that_shows_no_certified_wave_passes_nothing():
    found = judged(band("elsewhere", {36: 812.0}))
    assert (found.judgement.disposition, found.missing_upr, found.incomplete) == ("hold", (36, 180), False)


def test_limits_of_side_bands_and_noise_are_judged():
    text = band("waves", {36: 812.0, 37: 10.0, 180: 403.0})
    assert judged(text, anywhere=True, side_band_nm=12.0, spurious_nm=4.0).judgement.disposition == "accept"
    assert judged(text, anywhere=True, side_band_nm=8.0, spurious_nm=4.0).judgement.disposition == "reject"
    assert judged(text, anywhere=True, spurious_nm=4.0).judgement.disposition == "reject"
    assert judged(text, anywhere=True, residual_noise_nm=1e-4).judgement.disposition == "reject"


SEEN = {36: Sighting(1000.0, "c", True), 90: Sighting(900.0, "c", True)}


def test_files_within_the_window_count_together_from_the_oldest():
    assert counted_from([36, 90], SEEN, "c", 2000.0, 1200.0) == 900.0
    assert counted_from([36], SEEN, "c", 2000.0, 1200.0) == 1000.0


@pytest.mark.parametrize(
    ("missing", "seen", "certificate", "window_s"),
    [
        ([36, 90], SEEN, "c", 1050.0),
        ([36, 180], SEEN, "c", 1e6),
        ([36], {36: Sighting(1000.0, "c", False)}, "c", 1e6),
        ([36], SEEN, "other", 1e6),
    ],
    ids=["too-long-ago", "never-seen", "failed", "another-certificate"],
)
def test_files_do_not_count_together_otherwise(missing, seen, certificate, window_s):
    assert counted_from(missing, seen, certificate, 2000.0, window_s) is None


def test_verifications_whose_clocks_disagree_close_the_gate():
    assert clock_doubt(10_000.0, 10_010.0, 9_000.0) is None
    assert clock_doubt(10_000.0, 10_010.0, 10_300.0) is None, "a few minutes are nothing"
    before = clock_doubt(10_000.0, 30_000.0, 17_200.0)
    assert sentence(before) == "it was measured 2.0 h before the one that was recorded earlier"
    assert clock_doubt(17_200.0, 10_000.0, None) == reason(Code.CLOCK_AHEAD, clock_h=2.0)
    last = Verified("MW-03", Outcome.PASSED, 10_000.0, 5, before, certificate_sha256="c")
    closed = closed_reason(last, "MW-03", 24.0, "gauge-1", 10_100.0, "c")
    said = f"gate: clocks of the verifications of gauge-1 disagree: {sentence(before)} (record 5)"
    assert sentence(closed) == said

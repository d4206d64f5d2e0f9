"""From bytes to a disposition: what rejects, what holds, and that nothing doubtful is ever accepted."""

from __future__ import annotations

import shutil
from dataclasses import replace
from pathlib import Path

import msgspec
import numpy as np
import pytest
from click.testing import CliRunner
from field import spiral_text

from edgeagent.analysis.kinds import find_kind
from edgeagent.cli import main
from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.result import encode
from edgeagent.commands.shared_files import evaluate_file
from edgeagent.errors import AnalysisError
from edgeagent.judging.configuration import Document, recipe_from_documents
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate, request_for
from edgeagent.model import CurveLimit, InstrumentUncertainty, MeasurementPlan, ScalarLimit
from edgeagent.store.configuration import load_configuration

CONFIG = Path(__file__).parent.parent.parent / "config" / "agent.toml"
RULES = Rulebook.of(load_configuration(CONFIG))
BAD = {2: 150.0, 37: 80.0}  # 33.8 nm are allowed at 37 UPR


def judged(text: str, rules: Rulebook = RULES) -> dict:
    return msgspec.json.decode(encode(evaluate("a.txt", text.encode(), None, rules).result))


def lines_of(text: str) -> tuple[list[str], list[str]]:
    head, rows = text.split("angle_deg,deviation_um\n")
    return head.splitlines(), rows.splitlines()


def with_rows(text: str, change) -> str:
    head, rows = lines_of(text)
    return "\n".join([*head, "angle_deg,deviation_um", *change(rows)]) + "\n"


def test_good_part_is_accepted_and_every_check_has_a_sentence():
    result = judged(spiral_text())
    assert (result["disposition"], result["reasons"]) == ("accept", [])
    assert all(c["ok"] and c["note"] for c in result["quality"])
    assert result["spectrum"]["upr"] == list(range(1, 501))


def test_wave_over_its_limit_rejects_with_value_limit_and_order():
    result = judged(spiral_text(waves_nm=BAD))
    assert result["disposition"] == "reject"
    assert "harmonic amplitude at 37 UPR" in result["reasons"][0]
    worst = next(c for c in result["characteristics"] if c["name"] == "harmonic_amplitude")
    assert (worst["instance"], worst["verdict"]) == ("37", "nonconforming")
    assert worst["value"] == pytest.approx(80.0, abs=1.0)


def test_value_too_near_to_its_limit_for_its_uncertainty_is_held():
    limit = float(np.exp(np.interp(np.log(37), np.log([20, 500]), np.log([60.0, 3.0]))))
    result = judged(spiral_text(waves_nm={2: 150.0, 37: limit + 0.02}, noise_nm=40.0))
    assert result["disposition"] == "hold"
    assert any("to decide" in reason for reason in result["reasons"])


def test_file_with_failed_checks_is_held_whatever_the_values_that_they_touch():
    def sparse(rows):
        return rows[::4]  # 900 points a turn: too few for 500 UPR

    assert judged(with_rows(spiral_text(), sparse))["disposition"] == "hold"
    bad = judged(with_rows(spiral_text(waves_nm=BAD), sparse))
    assert bad["disposition"] == "hold"
    assert any("but a failed check touches it: points per undulation" in r for r in bad["reasons"])
    assert judged(spiral_text(waves_nm=BAD))["disposition"] == "reject"


def test_speck_of_dust_holds_a_good_part_and_moves_no_harmonic():
    def dusty(rows):
        angle, value = rows[4000].split(",")
        return [*rows[:4000], f"{angle},{float(value) + 3.0:.6f}", *rows[4001:]]

    clean, dirty = judged(spiral_text()), judged(with_rows(spiral_text(), dusty))
    assert dirty["disposition"] == "hold"
    assert dirty["reasons"][0].startswith("spikes: 1 sample lies")
    difference = np.subtract(dirty["spectrum"]["amplitude_nm"], clean["spectrum"]["amplitude_nm"])
    assert np.abs(difference).max() < 0.05


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"KX-2005-R"', '"QQ-9"', "no recipe for part QQ-9"),
        ('"left-flank"', '"middle"', "feature middle is not in the recipe"),
        ('"spiral"', '"circle"', "the recipe measures left-flank as spiral"),
        ("19.2", "25.0", "track diameter"),
        ('# sensing = "normal"', '# sensing = "normal"\n# lead_mm = 10', "lead agreement"),
    ],
)
def test_contradiction_between_trace_and_recipe_is_held_with_a_reason(old, new, words):
    result = judged(spiral_text().replace(old, new, 1))
    assert result["disposition"] == "hold"
    assert any(words in reason for reason in result["reasons"])


def test_rule_simple_disregards_uncertainty():
    simple = replace(RULES, rule="simple")
    limit = float(np.exp(np.interp(np.log(37), np.log([20, 500]), np.log([60.0, 3.0]))))
    text = spiral_text(waves_nm={2: 150.0, 37: limit - 0.5}, noise_nm=40.0)
    assert judged(text)["disposition"] == "hold"
    assert judged(text, simple)["disposition"] == "accept"


def test_same_bytes_give_the_same_result_to_the_last_digit():
    text = spiral_text(seed=3)
    assert encode(judged(text)) == encode(judged(text))


def test_numbers_in_a_result_are_finite():
    def broken(rows):
        return [r.split(",")[0] + ",nan" if i % 3 else r for i, r in enumerate(rows)]

    encoded = encode(judged(with_rows(spiral_text(), broken)))
    assert b"NaN" not in encoded
    assert b"Infinity" not in encoded
    assert judged(with_rows(spiral_text(), broken))["disposition"] != "accept"


def test_stylus_that_touches_nothing_is_held():
    def free(rows):
        noise = np.random.default_rng(1).normal(0.0, 0.001, len(rows))
        return [f"{row.split(',')[0]},{value:.6f}" for row, value in zip(rows, noise, strict=True)]

    result = judged(with_rows(spiral_text(), free))
    assert result["disposition"] == "hold"
    assert any("touched nothing" in reason for reason in result["reasons"])


def test_micrometres_stored_as_millimetres_are_held():
    def smaller(rows):
        return [f"{row.split(',')[0]},{float(row.split(',')[1]) / 1000:.9f}" for row in rows]

    assert judged(with_rows(spiral_text(), smaller))["disposition"] == "hold"


ROUNDNESS_TO_500 = """
part = "KX-2005-R"
revision = "B"
[[measurement]]
feature = "left-flank"
kind = "spiral"
upr = [2, 500]
[[measurement.limit]]
characteristic = "roundness_total"
upper = 1.2
[[measurement.limit]]
characteristic = "harmonic_amplitude"
points = [[2, 300.0], [50, 60.0]]
"""


def test_roundness_is_not_judged_from_fewer_points_than_its_own_band_needs():
    # 401 waves in 400 points look like an eccentricity: the alias that no limit would see
    rules = replace(
        RULES,
        recipes={"KX-2005-R": recipe_from_documents(Document("recipes/x.toml", ROUNDNESS_TO_500.encode()), {})},
    )
    text = spiral_text(points_per_turn=400, waves_nm={2: 150.0, 401: 900.0})
    result = judged(text, rules)
    assert result["disposition"] == "hold"
    assert result["reasons"][0].startswith("points per undulation")
    only_curve = ROUNDNESS_TO_500.replace("roundness_total", "eccentricity").replace("1.2", "50.0")
    rules = replace(
        RULES,
        recipes={"KX-2005-R": recipe_from_documents(Document("recipes/x.toml", only_curve.encode()), {})},
    )
    assert judged(spiral_text(points_per_turn=400), rules)["disposition"] == "accept"


def test_a_wave_between_whole_orders_holds_the_mean_surfaces_roundness_only_where_no_curve_judges_it():
    text = ROUNDNESS_TO_500.replace("upr = [2, 500]", 'upr = [2, 500]\nturns = "mean"')
    recipe = recipe_from_documents(Document("recipes/x.toml", text.encode()), {})
    rules = replace(RULES, recipes={"KX-2005-R": recipe})
    for upr, disposition in ((20.33, "accept"), (80.33, "hold")):  # the curve ends at 50 UPR
        assert judged(spiral_text(waves_nm={2: 150.0, upr: 80.0}), rules)["disposition"] == disposition


@pytest.mark.parametrize("value", ["1e160", "-1e155", "1e300"])
def test_absurd_readings_are_held_and_end_nothing(value):
    def absurd(rows):
        return [*rows[:490], f"{rows[490].split(',')[0]},{value}", *rows[491:]]

    with np.errstate(over="ignore", invalid="ignore"):
        assert judged(with_rows(spiral_text(), absurd))["disposition"] == "hold"


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        ('characteristic = "band_velocity"\nupper = 9.0', "does not ask for it by velocity_bands_hz"),
        ('characteristic = "resonance_amplitude"\nupper = 9.0', "does not ask for it by running.resonances_hz"),
        ('characteristic = "flank_roughness_ra"\nupper = 9.0', "does not ask for it by roughness"),
        (
            'characteristic = "band_rms"\ninstance = "99-120"\nupper = 9.0',
            "there is no such value; there is 2-15,",
        ),
    ],
)
def test_limit_that_nothing_meets_holds_with_its_reason_in_the_quality(tmp_path, limit, words):
    shutil.copytree(CONFIG.parent, tmp_path / "config")
    config = tmp_path / "config" / CONFIG.name
    recipe = config.parent / "recipes" / "KX-2005-R.toml"
    text = recipe.read_text(encoding="utf-8")
    first = "  [[measurement.limit]]\n"
    recipe.write_text(text.replace(first, f"{first}{limit}\n{first}", 1), encoding="utf-8")
    path = tmp_path / "a.txt"
    path.write_text(spiral_text(), encoding="utf-8")
    found = evaluate_file(path, Rulebook.of(load_configuration(config))).result
    assert found["disposition"] == "hold"
    (check,) = [c for c in found["quality"] if not c["ok"]]
    assert (check["check"], words in check["note"]) == ("limit_without_value", True), check
    said = CliRunner().invoke(main, ["check", "--config", str(config)]).output
    assert ("every part is held" in said) == ("does not ask" in words)


def test_check_names_keys_that_do_nothing(cell):
    changes = {"decision": {"rule": "simple", "conformance": 0.99}, "uncertainty": {"gauge_scale_dof": 5.0}}
    said = CliRunner().invoke(main, ["check", "--config", str(cell.agent(changes).config)]).output
    assert "decision.conformance does nothing under rule simple" in said
    assert "uncertainty.gauge_scale_dof does nothing without what it belongs to" in said
    changes = {
        "decision": {"rule": "capped-risk", "risk": 0.7},
        "uncertainty": {"tip_radius_mm": 1e-3, "tip_radius_dof": 5.0},
    }
    said = CliRunner().invoke(main, ["check", "--config", str(cell.agent(changes).config)]).output
    assert "decision.risk 0.7 accepts values beyond their limits" in said
    assert "does nothing" not in said


def test_instrument_s_latest_deviations_replace_those_that_are_stated_wave_by_wave():
    stated = InstrumentUncertainty(waves=((36.0, 2.0, 0.1), (180.0, 3.0, 0.2)))
    rules = Rulebook("simple", {}, {}, {}, stated, {"gauge-1": {36.0: 0.5}, "gauge-2": {}}, "gauge-1")
    assert rules.uncertainty_of("gauge-1").waves == ((36.0, 2.0, 0.5), (180.0, 3.0, 0.2))
    assert rules.uncertainty_of(None).waves == ((36.0, 2.0, 0.5), (180.0, 3.0, 0.2)), "the station's own"
    assert rules.uncertainty_of("gauge-2") is stated
    assert rules.uncertainty_of("gauge-3") is stated
    assert replace(rules, uncertainty=None).uncertainty_of("gauge-1") is None


def test_trace_that_cannot_be_analysed_is_held_with_the_failed_step_in_its_quality(monkeypatch):
    def refuse(_trace, _request):
        raise AnalysisError("no end in sight")

    monkeypatch.setattr("edgeagent.analysis.kinds.spiral.analyse", refuse)
    found = judged(spiral_text())
    first = found["quality"][0]
    assert (first["check"], first["ok"], first["value"], first["note"]) == (
        "spiral",
        False,
        None,
        "no end in sight",
    )
    assert found["disposition"] == "hold"


def test_source_is_named_by_its_own_digest_and_by_one_that_is_known_already():
    data = spiral_text().encode()
    own = evaluate("a.txt", data, None, RULES)
    assert own.result["source"] == {"name": "a.txt", "sha256": digest_of(data), "bytes": len(data)}
    known = evaluate("a.txt", data, None, RULES, digest="ab" * 32)
    assert known.result["source"]["sha256"] == "ab" * 32
    assert (own.incomplete, own.partial, own.missing_upr) == (False, False, ())


def test_artefact_is_judged_against_its_own_certificate_and_held_without_one():
    text = spiral_text(
        artefact="MW-03", feature="waves", kind="circle", turns=2, waves_nm={36: 812.0, 180: 403.0}
    )
    found = evaluate("a.txt", text.encode(), None, RULES)
    assert (found.judgement.disposition, found.incomplete, found.partial) == ("accept", False, False)
    assert judged(text, replace(RULES, certificates={}))["disposition"] == "hold"


def test_stated_uncertainty_widens_the_harmonics_too():
    plain = evaluate("a.txt", spiral_text().encode(), None, replace(RULES, uncertainty=None))
    stated = InstrumentUncertainty(gauge_scale=0.05)
    wide = evaluate("a.txt", spiral_text().encode(), None, replace(RULES, uncertainty=stated))
    assert plain.judgement.spectrum.uncertainty_nm is None
    at = plain.analysis.spectrum.upr.tolist().index(2)
    assert wide.judgement.spectrum.uncertainty_nm[at] == pytest.approx(0.05 * 150.0, rel=0.05)


CURVE = CurveLimit(np.array([2.0, 50.0]), np.array([60.0, 60.0]), None)


@pytest.mark.parametrize(
    ("turns", "limited", "curves", "by_turn", "judged"),
    [
        ("each", ("roundness_total", None), (), True, True),
        ("each", ("eccentricity", None), (), True, False),
        ("each", ("roundness_total", "turn[2]"), (), False, False),
        ("each", ("band_rms", None), (), False, False),
        ("each", ("roundness_total", None), (CURVE,), False, True),
        ("mean", ("roundness_total", None), (), False, False),
    ],
)
def test_each_turn_is_judged_where_a_limit_on_it_asks_and_the_mean_is_not_needed(
    turns, limited, curves, by_turn, judged
):
    kind = find_kind("spiral")
    limit = ScalarLimit(characteristic=limited[0], instance=limited[1], upper=1.0)
    plan = MeasurementPlan("f", "spiral", kind.Options(turns=turns), (limit,), curves)
    asked = request_for(kind, plan, None, Rulebook("guarded", {}, {}, {}))
    assert (asked.limits_by_turn, asked.turns_judged) == (by_turn, judged)
    nothing = request_for(kind, None, None, Rulebook("guarded", {}, {}, {}))
    assert (nothing.limits_by_turn, nothing.turns_judged) == (False, False)

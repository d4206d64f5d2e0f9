"""Uncertainty budgets from configuration to result, table, record and replay."""

from __future__ import annotations

import json
import math
import os
from dataclasses import replace
from pathlib import Path

import pytest
from click.testing import CliRunner
from field import run_command, spiral_text, wait_until

from edgeagent.cli import main
from edgeagent.commands.inspect import shown_result
from edgeagent.commands.inspect_budget import budget_table
from edgeagent.commands.shared_files import evaluate_file
from edgeagent.demo.gauge import trace_text
from edgeagent.demo.scenario import cases
from edgeagent.judging.configuration import Document, recipe_from_documents
from edgeagent.judging.evaluation.budget import temperature_check
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.model import InstrumentUncertainty, PartUncertainty
from edgeagent.store.configuration import load_configuration

ROOT = Path(__file__).parents[2]
WITHOUT = {"uncertainty": None, "decision.budget_required": False}
ASKED = {"uncertainty": {"gauge_scale": 0.03, "gauge_scale_dof": 10, "artefact": "MW-03"}}


def values_of(result):
    return {(c["name"], c["instance"]): c for c in result["characteristics"]}


def test_expanded_uncertainty_includes_the_budget_only_where_it_is_asked_for(cell, circle_text):
    path = cell.folder / "1.txt"
    path.write_text(circle_text("1"), encoding="utf-8")
    plain_agent = cell.agent(WITHOUT)
    plain = evaluate_file(path, Rulebook.of(load_configuration(plain_agent.config)))
    asked_agent = cell.agent(ASKED)
    asked = evaluate_file(path, Rulebook.of(load_configuration(asked_agent.config)))
    before, after = values_of(plain.result), values_of(asked.result)
    assert plain.budgeted is None
    assert "uncertainty_nm" not in plain.result["spectrum"]
    value = before["roundness_total", ""]["value"]
    assert after["roundness_total", ""]["value"] == value
    noise = before["roundness_total", ""]["expanded_uncertainty"] / 2
    # The example's certificate states 3.0 of 812 nm at 36 UPR and 2.5 of 403 nm at 180 UPR; the recipe's band
    # ends at 150 UPR, and between waves the logarithm of UPR counts.
    share = math.log(150 / 36) / math.log(180 / 36)
    certificate = (1 - share) * 3.0 / 812.0 + share * 2.5 / 403.0
    # What tip and eccentricity add is told apart in tests/analysis/test_influences.py; here it is small.
    left = [
        c.effect
        for c in asked.budgeted.budgets["roundness_total", ""].contributions
        if "," in c.source or "order" in c.source
    ]
    assert 0 < math.hypot(*left) < 0.1 * noise
    wanted = 2 * math.hypot(noise, value * 0.03, value * certificate, *left)
    assert after["roundness_total", ""]["expanded_uncertainty"] == pytest.approx(wanted, rel=1e-9)
    spectrum = asked.result["spectrum"]
    assert spectrum["noise_nm"] == plain.result["spectrum"]["noise_nm"]
    assert spectrum["uncertainty_nm"][1] > 0.03 * spectrum["amplitude_nm"][1]


def test_inspect_prints_contributions_degrees_of_freedom_and_coverage_factor(cell, circle_text):
    agent = cell.agent(ASKED)
    path = cell.folder / "1.txt"
    path.write_text(circle_text("1"), encoding="utf-8")
    found = CliRunner().invoke(main, ["inspect", str(path), "--config", str(agent.config), "--budget"])
    assert found.exit_code == 0, found.output
    for word in (
        "gauge scale",
        "artefact's certificate",
        "noise of this trace",
        "sensitivity",
        "U (95 %, k=2.",
    ):
        assert word in found.output
    # The harmonic that is nearest to its limit has a budget, too, and it is the one of the verdict.
    result = evaluate_file(path, Rulebook.of(load_configuration(agent.config)))
    worst = next(c for c in result.judgement.characteristics if c.name == "harmonic_amplitude")
    assert f"harmonic_amplitude[{worst.instance}]" in found.output
    u = result.budgeted.of_harmonic(int(worst.instance)).standard_uncertainty
    assert 2 * u == pytest.approx(worst.expanded_uncertainty, rel=1e-12)
    assert result.budgeted.of_harmonic(100_000) is None
    both = ["inspect", str(path), "--config", str(agent.config), "--budget", "--json"]
    (line,) = CliRunner().invoke(main, both).output.splitlines()
    stated = {b["name"]: b for b in json.loads(line)["details"]["budgets"]}["roundness_total"]
    assert math.hypot(*(c["effect"] for c in stated["contributions"])) == pytest.approx(
        stated["standard_uncertainty"], rel=1e-12
    )
    assert {c["source"]: c["degrees_of_freedom"] for c in stated["contributions"]}["gauge scale"] == 10
    without = cell.agent(WITHOUT)
    found = CliRunner().invoke(main, ["inspect", str(path), "--config", str(without.config), "--budget"])
    assert "no budget" in found.output


SETUP = {
    "uncertainty": {
        "gauge_scale": 0.003, "spindle_file": "spindle.csv", "hysteresis_um": 0.02, "pickup_nm": 3.0,
        "pickup_hz": 50.0,
    }
}  # fmt: skip


def test_what_the_station_states_of_spindle_gauge_and_pick_up_is_in_the_table(cell, circle_text):
    path = cell.folder / "1.txt"
    path.write_text(circle_text("1"), encoding="utf-8")
    agent = cell.agent(SETUP)
    beside = agent.config.parent / "spindle.csv"
    beside.write_text("upr,radial_nm\n2,40\n3,10\n100,1\n", encoding="utf-8")
    configuration = load_configuration(agent.config)
    assert "spindle.csv" in {d.name for d in configuration.documents()}
    rules = Rulebook.of(configuration)
    assert rules.uncertainty.spindle == ((2.0, 40.0, 0.0), (3.0, 10.0, 0.0), (100.0, 1.0, 0.0))
    result = evaluate_file(path, rules)
    table = CliRunner().invoke(main, ["inspect", str(path), "--config", str(agent.config), "--budget"])
    for source in ("error motion of the spindle", "hysteresis of the gauge", "electrical pick-up"):
        assert source in table.output
    said = CliRunner().invoke(main, ["check", "--config", str(agent.config)]).output
    assert "the spindle's error motion by spindle.csv" in " ".join(said.split())
    without = replace(rules, uncertainty=InstrumentUncertainty(gauge_scale=0.003))
    at = ("roundness_total", "")
    before, after = (values_of(r)[at] for r in (evaluate_file(path, without).result, result.result))
    assert after["expanded_uncertainty"] > before["expanded_uncertainty"]


def test_a_bad_spindle_file_is_refused_with_file_line_and_key(cell):
    agent = cell.agent(SETUP)
    beside = agent.config.parent / "spindle.csv"
    beside.write_text("upr,radial_nm\n2,40\n3,ten\n", encoding="utf-8")
    found = CliRunner().invoke(main, ["check", "--config", str(agent.config)])
    assert found.exit_code == 2
    assert "spindle.csv: line 3: uncertainty.spindle_file" in found.output
    beside.unlink()
    found = CliRunner().invoke(main, ["check", "--config", str(agent.config)])
    assert found.exit_code == 2
    assert "agent.toml: line" in found.output
    assert "uncertainty.spindle_file: cannot be read" in found.output


@pytest.mark.parametrize(
    ("key", "value"),
    [
        ("hysteresis_um", -1.0),
        ("drift_um", 0.0),
        ("squareness_deg", 5.0),
        ("styli_z_mm", "x"),
        ("hysterese_um", 1.0),
    ],
)
def test_impossible_statements_of_the_station_name_file_and_key(cell, key, value):
    found = CliRunner().invoke(
        main, ["check", "--config", str(cell.agent({"uncertainty": {key: value}}).config)]
    )
    assert found.exit_code == 2
    assert f"uncertainty.{key}" in found.output
    assert "line" in found.output


def test_artefact_without_a_certificate_is_refused(cell):
    agent = cell.agent({"uncertainty": {"artefact": "MW-99"}})
    found = CliRunner().invoke(main, ["check", "--config", str(agent.config)])
    assert (found.exit_code, "uncertainty.artefact: no certificate for it" in found.output) == (2, True)


def test_last_deviation_of_the_artefact_counts_and_replay_finds_the_same(cell, circle_text):
    agent = cell.begin_alone(ASKED)
    agent.drop("1.txt", circle_text("1"))
    wait_until(lambda: len(agent.records("measurement")) == 1)
    waves = {36: 812.0 * 1.05, 180: 403.0}
    agent.drop("a.txt", spiral_text(artefact="MW-03", feature="waves", waves_nm=waves))
    wait_until(lambda: agent.records("verification"))
    errors = agent.records("verification")[0]["body"]["errors_nm"]
    assert errors["36"] == pytest.approx(40.6, abs=1.0)
    agent.drop("2.txt", circle_text("2"))
    wait_until(lambda: len(agent.records("measurement")) == 3)
    first, _, second = (r["body"] for r in agent.records("measurement"))
    assert [w[2] for w in first["uncertainty"]["waves"]] == [0.0, 0.0]
    assert second["uncertainty"]["waves"][0][2] == pytest.approx(errors["36"] / 812.0)
    before, after = (values_of(b)["roundness_total", ""]["expanded_uncertainty"] for b in (first, second))
    assert after > 1.3 * before
    agent.terminate()
    replayed = run_command("replay", "--config", os.fspath(agent.config))
    assert replayed.returncode == 0, replayed.stdout
    # A person who inspects the first file now is told what the service would say now.
    found = CliRunner().invoke(
        main, ["inspect", str(agent.inbox / "1.txt"), "--config", str(agent.config), "--json"]
    )
    again = values_of(json.loads(found.output))["roundness_total", ""]["expanded_uncertainty"]
    assert again > 1.3 * before


def test_deviation_of_one_instrument_does_not_count_for_another(cell, circle_text):
    agent = cell.begin_alone(ASKED)
    for name, instrument, factor in (("a.txt", "gauge-1", 1.05), ("b.txt", "gauge-2", 1.0)):
        waves = {36: 812.0 * factor, 180: 403.0}
        text = spiral_text(artefact="MW-03", feature="waves", waves_nm=waves, instrument=instrument)
        agent.drop(name, text)
    wait_until(lambda: len(agent.records("verification")) == 2)
    for name, instrument in (("1.txt", "gauge-1"), ("2.txt", "gauge-2"), ("3.txt", "gauge-3")):
        agent.drop(name, circle_text(name[0], instrument=instrument))
    wait_until(lambda: len(agent.records("measurement")) == 5)
    found = {
        r["body"]["instrument"]: r["body"]["uncertainty"]["waves"] for r in agent.records("measurement")[2:]
    }
    assert found["gauge-1"][0][2] == pytest.approx(0.05, abs=0.002)
    assert found["gauge-2"][0][2] == pytest.approx(0.0, abs=0.001)
    assert found["gauge-3"][0][2] == 0.0
    agent.terminate()
    config = os.fspath(agent.config)
    for name, deviates in (("1.txt", True), ("2.txt", False)):
        found = CliRunner().invoke(main, ["inspect", str(agent.inbox / name), "--config", config, "--budget"])
        lines = [x for x in found.output.splitlines() if "artefact's last deviation" in x]
        assert any(float(x.split()[3]) > 0.04 for x in lines) is deviates, found.output


TRAVEL = """part = "LT-1"
revision = "A"
[[measurement]]
feature = "lead"
kind = "travel"
  [[measurement.limit]]
  characteristic = "mean_travel_deviation"
  lower = -10.0
  upper = 10.0
[uncertainty]
expansion_per_k = 11.5e-6
expansion_uncertainty_per_k = 0.5e-6
"""


def lead_test(tmp_path, *, more="", temperature="", warmer_k=0.0):
    """Result of an invented lead test of 500 mm whose part was ``warmer_k`` above 20 °C."""
    recipe = recipe_from_documents(Document("LT-1.toml", (TRAVEL + more).encode()), {})
    path = tmp_path / "lead.txt"
    rows = [f"{mm},{2 * math.sin(mm / 5) + 11.5e-3 * warmer_k * mm:.6f}" for mm in range(501)]
    head = ['trace = 1', 'kind = "travel"', 'part = "LT-1"', 'serial = "1"', 'feature = "lead"',
            "measured_at = 2026-03-02T09:41:07Z", "lead_mm = 10.0", temperature]  # fmt: skip
    text = "".join(f"# {line}\n" for line in head if line)
    path.write_text(text + "travel_mm,deviation_um\n" + "\n".join(rows) + "\n", encoding="utf-8")
    stated = InstrumentUncertainty(length_scale=1e-6, temperature_k=0.1)
    return evaluate_file(path, Rulebook("guarded", {"LT-1": recipe}, {}, {}, stated))


def test_lead_test_of_a_warm_part(tmp_path):
    # 500 mm of steel that is 3 K too warm is 17.25 µm longer (11.5e-6 per K, common practice).
    unknown = lead_test(tmp_path, warmer_k=3.0)
    assert unknown.result["disposition"] == "hold", "no proof of anything without the temperature"
    value = values_of(unknown.result)["mean_travel_deviation", ""]
    assert (value["verdict"], value["expanded_uncertainty"]) == ("inconclusive", None)
    assert [c["check"] for c in unknown.result["quality"] if not c["ok"]] == ["temperature"]
    said = lead_test(tmp_path, warmer_k=3.0, temperature="temperature_c = 23.0")
    assert said.result["disposition"] == "hold", "17 µm may well be the temperature"
    at_20 = lead_test(
        tmp_path, warmer_k=3.0, temperature="temperature_c = 23.0", more="correct_temperature = true\n"
    )
    assert at_20.result["disposition"] == "accept"
    value = values_of(at_20.result)["mean_travel_deviation", ""]
    cold = values_of(lead_test(tmp_path).result)["mean_travel_deviation", ""]["value"]
    assert value["value"] == pytest.approx(cold, abs=1e-6)
    lines = {c.source: c.effect for c in at_20.budgeted.budgets["mean_travel_deviation", ""].contributions}
    assert lines["length scale"] == pytest.approx(0.5)
    assert lines["temperature"] == pytest.approx(0.575)
    assert lines["expansion coefficient"] == pytest.approx(0.75)
    assert "departure from 20 °C" not in lines


def test_every_harmonic_of_a_trace_has_a_budget_and_no_other():
    rules = Rulebook.of(load_configuration(ROOT / "config" / "agent.toml"))
    found = evaluate("a.txt", spiral_text(points_per_turn=1200).encode(), None, rules).budgeted
    last = len(found.analysis.spectrum.upr)
    assert [found.of_harmonic(upr) is not None for upr in (0, 1, last, last + 1)] == [False, True, True, False]


def test_temperature_is_asked_for_where_the_part_expands_and_a_value_grows_with_it():
    steel = PartUncertainty(expansion_per_k=11.5e-6)
    corrected = replace(steel, correct_temperature=True)
    assert temperature_check(PartUncertainty(), None, {"lead"}, frozenset({"lead"})) == ()
    assert temperature_check(steel, None, set(), frozenset({"lead"})) == ()
    for limited, fit in ((frozenset({"lead"}), False), (frozenset({"form"}), True)):
        (check,) = temperature_check(steel, None, {"lead"}, limited)
        assert (check.ok, "states no temperature_c" in check.note) == (fit, True)
    for part, words in ((steel, "values are not corrected for it"), (corrected, "values are those at 20 °C")):
        (check,) = temperature_check(part, 23.0, {"lead"}, frozenset({"lead"}))
        assert (check.ok, check.value, check.note) == (True, 3.0, f"measured at 23 °C, {words}")


def test_expansion_without_a_temperature_holds(cell):
    case = next(c for c in cases() if c.serial == "000521")
    agent = cell.agent()
    recipe = agent.folder / "recipes" / "KX-2005-G.toml"
    recipe.write_text(
        recipe.read_text(encoding="utf-8") + "\n[uncertainty]\nexpansion_per_k = 11.5e-6\n", encoding="utf-8"
    )
    path = cell.folder / "g.txt"
    path.write_bytes(trace_text(case.acts[0]))
    found = evaluate_file(path, Rulebook.of(load_configuration(agent.config)))
    assert found.result["disposition"] == "hold"
    assert any("states no temperature_c" in r for r in found.result["reasons"])
    warm = path.read_text(encoding="utf-8").replace("# trace = 1", "# trace = 1\n# temperature_c = 24.0", 1)
    path.write_text(warm, encoding="utf-8")
    found = evaluate_file(path, Rulebook.of(load_configuration(agent.config)))
    assert not any("temperature" in r for r in found.result["reasons"])
    budget = next(b for (name, _), b in found.budgeted.budgets.items() if name == "ball_pitch_circle_diameter")
    departure = next(c for c in budget.contributions if c.source == "departure from 20 °C")
    assert departure.effect == pytest.approx(4 * 11.5e-6 * 16.3, rel=0.02)
    # Nothing tells how the ball's seat on the profile repeats: the scale alone is not its uncertainty.
    at = next(key for key in found.budgeted.budgets if key[0] == "profile_contact_angle_left")
    assert not found.budgeted.budgets[at].complete
    assert values_of(found.result)[at]["expanded_uncertainty"] is None
    shown = shown_result(evaluate_file(path, Rulebook.of(load_configuration(agent.config))), budget=True)
    assert "enter its repeatability" in budget_table(shown)


def test_check_says_what_the_uncertainty_counts(cell):
    agent = cell.agent(ASKED)
    recipe = agent.folder / "recipes" / "KX-2005-G.toml"
    more = "\n[uncertainty]\nexpansion_per_k = 11.5e-6\nrepeatability = { root_clearance = 0.2 }\n"
    recipe.write_text(recipe.read_text(encoding="utf-8") + more, encoding="utf-8")
    said = CliRunner().invoke(main, ["check", "--config", str(agent.config)]).output
    assert "gauge_scale 0.03, the certificate and last deviations of MW-03" in said
    assert "expands 1.15e-05 per K, not corrected to 20 °C; repeatability from a study: root_clearance" in said
    assert "bare value" not in said
    limit = '[[measurement.limit]]\ncharacteristic = "profile_seat_height"\nupper = 1.0\n\n[uncertainty]'
    recipe.write_text(
        recipe.read_text(encoding="utf-8").replace("\n[uncertainty]", "\n" + limit), encoding="utf-8"
    )
    said = CliRunner().invoke(main, ["check", "--config", str(agent.config)]).output
    assert "KX-2005-G profile: profile_seat_height is judged by its bare value" in said
    plain = cell.agent(WITHOUT)
    said = CliRunner().invoke(main, ["check", "--config", str(plain.config)]).output
    assert "noise of this trace only" in said

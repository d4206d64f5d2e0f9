"""The command that analyses re-measured parts and writes the recipe's entry. Parts and gauges are invented."""

from __future__ import annotations

import json
import re
import shutil
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from field import ROOT

from edgeagent.cli import main
from edgeagent.codec.configuration.repeatability_entry import RepeatabilityEntry, set_repeatability
from edgeagent.commands.study import study, study_lines
from edgeagent.commands.study_recipe import write_repeatability
from edgeagent.errors import AgentError, ConfigError
from edgeagent.judging.drift import Observation, SeriesKey
from edgeagent.judging.studies.gauge_study import pool_octaves, study_characteristics
from edgeagent.judging.studies.repeatability import repeatability_entries
from edgeagent.rules.gauge_study import anova_study, repeat_study

RECIPE = """# Kept by hand.
part = "KX-1"            # a comment
revision = "A"

[[measurement]]
feature = "left-flank"
kind = "spiral"
"""


def observation(
    value, serial, operator="", instrument="gauge-1", label="roundness_total", feature="left-flank"
):
    key = SeriesKey("KX-1", False, feature, instrument, label)
    return Observation(key, 0, "2026-03-02T09:41:07Z", serial, operator, value, "um", 0.0, 2.0)


def square(parts=4, operators=("ann", "bob"), trials=2, **more):
    """Invented values: the part's own, the operator's bias, the trial's scatter."""
    return [
        observation(1 + 0.1 * p + 0.01 * o + 0.004 * (t + (p + o) % 2), str(p), operator=name, **more)
        for p in range(parts)
        for o, name in enumerate(operators)
        for t in range(trials)
    ]


def run(*args):
    found = CliRunner().invoke(study, args)
    if found.exception is not None and not isinstance(found.exception, SystemExit):
        raise found.exception
    return found


def test_parts_and_operators_are_told_apart_by_their_headers():
    (one,) = study_characteristics(square(), "auto")
    assert (one.by, one.study.parts, one.study.operators, one.study.trials) == ("operator", 4, 2, 2.0)
    values = [
        [[1 + 0.1 * p + 0.01 * o + 0.004 * (t + (p + o) % 2) for t in range(2)] for o in range(2)]
        for p in range(4)
    ]
    assert one.study == anova_study(values)
    assert one.notes == ()


def test_instruments_take_the_place_of_operators_where_there_are_several():
    found = square(operators=("",)) + [
        observation(1 + 0.1 * p + 0.02 + 0.003 * t, str(p), instrument="gauge-2")
        for p in range(4)
        for t in range(2)
    ]
    (one,) = study_characteristics(found, "auto")
    assert one.by == "instrument"
    assert one.study.operators == 2


@pytest.mark.parametrize(("trials", "words"), [((1, 1, 1), "0 of 3 parts"), ((2, 1, 1), "1 of 3 parts")])
def test_parts_that_were_not_measured_again_are_counted(trials, words):
    found = [observation(float(p), str(p)) for p, count in enumerate(trials) for _ in range(count)]
    (one,) = study_characteristics(found, "auto")
    assert (one.study, one.reason) == (None, f"{words} were measured more than once; two are needed")


def test_one_operator_gives_a_study_of_repeatability_alone():
    values = {"1": [1.0, 1.1], "2": [2.0, 2.1, 2.2], "3": [3.0]}
    found = [observation(v, serial) for serial, trials in values.items() for v in trials]
    (one,) = study_characteristics(found, "auto")
    assert one.by == "none"
    assert one.study == repeat_study([[1.0, 1.1], [2.0, 2.1, 2.2]])
    assert one.notes == ("1 parts measured only once are left out",)


def test_what_does_not_fit_the_square_is_named():
    found = [*square(), observation(1.5, "0", "ann"), observation(2.0, "77", "ann")]
    (one,) = study_characteristics(found, "auto")
    assert one.study.trials == 2
    assert one.notes == (
        "1 parts not measured twice by every operator are left out: 77",
        "1 values beyond 2 trials of a part are left out",
    )


def test_single_part_is_no_study_and_says_why():
    (one,) = study_characteristics([observation(1.0, "1"), observation(1.1, "1")], "auto")
    assert one.study is None
    assert one.reason == "1 of 1 parts were measured more than once; two are needed"
    (other,) = study_characteristics(square(parts=1), "operator")
    assert "two operators" in other.reason


def test_text_holds_the_table_and_the_components():
    (one,) = study_characteristics(square(), "auto")
    text = "\n".join(study_lines(one))
    for word in ("sum of squares", "operator", "interaction", "repeatability", "ndc", "of the tolerance"):
        assert word in text
    assert "by average and range" in text


def test_entries_pool_features_by_degrees_of_freedom_and_leave_harmonics_out():
    found = [
        *[observation(v, s) for s, trials in {"1": [1.0, 1.2], "2": [2.0, 2.2]}.items() for v in trials],
        *[
            observation(v, s, feature="right-flank")
            for s, t in {"1": [1.0, 1.4], "2": [2.0, 2.4]}.items()
            for v in t
        ],
        *[
            observation(v, s, label="harmonic_amplitude[9]")
            for s, t in {"1": [1, 2], "2": [2, 3]}.items()
            for v in t
        ],
        *[observation(v, s, label="tilt") for s, t in {"1": [1, 1], "2": [2, 2]}.items() for v in t],
    ]
    # within-part variances 0.02 and 0.08 with two degrees of freedom each: sd of their mean 0.05
    made = repeatability_entries(study_characteristics(found, "auto"), "gauge")["KX-1"]
    assert made.values == {"roundness_total": 0.2236}
    # Effective degrees of freedom of that mean: (2*0.02 + 2*0.08)²/(2*0.02² + 2*0.08²)
    assert made.degrees_of_freedom == pytest.approx(0.2**2 / (2 * 0.02**2 + 2 * 0.08**2))
    assert made.until == "2026-03-02"


def test_grooves_are_pooled_and_bands_are_not():
    trials = {
        "groove_form[top[1]]": 0.1,
        "groove_form[top[2]]": 0.3,
        "band_rms[2-15]": 0.2,
        "band_rms[16-50]": 0.4,
    }
    found = [
        observation(part + sign * half, str(part), label=label)
        for label, half in trials.items()
        for part in (1, 5)
        for sign in (-1, 1)
    ]
    # Within-part variances are 2 half²; those of the grooves 0.02 and 0.18, their mean 0.1
    assert repeatability_entries(study_characteristics(found, "auto"), "gauge")["KX-1"].values == {
        "groove_form": 0.3162,
        "band_rms[2-15]": 0.2828,
        "band_rms[16-50]": 0.5657,
    }


def test_component_repeatability_leaves_operators_out():
    studies = study_characteristics(square(), "auto")
    gauge = repeatability_entries(studies, "gauge")["KX-1"].values["roundness_total"]
    alone = repeatability_entries(studies, "repeatability")["KX-1"].values["roundness_total"]
    assert alone == pytest.approx(studies[0].study.repeatability_sd, rel=1e-3)
    assert gauge == pytest.approx(studies[0].study.gauge_sd, rel=1e-3)
    assert alone < gauge


def made(values, dof=18.0):
    return RepeatabilityEntry(values, dof, "gauge", "2026-03-02")


def test_entry_is_added_at_the_end_of_a_recipe_without_one():
    changed = set_repeatability(RECIPE, made({"roundness_total": 0.012}, 7.38), "r.toml")
    assert changed.startswith(RECIPE)
    table = tomllib.loads(changed)["uncertainty"]
    assert table == {"repeatability": {"roundness_total": 0.012}, "repeatability_dof": 7.3}


def test_entry_replaces_the_earlier_one_and_keeps_everything_else():
    text = RECIPE + (
        '\n[uncertainty]  # ours\nscale = 1\nrepeatability = { tilt = 0.5, roundness_total = 1.0 }  # by hand\n'
        'repeatability_dof = 40   # why\n# end\n\n[running]\nspeed_rpm = 3000\n'
    )  # fmt: skip
    changed = set_repeatability(text, made({"roundness_total": 0.012}), "r.toml")
    table = tomllib.loads(changed)["uncertainty"]
    assert table == {
        "scale": 1,
        "repeatability": {"tilt": 0.5, "roundness_total": 0.012},
        "repeatability_dof": 18,
    }
    kept = [line for line in text.splitlines() if not line.startswith("repeatability")]
    assert [line for line in changed.splitlines() if not line.startswith("repeatability")] == kept
    assert "study up to 2026-03-02; by hand\n" in changed
    assert "repeatability_dof = 18   # why\n" in changed
    again = set_repeatability(changed, made({"roundness_total": 0.02}, 60), "r.toml")
    # What stays of an earlier entry keeps its degrees of freedom, and there is one number for all
    assert tomllib.loads(again)["uncertainty"]["repeatability_dof"] == 18
    assert len(again.splitlines()) == len(changed.splitlines())
    assert "study up to 2026-03-02; by hand\n" in again


def test_second_study_of_the_same_characteristics_sets_their_degrees_of_freedom_anew():
    first = set_repeatability(RECIPE, made({"roundness_total": 0.012}, 4), "r.toml")
    second = set_repeatability(first, made({"roundness_total": 0.02}, 30), "r.toml")
    table = tomllib.loads(second)["uncertainty"]
    assert table == {"repeatability": {"roundness_total": 0.02}, "repeatability_dof": 30}
    assert second.count("study up to") == 1


def test_entry_goes_into_a_table_that_has_none_yet():
    text = RECIPE + "\n[uncertainty]\nscale = 0.001\n\n[running]\nspeed_rpm = 3000\n"
    table = tomllib.loads(set_repeatability(text, made({"tilt": 0.5}), "r.toml"))
    assert table["uncertainty"] == {"scale": 0.001, "repeatability": {"tilt": 0.5}, "repeatability_dof": 18}
    assert table["running"] == {"speed_rpm": 3000}


@pytest.mark.parametrize("text", [RECIPE, f"{RECIPE}\n[uncertainty]\nscale = 1 # x\n", RECIPE.rstrip()])
def test_line_ends_and_byte_order_mark_stay_as_they_were(tmp_path, text):
    path = tmp_path / "r.toml"
    before = b"\xef\xbb\xbf" + text.replace("\n", "\r\n").encode()
    path.write_bytes(before)
    write_repeatability(path, made({"tilt": 0.5}), lambda _: None)
    after = path.read_bytes()
    assert b"\n" not in after.replace(b"\r\n", b"")
    position = 0
    for line in before.splitlines():
        position = after.index(line, position) + len(line)
    assert tomllib.loads(after.decode("utf-8-sig"))["uncertainty"]["repeatability"] == {"tilt": 0.5}


@pytest.mark.parametrize(
    "odd",
    [
        "[uncertainty.repeatability]\ntilt = 0.5\n",
        "[uncertainty]\nrepeatability.tilt = 0.5\n",
        "[extra]\ntext = '''\n[uncertainty]\n'''\n",
    ],
)
def test_recipe_written_in_another_way_is_left_to_a_person(odd):
    with pytest.raises(ConfigError, match="by hand"):
        set_repeatability(f"{RECIPE}\n{odd}", made({"roundness_total": 0.1}), "r.toml")


def test_recipe_that_would_not_be_accepted_stays_as_it_is(tmp_path):
    path = tmp_path / "r.toml"
    path.write_text(RECIPE)

    def refuse(_data):
        raise ConfigError("r.toml", "uncertainty", "unknown key")

    with pytest.raises(ConfigError, match="unknown key"):
        write_repeatability(path, made({"tilt": 0.5}), refuse)
    assert path.read_text() == RECIPE


def test_written_recipe_keeps_its_mode_and_is_what_was_checked(tmp_path):
    path = tmp_path / "r.toml"
    path.write_text(RECIPE)
    path.chmod(0o640)
    seen = []
    write_repeatability(path, made({"tilt": 0.5}), seen.append)
    assert seen == [path.read_bytes()]
    assert path.stat().st_mode & 0o777 == 0o640
    assert tomllib.loads(path.read_text())["uncertainty"]["repeatability"] == {"tilt": 0.5}


def test_harmonic_that_repeats_worst_stands_for_its_octave():
    # Within-part variances: 2 UPR 0.02, 3 UPR 0.08, 4 UPR 0.5; two degrees of freedom each
    trials = {2: (1.0, 1.2), 3: (1.0, 1.4), 4: (1.0, 2.0)}
    found = [
        observation(v + part, str(part), label=f"harmonic_amplitude[{n}]")
        for n, values in trials.items()
        for part in (0, 5)
        for v in values
    ]
    low, high = pool_octaves(study_characteristics(found, "auto"))
    assert (low.label, high.label) == ("harmonic_amplitude[2-3]", "harmonic_amplitude[4-7]")
    assert low.study.repeatability_sd**2 == pytest.approx(0.08), "that of 3 UPR, not a mean of both"
    assert low.study.degrees_of_freedom == 2
    assert low.notes == ("worst of 2 harmonics: 3 UPR",)
    entry = repeatability_entries([low, high], "gauge")["KX-1"]
    assert entry.values == {"harmonic_amplitude[2-3]": 0.2828, "harmonic_amplitude[4-7]": 0.7071}
    assert entry.degrees_of_freedom == pytest.approx(2)


@pytest.fixture
def station(tmp_path, circle_text):
    """A configuration and files of three invented parts, each measured twice by two operators."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    files = []
    for part in range(3):
        for number, operator in enumerate(("ann", "bob")):
            for trial in range(2):
                seed = 100 * part + 10 * number + trial
                text = circle_text(str(part), 20.0 + 30 * part, seed=seed, points_per_turn=3600)
                text = text.replace("# instrument", f'# operator = "{operator}"\n# instrument', 1)
                path = tmp_path / f"{part}-{operator}-{trial}.txt"
                path.write_text(text)
                files.append(str(path))
    return str(tmp_path / "config" / "agent.toml"), files


def test_files_become_studies_of_their_characteristics(station, tmp_path):
    config, files = station
    empty = tmp_path / "empty.txt"
    empty.write_text("")
    found = run("--config", config, *files, str(empty), "--json")
    assert "empty.txt: left out" in found.stderr
    studies = {o["label"]: o for o in map(json.loads, found.stdout.splitlines())}
    roundness = studies["roundness_total"]
    assert (roundness["part"], roundness["by"], roundness["study"]["parts"]) == ("HN-1610-R", "operator", 3)
    assert roundness["study"]["part_sd"] > 5 * roundness["study"]["gauge_sd"] > 0
    assert roundness["upper"] == 3.0
    harmonic = run("--config", config, *files, "--characteristic", "harmonic_amplitude[3]", "--json")
    assert json.loads(harmonic.stdout)["study"]["part_sd"] == pytest.approx(30.0, rel=0.1)


def test_writing_either_changes_the_recipe_or_shows_what_to_paste(station):
    config, files = station
    path = Path(config).parent / "recipes" / "HN-1610-R.toml"
    before = path.read_text()
    found = run("--config", config, *files, "--write")
    if found.exit_code == 0:
        table = tomllib.loads(path.read_text())["uncertainty"]["repeatability"]
        assert table["roundness_total"] > 0
        assert path.read_text().startswith(before.rstrip())
    else:
        assert path.read_text() == before
        pasted = found.stderr[found.stderr.index("[uncertainty]") :]
        assert tomllib.loads(pasted)["uncertainty"]["repeatability"]["roundness_total"] > 0


def test_entry_that_is_shown_is_the_one_that_is_written_and_counts_in_the_budget(station):
    config, files = station
    path = Path(config).parent / "recipes" / "HN-1610-R.toml"
    before = path.read_bytes()
    shown = run("--config", config, *files).stdout
    assert path.read_bytes() == before
    assert run("--config", config, *files, "--write").exit_code == 0
    written = path.read_bytes()
    assert written.startswith(before)
    assert shown[shown.index("[uncertainty]") :].strip() in written.decode()
    table = tomllib.loads(written.decode())["uncertainty"]
    assert set(table["repeatability"]) >= {"roundness_total", "harmonic_amplitude[2-3]"}
    assert run("--config", config, *files, "--write").exit_code == 0
    assert path.read_bytes() == written
    checked = CliRunner().invoke(main, ["check", "--config", config])
    assert "repeatability from a study" in checked.stdout
    # More than the study found, so that it stands out of the noise of a single trace
    path.write_bytes(re.sub(rb"(roundness_total|.2-3.\") = [0-9.e-]+", rb"\1 = 9.0", written))
    budget = CliRunner().invoke(main, ["inspect", files[0], "--config", config, "--budget"]).stdout
    for label in ("roundness_total", "harmonic_amplitude[2]"):
        lines = budget[budget.rindex(f"  {label} ") :].splitlines()
        assert "repeatability of the study" in lines[2]
        assert lines[2].split()[-1] == f"{table['repeatability_dof']:.1f}"


def test_copy_of_a_file_is_no_second_measurement(station):
    config, files = station
    found = run("--config", config, files[0], files[0], files[1], "--characteristic", "roundness_total")
    assert "the same bytes as a file before it" in found.stderr


def test_harmonics_of_a_store_need_it_to_be_narrowed_down(tmp_path):
    with pytest.raises(AgentError, match="--part or --since"):
        run("--store", str(tmp_path), "--characteristic", "harmonic_amplitude")


def test_part_without_recipe_gets_its_entry_to_paste(station):
    config, files = station
    (Path(config).parent / "recipes" / "HN-1610-R.toml").unlink()
    found = run("--config", config, *files, "--write")
    assert found.exit_code == 1
    assert "there is no recipe for this part" in found.stderr
    pasted = found.stderr[found.stderr.index("[uncertainty]") :]
    assert tomllib.loads(pasted)["uncertainty"]["repeatability"]["roundness_total"] > 0


@pytest.mark.parametrize("args", [[], ["a.txt"], ["a.txt", "--store", "s"], ["--store", "s", "--write"]])
def test_what_does_not_go_together_is_refused(args):
    with pytest.raises(AgentError):
        run(*args)


def test_measurements_of_a_store_become_studies(cell, circle_text):
    agent = cell.begin_alone()
    for number in range(6):
        text = circle_text(str(number // 2), 20.0 + 30 * (number // 2), seed=number, instrument="gauge-1")
        agent.drop(f"{number}.txt", text)
    agent.wait_event("measured", 6)
    agent.terminate()
    text = run("--store", str(agent.store), "--characteristic", "roundness_total").stdout
    assert "roundness_total of HN-1610-R outside" in text
    assert "3 parts, 2 trials" in text
    with pytest.raises(AgentError, match="no measurement"):
        run("--store", str(agent.store), "--since", "2099-01-01")


def unrepeated(label, value, **more):
    """Each of two parts measured once: nothing to study."""
    return [observation(value, serial, label=label, **more) for serial in "12"]


def test_octave_without_a_study_is_its_first_harmonic_s_and_one_with_studies_its_first_usable_one_s():
    bare = unrepeated("harmonic_amplitude[4]", 1.0) + [
        replace(o, measured_at="2026-03-09T00:00:00Z") for o in unrepeated("harmonic_amplitude[5]", 2.0)
    ]
    (band,) = pool_octaves(study_characteristics(bare, "none"))
    assert (band.label, band.study, band.last_at[:10]) == ("harmonic_amplitude[4-7]", None, "2026-03-02")
    assert band.reason.startswith("0 of 2 parts were measured more than once")
    studied = [
        replace(observation(1.0 + 0.1 * trial, serial, label=f"harmonic_amplitude[{upr}]"), measured_at=at)
        for upr, at in ((4, "2026-03-03T00:00:00Z"), (5, "2026-03-09T00:00:00Z"))
        for serial in "12"
        for trial in range(2)
    ]
    (band,) = pool_octaves(study_characteristics(studied, "none"))
    assert (band.last_at[:10], band.notes[0]) == ("2026-03-09", "worst of 2 harmonics: 4 UPR")


def test_limits_are_those_of_the_last_value():
    values = square()
    (one,) = study_characteristics([*values[:-1], replace(values[-1], lower=0.5, upper=3.0)], "auto")
    assert (one.lower, one.upper) == (0.5, 3.0)


@pytest.mark.parametrize(("by", "hinted"), [("auto", True), ("operator", False)])
def test_hint_at_the_repeatability_alone_is_given_to_whoever_did_not_choose(by, hinted):
    (one,) = study_characteristics(square(trials=1), by)
    assert one.study is None
    assert one.reason.startswith("two operators with two trials of the same two parts")
    assert one.reason.endswith("; --by none gives the repeatability alone") is hinted


@pytest.mark.parametrize(("count", "shown"), [(5, "10, 11, 12, 13, 14"), (6, "10, 11, 12, 13, 14, …")])
def test_at_most_five_parts_that_are_left_out_are_named(count, shown):
    single = [observation(1.0, str(10 + n), operator="ann") for n in range(count)]
    (one,) = study_characteristics(square() + single, "auto")
    assert one.notes == (f"{count} parts not measured twice by every operator are left out: {shown}",)


TWO_FLANKS = """layout = "two"
[match]
names = ["*.flanks"]
[text]
delimiter = "semicolon"
[data]
after = "^Flank;"
[[column]]
name = "angle_deg"
field = 2
unit = "deg"
[[column]]
name = "deviation_um"
field = 3
unit = "um"
[traces]
field = 1
features = { "L" = "left-flank", "R" = "right-flank" }
[[header]]
key = "serial"
pattern = '^Serial;(\\S+)'
[constants]
kind = "circle"
part = "P"
sensing = "normal"
measured_at = 2026-03-27T09:41:07Z
"""


def test_every_trace_of_a_file_that_holds_several_is_studied(tmp_path):
    (tmp_path / "layouts").mkdir()
    (tmp_path / "layouts" / "two.toml").write_text(TWO_FLANKS)
    (tmp_path / "agent.toml").write_text(
        '[station]\nsite = "a"\ncell = "b"\nname = "c"\n[intake]\nfolders = ["inbox"]\n'
    )
    rng, names = np.random.default_rng(5), []
    for trial in range(4):
        path = tmp_path / f"{trial}.flanks"
        angle = np.arange(7200) * 0.1
        values = np.cos(np.radians(2 * angle)) + rng.normal(0.0, 0.002, angle.size)
        rows = [f"{f};{a:.1f};{v:.4f}" for f in "LR" for a, v in zip(angle, values, strict=True)]
        path.write_text("\n".join([f"Serial;{trial // 2}", "Flank;Angle;Deviation", *rows, ""]))
        names.append(str(path))
    told = run(
        *names, "--config", str(tmp_path / "agent.toml"), "--characteristic", "roundness_total", "--json"
    )
    found = [json.loads(line) for line in told.stdout.splitlines()]
    assert {one["feature"] for one in found} == {"left-flank", "right-flank"}, told.stderr
    assert told.stderr == ""

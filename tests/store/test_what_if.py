"""What-ifs over a store: the same as full computations, and never a partial answer that looks whole."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from field import copy_station, spiral_text
from played_store import PlayedStation
from records import line_of

from edgeagent.cli import main
from edgeagent.codec.records.record import GENESIS
from edgeagent.judging.asking.rejudge import ANOTHER_ANALYSIS
from edgeagent.model.records import Measurement
from edgeagent.store.archive import Archive
from edgeagent.store.configuration import load_recipes
from edgeagent.store.journal import JournalReader
from edgeagent.store.replaying import side_rows
from edgeagent.store.replaying.judged import Question
from edgeagent.store.replaying.what_if import what_if

SERIALS = {"1": 10.0, "2": 30.0, "3": 80.0}
"""Amplitude at 37 UPR of each part; 33.8 nm are allowed by the example recipe."""


@pytest.fixture(scope="module")
def played(tmp_path_factory) -> Path:
    base = tmp_path_factory.mktemp("played")
    with PlayedStation(base / "station") as played:
        for serial, amplitude_nm in SERIALS.items():
            for feature in ("left-flank", "right-flank"):
                waves = {2: 150.0, 37: amplitude_nm}
                text = spiral_text(serial=serial, feature=feature, waves_nm=waves, points_per_turn=3600)
                played.measure(f"{serial}-{feature}.txt", text)
    return base / "station"


@pytest.fixture
def station(played, tmp_path) -> Path:
    copy_station(played, tmp_path / "station")
    return tmp_path / "station"


@pytest.fixture
def stricter(played, tmp_path) -> Path:
    """Recipes by which 30 nm at 37 UPR are too much, and 10 nm are not."""
    other = tmp_path / "stricter"
    shutil.copytree(played / "recipes", other)
    recipe = other / "KX-2005-R.toml"
    recipe.write_text(recipe.read_text().replace("[20, 60.0]", "[20, 30.0]"))
    return other


def asked(command: str, station: Path, *more: object):
    words = [command, "--config", str(station / "agent.toml"), *map(str, more)]
    return CliRunner().invoke(main, words)


def whatif(station: Path, *more: object) -> dict:
    told = asked("whatif", station, "--json", *more)
    return {**json.loads(told.stdout), "exit": told.exit_code}


def measured(station: Path) -> list[Measurement]:
    walked = JournalReader(station / "store" / "journal").walk()
    return [r.body for r, _ in walked if isinstance(r.body, Measurement)]


def flips(found: list[dict]) -> list[tuple[str, str, str]]:
    return [(f["serial"], f["was"], f["would_be"]) for f in found]


def test_flips_are_those_of_a_full_computation_and_the_sample_proves_it(station, stricter):
    found = whatif(station, "--recipes", stricter)
    full = json.loads(asked("replay", station, "--json", "--recipes", stricter).stdout)
    assert flips(found["flips"]) == flips(full["flips"]) == [("2", "accept", "reject")]
    assert (found["from_results"], found["in_full"], found["exit"]) == (6, {}, 0)
    assert [s["agreement"] for s in found["sample"]] == ["identical"] * 6
    assert found["parts"] == [
        {"was": "accept", "would_be": "accept", "count": 1},
        {"was": "accept", "would_be": "reject", "count": 1},
        {"was": "reject", "would_be": "reject", "count": 1},
    ]


def test_part_with_a_file_since_then_is_judged_by_all_of_its_files(station, tmp_path):
    other = tmp_path / "even"
    shutil.copytree(station / "recipes", other)
    recipe = other / "KX-2005-R.toml"
    recipe.write_text(recipe.read_text().replace("[20, 60.0]", "[20, 51.6]"))  # 30 nm at 37 UPR
    times = [r.time for r, _ in JournalReader(station / "store" / "journal").walk() if r.kind == "measurement"]
    found = whatif(station, "--recipes", other, "--since", times[3][:19])
    assert (flips(found["flips"]), found["files"]) == ([("2", "accept", "hold")], 4)


def test_limit_file_that_changed_alone_makes_another_recipe(tmp_path):
    with PlayedStation(tmp_path / "station") as played:
        folder = played.folder / "recipes"
        recipe, limits = folder / "KX-2005-R.toml", folder / "limits" / "shaft-waviness.csv"
        head, middle, right = recipe.read_text().partition('feature = "right-flank"')
        begin = right.index('  [[measurement.limit]]\n  characteristic = "roundness_total"')
        end = right.index('  [[measurement.limit]]\n  characteristic = "harmonic_amplitude"')
        recipe.write_text(head + middle + right[:begin] + right[end:])  # what is judged stands in the CSV alone
        whole = limits.read_text()
        for serial, text in (("1", whole), ("2", "upr,upper_nm,caution_nm\n2,300,225\n20,60,45\n")):
            limits.write_text(text)
            played.configure()
            flank = spiral_text(serial=serial, feature="right-flank", points_per_turn=720)
            played.measure(f"{serial}.txt", flank)
        limits.write_text(whole)
    report = what_if(played.store, Question(load_recipes(folder)), sample=0)
    assert (report.from_results, report.in_full) == (1, {ANOTHER_ANALYSIS: 1})


def test_another_configuration_is_asked_with_its_rule_and_its_uncertainties(station, tmp_path):
    other = tmp_path / "other"
    shutil.copytree(station, other, ignore=shutil.ignore_patterns("store"))
    agent = other / "agent.toml"
    agent.write_text(agent.read_text().replace("gauge_scale = 0.003", "gauge_scale = 0.5"))
    found = whatif(station, "--to", agent)
    assert flips(found["flips"]) == [("2", "accept", "hold"), ("3", "reject", "hold")]
    assert (found["from_results"], found["exit"], len(found["sample"])) == (6, 0, 6)


def test_side_files_change_the_time_alone(station, stricter):
    side = station / "store" / "cache" / "judging"
    first = whatif(station, "--recipes", stricter, "--check", 0)
    (kept,) = side.iterdir()
    assert whatif(station, "--recipes", stricter, "--check", 0) == first
    damaged = bytearray(kept.read_bytes())
    damaged[-1] ^= 1
    kept.write_bytes(damaged)
    assert whatif(station, "--recipes", stricter, "--check", 0) == first
    shutil.rmtree(side)
    side.write_text("no folder")
    told = asked("whatif", station, "--recipes", stricter, "--check", 0)
    assert "cached results cannot be written: " in told.stdout
    assert "1 of 3 parts would have been decided otherwise" in told.stdout


def test_side_file_that_says_something_else_is_found_by_the_sample(station, stricter):
    whatif(station, "--recipes", stricter, "--check", 0)
    (path,) = (station / "store" / "cache" / "judging").iterdir()
    block = side_rows._read(path)
    rows = [side_rows.msgspec.structs.replace(r, value=tuple(0.0 for _ in r.value)) for r in block.rows]
    side_rows._write(path, side_rows.SideBlock(tuple(rows)))
    found = whatif(station, "--recipes", stricter)
    assert found["exit"] == 1
    assert not found["holds"]
    assert found["sample"][0]["differences"] == ["its cached result is not the archived one"]


def test_file_that_would_be_analysed_in_another_way_is_computed_in_full(station, stricter):
    recipe = stricter / "KX-2005-R.toml"
    recipe.write_text(recipe.read_text().replace("speed_rpm = 3000", "speed_rpm = 2000"))
    found = whatif(station, "--recipes", stricter)
    assert found["in_full"] == {"the analysis would be asked for something else": 6}
    assert flips(found["flips"]) == [("2", "accept", "reject")]


def test_missing_result_leaves_its_part_out_and_is_told(station, stricter):
    Archive(station / "store" / "archive").path_of(measured(station)[2].result_sha256).unlink()
    told = asked("whatif", station, "--recipes", stricter)
    assert told.exit_code == 1
    assert "2-left-flank.txt: not judged" in told.stdout
    assert "1 file could not be judged: nothing is said of 1 part" in told.stdout
    assert "0 of 2 parts would have been decided otherwise" in told.stdout


def test_results_from_before_they_held_what_they_were_judged_from_are_computed_in_full(station, stricter):
    store, archive, head, lines = station / "store", Archive(station / "store" / "archive"), GENESIS, []
    for record, _ in list(JournalReader(store / "journal").walk()):
        body = json.loads(record.raw)
        if record.kind == "measurement":
            result = json.loads(archive.get(body["result_sha256"]))
            del result["judged_from"]
            body["result_sha256"] = archive.put(json.dumps(result).encode())
        line, head = line_of(record.seq, record.time, record.kind, head, body)
        lines.append(line)
    (segment,) = (store / "journal").glob("*.jsonl")
    segment.write_bytes(b"".join(lines))
    found = whatif(station, "--recipes", stricter)
    assert found["in_full"] == {"the archived result is older than what is held for judging it again": 6}
    assert flips(found["flips"]) == [("2", "accept", "reject")]
    assert asked("replay", station).exit_code == 0


def test_list_of_flips_is_written_and_an_existing_one_is_kept(station, stricter, tmp_path):
    out = tmp_path / "flips.csv"
    told = asked("whatif", station, "--recipes", stricter, "--out", out, "--check", 0)
    assert "1 part listed in" in told.stdout
    head, row = out.read_text().splitlines()
    assert head == '"part","serial","was","would_be","reasons","measurements"'
    assert row.startswith('"KX-2005-R","2","accept","reject","left-flank: harmonic amplitude at 37 UPR')
    assert asked("whatif", station, "--recipes", stricter, "--out", out).exit_code == 2


@pytest.mark.parametrize("gone", ["store", "store/journal"])
def test_missing_journal_is_said_as_a_replay_says_it(station, stricter, gone):
    shutil.rmtree(station / gone)
    replayed, told = asked("replay", station), asked("whatif", station, "--recipes", stricter)
    assert (told.exit_code, told.stderr) == (replayed.exit_code, replayed.stderr)
    assert told.stderr == f"edgeagent: {station / 'store'}: there is no journal here\n"


def test_question_without_other_limits_is_wrong_usage(station):
    assert asked("whatif", station).exit_code == 2

"""Replay computes all again from the archive: identical, or it says what differs and where."""

from __future__ import annotations

import dataclasses
import json
import math
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from field import copy_station, spiral_text
from played_store import PlayedStation
from records import line_of

from edgeagent.cli import main
from edgeagent.codec.records.record import GENESIS
from edgeagent.codec.records.result import VALUES_VERSION
from edgeagent.judging.evaluation.evaluate import evaluate
from edgeagent.store import replay as replay_module
from edgeagent.store.archive import Archive, compress
from edgeagent.store.journal import JournalReader


@pytest.fixture(scope="module")
def played(tmp_path_factory) -> Path:
    """A store with an accepted and a rejected part, two traces each."""
    base = tmp_path_factory.mktemp("played")
    with PlayedStation(base / "station") as played:
        for serial, waves in (("1", None), ("2", {2: 150.0, 37: 80.0})):
            for feature in ("left-flank", "right-flank"):
                text = spiral_text(serial=serial, feature=feature, waves_nm=waves, seed=int(serial))
                played.measure(f"{serial}-{feature}.txt", text)
    return base / "station"


@pytest.fixture
def station(played, tmp_path) -> Path:
    copy_station(played, tmp_path / "station")
    return tmp_path / "station"


def test_part_with_more_reasons_than_a_record_lists_is_decided_alike_by_a_later_version(tmp_path, monkeypatch):
    def as_before(*given, **more):
        found = evaluate(*given, **more)
        found.result["software"]["values"] = VALUES_VERSION - 1
        found.result["characteristics"][-1]["expanded_uncertainty"] *= 1.001
        first, *more = found.judgement.reasons
        first = first.with_values(value=first.values["value"] * 1.001)
        found.result["reason_codes"][0]["values"]["value"] *= 1.001
        return dataclasses.replace(
            found, judgement=dataclasses.replace(found.judgement, reasons=(first, *more))
        )

    monkeypatch.setattr("played_store.evaluate", as_before)
    monkeypatch.setattr("edgeagent.judging.bodies.VALUES_VERSION", VALUES_VERSION - 1)
    waves = {2: 150.0, **dict.fromkeys(range(40, 68, 2), 600.0)}
    with PlayedStation(tmp_path / "station") as played:
        for feature in ("left-flank", "right-flank"):
            played.measure(f"{feature}.txt", spiral_text(serial="1", feature=feature, waves_nm=waves))
    monkeypatch.undo()
    told = replay(tmp_path / "station")
    assert told.exit_code == 0, told.output
    assert "2 as another version computed them; 1 disposition decided again" in told.stdout


def replay(station: Path, *more: str):
    return CliRunner().invoke(main, ["replay", "--config", str(station / "agent.toml"), *more])


def test_replay_is_identical_to_the_last_digit(station):
    told = replay(station)
    assert told.exit_code == 0, told.output
    assert told.stdout == (
        "4 files computed again: 4 identical; 2 dispositions decided again: nothing differs\n"
    )


def test_several_processes_give_what_one_gives(station, monkeypatch):
    monkeypatch.setattr(replay_module, "CHUNK_FILES", 1)
    one, three = (replay(station, "--json", "--jobs", jobs) for jobs in ("1", "3"))
    assert one.exit_code == 0
    assert three.stdout == one.stdout


def test_changed_source_in_the_archive_is_named(station):
    blob = max((p for _, p in Archive(station / "store" / "archive").objects()), key=lambda p: p.stat().st_size)
    blob.chmod(0o644)
    data = bytearray(blob.read_bytes())
    data[-10] ^= 1
    blob.write_bytes(data)
    told = replay(station)
    assert told.exit_code == 1
    assert blob.stem in told.stdout
    assert "it was changed" in told.stdout


def test_missing_file_of_the_archive_is_named(station):
    blob = max((p for _, p in Archive(station / "store" / "archive").objects()), key=lambda p: p.stat().st_size)
    blob.unlink()
    told = replay(station)
    assert told.exit_code == 1
    assert f"archive/{blob.stem}" in told.stdout


def rewritten(station: Path, change) -> None:
    """Write the journal anew with changed bodies and a chain that fits, as only somebody with access could."""
    records = [r for r, _ in JournalReader(station / "store" / "journal").walk()]
    for segment in (station / "store" / "journal").glob("*.jsonl"):
        segment.unlink()
    head, lines = GENESIS, []
    for record in records:
        body = json.loads(record.raw)
        change(record.kind, body)
        line, head = line_of(record.seq, record.time, record.kind, head, body)
        lines.append(line)
    (station / "store" / "journal" / "00000001.jsonl").write_bytes(b"".join(lines))
    assert CliRunner().invoke(main, ["journal", "verify", str(station / "store")]).exit_code == 0


def result_digest(station: Path, serial: str) -> str:
    """Digest of the archived result of the part's left flank."""
    bodies = [
        json.loads(r.raw)
        for r, _ in JournalReader(station / "store" / "journal").walk()
        if r.kind == "measurement"
    ]
    (found,) = [b for b in bodies if (b["trace"]["serial"], b["trace"]["feature"]) == (serial, "left-flank")]
    return str(found["result_sha256"])


def test_archived_result_changed_in_its_place_is_named(station):
    digest = result_digest(station, "2")
    archive = Archive(station / "store" / "archive")
    blob = archive.path_of(digest)
    forged = compress(archive.get(digest).replace(b"reject", b"accept", 1))
    blob.chmod(0o644)
    blob.write_bytes(forged)
    told = replay(station)
    assert told.exit_code == 1
    assert digest in told.stdout
    assert "1 difference\n" in told.stdout


def test_forged_value_in_a_result_that_the_chain_fits_is_found_by_its_place(station):
    digest = result_digest(station, "2")
    result = json.loads(Archive(station / "store" / "archive").get(digest))
    at = next(i for i, c in enumerate(result["characteristics"]) if c["name"] == "roundness_total")
    true = result["characteristics"][at]["value"]
    result["characteristics"][at]["value"] = true * (1 + 1e-7)  # far more than rounding explains
    forged = Archive(station / "store" / "archive").put(json.dumps(result).encode())

    def change(kind: str, body: dict) -> None:
        if kind == "measurement" and body["result_sha256"] == digest:
            body["result_sha256"] = forged

    rewritten(station, change)
    told = replay(station)
    assert told.exit_code == 1
    assert f"2-left-flank.txt: characteristics[{at}].value: recorded " in told.stdout
    assert f"now {true!r}" in told.stdout
    assert "3 identical" in told.stdout
    assert "2 differences" in told.stdout


def test_last_digit_that_another_processor_computes_is_no_sign_of_a_change(station):
    digest = result_digest(station, "2")
    result = json.loads(Archive(station / "store" / "archive").get(digest))
    for c in result["characteristics"]:
        if c["value"] is not None:
            c["value"] = math.nextafter(c["value"], 2 * c["value"])
    other = Archive(station / "store" / "archive").put(json.dumps(result).encode())

    def change(kind: str, body: dict) -> None:
        if kind == "measurement" and body["result_sha256"] == digest:
            body["result_sha256"] = other

    rewritten(station, change)
    found = replay(station)
    assert found.exit_code == 0
    assert "3 identical, 1 equal within rounding" in found.stdout


def test_forged_disposition_that_the_chain_fits_is_found(station):
    def change(kind: str, body: dict) -> None:
        if kind == "disposition" and body["serial"] == "2":
            body["disposition"] = "accept"

    rewritten(station, change)
    told = replay(station)
    assert told.exit_code == 1
    assert "KX-2005-R 2: recorded accept, now reject" in told.stdout


@pytest.mark.parametrize(("forged", "code"), [(True, 1), (False, 0)])
def test_no_version_that_a_start_names_excuses_another_disposition(station, forged, code):
    def change(kind: str, body: dict) -> None:
        if kind == "start":
            body["version"] = "0.0.9"
        if forged and kind == "disposition" and body["serial"] == "2":
            body["disposition"] = "accept"

    rewritten(station, change)
    told = replay(station)
    assert told.exit_code == code, told.stdout
    assert ("recorded accept, now reject" in told.stdout) is forged


def test_measurement_said_otherwise_than_its_result_is_found(station):
    def change(kind: str, body: dict) -> None:
        if kind == "measurement" and body["trace"]["serial"] == "2":
            body["disposition"] = "accept"

    rewritten(station, change)
    told = replay(station)
    assert told.exit_code == 1
    assert told.stdout.count("journal says accept, archived result reject") == 2


def test_failed_verification_rewritten_as_too_noisy_to_tell_is_found(tmp_path):
    given = {"artefact": "MW-03", "feature": "waves", "kind": "circle", "turns": 2, "points_per_turn": 1800}
    with PlayedStation(tmp_path / "agent") as played:
        outcomes = [
            played.measure(f"{name}.txt", spiral_text(waves_nm=waves, noise_nm=400.0, seed=2, **given))[1].body
            for name, waves in (("noisy", {36: 812.0, 180: 403.0}), ("wrong", {36: 870.0, 180: 430.0}))
        ]
    assert [body.outcome for body in outcomes] == ["inconclusive", "failed"]
    told = replay(tmp_path / "agent")
    assert told.exit_code == 0, told.output

    def forge(kind: str, body: dict) -> None:
        if kind == "measurement" and body["source"]["name"] == "wrong.txt":
            body["too_noisy"] = True
        elif kind == "verification":
            body["outcome"] = "inconclusive"
            body["errors_nm"] = {}

    rewritten(tmp_path / "agent", forge)
    told = replay(tmp_path / "agent")
    assert told.exit_code == 1
    assert "wrong.txt: recorded as too noisy for a decision, but noise is not what holds it" in told.stdout


def test_replay_tells_json_alone_on_stdout_and_writes_nothing(station):
    before = {p: p.read_bytes() for p in (station / "store").rglob("*") if p.is_file()}
    told = replay(station, "--json")
    report = json.loads(told.stdout)
    assert (report["files"], report["identical"], report["differences"]) == (4, 4, [])
    assert {p: p.read_bytes() for p in (station / "store").rglob("*") if p.is_file()} == before


def test_damaged_journal_is_one_line(station):
    segment = next((station / "store" / "journal").glob("*.jsonl"))
    segment.write_bytes(segment.read_bytes().replace(b"measurement", b"measurementx", 1))
    told = replay(station)
    assert told.exit_code == 22
    assert told.stderr.count("\n") == 1


def test_other_recipes_list_the_parts_that_flip(station, tmp_path):
    other = tmp_path / "stricter"
    shutil.copytree(station / "recipes", other)
    recipe = other / "KX-2005-R.toml"
    recipe.write_text(recipe.read_text().replace("upper = 1.2", "upper = 0.1"))
    told = replay(station, "--recipes", str(other))
    assert told.exit_code == 0
    assert "KX-2005-R 1: accept would be reject (left-flank: roundness total = " in told.stdout
    assert "4 files asked again: the decision of 1 part would change\n" in told.stdout
    flip = json.loads(replay(station, "--recipes", str(other), "--json").stdout)["flips"]
    assert [(f["serial"], f["was"], f["would_be"]) for f in flip] == [("1", "accept", "reject")]


def test_other_recipes_that_change_nothing_flip_nothing(station):
    told = replay(station, "--recipes", str(station / "recipes"))
    assert (told.exit_code, told.stdout) == (0, "4 files asked again: nothing differs\n")


def test_looser_recipe_lets_the_rejected_part_pass(station, tmp_path):
    other = tmp_path / "looser"
    shutil.copytree(station / "recipes", other)
    recipe = other / "KX-2005-R.toml"
    recipe.write_text(
        recipe.read_text().replace("[[2, 300.0], [20, 60.0], [500, 3.0]]", "[[2, 3000.0], [500, 300.0]]")
    )
    (other / "limits" / "shaft-waviness.csv").write_text("upr,upper_nm\n2,3000\n500,300\n")
    told = replay(station, "--recipes", str(other))
    assert "KX-2005-R 2: reject would be accept" in told.stdout


@pytest.mark.parametrize(
    "chosen",
    [["--since", "2026-03-01"], ["--part", "P"], ["--sample", "1%"], ["--resume", "r"], ["--parquet", "p"]],
)
def test_recipes_are_asked_of_all_files_and_never_of_some_in_silence(station, chosen):
    told = replay(station, "--recipes", str(station / "recipes"), *chosen)
    assert told.exit_code == 2
    assert f"it goes without {chosen[0]}" in told.stderr

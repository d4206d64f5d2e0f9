"""Stations that take no recipe or certificate which nobody approved as it is."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from field import ROOT

from edgeagent.cli import main
from edgeagent.codec.evidence import approvals
from edgeagent.codec.evidence.approvals import older_approvals, withdrawn_approvals
from edgeagent.codec.evidence.notes import LOG, SigningKey, VerifierKey, read_verifier_key
from edgeagent.codec.records.record import GENESIS, encode_record
from edgeagent.codec.records.result import encode
from edgeagent.errors import ConfigError
from edgeagent.judging.bodies import configuration_body
from edgeagent.judging.memory import Memory
from edgeagent.judging.replaying.references import configuration_from
from edgeagent.judging.snapshot import decode_snapshot, encode_snapshot, restore
from edgeagent.store.archive import Archive
from edgeagent.store.configuration import files_before, load_configuration
from edgeagent.store.machine import this_machine


@pytest.fixture
def config(tmp_path) -> Path:
    """The example station, with everything approved by one key."""
    shutil.copytree(ROOT / "config", tmp_path / "config")
    folder = tmp_path / "config"
    for file in (*(folder / "recipes").glob("*.toml"), *(folder / "artefacts").glob("*.toml")):
        assert approve(folder, file).exit_code == 0
    agent = folder / "agent.toml"
    agent.write_text(agent.read_text() + '\n[evidence]\napprovers = ["quality.key.pub"]\n')
    return agent


def approve(folder: Path, file: Path, key: str = "quality.key"):
    return CliRunner().invoke(main, ["approve", str(file), "--key", str(folder / key), "--name", "quality"])


def test_approved_station_loads_and_the_record_says_who_signed(config):
    _, body = configuration_body(load_configuration(config), this_machine(), ())
    assert {a.key for a in body.changed} == {"quality"}
    assert all(a.signed_at.endswith("Z") for a in body.changed)


def test_replay_finds_in_the_archive_who_approved_what(config):
    loaded = load_configuration(config)
    files = {d.name: d.data for d in loaded.documents()}
    again = configuration_from(files, loaded.document.sha256)
    assert {r.signed_by for r in again.recipes.values()} == {"quality"}
    assert [d.name for d in again.documents()] == [d.name for d in loaded.documents()]
    bent = {n: d.replace(b"edgeagent", b"edgeagenT") if n.endswith(".note") else d for n, d in files.items()}
    assert {r.signed_by for r in configuration_from(bent, loaded.document.sha256).recipes.values()} == {""}


@pytest.mark.parametrize("steps", [1, 2])
def test_earlier_version_put_back_with_its_own_approval_is_refused(config, steps):
    recipe = config.parent / "recipes" / "KX-2005-R.toml"
    note = recipe.with_name(recipe.name + ".note")
    before = recipe.read_bytes(), note.read_bytes()
    recipe.write_text(recipe.read_text().replace("upper = 1.2", "upper = 1.1"))
    approve(config.parent, recipe)
    memory, archive = Memory({}, None, live_s=60.0, latches=True), Archive(config.parent / "store" / "archive")
    put_in_force(config, memory, archive)
    if steps == 2:
        newer = recipe.read_bytes(), note.read_bytes()
        recipe.unlink()
        note.unlink()
        put_in_force(config, memory, archive)
        recipe.write_bytes(newer[0])
        note.write_bytes(newer[1])
        put_in_force(config, memory, archive)  # the newest of all may come back
        recipe.unlink()
        note.unlink()
        put_in_force(config, memory, archive)
        kept, memory = encode_snapshot(memory, None, None), Memory({}, None, live_s=60.0, latches=True)
        restore(decode_snapshot(kept, None), memory, None)
    recipe.write_bytes(before[0])
    note.write_bytes(before[1])
    old = load_configuration(config)  # by itself it is approved
    with pytest.raises(ConfigError, match="an earlier version was put back") as raised:
        files_before(archive, memory, old)
    assert raised.value.file == "recipes/KX-2005-R.toml"
    approve(config.parent, recipe)  # a step back that somebody answers for
    put_in_force(config, memory, archive)


def put_in_force(config: Path, memory: Memory, archive: Archive) -> None:
    """Read a configuration and put it on record, as a start and a reload do."""
    loaded = load_configuration(config)
    manifest, body = configuration_body(loaded, this_machine(), *files_before(archive, memory, loaded))
    archive.put_all((manifest, *(d.data for d in loaded.documents())))
    _, record = encode_record(2, "2026-11-25T10:00:00.000000Z", GENESIS, body)
    memory.apply(record)


def test_approvals_that_find_no_room_on_record_are_remembered_by_the_newest_of_them():
    key = SigningKey("quality", LOG, bytes(32))
    times = {f"recipes/{n:060}.toml.note": f"2026-11-{n:02}T10:00:00Z" for n in range(1, 31)}
    notes = {name: approvals.approve({"a": "0"}, key, at) for name, at in times.items()}
    found = withdrawn_approvals(notes, ())
    assert len(encode(found)) < 2300
    assert found[""] == max(at for name, at in times.items() if name not in found)
    assert list(older_approvals(notes, {**found, "": ""})) == []
    assert list(older_approvals(notes, found)) == [n for n in notes if n not in found][:-1]


def test_one_key_under_two_names_is_no_second_approver(config):
    text = (config.parent / "quality.key.pub").read_text().strip()
    name, _, _ = text.partition("+")
    key = read_verifier_key(text)
    (config.parent / "other.pub").write_text(VerifierKey(f"{name}-2", key.type, key.public).text)
    config.write_text(config.read_text().replace('["quality.key.pub"]', '["quality.key.pub", "other.pub"]'))
    with pytest.raises(ConfigError, match="the key of another of them too"):
        load_configuration(config)


@pytest.mark.parametrize(
    "name", ["recipes/KX-2005-R.toml", "recipes/limits/shaft-waviness.csv", "artefacts/MW-03.toml"]
)
def test_any_later_change_needs_a_new_approval(config, name):
    path = config.parent / name
    path.write_text(path.read_text() + "\n")
    with pytest.raises(ConfigError, match="approves other files, or other versions"):
        load_configuration(config)
    told = CliRunner().invoke(main, ["check", "--config", str(config)])
    assert (told.exit_code, told.stderr.count("\n")) == (2, 1)
    first = path if path.suffix == ".toml" else config.parent / "recipes" / "KX-2005-R.toml"
    approve(config.parent, first)
    load_configuration(config)


def test_missing_foreign_and_exchanged_approvals_are_refused(config):
    recipe = config.parent / "recipes" / "KX-2005-R.toml"
    note = recipe.with_name(recipe.name + ".note")
    good = note.read_bytes()
    note.unlink()
    with pytest.raises(ConfigError, match="there is no approval beside it"):
        load_configuration(config)
    approve(config.parent, recipe, "another.key")
    with pytest.raises(ConfigError, match="signed by nobody who may approve"):
        load_configuration(config)
    note.write_bytes(good.replace(b"KX-2005-R", b"KX-2005-S"))
    with pytest.raises(ConfigError):
        load_configuration(config)
    note.write_bytes(good)
    load_configuration(config)


def test_approver_whose_key_cannot_be_read_is_named(config):
    (config.parent / "quality.key.pub").write_text("no key")
    with pytest.raises(ConfigError, match=r"evidence\.approvers"):
        load_configuration(config)


def test_nobody_is_asked_where_no_approver_is_named():
    assert load_configuration(ROOT / "config" / "agent.toml").recipes

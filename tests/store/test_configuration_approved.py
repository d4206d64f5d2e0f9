"""Stations that take no recipe or certificate which nobody approved as it is."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from field import ROOT

from edgeagent.cli import main
from edgeagent.codec.evidence.notes import VerifierKey, read_verifier_key
from edgeagent.errors import ConfigError
from edgeagent.judging.bodies import configuration_body
from edgeagent.judging.replaying.references import configuration_from
from edgeagent.store.configuration import load_configuration, refuse_superseded_approvals
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


def test_earlier_version_put_back_with_its_own_approval_is_refused(config):
    recipe = config.parent / "recipes" / "KX-2005-R.toml"
    note = recipe.with_name(recipe.name + ".note")
    before = recipe.read_bytes(), note.read_bytes()
    recipe.write_text(recipe.read_text().replace("upper = 1.2", "upper = 1.1"))
    approve(config.parent, recipe)
    in_force = {d.name: d.data for d in load_configuration(config).documents()}
    recipe.write_bytes(before[0])
    note.write_bytes(before[1])
    old = load_configuration(config)  # by itself it is approved
    with pytest.raises(ConfigError, match="an earlier version was put back") as raised:
        refuse_superseded_approvals(in_force, old)
    assert raised.value.file == "recipes/KX-2005-R.toml"
    approve(config.parent, recipe)  # a step back that somebody answers for
    refuse_superseded_approvals(in_force, load_configuration(config))


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

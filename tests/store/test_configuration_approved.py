"""Stations that take no recipe or certificate which nobody approved as it is."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner
from field import ROOT

from edgeagent.cli import main
from edgeagent.errors import ConfigError
from edgeagent.judging.bodies import configuration_body
from edgeagent.store.configuration import load_configuration
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

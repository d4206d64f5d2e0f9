"""The configuration folder: what is too large or no file is refused unread, exposed secrets are said."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest
from click.testing import CliRunner

from edgeagent.cli import main
from edgeagent.codec.limits import CONFIGURATION_BYTES_MAX
from edgeagent.errors import ConfigError
from edgeagent.store.configuration import exposed_secrets, load_configuration
from edgeagent.store.files import read_at_most

ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture
def station(tmp_path):
    """A copy of the example configuration."""
    return Path(shutil.copytree(ROOT / "config", tmp_path / "config"))


def with_mqtt(station: Path, text: str) -> Path:
    """The station's ``agent.toml`` with another ``[mqtt]``."""
    path = station / "agent.toml"
    before, _, rest = path.read_text().partition("[mqtt]")
    path.write_text(before + "[mqtt]\n" + text + "\n" + rest[rest.index("[decision]") :])
    return path


def check(path: Path):
    return CliRunner().invoke(main, ["check", "--config", str(path)])


@pytest.mark.parametrize("name", ["agent.toml", "recipes/KX-2005-R.toml", "layouts/rotary-export.toml"])
@pytest.mark.parametrize("document", [b"x = " + b"[" * 500 + b"]" * 500, b"x = " + b"9" * 5000, b"x = 5e-324"])
def test_document_that_would_choke_its_parser_is_one_line_of_check(station, name, document):
    (station / name).write_bytes(document)
    found = check(station / "agent.toml")
    assert found.exit_code == 2
    assert found.stderr.count("\n") == 1
    assert f"{Path(name).name}: " in found.stderr
    assert "Traceback" not in found.stderr + found.stdout


def test_sparse_file_of_three_gigabytes_is_refused_by_its_size(station):
    path = station / "recipes" / "huge.toml"
    with path.open("wb") as file:
        file.truncate(3_000_000_000)
    with pytest.raises(ConfigError, match=f"3000000000 bytes, at most {CONFIGURATION_BYTES_MAX} are read"):
        load_configuration(station / "agent.toml")
    with pytest.raises(OSError, match="3000000000 bytes, at most 10 are read"):
        read_at_most(path, 10)


def test_file_of_just_the_size_allowed_is_read(tmp_path):
    path = tmp_path / "a"
    path.write_bytes(b"0123456789")
    assert read_at_most(path, 10) == b"0123456789"
    with pytest.raises(OSError, match="10 bytes, at most 9"):
        read_at_most(path, 9)


def test_pipe_in_place_of_a_limit_file_keeps_nobody_waiting(station):
    path = station / "recipes" / "limits" / "shaft-waviness.csv"
    path.unlink()
    os.mkfifo(path)
    with pytest.raises(ConfigError, match="not a regular file"):
        load_configuration(station / "agent.toml")


def test_certificates_for_a_connection_in_clear_are_refused(station):
    path = with_mqtt(station, 'url = "mqtt://127.0.0.1"\n[mqtt.tls]\nca = "ca.crt"\n')
    found = check(path)
    assert found.exit_code == 2
    assert "mqtt: " in found.stderr
    assert "use mqtts://" in found.stderr
    assert check(with_mqtt(station, 'url = "mqtts://127.0.0.1"\n[mqtt.tls]\nca = "ca.crt"\n')).exit_code == 0


@pytest.mark.parametrize(
    ("url", "clear"),
    [
        ("mqtt://127.0.0.1:1883", False),
        ("mqtt://localhost", False),
        ("mqtt://[::1]:1883", False),
        ("mqtts://broker.example", False),
        ("mqtt://broker.example", True),
        ("mqtt://192.0.2.7:1883", True),
        ("mqtt://127.broker.example", True),
    ],
)
def test_clear_text_to_another_machine_is_a_doubt(station, url, clear):
    path = with_mqtt(station, f'url = "{url}"\nuser = "agent"\npassword_file = "password"')
    (station / "password").write_text("invented")
    (station / "password").chmod(0o600)
    said = check(path)
    assert said.exit_code == 0
    assert ("sends the password and every disposition in clear" in said.stdout) is clear
    assert len(exposed_secrets(load_configuration(path))) == int(clear)


@pytest.mark.parametrize(("mode", "said"), [(0o600, False), (0o400, False), (0o640, True), (0o644, True)])
def test_password_and_key_that_others_can_read_are_a_doubt(station, mode, said):
    path = with_mqtt(station, 'url = "mqtts://h"\npassword_file = "password"\n[mqtt.tls]\nkey = "client.key"\n')
    for name in ("password", "client.key"):
        (station / name).write_text("invented")
        (station / name).chmod(mode)
    found = exposed_secrets(load_configuration(path))
    assert [s.split(" ")[0] for s in found] == (["mqtt.password_file", "mqtt.tls.key"] if said else [])
    assert all(f"mode {mode:04o}" in s for s in found)


def test_check_says_how_large_a_file_and_its_parts_may_be(station):
    said = check(station / "agent.toml").stdout
    for words in (
        "points of a trace: at most 2,000,000",
        "turns of a trace: at most 300",
        "side file: at most 65,536",
    ):
        assert words in said

"""The systemd unit, the broker's drop-in, the image and the guide: checked by the tools they are made for."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from field import ROOT, Agent, Broker, Listener, spiral_text

from edgeagent import errors
from edgeagent.codec.configuration.settings import Settings
from edgeagent.store.configuration import load_configuration

DEPLOY = ROOT / "deploy"
UNIT = DEPLOY / "edgeagent.service"
CONFINED = Path(__file__).with_name("confined.py")


def keys(path: Path) -> dict[str, list[str]]:
    """Every assignment of a unit: key to its values in order."""
    found: dict[str, list[str]] = {}
    for line in path.read_text(encoding="utf-8").splitlines():
        key, equals, value = line.partition("=")
        if equals and not line.startswith("#"):
            found.setdefault(key, []).append(value)
    return found


def verify(unit: Path) -> subprocess.CompletedProcess[str]:
    command = ["systemd-analyze", "verify", "--man=no", os.fspath(unit)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


@pytest.fixture
def unit_here(tmp_path: Path) -> Path:
    """The unit with its program exchanged for one that exists on any machine."""
    text = UNIT.read_text(encoding="utf-8")
    assert "/opt/edgeagent/bin/edgeagent" in text
    copy = tmp_path / UNIT.name
    copy.write_text(text.replace("/opt/edgeagent/bin/edgeagent", "/bin/true"), encoding="utf-8")
    return copy


@pytest.mark.needs_systemd
def test_unit_is_understood_without_a_warning(unit_here: Path) -> None:
    ran = verify(unit_here)
    assert (ran.returncode, ran.stdout + ran.stderr) == (0, "")


@pytest.mark.needs_systemd
def test_misspelt_key_would_be_noticed(unit_here: Path) -> None:
    unit_here.write_text(unit_here.read_text("utf-8").replace("ProtectClock=", "ProtectClocks="), "utf-8")
    assert "ProtectClocks" in verify(unit_here).stderr


@pytest.mark.needs_systemd
def test_unit_s_exposure_is_at_most_one_and_a_half_of_ten(unit_here: Path) -> None:
    command = ["systemd-analyze", "security", "--offline=true", "--threshold=15", "--no-pager"]
    ran = subprocess.run([*command, os.fspath(unit_here)], capture_output=True, text=True, check=False)
    assert ran.returncode == 0, ran.stdout
    assert "Overall exposure level" in ran.stdout


@pytest.mark.needs_systemd
def test_broker_drop_in_is_understood_without_a_warning(tmp_path: Path) -> None:
    folder = tmp_path / "mosquitto.service.d"
    shutil.copytree(DEPLOY / "mosquitto" / folder.name, folder)
    drop_in = folder / "edgeagent.conf"
    script = DEPLOY / "mosquitto" / "set-aside-damaged-database"
    installed = f"/usr/local/lib/edgeagent/{script.name}"
    text = drop_in.read_text(encoding="utf-8")
    assert installed in text
    drop_in.write_text(text.replace(installed, os.fspath(script)), encoding="utf-8")
    unit = tmp_path / "mosquitto.service"
    unit.write_text("[Unit]\nDescription=Broker\n[Service]\nExecStart=/bin/true\n", encoding="utf-8")
    ran = verify(unit)
    assert (ran.returncode, ran.stdout + ran.stderr) == (0, "")
    drop_in.write_text(drop_in.read_text("utf-8").replace("RestartSec", "RestartSecs"), "utf-8")
    assert "RestartSecs" in verify(unit).stderr, "the drop-in was not read at all"


def test_unit_never_gives_up_except_where_a_person_must_look() -> None:
    unit = keys(UNIT)
    assert unit["Type"] == ["notify"]
    assert unit["TimeoutStartSec"] == ["infinity"]
    assert unit["Restart"] == ["always"]
    assert unit["StartLimitIntervalSec"] == ["0"]
    person = {errors.ConfigError.exit_code, errors.UsageError.exit_code, errors.JournalCorruptError.exit_code}
    assert {int(code) for code in unit["RestartPreventExitStatus"][0].split()} == person


def test_unit_may_write_its_store_alone() -> None:
    unit = keys(UNIT)
    assert unit["ProtectSystem"] == ["strict"]
    assert unit["ReadWritePaths"] == ["/var/lib/edgeagent"]
    assert unit["StateDirectory"] == ["edgeagent"]


def test_memory_of_all_workers_in_the_guide_s_configuration_stays_below_that_of_the_unit(
    tmp_path: Path,
) -> None:
    settings = guide_settings(tmp_path)
    workers_mb = settings.worker.process_count(64) * settings.worker.memory_limit_mb(
        settings.intake.file_mb_max
    )
    (allowed,) = keys(UNIT)["MemoryMax"]
    assert allowed.endswith("M")
    assert workers_mb + 250 <= int(allowed[:-1]) * 1.048576
    assert keys(UNIT)["OOMPolicy"] == ["continue"], "else one killed worker stops the agent"


def confined(*program: str) -> list[str]:
    return [sys.executable, os.fspath(CONFINED), os.fspath(UNIT), *program]


@pytest.mark.needs_systemd
def test_filter_of_the_unit_bites() -> None:
    code = (
        "import mmap, os\n"
        "for forbidden in (lambda: os.nice(1), lambda: os.chroot('/'),\n"
        "                  lambda: mmap.mmap(-1, 4096, prot=mmap.PROT_WRITE | mmap.PROT_EXEC)):\n"
        "    try:\n"
        "        forbidden()\n"
        "    except PermissionError:\n"
        "        print('refused')\n"
    )
    ran = subprocess.run(confined(sys.executable, "-c", code), capture_output=True, text=True, check=True)
    assert ran.stdout.split() == ["refused"] * 3


@pytest.mark.needs_systemd
@pytest.mark.needs_mosquitto
def test_service_does_its_job_under_the_system_calls_that_the_unit_leaves(tmp_path: Path) -> None:
    with (
        Broker(tmp_path) as broker,
        Listener(broker.port) as line,
        Agent(tmp_path / "agent", broker.port, launcher=confined()) as agent,
    ):
        status = Path(f"/proc/{agent.pid}/status").read_text(encoding="utf-8")
        assert "\nSeccomp:\t2\n" in status
        agent.drop("a.txt", spiral_text(kind="circle", part="HN-1610-R", feature="outside"))
        assert line.wait_topic("disposition")[0].json["disposition"] == "accept"
        agent.drop("b.txt", spiral_text())
        line.wait_topic("measurement", 2)
        assert agent.terminate() == 0
        assert agent.events("internal-error") == []


def test_image_copies_what_exists_and_runs_as_nobody_special() -> None:
    text = (DEPLOY / "Containerfile").read_text(encoding="utf-8")
    copied = [word for line in re.findall(r"^COPY (?!--)(.*) \S+$", text, re.M) for word in line.split()]
    assert {"pyproject.toml", "edgeagent"} <= set(copied)
    assert all((ROOT / name).exists() for name in copied), copied
    last_stage = text[text.rindex("\nFROM ") :]
    (user,) = re.findall(r"^USER (\d+):(\d+)$", last_stage, re.M)
    assert "0" not in user
    assert '\nENTRYPOINT ["' in last_stage, "a shell in between would keep SIGTERM from the agent"


def guide() -> str:
    return (DEPLOY / "README.md").read_text(encoding="utf-8")


def guide_settings(folder: Path) -> Settings:
    """The configuration that the guide shows, read as the agent reads it."""
    (text,) = (t for t in re.findall(r"```toml\n(.*?)```", guide(), re.S) if "[station]" in t)
    shutil.copytree(ROOT / "config", folder, dirs_exist_ok=True)
    (folder / "agent.toml").write_text(text, encoding="utf-8")
    return load_configuration(folder / "agent.toml").settings


def test_configuration_in_the_guide_is_accepted(tmp_path: Path) -> None:
    settings = guide_settings(tmp_path)
    assert f"{settings.store.folder}" == keys(UNIT)["ReadWritePaths"][0]
    acl = (DEPLOY / "mosquitto" / "acl").read_text(encoding="utf-8")
    assert settings.mqtt is not None
    assert f"user {settings.mqtt.user}\n" in acl
    assert f"topic readwrite {settings.prefix}/lamp\n" in acl


def test_tls_table_in_the_guide_is_accepted(tmp_path: Path) -> None:
    (text,) = (t for t in re.findall(r"```toml\n(.*?)```", guide(), re.S) if "[mqtt.tls]" in t)
    station = '[station]\nsite = "a"\ncell = "b"\nname = "c"\n'
    text = text.replace("\n# ", "\n")
    (tmp_path / "agent.toml").write_text(station + text, encoding="utf-8")
    settings = load_configuration(tmp_path / "agent.toml").settings
    assert settings.mqtt is not None
    assert settings.mqtt.tls is not None
    assert settings.mqtt.tls.certificate == "tls/edgeagent.crt"


def test_guide_names_every_file_of_the_folder() -> None:
    files = [p.relative_to(DEPLOY).as_posix() for p in DEPLOY.rglob("*") if p.is_file()]
    text = guide()
    assert [name for name in files if name != "README.md" and f"`{name}`" not in text] == []


def test_guide_explains_every_exit_code_after_which_the_unit_stays_down() -> None:
    table = re.findall(r"^\| (\d+) \|", guide(), re.M)
    assert {*keys(UNIT)["RestartPreventExitStatus"][0].split()} <= {*table}

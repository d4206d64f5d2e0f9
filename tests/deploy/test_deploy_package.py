"""What is handed over: the same bytes whoever builds, everything in it, pins that fit, a station from it."""

from __future__ import annotations

import io
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from edgeagent.store.running.software_build import record_digest

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
LOCK = (ROOT / "deploy" / "requirements.lock").read_text(encoding="utf-8")
BUILD = "from hatchling.build import build_sdist as s, build_wheel as w; s({0!r}); w({0!r})"


def tracked():
    if shutil.which("git") is None:
        pytest.skip("git is not installed: what belongs to the project is not known")
    ran = subprocess.run(["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, text=True, check=False)
    if ran.returncode or not ran.stdout:
        pytest.skip("no git checkout: what belongs to the project is not known")
    return {name for name in ran.stdout.split("\0") if name and (ROOT / name).is_file()}


def build(source, out, seed):
    out.mkdir()
    env = {**os.environ, "PYTHONHASHSEED": str(seed), "SOURCE_DATE_EPOCH": "1780000000"}
    command = [sys.executable, "-c", BUILD.format(os.fspath(out))]
    subprocess.run(command, cwd=source, env=env, check=True, capture_output=True, timeout=120)
    return {p.name: p.read_bytes() for p in out.iterdir()}


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """Two builds of the same files, copied at other times, with other rights and in another order."""
    folder = tmp_path_factory.mktemp("package")
    for number, mode in ((1, 0o644), (2, 0o600)):
        for name in sorted(tracked(), reverse=number == 2):
            path = folder / str(number) / name
            path.parent.mkdir(parents=True, exist_ok=True)
            shutil.copyfile(ROOT / name, path)
            path.chmod(mode | (0o111 & (ROOT / name).stat().st_mode if number == 1 else 0))
            os.utime(path, (number * 1e9, number * 1e9))
    return [build(folder / str(n), folder / f"out{n}", n) for n in (1, 2)]


def one(found, suffix):
    (data,) = (data for name, data in found.items() if name.endswith(suffix))
    return data


@pytest.mark.parametrize("suffix", [".whl", ".tar.gz"])
def test_same_files_give_the_same_bytes(built, suffix):
    first, second = built
    assert sorted(first) == sorted(second)
    assert _members(one(first, suffix)) == _members(one(second, suffix))


def _members(data):
    """Name and content of each member: rights to execute are the copies' own."""
    if data[:2] == b"PK":
        with zipfile.ZipFile(io.BytesIO(data)) as wheel:
            return [(i.filename, i.date_time, wheel.read(i)) for i in wheel.infolist()]
    with tarfile.open(fileobj=io.BytesIO(data)) as archive:
        return [(m.name, m.mtime, m.uid, m.gname, archive.extractfile(m).read()) for m in archive]


def test_source_distribution_holds_every_file_of_the_project(built):
    with tarfile.open(fileobj=io.BytesIO(one(built[0], ".tar.gz"))) as archive:
        names = {m.name.partition("/")[2] for m in archive if m.isfile()}
    assert names - {"PKG-INFO"} == tracked()


def test_wheel_holds_the_package_with_its_documents_and_the_station(built):
    with zipfile.ZipFile(io.BytesIO(one(built[0], ".whl"))) as wheel:
        names = {n for n in wheel.namelist() if ".dist-info/" not in n}
        record = next(wheel.read(n).decode() for n in wheel.namelist() if n.endswith("/RECORD"))
    parts = (("edgeagent/", ""), ("config/", "edgeagent/station/"), ("deploy/", "edgeagent/station/"))
    assert names == {below + name for name in tracked() for part, below in parts if name.startswith(part)}
    assert record_digest(record).startswith("files sha256:")


def test_station_begins_from_the_wheel_alone(built, tmp_path):
    with zipfile.ZipFile(io.BytesIO(one(built[0], ".whl"))) as wheel:
        wheel.extractall(tmp_path / "site")
    env = {**os.environ, "PYTHONPATH": os.fspath(tmp_path / "site")}

    def run(*words):
        command = [sys.executable, "-m", "edgeagent", *words]
        return subprocess.run(command, env=env, cwd=tmp_path, capture_output=True, text=True, check=False)

    made = run("init", "station")
    assert made.returncode == 0, made.stderr
    assert run("check", "--config", "station/agent.toml").returncode == 0
    for name in ("recipes/KX-2005-R.toml", "deploy/requirements.lock", "deploy/mosquitto/mosquitto.conf"):
        assert (tmp_path / "station" / name).is_file()


def pins():
    found = {}
    for line in re.findall(r"^(\S+==[^\\\n]+?) ?\\?$", LOCK, re.M):
        pin = Requirement(line)
        found.setdefault(canonicalize_name(pin.name), []).append(pin)
    return found


def test_lock_pins_everything_that_a_plant_needs_within_its_range():
    extras = PROJECT["optional-dependencies"]
    locked = ("report", "terminal", "metrics", "sparkplug")
    wanted = [Requirement(r) for r in (*PROJECT["dependencies"], *(r for e in locked for r in extras[e]))]
    assert len(wanted) >= 10
    for requirement in wanted:
        pinned = pins().get(canonicalize_name(requirement.name))
        assert pinned, f"deploy/requirements.lock lacks {requirement.name}: run deploy/make-lock"
        for pin in pinned:
            (version,) = (s.version for s in pin.specifier)
            assert requirement.specifier.contains(version), f"{pin}: run deploy/make-lock"


def test_every_pin_has_hashes_and_no_address_of_a_machine_stands_in_the_lock():
    blocks = re.split(r"\n(?=[a-z])", LOCK.split("\n", 2)[2])
    assert len(blocks) >= 20
    assert [b for b in blocks if not re.search(r"--hash=sha256:[0-9a-f]{64}", b)] == []
    assert "://" not in LOCK

"""Programs that tests need beside Python: a skip that names what is missing, on the build machine a failure.

A test says what it needs with a marker, ``@pytest.mark.needs_openssl``. With ``CI=true`` in the environment no
test is skipped: what would be skipped fails instead, except for ``needs_mount``, since the right to mount is
nothing that can be installed.

Run: python tests/programs.py   prints the Debian packages that are missing here, one a line.
"""

from __future__ import annotations

import functools
import os
import shutil
import subprocess
import tempfile
from collections.abc import Generator

import pytest

PROGRAMS = {
    "needs_mosquitto": ("mosquitto", "mosquitto"),
    "needs_chromium": ("chromium", "chromium"),
    "needs_openssl": ("openssl", "openssl"),
    "needs_strace": ("strace", "strace"),
    "needs_systemd": ("systemd-analyze", "systemd"),
    "needs_ext4": ("mkfs.ext4", "e2fsprogs"),
    "needs_bindfs": ("bindfs", "bindfs"),
    "needs_git": ("git", "git"),
    "needs_setpriv": ("setpriv", "util-linux"),
}
"""Marker to the program that must be on the PATH and the Debian package that brings it."""
MOUNT = "needs_mount"
ADMINISTRATORS_FOLDERS = ("/usr/sbin", "/sbin")
"""Debian installs the broker and mkfs here, which an ordinary user's PATH leaves out."""


def widen_path() -> None:
    """Look for programs where an administrator's shell would."""
    path = os.environ.get("PATH", os.defpath).split(os.pathsep)
    os.environ["PATH"] = os.pathsep.join([*path, *(f for f in ADMINISTRATORS_FOLDERS if f not in path)])


def pytest_configure(config: pytest.Config) -> None:
    """Declare the markers."""
    for marker, (program, package) in PROGRAMS.items():
        config.addinivalue_line("markers", f"{marker}: needs {program} (Debian package {package})")
    config.addinivalue_line("markers", f"{MOUNT}: needs the right to mount a file system")
    widen_path()


def on_build_machine() -> bool:
    return os.environ.get("CI", "").lower() == "true"


def what_is_missing(marker: str) -> str | None:
    """Why a marked test cannot run here, None when it can."""
    if marker == MOUNT:
        return None if may_mount() else "mounting a file system is not permitted here"
    program, package = PROGRAMS[marker]
    return None if shutil.which(program) else f"{program} is not installed (Debian package {package})"


@functools.cache
def may_mount() -> bool:
    """Whether a small file system in memory can be mounted and taken away again."""
    with tempfile.TemporaryDirectory() as folder:
        mount = ["mount", "-t", "tmpfs", "-o", "size=64k", "tmpfs", folder]
        try:
            if subprocess.run(mount, capture_output=True, check=False).returncode != 0:
                return False
        except FileNotFoundError:
            return False
        subprocess.run(["umount", folder], check=True, capture_output=True)
    return True


def program(marker: str) -> str:
    """Path of a marker's program, for helpers that start it; where it is missing, the test is skipped."""
    widen_path()
    found = shutil.which(PROGRAMS[marker][0])
    if found is None:
        pytest.skip(what_is_missing(marker) or marker)
    return found


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip a test that cannot run here, with the reason."""
    needed = [marker for marker in (*PROGRAMS, MOUNT) if item.get_closest_marker(marker)]
    missing = [reason for marker in needed if (reason := what_is_missing(marker))]
    if missing:
        pytest.skip(", ".join(missing))


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Turn a skip into a failure on the build machine."""
    report = yield
    excused = hasattr(report, "wasxfail") or item.get_closest_marker(MOUNT) is not None
    if report.skipped and on_build_machine() and not excused:
        report.outcome = "failed"
        why = call.excinfo.value if call.excinfo else "a mark"
        report.longrepr = f"would be skipped, which the build machine must not: {why}"
    return report


if __name__ == "__main__":
    widen_path()
    for program, package in PROGRAMS.values():
        if shutil.which(program) is None:
            print(package)

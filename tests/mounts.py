"""Real mounts for tests, where root is there and a mount is allowed; else the test is skipped and says why."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest


@contextmanager
def mounted(place: Path, *, bind: Path | None = None) -> Iterator[Path]:
    """A tmpfs at ``place``, or the folder ``bind`` once more; unmounted at the end if it still is there."""
    what = ["--bind", os.fspath(bind)] if bind is not None else ["-t", "tmpfs", "-o", "size=64m", "none"]
    if os.geteuid() != 0:
        pytest.skip("only root may mount")
    try:
        done = subprocess.run(["mount", *what, os.fspath(place)], capture_output=True, text=True, check=False)
    except FileNotFoundError:
        pytest.skip("mount is not installed")
    if done.returncode != 0:
        pytest.skip(f"no mount is allowed here: {done.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run(["umount", "-l", os.fspath(place)], capture_output=True, check=False)


def unmounted(place: Path) -> None:
    """Take the file system away from ``place``, as when a share is unmounted."""
    subprocess.run(["umount", os.fspath(place)], check=True, capture_output=True)

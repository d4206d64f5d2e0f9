"""What every test stands on: no thread left behind, and no test that silently needs what is not there."""

from __future__ import annotations

import os
import shutil
import threading
import time
from collections.abc import Iterator

import pytest

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # as the commands do: replays must give the same digits

_PROGRAMS = {"needs_mosquitto": "mosquitto", "needs_chromium": "chromium"}


def pytest_runtest_setup(item: pytest.Item) -> None:
    """Skip what needs a program that is missing here; on CI that is a failure, since CI installs it."""
    for marker, program in _PROGRAMS.items():
        path = os.environ.get("PATH", "") + ":/usr/sbin"
        if item.get_closest_marker(marker) and shutil.which(program, path=path) is None:
            if os.environ.get("CI"):
                pytest.fail(f"{program} is missing, though the CI script installs it", pytrace=False)
            pytest.skip(f"{program} is not installed")


@pytest.fixture(autouse=True)
def no_thread_left() -> Iterator[None]:
    """A test ends with the threads it began with; those that are ending get a few seconds."""
    before = set(threading.enumerate())
    yield
    limit = time.monotonic() + 5.0
    while time.monotonic() < limit:
        left = [t for t in threading.enumerate() if t not in before and t.is_alive() and not t.daemon]
        if not left:
            return
        time.sleep(0.02)
    assert not left, f"threads left behind: {[t.name for t in left]}"

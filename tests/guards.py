"""What no test may leave behind: a thread, a child process, a warning.

Warnings are errors already (``filterwarnings`` in pyproject.toml, which counts exceptions in threads and
unclosed files among them); the processes that tests start take them as errors too, by ``PYTHONWARNINGS``.
"""

from __future__ import annotations

import os
import threading
import time
import uuid
from collections.abc import Callable, Collection, Iterator
from pathlib import Path

import pytest

PATIENCE_S = 30.0
"""What a thread or process may take to end on a busy machine; waited for only where one is left."""
LASTING = ("Dask-Offload",)
"""Beginnings of the names of threads that Dask keeps for its next call, for tests marked ``uses_dask``."""
MARK = "EDGEAGENT_TEST_RUN"
"""Environment variable by which all processes are recognised that this run of tests has started."""


def pytest_configure(config: pytest.Config) -> None:
    config.addinivalue_line("markers", "uses_dask: calls Dask, which keeps threads as long as the process")
    os.environ[MARK] = uuid.uuid4().hex
    os.environ.setdefault("PYTHONWARNINGS", "error")


@pytest.fixture(autouse=True)
def nothing_left_behind(request: pytest.FixtureRequest) -> Iterator[None]:
    """Every thread and every child process that a test starts ends with it."""
    lasting = LASTING if request.node.get_closest_marker("uses_dask") else ()
    threads, children = set(threading.enumerate()), set(children_of_this_process())
    yield
    wait_for_end(
        lambda: [t.name for t in set(threading.enumerate()) - threads if is_left(t, lasting)], "threads"
    )
    wait_for_end(lambda: [named(p) for p in set(children_of_this_process()) - children], "child processes")


@pytest.fixture(scope="session", autouse=True)
def no_process_left_by_the_run() -> Iterator[None]:
    """No process is left of those that detached themselves from the test that started them."""
    yield
    mark = f"{MARK}={os.environ[MARK]}".encode()
    wait_for_end(lambda: [named(pid) for pid in marked_processes(mark)], "detached processes")


def is_left(thread: threading.Thread, lasting: tuple[str, ...]) -> bool:
    """Whether a thread runs that nobody keeps on purpose."""
    return thread.is_alive() and not thread.name.startswith(lasting)


def wait_for_end(left: Callable[[], Collection[str]], what: str) -> None:
    """Return as soon as nothing is left; fail with the names of what is left after PATIENCE_S."""
    until = time.monotonic() + PATIENCE_S
    while names := left():
        if time.monotonic() > until:
            pytest.fail(f"{what} left behind: {sorted(names)}", pytrace=False)
        time.sleep(0.02)


def children_of_this_process() -> list[int]:
    """Child processes, ended ones that nobody waited for included."""
    try:
        os.waitid(os.P_ALL, 0, os.WEXITED | os.WNOHANG | os.WNOWAIT)
    except ChildProcessError:  # none at all: by far the most tests, which need not read the table of processes
        return []
    return [pid for pid in processes() if parent_of(pid) == os.getpid()]


def processes() -> Iterator[int]:
    return (int(folder.name) for folder in Path("/proc").iterdir() if folder.name.isdecimal())


def parent_of(pid: int) -> int | None:
    """Parent of a process, None when it has ended meanwhile."""
    try:
        # The command's name stands in brackets and may itself hold brackets and blanks.
        return int(Path(f"/proc/{pid}/stat").read_bytes().rpartition(b")")[2].split()[1])
    except OSError:
        return None


def marked_processes(mark: bytes) -> list[int]:
    """Processes other than this one that have ``mark`` in the environment they were started with."""
    found = []
    for pid in processes():
        try:
            has_mark = mark in Path(f"/proc/{pid}/environ").read_bytes().split(b"\0")
        except OSError:  # ended meanwhile, or another user's
            continue
        if has_mark and pid != os.getpid():
            found.append(pid)
    return found


def named(pid: int) -> str:
    """Number and command of a process."""
    try:
        words = Path(f"/proc/{pid}/cmdline").read_bytes().rstrip(b"\0").split(b"\0")
    except OSError:
        words = []
    return f"{pid} {b' '.join(words).decode(errors='replace') or 'ended, not waited for'}"

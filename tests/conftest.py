"""What every test may use: the measuring cell with its broker, listener and agent, and invented files."""

from __future__ import annotations

import fcntl
import os
import shutil
import sys
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path
from typing import Any

import pytest
from hypothesis import settings

from edgeagent.store.running.arithmetic import arithmetic_environment

# As the commands do, and before numpy is loaded: replays must give the same digits.
os.environ.update(arithmetic_environment(os.environ))

from field import Agent, Broker, Listener, spiral_text, wait_until, watches
from fork_server import ForkServer

# Compiled modules, as an installed agent has them: else hundreds of processes compile all of them anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

pytest_plugins = ("guards", "programs", "pytester", "quick")

settings.register_profile("house", deadline=None, derandomize=True)
settings.register_profile("fuzz", deadline=None, max_examples=2000)
settings.load_profile("house")  # pytest --hypothesis-profile=fuzz: other examples every time, and many of them


@pytest.fixture(scope="session")
def made_once(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str, Callable[[Path], object]], Path]:
    """Gives a folder that the first of all workers to ask for it fills; nobody changes it afterwards."""
    base = tmp_path_factory.getbasetemp()
    if "PYTEST_XDIST_WORKER" in os.environ:
        base = base.parent

    def folder_of(name: str, fill: Callable[[Path], object]) -> Path:
        folder, filled = base / name, base / f"{name}.filled"
        with (base / f"{name}.lock").open("wb") as lock:
            fcntl.flock(lock, fcntl.LOCK_EX)
            if not filled.exists():
                shutil.rmtree(folder, ignore_errors=True)  # of a worker that failed
                folder.mkdir()
                fill(folder)
                filled.touch()
        return folder

    return folder_of


@pytest.fixture(scope="session")
def fork_server() -> Iterator[ForkServer]:
    """What services are forked from, in all tests of this process that start any."""
    with ForkServer() as server:
        Agent.fork_server = server
        yield server
        Agent.fork_server = None


@pytest.fixture
def started(fork_server: ForkServer) -> Iterator[ExitStack]:
    """Whatever is entered here is ended in reverse order when the test is over."""
    del fork_server
    with ExitStack() as stack:
        yield stack


class Cell:
    """A broker, a listener and an agent in one folder, each begun when the test asks for it.

    The gate for reference artefacts is off unless ``changes`` puts it back, so that a good part is accepted.
    """

    def __init__(self, folder: Path, started: ExitStack) -> None:
        self.folder = folder
        self._started = started
        self.broker = Broker(folder)

    def begin_broker(self) -> Broker:
        return self._started.enter_context(self.broker)

    def begin_listener(self) -> Listener:
        return self._started.enter_context(Listener(self.broker.port))

    def agent(self, changes: dict[str, Any] | None = None, **more: Any) -> Agent:
        """An agent that is not started yet, with its configuration written."""
        # One worker: a second one costs half a second of processor time at each start.
        settings = {"verification": None, "worker.processes": 1, **(changes or {})}
        agent = Agent(self.folder / "agent", self.broker.port, changes=settings, wait=False, **more)
        self._started.callback(agent._clean_up)
        return agent

    def begin_agent(self, changes: dict[str, Any] | None = None, **more: Any) -> Agent:
        """An agent that is ready: its own lamp message came back to it."""
        return self.agent(changes, **more).start()

    def begin_alone(self, changes: dict[str, Any] | None = None, **more: Any) -> Agent:
        """An agent without a broker, past its start record and watching its folder."""
        agent = self.agent(changes, **more).start(wait=False)
        agent.wait_event("started")
        # What comes before the watch is up was closed by nobody: it may be a piece, and waits for a minute.
        wait_until(lambda: not agent.alive or watches(agent.pid), what="the watch")
        return agent


@pytest.fixture
def cell(tmp_path: Path, started: ExitStack) -> Cell:
    """The measuring cell of one test."""
    return Cell(tmp_path, started)


@pytest.fixture(scope="session")
def circle_text() -> Callable[..., str]:
    """Maker of an invented nut's roundness plane, a part with one measurement.

    At 3 UPR some 3000 nm and more make it a reject; 20 nm, the default, an accept.
    """

    def make(serial: str, amplitude_nm: float = 20.0, **more: Any) -> str:
        waves = {2: 150.0, 3: amplitude_nm}
        given = {"kind": "circle", "part": "HN-1610-R", "feature": "outside", "turns": 2, **more}
        given.setdefault("points_per_turn", 1800)
        return spiral_text(serial=serial, waves_nm=waves, **given)

    return make

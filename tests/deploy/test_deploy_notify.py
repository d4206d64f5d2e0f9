"""What the service manager hears from the real service: sd_notify(3), received on a socket of the test."""

from __future__ import annotations

import contextlib
import os
import signal
import socket
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from pathlib import Path

import pytest
from field import DEADLINE_S, PREFIX, Agent, Broker, Listener, free_port

pytestmark = pytest.mark.needs_mosquitto


class Manager:
    """The receiving end of NOTIFY_SOCKET: messages in order, each with the time of its arrival."""

    def __init__(self, path: Path) -> None:
        self.environment = {"NOTIFY_SOCKET": os.fspath(path), "WATCHDOG_USEC": "30000000"}
        self.heard: list[tuple[str, float]] = []
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self._socket.bind(os.fspath(path))

    @property
    def words(self) -> list[str]:
        return [word for word, _ in self.heard]

    def hear_until(self, enough: Callable[[list[str]], bool]) -> None:
        """Receive until ``enough`` of all words so far is true; AssertionError after the deadline."""
        until = time.monotonic() + DEADLINE_S
        while not enough(self.words):
            self._socket.settimeout(max(until - time.monotonic(), 0.001))
            try:
                message = self._socket.recv(4096).decode()
            except TimeoutError:
                raise AssertionError(f"heard only {self.words}") from None
            self.heard.append((message, time.monotonic()))

    def rest(self) -> list[str]:
        """What lies in the socket unheard."""
        self._socket.setblocking(False)
        found: list[str] = []
        with contextlib.suppress(BlockingIOError):
            while True:
                found.append(self._socket.recv(4096).decode())
        return found

    def close(self) -> None:
        self._socket.close()


@pytest.fixture
def manager(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Manager]:
    monkeypatch.chdir(tmp_path)  # a socket's path must be short
    made = Manager(Path("notify"))
    made.environment["NOTIFY_SOCKET"] = os.fspath(tmp_path / "notify")
    yield made
    made.close()


@pytest.fixture
def started() -> Iterator[ExitStack]:
    with ExitStack() as stack:
        yield stack


def test_service_that_waits_for_the_broker_is_alive_and_not_ready(
    manager: Manager, started: ExitStack, tmp_path: Path
) -> None:
    broker = Broker(tmp_path)
    agent = Agent(tmp_path / "agent", broker.port, env=manager.environment, wait=False)
    started.enter_context(agent)
    manager.hear_until(lambda words: words.count("WATCHDOG=1") >= 2)
    assert set(manager.words) == {"WATCHDOG=1"}
    started.enter_context(broker)
    manager.hear_until(lambda words: "READY=1" in words)
    assert manager.words.count("READY=1") == 1
    with Listener(broker.port) as line:
        assert line.wait_topic("lamp")[0].payload == b"0"


def test_ready_is_not_told_while_the_own_lamp_message_does_not_come_back(
    manager: Manager, started: ExitStack, tmp_path: Path
) -> None:
    acl = tmp_path / "acl"
    acl.write_text(f"topic write {PREFIX}/#\n", encoding="utf-8")
    acl.chmod(0o600)
    broker = started.enter_context(Broker(tmp_path, [f"acl_file {acl}"]))
    agent = Agent(tmp_path / "agent", broker.port, env=manager.environment, wait=False)
    started.enter_context(agent)
    (refusal,) = agent.wait_event("publish-refused")
    assert "does not come back" in refusal["reason"]
    manager.hear_until(lambda words: words.count("WATCHDOG=1") >= 6)
    assert "READY=1" not in manager.words


def test_watchdog_is_fed_at_intervals_while_nothing_happens(
    manager: Manager, started: ExitStack, tmp_path: Path
) -> None:
    broker = started.enter_context(Broker(tmp_path))
    before = time.monotonic()
    started.enter_context(Agent(tmp_path / "agent", broker.port, env=manager.environment))
    manager.hear_until(lambda words: words.count("WATCHDOG=1") >= 4)
    heard = manager.words.count("WATCHDOG=1") + manager.rest().count("WATCHDOG=1")
    assert heard <= time.monotonic() - before + 1, "one a second, not as many as it can"


def test_stopping_is_told_once_and_last(manager: Manager, started: ExitStack, tmp_path: Path) -> None:
    broker = started.enter_context(Broker(tmp_path))
    agent = started.enter_context(Agent(tmp_path / "agent", broker.port, env=manager.environment))
    assert agent.terminate() == 0
    manager.hear_until(lambda words: "STOPPING=1" in words)
    assert manager.rest() == []


def test_reload_is_told_with_its_time_and_ends_with_ready(
    manager: Manager, started: ExitStack, tmp_path: Path
) -> None:
    broker = started.enter_context(Broker(tmp_path))
    agent = started.enter_context(Agent(tmp_path / "agent", broker.port, env=manager.environment))
    manager.hear_until(lambda words: "READY=1" in words)
    before = time.monotonic()
    agent.signal(signal.SIGHUP)
    manager.hear_until(lambda words: words.count("READY=1") == 2)
    told = [word for word in manager.words if word.startswith("RELOADING=1")]
    assert len(told) == 1
    _, _, microseconds = told[0].partition("MONOTONIC_USEC=")
    assert before <= int(microseconds) / 1e6 <= time.monotonic()
    agent.wait_event("configuration-reloaded")


def test_reload_while_the_broker_is_away_does_not_tell_ready(
    manager: Manager, started: ExitStack, tmp_path: Path
) -> None:
    agent = Agent(tmp_path / "agent", free_port(), env=manager.environment, wait=False)
    started.enter_context(agent)
    manager.hear_until(lambda words: "WATCHDOG=1" in words)
    agent.signal(signal.SIGHUP)
    agent.wait_event("configuration-reloaded")
    beats = manager.words.count("WATCHDOG=1")
    manager.hear_until(lambda words: words.count("WATCHDOG=1") >= beats + 2)
    assert "READY=1" not in manager.words

"""Closing the terminal of a run leaves no agent behind that nobody sees; SIGHUP without that still reloads."""

from __future__ import annotations

import json
import os
import pty
import select
import signal
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from field import ROOT, wait_until

pytestmark = pytest.mark.needs_mosquitto
QUICK = {"intake.settle_s": 0.05}
TAKE_TERMINAL = "import fcntl, os, signal, sys, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0); "
RUN = "os.execv(sys.executable, [sys.executable, '-m', 'edgeagent', 'run', '--config', sys.argv[1]])"
FOREGROUND = TAKE_TERMINAL + RUN
NOHUP = TAKE_TERMINAL + "signal.signal(signal.SIGHUP, signal.SIG_IGN); " + RUN
INTO_A_FILE = TAKE_TERMINAL + "os.dup2(os.open('out', os.O_WRONLY | os.O_CREAT), 1); " + RUN
BACKGROUND = TAKE_TERMINAL + (
    "signal.signal(signal.SIGHUP, signal.SIG_IGN); pid = os.fork()\n"
    "if pid:\n os.waitpid(pid, 0); sys.exit()\n"
    "signal.signal(signal.SIGHUP, signal.SIG_DFL); os.setpgid(0, 0)\n" + RUN
)
"""As a shell starts a job with &: another group of processes, to which the kernel sends nothing."""


class Window:
    """A terminal's window with a program in it; closing it is what a person does with the mouse."""

    def __init__(self, script: str, agent) -> None:
        self._ours, its = pty.openpty()
        command = [sys.executable, "-c", script, os.fspath(agent.config)]
        env = {**os.environ, "PYTHONPATH": os.fspath(ROOT), "TERM": "xterm"}
        std = {"stdin": its, "stdout": its, "stderr": its}
        self.process = subprocess.Popen(command, env=env, start_new_session=True, cwd=agent.folder, **std)
        os.close(its)
        self._closing = os.pipe()
        self._reader = threading.Thread(target=self._read)
        self._reader.start()
        self._open = True

    def _read(self) -> None:
        """What the program writes must be read, or it waits for ever."""
        while True:
            ready, _, _ = select.select([self._ours, self._closing[0]], [], [])
            if self._closing[0] in ready:
                return
            try:
                os.read(self._ours, 65536)
            except OSError:
                return

    def close(self) -> None:
        if self._open:
            self._open = False
            os.write(self._closing[1], b"x")
            self._reader.join()
            for fd in (self._ours, *self._closing):
                os.close(fd)


@contextmanager
def window(script: str, agent) -> Iterator[Window]:
    opened = Window(script, agent)
    try:
        yield opened
    finally:
        opened.close()
        opened.process.kill()
        opened.process.wait()


def status_of(agent) -> dict:
    path = agent.store / "state" / "status.json"
    return json.loads(path.read_bytes()) if path.exists() else {}


def begun(agent) -> dict:
    """The status of an agent that is ready."""
    return wait_until(
        lambda: (s := status_of(agent)).get("broker", {}).get("ready") and s, what="a ready agent"
    )


@pytest.mark.parametrize(
    "script", [FOREGROUND, INTO_A_FILE, BACKGROUND], ids=["foreground", "file", "background"]
)
def test_closing_the_terminal_stops_the_agent_in_order_and_shows_fault(cell, script):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.agent(QUICK)
    with window(script, agent) as opened:
        pid = begun(agent)["process"]["pid"]
        line.wait_lamp("0")
        opened.close()
        wait_until(lambda: status_of(agent)["phase"] == "stopped", what="an orderly end")
        assert opened.process.wait(60) == 0
    assert agent.records()[-1]["kind"] == "stop"
    line.wait_lamp("3")
    assert not Path(f"/proc/{pid}").exists() or status_of(agent)["process"]["pid"] == pid


def test_hang_up_signal_with_the_terminal_still_there_reads_recipes_again(cell):
    cell.begin_broker()
    agent = cell.agent(QUICK)
    with window(FOREGROUND, agent) as opened:
        begun(agent)
        before = len(agent.records("configuration"))
        opened.process.send_signal(signal.SIGHUP)
        wait_until(lambda: len(agent.records("configuration")) > before)
        assert opened.process.poll() is None


def test_run_that_was_meant_to_outlive_its_terminal_does(cell):
    cell.begin_broker()
    agent = cell.agent(QUICK)
    with window(NOHUP, agent) as opened:
        begun(agent)
        opened.close()
        at = status_of(agent)["monotonic_s"]
        wait_until(lambda: status_of(agent)["monotonic_s"] > at + 3.0)
        assert (status_of(agent)["phase"], opened.process.poll()) == ("running", None)


def test_log_collector_that_dies_stops_no_agent(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.agent(QUICK)
    command = [sys.executable, "-m", "edgeagent", "run", "--config", os.fspath(agent.config)]
    env = {**os.environ, "PYTHONPATH": os.fspath(ROOT)}
    process = subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, env=env)
    try:
        begun(agent)
        process.stdout.close()
        agent.drop("a.txt", circle_text("1"))
        line.wait_topic("disposition")
        assert process.poll() is None
        process.terminate()
        assert process.wait(60) == 0
    finally:
        process.kill()
        process.wait()
    assert agent.records()[-1]["kind"] == "stop"

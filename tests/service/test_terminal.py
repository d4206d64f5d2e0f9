"""The service on a real terminal: one live table with what a person looks for, and no log lines."""

from __future__ import annotations

import fcntl
import os
import pty
import re
import struct
import subprocess
import sys
import termios
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from field import ROOT, wait_until

pytestmark = pytest.mark.needs_mosquitto


@contextmanager
def on_a_terminal(config: Path) -> Iterator[tuple[subprocess.Popen[bytes], list[bytes]]]:
    """The service with a terminal of 120 columns as its output; what it wrote grows in the list."""
    ours, its = pty.openpty()
    fcntl.ioctl(its, termios.TIOCSWINSZ, struct.pack("HHHH", 40, 120, 0, 0))
    seen: list[bytes] = []

    def read() -> None:
        while True:
            try:
                data = os.read(ours, 65536)
            except OSError:
                return
            if not data:
                return
            seen.append(data)

    env = {**os.environ, "PYTHONPATH": os.fspath(ROOT), "TERM": "xterm"}
    command = [sys.executable, "-m", "edgeagent", "run", "--config", os.fspath(config)]
    process = subprocess.Popen(command, stdout=its, stderr=its, stdin=subprocess.DEVNULL, env=env)
    os.close(its)
    reader = threading.Thread(target=read)
    reader.start()
    try:
        yield process, seen
    finally:
        process.kill()
        process.wait()
        reader.join()
        os.close(ours)


def test_table_shows_parts_reasons_lamp_broker_and_trouble(cell, circle_text):
    cell.begin_broker()
    agent = cell.agent({"intake.settle_s": 0.05})
    with on_a_terminal(agent.config) as (process, seen):

        def screen() -> str:
            text = b"".join(seen).decode("utf-8", errors="replace")
            return re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", text)

        wait_until(lambda: "broker" in screen() and "ready" in screen(), what="the table")
        agent.drop("good.txt", circle_text("1"))
        agent.drop("bad.txt", circle_text("2", 4000.0))
        agent.drop("hostile.txt", "\x1b[2Jrubbish")
        wait_until(
            lambda: "parts: 1 accept, 1 reject, 0 hold; files: 2 measured, 1 not read" in screen(),
            what="three files",
        )
        wait_until(lambda: "HN-1610-R 2" in screen() and "roundness" in screen(), what="the reason")
        process.terminate()
        assert process.wait(20) == 0
        for words in ("lamp", "verification", "because", "HN-1610-R 1", "not read", "edgeagent acknowledge"):
            assert words in screen()
        assert '"event"' not in screen()


def test_start_that_is_refused_says_why_on_the_terminal(cell):
    cell.begin_broker()
    agent = cell.begin_agent()
    with on_a_terminal(agent.config) as (process, seen):
        assert process.wait(60) == 21
        wait_until(lambda: b"another agent writes this journal" in b"".join(seen), what="the reason")

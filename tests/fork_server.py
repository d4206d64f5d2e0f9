"""Starts the service as a process of its own without loading it anew: by a fork of one that has it loaded.

Two thirds of the processor time of a start go into imports, hundreds of times in a run of the tests. A forked
service has its own process, signals, files and end, as a started one has. What depends on how a process begins
(its environment, a launcher, a terminal, systemd) is started as a plant starts it.
"""

from __future__ import annotations

import contextlib
import importlib
import json
import os
import select
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import IO

HERE = Path(__file__).resolve()
LOADED = (
    *("edgeagent.commands.run", "edgeagent.judging.evaluation.budget", "edgeagent.judging.drift"),
    *("edgeagent.service.sparkplug.edge_node", "zstandard"),
    *("cryptography.exceptions", "cryptography.hazmat.primitives.asymmetric.ed25519"),
)
"""What a running service imports, at its start or later."""
REQUEST_BYTES_MAX = 1 << 20


class Forked:
    """A process that the server forked, with as much of ``subprocess.Popen`` as the tests ask for."""

    def __init__(self, pid: int, server: ForkServer) -> None:
        self.pid = pid
        self.returncode: int | None = None
        self._server = server
        self._ended = os.pidfd_open(pid)

    def poll(self) -> int | None:
        """The exit code, None while it runs."""
        with contextlib.suppress(subprocess.TimeoutExpired):
            self.wait(0)
        return self.returncode

    def wait(self, timeout: float | None = None) -> int:
        """Wait for the end; subprocess.TimeoutExpired when it does not come."""
        if self.returncode is None:
            waiting = select.poll()
            waiting.register(self._ended, select.POLLIN)
            if not waiting.poll(None if timeout is None else 1e3 * timeout):
                raise subprocess.TimeoutExpired("a forked service", timeout or 0.0)
            self.returncode = self._server.exit_code(self.pid)
            os.close(self._ended)
        return self.returncode

    def send_signal(self, number: int) -> None:
        if self.poll() is None:
            with contextlib.suppress(ProcessLookupError):
                signal.pidfd_send_signal(self._ended, number)

    def kill(self) -> None:
        self.send_signal(signal.SIGKILL)


class ForkServer:
    """The process that forks; entering starts it, leaving ends it."""

    def __init__(self) -> None:
        self._one_at_a_time = threading.Lock()

    def start(
        self, command: Sequence[str], *, env: Mapping[str, str], cwd: Path, out: IO[bytes], errors: IO[bytes]
    ) -> Forked:
        """``edgeagent`` with the words of ``command`` in a process of its own, with nothing on stdin."""
        request = {"command": list(command), "env": dict(env), "cwd": os.fspath(cwd)}
        return Forked(self._ask(request, [out.fileno(), errors.fileno()]), self)

    def exit_code(self, pid: int) -> int:
        """Of a forked process that ended, as Popen says it: less the signal's number where one ended it."""
        return self._ask({"ended": pid}, [])

    def _ask(self, request: Mapping[str, object], fds: list[int]) -> int:
        with self._one_at_a_time:
            socket.send_fds(self._socket, [json.dumps(request).encode()], fds)
            return int(self._socket.recv(64))

    def __enter__(self) -> ForkServer:
        self._socket, its = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        with its:
            env = {**os.environ, "PYTHONPATH": os.fspath(HERE.parents[1])}
            command = [sys.executable, os.fspath(HERE), str(its.fileno())]
            self._process = subprocess.Popen(
                command, env=env, pass_fds=[its.fileno()], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL
            )
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()
        self._process.wait()


def serve(fd: int) -> list[str]:
    """Answer requests until the tests end. Returns in a forked process alone, with the words of its command."""
    from edgeagent.store.running.arithmetic import arithmetic_environment

    os.environ.update(arithmetic_environment(os.environ))  # as the commands do, before numpy is loaded
    for name in LOADED:
        importlib.import_module(name)
    asked = socket.socket(fileno=fd)
    while True:
        message, fds, _, _ = socket.recv_fds(asked, REQUEST_BYTES_MAX, 2)
        if not message:
            sys.exit()
        request = json.loads(message)
        if "ended" in request:
            answer = os.waitstatus_to_exitcode(os.waitpid(request["ended"], 0)[1])
        elif (answer := os.fork()) == 0:
            asked.close()
            os.dup2(fds[0], 1)
            os.dup2(fds[1], 2)
            _close(fds)
            os.environ.clear()
            os.environ.update(request["env"])
            os.chdir(request["cwd"])
            return list(request["command"])
        _close(fds)
        asked.send(str(answer).encode())


def _close(fds: list[int]) -> None:
    for fd in fds:
        os.close(fd)


if __name__ == "__main__":
    sys.path.pop(0)  # the folder of the tests, which a service does not see
    words = serve(int(sys.argv[1]))
    from edgeagent.cli import main

    sys.argv = ["edgeagent", *words]
    main()

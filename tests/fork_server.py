"""Starts the service as a process of its own without loading it anew: by a fork of one that has it loaded.

Nine tenths of the processor time of a start go into imports, hundreds of times in a run of the tests. A forked
service has its own process, signals, files and end, as a started one has, and so have its workers. What depends
on how a process begins (its environment, a launcher, a terminal, systemd) is started as a plant starts it.
"""

from __future__ import annotations

import contextlib
import fcntl
import gc
import importlib
import json
import os
import runpy
import select
import signal
import socket
import subprocess
import sys
import threading
import traceback
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import IO, Any

HERE = Path(__file__).resolve()
WORKER = "edgeagent.service.workers.worker"
LOADED = (
    *("edgeagent.commands.run", "edgeagent.judging.evaluation.budget", "edgeagent.judging.drift"),
    *("edgeagent.service.sparkplug.edge_node", "zstandard"),
    *("cryptography.exceptions", "cryptography.hazmat.primitives.asymmetric.ed25519"),
    WORKER,
)
"""What a running service imports, at its start or later; a worker then loads all that an analysis may need."""
REQUEST_BYTES_MAX = 1 << 20
WORKERS, WORKERS_OF_FAULTS = 1, 4
"""So many workers of a service are forked, more where faults take them. Those that follow are started."""


class Forked:
    """A process that the server forked, with as much of ``subprocess.Popen`` as the tests ask for."""

    def __init__(self, pid: int, exit_code: Callable[[int], int]) -> None:
        self.pid = pid
        self.returncode: int | None = None
        self._exit_code = exit_code
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
            self.returncode = self._exit_code(self.pid)
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
        return Forked(self._ask(request, [out.fileno(), errors.fileno()]), self.exit_code)

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
    sys.modules[WORKER].load_everything()
    gc.freeze()  # what is loaded stays: else each fork's collections copy its pages
    asked = socket.socket(fileno=fd)
    while True:
        message, fds, _, _ = socket.recv_fds(asked, REQUEST_BYTES_MAX, 2)
        if not message:
            sys.exit()
        request = json.loads(message)
        if "ended" in request:
            answer = exit_code(request["ended"])
        elif (answer := os.fork()) == 0:
            asked.close()
            os.dup2(fds[0], 1)
            os.dup2(fds[1], 2)
            _close(fds)
            os.environ.clear()
            os.environ.update(request["env"])
            os.chdir(request["cwd"])
            _customize(["-m", "edgeagent", *request["command"]])
            if request["command"][0] == "run":
                WorkersAhead.fork(WORKERS_OF_FAULTS if "PLANTED" in os.environ else WORKERS)
            return list(request["command"])
        _close(fds)
        asked.send(str(answer).encode())


class WorkersAhead:
    """Workers of a forked service, forked before it has a thread or an open file, and waiting to be begun.

    They are its own children, as those are that it starts, so that they end with it and it hears their end. It
    stands for ``subprocess`` in the module that starts workers.
    """

    DEVNULL, TimeoutExpired = subprocess.DEVNULL, subprocess.TimeoutExpired

    def __init__(self, waiting: list[tuple[socket.socket, int]]) -> None:
        self._waiting = waiting

    @classmethod
    def fork(cls, number: int) -> None:
        """Fork so many, and have the service begin them. Returns in the service alone; a worker ends here."""
        waiting: list[tuple[socket.socket, int]] = []
        for _ in range(number):
            ours, its = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
            if (pid := os.fork()) == 0:
                for other, _ in [*waiting, (ours, 0)]:
                    other.close()
                _work_when_begun(its)
            its.close()
            waiting.append((ours, pid))
        importlib.import_module("edgeagent.service.workers.worker_process").subprocess = cls(waiting)

    def Popen(
        self, command: Sequence[str], *, pass_fds: Sequence[int], **more: Any
    ) -> Forked | subprocess.Popen[bytes]:
        """Begin the next worker; start one where none waits, and whatever else is asked for."""
        if not self._waiting or WORKER not in command:
            return subprocess.Popen(command, pass_fds=pass_fds, **more)
        channel, pid = self._waiting.pop(0)
        with channel:
            request = {"words": command[command.index(WORKER) + 1 :], "fds": list(pass_fds), "env": more["env"]}
            socket.send_fds(channel, [json.dumps(request).encode()], pass_fds)
        return Forked(pid, exit_code)


def _work_when_begun(channel: socket.socket) -> None:
    """A worker's life: it waits until the service begins it, or ends; descriptors keep their numbers."""
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)  # sent to the service's whole group, as a terminal does
    with channel:
        message, fds, _, _ = socket.recv_fds(channel, REQUEST_BYTES_MAX, 16)
    if not message:
        os._exit(0)
    request = json.loads(message)
    # Above all numbers that are asked for, so that none is overwritten before it has been moved.
    high = [fcntl.fcntl(fd, fcntl.F_DUPFD, 1 << 10) for fd in fds]
    _close(fds)
    for fd, number in zip(high, request["fds"], strict=True):
        os.dup2(fd, number)
    _close(high)
    with open(os.devnull, "r+b") as nothing:
        os.dup2(nothing.fileno(), 0)
        os.dup2(nothing.fileno(), 1)
    os.environ.clear()
    os.environ.update(request["env"])
    _customize(["-m", WORKER, *request["words"]])
    code = 1
    try:
        sys.modules[WORKER].main(request["words"])
        code = 0
    except Exception:  # noqa: BLE001 - said as an interpreter says it at its end
        traceback.print_exc()
    finally:
        # Taking the loaded modules down costs ten times what a worker does that is asked for nothing.
        os._exit(code)


def _customize(words: list[str]) -> None:
    """What Python does at its start: run the ``sitecustomize`` of a folder on PYTHONPATH."""
    sys.orig_argv = words
    for folder in os.environ["PYTHONPATH"].split(os.pathsep):
        if (found := Path(folder, "sitecustomize.py")).exists():
            sys.argv = words[1:]
            runpy.run_path(os.fspath(found))


def exit_code(pid: int) -> int:
    """Of a child that ended or will, as Popen says it."""
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])


def _close(fds: list[int]) -> None:
    for fd in fds:
        os.close(fd)


if __name__ == "__main__":
    sys.path.pop(0)  # the folder of the tests, which a service does not see
    words = serve(int(sys.argv[1]))
    from edgeagent.cli import main

    sys.argv = ["edgeagent", *words]
    main()

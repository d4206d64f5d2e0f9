"""A process that computes one chunk after the other: what this process asks it for, and its own whole life.

A function and its chunk go to it through its standard input, its result or error comes back through its
standard output, each as a length and a pickle: both ends are this program, and nobody else can write there.
"""

from __future__ import annotations

import gc
import os
import pickle
import signal
import struct
import subprocess
import sys
import traceback
from collections.abc import Callable
from typing import IO, Any, TypeVar

from edgeagent.errors import AgentError
from edgeagent.store.running.arithmetic import arithmetic_environment

C = TypeVar("C")
R = TypeVar("R")

_LENGTH = struct.Struct(">Q")
# One kill may come from outside, as by a full memory; two at the same files come from the files.
_ATTEMPTS = 2
_PACKAGE_PARENT = os.path.dirname(os.path.dirname(os.path.dirname(os.path.dirname(os.path.abspath(__file__)))))


class ComputingProcess:
    """Started with its first chunk. Used by one thread at a time."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None

    def compute(self, function: Callable[[C], R], chunk: C) -> R:
        """What the function makes of the chunk. Raises what it raised, AgentError if it ended twice."""
        message = pickle.dumps((function, chunk), pickle.HIGHEST_PROTOCOL)
        for _ in range(_ATTEMPTS):
            answer = self._ask(message)
            if answer is not None:
                result: R = result_or_raise(pickle.loads(answer))
                return result
            self.end()
        raise AgentError(f"a computing process ended {_ATTEMPTS} times at the same files, without a result")

    def _ask(self, message: bytes) -> bytes | None:
        """The answer; None where the process ended first."""
        if self._process is None:
            # Only with the first chunk: a run that has a single one needs no second process.
            self._process = _start()
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        try:
            _send(self._process.stdin, message)
            return _received(self._process.stdout)
        except OSError:
            return None

    def end(self) -> None:
        """End it, whatever it is at."""
        process, self._process = self._process, None
        if process is None:
            return
        process.kill()
        process.wait()
        for pipe in (process.stdin, process.stdout):
            if pipe is not None:
                try:
                    pipe.close()
                except OSError:  # what was still to be sent to it
                    continue


def _start() -> subprocess.Popen[bytes]:
    # The package that runs, which need not be the one that is installed.
    path = os.pathsep.join(p for p in (_PACKAGE_PARENT, os.environ.get("PYTHONPATH", "")) if p)
    env = {**os.environ, **arithmetic_environment(os.environ), "PYTHONPATH": path}
    command = [sys.executable, "-m", __name__]
    return subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=env)


def _send(pipe: IO[bytes], message: bytes) -> None:
    pipe.write(_LENGTH.pack(len(message)))
    pipe.write(message)
    pipe.flush()


def _received(pipe: IO[bytes]) -> bytes | None:
    """The next message; None at the end."""
    # Buffered pipes: fewer bytes than asked for means that the other end is gone.
    head = pipe.read(_LENGTH.size)
    if len(head) < _LENGTH.size:
        return None
    (length,) = _LENGTH.unpack(head)
    message = pipe.read(length)
    return message if len(message) == length else None


def attempt(function: Callable[[C], R], chunk: C) -> tuple[bool, Any]:
    """Whether the function gave a result, with that or with an error that can be sent to another process."""
    try:
        return True, function(chunk)
    except AgentError as error:
        sent = AgentError(str(error))  # classes with other arguments do not come out of a pickle
        sent.exit_code = error.exit_code
        return False, sent
    except Exception:  # noqa: BLE001 - a mistake of ours is raised where the chunk came from
        return False, RuntimeError(traceback.format_exc())


def result_or_raise(answer: tuple[bool, Any]) -> Any:
    """The result that `attempt` gave. Raises the error otherwise."""
    ok, found = answer
    if not ok:
        raise found
    return found


def collect_seldom() -> None:
    """Let this process look for cycles a hundred times less often.

    Decoded records have none, and looking through hundreds of thousands of them takes a sixth of the time.
    """
    gc.set_threshold(100_000, 50, 100)


def main() -> None:
    """Answer until the other end closes."""
    collect_seldom()
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # who started us hears it, and ends us
    incoming, outgoing = sys.stdin.buffer, os.fdopen(os.dup(sys.stdout.fileno()), "wb")
    os.dup2(sys.stderr.fileno(), sys.stdout.fileno())  # whatever prints must not come between the answers
    while (message := _received(incoming)) is not None:
        _send(outgoing, pickle.dumps(attempt(*pickle.loads(message)), pickle.HIGHEST_PROTOCOL))


if __name__ == "__main__":
    main()

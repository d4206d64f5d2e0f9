"""Chunks computed by the workers of a Dask scheduler (extra cluster), with the same function as everywhere.

Workers must be of this program's version and see the stores under the same names. A worker that is killed costs
its chunk, which the scheduler gives to another one; a cluster that goes away ends the run, and nothing of it is
reported.
"""

from __future__ import annotations

import os
import platform
import socket
from collections.abc import Callable
from concurrent.futures import CancelledError
from types import TracebackType
from typing import Any, TypeVar

import distributed
import numpy as np
import scipy
from distributed.scheduler import KilledWorker

from edgeagent import __version__
from edgeagent.codec.records.result import VALUES_VERSION
from edgeagent.errors import AgentError
from edgeagent.store.replaying.computing_process import attempt, result_or_raise
from edgeagent.store.running.arithmetic import arithmetic_environment

Client: Any = distributed.Client
C = TypeVar("C")
R = TypeVar("R")
_ANSWER_S = 10
_LOST = (CancelledError, KilledWorker, OSError, TimeoutError, RuntimeError)


def program_stamp() -> str:
    """What the digits of a result depend on: versions, and how sums are taken."""
    wanted = arithmetic_environment(os.environ)
    # Looked up in the environment, as numpy tells neither its kernels nor whether somebody set them too late.
    fixed = all(os.environ.get(name) == value for name, value in wanted.items())
    return (
        f"edgeagent {__version__}, values {VALUES_VERSION}, Python {platform.python_version()}, "
        f"numpy {np.__version__}, scipy {scipy.__version__}, "
        f"{'fixed' if fixed else 'free'} arithmetic (store.replaying.dask_worker fixes it)"
    )


def attempt_as(stamp: str, function: Callable[[C], R], chunk: C) -> tuple[bool, Any]:
    """As `attempt`, where this process is what the asking one takes it for: a worker may have come later."""
    own = program_stamp()
    if own != stamp:
        return False, AgentError(f"a worker on {platform.node()} is {own}, not {stamp}; nothing is reported")
    return attempt(function, chunk)


class ClusterExecutor:
    """The workers of the scheduler at ``address``, such as ``tcp://10.0.0.5:8786``. A context: it leaves them.

    Raises AgentError where nobody answers, where there is no worker, or one of another version.
    """

    def __init__(self, address: str) -> None:
        self._address, self._stamp = address, program_stamp()
        try:
            _knock(address)
            self._client = Client(address, timeout=_ANSWER_S, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            raise AgentError(f"{address}: no scheduler answers here; nothing was computed") from error
        try:
            # Four chunks for each thread: the scheduler has the next one at the worker before it asks.
            self.ahead = 4 * self._checked()
        except BaseException:
            self._client.close()
            raise

    def _checked(self) -> int:
        """How many chunks the workers compute at once, once all of them are known to be like this program."""
        # All at once and before any work: digits of another version would look like differences of the store.
        stamps = self._client.run(program_stamp, on_error="return")
        if not stamps:
            raise AgentError(f"{self._address}: the scheduler has no worker; nothing was computed")
        for worker, stamp in sorted(stamps.items()):
            if stamp != self._stamp:
                found = f"without edgeagent ({stamp})" if isinstance(stamp, BaseException) else stamp
                raise AgentError(f"worker {worker} is {found}, not {self._stamp}; nothing was computed")
        threads: dict[str, int] = self._client.nthreads()
        return sum(threads.values())

    def submit(self, function: Callable[[C], R], chunk: C) -> _ClusterResult:
        """Begin with a chunk."""
        # pure=False: the scheduler must not take two runs over the same chunk for one.
        future = self._client.submit(attempt_as, self._stamp, function, chunk, pure=False)
        return _ClusterResult(self._address, future)

    def __enter__(self) -> ClusterExecutor:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _: TracebackType | None
    ) -> None:
        self._client.close()


def _knock(address: str) -> None:
    """Connect once and close: without a scheduler the client itself would retry for long. Raises OSError."""
    scheme, _, place = address.rpartition("://")
    host, _, port = place.partition("/")[0].rpartition(":")
    if scheme in ("", "tcp", "tls") and port.isdecimal():
        socket.create_connection((host.strip("[]"), int(port)), _ANSWER_S).close()


class _ClusterResult:
    def __init__(self, address: str, future: Any) -> None:
        self._address, self._future = address, future

    def done(self) -> bool:
        return bool(self._future.done())

    def result(self) -> Any:
        try:
            answer = self._future.result()
        except _LOST as error:
            words = " ".join(f"{type(error).__name__}: {error}".split())[:200]
            raise AgentError(f"{self._address}: the cluster was lost ({words}); nothing is reported") from error
        finally:
            # Else the cluster keeps every result until the client leaves.
            self._future.release()
        return result_or_raise(answer)

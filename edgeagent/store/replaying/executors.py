"""Carry chunks of work out, here or in other processes, and give what comes of them back in their order.

Whoever computes, the same function gets the same chunks: how many processes there are changes the time alone.
"""

from __future__ import annotations

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import ThreadPoolExecutor
from types import TracebackType
from typing import Any, Protocol, TypeVar

from edgeagent.store.replaying.computing_process import ComputingProcess

C = TypeVar("C")
K = TypeVar("K")
R = TypeVar("R")


class Pending(Protocol):
    """Something that is being computed."""

    def done(self) -> bool:
        """Whether the result is there."""
        ...

    def result(self) -> Any:
        """The result, once it is there. Raises what the function raised."""
        ...


class Executor(Protocol):
    """Computes chunks. ``ahead`` is how many of them keep it busy."""

    ahead: int

    def submit(self, function: Callable[[C], R], chunk: C) -> Pending:
        """Begin with a chunk."""
        ...


def in_order(
    executor: Executor, function: Callable[[C], R], work: Iterable[tuple[K, C | None]]
) -> Iterator[tuple[K, R | None]]:
    """What ``function`` makes of each chunk, with what came beside it, in the order of ``work``.

    Where there is no chunk there is no result. Not more than the executor's ``ahead`` wait in memory.
    """
    waiting: deque[tuple[K, Pending | None]] = deque()
    for beside, chunk in work:
        waiting.append((beside, None if chunk is None else executor.submit(function, chunk)))
        # What is done goes out at once; beyond `ahead` the oldest is waited for, which also makes this process
        # compute.
        while waiting and (len(waiting) > executor.ahead or _is_done(waiting[0][1])):
            yield _taken(waiting)
    while waiting:
        yield _taken(waiting)


def _is_done(pending: Pending | None) -> bool:
    return pending is None or pending.done()


def _taken(waiting: deque[tuple[K, Pending | None]]) -> tuple[K, Any]:
    beside, pending = waiting.popleft()
    return beside, None if pending is None else pending.result()


class _Here:
    """A chunk that this process computes when it is asked for the result."""

    def __init__(self, function: Callable[[Any], Any], chunk: Any) -> None:
        self._work = function, chunk

    def done(self) -> bool:
        """Never before it is asked for."""
        return False

    def result(self) -> Any:
        """Compute it."""
        function, chunk = self._work
        return function(chunk)


class LocalExecutor:
    """This process and ``jobs`` - 1 beside it; these start with the second chunk. A context: it ends them.

    A process that is killed is started anew and computes its chunk again; see `ComputingProcess`.
    """

    def __init__(self, jobs: int | None = None) -> None:
        self.jobs = jobs or usable_processors()
        # Four for each process: chunks differ in length, and none may run dry while the oldest one is waited
        # for.
        self.ahead = 0 if self.jobs == 1 else 4 * self.jobs
        self._submitted = 0
        self._threads: ThreadPoolExecutor | None = None
        self._processes: deque[ComputingProcess] = deque()

    def submit(self, function: Callable[[C], R], chunk: C) -> Pending:
        """Begin with a chunk; every ``jobs``-th one waits for this process."""
        # This process too: it would only wait.
        mine = self._submitted % self.jobs == 0
        self._submitted += 1
        if mine:
            return _Here(function, chunk)
        if self._threads is None:
            self._processes.extend(ComputingProcess() for _ in range(self.jobs - 1))
            self._threads = ThreadPoolExecutor(self.jobs - 1)
        return self._threads.submit(self._compute, function, chunk)

    def _compute(self, function: Callable[[C], R], chunk: C) -> R:
        process = self._processes.popleft()  # there are as many as threads
        try:
            return process.compute(function, chunk)
        finally:
            self._processes.append(process)

    def __enter__(self) -> LocalExecutor:
        return self

    def __exit__(
        self, _kind: type[BaseException] | None, _error: BaseException | None, _: TracebackType | None
    ) -> None:
        if self._threads is not None:
            # Also after an error chunks at work are waited for: a process belongs to the thread that asks it.
            self._threads.shutdown(wait=True, cancel_futures=True)
        while self._processes:
            self._processes.popleft().end()


def usable_processors() -> int:
    """How many processors this process may use."""
    # Not the machine's count: a container or `taskset` may allow fewer.
    return len(os.sched_getaffinity(0))

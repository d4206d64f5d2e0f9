"""The worker process: takes files from the agent one after another, and gives back records and results.

It has a memory limit of its own, touches no disk and no network, and dies with the agent. Whatever a file does
to it, the agent's loop goes on: it sees an answer, the process's end, or a time that is over.

Started as ``python -m edgeagent.service.workers.worker SOCKET MEMORY_MB AGENT FILES… RESULTS…``: descriptors,
the limit, and the process id of the agent.
"""

from __future__ import annotations

import ctypes
import importlib
import os
import pickle
import pkgutil
import resource
import signal
import socket
import sys
import time
import traceback
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import msgspec

from edgeagent import analysis
from edgeagent.codec import traces
from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.record import encode_body
from edgeagent.codec.records.result import encode
from edgeagent.errors import InputError, TraceFormatError
from edgeagent.judging import bodies, evaluation
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.evaluation.evaluate import Rulebook, evaluate
from edgeagent.model.records import Measurement, Quarantine
from edgeagent.service.workers.worker_messages import (
    PACKET_MAX,
    SLOTS,
    Job,
    JobDone,
    Ready,
    TooLarge,
    get,
    pack,
    put,
)

_PR_SET_PDEATHSIG = 1
_SCIPY = ("scipy.special", "scipy.fft")
"""What analyses import where they need it. Here it is loaded beforehand: nobody waits for an import."""


def limit_memory(megabytes: float) -> float:
    """Bound everything that this process can write to privately; returns the limit in force.

    RLIMIT_DATA counts heap and private mappings as soon as they are asked for (Linux 4.7 and later), so that an
    allocation fails before memory is used; program texts and shared libraries do not count, as they would for
    RLIMIT_AS. Raises OSError where limits cannot be set.
    """
    wanted = int(megabytes * 1e6)
    # A stricter limit of the service manager stands: raising it would fail, and end the worker.
    _, hard = resource.getrlimit(resource.RLIMIT_DATA)
    if hard != resource.RLIM_INFINITY:
        wanted = min(wanted, hard)
    resource.setrlimit(resource.RLIMIT_DATA, (wanted, wanted))
    # A file that crashes workers must not fill the store's disk with their cores.
    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    return wanted / 1e6


def die_with(agent: int) -> None:
    """End with the agent, also in the midst of a computation that would never come back to the socket."""
    # The standard library has no call for it. Numbers of prctl(2), Linux.
    ctypes.CDLL(None, use_errno=True).prctl(_PR_SET_PDEATHSIG, signal.SIGKILL, 0, 0, 0)
    if os.getppid() != agent:
        sys.exit(0)  # it ended before the line above
    for number in (signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
        signal.signal(number, signal.SIG_IGN)  # for the agent alone; it ends us by closing the socket
    try:
        with open("/proc/self/oom_score_adj", "w") as file:  # if memory runs out all the same: us first
            file.write("1000")
    except OSError:
        # A container may forbid it; only the order of victims is lost.
        return


def load_everything() -> None:
    """Import every module that an evaluation may need."""
    for package in (analysis, traces, evaluation):
        for found in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            importlib.import_module(found.name)
    for name in _SCIPY:
        importlib.import_module(name)


class Analyst:
    """Analyses what lies in the shared memory, with the configuration that came last."""

    def __init__(self, files: Sequence[int], results: Sequence[int]) -> None:
        self._files, self._results = files, results
        self._known: Any = None

    def answer(self, job: Job) -> JobDone:
        """The outcome of one file. Raises MemoryError alone."""
        # Includes reading and writing the shared memory: the agent's stages are to add up to the whole.
        began = time.perf_counter()
        at, files = job.configuration_bytes, self._files[job.slot]
        if at:
            # Bytes of the agent that started us, through memory that nobody else can open.
            self._known = pickle.loads(get(files, at))
        data = get(files, job.data_bytes, at)
        side = None if job.side_bytes is None else get(files, job.side_bytes, at + job.data_bytes)
        found = outcome_of(job, data, side, *self._known)
        put(self._results[job.slot], found.result, 0)
        return JobDone(
            number=job.number,
            kind=found.body.KIND,
            body=encode_body(found.body),
            result_bytes=len(found.result),
            seconds=time.perf_counter() - began,
            failed_checks=found.failed_checks,
            mistake=found.mistake,
        )


@dataclass(frozen=True, slots=True)
class JobOutcome:
    """What became of one file; ``JobDone`` carries it to the agent."""

    body: Measurement | Quarantine
    result: bytes = b""
    failed_checks: tuple[str, ...] | None = None
    mistake: str = ""


def outcome_of(
    job: Job, data: bytes, side: bytes | None, rules: Rulebook, configuration: Configuration
) -> JobOutcome:
    """The record of one file, whatever is in it. Raises MemoryError.

    The body's ``decided_at`` is for the agent to fill in: it is decided when it is recorded.
    """
    mistake = ""
    try:
        evaluation = evaluate(job.name, data, side, rules, digest=job.source.sha256)
        result, at = encode(evaluation.result), job.settled_at
        body = bodies.measurement_body(at, job.source, evaluation, configuration, digest_of(result), at)
        failed = tuple(check.check for check in evaluation.analysis.quality if not check.ok)
        return JobOutcome(body, result, failed)
    # Not a mistake of ours and not of the file's content: the limit decides, and the agent says so.
    except MemoryError:
        raise
    except InputError as error:
        problem = error
    except Exception as error:  # noqa: BLE001 - a mistake of ours in one file must not stop the next
        # The end of it, where the error stands; the whole must fit into one packet.
        mistake = traceback.format_exc()[-4000:]
        problem = TraceFormatError(f"internal error {type(error).__name__}: {error}"[:500])
    return JobOutcome(bodies.quarantine_body(job.source, problem, job.settled_at), mistake=mistake)


def serve(channel: socket.socket, analyst: Analyst) -> None:
    """Answer until the agent closes the socket, or a file did not fit into the memory."""
    # Empty: the agent closed its end or is gone.
    while packet := channel.recv(PACKET_MAX):
        job = msgspec.msgpack.decode(packet, type=Job)
        try:
            channel.send(pack(analyst.answer(job)))
        except MemoryError:
            # What is left of the heap may be in pieces: a new process is cheaper than finding out.
            channel.send(pack(TooLarge(job.number)))
            return


def main(arguments: list[str]) -> None:
    """The process's whole life."""
    with socket.socket(fileno=int(arguments[0])) as channel:
        shared = [int(fd) for fd in arguments[3:]]
        # First of all: an agent that ends during the imports must not leave this process behind.
        die_with(int(arguments[2]))
        limit = limit_memory(float(arguments[1]))
        # Behind the limit, so that what is loaded counts in it, as the configuration promises.
        load_everything()
        channel.send(pack(Ready(limit)))
        serve(channel, Analyst(shared[:SLOTS], shared[SLOTS:]))


if __name__ == "__main__":
    main(sys.argv[1:])

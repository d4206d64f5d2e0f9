"""One worker as the agent sees it: started, given files, heard, killed."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
import threading
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import msgspec

import edgeagent
from edgeagent.service.workers.worker_messages import PACKET_MAX, SLOTS, Answer, Job, JobDone, get, pack, put
from edgeagent.store.running.arithmetic import arithmetic_environment

_KEPT_BYTES = 4 << 20
"""Shared memory beyond this goes back to the system after each file."""
_ANSWER: msgspec.msgpack.Decoder[Answer] = msgspec.msgpack.Decoder(Answer)
_LAST_WORDS_S = 0.5
"""A worker that closed its end has so long to exit."""


@dataclass(frozen=True, slots=True)
class WorkerPacket:
    """Something a worker sent: an answer, or None for a packet that is none."""

    worker: WorkerProcess
    answer: Answer | None


@dataclass(frozen=True, slots=True)
class Ended:
    """The worker is gone; ``code`` is its exit code, negative for a signal."""

    worker: WorkerProcess
    code: int


class WorkerProcess:
    """A running ``python -m edgeagent.service.workers.worker``. Raises OSError where it cannot be started.

    ``post`` is called from a thread of its own with what is heard, and once with ``Ended``, the last word.
    Nothing here waits for the worker: the agent's loop must never stand still for it.
    """

    def __init__(self, memory_mb: float, post: Callable[[WorkerPacket | Ended], None]) -> None:
        self._post = post
        # Packets, not a stream: a worker killed in the midst of a message leaves no half of one.
        self._channel, theirs = socket.socketpair(socket.AF_UNIX, socket.SOCK_SEQPACKET)
        # Without a name in any file system: a kill leaves nothing behind.
        self._files = [os.memfd_create("edgeagent-files") for _ in range(SLOTS)]
        self._results = [os.memfd_create("edgeagent-results") for _ in range(SLOTS)]
        self._result_limit = int(memory_mb * 1e6)
        shared = (theirs.fileno(), *self._files, *self._results)
        # -P: a module in the folder that the agent was started from must not stand in for ours.
        command = [sys.executable, "-P", "-m", "edgeagent.service.workers.worker"]
        try:
            self._process = subprocess.Popen(
                [*command, *map(str, (shared[0], memory_mb, os.getpid(), *shared[1:]))],
                pass_fds=shared,
                stdin=subprocess.DEVNULL,
                # The agent's standard output is its event log: a library that prints would break its lines.
                stdout=subprocess.DEVNULL,
                env=_environment(),
            )
        except OSError:
            self.dispose()
            raise
        finally:
            # Ours must be the only other end, or the worker's death would never read as the end of the channel.
            theirs.close()
        self.pid = self._process.pid
        self._thread = threading.Thread(target=self._listen, name=f"worker-{self.pid}", daemon=True)
        self._thread.start()

    def send(self, job: Job, configuration: bytes, data: bytes, side: bytes | None) -> None:
        """Hand over one file, in a slot that nothing else is in. Raises OSError when the worker is gone."""
        files = self._files[job.slot]
        at = put(files, configuration, 0)
        at = put(files, data, at)
        if side is not None:
            put(files, side, at)
        # The socket holds a few packets; a worker that does not read must not block the loop.
        self._channel.send(pack(job), socket.MSG_DONTWAIT | socket.MSG_NOSIGNAL)

    def result(self, done: JobDone, slot: int) -> bytes:
        """The encoded result of an answer to a job in that slot.

        Raises OSError where the size that it names is not there.
        """
        # The number comes from a process that a file may have damaged: not to be allocated unchecked.
        if not 0 <= done.result_bytes <= self._result_limit:
            raise OSError(f"a result of {done.result_bytes} bytes")
        data = get(self._results[slot], done.result_bytes)
        for fd in (self._files[slot], self._results[slot]):
            # Smaller ones stay allocated, since the next file needs the same pages.
            if os.fstat(fd).st_size > _KEPT_BYTES:
                os.ftruncate(fd, 0)
        return data

    def kill(self) -> None:
        """End it at once; ``Ended`` follows."""
        self._process.kill()

    def finish(self) -> None:
        """Close the channel, which ends an idle worker; any other is killed. Returns when it is gone."""
        # Not close: the thread still reads from it, and the descriptor could be another's the next moment.
        self._channel.shutdown(socket.SHUT_RDWR)
        self._thread.join()
        self.dispose()

    def dispose(self) -> None:
        """Let go of socket and memory, once ``Ended`` was heard.

        For the loop alone: a descriptor that the thread closed could be another file's when the loop uses it.
        """
        self._channel.close()
        for fd in (*self._files, *self._results):
            os.close(fd)

    def _listen(self) -> None:
        """The thread: passes on every packet until the worker closes its end, then sees to its exit."""
        while True:
            try:
                packet = self._channel.recv(PACKET_MAX)
            except OSError:
                packet = b""
            if not packet:
                break
            self._post(WorkerPacket(self, _decode(packet)))
        try:
            code = self._process.wait(_LAST_WORDS_S)
        except subprocess.TimeoutExpired:
            self.kill()
            code = self._process.wait()
        self._post(Ended(self, code))


def _decode(packet: bytes) -> Answer | None:
    try:
        return _ANSWER.decode(packet)
    except (msgspec.DecodeError, UnicodeDecodeError):
        return None


def _environment() -> dict[str, str]:
    """The agent's own, with the agent's own code first, wherever it was started from."""
    ours = str(Path(edgeagent.__file__).parent.parent)
    paths = [ours, *filter(None, os.environ.get("PYTHONPATH", "").split(os.pathsep))]
    return {**os.environ, "PYTHONPATH": os.pathsep.join(paths), **arithmetic_environment(os.environ)}

"""The workers together: who is free, whose time is over, who must be started again."""

from __future__ import annotations

import pickle
import signal
from collections import deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

import msgspec

from edgeagent.codec.records.digest import digest_of
from edgeagent.codec.records.record import decode_body
from edgeagent.judging.configuration import Configuration
from edgeagent.judging.evaluation.evaluate import Rulebook
from edgeagent.model.records import Measurement, Quarantine
from edgeagent.rules.files.attempts import Cause, Failure
from edgeagent.service.workers.worker_messages import Job, JobDone, Ready, TooLarge
from edgeagent.service.workers.worker_process import Ended, WorkerPacket, WorkerProcess
from edgeagent.store.clock import Clock

_END_S = 10.0
"""A worker that takes no file any more and has not ended by then is killed."""
_START_S = 60.0
"""A worker that has not loaded everything by then is killed and started again."""
_PAUSE_MAX_S = 30.0
"""Longest pause between two starts that fail: what they lack, such as memory, may be there again soon."""
_AHEAD_S = 0.5
"""Nothing waits behind a file that takes longer than this, where another worker is free."""


@dataclass(frozen=True, slots=True)
class Analysed:
    """A file's outcome: the body of its record, and the encoded result.

    ``seconds`` is what the analysis took, ``failed_checks`` the quality checks that the trace does not
    pass, None where there is no trace, ``mistake`` the traceback of an error of ours.
    """

    number: int
    body: Measurement | Quarantine
    result: bytes
    seconds: float
    failed_checks: tuple[str, ...] | None
    mistake: str


@dataclass(frozen=True, slots=True)
class Lost:
    """An attempt that ended with the worker."""

    number: int
    failure: Failure


@dataclass(frozen=True, slots=True)
class Returned:
    """A file that waited behind another one, given back: nothing was done with it."""

    number: int


@dataclass(slots=True)
class _Given:
    """A file that a worker has. ``wanted`` is False where it was given back: its answer then counts no more."""

    number: int
    slot: int
    limit_s: float
    wanted: bool = True


@dataclass(slots=True)
class _WorkerSeat:
    """A place for one worker. ``given`` are the files that it has, the one that it is at first.

    ``since`` is when it began what it is doing, for which it has ``limit_s``.
    """

    worker: WorkerProcess | None = None
    ready: bool = False
    given: list[_Given] = field(default_factory=list)
    since: float = 0.0
    limit_s: float = _START_S
    # 0: the worker has none. Versions begin with 1.
    configuration: int = 0
    # False once it took a file no more: its end, with the reason, is about to be heard.
    reachable: bool = True

    @property
    def free(self) -> bool:
        """Whether it could take a file now."""
        return self.ready and self.reachable and not self.given

    def begin_next(self, now: float) -> None:
        """The first of its files is done with; the next one's time begins."""
        self.given.pop(0)
        self.since, self.limit_s = now, self.given[0].limit_s if self.given else _END_S


class WorkerPool:
    """Owns the worker processes. Used from the service loop only; none of its calls waits for a worker.

    ``limit_s`` gives the seconds for a file of so many bytes. ``wake`` rings the loop, from any thread.
    ``report`` is called with an event name and details: that a worker is ready, was killed, ended or failed to
    start.
    """

    def __init__(
        self,
        clock: Clock,
        *,
        processes: int,
        memory_mb: float,
        limit_s: Callable[[int], float],
        wake: Callable[[], None],
        report: Callable[[str, dict[str, Any]], None],
    ) -> None:
        self._clock, self._wake, self._report = clock, wake, report
        self._memory_mb, self._limit_s = memory_mb, limit_s
        self._events: deque[WorkerPacket | Ended] = deque()
        self._begun: list[int] = []
        self._seats = [_WorkerSeat() for _ in range(processes)]
        self._configuration = b""
        self._version = 0
        self._pause = 0.0
        # No start is due before the journal's lock is held.
        self._start_at = float("inf")

    def configure(self, rules: Rulebook, configuration: Configuration) -> None:
        """What all jobs from now on are analysed with. Workers get it with their next file."""
        # Pickled once for all workers; it comes from this process, never from a file or the network.
        self._configuration = pickle.dumps((rules, configuration), pickle.HIGHEST_PROTOCOL)
        self._version += 1

    def start(self) -> None:
        """Start one worker; the others when there is work for them, or when one is lost."""
        self._start_at = self._clock.monotonic()
        self._start_due()

    def grow(self) -> None:
        """Start one more, if there is a place for it and none is being started."""
        starting = any(seat.worker is not None and not seat.ready for seat in self._seats)
        place = any(seat.worker is None for seat in self._seats)
        if place and not starting and self._start_at == float("inf"):
            self._start_at = self._clock.monotonic()

    @property
    def size(self) -> int:
        """Workers that there can be."""
        return len(self._seats)

    def free(self) -> int:
        """Workers that could take a file now."""
        return sum(seat.free for seat in self._seats)

    def spare(self) -> int:
        """Workers that could have a next file beside the one that they are at; none before all are up."""
        # Before that, a file had better wait for the worker that is being started than behind another file.
        return sum(self._may_have_next(seat) for seat in self._seats) if self.ready() == self.size else 0

    def begun(self) -> list[int]:
        """Files that workers went on to by themselves since the last call."""
        begun, self._begun = self._begun, []
        return begun

    def give_back(self) -> list[Returned]:
        """Files behind one that takes long, while another worker is free: that one is to have them."""
        # Taken from nobody unless somebody can have it at once: its place is already the best one.
        if not self.free():
            return []
        late = self._clock.monotonic() - _AHEAD_S
        stuck = [one for s in self._seats if s.ready and s.since < late for one in s.given[1:] if one.wanted]
        for one in stuck:
            # The packet cannot be recalled: the worker analyses it all the same, and its answer is dropped.
            one.wanted = False
        return [Returned(one.number) for one in stuck]

    def ready(self) -> int:
        """Workers that are up, busy or not."""
        return sum(seat.ready for seat in self._seats)

    def pids(self) -> tuple[int, ...]:
        """Process ids of all workers."""
        return tuple(seat.worker.pid for seat in self._seats if seat.worker is not None)

    def submit(self, job: Job, data: bytes, side: bytes | None) -> list[Lost | Returned]:
        """Give a file to a free worker, or else as the next one to a spare one; one of them there must be.

        What is lost or returned if that worker is gone already.
        """
        seat = next((s for s in self._seats if s.free), None)
        # The one that has been at its file for longest is likely done first.
        seat = seat or min((s for s in self._seats if self._may_have_next(s)), key=lambda s: s.since)
        assert seat.worker is not None
        configuration = b"" if seat.configuration == self._version else self._configuration
        # Two slots of shared memory a worker, so that the next file never overwrites the one at work.
        slot = 1 - seat.given[0].slot if seat.given else 0
        seat.given.append(_Given(job.number, slot, self._limit_s(job.data_bytes)))
        if len(seat.given) == 1:
            seat.since, seat.limit_s = self._clock.monotonic(), seat.given[0].limit_s
        try:
            job = msgspec.structs.replace(job, configuration_bytes=len(configuration), slot=slot)
            seat.worker.send(job, configuration, data, side)
        except ConnectionError:
            # It ended, and the file never reached it. How it ended is known when its end is heard, in a moment.
            seat.given.pop()
            seat.reachable = False
            # With a limit of its own: one that closed its end and stays would keep its place for good.
            if not seat.given:
                seat.limit_s = _END_S
            return [Returned(job.number)]
        except OSError as error:
            return self._kill(seat, Failure(Cause.DIED, f"the worker cannot be reached: {error.strerror}"))
        # Only now: where the send failed, the worker does not have it.
        seat.configuration = self._version
        return []

    def _may_have_next(self, seat: _WorkerSeat) -> bool:
        young = self._clock.monotonic() - seat.since < _AHEAD_S
        return seat.ready and seat.reachable and len(seat.given) == 1 and young

    def outcomes(self) -> list[Analysed | Lost | Returned]:
        """What became of files since the last call. Kills workers over their time, starts what is due."""
        found: list[Analysed | Lost | Returned] = []
        while self._events:
            event = self._events.popleft()
            # None for a worker that was disposed of: its last packets may come behind its end.
            seat = next((s for s in self._seats if s.worker is event.worker), None)
            if seat is not None:
                found += self._end(seat, event.code) if isinstance(event, Ended) else self._hear(seat, event)
        for seat in self._seats:
            found += self._kill_overdue(seat)
        # Last, as a worker that was just killed leaves a place.
        self._start_due()
        return found

    def next_deadline(self) -> float:
        """Monotonic time at which a worker must be killed or started."""
        return min([self._start_at, *(self._due(seat) for seat in self._seats)])

    def close(self) -> None:
        """End all workers: idle ones end by themselves, others are killed."""
        for seat in self._seats:
            if seat.worker is not None:
                # Busy or starting ones would not look at the socket for minutes.
                if seat.given or not seat.ready:
                    seat.worker.kill()
                seat.worker.finish()
        self._seats.clear()

    def _post(self, event: WorkerPacket | Ended) -> None:
        self._events.append(event)
        self._wake()

    def _hear(self, seat: _WorkerSeat, heard: WorkerPacket) -> Sequence[Analysed | Lost | Returned]:
        # A worker answers in order, so that anything but the first of its files is not an answer to trust.
        answer, at = heard.answer, seat.given[0] if seat.given else None
        if isinstance(answer, Ready) and not seat.ready:
            self._is_ready(seat, answer)
            return ()
        if at is not None and isinstance(answer, TooLarge) and answer.number == at.number:
            limit = f"{self._memory_mb:.0f} MB, the limit [worker] memory_mb"
            return self._kill(seat, Failure(Cause.MEMORY, f"the analysis needs more memory than {limit}"))
        if at is not None and isinstance(answer, JobDone) and answer.number == at.number:
            analysed = self._read_outcome(seat, answer, at.slot)
            if analysed is not None:
                seat.begin_next(self._clock.monotonic())
                self._begun += [one.number for one in seat.given[:1] if one.wanted]
                return (analysed,) if at.wanted else ()
        if seat.ready:
            return self._kill(seat, Failure(Cause.GARBLED, "the worker's answer was no record"))
        return ()  # from one that is being killed

    def _is_ready(self, seat: _WorkerSeat, answer: Ready) -> None:
        assert seat.worker is not None
        # One that came up shows that starts work again.
        seat.ready, self._pause = True, 0.0
        self._report("worker-ready", {"pid": seat.worker.pid, "memory_mb": answer.memory_mb})

    @staticmethod
    def _read_outcome(seat: _WorkerSeat, done: JobDone, slot: int) -> Analysed | None:
        """The outcome in a worker's answer, None where there is none in it."""
        assert seat.worker is not None
        try:
            result = seat.worker.result(done, slot)
        except OSError:
            return None
        body = decode_body(done.kind, done.body)
        if not isinstance(body, Measurement | Quarantine):
            return None
        # The pipe and the shared memory are two ways: what does not fit together is damage, not a result.
        if isinstance(body, Measurement) and body.result_sha256 != digest_of(result):
            return None
        return Analysed(done.number, body, result, done.seconds, done.failed_checks, done.mistake)

    def _due(self, seat: _WorkerSeat) -> float:
        idle = seat.worker is None or (seat.ready and seat.reachable and not seat.given)
        return float("inf") if idle else seat.since + seat.limit_s

    def _kill_overdue(self, seat: _WorkerSeat) -> Sequence[Lost | Returned]:
        if self._clock.monotonic() < self._due(seat) or self._events:
            return ()  # an answer that is there already counts, however late the loop looks
        if not seat.ready:
            # Its next start would hang as well, so that it counts as failed: no file is analysed meanwhile.
            return self._kill(seat, Failure(Cause.TIME, f"the worker is not ready after {seat.limit_s:g} s"))
        if not seat.given:
            return self._kill(
                seat, Failure(Cause.DIED, f"the worker takes no file, nor ends within {_END_S:g} s")
            )
        words = f"the analysis takes longer than {seat.limit_s:g} s, the limit by [worker] time_s"
        return self._kill(seat, Failure(Cause.TIME, words))

    def _kill(self, seat: _WorkerSeat, failure: Failure) -> list[Lost | Returned]:
        """Kill a worker; the attempt that it was at is lost, what waited behind it comes back."""
        assert seat.worker is not None
        seat.worker.kill()
        event = "worker-killed" if seat.ready else "worker-start-failed"
        self._report(event, {"pid": seat.worker.pid, "reason": failure.words})
        return self._leave(seat, failure)

    def _leave(self, seat: _WorkerSeat, failure: Failure) -> list[Lost | Returned]:
        given, seat.given = seat.given, []
        # One that never was ready would fail again at once; it is not looked at again before it has ended.
        if not seat.ready:
            self._pause = min(max(1.0, 2 * self._pause), _PAUSE_MAX_S)
        # Infinite: its end is expected from here on, and it is over no time limit.
        seat.ready, seat.reachable, seat.configuration, seat.since = False, True, 0, float("inf")
        lost = [Lost(one.number, failure) for one in given[:1] if one.wanted]
        return [*lost, *(Returned(one.number) for one in given[1:] if one.wanted)]

    def _end(self, seat: _WorkerSeat, code: int) -> list[Lost | Returned]:
        """A worker's end, expected or not."""
        assert seat.worker is not None
        how = f"by signal {_signal_name(-code)}" if code < 0 else f"with exit code {code}"
        expected, started = seat.since == float("inf"), seat.ready
        lost: list[Lost | Returned] = []
        if not expected:
            # A worker that never came up holds the line: no file can be analysed until one does.
            event = "worker-ended" if started else "worker-start-failed"
            self._report(event, {"pid": seat.worker.pid, "reason": f"the worker ended {how}"})
            lost = self._leave(seat, Failure(Cause.DIED, f"the worker ended {how}"))
        seat.worker.dispose()
        seat.worker = None
        # Always one more: a pool that shrinks with every crash would end with none.
        self._start_at = self._clock.monotonic() + self._pause
        return lost

    def _start_due(self) -> None:
        """Start one worker if its time has come; a start that fails is tried again after a growing pause."""
        if self._clock.monotonic() < self._start_at:
            return
        self._start_at = float("inf")
        seat = next((s for s in self._seats if s.worker is None), None)
        if seat is None:
            return
        seat.since, seat.limit_s = self._clock.monotonic(), _START_S
        try:
            seat.worker = WorkerProcess(self._memory_mb, self._post)
        except OSError as error:
            self._pause = min(max(1.0, 2 * self._pause), _PAUSE_MAX_S)
            self._start_at = seat.since + self._pause
            self._report("worker-start-failed", {"reason": str(error)})


def _signal_name(number: int) -> str:
    # Real-time signals between the first and the last have a number alone.
    return signal.Signals(number).name if number in set(signal.Signals) else str(number)

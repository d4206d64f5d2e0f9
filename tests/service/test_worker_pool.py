"""Which worker has which files: the next one beside the one that it is at, and what becomes of it."""

from __future__ import annotations

import signal
from types import SimpleNamespace

import pytest

from edgeagent.codec.records.record import encode_body
from edgeagent.model.records import Quarantine, Source
from edgeagent.service.workers import worker_pool as module
from edgeagent.service.workers.worker_messages import Job, JobDone, Ready
from edgeagent.service.workers.worker_pool import Analysed, Lost, Returned, WorkerPool
from edgeagent.service.workers.worker_process import Ended, WorkerPacket

SOURCE = Source(name="a", folder="inbox", sha256=None, bytes=1, look=(1, 1, 1, 1))
BODY = encode_body(Quarantine(source=SOURCE, error="X", reason="x", settled_at=0.0))


class Worker:
    """What the pool knows of a process: files that it was sent, and whether it was killed."""

    def __init__(self, _memory_mb, post):
        self.post, self.sent, self.killed, self.gone, self.pid = post, [], False, None, id(self)

    def send(self, job, _configuration, _data, _side):
        if self.gone is not None:
            raise self.gone
        self.sent.append((job.number, job.slot))

    def result(self, _done, _slot):
        return b""

    def kill(self):
        self.killed = True

    def finish(self):
        return None

    dispose = finish

    def answer(self, number):
        done = JobDone(number, "quarantine", BODY, 0, 0.01, None)
        self.post(WorkerPacket(self, done))


@pytest.fixture
def world(monkeypatch):
    """A pool of two workers that are up, and the clock."""
    workers, clock = [], SimpleNamespace(at=100.0)
    clock.monotonic = lambda: clock.at

    def begin(memory_mb, post):
        workers.append(Worker(memory_mb, post))
        return workers[-1]

    monkeypatch.setattr(module, "WorkerProcess", begin)
    quiet = {"wake": lambda: None, "report": lambda *_: None}
    pool = WorkerPool(clock, processes=2, memory_mb=100, limit_s=lambda _size: 15.0, **quiet)
    pool.start()
    for count in (1, 2):
        workers[-1].post(WorkerPacket(workers[-1], Ready(100.0)))
        pool.outcomes()
        assert pool.ready() == count
        pool.grow()
        pool.outcomes()
    return SimpleNamespace(pool=pool, first=workers[0], second=workers[1], clock=clock)


def give(world, *numbers):
    return [one for n in numbers for one in world.pool.submit(Job(n, "a", SOURCE, 0.0, 0, 1, None), b"x", None)]


def numbers(outcomes, kind):
    return [outcome.number for outcome in outcomes if isinstance(outcome, kind)]


def test_free_workers_come_first_and_each_then_has_a_next_file_in_another_slot(world):
    assert (world.pool.free(), world.pool.spare()) == (2, 0)
    give(world, 1, 2)
    assert (world.pool.free(), world.pool.spare()) == (0, 2)
    give(world, 3, 4)
    assert (world.pool.free(), world.pool.spare()) == (0, 0)
    assert {world.first.sent[0], world.second.sent[0]} == {(1, 0), (2, 0)}
    assert {slot for worker in (world.first, world.second) for _, slot in worker.sent[1:]} == {1}


def test_worker_goes_on_by_itself_and_its_next_file_s_time_begins_then(world):
    give(world, 1, 2, 3)
    world.clock.at += 14.0
    world.first.answer(1)
    assert numbers(world.pool.outcomes(), Analysed) == [1]
    assert world.pool.begun() == [3]
    world.second.answer(2)
    world.pool.outcomes()
    world.clock.at += 14.0
    assert world.pool.outcomes() == [], "14 s of its own, not 28"
    world.clock.at += 2.0
    assert numbers(world.pool.outcomes(), Lost) == [3]


def test_file_behind_one_that_takes_long_goes_to_the_worker_that_is_free_and_counts_once(world):
    give(world, 1, 2, 3)
    assert [n for n, _ in world.first.sent] == [1, 3]
    world.second.answer(2)
    world.pool.outcomes()
    assert world.pool.give_back() == [], "the first one is not late yet"
    world.clock.at += 1.0
    assert numbers(world.pool.give_back(), Returned) == [3]
    assert world.pool.give_back() == []
    give(world, 3)
    assert [n for n, _ in world.second.sent] == [2, 3]
    world.second.answer(3)
    assert numbers(world.pool.outcomes(), Analysed) == [3]
    world.first.answer(1)
    world.first.answer(3)
    assert numbers(world.pool.outcomes(), Analysed) == [1], "the answer that nobody waits for any more"
    assert world.pool.begun() == []
    assert world.pool.free() == 2


def test_nothing_is_put_behind_a_file_that_takes_long_already(world):
    give(world, 1, 2)
    world.clock.at += 1.0
    assert world.pool.spare() == 0


@pytest.mark.parametrize("how", ["killed over its time", "ended by itself"])
def test_file_behind_one_that_takes_its_worker_along_comes_back_untouched(world, how):
    give(world, 1, 2, 3)
    world.second.answer(2)
    world.pool.outcomes()
    if how == "ended by itself":
        world.first.post(Ended(world.first, -9))
    else:
        world.clock.at += 16.0
    found = world.pool.outcomes()
    assert (numbers(found, Lost), numbers(found, Returned)) == ([1], [3])


def test_worker_that_takes_no_more_files_is_killed_and_loses_the_one_that_it_was_at(world):
    give(world, 1, 2)
    world.first.gone = BlockingIOError(11, "Resource temporarily unavailable")
    found = give(world, 3)
    assert (numbers(found, Lost), numbers(found, Returned)) == ([1], [3])
    assert world.first.killed


def test_file_given_to_a_worker_that_has_just_ended_loses_no_attempt_and_how_it_ended_is_said(world):
    give(world, 1, 2)
    world.second.answer(2)
    world.pool.outcomes()
    world.first.gone = world.second.gone = BrokenPipeError(32, "Broken pipe")
    assert numbers(give(world, 3), Returned) == [3], "the free one"
    assert numbers(give(world, 4), Returned) == [4], "behind the first file"
    assert (world.pool.free(), world.pool.spare()) == (0, 0)
    assert not world.first.killed
    for worker in (world.first, world.second):
        worker.post(Ended(worker, -6))
    (lost,) = world.pool.outcomes()
    assert (lost.number, lost.failure.words) == (1, "the worker ended by signal SIGABRT")
    assert world.pool.ready() == 0


def test_worker_that_takes_no_file_and_does_not_end_is_killed_and_its_place_is_free_again(world):
    give(world, 1, 2)
    world.second.answer(2)
    world.pool.outcomes()
    world.first.gone = world.second.gone = BrokenPipeError(32, "Broken pipe")
    assert numbers(give(world, 3, 4), Returned) == [3, 4]
    world.clock.at += module._END_S - 1
    assert world.pool.outcomes() == []
    assert world.pool.next_deadline() == world.clock.at + 1, "an idle one, too"
    world.clock.at += 1
    assert world.pool.outcomes() == []
    assert (world.first.killed, world.second.killed) == (False, True), "the first is at a file, with its limit"
    world.second.post(Ended(world.second, -9))
    world.pool.outcomes()
    assert world.pool.next_deadline() < float("inf")


def test_worker_that_is_idle_and_well_is_left_alone_however_long(world):
    give(world, 1)
    world.first.answer(1)
    world.pool.outcomes()
    world.clock.at += 100_000
    assert (world.pool.outcomes(), world.pool.free()) == ([], 2)


def test_worker_that_hangs_at_its_start_is_reported_as_a_start_that_failed(world):
    reports = []
    world.pool._report = lambda event, details: reports.append((event, details["reason"]))
    world.second.post(Ended(world.second, -9))
    world.pool.outcomes()
    world.pool.outcomes()
    world.clock.at += module._START_S + 1
    world.pool.outcomes()
    assert reports == [
        ("worker-ended", "the worker ended by signal SIGKILL"),
        ("worker-start-failed", "the worker is not ready after 60 s"),
    ]
    assert world.pool.ready() == 1


def test_end_by_a_signal_without_a_name_is_an_end_like_any_other(world):
    give(world, 1)
    world.first.post(Ended(world.first, -(signal.SIGRTMIN + 1)))
    (lost,) = world.pool.outcomes()
    assert lost.failure.words == f"the worker ended by signal {signal.SIGRTMIN + 1}"

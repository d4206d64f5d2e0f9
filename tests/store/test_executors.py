"""Chunks come back in their order, whoever computes them, and an error comes back as itself."""

from __future__ import annotations

import operator

import pytest

from edgeagent.store.replaying.executors import LocalExecutor, in_order

WORK = [(f"beside {n}", n if n % 3 else None) for n in range(20)]


@pytest.mark.parametrize("jobs", [1, 2])
def test_results_come_in_order_with_what_stood_beside_them(jobs):
    with LocalExecutor(jobs) as executor:
        assert list(in_order(executor, operator.neg, WORK)) == [
            (beside, None if chunk is None else -chunk) for beside, chunk in WORK
        ]


def test_no_more_chunks_wait_than_the_executor_asks_for():
    read = []

    def work():
        for n in range(100):
            read.append(n)
            yield n, n

    with LocalExecutor(1) as executor:
        next(in_order(executor, operator.neg, work()))
    assert read == [0]


def test_first_chunk_starts_no_process():
    with LocalExecutor(4) as executor:
        assert list(in_order(executor, operator.neg, [(None, 1)])) == [(None, -1)]
        assert executor._threads is None

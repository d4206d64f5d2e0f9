"""A process that computes for us: killed, it costs nothing but its chunk; what it raises is raised here."""

from __future__ import annotations

import operator
import os
import signal
from pathlib import Path

import pytest

from edgeagent.errors import AgentError
from edgeagent.store.replaying.computing_process import ComputingProcess


@pytest.fixture
def process():
    found = ComputingProcess()
    yield found
    found.end()


def test_killed_process_costs_nothing_but_its_chunk(process):
    killed = process.compute(operator.call, os.getpid)
    os.kill(killed, signal.SIGKILL)
    assert process.compute(operator.neg, 2) == -2
    assert process.compute(operator.call, os.getpid) != killed


def test_chunk_that_ends_its_process_every_time_is_told(process):
    with pytest.raises(AgentError, match="ended 2 times at the same files"):
        process.compute(os._exit, 3)


def test_mistake_in_a_chunk_is_raised_with_its_place(process):
    with pytest.raises(RuntimeError, match=r"FileNotFoundError.*nowhere"):
        process.compute(os.listdir, Path("/nowhere"))

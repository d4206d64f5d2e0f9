"""In which order files are recorded, and what workers get while none is free."""

from __future__ import annotations

from concurrent.futures import Future
from types import SimpleNamespace

import pytest

from edgeagent.errors import TraceFormatError
from edgeagent.service.workers.files_at_work import PATIENCE_S, FilesAtWork, Work

NOW = 100.0


@pytest.fixture
def files():
    clock = SimpleNamespace(monotonic=lambda: NOW)
    made = FilesAtWork(*[SimpleNamespace()] * 4, clock, SimpleNamespace(), lambda: None)
    yield made
    made._archivist.shutdown()


def work(number, age_s, *, analysed, stored=True):
    outcome = TraceFormatError("any outcome") if analysed else None
    made = Work(number, SimpleNamespace(), SimpleNamespace(), b"", NOW - age_s, outcome)
    archived = Future()
    if stored:
        archived.set_result([])
    made.stored.append(archived)
    return made


def next_number(files, *works):
    files._works = list(works)
    found = files.recordable()
    return None if found is None else found.number


def test_files_are_recorded_in_the_order_of_taking(files):
    young, done = work(1, PATIENCE_S / 2, analysed=False), work(2, 0.0, analysed=True)
    assert next_number(files, work(1, 0.0, analysed=True), done) == 1
    assert next_number(files, young, done) is None


def test_file_whose_analysis_takes_long_is_passed_by(files):
    long, done = work(1, 2 * PATIENCE_S, analysed=False), work(2, 0.0, analysed=True)
    assert next_number(files, long, done) == 2
    assert next_number(files, long, work(2, 0.0, analysed=False), work(3, 0.0, analysed=True)) is None


def test_file_that_waits_for_the_disk_keeps_its_place_however_long_that_takes(files):
    waits, done = work(1, 60 * PATIENCE_S, analysed=True, stored=False), work(2, 0.0, analysed=True)
    assert next_number(files, waits, done) is None
    waits.stored[0].set_result([])
    assert next_number(files, waits, done) == 1

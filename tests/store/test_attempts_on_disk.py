"""Marks of files on their way: what an agent that was killed leaves to the next one."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from edgeagent.errors import JournalWriteError
from edgeagent.rules.files.attempts import Cause, Failure
from edgeagent.rules.files.settling import Look
from edgeagent.store.attempts import Attempts

LOOK = Look(10, 20, 30, 40)
ANOTHER = Look(11, 21, 31, 40)
LOST = Failure(Cause.MEMORY, "too much")


def opened(path: Path) -> Attempts:
    attempts = Attempts(path)
    attempts.open()
    return attempts


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "state" / "attempts.json"


def causes(attempts: Attempts, look: Look = LOOK) -> list[Cause]:
    return [failure.cause for failure in attempts.failures("inbox", "a.txt", look)]


def test_mark_survives_the_kill_of_the_process_that_made_it(path):
    script = (
        "import os, signal, sys; from pathlib import Path\n"
        "from edgeagent.rules.files.settling import Look; from edgeagent.store.attempts import Attempts\n"
        "attempts = Attempts(Path(sys.argv[1])); attempts.open()\n"
        "attempts.reading('inbox', 'a.txt', Look(10, 20, 30, 40)); os.kill(os.getpid(), signal.SIGKILL)"
    )
    ran = subprocess.run([sys.executable, "-c", script, os.fspath(path)], check=False)
    assert ran.returncode == -signal.SIGKILL
    assert causes(opened(path)) == [Cause.READING]


def test_file_that_a_worker_had_is_known_as_interrupted(path):
    attempts = opened(path)
    attempts.reading("inbox", "a.txt", LOOK)
    attempts.analysing("inbox", "a.txt", LOOK)
    assert causes(opened(path)) == [Cause.INTERRUPTED]


def test_each_start_counts_an_interruption_once(path):
    opened(path).reading("inbox", "a.txt", LOOK)
    opened(path)
    again = opened(path)
    assert causes(again) == [Cause.READING]
    again.reading("inbox", "a.txt", LOOK)
    assert causes(opened(path)) == [Cause.READING, Cause.READING]


def test_file_that_is_on_record_or_postponed_leaves_nothing(path):
    attempts = opened(path)
    attempts.reading("inbox", "a.txt", LOOK)
    attempts.done("inbox", "a.txt")
    attempts.reading("inbox", "b.txt", LOOK)
    attempts.postponed("inbox", "b.txt", LOOK)
    again = opened(path)
    assert causes(again) == []
    assert again.failures("inbox", "b.txt", LOOK) == ()


def test_failure_stays_while_another_attempt_is_postponed(path):
    attempts = opened(path)
    assert attempts.failed("inbox", "a.txt", LOOK, LOST) == (LOST,)
    attempts.reading("inbox", "a.txt", LOOK)
    attempts.postponed("inbox", "a.txt", LOOK)
    assert opened(path).failures("inbox", "a.txt", LOOK) == (LOST,)


def test_file_that_was_changed_begins_anew(path):
    opened(path).failed("inbox", "a.txt", LOOK, LOST)
    assert causes(opened(path), ANOTHER) == []


@pytest.mark.parametrize("cut", range(0, 400, 7))
def test_marks_cut_or_overwritten_anywhere_never_stop_a_start(path, cut):
    attempts = opened(path)
    for name in ("a.txt", "b.txt"):
        attempts.failed("inbox", name, LOOK, LOST)
    whole = path.read_bytes()
    path.write_bytes(whole[:cut])
    opened(path)
    path.write_bytes(whole[:cut] + b"\xff" + whole[cut + 1 :])
    opened(path)


def test_shorter_list_leaves_nothing_of_a_longer_one_behind(path):
    attempts = opened(path)
    for number in range(30):
        attempts.reading("inbox", f"{number}.txt", LOOK)
    for number in range(29):
        attempts.done("inbox", f"{number}.txt")
    again = opened(path)
    assert [again.failures("inbox", f"{n}.txt", LOOK) != () for n in range(30)] == [False] * 29 + [True]


def test_marks_of_files_that_were_taken_away_do_not_pile_up(path):
    attempts = opened(path)
    for number in range(1000):
        attempts.reading("inbox", f"{number}.txt", LOOK)
    assert path.stat().st_size < 64_000
    assert opened(path).failures("inbox", "999.txt", LOOK) != ()


def test_disk_that_takes_no_mark_is_an_error_of_the_store(tmp_path):
    (tmp_path / "state").write_text("a file where the folder should be")
    with pytest.raises(JournalWriteError):
        Attempts(tmp_path / "state" / "attempts.json").open()

"""Progress on a terminal: what it says, where it is silent, and that it leaves nothing behind."""

from __future__ import annotations

import io
import sys
import time
import traceback

import pytest

from edgeagent.commands.shared_progress import duration_words, progress_words, show_progress
from edgeagent.errors import InputError


class Screen(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture
def seconds(monkeypatch):
    """A clock that goes on by hand."""
    now = [0.0]
    monkeypatch.setattr(time, "monotonic", lambda: now[0])
    return now


def terminal(monkeypatch) -> Screen:
    """A terminal as stderr; inside the test, since the capture puts its own there before each phase."""
    out = Screen()
    monkeypatch.setattr(sys, "stderr", out)
    return out


def test_long_work_says_how_many_how_fast_and_how_long_it_still_takes(seconds, monkeypatch):
    screen = terminal(monkeypatch)

    def work():
        for _ in range(30):
            seconds[0] += 1.0
            yield 1

    assert sum(show_progress(work(), "records", 30)) == 30
    shown = screen.getvalue().split("\r\x1b[2K")
    assert "records: 10 of 30 (33 %), 1.0 a second, 20 s left" in shown
    assert shown[-1] == "", "the line is gone when the work is done"


def test_work_of_less_than_a_second_shows_nothing(seconds, monkeypatch):
    screen = terminal(monkeypatch)
    for _ in show_progress(range(10), "files"):
        seconds[0] += 0.09
    assert screen.getvalue() == ""


def test_a_script_that_reads_stderr_finds_nothing_there(seconds, capsys):
    for _ in show_progress(range(10), "files"):
        seconds[0] += 10.0
    assert capsys.readouterr().err == ""


def test_an_error_in_the_middle_finds_a_clean_line(seconds, monkeypatch):
    screen = terminal(monkeypatch)
    try:
        for _ in show_progress(range(10), "files"):
            seconds[0] += 2.0
            if seconds[0] > 5.0:
                raise InputError("damaged")
    except InputError as error:
        traceback.clear_frames(error.__traceback__)
    assert "files: 1 of 10" in screen.getvalue()
    assert screen.getvalue().endswith("\r\x1b[2K")


@pytest.mark.parametrize(
    ("done", "total", "elapsed_s", "words"),
    [
        (0, 12, 5.0, "files: 0 of 12"),
        (0, None, 5.0, "files: 0"),
        (1200, 45000, 4.0, "files: 1,200 of 45,000 (2 %), 300 a second, 2 min 20 s left"),
        (2, 5, 40.0, "files: 2 of 5 (40 %), 20 s each, 1 min 0 s left"),
        (7, 5, 7.0, "files: 7 of 7 (100 %), 1.0 a second, 0 s left"),
        (50, None, 10.0, "files: 50, 5.0 a second"),
    ],
)
def test_progress_words(done, total, elapsed_s, words):
    assert progress_words("files", done, total, elapsed_s) == words


def test_time_left_is_as_coarse_as_an_estimate():
    words = [duration_words(s) for s in (0.4, 59, 65, 700, 11_115)]
    assert words == ["0 s", "59 s", "1 min 0 s", "11 min", "3 h 5 min"]

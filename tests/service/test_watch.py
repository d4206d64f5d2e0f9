"""The watch dies in every way that folders and threads can die; files are found all the same."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from field import wait_until

from edgeagent.codec.configuration.settings import IntakeSettings as Settings
from edgeagent.judging.evaluation.found_file import FoundFile
from edgeagent.service.folders import watch as watch_module
from edgeagent.service.folders.watch import FolderWatch, Hint
from edgeagent.service.intake import Intake
from edgeagent.service.mailbox import Mailbox
from edgeagent.store.clock import SystemClock

PATIENCE_S = 15.0
SETTLE_S = 600.0
"""So long that only a hint can bring a file in time: a rename that the watch saw settles at once."""


class Watcher:
    """An intake turned as the service loop turns it, scanning often and settling by hints alone."""

    def __init__(self, base: Path, *, folder: str = "inbox", **given: Any) -> None:
        self.inbox = base / folder
        self.inbox.mkdir(exist_ok=True)
        self.events: list[tuple[str, dict[str, Any]]] = []
        self.found: list[FoundFile] = []
        self._mailbox = Mailbox()
        self.intake = Intake(
            Settings(**{"folders": (folder,), "settle_s": SETTLE_S, "scan_s": 0.1, **given}),
            base,
            SystemClock(),
            self._mailbox.hint,
            lambda event, details: self.events.append((event, details)),
        )

    def turn(self) -> None:
        self.intake.hinted(self._mailbox.hints())
        self.intake.scan_if_due()
        file = self.intake.take()
        if file is None:
            self._mailbox.wait(0.01)
        else:
            self.found.append(file)
            self.intake.finished(file)

    def until(self, true: Callable[[], Any]) -> None:
        limit = time.monotonic() + PATIENCE_S
        while not true():
            assert time.monotonic() < limit, f"found {self.names()}, events {self.events}"
            self.turn()

    def names(self) -> list[str]:
        return [file.name for file in self.found]

    def told(self, event: str) -> list[dict[str, Any]]:
        return [details for name, details in self.events if name == event]

    def finds(self, name: str, times: int = 1) -> None:
        """A file that is renamed inside the folder comes, which with this settling time needs a live watch."""
        self.until(kernel_watches)  # a rename before that is no rename for anybody
        partial = self.inbox / f"{name}.part"
        partial.write_bytes(name.encode())
        partial.rename(self.inbox / name)
        self.until(lambda: self.names().count(name) >= times)


def kernel_watches() -> bool:
    """Whether this process has an inotify watch in place: a thread that is alive may not have it yet."""
    for number in os.listdir("/proc/self/fdinfo"):
        with contextlib.suppress(OSError):
            if "inotify wd" in Path("/proc/self/fdinfo", number).read_text():
                return True
    return False


@pytest.fixture
def watcher(tmp_path) -> Iterator[Watcher]:
    made = Watcher(tmp_path)
    try:
        made.turn()
        made.finds("before.txt")
        yield made
    finally:
        made.intake.close()


def watching() -> list[threading.Thread]:
    """The live threads of watches."""
    return [t for t in threading.enumerate() if t.name.startswith("watch-") and t.is_alive()]


def test_folder_deleted_and_made_again_between_two_scans_is_watched_again(watcher):
    shutil.rmtree(watcher.inbox)
    watcher.inbox.mkdir()
    watcher.until(lambda: watcher.told("watch-rebuilt"))
    watcher.finds("after.txt")
    assert watcher.told("source-unavailable") == []
    assert watcher.names() == ["before.txt", "after.txt"]


def test_folder_gone_for_a_while_is_unavailable_once_and_comes_back_by_itself(watcher):
    shutil.rmtree(watcher.inbox)
    watcher.until(watcher.intake.unavailable)
    for _ in range(40):
        watcher.turn()
    (lost,) = watcher.told("source-unavailable")
    assert lost["folder"] == "inbox"
    assert "No such file" in lost["reason"]
    watcher.inbox.mkdir()
    watcher.until(lambda: not watcher.intake.unavailable())
    watcher.finds("after.txt")
    assert len(watcher.told("source-available")) == 1


def test_folder_renamed_away_and_replaced_is_told_from_the_old_one(watcher, tmp_path):
    old = tmp_path / "old"
    watcher.inbox.rename(old)
    watcher.inbox.mkdir()
    watcher.until(lambda: watcher.told("watch-rebuilt"))
    assert "exchanged" in watcher.told("watch-rebuilt")[0]["reason"]
    (old / "stray.part").write_bytes(b"in the old folder")
    (old / "stray.part").rename(old / "stray.txt")
    watcher.finds("after.txt")
    assert watcher.names() == ["before.txt", "after.txt"]


def test_folder_renamed_away_and_brought_back_hands_nothing_out_twice(watcher, tmp_path):
    watcher.inbox.rename(tmp_path / "away")
    watcher.until(watcher.intake.unavailable)
    (tmp_path / "away").rename(watcher.inbox)
    watcher.until(lambda: not watcher.intake.unavailable())
    watcher.finds("after.txt")
    assert watcher.names() == ["before.txt", "after.txt"]


def test_file_replaced_while_its_folder_was_away_is_a_new_one(watcher, tmp_path):
    watcher.inbox.rename(tmp_path / "away")
    watcher.until(watcher.intake.unavailable)
    watcher.inbox.mkdir()
    watcher.until(lambda: not watcher.intake.unavailable())
    watcher.finds("before.txt", times=2)
    assert watcher.names() == ["before.txt", "before.txt"]


@pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
def test_dead_watching_thread_is_replaced(watcher, monkeypatch):
    (thread,) = watching()

    def dies(_event: Any) -> None:
        raise RuntimeError("a mistake in a handler")

    monkeypatch.setattr(thread, "handle_event", dies)
    (watcher.inbox / "trigger.part").write_bytes(b"")
    thread.join(5)
    assert not thread.is_alive()
    watcher.until(lambda: watcher.told("watch-rebuilt"))
    assert "thread died" in watcher.told("watch-rebuilt")[0]["reason"]
    watcher.finds("after.txt")
    assert len(watching()) == 1


def test_close_ends_every_thread_of_the_watch(watcher):
    before = len(os.listdir("/proc/self/fd"))
    watcher.intake.close()
    wait_until(lambda: not watching(), 5)
    assert len(os.listdir("/proc/self/fd")) == before - 3, "the kernel has its watch back"


def test_many_writes_give_one_hint_and_the_close_another(tmp_path):
    hints: list[Hint] = []
    watch = FolderWatch(tmp_path, "inbox", hints.append, native=True)
    info = os.stat(tmp_path)
    try:
        watch.ensure((info.st_dev, info.st_ino))
        with (tmp_path / "a.txt").open("wb", buffering=0) as file:
            file.write(b"1")
            wait_until(lambda: any(h.writing for h in hints), 5)
            for _ in range(50):
                file.write(b"1")
        wait_until(lambda: any(h.closed for h in hints), 5)
    finally:
        watch.stop()
    kinds = [(h.created, h.writing, h.closed) for h in hints]
    assert kinds == [(True, False, False), (False, True, False), (False, False, True)]


def test_reading_a_file_gives_no_hint(tmp_path):
    (tmp_path / "a.txt").write_bytes(b"1")
    hints: list[Hint] = []
    watch = FolderWatch(tmp_path, "inbox", hints.append, native=True)
    info = os.stat(tmp_path)
    try:
        watch.ensure((info.st_dev, info.st_ino))
        (tmp_path / "a.txt").read_bytes()
        os.listdir(tmp_path)
        (tmp_path / "last.txt").write_bytes(b"1")
        wait_until(lambda: any(h.name == "last.txt" and h.closed for h in hints), 5)
    finally:
        watch.stop()
    assert {h.name for h in hints} == {"last.txt"}


@pytest.mark.parametrize("number", [errno.EMFILE, errno.ENOSPC])
def test_limit_of_the_system_falls_back_to_listing_and_recovers(tmp_path, monkeypatch, number):
    real, shut = watch_module.FolderEvents, [True]

    def limited(folder: Path, take: Any) -> Any:
        if shut:
            raise OSError(number, os.strerror(number))
        return real(folder, take)

    monkeypatch.setattr(watch_module, "FolderEvents", limited)
    made = Watcher(tmp_path, settle_s=0.2)
    try:
        (made.inbox / "a.txt").write_bytes(b"1")
        made.until(lambda: made.found)
        (told,) = made.told("watch-impossible")
        assert os.strerror(number) in told["reason"]
        shut.clear()
        made.until(lambda: made.told("watch-rebuilt"))
        assert len(watching()) == 1
    finally:
        made.intake.close()


def test_file_in_a_folder_below_gives_no_hint(tmp_path):
    (tmp_path / "below").mkdir()
    hints: list[Hint] = []
    watch = FolderWatch(tmp_path, "inbox", hints.append, native=True)
    info = os.stat(tmp_path)
    try:
        assert watch.ensure((info.st_dev, info.st_ino)) is None
        (tmp_path / "below" / "deep.txt").write_bytes(b"1")
        (tmp_path / "flat.txt").write_bytes(b"1")
        wait_until(lambda: any(h.name == "flat.txt" and h.closed for h in hints), 5)
    finally:
        watch.stop()
    assert {h.name for h in hints} == {"flat.txt"}


def test_polling_makes_no_watch(tmp_path):
    watch = FolderWatch(tmp_path, "inbox", lambda _hint: None, native=False)
    info = os.stat(tmp_path)
    assert watch.ensure((info.st_dev, info.st_ino)) is None
    assert not watch.hints
    assert watching() == []


@pytest.mark.needs_mosquitto
def test_missing_folder_shows_fault_and_alarm_and_its_return_clears(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.begin_agent({"intake.scan_s": 0.2})
    agent.drop("first.txt", circle_text("1"))
    line.wait_topic("disposition")
    line.wait_lamp("0")
    shutil.rmtree(agent.inbox)
    line.wait_lamp("3")
    (alarm, *_) = line.wait_topic("alarm")
    assert alarm.json["alarm"] == "source-unavailable"
    assert "inbox" in alarm.json["reason"]
    agent.inbox.mkdir()
    line.wait_lamp("0")
    agent.drop("second.txt", circle_text("2", seed=2))
    line.wait_topic("disposition", 2)
    assert [r["body"]["serial"] for r in agent.records("disposition")] == ["1", "2"]
    told = [r["body"]["what"] for r in agent.records("recovery")]
    assert told == ["source-unavailable", "source-available"]


@pytest.mark.needs_mosquitto
def test_folder_missing_at_the_start_shows_fault_until_it_is_there(cell, circle_text):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.agent({"intake.scan_s": 0.2})
    agent.inbox.rmdir()
    agent.start()
    line.wait_lamp("3")
    assert line.wait_topic("alarm")[0].json["alarm"] == "source-unavailable"
    agent.inbox.mkdir()
    agent.drop("first.txt", circle_text("1"))
    line.wait_topic("disposition")
    line.wait_lamp("0")

"""A share that hangs: the loop goes on, the lamp shows fault, and the share's return ends it."""

from __future__ import annotations

import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from field import wait_until
from test_watch import Watcher

from edgeagent.service.folders import disk, hands
from edgeagent.store.verify import verify_journal

ANSWER_S = 0.3


class Gate:
    """What a patched system call waits at while it is shut."""

    def __init__(self) -> None:
        self.open = threading.Event()
        self.open.set()
        self.waiting = 0

    def around(self, call: Callable[..., Any]) -> Callable[..., Any]:
        def through(*given: Any, **named: Any) -> Any:
            self.waiting += 1
            try:
                assert self.open.wait(60), "nobody opened the gate"
            finally:
                self.waiting -= 1
            return call(*given, **named)

        return through


@contextmanager
def watcher_at(tmp_path: Path, gate: Gate, **given: Any) -> Iterator[Watcher]:
    made = Watcher(tmp_path, settle_s=0.05, answer_s=ANSWER_S, **given)
    try:
        (made.inbox / "before.txt").write_bytes(b"1")
        made.until(lambda: made.found)
        yield made
    finally:
        gate.open.set()
        made.intake.close()


def folder_threads() -> list[threading.Thread]:
    return [t for t in threading.enumerate() if t.name.startswith("folder-")]


@pytest.mark.parametrize("observer", ["native", "polling"])
def test_listing_that_hangs_is_a_fault_and_holds_nobody_up(tmp_path, monkeypatch, observer):
    gate = Gate()
    monkeypatch.setattr(hands, "list_folder", gate.around(hands.list_folder))
    with watcher_at(tmp_path, gate, observer=observer) as watcher:
        gate.open.clear()
        wait_until(lambda: gate.waiting or watcher.turn())
        watcher.until(watcher.intake.unavailable)
        (lost,) = watcher.told("source-unavailable")
        assert "does not answer for 0.3 s" in lost["reason"]
        assert gate.waiting >= 1, "every turn came back although the listing did not"
        # However long it hangs, no more than two threads wait for it.
        watcher.until(lambda: gate.waiting == 2)
        until = time.monotonic() + 5 * ANSWER_S
        while time.monotonic() < until:
            watcher.turn()
            assert len(folder_threads()) <= 2
        (watcher.inbox / "meanwhile.txt").write_bytes(b"2")
        assert watcher.names() == ["before.txt"]
        gate.open.set()
        watcher.until(lambda: not watcher.intake.unavailable())
        watcher.until(lambda: "meanwhile.txt" in watcher.names())
        assert watcher.names() == ["before.txt", "meanwhile.txt"]
        assert len(watcher.told("source-unavailable")) == len(watcher.told("source-available")) == 1
        wait_until(lambda: len(folder_threads()) == 1)


def test_reading_that_hangs_is_a_fault_and_the_file_is_read_when_it_is_over(tmp_path, monkeypatch):
    gate = Gate()
    monkeypatch.setattr(disk, "_read_pieces", gate.around(disk._read_pieces))
    with watcher_at(tmp_path, gate) as watcher:
        gate.open.clear()
        (watcher.inbox / "a.txt").write_bytes(b"2")
        watcher.until(watcher.intake.unavailable)
        gate.open.set()
        watcher.until(lambda: "a.txt" in watcher.names())
        assert watcher.names() == ["before.txt", "a.txt"]


def test_slow_share_that_goes_on_is_no_fault(tmp_path, monkeypatch):
    real, pieces = os.read, []

    def slow(fd: int, size: int) -> bytes:
        if os.readlink(f"/proc/self/fd/{fd}").endswith("large.txt"):
            time.sleep(ANSWER_S / 3)  # each piece in time, all of them not
            pieces.append(size)
            return real(fd, min(size, 1000))
        return real(fd, size)

    gate = Gate()
    with watcher_at(tmp_path, gate) as watcher:
        monkeypatch.setattr(os, "read", slow)
        (watcher.inbox / "large.txt").write_bytes(b"x" * 8000)
        watcher.until(lambda: "large.txt" in watcher.names())
        assert len(pieces) >= 8
        assert watcher.told("source-unavailable") == []


def test_hanging_folder_does_not_hold_up_another_one(tmp_path, monkeypatch):
    gate = Gate()
    monkeypatch.setattr(hands, "list_folder", gate.around(hands.list_folder))
    with watcher_at(tmp_path, gate) as watcher:
        other = Watcher(tmp_path, folder="other", settle_s=0.05, answer_s=ANSWER_S)
        try:
            gate.open.clear()
            watcher.until(watcher.intake.unavailable)
            gate.open.set()
            (other.inbox / "b.txt").write_bytes(b"1")
            other.until(lambda: other.found)
        finally:
            other.intake.close()


def test_folder_that_hangs_at_the_start_delays_it_for_no_longer_than_its_answer(tmp_path, monkeypatch):
    gate = Gate()
    monkeypatch.setattr(hands, "_names", gate.around(hands._names))
    gate.open.clear()
    made = Watcher(tmp_path, answer_s=ANSWER_S)
    try:
        assert made.intake.present() == {"inbox": frozenset()}
        made.until(made.intake.unavailable)
    finally:
        gate.open.set()
        made.intake.close()


# --- real ones -----------------------------------------------------------------------------------------------


@contextmanager
def fuse_share(share: Path, place: Path) -> Iterator[int]:
    """``share`` shown at ``place`` by a FUSE process; its process id, for signals."""
    if not os.access("/dev/fuse", os.R_OK | os.W_OK):
        pytest.skip("/dev/fuse is missing or not allowed")
    for folder in (share, place):
        folder.mkdir(parents=True, exist_ok=True)
    made = subprocess.Popen(["bindfs", "-f", share, place], stderr=subprocess.PIPE)
    try:
        wait_until(lambda: os.path.ismount(place) or made.poll() is not None)
        if made.poll() is not None:
            pytest.skip(f"no FUSE here: {made.stderr.read().decode(errors='replace').strip()}")
        yield made.pid
    finally:
        made.send_signal(signal.SIGCONT)
        subprocess.run(["umount", "-l", os.fspath(place)], capture_output=True, check=False)
        made.kill()
        made.wait()
        made.stderr.close()


@pytest.mark.needs_mosquitto
@pytest.mark.needs_bindfs
@pytest.mark.needs_mount
def test_heart_beats_on_and_the_lamp_shows_fault_while_a_real_share_hangs(cell, circle_text, tmp_path):
    cell.begin_broker()
    line = cell.begin_listener()
    agent = cell.agent({"intake.observer": "native", "intake.answer_s": 1.0})
    with fuse_share(tmp_path / "share", agent.inbox) as pid:
        agent.start()
        (told,) = agent.wait_event("watch-impossible")
        assert "network share" in told["reason"]
        (tmp_path / "share" / "first.txt").write_text(circle_text("1"))
        line.wait_topic("disposition")
        line.wait_lamp("0")
        os.kill(pid, signal.SIGSTOP)
        line.wait_lamp("3")
        stopped = time.monotonic()
        line.wait(lambda x: sum(m.at > stopped for m in x.messages("heartbeat")) >= 5)
        assert "does not answer" in agent.events("source-unavailable")[0]["reason"]
        (tmp_path / "share" / "second.txt").write_text(circle_text("2", seed=2))
        os.kill(pid, signal.SIGCONT)
        line.wait_topic("disposition", 2)
        line.wait_lamp("0")
        assert [r["body"]["serial"] for r in agent.records("disposition")] == ["1", "2"]
        os.kill(pid, signal.SIGSTOP)
        line.wait_lamp("3")
        assert agent.terminate() == 0, "a share that hangs must not keep the agent from stopping"
    verify_journal(agent.store)

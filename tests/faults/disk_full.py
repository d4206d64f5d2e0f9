"""The disk below the store runs full: nothing that is not durable is told, and room alone heals it.

Run as root: python tests/faults/disk_full.py   (needs Mosquitto; mounts small disks in memory)
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from functools import partial
from pathlib import Path

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parent.parent),
    str(Path(__file__).parent.parent.parent),
]
from field import Agent, Broker, Listener, wait_until
from kill_anywhere import text_of

from edgeagent.errors import JournalTornTailError, JournalWriteError
from edgeagent.model.records import Recovery
from edgeagent.store.clock import SystemClock
from edgeagent.store.journal import JournalReader, JournalWriter
from edgeagent.store.verify import verify_journal

FILES_MAX = 400
"""More than any of these disks can hold."""
IN_FLIGHT = 5
"""Files that wait or are at work when the disk runs full; all of them are measured again when there is room."""


def mount(*words: object) -> None:
    """Mount, or raise PermissionError with the reason."""
    made = subprocess.run(["mount", *map(str, words)], capture_output=True, text=True)
    if made.returncode != 0:
        raise PermissionError(made.stderr.strip())


def take_off(folder: Path) -> None:
    """Unmount, even where a process that is about to end still has a file open."""
    subprocess.run(["umount", "-l", folder], check=True)


@contextmanager
def small_disk(folder: Path, kib: int) -> Iterator[Path]:
    """A disk of so many KiB in ``folder`` until the block ends. Raises PermissionError where denied.

    Gives the mounted folder that ``enlarge`` makes larger.
    """
    folder.mkdir(parents=True, exist_ok=True)
    mount("-t", "tmpfs", "-o", f"size={kib}k", "small", folder)
    try:
        yield folder
    finally:
        take_off(folder)


@contextmanager
def overcommitted_disk(folder: Path, kib: int) -> Iterator[Path]:
    """A disk that promises more room than lies below it, as thin volumes do.

    Writes beyond ``kib`` succeed, their sync fails, and the file goes on showing what the disk never got.
    """
    folder.mkdir(parents=True, exist_ok=True)
    below = folder.parent / f"below-{folder.name}"
    with small_disk(below, 64 * 1024):
        image = below / "image"
        with image.open("wb") as file:
            file.truncate(8 << 20)
        options = ["-b", "4096", "-N", "64", "-O", "^has_journal", "-E", "lazy_itable_init=0"]
        subprocess.run(["mkfs.ext4", "-qF", *options, image], check=True)
        with image.open("rb+") as file:
            os.posix_fallocate(file.fileno(), 0, 128 << 10)  # the file system's own tables are never short
        mount("-o", "loop", image, folder)
        try:
            enlarge(below, image.stat().st_blocks // 2 + kib)
            yield below
        finally:
            take_off(folder)


def enlarge(folder: Path, kib: int) -> None:
    """Set the size of a mounted small disk."""
    mount("-o", f"remount,size={kib}k", folder)


def few_wait(agent: Agent, dropped: int) -> bool:
    """Whether the next file may come: no more than IN_FLIGHT are unmeasured, or nobody measures any more."""
    return not agent.alive or len(agent.events("measured")) >= dropped - IN_FLIGHT


def until_full(folder: Path, where: str, kib: int) -> dict[str, object]:
    """Fill a disk of ``kib`` at ``where`` in the store, start once more without room, then with room.

    Returns what happened, checked.
    """
    store = folder / "agent" / "store"
    disk = store / where
    changes = {"intake.settle_s": 0.05, "verification": None, "worker.processes": 1}
    with small_disk(disk, kib), Broker(folder / "broker") as broker, Listener(broker.port) as line:
        with Agent(folder / "agent", broker.port, changes=changes) as agent:
            serial = 0
            while agent.alive and serial < FILES_MAX:
                serial += 1
                agent.drop(f"{serial:05d}.txt", text_of(serial))
                wait_until(partial(few_wait, agent, serial))
            code = agent.wait(60)
            failed = agent.events("journal-failed")
            assert code == 23, f"exit code {code}: {agent.said()}"
            assert failed, "the end was not explained"
            line.wait_lamp("3")
            told = {m.json["seq"]: m.json["serial"] for m in line.messages("disposition")}
            agent.start(wait=False)
            assert agent.wait() == 23, "a start without room did not end with its own exit code"
            with Listener(broker.port) as late:
                late.wait_lamp("3")
            enlarge(disk, 64 * 1024)
            agent.start()
            line.wait(lambda x: len({m.json["serial"] for m in x.messages("disposition")}) == serial)
            told_at_last = {m.json["seq"]: m.json["serial"] for m in line.messages("disposition")}
            line.wait(lambda x: x.lamp != "3")
            records = agent.records()
            assert agent.terminate() == 0
        verify_journal(store)
    measured = Counter(r["body"]["source"]["name"] for r in records if r["kind"] == "measurement")
    durable = {r["seq"]: r["body"]["serial"] for r in records if r["kind"] == "disposition"}
    assert told.items() <= durable.items(), "something was told that is not in the journal"
    assert told_at_last == durable, "what was told is not what is in the journal"
    assert len(measured) == serial, "a file was lost"
    assert set(measured.values()) == {1}, "a file was measured twice"
    assert sorted(durable.values()) == sorted(set(durable.values())), "a part was decided twice"
    assert len(durable) == serial, "a part was not decided"
    return {
        "disk": f"{where} {kib} KiB",
        "files": serial,
        "told before": len(told),
        "exit code": code,
        "torn tails cut": sum(r["body"].get("what") == "journal-tail-cut" for r in records),
        "it said": str(failed[0]["reason"]).split("/")[-1],
    }


def after_lost_write(folder: Path, kib: int) -> dict[str, int]:
    """Write records until a sync fails and its data are lost; what the cache, a start and the disk have.

    Checked: the start visits exactly the records that are there after the disk was taken off and put on again.
    """
    journal = folder / "journal"
    visited: list[int] = []
    with overcommitted_disk(journal, kib) as below:
        writer = JournalWriter(journal, SystemClock(), segment_bytes=1 << 30)
        writer.open(lambda _record, _place: None)
        with suppress(JournalWriteError):
            while writer.seq < 10 * kib:
                writer.append([Recovery(what="x" * 1500, reason="")])
        shown = sum(1 for _ in JournalReader(journal).walk())
        again = JournalWriter(journal, SystemClock(), segment_bytes=1 << 30)
        with suppress(JournalTornTailError):
            again.open(lambda record, _place: visited.append(record.seq))
        again.close()
        subprocess.run(["umount", journal], check=True)
        mount("-o", "loop", below / "image", journal)
        there = [record.seq for record, _ in JournalReader(journal).walk()]
    assert shown > len(there), "nothing was lost: nothing was tried"
    assert visited == there, "the start believed in records that the disk does not have"
    return {
        "disk KiB": kib,
        "shown by the cache": shown,
        "seen by a start": len(visited),
        "on disk": len(there),
    }


if __name__ == "__main__":
    for where, size in (
        *((".", size) for size in (256, 1000, 2048)),
        *(("journal", size) for size in (8, 16, 40)),
        ("state", 4),
    ):
        found = until_full(Path(tempfile.mkdtemp(prefix="full-")), where, size)
        print("  " + ", ".join(f"{name} {value}" for name, value in found.items()))
    print("  nothing told that was not durable; fault shown, also by a start without room; room heals it")
    for size in (20, 40, 80):
        found = after_lost_write(Path(tempfile.mkdtemp(prefix="lost-")), size)
        print("  " + ", ".join(f"{name} {value}" for name, value in found.items()))
    print("  a start believes what the disk has and not what the cache shows")

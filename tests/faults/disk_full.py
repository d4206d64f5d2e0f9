"""The disk below the store runs full: nothing that is not durable is told, and room alone heals it.

Run as root: python tests/faults/disk_full.py   (needs Mosquitto; mounts small disks in memory)
"""

from __future__ import annotations

import subprocess
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parent.parent),
    str(Path(__file__).parent.parent.parent),
]
from field import Agent, Broker, Listener
from kill_anywhere import text_of

from edgeagent.shell.verify import verify_journal

FILES_MAX = 400
"""More than any of these disks can hold."""


@contextmanager
def small_disk(folder: Path, kib: int) -> Iterator[None]:
    """A disk of so many KiB in ``folder`` until the block ends. Raises PermissionError where denied."""
    folder.mkdir(parents=True, exist_ok=True)
    made = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", f"size={kib}k", "small", folder], capture_output=True, text=True
    )
    if made.returncode != 0:
        raise PermissionError(made.stderr.strip())
    try:
        yield
    finally:
        subprocess.run(["umount", folder], check=True)


def enlarge(folder: Path, kib: int) -> None:
    """Give the mounted disk more room."""
    subprocess.run(["mount", "-o", f"remount,size={kib}k", folder], check=True)


def until_full(folder: Path, where: str, kib: int) -> dict[str, object]:
    """Fill a disk of ``kib`` at ``where`` in the store, start once more without room, then with room.

    Returns what happened, checked.
    """
    store = folder / "agent" / "store"
    disk = store / where
    changes = {"intake.settle_s": 0.05, "verification": None}
    with small_disk(disk, kib), Broker(folder / "broker") as broker, Listener(broker.port) as line:
        with Agent(folder / "agent", broker.port, changes=changes) as agent:
            serial = 0
            while agent.alive and serial < FILES_MAX:
                serial += 1
                agent.drop(f"{serial:05d}.txt", text_of(serial))
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


if __name__ == "__main__":
    for where, size in (
        *((".", size) for size in (256, 1000, 2048)),
        *(("journal", size) for size in (8, 16, 40)),
        ("state", 4),
    ):
        found = until_full(Path(tempfile.mkdtemp(prefix="full-")), where, size)
        print("  " + ", ".join(f"{name} {value}" for name, value in found.items()))
    print("  nothing told that was not durable; fault shown, also by a start without room; room heals it")

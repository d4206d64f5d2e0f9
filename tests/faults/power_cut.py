"""The power goes while files stream in: what was told before the cut is on the disk that is left.

Run: python tests/faults/power_cut.py [CUTS]   (as root; needs Mosquitto, e2fsprogs and loop devices)

Store and inbox lie on a file system of their own in an image. At the cut the agent is frozen and the image
copied as it is: what only the page cache holds is not in the copy. The copy is repaired by its journal, as at
power-up, and a second agent starts on it. The files of the inbox are put back, as an instrument's are that
has a disk of its own, since nobody synced them.
"""

from __future__ import annotations

import os
import random
import shutil
import subprocess
import sys
import tempfile
from collections import Counter
from pathlib import Path

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parent.parent),
    str(Path(__file__).parent.parent.parent),
]
from field import Agent, Broker, Listener, wait_until
from kill_anywhere import text_of

from edgeagent.store.verify import verify_journal

IMAGE_MB = 64
PARTS = 30


def run(*command: str | Path, codes: tuple[int, ...] = (0,)) -> None:
    ran = subprocess.run([os.fspath(c) for c in command], capture_output=True, text=True, check=False)
    assert ran.returncode in codes, f"{command}: {ran.stderr}"


class Image:
    """A file system in a file, mounted at a folder while the context lasts."""

    def __init__(self, path: Path, at: Path) -> None:
        self.path, self.at = path, at

    def make(self) -> Image:
        with self.path.open("wb") as file:
            file.truncate(IMAGE_MB << 20)
        run("mkfs.ext4", "-qF", self.path)
        return self

    def __enter__(self) -> Image:
        self.at.mkdir(parents=True, exist_ok=True)
        run("mount", "-o", "loop", self.path, self.at)
        return self

    def __exit__(self, *_: object) -> None:
        run("umount", "-l", self.at)


def cut(folder: Path, after: int) -> dict[str, object]:
    """Cut the power when ``after`` parts have been told; what was found, checked."""
    texts = {f"{serial:05d}.txt": text_of(serial) for serial in range(1, PARTS + 1)}
    changes = {"intake.settle_s": 0.05, "verification": None, "intake.live_s": 600}
    snapshot = folder / "after.img"
    with Broker(folder / "broker") as broker, Listener(broker.port) as line:
        with Image(folder / "before.img", folder / "cell").make():
            agent = Agent(folder / "cell", broker.port, changes=changes, wait=False)
            os.sync()  # the configuration was there for long; what comes from here on is the agent's own work
            with agent:
                agent.wait_event("ready")
                for name, text in texts.items():
                    agent.drop(name, text)
                wait_until(lambda: len(line.messages("disposition")) >= after, 60)
                agent.freeze()
                told = {m.json["seq"]: m.json["head"] for m in line.messages("disposition")}
                run("cp", "--sparse=always", folder / "before.img", snapshot)
                written = len(agent.records("disposition"))
                agent.kill()
        line.wait_lamp("3")
        run("e2fsck", "-p", snapshot, codes=(0, 1))
        with Image(snapshot, folder / "again"):
            at_power_up = found_at_power_up(folder / "again", told)
            again = Agent(folder / "again", broker.port, changes=changes, wait=False)
            for name, text in texts.items():
                again.drop(name, text)
            with again:
                again.wait_event("ready")
                wait_until(lambda: len(again.records("disposition")) >= PARTS, 60)
                line.wait(lambda x: len({m.json["serial"] for m in x.messages("disposition")}) == PARTS)
                assert again.terminate() == 0
            counted = Counter(r["body"]["serial"] for r in again.records("disposition"))
            assert set(counted.values()) == {1}, f"decided twice: {counted}"
            heads = {r["seq"]: r["hash"] for r in again.records("disposition")}
            for message in line.messages("disposition"):
                assert heads[message.json["seq"]] == message.json["head"], "told, but not as it is on record"
            verify_journal(again.store)
            tails = [r for r in again.records("recovery") if r["body"]["what"] == "journal-tail-cut"]
    return {"told": len(told), "written": written, "on disk": at_power_up, "torn tail": len(tails)}


def found_at_power_up(folder: Path, told: dict[int, str]) -> int:
    """Number of dispositions on the disk as the cut left it; everything told must be among them."""
    from edgeagent.store.journal import JournalReader

    records = {r.seq: r for r, _ in JournalReader(folder / "store" / "journal").walk()}
    for seq, head in told.items():
        assert seq in records, f"record {seq} was told and is not on the disk"
        assert records[seq].hash == head
    return sum(r.kind == "disposition" for r in records.values())


if __name__ == "__main__":
    cuts = int(sys.argv[1]) if len(sys.argv) > 1 else 10
    chance = random.Random(20261125)
    print(f"  {cuts} cuts of the power during {PARTS} parts")
    for number in range(1, cuts + 1):
        place = Path(tempfile.mkdtemp(prefix="power-"))
        found = cut(place, chance.randrange(1, PARTS))
        print(f"  cut {number}: " + ", ".join(f"{name} {value}" for name, value in found.items()))
        shutil.rmtree(place, ignore_errors=True)
    print("  nothing that was told was lost; every part decided once; the journals verify")

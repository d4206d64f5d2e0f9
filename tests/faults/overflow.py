"""The kernel's queue of folder events overflows: the scan finds every file that no event tells of.

Run as root: python tests/faults/overflow.py [files]   (3000 by default; needs Mosquitto; sets
fs.inotify.max_queued_events to 64 while the agent starts, and back)
"""

from __future__ import annotations

import ctypes
import os
import struct
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parent.parent),
    str(Path(__file__).parent.parent.parent),
]
from field import Agent, Broker, Listener
from kill_anywhere import text_of

from edgeagent.store.verify import verify_journal

LIMIT = Path("/proc/sys/fs/inotify/max_queued_events")
IN_CREATE, IN_MOVED_TO, IN_Q_OVERFLOW = 0x100, 0x80, 0x4000
"""From inotify(7) of the Linux manual pages."""


@contextmanager
def short_queues(events: int) -> Iterator[None]:
    """Event queues that are made within the block hold so many; others are not touched."""
    before = LIMIT.read_text("ascii")
    LIMIT.write_text(str(events), "ascii")
    try:
        yield
    finally:
        LIMIT.write_text(before, "ascii")


class Witness:
    """A queue of its own on the folder that nobody reads during the burst: what the frozen agent's holds."""

    def __init__(self, folder: Path) -> None:
        libc = ctypes.CDLL(None, use_errno=True)
        self._fd = libc.inotify_init1(os.O_NONBLOCK | os.O_CLOEXEC)
        if self._fd < 0 or libc.inotify_add_watch(self._fd, os.fsencode(folder), IN_CREATE | IN_MOVED_TO) < 0:
            raise OSError(ctypes.get_errno(), "no witness")

    def read(self) -> tuple[int, bool]:
        """Events that fitted, and whether the kernel says that it dropped others."""
        data = os.read(self._fd, 1 << 20)
        os.close(self._fd)
        masks, at = [], 0
        while at < len(data):
            _, mask, _, length = struct.unpack_from("iIII", data, at)
            masks.append(mask)
            at += 16 + length
        dropped = [mask for mask in masks if mask & IN_Q_OVERFLOW]
        return len(masks) - len(dropped), bool(dropped)


def burst(folder: Path, files: int, queue: int = 64) -> dict[str, object]:
    """Bring in many files while the agent is frozen and its queue short; what came of it, checked."""
    template = text_of(1)
    changes = {"intake.settle_s": 0.05, "verification": None}
    with ExitStack() as begun:
        broker = begun.enter_context(Broker(folder / "broker"))
        line = begun.enter_context(Listener(broker.port, topics=["disposition", "alarm"]))
        agent = Agent(folder / "agent", broker.port, changes=changes)
        begun.callback(agent._clean_up)
        with short_queues(queue):
            agent.start()
            agent.drop("00001.txt", template)
            agent.wait_event("measured")  # so its watch is up
            witness = Witness(agent.inbox)
        agent.freeze()
        for serial in range(2, files + 1):
            agent.drop(f"{serial:05d}.txt", template.replace('"00001"', f'"{serial:05d}"'))
        fitted, dropped = witness.read()
        agent.thaw()
        began = time.monotonic()
        agent.wait_event("measured", files, deadline_s=300)
        took_s = time.monotonic() - began
        # The watch itself is still of use: a rename inside the folder settles at once.
        agent.drop("after.part", template.replace('"00001"', '"after"'))
        (agent.inbox / "after.part").rename(agent.inbox / "after.txt")
        agent.wait_event("measured", files + 1)
        line.wait(lambda x: len({m.json["seq"] for m in x.messages("disposition")}) == files + 1)
        records = agent.records()
        assert agent.terminate() == 0
        told = [message.json["seq"] for message in line.messages("disposition")]
    verify_journal(agent.store)
    assert dropped, "the queue did not overflow: nothing was tried"
    assert fitted <= queue
    measured = Counter(r["body"]["source"]["name"] for r in records if r["kind"] == "measurement")
    durable = [r["seq"] for r in records if r["kind"] == "disposition"]
    assert len(measured) == files + 1, "a file was lost"
    assert set(measured.values()) == {1}, "a file was measured twice"
    assert list(dict.fromkeys(told)) == durable, "not every disposition arrived, or not in order"
    return {
        "files": files,
        "events that fit": fitted,
        "files measured": len(measured) - 1,
        "seconds for all": round(took_s, 1),
        "dispositions told": len(set(told)) - 1,
    }


if __name__ == "__main__":
    found = burst(Path(tempfile.mkdtemp(prefix="overflow-")), int(sys.argv[1]) if len(sys.argv) > 1 else 3000)
    for name, value in found.items():
        print(f"  {name:<20} {value}")
    print("  every file measured once, every disposition told in order; the watch goes on")

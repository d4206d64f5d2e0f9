"""A sync of the journal fails: nothing of that record is told, the lamp shows fault, the process ends with 23.

Run: python tests/faults/failed_sync.py   (needs Mosquitto and strace)
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parent.parent),
    str(Path(__file__).parent.parent.parent),
]
from field import Agent, Broker, Listener
from kill_anywhere import text_of

from edgeagent.store.verify import verify_journal


def with_failing_sync(folder: Path, when: int, call: str = "fdatasync") -> dict[str, object]:
    """Let the ``when``-th sync of one kind fail; what happened, checked, and what a restart makes of it.

    The journal's records are synced by fdatasync, everything else (archive, state, names) by fsync; the index,
    a cache, by fdatasync too, whose failures are not meant here.
    """
    launcher = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", f"trace={call}"]
    launcher += ["-e", f"inject={call}:error=EIO:when={when}"]
    if call == "fdatasync":
        launcher += ["-P", str(folder / "agent" / "store" / "journal" / "00000001.jsonl")]
    changes = {"intake.settle_s": 0.05, "verification": None, "worker.processes": 1}
    with Broker(folder / "broker") as broker, Listener(broker.port) as line:
        agent = Agent(folder / "agent", broker.port, changes=changes, launcher=launcher, wait=False)
        parts = when + 1
        with agent:
            for serial in range(1, parts + 1):
                agent.drop(f"{serial:05d}.txt", text_of(serial))
            code = agent.wait(60)
            assert code == 23, f"exit code {code}: {agent.said()}"
            assert agent.events("journal-failed"), "the end was not explained"
            measured = {event["seq"] for event in agent.events("measured")}
        if agent.events("mqtt-connected"):
            line.wait_lamp("3")
        assert line.lamp in (None, "3"), f"lamp {line.lamp}"
        # A part's disposition follows its measurement; the record whose sync failed is in no such event.
        told = {message.json["seq"] for message in line.messages("disposition")}
        assert told <= {seq + 1 for seq in measured}, "a disposition was told whose sync had failed"
        with Agent(folder / "agent", broker.port, changes=changes) as again:
            line.wait(lambda x: len({m.json["serial"] for m in x.messages("disposition")}) == parts)
            assert again.terminate() == 0
        records = [(r["seq"], r["body"]["serial"]) for r in again.records("disposition")]
    verify_journal(again.store)
    assert told <= {seq for seq, _ in records}, "something was told that is not in the journal"
    assert len({serial for _, serial in records}) == len(records) == parts, "a part lost or decided twice"
    return {"failing": f"{call} {when}", "exit code": code, "told before": len(told), "parts at last": parts}


if __name__ == "__main__":
    tried = [("fdatasync", when) for when in (1, 2, 3, 5)] + [("fsync", when) for when in range(1, 21)]
    for call, when in tried:
        found = with_failing_sync(Path(tempfile.mkdtemp(prefix="sync-")), when, call)
        print("  " + ", ".join(f"{name} {value}" for name, value in found.items()))
    print("  nothing told that was not durable; fault shown; the restart reads the truth from disk")

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

from edgeagent.shell.verify import verify_journal


def with_failing_sync(folder: Path, when: int) -> dict[str, object]:
    """Let the ``when``-th fdatasync fail; what happened, checked, and what a restart makes of it."""
    launcher = ["strace", "-f", "-qq", "-o", "/dev/null", "-e", "trace=fdatasync"]
    launcher += ["-e", f"inject=fdatasync:error=EIO:when={when}"]
    changes = {"intake.settle_s": 0.05, "verification": None}
    with Broker(folder / "broker") as broker, Listener(broker.port) as line:
        with Agent(folder / "agent", broker.port, changes=changes, launcher=launcher) as agent:
            for serial in range(1, when + 2):
                agent.drop(f"{serial:05d}.txt", text_of(serial))
            code = agent.wait(60)
            line.wait_lamp("3")
            told = {m.json["seq"] for m in line.messages("disposition")}
            failed = agent.events("journal-failed")
        assert code == 23, f"exit code {code}"
        assert failed
        assert line.lamp == "3"
        with Agent(folder / "agent", broker.port, changes=changes) as again:
            again.wait_event("ready")
            line.wait(lambda x: len({m.json["serial"] for m in x.messages("disposition")}) == when + 1)
            durable = {r["seq"] for r in again.records("disposition")}
    verify_journal(again.store)
    assert told <= durable, "something was told that is not in the journal"
    return {"failing sync": when, "exit code": code, "told before": len(told), "parts after restart": when + 1}


if __name__ == "__main__":
    for when in (2, 3, 5):
        print(
            "  " + ", ".join(f"{k} {v}" for k, v in with_failing_sync(Path(tempfile.mkdtemp()), when).items())
        )
    print("  nothing told that was not durable; fault shown; the restart reads the truth from disk")

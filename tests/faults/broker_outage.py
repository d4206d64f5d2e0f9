"""The broker is down for the time of many parts: then everything arrives once and in order, late ones marked.

Run: python tests/faults/broker_outage.py [parts]   (50 by default; needs Mosquitto)
"""

from __future__ import annotations

import sys
import tempfile
import time
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent), str(Path(__file__).parent.parent)]
from field import Agent, Broker, Listener
from kill_anywhere import text_of


def through_outage(folder: Path, parts: int) -> dict[str, int]:
    """Stop the broker, measure parts, bring it back; the counts that must hold, checked."""
    with Broker(folder / "broker") as broker:
        changes = {"intake.settle_s": 0.05, "intake.live_s": 1.0, "verification": None, "worker.processes": 1}
        with Agent(folder / "agent", broker.port, changes=changes) as agent:
            agent.drop("00001.txt", text_of(1))
            agent.wait_event("measured")
            broker.stop()
            for serial in range(2, parts + 2):
                agent.drop(f"{serial:05d}.txt", text_of(serial))
            agent.wait_event("measured", parts + 1)
            time.sleep(1.2)  # now all of them are late
            agent.freeze()  # a subscriber without a session of its own must be there first
            broker.start()
            with Listener(broker.port) as line:
                agent.thaw()
                rejected = sum(serial % 3 == 0 for serial in range(2, parts + 2))
                line.wait(lambda x: len({m.json["serial"] for m in x.messages("disposition")}) > parts - 1)
                line.wait(lambda x: len({m.json["seq"] for m in x.messages("alarm")}) >= rejected)
                line.wait(lambda x: f"{parts + 1:05d}" in {m.json["serial"] for m in x.messages("disposition")})
                line.wait_lamp("0")
                messages = [m.json for m in line.messages("disposition")]
                alarms = [m.json["alarm"] for m in line.messages("alarm")]
                lamps = [m.payload for m in line.messages("lamp")]
            decided = [r["seq"] for r in agent.records("disposition")]
    fresh = [m for m in messages if m["serial"] != "00001"]
    order = list(dict.fromkeys(m["seq"] for m in fresh))
    assert order == decided[1:], "a disposition did not arrive, or not in the journal's order"
    assert len({m["serial"] for m in fresh}) == parts
    assert all(m.get("late") for m in fresh), "a late disposition does not say so"
    assert b"1" not in lamps, "a late reject moved the lamp"
    rejects = sum(m["disposition"] == "reject" for m in {m["seq"]: m for m in fresh}.values())
    assert alarms.count("late-reject") >= rejects, "a late reject raised no alarm"
    return {
        "parts": parts,
        "messages": len(fresh),
        "late rejects": rejects,
        "their alarms": alarms.count("late-reject"),
    }


if __name__ == "__main__":
    found = through_outage(
        Path(tempfile.mkdtemp(prefix="outage-")), int(sys.argv[1]) if len(sys.argv) > 1 else 50
    )
    for name, value in found.items():
        print(f"  {name:<20} {value}")
    print("  everything once and in order, late ones marked, the lamp untouched")

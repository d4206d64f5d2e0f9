"""kill -9 of the agent at random moments during a stream of files: nothing lost, nothing decided twice.

Run: python tests/faults/kill_anywhere.py [kills]   (50 by default; needs Mosquitto)
"""

from __future__ import annotations

import random
import sys
import tempfile
import time
from collections import Counter
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parent.parent), str(Path(__file__).parent.parent.parent)]
from field import Agent, Broker, Listener, spiral_text

from edgeagent.store.verify import verify_journal


def text_of(serial: int) -> str:
    """A nut's roundness plane, a part with one measurement; every third one is out of round."""
    waves = {2: 150.0, 3: 4000.0 if serial % 3 == 0 else 20.0}
    return spiral_text(
        kind="circle",
        part="HN-1610-R",
        feature="outside",
        serial=f"{serial:05d}",
        turns=2,
        points_per_turn=1800,
        waves_nm=waves,
        seed=serial,
    )


def killed_often(folder: Path, kills: int, seed: int = 1) -> dict[str, int]:
    """Kill and restart the agent while files arrive; the counts that must hold, checked."""
    chance = random.Random(seed)
    serial = at_work = in_start = 0
    with Broker(folder / "broker") as broker, Listener(broker.port) as line:
        changes = {"intake.settle_s": 0.05, "intake.scan_s": 0.3, "verification": None, "worker.processes": 1}
        agent = Agent(folder / "agent", broker.port, changes=changes)
        with agent:
            for kill in range(kills):
                # Every other life is measured from its first record: it ends at work and not in its start.
                if kill % 2:
                    agent.wait_event("started")
                until = time.monotonic() + chance.uniform(0.02, 0.6)
                while time.monotonic() < until:
                    serial += 1
                    agent.drop(f"{serial:05d}.txt", text_of(serial))
                    time.sleep(chance.uniform(0.0, 0.03))
                agent.kill()
                at_work += bool(agent.events("measured"))
                in_start += not agent.events("started")
                agent.start(wait=False)
            agent.wait_event("ready")

            def decided() -> set[str]:
                return {r["body"]["serial"] for r in agent.records("disposition")}

            limit = time.monotonic() + 120
            while len(decided()) < serial and time.monotonic() < limit:
                time.sleep(0.1)
            last = agent.records()[-1]["seq"]
            line.wait(lambda x: {m.json["serial"] for m in x.messages("disposition")} >= decided())
            records = agent.records()
    verify_journal(agent.store)
    measured = Counter(r["body"]["source"]["name"] for r in records if r["kind"] == "measurement")
    parts = Counter(r["body"]["serial"] for r in records if r["kind"] == "disposition")
    decisions = [r["seq"] for r in records if r["kind"] == "disposition"]
    told, order = {}, []
    for message in line.messages("disposition"):
        payload = message.json
        if payload["seq"] not in told:
            told[payload["seq"]] = payload
            order.append(payload["seq"])
    assert len(measured) == serial, "a file was lost"
    assert set(measured.values()) == {1}, "a file was measured twice"
    assert len(parts) == serial, "a part was not decided"
    assert set(parts.values()) == {1}, "a part was decided twice"
    assert order == decisions, "a disposition did not arrive, or not in the journal's order"
    wrong = [p for p in told.values() if (p["disposition"] == "reject") != (int(p["serial"]) % 3 == 0)]
    assert not wrong, f"wrong dispositions: {wrong[:2]}"
    return {
        "kills": kills,
        "of them at work": at_work,
        "of them in a start": in_start,
        "files": serial,
        "records": last,
        "repeated messages": len(line.messages("disposition")) - len(told),
        "torn tails cut": sum(r["body"].get("what") == "journal-tail-cut" for r in records),
    }


if __name__ == "__main__":
    found = killed_often(Path(tempfile.mkdtemp(prefix="kill-")), int(sys.argv[1]) if len(sys.argv) > 1 else 50)
    for name, value in found.items():
        print(f"  {name:<20} {value}")
    print("  nothing lost, nothing decided twice, in order, journal whole")

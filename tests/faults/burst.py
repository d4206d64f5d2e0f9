"""A burst of files while the agent runs: how long the part behind them waits, and how steady the heart beats.

Run: python tests/faults/burst.py [files]   (20,000 by default; needs Mosquitto)
"""

from __future__ import annotations

import sys
import tempfile
import time
from contextlib import ExitStack
from itertools import pairwise
from pathlib import Path

sys.path[:0] = [
    str(Path(__file__).parent),
    str(Path(__file__).parent.parent),
    str(Path(__file__).parent.parent.parent),
]
from field import Agent, Broker, Listener, spiral_text

LIVE_PARTS = 5


def circle(serial: str, amplitude_nm: float, points_per_turn: int = 1200) -> str:
    """A nut's roundness plane; 3000 nm at 3 UPR are a reject."""
    waves = {2: 150.0, 3: amplitude_nm}
    return spiral_text(
        kind="circle",
        part="HN-1610-R",
        feature="outside",
        serial=serial,
        turns=2,
        points_per_turn=points_per_turn,
        waves_nm=waves,
    )


def through_burst(folder: Path, files: int) -> dict[str, object]:
    """Drop many files, then live rejects one by one; seconds until each of them showed, and what came of it."""
    template, spare = circle("SERIAL", 20.0), folder / "spare"
    spare.mkdir()
    for number in range(files):
        (spare / f"{number:05}.txt").write_text(template.replace("SERIAL", f"{number:05}"))
    with ExitStack() as begun:
        broker = begun.enter_context(Broker(folder / "broker"))
        line = begun.enter_context(Listener(broker.port, topics=["disposition", "heartbeat", "lamp", "alarm"]))
        agent = Agent(folder / "agent", broker.port, changes={"verification": None})
        begun.callback(agent._clean_up)
        agent.start()
        agent.drop("warm.txt", circle("warm", 20.0))
        agent.wait_event("measured")
        began = time.monotonic()
        for path in sorted(spare.iterdir()):
            path.rename(agent.inbox / path.name)
        dropped_s = time.monotonic() - began
        waits = []
        for number in range(LIVE_PARTS):
            serial = f"live-{number}"
            agent.drop(f"{serial}.txt", circle(serial, 3000.0))
            dropped = time.monotonic()
            message = line.wait(
                lambda x, s=serial: next((m for m in x.messages("disposition") if m.json["serial"] == s), None),
                300,
            )
            waits.append(message.at - dropped)
        waiting = files + 1 - len(agent.records("measurement"))
        behind = agent.wait_event("intake-behind", 1, 60)
        line.wait_lamp("3")
        beats = [m.at for m in line.messages("heartbeat") if m.at >= began]
        lamps = [m.payload.decode() for m in line.messages("lamp") if m.at >= began]
    said = [
        (m.json["serial"], m.json["disposition"])
        for m in line.messages("disposition")
        if "live" in m.json["serial"]
    ]
    assert said == [(f"live-{number}", "reject") for number in range(LIVE_PARTS)], said
    return {
        "files in the burst": files,
        "seconds to drop them": round(dropped_s, 2),
        "seconds until each live reject was published": [round(w, 2) for w in waits],
        "files still waiting then": waiting + LIVE_PARTS,
        "longest heartbeat gap, s": round(max(b - a for a, b in pairwise(beats)), 2),
        "the lamp": " ".join(lamps[:12]),
        "said": behind[0]["reason"],
    }


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 20_000
    for name, value in through_burst(Path(tempfile.mkdtemp(prefix="burst-")), count).items():
        print(f"  {name:<48} {value}")

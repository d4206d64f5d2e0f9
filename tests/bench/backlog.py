"""Files a second through a backlog, with one worker on one processor and with two on two, in one run.

Run: python tests/bench/backlog.py [files [rounds]]   Target: two at least 1.8 times one, recorded in order.

Each agent finds the same 54,000-point files at its start. Time counts from the moment when all its workers are
up, half a second later, to the last record. Files are recorded in the order of taking,
except behind one that takes longer than a second; how often that happened is counted.

Beside the rates stands how much of the time the workers had something to do, computing or waiting for a
processor: where others use the machine too, rates say little, and what is missing from 100 % is what the agent
leaves unused.
"""

import os
import statistics
import sys
import tempfile
import time
from collections import Counter
from datetime import datetime, timedelta
from itertools import pairwise
from pathlib import Path

from figures import print_table, resident_mb

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import Agent, Broker, spiral_text
from latency import RECIPE

FILES = int(sys.argv[1]) if len(sys.argv) > 1 else 300
ROUNDS = int(sys.argv[2]) if len(sys.argv) > 2 else 3


def filled(folder: Path, port: int, texts: list[str], processors: set[int], workers: int) -> Agent:
    """An agent on some processors with all files in its folder, not started yet."""
    listed = ",".join(map(str, sorted(processors)))
    changes = {"worker.processes": workers, "decision.reject_latches": False}
    agent = Agent(folder, port, changes=changes, launcher=["taskset", "-c", listed], wait=False)
    for old in (agent.folder / "recipes").glob("*.toml"):
        old.unlink()
    (agent.folder / "recipes" / "KX-2005-R.toml").write_text(RECIPE)
    for number, text in enumerate(texts):
        path = agent.inbox / f"{number:06d}.txt"
        path.write_text(text)
        os.utime(path, (1e9 + number, 1e9 + number))
    return agent


def wanted_s(pids: list[int]) -> float:
    """Seconds for which the main threads of processes computed or waited for a processor until now."""
    fields = [Path(f"/proc/{pid}/task/{pid}/schedstat").read_text().split() for pid in pids]
    return sum(int(run) + int(queued) for run, queued, _ in fields) / 1e9


def busy_share(agent: Agent, workers: list[int]) -> float:
    """Of the workers' time in the midst of the backlog, the share in which they had something to do."""
    agent.wait_event("measured", FILES // 3, deadline_s=600)
    began, before = time.monotonic(), wanted_s(workers)
    agent.wait_event("measured", FILES - FILES // 6, deadline_s=600)
    return (wanted_s(workers) - before) / (time.monotonic() - began) / len(workers)


def worked_off(agent: Agent, count: int) -> tuple[float, float, int, float]:
    """Files a second, MB of all its processes together, files that were recorded before an earlier one, and the
    busy share of its workers."""
    with agent:
        workers = agent.wait_event("worker-ready", count)
        busy = busy_share(agent, [event["pid"] for event in workers])
        agent.wait_event("measured", FILES, deadline_s=600)
        workers = agent.events("worker-ready")
        pids = [agent.pid, *(event["pid"] for event in workers)]
        up = datetime.fromisoformat(workers[-1]["timestamp"])
        memory = sum(resident_mb(pid) for pid in pids)
        records = agent.records("measurement")
        taken = [event["taken"] for event in agent.events("measured")]
    overtaken = sum(a > b for a, b in pairwise(taken))
    begin = up + timedelta(seconds=0.5)
    times = [at for record in records if (at := datetime.fromisoformat(record["time"])) > begin]
    assert len(times) > FILES / 4, "too few files for a rate: give more"
    rate = (len(times) - 1) / (times[-1] - times[0]).total_seconds()
    return rate, memory, overtaken, busy


def main() -> None:
    base = Path(tempfile.mkdtemp(prefix="backlog-"))
    few = [spiral_text(serial="SERIAL", points_per_turn=18000, seed=i) for i in range(20)]
    texts = [few[i % len(few)].replace("SERIAL", f"{i:06d}") for i in range(FILES)]
    processors = sorted(os.sched_getaffinity(0))[:2]
    kinds = {"one on one processor": (1, 1), "one on two": (2, 1), "two on two": (2, 2)}
    rates, memories, passed = {name: [] for name in kinds}, {}, Counter()
    shares: dict[str, list[float]] = {name: [] for name in kinds}
    with Broker(base / "broker") as broker:
        for round_number in range(ROUNDS):
            for name, (cores, workers) in kinds.items():
                folder = base / f"{round_number}-{cores}-{workers}"
                agent = filled(folder, broker.port, texts, set(processors[:cores]), workers)
                rate, memories[name], overtaken, busy = worked_off(agent, workers)
                rates[name].append(rate)
                shares[name].append(100 * busy)
                passed[name] += overtaken
    rows = [
        (
            name,
            statistics.median(found),
            max(found),
            statistics.median(shares[name]),
            memories[name],
            passed[name],
        )
        for name, found in rates.items()
    ]
    heads = ("workers", "files/s, median", "most", "workers busy, %", "resident MB in all", "out of order")
    print_table(f"{FILES} files of 54,000 points, {ROUNDS} rounds", heads, rows)
    one, alone, two = (statistics.median(found) for found in rates.values())
    print(f"  two on two / one on one {two / one:.2f} (target at least 1.8), / one on two {two / alone:.2f}")


if __name__ == "__main__":
    main()

"""Files a second through a backlog, with one worker on one processor and with two on two, in pairs.

Run: python tests/bench/backlog.py [files [rounds]]   Target: two at least 1.8 times one, recorded in order.

Each agent finds the same 54,000-point files at its start. Time counts from the first third of the records to
the last of them. Files are recorded in the order of taking, except behind one that takes longer than a second;
how often that happened is counted.

Every round runs all kinds, one after the other, in turning order, so that what else the machine does falls on
all of them alike; ratios are medians over the rounds. Beside the rate as the clock has it stands the rate for
the processor time that others left to the agent (from /proc/stat): files, divided by what the agent's processes
took and what stayed idle. On a machine with nothing else to do the two agree. What the agent leaves idle it
loses in both; where others take what is idle, it shows in the share of the time in which its workers had
something to do, computing or waiting for a processor. The processor time of a file tells where it goes: the
agent's own process (reading, hashing, archive, journal) or its workers.
"""

import os
import statistics
import sys
import tempfile
import time
from collections import Counter
from dataclasses import dataclass
from datetime import datetime
from itertools import pairwise
from pathlib import Path

from figures import print_table, resident_mb

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import Agent, Broker, spiral_text
from latency import RECIPE

FILES = int(sys.argv[1]) if len(sys.argv) > 1 else 300
ROUNDS = int(sys.argv[2]) if len(sys.argv) > 2 else 3
_TICK_S = 1 / os.sysconf("SC_CLK_TCK")


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


@dataclass(frozen=True)
class Moment:
    """Where the clocks stand, in s: wall, processor time of the agent and of its workers, the time in which
    workers had something to do, idle processors."""

    at: float
    agent: float
    workers: float
    wanted: float
    idle: float

    @staticmethod
    def now(agent: int, workers: list[int], processors: set[int]) -> "Moment":
        spent = sum(map(spent_s, workers))
        return Moment(time.monotonic(), spent_s(agent), spent, wanted_s(workers), idle_s(processors))


def spent_s(pid: int) -> float:
    """Processor time of a process with all its threads."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) * _TICK_S


def wanted_s(pids: list[int]) -> float:
    """Time for which the main threads of processes computed or waited for a processor."""
    fields = [Path(f"/proc/{pid}/task/{pid}/schedstat").read_text().split() for pid in pids]
    return sum(int(run) + int(queued) for run, queued, _ in fields) / 1e9


def idle_s(processors: set[int]) -> float:
    """Time that processors have spent idle or waiting for a disk."""
    lines = [line.split() for line in Path("/proc/stat").read_text().splitlines()]
    wanted = {f"cpu{number}" for number in processors}
    return sum((int(line[4]) + int(line[5])) * _TICK_S for line in lines if line[0] in wanted)


@dataclass(frozen=True)
class Run:
    """One agent's backlog: files a second by the clock and for the time left to it, ms a file, MB, and how many
    files were recorded before an earlier one."""

    rate: float
    rate_left: float
    others: float
    agent_ms: float
    worker_ms: float
    busy: float
    idle: float
    memory_mb: float
    overtaken: int


def worked_off(agent: Agent, count: int, processors: set[int]) -> Run:
    """The run of an agent with ``count`` workers on these processors."""
    with agent:
        workers = [event["pid"] for event in agent.wait_event("worker-ready", count)]
        agent.wait_event("measured", FILES // 3, deadline_s=900)
        began = Moment.now(agent.pid, workers, processors)
        before = len(agent.events("measured"))
        agent.wait_event("measured", FILES, deadline_s=900)
        ended = Moment.now(agent.pid, workers, processors)
        memory = sum(resident_mb(pid) for pid in (agent.pid, *workers))
        taken = [event["taken"] for event in agent.events("measured")]
        times = [datetime.fromisoformat(record["time"]) for record in agent.records("measurement")]
    files = FILES - before
    assert files > FILES / 4, "too few files for a rate: give more"
    wall, idle = ended.at - began.at, ended.idle - began.idle
    own, in_workers = ended.agent - began.agent, ended.workers - began.workers
    left = own + in_workers + idle
    return Run(
        rate=(FILES - before - 1) / (times[-1] - times[before]).total_seconds(),
        rate_left=files / (left / len(processors)),
        others=max(1 - left / (wall * len(processors)), 0.0),
        agent_ms=1000 * own / files,
        worker_ms=1000 * in_workers / files,
        busy=(ended.wanted - began.wanted) / wall / count,
        idle=idle / left,
        memory_mb=memory,
        overtaken=sum(a > b for a, b in pairwise(taken)),
    )


def main() -> None:
    base = Path(tempfile.mkdtemp(prefix="backlog-"))
    few = [spiral_text(serial="SERIAL", points_per_turn=18000, seed=i) for i in range(20)]
    texts = [few[i % len(few)].replace("SERIAL", f"{i:06d}") for i in range(FILES)]
    processors = sorted(os.sched_getaffinity(0))[:2]
    kinds = {"one on one processor": (1, 1), "one on two": (2, 1), "two on two": (2, 2)}
    runs: dict[str, list[Run]] = {name: [] for name in kinds}
    passed: Counter[str] = Counter()
    with Broker(base / "broker") as broker:
        for round_number in range(ROUNDS):
            names = list(kinds)
            for name in names[round_number % 3 :] + names[: round_number % 3]:
                cores, workers = kinds[name]
                folder, allowed = base / f"{round_number}-{cores}-{workers}", set(processors[:cores])
                agent = filled(folder, broker.port, texts, allowed, workers)
                runs[name].append(worked_off(agent, workers, allowed))
                passed[name] += runs[name][-1].overtaken
    report(runs, passed)


def report(runs: dict[str, list[Run]], passed: Counter[str]) -> None:
    """Print rates, ratios of pairs and where the processor time went."""

    def median(name: str, member: str) -> float:
        return statistics.median(getattr(run, member) for run in runs[name])

    rows = [
        (
            name, median(name, "rate"), median(name, "rate_left"), 100 * median(name, "others"),
            100 * median(name, "idle"), 100 * median(name, "busy"), median(name, "agent_ms"),
            median(name, "worker_ms"),
            median(name, "memory_mb"), passed[name],
        )
        for name in runs
    ]  # fmt: skip
    heads = (
        "workers", "files/s", "files/s of the time left", "others, %", "left idle, %", "workers busy, %",
        "agent, ms a file",
        "workers, ms a file", "resident MB", "out of order",
    )  # fmt: skip
    print_table(f"{FILES} files of 54,000 points, {ROUNDS} rounds, medians", heads, rows)
    for other in ("one on one processor", "one on two"):
        for member, words in (("rate", "by the clock"), ("rate_left", "of the time left")):
            pairs = zip(runs["two on two"], runs[other], strict=True)
            ratios = sorted(getattr(two, member) / getattr(one, member) for two, one in pairs)
            print(
                f"  two on two / {other}, {words}: {statistics.median(ratios):.2f} ({ratios[0]:.2f} to "
                f"{ratios[-1]:.2f})" + (" (target at least 1.8)" if other == "one on one processor" else "")
            )


if __name__ == "__main__":
    main()

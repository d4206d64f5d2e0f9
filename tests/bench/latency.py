"""Close-to-lamp latency for a 54,000-point trace over a local Mosquitto, against a bare script, in one run.

Run: python tests/bench/latency.py [files] [TREE]   Target: at most 2 times the bare script's median, with all
checks, the joint fit, worker process, journal, archive and every sync included. The script is
tests/bench/bare_script.py. TREE is another checkout of this project to be measured beside it, file by file.
"""

import contextlib
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

from figures import print_table, resident_mb

sys.path.insert(0, str(Path(__file__).parent.parent))
from field import Agent, Broker, Listener, spiral_text

FILES = int(sys.argv[1]) if len(sys.argv) > 1 else 60
OTHER_TREE = Path(sys.argv[2]).resolve() if len(sys.argv) > 2 else None
RECIPE = """part = "KX-2005-R"
revision = "bench"
[[measurement]]
feature = "left-flank"
kind = "spiral"
upr = [2, 500]
  [[measurement.limit]]
  characteristic = "roundness_total"
  upper = 1.2
  [[measurement.limit]]
  characteristic = "harmonic_amplitude"
  points = [[2, 300.0], [20, 60.0], [500, 3.0]]
"""


def closed(path: Path, text: str) -> float:
    """Write a file in one go; returns the monotonic time of its close."""
    with path.open("w") as file:
        file.write(text)
    return time.monotonic()


def agent_at(folder: Path, port: int, prefix: str, tree: Path | None) -> Agent:
    """An agent with the one recipe of this benchmark, by the code of another tree if one is given."""
    changes = {
        "intake.settle_s": 0,
        "decision.reject_latches": False,
        "mqtt.prefix": prefix,
        "station.name": prefix,
    }
    env = {} if tree is None else {"PYTHONPATH": str(tree)}
    agent = Agent(folder, port, changes=changes, env=env)
    for old in (agent.folder / "recipes").glob("*.toml"):
        old.unlink()
    (agent.folder / "recipes" / "KX-2005-R.toml").write_text(RECIPE)
    return agent


@contextlib.contextmanager
def bare_script(folder: Path, port: int) -> Iterator[None]:
    """The yardstick, ready; whatever happens, it does not outlive the benchmark."""
    folder.mkdir()
    program = Path(__file__).parent / "bare_script.py"
    command = [sys.executable, program, folder, str(port), "bare/lamp"]
    script = subprocess.Popen(command, stdout=subprocess.PIPE)
    try:
        script.stdout.readline()
        yield
    finally:
        script.kill()


def told_ms(listener: Listener, topic: str, path: Path, text: str) -> tuple[float, float]:
    """Milliseconds from a file's close to the message of it, and the time of the close."""
    before = len(listener.messages(topic, live=True))
    at = closed(path, text)
    seen = listener.wait(lambda x: x.messages(topic, live=True)[before:])
    return 1000 * (seen[0].at - at), at


def stages_of(agent: Agent, count: int, at: float, total_ms: float) -> dict[str, float]:
    """Where one file's milliseconds went, by the agent's own log."""
    event = agent.wait_event("measured", count)[count - 1]
    stages = {"close noticed, read begun": 1000 * (event["taken"] - at), **event["stages_ms"]}
    return {**stages, "to the subscriber": total_ms - sum(stages.values())}


def main() -> None:
    base = Path(tempfile.mkdtemp(prefix="latency-"))
    texts = [spiral_text(serial=f"{i:06d}", points_per_turn=18000, seed=i) for i in range(FILES)]
    trees = {"edgeagent": None} if OTHER_TREE is None else {"edgeagent": None, "the other tree": OTHER_TREE}
    with contextlib.ExitStack() as stack:
        broker = stack.enter_context(Broker(base / "broker"))
        stack.enter_context(bare_script(base / "bare", broker.port))
        bare_line = stack.enter_context(Listener(broker.port, "bare"))
        agents, lines, times = {}, {}, {"bare script": []}
        for number, (name, tree) in enumerate(trees.items()):
            agents[name] = stack.enter_context(
                agent_at(base / f"agent-{number}", broker.port, f"a{number}", tree)
            )
            lines[name] = stack.enter_context(Listener(broker.port, f"a{number}"))
            times[name] = []
        agents["edgeagent"].wait_event("worker-ready")
        stages = []
        for i, text in enumerate(texts):
            times["bare script"].append(told_ms(bare_line, "lamp", base / "bare" / f"{i:06d}.txt", text)[0])
            for name, agent in agents.items():
                took, at = told_ms(lines[name], "disposition", agent.inbox / f"{i:06d}.txt", text)
                times[name].append(took)
                if name == "edgeagent":
                    stages.append(stages_of(agent, i + 1, at, took))
        memory = {name: resident_mb(pid) for name, pid in processes(agents["edgeagent"])}
    report(times, stages, memory)


def processes(agent: Agent) -> list[tuple[str, int]]:
    """The agent's process and its workers."""
    ready = [event["pid"] for event in agent.events("worker-ready")]
    return [("agent", agent.pid), *((f"worker {n}", pid) for n, pid in enumerate(ready, 1))]


def report(times: dict[str, list[float]], stages: list[dict[str, float]], memory: dict[str, float]) -> None:
    """Print what was measured."""
    bare = statistics.median(times["bare script"])
    rows = [(n, statistics.median(t), min(t), max(t), statistics.median(t) / bare) for n, t in times.items()]
    heads = ("", "median", "least", "most", "median / bare script's")
    print_table(f"close to message, {FILES} files of 54,000 points, ms", heads, rows)
    ours = times["edgeagent"]
    print(f"  most / median {max(ours) / statistics.median(ours):.1f} (target at most 3)")
    for name, others in times.items():
        if name not in ("edgeagent", "bare script"):
            differences = [a - b for a, b in zip(ours, others, strict=True)]
            print(f"  edgeagent less {name}, median of pairs: {statistics.median(differences):+.1f} ms")
    print("  resident MB: " + ", ".join(f"{name} {value:.0f}" for name, value in memory.items()))
    table = [
        (name, statistics.median(s[name] for s in stages), max(s[name] for s in stages)) for name in stages[0]
    ]
    print_table("where each millisecond goes", ("stage", "median", "most"), table)


if __name__ == "__main__":
    main()

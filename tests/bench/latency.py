"""Close-to-lamp latency for a 54,000-point trace over a local Mosquitto, against a bare script, in one run.

Run: python tests/bench/latency.py [files]   Target: at most 2.5 times the bare script's median, with all
checks, the joint fit, journal, archive and every sync included. The script is tests/bench/bare_script.py.
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
from field import PREFIX, Agent, Broker, Listener, spiral_text

FILES = int(sys.argv[1]) if len(sys.argv) > 1 else 60
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


@contextlib.contextmanager
def killed(process: subprocess.Popen[bytes]) -> Iterator[None]:
    """Whatever happens, the bare script does not outlive the benchmark."""
    try:
        yield
    finally:
        process.kill()


def main() -> None:
    base = Path(tempfile.mkdtemp(prefix="latency-"))
    texts = [spiral_text(serial=f"{i:06d}", points_per_turn=18000, seed=i) for i in range(FILES)]
    ours, bare, stages, waits = [], [], [], []
    with Broker(base / "broker") as broker:
        bare_folder = base / "bare"
        bare_folder.mkdir()
        program = Path(__file__).parent / "bare_script.py"
        script = subprocess.Popen(
            [sys.executable, program, bare_folder, str(broker.port), "bare/lamp"], stdout=subprocess.PIPE
        )
        script.stdout.readline()
        changes = {"intake.settle_s": 0, "decision.reject_latches": False}
        agent = Agent(base / "agent", broker.port, changes=changes)
        for old in (agent.folder / "recipes").glob("*.toml"):
            old.unlink()
        (agent.folder / "recipes" / "KX-2005-R.toml").write_text(RECIPE)
        with (
            killed(script),
            agent,
            Listener(broker.port, PREFIX) as line,
            Listener(broker.port, "bare") as other,
        ):
            for i, text in enumerate(texts):
                for listener, folder, times in ((other, bare_folder, bare), (line, agent.inbox, ours)):
                    before = len(listener.messages("lamp", live=True))
                    at = closed(folder / f"{i:06d}.txt", text)
                    seen = listener.wait(lambda x, n=before: x.messages("lamp", live=True)[n:])
                    times.append(1000 * (seen[0].at - at))
                    if listener is line:
                        event = agent.wait_event("measured", i + 1)[-1]
                        waits.append(1000 * (event["taken"] - at))
                        stages.append(event["stages_ms"])
            memory = resident_mb(agent.pid)
    both = (("bare script", bare), ("edgeagent", ours))
    rows = [(name, statistics.median(times), min(times), max(times)) for name, times in both]
    print_table(f"close to lamp, {FILES} files of 54,000 points, ms", ("", "median", "least", "most"), rows)
    ratio = statistics.median(ours) / statistics.median(bare)
    print(f"  ratio of medians {ratio:.2f} (target at most 2.5); resident {memory:.0f} MB")
    names = list(stages[0])
    medians = [(name, statistics.median(s[name] for s in stages)) for name in names]
    total = statistics.median(ours)
    told = statistics.median(waits) + sum(v for _, v in medians)
    first, last = ("close noticed by the loop", statistics.median(waits)), ("to the lamp client", total - told)
    table = [first, *medians, last]
    print_table("where each millisecond goes (medians)", ("stage", "ms"), table)


if __name__ == "__main__":
    main()
